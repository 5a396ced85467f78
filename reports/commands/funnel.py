"""``afterplaque funnel``: control limits around a target, by unit size."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

import typer

from registry.errors import UsageError
from reports.command_frame import JsonFlag, answer

if TYPE_CHECKING:
    from analysis.counts.funnel import Funnel

_NAMES = ("lower_99_8", "lower_95", "upper_95", "upper_99_8")


def funnel(
    target: Annotated[
        float, typer.Option(help="Target proportion; with --expected, the target ratio.")
    ],
    n: Annotated[str | None, typer.Option(help="Unit sizes, such as 50,100,200.")] = None,
    expected: Annotated[
        str | None, typer.Option(help="Expected events of the units, in place of --n.")
    ] = None,
    interpolation: Annotated[
        Literal["linear", "beta"],
        typer.Option(help="Between whole counts: linear in the probability, or incomplete beta."),
    ] = "linear",
    as_json: JsonFlag = False,
) -> None:
    """Give exact 95 % and 99.8 % funnel limits around a target.

    With --n: binomial limits of a proportion, only for people all followed to the horizon. With
    --expected: Poisson limits of observed over expected, for censored end points.
    """
    from reports.render.text import lay_out_table

    by = "n" if n is not None else "expected"
    limits = _compute(target, n, expected, interpolation)
    points = [
        {by: float(size)} | dict(zip(_NAMES, row.tolist(), strict=True))
        for size, row in zip(limits.size, limits.limits, strict=True)
    ]
    payload = {
        "command": "funnel",
        "target": target,
        "kind": "binomial" if by == "n" else "poisson",
        "interpolation": interpolation,
        "limits": points,
    }
    rows = [[f"{point[by]:g}", *(f"{point[name]:.4f}" for name in _NAMES)] for point in points]
    headings = [by, "99.8 % lower", "95 % lower", "95 % upper", "99.8 % upper"]
    answer(payload, as_json=as_json, text=lay_out_table(headings, rows))


def _compute(
    target: float, n: str | None, expected: str | None, interpolation: Literal["linear", "beta"]
) -> Funnel:
    from analysis.counts.funnel import binomial_funnel, poisson_funnel
    from reports.commands.proportion import check_above_zero

    if (n is None) == (expected is None):
        raise UsageError("Give the unit sizes as either --n or --expected.", option="--n")
    check_above_zero(target, option="--target")
    if n is not None:
        if target >= 1:
            raise UsageError(
                f"The target is {target:g}; a proportion lies between 0 and 1.", option="--target"
            )
        return binomial_funnel(target, _read_sizes(n, "--n"), interpolation=interpolation)
    sizes = _read_sizes(expected or "", "--expected")
    return poisson_funnel(sizes, target, interpolation=interpolation)


def _read_sizes(text: str, option: str) -> list[float]:
    from reports.commands.proportion import check_above_zero

    sizes = []
    for part in text.split(","):
        try:
            sizes.append(float(part))
        except ValueError:
            raise UsageError(
                f"{part.strip()!r} is not a number; give sizes such as 50,100,200.", option=option
            ) from None
        check_above_zero(sizes[-1], option=option)
        if option == "--n" and not sizes[-1].is_integer():
            raise UsageError(f"--n is {part.strip()}; people are counted whole.", option=option)
    return sizes
