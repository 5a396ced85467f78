"""What was asked of whom: the question, the plan, the number of looks, the flow of patients."""

from __future__ import annotations

from analysis.dose_effect.dose_response import DoseResponse
from reports.page.document import (
    Block,
    BulletList,
    Column,
    KeyFigure,
    KeyFigures,
    Note,
    Paragraph,
    Row,
    Section,
    Table,
)
from reports.sections import dose_patients
from reports.sections.dose_values import ratio_value, say_adjustment
from reports.studies.dose_plan import PlanState
from reports.studies.question_log import QuestionCount
from reports.words.values import Count, text
from reports.words.wording import in_years


def section(answer: DoseResponse, plan: PlanState | None, count: QuestionCount) -> Section:
    """Return the first section: on one page what was asked, found and doubted."""
    rows, main = answer.rows, answer.main
    cards = KeyFigures(
        (
            KeyFigure(f"{rows.end_point.unit}s with a dose", Count(rows.n)),
            KeyFigure(rows.end_point.title, Count(rows.events)),
            KeyFigure(
                f"hazard ratio per {rows.field.per_words}",
                ratio_value(main, answer.question.level),
                say_adjustment(main.adjusted_for),
            ),
        )
    )
    blocks: list[Block] = [Paragraph(_asked(answer), lead="Question."), cards]
    blocks += _plan(plan)
    blocks.append(_count(count))
    blocks += [Note(warning, "warning") for warning in answer.warnings]
    blocks.append(_flow(answer))
    blocks += dose_patients.blocks(answer)
    return Section("Question and patients", tuple(blocks))


def _asked(answer: DoseResponse) -> str:
    question, rows = answer.question, answer.rows
    left = "".join(f", without {name} {value}" for name, value in question.exclude)
    return (
        f"Does {rows.end_point.title} depend on the {rows.field.words} ({rows.source}, first"
        f" course)? {say_adjustment(question.adjust).capitalize()}; horizon"
        f" {in_years(question.horizon_years)}{left}."
    )


def _plan(plan: PlanState | None) -> list[Block]:
    if plan is None:
        return [
            Note(
                "No plan was locked before looking: this is an exploration, and its p values do not"
                " mean what they would after a plan.",
                "warning",
            )
        ]
    locked = f", {plan.locked_at}" if plan.locked_at else ""
    said = (
        f"“{plan.question}” {plan.state.capitalize()}{locked}; hash {plan.locked_hash or 'none'}."
    )
    blocks: list[Block] = [Paragraph(said, lead="Plan.")]
    if plan.deviations:
        blocks += [Paragraph("Deviations from the plan:"), BulletList(plan.deviations)]
    else:
        blocks.append(Paragraph("No deviation from the plan."))
    return blocks


def _count(count: QuestionCount) -> Block:
    if count.note:
        return Note(count.note, "warning")
    return Paragraph(
        f"Different questions put to this registry so far: {count.different}; times asked:"
        f" {count.looks}; different ones on this end point: {count.same_end_point} (file"
        f" {count.file}). Looks by this command are counted; what other commands, exports or"
        " programs showed is not. Of twenty questions without any truth in them one is expected to"
        " give p < 0.05.",
        lead="Questions tried.",
    )


def _flow(answer: DoseResponse) -> Table:
    return Table(
        caption=text("Who was analysed: {n} with a dose.", n=Count(answer.rows.n)),
        columns=(Column("Step"), Column("Left out", "right"), Column("Kept", "right")),
        rows=tuple(
            Row((step.step, Count(step.left_out), Count(step.kept))) for step in answer.rows.flow
        ),
    )
