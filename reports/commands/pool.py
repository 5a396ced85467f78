"""``afterplaque pool``: the bundles of several centres together."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from registry.errors import RefusedInputError, UsageError
from reports.command_frame import JsonFlag, answer

if TYPE_CHECKING:
    from analysis.benchmarking.bundles import Bundle, PooledCentres
    from analysis.benchmarking.expected_events import ReferenceHazard
    from reports.bundle_suppression import SuppressedBundle, SuppressedPool


def pool(
    bundles: Annotated[
        list[Path], typer.Argument(metavar="A.json B.json ...", help="Bundles, one a centre.")
    ],
    at: Annotated[
        list[str] | None, typer.Option(metavar="Y,...", help="Years to read the curve at.")
    ] = None,
    against: Annotated[
        str | None,
        typer.Option(
            metavar="KEY", help="Published series for observed over expected (see `rates`)."
        ),
    ] = None,
    as_json: JsonFlag = False,
) -> None:
    """Pool bundles of several centres: curve, test between them, rates, observed over expected.

    Open bundles give what the patients' rows would on the same grid. Suppressed ones give bounds of
    the rate and say how much was lost.
    """
    from analysis.benchmarking.bundles import Bundle, pool_bundles
    from reports.bundle_files import read_bundle
    from reports.bundle_suppression import SuppressedBundle, pool_suppressed
    from reports.estimate_options import read_times

    years = read_times(at) or (1.0, 2.0, 5.0, 10.0)
    read = [read_bundle(path) for path in bundles]
    opened = [one for one in read if isinstance(one, Bundle)]
    closed = [one for one in read if isinstance(one, SuppressedBundle)]
    if opened and closed:
        raise RefusedInputError(
            "Open and suppressed bundles cannot be pooled together: ask for the same form from all."
        )
    if closed:
        _check_suppressed(closed)
        payload = _describe_suppressed(pool_suppressed(closed), closed[0])
    else:
        reference = _find_reference(against, opened[0].end_point) if against else None
        payload = _describe_open(pool_bundles(opened, reference=reference), opened[0], years)
    answer(payload, as_json=as_json, text=_lay_out(payload))


def _check_suppressed(bundles: list[SuppressedBundle]) -> None:
    kinds = {(one.end_point, one.definition, one.strata_by) for one in bundles}
    if len(bundles) < 2 or len({one.centre for one in bundles}) < len(bundles) or len(kinds) > 1:
        raise RefusedInputError(
            "Pooling needs bundles of at least two centres, one of each, of one end point with one"
            " definition and the same strata."
        )


def _find_reference(key: str, end_point: str) -> ReferenceHazard:
    from analysis.benchmarking.benchmark import reference_hazard
    from analysis.benchmarking.published_rates import builtin_rates, group_series

    for series in group_series(builtin_rates()):
        first = series.first
        is_like = first.compares_with == end_point and first.estimator == "kaplan-meier"
        if first.key == key and is_like and first.stratum is None:
            return reference_hazard(series)
    raise UsageError(
        f"There is no whole Kaplan–Meier series {key!r} for {end_point}; see `afterplaque rates`.",
        option="--against",
    )


def _describe_open(
    pooled: PooledCentres, first: Bundle, years: tuple[float, ...]
) -> dict[str, Any]:
    from dataclasses import asdict

    from analysis.estimators.group_tests import list_tests
    from analysis.outcomes.end_points import DAYS_PER_YEAR

    read = pooled.kaplan_meier.at([year * DAYS_PER_YEAR for year in years])
    rows = [{**row, "time": row["time"] / DAYS_PER_YEAR} for row in read.rows()]
    test = pooled.log_rank
    return {
        "command": "pool",
        "kind": "open",
        "end_point": first.end_point,
        "centres": list(pooled.centres),
        "n": pooled.n,
        "events": pooled.events,
        "kaplan_meier": {"interval": pooled.kaplan_meier.interval, "at": rows},
        "tests": [] if test is None else list_tests([test]),
        "observed_expected": [asdict(one) for one in pooled.over_expected],
        "rate_ratios": [asdict(one) for one in pooled.rate_ratios],
        "warnings": list(pooled.refused),
    }


def _describe_suppressed(pooled: SuppressedPool, first: SuppressedBundle) -> dict[str, Any]:
    low, high = pooled.rates()
    return {
        "command": "pool",
        "kind": "suppressed",
        "end_point": first.end_point,
        "centres": list(pooled.centres),
        "person_years": pooled.person_years,
        "rate_per_100_person_years": {"lowest": low, "highest": high},
        "event_cells": pooled.event_cells,
        "hidden_cells": pooled.hidden_cells,
        "loss": pooled.loss,
        "warnings": ["bounds hold the rounding and hiding of counts, no sampling error"],
    }


def _lay_out(payload: dict[str, Any]) -> str:
    from reports.render.text import lay_out_table

    title = f"{payload['end_point']}: {', '.join(payload['centres'])}"
    if payload["kind"] == "suppressed":
        rate = payload["rate_per_100_person_years"]
        return (
            f"{title}\nRate per 100 person-years: {rate['lowest']:.2f} to {rate['highest']:.2f}\n"
            f"{payload['hidden_cells']} of {payload['event_cells']} counts of events are hidden;"
            " the open form, under an agreement, has them."
        )
    rows = [
        [f"{row['time']:g}", row["at_risk"], *(_three(row, x) for x in _SHOWN)]
        for row in payload["kaplan_meier"]["at"]
    ]
    blocks = [
        f"{title}: {payload['events']} events in {payload['n']}",
        lay_out_table(["years", "at risk", "free", "lower", "upper"], rows),
    ]
    blocks += [
        f"{one['name']}: χ² {one['statistic']:.3f} on {one['df']} df, p {one['p']:.4f}"
        for one in payload["tests"]
    ]
    for one in payload["rate_ratios"]:
        limits = f"{one['lower']:.2f} to {one['upper']:.2f}"
        blocks.append(f"Rate of {one['centre']} over the first: {one['ratio']:.2f} ({limits})")
    for one in payload["observed_expected"]:
        found = one["against"]
        limits = f"{found['exact']['lower']:.2f} to {found['exact']['upper']:.2f}"
        blocks.append(f"Observed over expected, {one['centre']}: {found['ratio']:.2f} ({limits})")
    return "\n\n".join([*blocks, *(f"Warning: {words}" for words in payload["warnings"])])


_SHOWN = ("estimate", "lower", "upper")


def _three(row: dict[str, Any], name: str) -> str:
    value = row[name]
    return "" if value != value else f"{value:.3f}"
