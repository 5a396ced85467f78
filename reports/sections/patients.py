"""Patients and data: the flow, follow-up, how complete the records are, and who was treated."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.outcomes.baseline import CategorySummary, NumberSummary, Summary
from reports.figures.specs import CompletenessFigure, FlowFigure, FlowStep, LeftOut
from reports.page.document import (
    Block,
    Column,
    Figure,
    Heading,
    Note,
    Paragraph,
    Row,
    Section,
    Table,
)
from reports.results.audit_results import AuditResults
from reports.sections import follow_up
from reports.words.values import Content, Count, KnownOf, Missing, Quantity, Rate, text

_LEVEL_WORDS = {"m0": "M0", "n0": "N0", "up_to_5_mm": "up to 5 mm", "over_5_mm": "over 5 mm"}


def _readable(level: str) -> str:
    return _LEVEL_WORDS.get(level, level.replace("_", " ").replace(";", ", "))


def _number_row(summary: NumberSummary) -> Row:
    what = summary.characteristic
    middle: Content = Missing("not recorded")
    spread: Content = ""
    if summary.known:
        middle = Quantity(
            summary.median,
            summary.lower_quartile,
            summary.upper_quartile,
            digits=what.decimals,
            interval="quartiles",
            n=summary.known,
        )
        low, high = (
            Quantity(end, digits=what.decimals, n=summary.known, is_extreme=True)
            for end in (summary.low, summary.high)
        )
        spread = text("{low} to {high}", low=low, high=high)
    label = f"{what.label} ({what.unit})" if what.unit else what.label
    return Row((label, KnownOf(summary.known, summary.n), middle, spread))


def _category_rows(summary: CategorySummary) -> list[Row]:
    known = KnownOf(summary.known, summary.n)
    head = Row((summary.characteristic.label, known, "", ""))
    levels = [
        Row((_readable(level), "", Rate(count, summary.known, style="bracket"), ""), level=1)
        for level, count in summary.counts
    ]
    return [head, *levels]


def _baseline_table(summaries: Sequence[Summary]) -> Table:
    rows: list[Row] = []
    for summary in summaries:
        is_number = isinstance(summary, NumberSummary)
        rows += [_number_row(summary)] if is_number else _category_rows(summary)  # type: ignore
    return Table(
        caption="Patients, tumours and treatment at baseline, a tumour a unit.",
        columns=(
            Column("Characteristic"),
            Column("Known", "right"),
            Column("Median (quartiles) or n (%)", "right"),
            Column("Range", "right"),
        ),
        rows=tuple(rows),
        notes=(
            "Percentages are of the known values; “unknown” counts as not recorded.",
            "Doses and durations are as the department recorded them, added up over the implants of"
            " each tumour’s first course.",
        ),
    )


def _flow_figure(results: AuditResults) -> Figure:
    steps = results.local.flow
    boxes = [FlowStep(steps[0].step.capitalize(), Count(steps[0].kept))]
    for step in steps[1:]:
        reason = LeftOut(step.step, Count(step.left_out))
        boxes.append(FlowStep("Remaining", Count(step.kept), (reason,)))
    last = boxes[-1]
    boxes[-1] = FlowStep("Tumours in this audit", last.kept, last.left_out)
    return Figure(
        caption="From the tumours on record to the tumours of this audit.",
        spec=FlowFigure("tumours", tuple(boxes)),
        notes=("Exclusions are applied from top to bottom; each tumour is counted once.",),
    )


def _completeness_figure(results: AuditResults) -> Figure:
    found = results.completeness
    cells = tuple(
        tuple(
            Rate(known, treated, style="percent")
            for known, treated in zip(row, found.treated, strict=True)
        )
        for row in found.known
    )
    return Figure(
        caption="Share of treated tumours with each field recorded, by year of treatment.",
        spec=CompletenessFigure(
            "Field", found.fields, "Year of treatment", tuple(map(str, found.years)), cells
        ),
    )


def _follow_up(results: AuditResults) -> Block:
    group, clark = results.local.groups[0], results.follow_up
    median = group.median_follow_up
    middle: Quantity | Missing = Missing("not reached")
    if median is not None and median.value is not None and median.value == median.value:
        quarter = 365.25
        middle = Quantity(median.value / quarter, digits=1, unit="years", n=group.n)
    return Paragraph(
        text(
            "Median follow-up of local status by reverse Kaplan–Meier is {median}. Of the time that"
            " could have been followed up to the data cut, {share} was (Clark’s completeness"
            " index). Tumours never assessed after treatment: {never}; they stay in every"
            " denominator.",
            median=middle,
            share=Quantity(100 * clark.index, digits=1, unit="%", n=clark.n),
            never=Count(group.never_assessed),
        ),
        lead="Follow-up.",
    )


def section(results: AuditResults) -> Section:
    """Return the section; with no treated tumour it says so and holds no figure."""
    if not results.local.table.n:
        blocks: tuple[Block, ...] = (Note("No tumour is in the cohort at this data cut."),)
        return Section("Patients and data", blocks)
    warnings = tuple(Note(warning, "warning") for warning in results.local.warnings)
    blocks = (
        _flow_figure(results),
        _follow_up(results),
        *follow_up.blocks(results.outcomes),
        Heading("Completeness of the records"),
        _completeness_figure(results),
        *warnings,
        Heading("Who was treated"),
        _baseline_table(results.summaries),
    )
    return Section("Patients and data", blocks)
