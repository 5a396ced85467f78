"""Landmarks, delayed entry and tests between groups.

Histories worked out by hand (day 0 is 2020-01-01, the cut day 1826), and identities that a landmark
analysis must obey on a drawn department: its curve is S(L + t)/S(L), its incidences
(F(L + t) - F(L))/S(L) (Anderson, Cain and Gelber 1983; they follow from the product-limit form).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest

from analysis.estimators.group_tests import gray, log_rank
from analysis.estimators.observations import RightCensored
from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.end_points import (
    END_POINTS,
    LOCAL_FAILURE,
    MELANOMA_DEATH,
    definition_in_words,
)
from analysis.outcomes.landmark import count_days, from_landmark
from analysis.outcomes.outcome import Estimation, analyse, analyse_group, read_outcome_table
from registry.errors import UsageError
from synthetic_cohort.cohort import draw_department
from synthetic_cohort.in_memory import hold_in_memory
from synthetic_cohort.truth import DATA_CUT, TRUTH

ZERO = date(2020, 1, 1)
CUT = DataCut(date(2024, 12, 31))
QUICK = Estimation(replicates=100)


def day(n: int) -> str:
    return (ZERO + timedelta(days=n)).isoformat()


def person(
    name: str,
    visits: tuple[int, ...] = (),
    events: tuple[tuple[int, str], ...] = (),
    tumour: dict[str, Any] | None = None,
    **patient: Any,
) -> dict[str, list[dict[str, Any]]]:
    """One patient with one tumour of the right eye, treated on day 0 and found controlled."""
    eye = {"patient_id": name, "eye": "right"}
    return {
        "patient": [{"patient_id": name, "vital_status_date": day(1826), **patient}],
        "tumour": [{"tumour_id": f"T{name}", **eye, **(tumour or {})}],
        "implant": [
            {"implant_id": f"I{name}", "tumour_id": f"T{name}", "inserted_at": f"{day(0)} 10:00"}
        ],
        "visit": [
            {"visit_id": f"V{name}{at}", **eye, "visit_date": day(at), "local_status": "controlled"}
            for at in visits
        ],
        "event": [
            {"event_id": f"E{name}{at}{kind}", **eye, "event_date": day(at), "kind": kind}
            for at, kind in events
        ],
    }


def together(*people: dict[str, list[dict[str, Any]]]) -> dict[str, list[dict[str, Any]]]:
    return {table: [row for one in people for row in one[table]] for table in people[0]}


# name, history, what is expected 365 days after treatment: (time, status, death) or why left out
LANDMARK_HISTORIES: list[tuple[str, dict[str, Any], tuple[int, int, int | None] | None]] = [
    ("failed before", person("A", (100,), ((300, "local_failure"),)), None),
    ("failed on the landmark", person("B", (100,), ((365, "local_failure"),)), None),
    ("failed the day after", person("C", (100,), ((366, "local_failure"),)), (1, 1, None)),
    ("eye removed before", person("D", (100,), ((200, "enucleation"),)), None),
    ("died before", person("E", (100,), death_date=day(360)), None),
    ("died on the landmark", person("F", (100,), death_date=day(365)), None),
    ("last seen before, alive after", person("G", (100,)), (0, 0, None)),
    ("last seen before, died after", person("H", (100,), death_date=day(800)), (0, 0, 435)),
    ("followed nowhere beyond it", person("I", (100,), vital_status_date=day(300)), None),
    ("seen after", person("J", (100, 900)), (535, 0, None)),
]


def test_who_stays_at_a_landmark_by_hand(in_memory_of: Callable[..., Any]) -> None:
    connection = in_memory_of(together(*(history for _, history, _ in LANDMARK_HISTORIES)))
    table = read_outcome_table(connection, LOCAL_FAILURE, CUT, CohortRules())
    later, steps = from_landmark(table, 365)
    found = {
        name[1:]: (
            int(later.time_days[row]),
            int(later.status[row]),
            None if np.isnan(later.death_days[row]) else int(later.death_days[row]),
        )
        for row, name in enumerate(later.unit_id)
    }
    wanted = {history["patient"][0]["patient_id"]: at for _, history, at in LANDMARK_HISTORIES}
    assert found == {name: at for name, at in wanted.items() if at is not None}
    # D was removed without a reason, which the main definition reads as failure
    assert [(step.left_out, step.kept) for step in steps] == [(3, 7), (2, 5), (1, 4)]


@pytest.mark.parametrize(
    ("people", "at_risk"),
    [
        ((person("A"), person("B", metastasis_date=day(-20))), ["A"]),
        ((person("A"), person("B", metastasis_date=day(0))), ["A"]),
        ((person("A"), person("B", metastasis_date=day(1))), ["A", "B"]),
        ((person("A"), person("B", tumour={"metastasis_at_baseline": "m1b"})), ["A"]),
        ((person("A"), person("B", tumour={"metastasis_at_baseline": "m0"})), ["A", "B"]),
    ],
)
def test_metastasis_at_baseline_is_not_at_risk(
    in_memory_of: Callable[..., Any], people: Any, at_risk: list[str]
) -> None:
    connection = in_memory_of(together(*people))
    table = read_outcome_table(connection, END_POINTS["metastasis"], CUT, CohortRules())
    assert list(table.unit_id) == at_risk


def test_the_words_say_that_an_unknown_cause_competes() -> None:
    assert "death from an unknown cause" in definition_in_words(MELANOMA_DEATH).split("Status")[0]


@pytest.fixture(scope="module")
def department() -> Iterator[Any]:
    connection = hold_in_memory(draw_department(TRUTH, 150, np.random.default_rng(11)))
    yield connection
    connection.close()


LATE = DataCut(DATA_CUT)


@pytest.mark.parametrize("years", [0.5, 2.0])
@pytest.mark.parametrize("name", ["local_failure", "eye_loss", "metastasis", "melanoma_death"])
def test_a_landmark_curve_is_the_conditional_curve(
    department: Any, name: str, years: float
) -> None:
    end_point, at = END_POINTS[name], count_days(years)
    whole = read_outcome_table(department, end_point, LATE, CohortRules())
    later, _ = from_landmark(whole, at)
    first, second = (analyse_group("all", table, QUICK) for table in (whole, later))
    assert first.kaplan_meier
    assert second.kaplan_meier
    times = np.arange(1.0, 1500.0, 97.0)
    start = first.kaplan_meier.at([at]).estimate[0]
    wanted = first.kaplan_meier.at(at + times).estimate / start
    np.testing.assert_allclose(second.kaplan_meier.at(times).estimate, wanted, rtol=1e-12)
    assert first.cumulative_incidence
    assert second.cumulative_incidence
    causes = zip(first.cumulative_incidence.causes, second.cumulative_incidence.causes, strict=True)
    free = 1 - sum(cause.at([at]).estimate[0] for cause in first.cumulative_incidence.causes)
    for one, two in causes:
        rise = one.at(at + times).estimate - one.at([at]).estimate[0]
        np.testing.assert_allclose(two.at(times).estimate, rise / free, rtol=1e-9, atol=1e-12)


def test_a_complication_known_by_the_landmark_may_define_groups(department: Any) -> None:
    found = analyse(
        department,
        END_POINTS["eye_loss"],
        LATE,
        by="radiation_retinopathy",
        landmark_years=2.0,
        how=QUICK,
        with_sensitivity=False,
    )
    rows = department.execute(
        "SELECT e.patient_id || ':' || e.eye, min(e.event_date), min(z.zero) FROM event e JOIN"
        " (SELECT t.patient_id, t.eye, min(CAST(i.inserted_at AS DATE)) AS zero FROM implant i"
        " JOIN tumour t USING (tumour_id) GROUP BY ALL) z USING (patient_id, eye)"
        " WHERE kind = 'radiation_retinopathy' GROUP BY ALL"
    ).fetchall()
    early = {name for name, first, zero in rows if (first - zero).days <= 730}
    without, with_it = (set(group.table.unit_id) for group in found.groups)
    assert with_it
    assert with_it <= early
    assert without.isdisjoint(early)
    with pytest.raises(UsageError, match="radiation_retinopathy"):
        analyse(department, END_POINTS["eye_loss"], LATE, by="radiation_retinopathy", how=QUICK)


def test_gray_is_given_on_the_clock_that_the_causes_share(department: Any) -> None:
    found = analyse(
        department,
        MELANOMA_DEATH,
        LATE,
        by="chromosome_3",
        how=QUICK,
        with_sensitivity=False,
    )
    table, grouping = found.table, found.grouping
    assert grouping is not None
    group = [grouping.of_unit[unit] for unit in table.unit_id]
    direct = gray(RightCensored.of(table.time_days, table.status), group)
    first = found.incidence_tests[0]
    assert first.test is not None
    assert (first.name, first.clock) == ("gray", MELANOMA_DEATH.known_words)
    assert first.test.statistic == direct.statistic
    assert [one.name for one in found.incidence_tests] == ["gray", "gray", "log-rank"]


def test_the_hazard_of_death_is_compared_on_its_own_clock(department: Any) -> None:
    found = analyse(department, LOCAL_FAILURE, LATE, by="sex", how=QUICK, with_sensitivity=False)
    last = found.incidence_tests[-1]
    assert (last.cause, last.clock) == ("death", "the vital-status date")
    table, grouping = found.table, found.grouping
    assert last.test is not None
    assert grouping is not None
    died = (table.status == 0) & (table.death_days <= table.vital_known_days)
    days = np.where(table.status > 0, table.time_days, table.vital_known_days)
    group = [grouping.of_unit[unit] for unit in table.unit_id]
    direct = log_rank(RightCensored.of(days, died.astype(int)), group)
    assert last.test.statistic == pytest.approx(direct.statistic, rel=1e-12)
    assert "one clock" in found.incidence_tests[0].clock


def test_delayed_entry_is_counted_and_refuses_gray(in_memory_of: Callable[..., Any]) -> None:
    people = [person(name, (900,), death_date=day(1000)) for name in "ABCD"]
    people += [person("E", (700,), tumour={"care_since_date": day(400)})]
    for one, sex in zip(people, ["female", "male"] * 3, strict=False):
        one["patient"][0]["sex"] = sex
    connection = in_memory_of(together(*people))
    found = analyse(connection, LOCAL_FAILURE, CUT, by="sex", how=QUICK)
    assert [group.delayed_entry for group in found.groups] == [1, 0]
    assert any("delayed entry" in warning for warning in found.warnings)
    assert found.incidence_tests[0].test is None
    assert "delayed entry" in found.incidence_tests[0].reason
    overall = analyse(connection, END_POINTS["death"], CUT, how=QUICK).groups[0].kaplan_meier
    # E is at risk from day 400: all 5 at day 1000, of whom 4 die; no time is shifted
    assert overall is not None
    assert overall.at([999, 1000]).estimate.tolist() == pytest.approx([1.0, 0.2])
