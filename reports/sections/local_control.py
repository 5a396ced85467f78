"""Local tumour control: the curve with its risk table, figures at named times, by size category."""

from __future__ import annotations

from analysis.outcomes.outcome import GroupOutcome, Outcome
from reports.page.curves import MINIMUM_AT_RISK, failure_at, survival_figure
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
from reports.sections import tumour_height
from reports.words.values import Count, PValue, Quantity, text
from reports.words.wording import in_years

YEARS = (1.0, 2.0, 5.0, 10.0)


def _row(group: GroupOutcome, label: str) -> Row:
    read = [failure_at(group, years, "control") for years in YEARS]
    return Row((label, Count(group.n), Count(group.events), *read))


def _at_times(caption: str, rows: list[Row]) -> Table:
    return Table(
        caption=caption,
        columns=(
            Column("Group"),
            Column("n", "right"),
            Column("Failures", "right"),
            *(Column(f"At {in_years(years)}", "right") for years in YEARS),
        ),
        rows=tuple(rows),
        notes=(
            "Control with its 95 % CI (beta product). No figure is given beyond a group’s last"
            f" follow-up; with fewer than {MINIMUM_AT_RISK} at risk it is uncertain whatever its"
            " interval.",
        ),
    )


def _whole(results: AuditResults) -> list[Block]:
    local = results.local
    group = local.groups[0]
    years = results.standards.primary.years
    table = _at_times("Local control of the whole cohort.", [_row(group, "All")])
    if group.n < MINIMUM_AT_RISK:
        return [Note(f"With fewer than {MINIMUM_AT_RISK} tumours no curve is drawn."), table]
    figure = Figure(
        caption="Local failure of the whole cohort by Kaplan–Meier, drawn upward from zero.",
        spec=survival_figure(local, years),
        notes=(
            "Each unit is followed to the last visit at which local status was assessed; the dead"
            " too. The band is the pointwise 95 % interval (beta product).",
        ),
    )
    return [figure, table]


def _definition_row(words: str, group: GroupOutcome, years: float) -> Row:
    control = failure_at(group, years, "control")
    return Row((words, Count(group.n), Count(group.events), control))


def _sensitivity(local: Outcome, years: float) -> Table:
    rows = [_definition_row("Main definition", local.groups[0], years)]
    for variant in local.sensitivity:
        if variant.name != "one clock":
            words = variant.words[0].upper() + variant.words[1:]
            rows.append(_definition_row(words, variant.groups[0], years))
    return Table(
        caption=f"Sensitivity of local control at {in_years(years)} to the definition.",
        columns=(
            Column("Definition"),
            Column("n", "right"),
            Column("Failures", "right"),
            Column(f"Control at {in_years(years)} (95 % CI)", "right"),
        ),
        rows=tuple(rows),
    )


def _by_category(results: AuditResults) -> list[Block]:
    outcome = results.local_by_category
    rows = [_row(group, group.group) for group in outcome.groups]
    blocks: list[Block] = [Heading("By size category")]
    spec = survival_figure(outcome, None)
    if len(spec.series) > 1:
        blocks.append(
            Figure(caption="Local failure by size category (AJCC 8) at baseline.", spec=spec)
        )
    for test in outcome.tests:
        fewest = min(group.events for group in outcome.groups)
        blocks.append(
            Paragraph(
                text(
                    "Log-rank test across the categories: χ² = {statistic} on "
                    f"{test.df} degrees of freedom, " + "{p}. It says whether the curves differ"
                    " at all, not by how much; the table does.",
                    statistic=Quantity(test.statistic, digits=2, events=fewest),
                    p=PValue(test.p, events=fewest),
                )
            )
        )
    blocks.append(_at_times("Local control by size category (AJCC 8).", rows))
    return blocks


def section(results: AuditResults) -> Section:
    """Return the section."""
    if not results.local.table.n:
        return Section("Local tumour control", (Note("No tumour is in the cohort."),))
    blocks = _whole(results)
    if results.local.sensitivity:
        blocks.append(_sensitivity(results.local, results.standards.primary.years))
    blocks += _by_category(results)
    blocks += tumour_height.blocks(results.quality)
    return Section("Local tumour control", tuple(blocks))
