"""Metastasis and survival: with competing risks, whole and by category, stage and chromosome 3."""

from __future__ import annotations

from analysis.outcomes.grouping import NOT_RECORDED
from analysis.outcomes.outcome import GroupOutcome, Outcome
from reports.page.curves import failure_at, incidence_figure, incidences_at
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
from reports.page.incidence_curves import compare_incidences
from reports.results.outcome_results import Mortality, OutcomeResults
from reports.words.values import Content, Count, Missing, PValue, Quantity, text

TITLE = "Metastasis and survival"
YEARS = (2.0, 5.0, 10.0)
GROUP_YEARS = (5.0,)


def _at_years(years: tuple[float, ...]) -> tuple[Column, ...]:
    return tuple(Column(f"At {year:g} years", "right") for year in years)


def _shares(group: GroupOutcome, cause: int, years: tuple[float, ...]) -> list[Content]:
    if group.cumulative_incidence is None:
        return [Missing("not given", "delayed entry")] * len(years)
    return [incidences_at(group, year)[cause - 1] for year in years]


def _whole(found: Mortality) -> Table:
    spread, melanoma = found.metastasis.groups[0], found.melanoma_death.groups[0]
    alive = found.death.groups[0]
    rows = [
        Row(("Metastasis", Count(spread.n), Count(spread.events), *_shares(spread, 1, YEARS))),
        Row(("Death from uveal melanoma", Count(melanoma.n), Count(melanoma.events),
             *_shares(melanoma, 1, YEARS))),
    ]  # fmt: skip
    for variant in found.melanoma_death.sensitivity:
        other = variant.groups[0]
        words = f"Death from uveal melanoma, {variant.words}"
        rows.append(Row((words, Count(other.n), Count(other.events), *_shares(other, 1, YEARS))))
    others = Count(int((found.melanoma_death.table.status == 2).sum()))
    rows.append(
        Row(("Death from another or an unknown cause", Count(melanoma.n), others,
             *_shares(melanoma, 2, YEARS)))
    )  # fmt: skip
    survival = [failure_at(alive, year, "control") for year in YEARS]
    rows.append(Row(("Overall survival", Count(alive.n), Count(alive.events), *survival)))
    return Table(
        caption="Metastasis, melanoma death and overall survival, a patient a unit.",
        columns=(
            Column("Figure"),
            Column("n", "right"),
            Column("Events", "right"),
            *_at_years(YEARS),
        ),
        rows=tuple(rows),
        notes=(
            "Cumulative incidence with other death competing (95 % CI: beta product for"
            " several causes); overall survival by Kaplan–Meier (beta product). In the main figure"
            " an unknown cause of death is not melanoma; the line beneath reads it as melanoma. The"
            " truth lies between the two.",
        ),
    )


def _by_group(heading: str, found: Mortality) -> list[Block]:
    if {group.group for group in found.melanoma_death.groups} <= {NOT_RECORDED}:
        return [Paragraph(f"By {heading}: not recorded for anybody, so nothing is compared.")]
    rows = []
    for place, group in enumerate(found.melanoma_death.groups):
        spread, alive = found.metastasis.groups, found.death.groups
        met = next((one for one in spread if one.group == group.group), None)
        cells: list[Content] = [group.group, Count(group.n)]
        cells += (
            [Count(met.events), *_shares(met, 1, GROUP_YEARS)]
            if met
            else [""] * (1 + len(GROUP_YEARS))
        )
        cells += [Count(group.events), *_shares(group, 1, GROUP_YEARS)]
        cells += [failure_at(alive[place], year, "control") for year in GROUP_YEARS]
        rows.append(Row(tuple(cells)))
    table = Table(
        caption=f"Metastasis and death by {heading}, a patient a unit.",
        columns=(
            Column("Group"),
            Column("n", "right"),
            Column("Metastases", "right"),
            *(Column(f"Metastasis, {year:g} years", "right") for year in GROUP_YEARS),
            Column("Melanoma deaths", "right"),
            *(Column(f"Melanoma death, {year:g} years", "right") for year in GROUP_YEARS),
            *(Column(f"Alive, {year:g} years", "right") for year in GROUP_YEARS),
        ),
        rows=tuple(rows),
        notes=("95 % CI: beta product.",),
    )
    return [Heading(f"By {heading}"), *_figure(heading, found), table, *_tests(found)]


def _figure(heading: str, found: Mortality) -> list[Block]:
    groups = [
        (group.group[:1].upper() + group.group[1:], group) for group in found.melanoma_death.groups
    ]
    spec = compare_incidences(groups, "Death from uveal melanoma", "patients", "other death")
    if spec is None:
        return []
    return [
        Figure(
            caption=f"Death from uveal melanoma by {heading}.",
            spec=spec,
            notes=("Censored: those who died otherwise too.",),
        )
    ]


def _tests(found: Mortality) -> list[Block]:
    """Say whether metastasis and melanoma death differ (Gray), and survival (log-rank)."""
    said: list[Block] = []
    for outcome in (found.metastasis, found.melanoma_death):
        said += _gray(outcome)
    fewest = min((group.events for group in found.death.groups), default=0)
    said += [
        Paragraph(
            text(
                "Log-rank test of death from any cause across the groups: χ² = {statistic} on "
                f"{one.df} degrees of freedom, " + "{p}.",
                statistic=Quantity(one.statistic, digits=2, events=fewest),
                p=PValue(one.p, events=fewest),
            )
        )
        for one in found.death.tests
    ]
    return said


def _gray(outcome: Outcome) -> list[Block]:
    fewest = min((group.events for group in outcome.groups), default=0)
    return [
        Paragraph(
            text(
                f"Gray’s test of {one.cause} across the groups (clock:"
                f" {one.clock.removeprefix('one clock: ')}): χ² = {{statistic}} on"
                f" {one.test.df} degrees of freedom, {{p}}.",
                statistic=Quantity(one.test.statistic, digits=2, events=fewest),
                p=PValue(one.test.p, events=fewest),
            )
        )
        for one in outcome.incidence_tests[:1]
        if one.test is not None
    ]


def section(results: OutcomeResults) -> Section:
    """Return the section."""
    whole = results.mortality
    if not whole.death.table.n:
        return Section(TITLE, (Note("No patient is in the cohort."),))
    blocks: list[Block] = []
    spec = incidence_figure(whole.melanoma_death, "Alive")
    if spec is not None:
        blocks.append(
            Figure(caption="Death from uveal melanoma and other death, stacked.", spec=spec)
        )
    blocks.append(_whole(whole))
    for heading, found in results.mortality_by:
        blocks += _by_group(heading, found)
    blocks.append(
        Paragraph(
            "Groups are not adjusted for one another or for age; chromosome 3 is known only where a"
            " biopsy was taken, and those biopsied are not like the others."
        )
    )
    return Section(TITLE, tuple(blocks))
