"""``afterplaque pool``: the bundles of several centres together."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from registry.errors import RefusedInputError, UsageError
from reports.command_frame import JsonFlag, answer
from reports.options.option_values import Force, now_utc

if TYPE_CHECKING:
    from analysis.benchmarking.bundles import Bundle, PooledCentres
    from analysis.benchmarking.expected_events import ReferenceHazard
    from reports.audience.bundle_bounds import BoundedCurve
    from reports.audience.bundle_suppression import SuppressedBundle, SuppressedPool
    from reports.page.document import Block


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
    rates: Annotated[
        Path | None, typer.Option(help="Your own CSV of published rates, for --against.")
    ] = None,
    out: Annotated[Path | None, typer.Option(help="Folder for the report, HTML and PDF.")] = None,
    force: Force = False,
    as_json: JsonFlag = False,
) -> None:
    """Pool bundles of several centres: curve, test between them, rates, observed over expected.

    Open bundles give what the patients' rows would on the same grid. Suppressed ones give the rate
    and the curve between bounds, and say how much was lost.
    """
    from analysis.benchmarking.bundles import Bundle, pool_bundles
    from reports.audience.bundle_bounds import bound_curve
    from reports.audience.bundle_files import read_bundle
    from reports.audience.bundle_suppression import SuppressedBundle, pool_suppressed
    from reports.options.estimate_options import read_times
    from reports.pool_report import bounded_blocks, open_blocks
    from reports.writing import refuse_overwriting

    files = {form: out / f"pool.{form}" for form in ("html", "pdf")} if out else {}
    refuse_overwriting(files.values(), force=force)
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
        bounds, curve = pool_suppressed(closed), bound_curve(closed)
        payload = _describe_suppressed(bounds, curve, closed[0])
        blocks = bounded_blocks(bounds, curve, closed[0].end_point) if files else []
    else:
        reference = _find_reference(against, opened[0].end_point, rates) if against else None
        pooled = pool_bundles(opened, reference=reference)
        payload = _describe_open(pooled, opened[0], years)
        blocks = open_blocks(pooled, opened[0].end_point, against or "") if files else []
    if files:
        _write(read, blocks, files)
    payload |= {"files": {form: str(path) for form, path in files.items()}}
    answer(payload, as_json=as_json, text=_lay_out(payload))


def _write(
    bundles: list[Bundle | SuppressedBundle], blocks: list[Block], files: dict[str, Path]
) -> None:
    from reports.commands.audit import write_report
    from reports.pool_report import build_pool_report

    made_at = now_utc().replace(microsecond=0).isoformat()
    write_report(build_pool_report(bundles, blocks, made_at), files)


def _check_suppressed(bundles: list[SuppressedBundle]) -> None:
    from analysis.benchmarking.bundles import refuse_one_centre_twice

    refuse_one_centre_twice([one.centre for one in bundles])
    kinds = {(one.end_point, one.definition, one.strata_by) for one in bundles}
    if len(bundles) < 2 or len(kinds) > 1:
        raise RefusedInputError(
            "Pooling needs bundles of at least two centres, one of each, of one end point with one"
            " definition and the same strata."
        )


def _find_reference(key: str, end_point: str, file: Path | None) -> ReferenceHazard:
    from analysis.benchmarking.monitoring_reference import from_published
    from reports.commands.rates import gather_rates

    found = from_published(gather_rates(file), key, end_point)
    if found is None:
        raise UsageError(
            f"There is no whole Kaplan–Meier series {key!r} for {end_point} that was read in its"
            " source; see `afterplaque rates`.",
            option="--against",
        )
    return found.hazard


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


def _describe_suppressed(
    pooled: SuppressedPool, curve: BoundedCurve | None, first: SuppressedBundle
) -> dict[str, Any]:
    from dataclasses import asdict

    from reports.pool_report import loss_words

    low, high = pooled.rates()
    lower, upper = pooled.rate_limits()
    return {
        "command": "pool",
        "kind": "suppressed",
        "end_point": first.end_point,
        "centres": list(pooled.centres),
        "person_years": pooled.person_years,
        "rate_per_100_person_years": {"lowest": low, "highest": high},
        "rate_limits": {"level": 0.95, "lower": lower, "upper": upper},
        "kaplan_meier_bounds": None if curve is None else asdict(curve),
        "event_cells": pooled.event_cells,
        "hidden_cells": pooled.hidden_cells,
        "loss": pooled.loss,
        "loss_in_words": loss_words(pooled, curve),
        "warnings": ["bounds hold the rounding and hiding of counts, no sampling error"],
    }


def _lay_out(payload: dict[str, Any]) -> str:
    from reports.render.text import lay_out_table

    title = f"{payload['end_point']}: {', '.join(payload['centres'])}"
    if payload["kind"] == "suppressed":
        rate = payload["rate_per_100_person_years"]
        curve = payload["kaplan_meier_bounds"] or {"years": []}
        years = [
            [one["year"], f"{one['lowest']:.3f}", f"{one['highest']:.3f}"] for one in curve["years"]
        ]
        return "\n\n".join(
            (
                f"{title}\nRate per 100 person-years: {rate['lowest']:.2f} to"
                f" {rate['highest']:.2f}; with sampling error (95 %)"
                f" {payload['rate_limits']['lower']:.2f} to {payload['rate_limits']['upper']:.2f}",
                lay_out_table(["years", "free, lowest", "free, highest"], years),
                payload["loss_in_words"]
                + (" The open form, under an agreement, has them." if payload["loss"] else ""),
            )
        )
    rows = [
        [f"{row['time']:g}", row["at_risk"], *(_three(row, x) for x in _SHOWN)]
        for row in payload["kaplan_meier"]["at"]
    ]
    count = payload["events"]
    blocks = [
        f"{title}: {count} event{'s' * (count != 1)} in {payload['n']}",
        lay_out_table(["years", "at risk", "free", "lower", "upper"], rows),
    ]
    blocks += [
        f"{one['name']}: χ² {one['statistic']:.3f} on {one['df']} df, p {one['p']:.4f}"
        for one in payload["tests"]
    ]
    if payload["rate_ratios"]:
        over = payload["rate_ratios"][0]["over"]
        ratios = [
            [one["centre"], *(f"{one[x]:.2f}" for x in _RATIO)] for one in payload["rate_ratios"]
        ]
        blocks.append(lay_out_table([f"rate over that of {over}", *_RATIO], ratios))
    if payload["observed_expected"]:
        seen = [
            [
                one["centre"],
                one["against"]["observed"],
                f"{one['against']['expected']:.1f}",
                f"{one['against']['ratio']:.2f}",
                *(f"{one['against']['exact'][x]:.2f}" for x in _RATIO[1:]),
            ]
            for one in payload["observed_expected"]
        ]
        blocks.append(lay_out_table(["centre", "observed", "expected", *_RATIO], seen))
    return "\n\n".join([*blocks, *(f"Warning: {words}" for words in payload["warnings"])])


_SHOWN, _RATIO = ("estimate", "lower", "upper"), ("ratio", "lower", "upper")


def _three(row: dict[str, Any], name: str) -> str:
    value = row[name]
    return "" if value != value else f"{value:.3f}"
