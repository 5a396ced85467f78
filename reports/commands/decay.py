"""``afterplaque decay``: a dose rate carried from its reference time to another."""

from __future__ import annotations

import math
import re
from datetime import datetime
from typing import Annotated, Literal

import typer

from registry.errors import UsageError
from registry.records import TABLES
from reports.command_frame import CAUTION, JsonFlag, answer

ISOTOPES = TABLES["applicator"].field("isotope").codes
FORMULA = "dose_rate = reference_dose_rate * 2^(-elapsed_days / half_life_days)"


def read_moment(text: str, *, option: str) -> datetime:
    """Read a day, or a day and a time, by the local clock; UsageError naming the option otherwise.

    >>> read_moment("2024-02-29 08:30", option="--at")
    datetime.datetime(2024, 2, 29, 8, 30)
    """
    try:
        if not re.fullmatch(r"\d{4}-\d{2}-\d{2}([ T]\d{2}:\d{2}(:\d{2})?)?", text):
            raise ValueError(text)
        return datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(
            f"{option} takes YYYY-MM-DD or 'YYYY-MM-DD HH:MM', not {text!r}.", option=option
        ) from None


def read_isotope(text: str) -> str:
    """Read an isotope as the registry writes it; case and hyphen do not matter.

    >>> read_isotope("ru106")
    'Ru-106'
    """
    plain = re.sub(r"[\s-]", "", text).lower()
    for isotope in ISOTOPES:
        if isotope.replace("-", "").lower() == plain:
            return isotope
    raise UsageError(
        f"--isotope {text!r} is not one of {', '.join(ISOTOPES)}.", option="--isotope", found=text
    )


def decay(
    dose_rate: Annotated[
        float, typer.Option(metavar="RATE", help="Dose rate at the reference time, in any unit.")
    ],
    isotope: Annotated[str, typer.Option(metavar="ISOTOPE", help=f"{', '.join(ISOTOPES)}.")],
    reference_at: Annotated[
        str, typer.Option(metavar="TIME", help="Reference time: YYYY-MM-DD or 'YYYY-MM-DD HH:MM'.")
    ],
    at: Annotated[str, typer.Option(metavar="TIME", help="The time asked for.")],
    half_life_source: Annotated[
        Literal["icrp107", "ensdf"], typer.Option(help="Where the half-life comes from.")
    ] = "icrp107",
    as_json: JsonFlag = False,
) -> None:
    """Decay a dose rate from its reference time to another time.

    A day without a time counts from its midnight. The answer has the unit that was given.
    """
    from analysis.implants.decay import ENSDF, ICRP_107, decay_factor, find_half_life

    if not (math.isfinite(dose_rate) and dose_rate > 0):
        raise UsageError(
            f"--dose-rate is {dose_rate:g}; give a number above 0.", option="--dose-rate"
        )
    source = ENSDF if half_life_source == "ensdf" else ICRP_107
    half_life = find_half_life(read_isotope(isotope), source)
    start, end = read_moment(reference_at, option="--reference-at"), read_moment(at, option="--at")
    elapsed_days = (end - start).total_seconds() / 86400.0
    remaining = decay_factor(elapsed_days, half_life.days)
    payload = {
        "command": "decay",
        "dose_rate": dose_rate * remaining,
        "half_life_days": half_life.days,
        "source": half_life.source,
        "half_life_uncertainty_days": half_life.standard_uncertainty_days,
        "remaining_fraction": remaining,
        "elapsed_days": elapsed_days,
        "unit": "that of the dose rate given",
        "formula": FORMULA,
        "inputs": {
            "reference_dose_rate": dose_rate,
            "isotope": half_life.isotope,
            "reference_at": start,
            "at": end,
        },
        "caution": CAUTION,
    }
    lines = [
        f"Dose rate            {dose_rate * remaining:.6g} (unit as given)",
        f"Remaining fraction   {remaining:.6f}",
        f"Elapsed              {elapsed_days:.4f} days",
        f"Half-life            {half_life.days:g} days, {half_life.isotope}, {half_life.source}",
        f"Formula              {FORMULA}",
        f"Inputs               {dose_rate:g} at {start:%Y-%m-%d %H:%M}, asked for "
        f"{end:%Y-%m-%d %H:%M}",
    ]
    if elapsed_days < 0:
        lines.append("The time asked for lies before the reference time: the rate was higher then.")
    answer(payload, as_json=as_json, text="\n".join([*lines, "", CAUTION]))
