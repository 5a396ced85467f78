"""How much an answer about BED hangs on its stated parameters: α/β, repair half-time, RBE.

None of them can be cited for uveal melanoma. Each is varied alone over a fixed range, the rest held
as stated, and the adjusted hazard ratio is given for the same people: per step of BED, and from its
first to its third quartile, which can be compared where the scale of BED itself changes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from analysis.dose_effect.dose_models import Ratio, complete_rows, hazard_answer, ratio_of
from analysis.dose_effect.dose_rows import DoseQuestion, DoseRows
from analysis.implants.radiobiology import (
    SENSITIVITY_ALPHA_BETA_GY,
    SENSITIVITY_REPAIR_HALF_TIME_HOURS,
    RepairModel,
)
from registry.errors import MendableError

#: A stated RBE is multiplied by these (our choice, no source).
SENSITIVITY_RBE = (0.75, 1.25)


@dataclass(frozen=True, slots=True)
class VariedBedRatio:
    """One line: which parameter has which value, and what follows.

    ``ratio`` is the adjusted hazard ratio per step; ``quartile_ratio`` with its limits that of the
    third against the first quartile of BED (NaN, and ``refused`` says why, where there is none).
    """

    parameter: str
    value: str
    is_stated: bool
    median_bed_gy: float
    ratio: Ratio | None
    quartile_ratio: float
    quartile_lower: float
    quartile_upper: float
    refused: str = ""


def varied_questions(question: DoseQuestion) -> list[tuple[str, str, DoseQuestion]]:
    """Return (parameter, value, question), what was stated first.

    >>> asked = DoseQuestion("local_failure", "bed", rbe=(("I-125", 1.2), ("Ru-106", 1.0)))
    >>> [line[:2] for line in varied_questions(asked)][-2:]
    [('RBE of Ru-106', '0.75'), ('RBE of Ru-106', '1.25')]
    """
    stated = question.repair
    lines = [("as stated", "", question)]
    for value in SENSITIVITY_ALPHA_BETA_GY:
        if value != stated.alpha_beta_gy:
            other = RepairModel(value, stated.repair_half_time_hours)
            lines.append(("α/β", f"{value:g} Gy", replace(question, repair=other)))
    for value in SENSITIVITY_REPAIR_HALF_TIME_HOURS:
        if value != stated.repair_half_time_hours:
            other = RepairModel(stated.alpha_beta_gy, value)
            lines.append(("repair half-time", f"{value:g} h", replace(question, repair=other)))
    for isotope, rbe in question.rbe:
        for factor in SENSITIVITY_RBE:
            changed = tuple((n, rbe * factor if n == isotope else v) for n, v in question.rbe)
            words = f"{rbe * factor:g}"
            lines.append((f"RBE of {isotope}", words, replace(question, rbe=changed)))
    return lines


def vary_bed(
    read: Callable[[DoseQuestion], DoseRows], question: DoseQuestion
) -> tuple[VariedBedRatio, ...]:
    """Answer the question again for every value of the stated parameters.

    Parameters
    ----------
    read
        Gives the rows of a question.
    question
        On a BED.
    """
    return tuple(
        _vary(parameter, value, read, asked)
        for parameter, value, asked in varied_questions(question)
    )


def _vary(
    parameter: str, value: str, read: Callable[[DoseQuestion], DoseRows], asked: DoseQuestion
) -> VariedBedRatio:
    nan = float("nan")
    stated = parameter == "as stated"
    try:
        whole = complete_rows(read(asked))
        fitted = hazard_answer(whole, whole.covariates, asked.method, asked.level)
        ratio = ratio_of(fitted, "hazard ratio", tuple(whole.covariates), "complete")
    except MendableError as error:
        return VariedBedRatio(parameter, value, stated, nan, None, nan, nan, nan, error.message)
    first, middle, third = (float(v) for v in np.percentile(whole.dose, [25, 50, 75]))
    steps = (third - first) / whole.field.per
    return VariedBedRatio(
        parameter, value, stated, middle, ratio,
        ratio.ratio**steps, ratio.lower**steps, ratio.upper**steps,
    )  # fmt: skip
