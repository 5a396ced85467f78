"""``afterplaque observed-expected``: an observed count against an expected one, exactly."""

from __future__ import annotations

from typing import Annotated

import typer

from reports.command_frame import JsonFlag, answer


def observed_expected(
    observed: Annotated[int, typer.Option(min=0, help="Events counted.")],
    expected: Annotated[float, typer.Option(help="Events expected over the same follow-up.")],
    level: Annotated[float, typer.Option(help="Confidence level.")] = 0.95,
    as_json: JsonFlag = False,
) -> None:
    """Give observed over expected events with exact Poisson limits, and mid-P beside them.

    The expected number is taken as known. p sums all outcomes no more probable than the observed
    one; mid-P limits and p are the ones for a verdict.
    """
    from analysis.counts.exact_counts import observed_over_expected
    from reports.commands.proportion import check_above_zero, check_level
    from reports.render.text import lay_out_table

    check_above_zero(expected, option="--expected")
    check_level(level)
    found = observed_over_expected(observed, expected, level)
    mid_p = {"lower": found.mid_p.lower, "upper": found.mid_p.upper, "p": found.mid_p_value}
    payload = {
        "command": "observed-expected",
        "observed": found.observed,
        "expected": found.expected,
        "level": level,
        "ratio": found.ratio,
        "lower": found.exact.lower,
        "upper": found.exact.upper,
        "p": found.p,
        "mid_p": mid_p,
    }
    rows = [
        ["exact", f"{found.exact.lower:.3f}", f"{found.exact.upper:.3f}", f"{found.p:.3g}"],
        [
            "mid-P",
            f"{found.mid_p.lower:.3f}",
            f"{found.mid_p.upper:.3f}",
            f"{found.mid_p_value:.3g}",
        ],
    ]
    heading = f"{observed} observed / {expected:g} expected = {found.ratio:.3f}"
    table = lay_out_table([f"{100 * level:.4g} % limits", "lower", "upper", "p"], rows)
    answer(payload, as_json=as_json, text=f"{heading}\n{table}")
