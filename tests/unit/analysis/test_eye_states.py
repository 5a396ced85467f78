"""States of a treated eye: histories and occupation worked out by hand, and identities.

Day 0 is 2020-01-01, the cut day 1826. Useful vision is 6/60 or better.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.estimators.competing_risks import Clock, aalen_johansen_own_clocks
from analysis.estimators.multistate import STAYS, Spells, occupy_states
from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.eye_states import (
    DEAD,
    EYE_LOST,
    FAILED,
    POOR,
    USEFUL,
    occupy,
    read_eye_states,
    watch_between_visits,
)
from registry.errors import RefusedEstimateError

ZERO = date(2020, 1, 1)
CUT = DataCut(date(2024, 12, 31))


def day(n: int) -> str:
    return (ZERO + timedelta(days=n)).isoformat()


Rows = dict[str, list[dict[str, Any]]]


def eye(
    readings: dict[int, str | None],
    events: tuple[tuple[int, str], ...] = (),
    since: int | None = None,
    **patient: Any,
) -> Callable[[str], Rows]:
    """One patient with one eye; a reading of None is a visit without acuity."""

    def build(name: str) -> Rows:
        whose = {"patient_id": name, "eye": "left"}
        visits = [
            {"visit_id": f"V{name}{at}", **whose, "visit_date": day(at), "acuity": read}
            | {"local_status": "controlled"}
            for at, read in readings.items()
        ]
        happened = [
            {"event_id": f"E{name}{at}{kind}", **whose, "event_date": day(at), "kind": kind}
            | {"reason": "pain" if kind == "enucleation" else None}
            for at, kind in events
        ]
        tumour = {"tumour_id": f"T{name}", **whose}
        if since is not None:
            tumour["care_since_date"] = day(since)
        implant = {"implant_id": f"I{name}", "tumour_id": f"T{name}"}
        return {
            "patient": [{"patient_id": name, "vital_status_date": day(1826), **patient}],
            "tumour": [tumour],
            "implant": [implant | {"inserted_at": f"{day(0)} 10:00"}],
            "visit": visits,
            "event": happened,
        }

    return build


U, P, F, L, D, S = USEFUL, POOR, FAILED, EYE_LOST, DEAD, STAYS
# name, history, spells on the examination clock, spells on the death clock (state, start, stop, to)
HISTORIES: list[tuple[str, Callable[[str], Rows], list[Any], list[Any]]] = [
    ("useful throughout", eye({-10: "6/9", 200: "6/12"}),
     [(U, 0, 200, S)], [(U, 0, 1826, S)]),
    ("6/60 is still useful, 5/60 is not", eye({-10: "6/60", 200: "6/60", 300: "5/60"}),
     [(U, 0, 300, P)], [(U, 0, 300, S), (P, 300, 1826, S)]),
    ("counting fingers is not useful; it may turn back",
     eye({-10: "6/9", 200: "CF", 400: "6/24", 500: "6/24"}),
     [(U, 0, 200, P), (P, 200, 400, U), (U, 400, 500, S)],
     [(U, 0, 200, S), (P, 200, 400, S), (U, 400, 1826, S)]),
    ("a visit without acuity extends the watch, not the reading",
     eye({-10: "6/9", 200: "CF", 400: None}),
     [(U, 0, 200, P), (P, 200, 400, S)], [(U, 0, 200, S), (P, 200, 1826, S)]),
    ("poor from the start", eye({-10: "HM", 200: "HM"}),
     [(P, 0, 200, S)], [(P, 0, 1826, S)]),
    ("the last of several baseline readings counts", eye({-80: "6/9", -5: "CF", 100: "CF"}),
     [(P, 0, 100, S)], [(P, 0, 1826, S)]),
    ("a reading before the window is none; it enters at its first reading",
     eye({-200: "6/9", 150: "6/9", 300: "6/9"}),
     [(U, 150, 300, S)], [(U, 150, 1826, S)]),
    ("never read, then failed: enters at failure", eye({100: None}, ((300, "local_failure"),)),
     [], [(F, 300, 1826, S)]),
    ("vision after failure does not matter",
     eye({-10: "6/9", 200: "6/9", 500: "NLP"}, ((300, "local_failure"),)),
     [(U, 0, 300, F), (F, 300, 500, S)], [(U, 0, 300, S), (F, 300, 1826, S)]),
    ("failure, then loss of the eye, then death",
     eye({-10: "6/9"}, ((300, "local_failure"), (400, "enucleation")), death_date=day(900)),
     [(U, 0, 300, F), (F, 300, 400, L)], [(U, 0, 300, S), (F, 300, 400, S), (L, 400, 900, D)]),
    ("failure and loss on one day: lost",
     eye({-10: "6/9"}, ((300, "local_failure"), (300, "enucleation"))),
     [(U, 0, 300, L)], [(U, 0, 300, S), (L, 300, 1826, S)]),
    ("loss and death on one day: dead",
     eye({-10: "6/9", 100: "6/9"}, ((300, "enucleation"),), death_date=day(300)),
     [(U, 0, 300, S)], [(U, 0, 300, D)]),
    ("died long after the last visit: at risk of death only",
     eye({-10: "6/9", 100: "6/9"}, death_date=day(1200)),
     [(U, 0, 100, S)], [(U, 0, 1200, D)]),
    ("death on the day of a reading", eye({-10: "6/9", 200: "CF"}, death_date=day(200)),
     [(U, 0, 200, S)], [(U, 0, 200, D)]),
    ("never known", eye({}), [], []),
    ("delayed entry: the state on the day care began",
     eye({-10: "6/9", 100: "CF", 700: "CF"}, since=400),
     [(P, 400, 700, S)], [(P, 400, 1826, S)]),
]  # fmt: skip


def test_spells_by_hand(in_memory_of: Callable[..., Any]) -> None:
    rows: Rows = {}
    for place, (_, build, _, _) in enumerate(HISTORIES):
        for table, made in build(f"P{place:02d}").items():
            rows.setdefault(table, []).extend(made)
    states = read_eye_states(in_memory_of(rows), CUT, CohortRules())

    def listed(spells: Spells, patient: str) -> list[Any]:
        return [
            (int(s), float(a), float(b), int(to))
            for unit, s, a, b, to in zip(
                spells.unit, spells.state, spells.start, spells.stop, spells.to, strict=True
            )
            if states.patient_id[unit] == patient
        ]

    for place, (name, _, examined, vital) in enumerate(HISTORIES):
        assert listed(states.examined, f"P{place:02d}") == examined, name
        assert listed(states.vital, f"P{place:02d}") == vital, name
    assert [(step.left_out, step.kept) for step in states.flow] == [(0, 16), (1, 15)]


def test_an_eye_counts_as_watched_for_half_a_planned_gap(in_memory_of: Callable[..., Any]) -> None:
    """Half of 183 days, by hand: to day 291; to death or the end of vital status if sooner."""
    people = [
        eye({-10: "6/9", 200: "6/9"}),
        eye({-10: "6/9", 200: "6/9"}, death_date=day(230)),
        eye({-10: "6/9", 200: "6/9"}, vital_status_date=day(250)),
        eye({-10: "6/9", 200: "CF", 400: "CF"}),
        eye({-10: "6/9"}, ((300, "enucleation"),)),
        eye({-10: "6/9", 1800: "6/9"}),
    ]
    rows: Rows = {}
    for place, build in enumerate(people):
        for table, made in build(f"P{place}").items():
            rows.setdefault(table, []).extend(made)
    states = read_eye_states(in_memory_of(rows), CUT, CohortRules())
    watched = watch_between_visits(states)
    found = [
        (states.patient_id[unit], int(stop), int(to))
        for unit, stop, to in zip(watched.unit, watched.stop, watched.to, strict=True)
    ]
    assert found == [
        ("P0", 291, S),
        ("P1", 230, S),
        ("P2", 250, S),
        ("P3", 200, P),
        ("P3", 491, S),
        ("P4", 300, L),
        ("P5", 1826, S),
    ]
    assert watched.start.tolist() == states.examined.start.tolist()


def test_occupation_by_hand() -> None:
    """Three eyes, three states (well, ill, dead), worked with fractions.

    Day 1: 1 of 3 well falls ill. Day 2: the ill one recovers (1 of 1). Day 3: 1 of 3 well dies.
    Day 4: 1 of the 2 well left falls ill.
    """
    spells = Spells.of([
        (0, 0, 0, 1, 1), (0, 1, 1, 2, 0), (0, 0, 2, 4, 1),
        (1, 0, 0, 3, 2), (2, 0, 0, 5, STAYS),
    ])  # fmt: skip
    found = occupy_states([spells], ["well", "ill", "dead"])
    wanted = [[2 / 3, 1 / 3, 0], [1, 0, 0], [2 / 3, 0, 1 / 3], [1 / 3, 1 / 3, 1 / 3]]
    np.testing.assert_allclose(found.at([1, 2, 3, 4]), wanted, rtol=1e-15)
    assert found.transitions == ((0, 1, 2), (0, 2, 1), (1, 0, 1))
    # 1 day well by all, then 2/3, 1, 2/3 of a day
    assert found.mean_time(4).tolist() == pytest.approx([1 + 2 / 3 + 1 + 2 / 3, 1 / 3, 1 / 3])


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(1, 12), st.integers(0, 1), st.integers(0, 12), st.integers(0, 1)),
        min_size=3,
        max_size=25,
    )
)
def test_two_absorbing_states_are_the_incidences_on_own_clocks(rows: list[Any]) -> None:
    """Without intermediate states occupation is the cumulative incidence on own clocks."""
    exam = np.asarray([row[0] for row in rows])
    event = np.asarray([row[1] for row in rows])
    vital = np.where(event == 1, exam, exam + [row[2] for row in rows])
    died = np.asarray([row[3] for row in rows]) * (1 - event)
    unit = np.zeros(len(rows), dtype=np.int64)
    clocks = [
        Spells(np.arange(len(rows)), unit, unit * 0.0, time.astype(float), to)
        for time, to in ((exam, np.where(event, 1, -1)), (vital, np.where(died, 2, -1)))
    ]
    found = occupy_states(clocks, ["free", "event", "dead"])
    other = aalen_johansen_own_clocks(
        [Clock(1, exam, event), Clock(2, vital, died)], interval="beta-product"
    )
    times = np.arange(1.0, float(exam.max()) + 1)
    for cause in (1, 2):
        np.testing.assert_allclose(
            found.at(times)[:, cause], other.cause(cause).at(times).estimate, rtol=0, atol=1e-12
        )


def test_probabilities_add_up_and_limits_hold_them(in_memory_of: Callable[..., Any]) -> None:
    rows: Rows = {}
    for place, (_, build, _, _) in enumerate(HISTORIES * 3):
        for table, made in build(f"P{place:02d}").items():
            rows.setdefault(table, []).extend(made)
    states = read_eye_states(in_memory_of(rows), CUT, CohortRules())
    found = occupy(states, (0.5, 1.0), replicates=200)
    np.testing.assert_allclose(found.probability.sum(axis=1), 1.0, rtol=1e-12)
    low, high = found.limits()
    inside = found.at([0.5 * 365.25, 365.25])
    assert (low <= inside + 1e-12).all()
    assert (inside <= high + 1e-12).all()
    again = occupy(states, (0.5, 1.0), replicates=200)
    np.testing.assert_array_equal(again.replicates, found.replicates)


def test_nobody_and_bad_spells_are_refused() -> None:
    with pytest.raises(RefusedEstimateError, match="from time zero"):
        occupy_states([Spells.of([])], ["well"])
    with pytest.raises(ValueError, match="ends after it begins"):
        Spells.of([(0, 0, 3, 3, 1)])
    with pytest.raises(ValueError, match="another state"):
        Spells.of([(0, 0, 3, 4, 0)])
