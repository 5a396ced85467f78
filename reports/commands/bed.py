"""``afterplaque bed``: dose and biologically effective dose of one irradiation."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, Any

import typer

from registry.errors import UsageError
from reports.command_frame import CAUTION, JsonFlag, answer
from reports.render.text import lay_out_table


def check_range(value: float, *, option: str, may_be_zero: bool, may_be_endless: bool) -> None:
    """Refuse a number below 0, NaN, and 0 or infinity where they have no meaning."""
    is_low = value < 0 or (value == 0 and not may_be_zero)
    if math.isnan(value) or is_low or (math.isinf(value) and not may_be_endless):
        least = "0 or more" if may_be_zero else "above 0"
        most = " (inf is allowed)" if may_be_endless else ""
        raise UsageError(f"{option} is {value:g}; give a number {least}{most}.", option=option)


def bed(
    dose_rate: Annotated[
        float, typer.Option(metavar="GY_PER_HOUR", help="Dose rate at the start, in Gy/h.")
    ],
    hours: Annotated[float, typer.Option(metavar="H", help="Duration in hours.")],
    half_life_days: Annotated[
        float, typer.Option(metavar="DAYS", help="Half-life of the source; inf: constant rate.")
    ],
    alpha_beta: Annotated[
        float, typer.Option(metavar="GY", help="alpha/beta in Gy; inf leaves the physical dose.")
    ],
    repair_half_time_hours: Annotated[
        float, typer.Option(metavar="H", help="Half-time of repair; 0: at once, inf: none.")
    ],
    as_json: JsonFlag = False,
) -> None:
    """Compute the biologically effective dose of a decaying source (Dale 1985).

    Both parameters are yours to state: none of uveal melanoma can be cited. The table shows how
    much the answer hangs on them.
    """
    from analysis.implants.radiobiology import (
        FORMULA,
        RepairModel,
        bed_of_decaying_source,
        dose_of_decaying_source,
        vary_parameters,
    )

    check_range(dose_rate, option="--dose-rate", may_be_zero=False, may_be_endless=False)
    check_range(hours, option="--hours", may_be_zero=False, may_be_endless=False)
    check_range(half_life_days, option="--half-life-days", may_be_zero=False, may_be_endless=True)
    check_range(alpha_beta, option="--alpha-beta", may_be_zero=False, may_be_endless=True)
    check_range(
        repair_half_time_hours,
        option="--repair-half-time-hours",
        may_be_zero=True,
        may_be_endless=True,
    )
    dose_gy = dose_of_decaying_source(dose_rate, hours, half_life_days)
    bed_gy = bed_of_decaying_source(
        dose_rate, hours, half_life_days, RepairModel(alpha_beta, repair_half_time_hours)
    )
    inputs = {
        "dose_rate_gy_per_hour": dose_rate,
        "hours": hours,
        "half_life_days": half_life_days,
        "alpha_beta_gy": alpha_beta,
        "repair_half_time_hours": repair_half_time_hours,
    }
    payload = {
        "command": "bed",
        "dose_gy": dose_gy,
        "bed_gy": bed_gy,
        "formula": FORMULA,
        "inputs": {name: "inf" if math.isinf(value) else value for name, value in inputs.items()},
        "sensitivity": vary_parameters(dose_rate, hours, half_life_days),
        "caution": CAUTION,
    }
    answer(payload, as_json=as_json, text=_lay_out(payload, inputs))


def _lay_out(payload: Mapping[str, Any], inputs: Mapping[str, float]) -> str:
    """Lay out the doses, how they came about, and how they hang on both parameters."""
    rows = [
        [f"{one.alpha_beta_gy:g}", f"{one.repair_half_time_hours:g}", f"{one.bed_gy:.2f}"]
        for one in payload["sensitivity"]
    ]
    lines = [
        f"Dose      {payload['dose_gy']:.4f} Gy",
        f"BED       {payload['bed_gy']:.4f} Gy",
        f"Formula   {payload['formula']}",
        f"Inputs    {', '.join(f'{name} = {value:g}' for name, value in inputs.items())}",
        "",
        lay_out_table(["alpha/beta (Gy)", "repair half-time (h)", "BED (Gy)"], rows),
        "",
        payload["caution"],
    ]
    return "\n".join(lines)
