"""Purpose and standards: what the audit asks, and the targets that were stated beforehand."""

from __future__ import annotations

from analysis.outcomes.end_points import END_POINTS
from reports.page.curves import failure_at
from reports.page.document import Block, Column, Note, Paragraph, Row, Section, Table
from reports.results.audit_results import AuditResults
from reports.results.standards import Standard, judge
from reports.words.values import Content, CurveEstimate
from reports.words.wording import in_years, percent

_AFTER_THE_CUT = ", after the data cut"


def free_at(results: AuditResults, target: Standard) -> CurveEstimate:
    """Read the share free of the target's end point at its time, over the whole cohort."""
    outcome = results.by_target[target.end_point]
    return failure_at(outcome.groups[0], target.years, shown_as="control")


def verdict(results: AuditResults, target: Standard) -> str:
    """Judge a target from the interval of the free side."""
    read = free_at(results, target)
    if read.lower is None or read.upper is None:
        return "cannot tell"
    return judge(target, 1 - read.upper, 1 - read.lower)


def _row(results: AuditResults, target: Standard) -> Row:
    late = not results.stated_beforehand(target)
    cells: tuple[Content, ...] = (
        target.name,
        f"at least {percent(target.at_least, 0)}",
        free_at(results, target),
        verdict(results, target),
        f"{target.source} ({target.decided_on}{_AFTER_THE_CUT if late else ''})",
    )
    return Row(cells)


def _late_note(results: AuditResults) -> tuple[str, ...]:
    if all(results.stated_beforehand(target) for target in results.standards.targets):
        return ()
    return (
        "A target decided after the data cut was not stated beforehand: it could be chosen in"
        " knowledge of the result, and meeting it shows nothing.",
    )


def section(results: AuditResults) -> Section:
    """Return the section."""
    primary = results.standards.primary
    end_point = END_POINTS[primary.end_point]
    blocks: list[Block] = [
        Paragraph(
            f"This audit describes every tumour treated with a plaque at {results.centre} up to the"
            f" data cut: who was treated, how complete the records are, and whether the tumours"
            f" stayed controlled. The primary figure is {end_point.free_title} at"
            f" {in_years(primary.years)} by Kaplan–Meier; every other figure is secondary."
        )
    ]
    if not primary.decided:
        blocks.append(
            Note(
                "No primary end point was set in a standards file; local control at 5 years was"
                " taken. Set it before looking at next year’s data."
            )
        )
    if results.standards.targets:
        blocks.append(
            Table(
                caption="Standards stated by the department, and the result.",
                columns=(
                    Column("Standard"),
                    Column("Target"),
                    Column("Result (95 % CI)"),
                    Column("Verdict"),
                    Column("Source (decided on)"),
                ),
                rows=tuple(_row(results, target) for target in results.standards.targets),
                notes=(
                    "Met: the whole interval lies at or above the target. Not met: the whole"
                    " interval lies below it. Otherwise these data cannot tell.",
                    *_late_note(results),
                ),
            )
        )
    else:
        blocks.append(Note("No standard was stated, so none is judged."))
    return Section("Purpose and standards", tuple(blocks))
