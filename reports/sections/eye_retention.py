"""Eye retention: the curve, loss of the eye with death competing, and why eyes were lost."""

from __future__ import annotations

from collections import Counter

from analysis.outcomes.case_review import EYE_LOST, Case
from analysis.outcomes.outcome import Outcome
from reports.page.curves import MINIMUM_AT_RISK, failure_at, incidences_at, survival_figure
from reports.page.document import Block, Column, Figure, Note, Row, Section, Table
from reports.results.outcome_results import OutcomeResults
from reports.sections.local_control import YEARS
from reports.words.values import Content, Count
from reports.words.wording import in_years

TITLE = "Eye retention"


def _year_columns() -> tuple[Column, ...]:
    return tuple(Column(f"At {in_years(years)}", "right") for years in YEARS)


def _table(outcome: Outcome) -> Table:
    group = outcome.groups[0]
    rows = [
        Row(
            (
                "Kept, if no one died (Kaplan–Meier)",
                Count(group.n),
                Count(group.events),
                *(failure_at(group, years, "control") for years in YEARS),
            )
        )
    ]
    if group.cumulative_incidence is not None:
        shares: list[Content] = [incidences_at(group, years)[0] for years in YEARS]
        lost = ("Lost, death competing", Count(group.n), Count(group.events), *shares)
        rows.append(Row(lost))
    for variant in outcome.sensitivity:
        other = variant.groups[0]
        kept = [failure_at(other, years, "control") for years in YEARS]
        words = variant.words[0].upper() + variant.words[1:]
        rows.append(Row((f"Kept: {words}", Count(other.n), Count(other.events), *kept)))
    return Table(
        caption="Eyes kept and lost.",
        columns=(Column("Figure"), Column("n", "right"), Column("Lost", "right"), *_year_columns()),
        rows=tuple(rows),
        notes=(
            "95 % CI: beta product, for the incidence extended to competing causes. Each eye"
            " counts once, however many tumours were treated in it.",
        ),
    )


def _reasons(cases: tuple[Case, ...]) -> Table:
    """Count lost eyes by the recorded reason of the removal; an eye with two tumours once."""
    reason_of: dict[tuple[str, str], str] = {}
    for case in cases:
        if EYE_LOST in case.reasons:
            eye = (str(case.plan["patient_id"]), str(case.plan["eye"]))
            reason_of.setdefault(eye, case.removal_reason)
    counts = sorted(Counter(reason_of.values()).items(), key=lambda item: (-item[1], item[0]))
    return Table(
        caption="Why eyes were lost, as recorded.",
        columns=(Column("Reason"), Column("Eyes", "right")),
        rows=tuple(Row((reason.capitalize(), Count(count))) for reason, count in counts),
    )


def section(results: OutcomeResults) -> Section:
    """Return the section."""
    outcome = results.eye_loss
    if not outcome.table.n:
        return Section(TITLE, (Note("No eye is in the cohort."),))
    group = outcome.groups[0]
    blocks: list[Block] = []
    if group.n >= MINIMUM_AT_RISK:
        figure = Figure(
            caption="Loss of the eye by Kaplan–Meier, drawn upward from zero.",
            spec=survival_figure(outcome, None),
            notes=("Enucleation or exenteration for any reason; else followed to the last visit.",),
        )
        blocks.append(figure)
    blocks.append(_table(outcome))
    if group.events:
        blocks.append(_reasons(results.cases))
    return Section(TITLE, tuple(blocks))
