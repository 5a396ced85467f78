"""What ``afterplaque combine`` computes: studies pooled, ready for JSON and for a person."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from registry.errors import RefusedInputError
from reports.tables.table_reading import Table

if TYPE_CHECKING:
    from analysis.counts.meta_analysis import Interval, Method, Pooled, Scale

FIGURES = ("estimate", "lower", "upper", "prediction_lower", "prediction_upper")


def answer_combination(
    table: Table,
    *,
    columns: tuple[str, str],
    scale: Scale | None,
    method: Method,
    interval: Interval,
    level: float,
) -> dict[str, Any]:
    """Pool the studies of a table.

    Parameters
    ----------
    columns
        Estimate and standard error, or events and people where ``scale`` is given.
    scale
        Scale on which proportions are pooled; None: estimates as they are.

    Returns
    -------
    dict
        The pooled figures on the scale of pooling; ``proportion`` has them turned back.

    Raises
    ------
    RefusedInputError
        For a standard error that is not above 0 or impossible counts, naming the line.
    """
    from analysis.counts.meta_analysis import back_transform, pool, transform_proportions

    whole, dropped = table.complete_rows(list(columns))
    first, second = (whole.numbers(column) for column in columns)
    if scale is None:
        _refuse(whole, (second > 0).tolist(), f"{columns[1]} is a standard error above 0")
        values, variances, sizes = first, second**2, None
    else:
        is_count = (first >= 0) & (first <= second) & (second > 0)
        is_whole = (first == first.round()) & (second == second.round())
        rule = f"{columns[0]} and {columns[1]} are whole numbers, 0 ≤ events ≤ n"
        _refuse(whole, (is_count & is_whole).tolist(), rule)
        effects = transform_proportions(first, second, scale)
        values, variances, sizes = effects.estimate, effects.variance, effects.n
    pooled = pool(values, variances, method=method, interval=interval, level=level)
    plain = pool(values, variances, method=method, interval="normal", level=level)
    found: dict[str, Any] = {
        "studies": pooled.studies,
        "method": method,
        "interval": interval,
        "level": level,
        "scale": scale,
        **{name: getattr(pooled, name) for name in FIGURES},
        **{name: getattr(pooled, name) for name in ("se", "p", "tau2", "i2", "q", "q_p")},
        "warnings": [*dropped, *_warnings(pooled, plain)],
    }
    if scale is not None:
        found["proportion"] = {
            name: back_transform(found[name], scale, sizes)
            if math.isfinite(found[name])
            else math.nan
            for name in FIGURES
        }
        del found["p"]  # of a transformed proportion being 0: a test of nothing
    return found


def _warnings(pooled: Pooled, plain: Pooled) -> list[str]:
    """Say where Hartung and Knapp's limits are not what they are taken for."""
    if pooled.interval != "hartung-knapp":
        return []
    if pooled.method == "common":
        return ["Hartung-Knapp limits allow for a spread between studies; a common effect has none"]
    if pooled.upper - pooled.lower < plain.upper - plain.lower:
        said = f"{plain.lower:.4g} to {plain.upper:.4g} on the scale of pooling"
        return [
            "the studies are so alike that Hartung-Knapp limits are the narrower ones; normal"
            f" limits are {said}: read the wider"
        ]
    return []


def _refuse(table: Table, is_good: list[bool], rule: str) -> None:
    bad = [line for line, good in zip(table.lines, is_good, strict=True) if not good]
    if bad:
        raise RefusedInputError(
            f"{table.name}, line {bad[0]}: {rule}, and here it is not so. Correct the table.",
            file=table.name,
            line=bad[0],
        )


def lay_out_combination(found: dict[str, Any]) -> str:
    """Lay it out for a person."""
    from reports.render.text import lay_out_table

    def number(value: float) -> str:
        return f"{value:.4g}" if math.isfinite(value) else "–"

    shown = found.get("proportion", found)
    rows = [
        ["pooled", *(number(shown[name]) for name in FIGURES[:3])],
        ["a further study (prediction)", "", *(number(shown[name]) for name in FIGURES[3:])],
    ]
    on_scale = "" if found["scale"] is None else f", proportions on the {found['scale']} scale"
    lines = [
        f"{found['studies']} studies, {found['method']}, {found['interval']}{on_scale}",
        lay_out_table(["", "estimate", f"{100 * found['level']:g} % lower", "upper"], rows),
        f"variance between studies {number(found['tau2'])}, I² {number(100 * found['i2'])} %,"
        f" Q {number(found['q'])} (p {number(found['q_p'])})",
    ]
    return "\n".join([*lines, *(f"Note: {said}" for said in found["warnings"])])
