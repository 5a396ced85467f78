"""How well the adjusted model ranks and how well its risks fit, the optimism taken off."""

from __future__ import annotations

import math

from analysis.dose_effect.dose_response import DoseResponse, Refused
from analysis.dose_effect.dose_validation import ModelValidation
from analysis.models.calibration import CalibrationGroup
from analysis.models.optimism import Corrected
from reports.page.document import Block, Column, Note, Paragraph, Row, Table
from reports.sections.dose_values import MODEL_WORDS
from reports.words.values import Count, CurveEstimate, Quantity, text


def blocks(answer: DoseResponse) -> list[Block]:
    """Return discrimination and calibration, or why there is none."""
    found = answer.validation
    if found is None:
        return [Note("Not resampled: --validation-samples was 0.")]
    if isinstance(found, Refused):
        return [Note(f"Not given: {found.reason}")]
    return [_ranking(answer, found), _calibration(answer, found)]


def _ranking(answer: DoseResponse, found: ModelValidation) -> Block:
    measured = found.discrimination
    n, events = found.n, found.events

    def share(value: float, digits: int) -> Quantity:
        return Quantity(value, digits=digits, n=n, events=events)

    def corrected(measure: Corrected, digits: int) -> Quantity:
        if math.isnan(measure.corrected_lower):
            return share(measure.corrected, digits)
        return Quantity(
            measure.corrected, measure.corrected_lower, measure.corrected_upper,
            digits=digits, level=answer.question.level, n=n, events=events,
        )  # fmt: skip

    return Paragraph(
        text(
            f"Harrell’s C of the adjusted model ({MODEL_WORDS[found.model]}) is {{c}}, less"
            " optimism {corrected}; its calibration slope less optimism is {slope}"
            f" ({measured.fitted} of {measured.resamples} bootstrap samples fitted). C is the share"
            " of pairs in which the one with the higher predicted hazard fails first; a slope below"
            " 1 says by how much the model’s differences would have to shrink for new patients."
            + (f" {found.too_narrow}" if found.too_narrow else ""),
            c=share(measured.c.apparent, 3),
            corrected=corrected(measured.c, 3),
            slope=corrected(measured.slope, 2),
        )
    )


def _calibration(answer: DoseResponse, found: ModelValidation) -> Block:
    years = f"{found.horizon_years:g}"
    if found.refused:
        return Note(f"Calibration at {years} years is not given: {found.refused}")
    return Table(
        caption=f"Calibration at {years} years: predicted risk against one less Kaplan–Meier, by"
        " groups of predicted risk.",
        columns=(
            Column("n", "right"), Column("Events", "right"), Column("Predicted, %", "right"),
            Column("Observed", "right"), Column("Observed less optimism", "right"),
        ),
        rows=tuple(_group(one, answer.question.level) for one in found.calibration),
        notes=(
            "Limits are the beta product. Optimism is the mean over bootstrap samples of how much"
            " better the refitted model agrees with its own sample than with all patients"
            " (Harrell 1996); the limits move with it. Death is a censoring here: the risks are"
            " net.",
        ),
    )  # fmt: skip


def _group(one: CalibrationGroup, level: float) -> Row:
    n, events = one.n, one.events
    observed = CurveEstimate(
        one.observed, one.lower, one.upper, n, events, one.at_risk, level=level
    )
    corrected = CurveEstimate(
        one.corrected, one.corrected_lower, one.corrected_upper, n, events, one.at_risk, level=level
    )
    if math.isnan(one.optimism):
        corrected = CurveEstimate(
            None, None, None, n, events, one.at_risk, reason="no bootstrap sample has such patients"
        )
    predicted = Quantity(100 * one.predicted, digits=1, n=n, events=events)
    return Row((Count(n), Count(events), predicted, observed, corrected))
