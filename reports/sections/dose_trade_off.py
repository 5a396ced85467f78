"""Benefit against harm by dose, on one page, within the cohort's own range."""

from __future__ import annotations

from analysis.dose_effect.censoring_weights import READING_WORDS
from analysis.dose_effect.dose_horizon import CurveAtHorizon
from analysis.dose_effect.dose_response import DoseResponse, Refused
from analysis.dose_effect.dose_rows import DoseRows
from reports.figures.dose_specs import TradeOffCurve, TradeOffFigure
from reports.page.document import Block, Figure, Note, Paragraph, Section
from reports.sections.dose_values import dose_title, say_adjustment
from reports.words.values import Count


def section(answer: DoseResponse) -> Section:
    """Return the trade-off, or why there is none."""
    return Section("Benefit and harm by dose", tuple(_blocks(answer)), new_page=True)


def _blocks(answer: DoseResponse) -> list[Block]:
    against = answer.against
    if against is None:
        return [Note("No second end point was set against this one.")]
    if isinstance(against, Refused):
        return [Note(f"The second end point could not be read: {against.reason}")]
    rows, other = against
    adjusted = "adjusted" if answer.question.adjust else "unadjusted"
    own = answer.curves[adjusted, "crude"]
    missing = [
        f"{one.end_point.title}: {curve.reason}"
        for one, curve in ((answer.rows, own), (rows, other))
        if isinstance(curve, Refused)
    ]
    if isinstance(own, Refused) or isinstance(other, Refused):
        return [Note(f"No curve of {words}") for words in missing]
    years = f"{answer.question.horizon_years:g}"
    spec = TradeOffFigure(
        measure=f"Free of the event at {years} years",
        dose_name=dose_title(answer.rows.field.words),
        dose_unit=answer.rows.field.unit,
        adjustment=say_adjustment(own.adjusted_for),
        curves=(_curve(answer.rows, own), _curve(rows, other)),
        level=answer.question.level,
    )
    return [
        Paragraph(
            "Both curves are the clinical reading: " + READING_WORDS["crude"] + ". They stand over"
            " the doses that these patients were given and nowhere else; where one rises and the"
            " other falls, the choice between them is not a statistical one."
        ),
        Figure(
            f"{rows.end_point.free_title.capitalize()} and {answer.rows.end_point.free_title} at"
            f" {years} years by {answer.rows.field.words}.",
            spec,
        ),
    ]


def _curve(rows: DoseRows, curve: CurveAtHorizon) -> TradeOffCurve:
    return TradeOffCurve(
        name=f"{rows.end_point.free_title.capitalize()} ({rows.end_point.unit}s)",
        dose=tuple(curve.dose.tolist()),
        free=tuple((1 - curve.risk).tolist()),
        lower=tuple((1 - curve.upper).tolist()),
        upper=tuple((1 - curve.lower).tolist()),
        events=Count(curve.fit.events),
    )
