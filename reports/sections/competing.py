"""Competing outcomes: what happened first to each tumour, on the clock of each cause."""

from __future__ import annotations

from reports.page.curves import cause_days, incidence_figure, incidences_at
from reports.page.document import Block, Column, Figure, Note, Paragraph, Row, Section, Table
from reports.results.audit_results import AuditResults
from reports.sections import states
from reports.sections.local_control import YEARS
from reports.words.values import Count, text
from reports.words.wording import in_years


def _table(results: AuditResults) -> Table:
    outcome = results.local
    group, table = outcome.groups[0], outcome.table
    counts = [len(days) for days in cause_days(table)]
    by_year = [incidences_at(group, years) for years in YEARS]
    rows = [
        Row((name.capitalize(), Count(counts[place]), *(read[place] for read in by_year)))
        for place, name in enumerate(outcome.end_point.cause_names)
    ]
    return Table(
        caption="Cumulative incidence of what happened first.",
        columns=(
            Column("Outcome"),
            Column("n", "right"),
            *(Column(f"At {in_years(years)}", "right") for years in YEARS),
        ),
        rows=tuple(rows),
        notes=(
            "Cumulative incidence (95 % CI, beta product for several causes).",
            "Failure and removal of the eye are known to the last visit, death to the"
            " vital-status date; each cause’s hazard is taken on its own risk set.",
        ),
    )


def _one_clock(results: AuditResults) -> list[Block]:
    """Say what the incidence of failure is when everyone is followed on one clock."""
    years = results.standards.primary.years
    return [
        Paragraph(
            text(
                f"With {variant.words}, the cumulative incidence of failure at {in_years(years)}"
                " is {incidence}.",
                incidence=incidences_at(variant.groups[0], years)[0],
            ),
            lead="Sensitivity.",
        )
        for variant in results.local.sensitivity
        if variant.name == "one clock"
    ]


def section(results: AuditResults) -> Section:
    """Return the section."""
    outcome = results.local
    if not outcome.table.n or outcome.groups[0].cumulative_incidence is None:
        note = Note("Cumulative incidence is not given for this cohort; see the warnings.")
        return Section("Competing outcomes", (note,))
    blocks: list[Block] = [
        Paragraph(
            "One minus Kaplan–Meier answers what would happen if nobody died or lost the eye for"
            " another reason. The cumulative incidence answers what share of patients had each"
            " outcome first; it is the figure to give a patient."
        )
    ]
    spec = incidence_figure(outcome)
    if spec is not None:
        blocks.append(Figure(caption="What happened first, stacked, by time.", spec=spec))
    blocks.append(_table(results))
    blocks += _one_clock(results)
    blocks += states.blocks(results.outcomes)
    return Section("Competing outcomes", tuple(blocks))
