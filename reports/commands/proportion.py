"""``afterplaque proportion``: events over n with exact, Wilson and mid-P intervals."""

from __future__ import annotations

import math
from typing import Annotated

import typer

from registry.errors import UsageError
from reports.command_frame import JsonFlag, answer


def check_level(level: float) -> None:
    """Refuse a confidence level outside (0, 1)."""
    if not 0 < level < 1:
        raise UsageError(
            f"The level is {level:g}; give a fraction between 0 and 1, such as 0.95.",
            option="--level",
        )


def check_above_zero(value: float, *, option: str) -> None:
    """Refuse a number that is not finite and above 0."""
    if not (math.isfinite(value) and value > 0):
        raise UsageError(f"{option} is {value:g}; give a number above 0.", option=option)


def proportion(
    events: Annotated[int, typer.Option(min=0, help="People with the event.")],
    n: Annotated[int, typer.Option(min=1, help="People in all.")],
    level: Annotated[float, typer.Option(help="Confidence level.")] = 0.95,
    as_json: JsonFlag = False,
) -> None:
    """Give a crude proportion with exact (Clopper-Pearson), Wilson and mid-P intervals.

    Only for people who were all followed to the same time; with censoring use `estimate`.
    """
    from analysis.counts.exact_counts import proportion as describe_proportion
    from reports.render.text import lay_out_table

    check_level(level)
    if events > n:
        raise UsageError(f"{events} events are more than {n} people.", option="--events")
    found = describe_proportion(events, n, level)
    intervals = {"exact": found.exact, "wilson": found.wilson, "mid_p": found.mid_p}
    payload = {
        "command": "proportion",
        "events": events,
        "n": n,
        "level": level,
        "estimate": found.estimate,
    } | intervals
    rows = [
        [name.replace("mid_p", "mid-P"), f"{limits.lower:.4f}", f"{limits.upper:.4f}"]
        for name, limits in intervals.items()
    ]
    table = lay_out_table([f"{100 * level:.4g} % limits", "lower", "upper"], rows)
    answer(payload, as_json=as_json, text=f"{events} / {n} = {found.estimate:.4f}\n{table}")
