"""Toxicity: how often each complication arose, how bad it was by acuity, and who lives with it."""

from __future__ import annotations

from analysis.outcomes.toxicity import AROUND_DAYS, GRADED_BY_ACUITY, NEAR_DAYS, Complication
from reports.page.curves import incidences_at
from reports.page.document import Block, Column, Figure, Note, Paragraph, Row, Section, Table
from reports.page.incidence_curves import compare_incidences
from reports.results.outcome_results import TOXICITY_YEARS, OutcomeResults
from reports.words.values import Content, Count, Missing, Rate, text
from reports.words.wording import in_years

TITLE = "Toxicity"
MOST_FREQUENT = 4

GRADING = (
    "Grades follow the Common Terminology Criteria for Adverse Events 5.0. Its acuity rules"
    " contradict each other (an absolute band “or” lines lost), so a precedence is fixed: a"
    " recorded grade stands; a fall of less than one line (5 letters) from a known baseline is"
    " grade 1; otherwise the worse of band and lines counts; without a baseline the band alone."
    f" Symptoms are not on record. Acuity within {NEAR_DAYS} days of the finding is used. Eyes that"
    " had the complication before treatment, and for cataract eyes without their own lens, are not"
    " at risk."
)


def _words(one: Complication) -> str:
    words = one.kind.replace("_", " ").replace("anti vegf", "anti-VEGF injection")
    return words[0].upper() + words[1:]


def _years() -> tuple[Column, ...]:
    return tuple(Column(in_years(y), "right") for y in TOXICITY_YEARS)


def _incidence_rows(found: tuple[Complication, ...], *, procedures: bool) -> list[Row]:
    rows = [Row(("Procedures" if procedures else "Complications",), header=True)]
    for one in found:
        if one.is_procedure != procedures:
            continue
        shares: list[Content] = [Missing("not given", "delayed entry")] * len(TOXICITY_YEARS)
        if one.group.cumulative_incidence is not None:
            shares = [incidences_at(one.group, years)[0] for years in TOXICITY_YEARS]
        rows.append(Row((_words(one), Count(one.n), Count(one.group.events), *shares)))
    return rows if len(rows) > 1 else []


def _incidences(found: tuple[Complication, ...]) -> Table:
    return Table(
        caption="Cumulative incidence of each complication and procedure.",
        columns=(
            Column("Kind"),
            Column("Eyes at risk", "right"),
            Column("Eyes with it", "right"),
            *_years(),
        ),
        rows=(
            *_incidence_rows(found, procedures=False),
            *_incidence_rows(found, procedures=True),
        ),
        notes=(
            "Removal of the eye and death compete, death on its own clock. Each kind is dated at"
            " the day it was established. 95 % CI: beta product for several causes. Kinds"
            " that nobody had are not listed.",
        ),
    )


def _figure(found: tuple[Complication, ...]) -> Figure | None:
    """Draw the most frequent complications; the table holds all."""
    complications = [one for one in found if not one.is_procedure]
    most = sorted(complications, key=lambda one: -one.group.events)[:MOST_FREQUENT]
    groups = [(_words(one), one.group) for one in complications if one in most]
    spec = compare_incidences(groups, "Complication", "eyes", "death and removal of the eye")
    if spec is None:
        return None
    return Figure(
        caption="Cumulative incidence of the complications recorded most often.",
        spec=spec,
        notes=(
            "Each complication by itself; an eye may have several. Censored: eyes removed and"
            " patients who died without it too.",
        ),
    )


def _grades(found: tuple[Complication, ...]) -> Table | None:
    graded = [one for one in found if one.kind in GRADED_BY_ACUITY and one.worst_grades]
    if not graded:
        return None
    rows = [
        Row((_words(one), *(Count(one.worst_grades.get(grade, 0)) for grade in (1, 2, 3, 4, 0))))
        for one in graded
    ]
    return Table(
        caption="Eyes by the worst grade of each complication that is graded by acuity.",
        columns=(
            Column("Kind"),
            *(Column(f"Grade {grade}", "right") for grade in (1, 2, 3, 4)),
            Column("No grade", "right"),
        ),
        rows=tuple(rows),
        notes=(GRADING,),
    )


def _readings(found: tuple[Complication, ...]) -> Paragraph:
    return Paragraph(
        text(
            "{from_acuity} findings without a recorded grade were graded by acuity; if the lines"
            " lost decided wherever they can, and only 20/200 or worse were grade 4 besides,"
            " {changed} of them would have another grade.",
            from_acuity=Count(sum(one.from_acuity for one in found)),
            changed=Count(sum(one.changed_by_lines for one in found)),
        ),
        lead="Sensitivity of the grades.",
    )


def _prevalence(found: tuple[Complication, ...]) -> Table:
    rows = []
    for one in found:
        if one.is_procedure:
            continue
        cells = [
            Rate(at.with_it, at.seen, at.lower, at.upper)
            if at.seen
            else Missing("not estimable", "nobody seen around then")
            for at in one.prevalence
        ]
        rows.append(Row((_words(one), *cells)))
    return Table(
        caption="Who lives with it: eyes that had each complication by a landmark.",
        columns=(Column("Kind"), *_years()),
        rows=tuple(rows),
        notes=(
            "Of eyes at risk at treatment, alive and kept at the landmark and seen within"
            f" {AROUND_DAYS} days of it; exact 95 % CI. The end of a complication is not on"
            " record, so one that healed still counts.",
        ),
    )


def section(results: OutcomeResults) -> Section:
    """Return the section."""
    found = results.toxicity
    if not found:
        return Section(TITLE, (Note("No complication is on record in this cohort."),))
    blocks: list[Block] = [
        Paragraph(
            "A complication that was not looked for, or not entered, is not counted: these are"
            " incidences of recorded complications."
        ),
    ]
    figure = _figure(found)
    blocks += [figure, _incidences(found)] if figure else [_incidences(found)]
    grades = _grades(found)
    blocks += [grades] if grades else []
    if any(one.from_acuity for one in found):
        blocks.append(_readings(found))
    blocks.append(_prevalence(found))
    return Section(TITLE, tuple(blocks), new_page=True)
