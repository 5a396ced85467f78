"""Sections on retention, toxicity, mortality, states, follow-up and cases, from a drawn department.

What they print is recounted from the drawn tables; the published form is searched for what it must
not hold.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.end_points import LOCAL_FAILURE
from analysis.outcomes.eye_states import STATES
from analysis.outcomes.follow_up_bias import TippingPoint
from analysis.outcomes.outcome import Estimation, analyse
from reports.audience.suppression import publish
from reports.figures.describe import alternative_text
from reports.figures.specs import SurvivalFigure
from reports.page.document import Figure, Note, Provenance, Report, Section, Table, to_json
from reports.page.state_curves import StatesOverTime, state_figure
from reports.results.outcome_results import OutcomeResults, gather_outcomes
from reports.sections import cases, eye_retention, follow_up, mortality, states, toxicity
from reports.words.values import Count, CurveEstimate, Rate, SingleRecord
from reports.words.wording import say
from synthetic_cohort.cohort import draw_department
from synthetic_cohort.in_memory import hold_in_memory
from synthetic_cohort.truth import DATA_CUT, TRUTH

CUT, HOW = DataCut(DATA_CUT), Estimation(replicates=100)


@pytest.fixture(scope="module")
def drawn() -> dict[str, Any]:
    return draw_department(TRUTH, 220, np.random.default_rng(23))


@pytest.fixture(scope="module")
def results(drawn: dict[str, Any]) -> Iterator[OutcomeResults]:
    with hold_in_memory(drawn) as connection:
        local = analyse(connection, LOCAL_FAILURE, CUT, how=HOW, with_sensitivity=False)
        yield gather_outcomes(
            connection, CUT, CohortRules(), {"baseline_window_days": 90}, HOW, local, (5.0, 0.9)
        )


def tables(section: Section) -> list[Table]:
    return [block for block in section.blocks if isinstance(block, Table)]


def test_reasons_of_lost_eyes_are_those_in_the_files(
    drawn: dict[str, Any], results: OutcomeResults
) -> None:
    lost = results.eye_loss.table
    units = {unit for unit, code in zip(lost.unit_id, lost.status, strict=True) if code == 1}
    events = drawn["event"]
    removed = events[events["kind"].isin(["enucleation", "exenteration"])]
    wanted: dict[str, int] = {}
    for row in removed.drop_duplicates(["patient_id", "eye"]).itertuples():
        if f"{row.patient_id}:{row.eye}" in units:
            reason = row.reason.replace("_", " ").replace("unknown", "") or "not recorded"
            wanted[reason.capitalize()] = wanted.get(reason.capitalize(), 0) + 1
    section = eye_retention.section(results)
    reasons = next(t for t in tables(section) if "Why" in str(t.caption))
    found = {row.cells[0]: row.cells[1].value for row in reasons.rows}  # type: ignore[union-attr]
    assert found == wanted
    assert sum(found.values()) == len(units)


def test_every_case_is_there_once_and_no_other(results: OutcomeResults) -> None:
    lost = results.eye_loss.table
    eyes = {unit for unit, code in zip(lost.unit_id, lost.status, strict=True) if code == 1}
    reviewed = {f"{c.plan['patient_id']}:{c.plan['eye']}" for c in results.cases}
    assert eyes <= reviewed
    names = [case.tumour_id for case in results.cases]
    assert len(names) == len(set(names))
    plans, courses = tables(cases.section(results))
    assert len(plans.rows) == len(courses.rows) == len(names)
    cells = [cell for table in (plans, courses) for row in table.rows for cell in row.cells]
    assert all(isinstance(cell, SingleRecord) for cell in cells)
    for case in results.cases:
        days = [moment.day for moment in case.course]
        assert days == sorted(days)
        assert case.time_line.count(";") >= len(days) - 1


def sections_of(results: OutcomeResults) -> list[Section]:
    return [
        eye_retention.section(results),
        toxicity.section(results),
        mortality.section(results),
        Section("States", tuple(states.blocks(results))),
        Section("Follow-up", tuple(follow_up.blocks(results))),
        cases.section(results),
    ]


def _small_counts(thing: Any) -> list[Any]:
    """Shown counts of 1 to 7 anywhere below."""
    found = []
    if isinstance(thing, Count) and not thing.hidden and thing.value in range(1, 8):
        found.append(thing)
    if isinstance(thing, Rate) and not thing.hidden and thing.numerator in range(1, 8):
        found.append(thing)
    if isinstance(thing, CurveEstimate) and thing.events in range(1, 8):
        found.append(thing)
    if isinstance(thing, tuple):
        found += [one for part in thing for one in _small_counts(part)]
    elif hasattr(thing, "__dataclass_fields__"):
        for name in thing.__dataclass_fields__:
            found += _small_counts(getattr(thing, name))
    return found


def test_the_published_form_holds_no_patient_and_no_small_count(
    drawn: dict[str, Any], results: OutcomeResults
) -> None:
    report = Report("Audit", "", Provenance("A", "2024-12-31", ""), tuple(sections_of(results)))
    assert _small_counts(report.sections)
    published = publish(report)
    assert not _small_counts(published.sections)
    words = to_json(published)
    for case in results.cases:
        assert case.tumour_id not in words
    assert not any(name in words for name in drawn["patient"]["patient_id"])
    review = published.sections[-1]
    assert [type(block).__name__ for block in review.blocks] == ["Paragraph", "Note", "Note"]


def test_states_at_each_time_add_up(results: OutcomeResults) -> None:
    assert results.occupation is not None
    over_time = StatesOverTime(results.states, results.occupation)
    spec, vital = state_figure(over_time), results.states.vital
    assert spec is not None
    for place, tick in enumerate(spec.ticks_years):
        shares = [over_time.at(state, tick).failure for state in range(len(STATES))]
        assert math.fsum(share for share in shares if share is not None) == pytest.approx(1.0)
        assert spec.at_risk[place].value is not None
    starts = {int(u) for u, day in zip(vital.unit, vital.start, strict=True) if day == 0}
    assert spec.at_risk[0].value == len(starts)
    assert alternative_text(spec).startswith("Stacked state at each time among")
    with pytest.raises(ValueError, match="not among the times"):
        over_time.at(0, 1.5)


def test_an_empty_cohort_has_sections_that_say_so(drawn: dict[str, Any]) -> None:
    empty = {name: frame.iloc[:0] for name, frame in drawn.items()}
    with hold_in_memory(empty) as connection:
        local = analyse(connection, LOCAL_FAILURE, CUT, how=HOW, with_sensitivity=False)
        found = gather_outcomes(
            connection, CUT, CohortRules(), {"baseline_window_days": 90}, HOW, local, (5.0, 0.9)
        )
    for section in sections_of(replace(found)):
        assert any(isinstance(block, Note | Table) for block in section.blocks)
        assert not any(isinstance(block, Figure) for block in section.blocks)


def figures_of(section: Section) -> list[SurvivalFigure]:
    found = [block.spec for block in section.blocks if isinstance(block, Figure)]
    return [spec for spec in found if isinstance(spec, SurvivalFigure)]


def test_incidences_by_group_are_those_in_the_table(results: OutcomeResults) -> None:
    """At each tick: counts add up to n, and the curve is the cause's own incidence there."""
    spec = figures_of(mortality.section(results))[0]
    outcome = results.mortality_by[0][1].melanoma_death
    of_group = {group.group: group for group in outcome.groups}
    assert [series.name for series in spec.series] == ["T1", "T2", "T3"]  # T4 has under 10
    for series in spec.series:
        group = of_group[series.name]
        assert group.cumulative_incidence is not None
        for row in series.risk:
            counts = (row.at_risk.value, row.events.value, row.censored and row.censored.value)
            assert sum(counts) == group.n  # type: ignore[arg-type]
            wanted = group.cumulative_incidence.cause(1).at([row.time_years * 365.25]).estimate[0]
            assert math.isnan(wanted) or row.estimate.failure == pytest.approx(wanted)
    drawn_now = figures_of(toxicity.section(results))[0]
    events = [one.group.events for one in results.toxicity if not one.is_procedure]
    of_kind = {one.kind.replace("_", " ").capitalize(): one.group for one in results.toxicity}
    shown = [of_kind[series.name].events for series in drawn_now.series]
    assert sorted(shown, reverse=True) == sorted(events, reverse=True)[:4]
    assert len(drawn_now.series) == 4


def test_the_summary_says_in_one_line_what_the_lost_could_change() -> None:
    base = TippingPoint(5.0, 0.85, 300, 19, 0.93, 0.88, 0.96, "met", 0.88, 23.04, 40.0, None)
    said = {
        "met": "Tumours lost before 5 years: 19; the verdict would change only at 23.0 times"
        " their hazard.",
        "not met": "Tumours lost before 5 years: 19; raising their hazard cannot change the"
        " verdict.",
        "cannot tell": "Tumours lost before 5 years: 19; even 1000 times their hazard would not"
        " change the verdict.",
    }
    for verdict, wanted in said.items():
        found = follow_up.tipping_in_brief(replace(base, verdict=verdict))  # type: ignore[arg-type]
        assert say(found) == wanted
