"""Every number behind the study: the coefficients of every model and the points of every curve."""

from __future__ import annotations

from analysis.dose_effect.dose_horizon import CurveAtHorizon
from analysis.dose_effect.dose_models import Ratio, SplineCurve
from analysis.dose_effect.dose_response import DoseResponse, Refused
from reports.page.document import Block, Column, Note, Row, Section, Table
from reports.sections.dose_values import MODEL_WORDS, say_adjustment
from reports.words.values import Quantity
from reports.words.wording import in_years


def section(answer: DoseResponse) -> Section:
    """Return the appendix."""
    blocks: list[Block] = [_coefficients(answer)]
    for (adjustment, reading), curve in answer.curves.items():
        if isinstance(curve, Refused):
            blocks.append(Note(f"{adjustment}, {reading}: no curve. {curve.reason}"))
        else:
            blocks.append(_curve(answer, curve, f"{adjustment}, {reading}"))
    if isinstance(answer.spline, SplineCurve):
        blocks.append(_spline(answer, answer.spline))
    return Section("Numbers behind the study", tuple(blocks), new_page=True)


def _every(answer: DoseResponse) -> list[Ratio]:
    found = [*answer.models, *([answer.imputed] if answer.imputed else [])]
    if not isinstance(answer.rare, Refused):
        found.append(answer.rare.ratio)
    found += [one for _, one in answer.other_doses if isinstance(one, Ratio)]
    return [one for one in found if one.is_estimable]


def _coefficients(answer: DoseResponse) -> Table:
    return Table(
        caption=f"Logarithm of each ratio per {answer.rows.field.per_words}, with its standard"
        " error and the kind of its interval.",
        columns=(
            Column("Model"), Column("Log ratio", "right"), Column("SE", "right"),
            Column("Interval"),
        ),
        rows=tuple(
            Row(
                (
                    f"{MODEL_WORDS[one.model]}, {say_adjustment(one.adjusted_for)}, {one.rows}",
                    Quantity(one.coef, digits=5, n=one.n, events=one.events),
                    Quantity(one.se, digits=5, n=one.n, events=one.events),
                    one.interval,
                )
            )
            for one in _every(answer)
        ),
    )  # fmt: skip


def _curve(answer: DoseResponse, curve: CurveAtHorizon, name: str) -> Table:
    table = curve.fit.coefficients
    se = table.se if table.robust_se is None else table.robust_se
    n, events = curve.fit.n, curve.fit.events
    rows = [
        Row(
            (
                f"coefficient of {term.replace('_', ' ')}",
                Quantity(float(coef), float(coef - 1.959964 * s), float(coef + 1.959964 * s),
                         digits=4, n=n, events=events),
            )
        )
        for term, coef, s in zip(table.terms, table.coef, se, strict=True)
    ]  # fmt: skip
    rows += [
        Row(
            (
                f"risk at {curve.dose[k]:.4g} {answer.rows.field.unit}",
                Quantity(
                    float(curve.risk[k]), float(curve.lower[k]), float(curve.upper[k]), digits=4,
                    level=curve.level, n=n, events=events,
                ),
            )
        )
        for k in range(0, len(curve.dose), 4)
    ]  # fmt: skip
    return Table(
        caption=f"Curve at {in_years(curve.outcome.horizon)}, {name}: coefficients (per"
        f" {answer.rows.field.unit} of dose; sandwich) and points.",
        columns=(Column("Figure"), Column("Value", "right")),
        rows=tuple(rows),
    )


def _spline(answer: DoseResponse, spline: SplineCurve) -> Table:
    n, events = answer.rows.n, answer.rows.events
    return Table(
        caption=f"Spline of dose ({MODEL_WORDS[spline.model]}): hazard ratio against"
        f" {spline.reference:.4g} {answer.rows.field.unit}.",
        columns=(Column(answer.rows.field.words), Column("Hazard ratio", "right")),
        rows=tuple(
            Row(
                (
                    f"{spline.dose[k]:.4g}",
                    Quantity(
                        float(spline.ratio[k]), float(spline.lower[k]), float(spline.upper[k]),
                        digits=3, level=answer.question.level, n=n, events=events,
                    ),
                )
            )
            for k in range(0, len(spline.dose), 4)
        ),
    )  # fmt: skip
