"""Lost against kept and the tipping point: worked by hand, and what must hold for any data.

With the multiple 1 the figure is the Kaplan-Meier estimate: Efron 1967 (Proc. Fifth Berkeley Symp.
4:831, self-consistency, from memory); the test checks it on random data.
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.estimators.survival import kaplan_meier
from analysis.outcomes.cohort import DataCut
from analysis.outcomes.end_points import LOCAL_FAILURE, MAIN
from analysis.outcomes.follow_up_bias import (
    compare_lost,
    complete_by_period,
    control_if_lost_fare_worse,
    find_lost,
    find_tipping_point,
    standardised_difference,
)
from analysis.outcomes.outcome import OutcomeTable, examination_clock
from registry.errors import RefusedEstimateError

CUT = DataCut(date(2030, 1, 1))


def table(time: list[int], status: list[int], death: dict[int, float] | None = None) -> Any:
    n = len(time)
    names = tuple(f"T{row}" for row in range(n))
    died = np.full(n, np.nan)
    for row, days in (death or {}).items():
        died[row] = days
    return OutcomeTable(
        end_point=LOCAL_FAILURE,
        variant=MAIN,
        unit_id=names,
        patient_id=names,
        tumour_id=names,
        first_implant_id=names,
        zero_date=(date(2020, 1, 1),) * n,
        entry_days=np.zeros(n, dtype=np.int64),
        time_days=np.asarray(time, dtype=np.int64),
        status=np.asarray(status, dtype=np.int64),
        last_known_free_days=np.asarray(time, dtype=np.int64),
        first_known_event_days=np.where(np.asarray(status) == 1, time, np.nan),
        death_days=died,
        vital_known_days=np.full(n, 3653, dtype=np.int64),
        seen=np.ones(n, dtype=bool),
    )


def test_who_is_lost_by_hand() -> None:
    """The cut is day 3653; a unit is lost when not assessed in the last 457 days."""
    some = table([3600, 3196, 3195, 100, 100, 100, 100], [0, 0, 0, 0, 1, 2, 0], {6: 500.0})
    assert find_lost(some, CUT).tolist() == [False, False, True, True, False, False, False]


def test_a_raised_hazard_by_hand() -> None:
    """Four units: fails at 10, lost at 20, fails at 30, followed to 100; read at day 50.

    S(20) = 3/4, S(50) = 3/4 x 1/2 = 3/8, so the lost unit counts as (1/2)^k still free:
    (0 + (1/2)^k + 0 + 1)/4 = 0.375 for k = 1, 0.3125 for k = 2, 0.25 for infinity.
    """
    four, lost = table([10, 20, 30, 100], [1, 0, 1, 0]), np.array([False, True, False, False])
    free = [control_if_lost_fare_worse(four, lost, 50, k) for k in (0, 1, 2, np.inf)]
    assert free == pytest.approx([0.5, 0.375, 0.3125, 0.25], rel=1e-15)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 60), st.integers(0, 2), st.booleans()), min_size=2, max_size=30
    ),
    st.integers(1, 60),
)
def test_one_gives_kaplan_meier_and_more_never_more_control(rows: Any, days: int) -> None:
    some = table([row[0] for row in rows], [row[1] for row in rows])
    lost = np.asarray([row[2] for row in rows]) & (some.status == 0)
    curve = kaplan_meier(examination_clock(some)).curve
    estimate = curve.estimate[np.searchsorted(curve.time, days, side="right") - 1]
    free = [control_if_lost_fare_worse(some, lost, days, k) for k in (1, 1.5, 4, 50, np.inf)]
    assert free[0] == pytest.approx(estimate, abs=1e-12)
    assert all(a >= b - 1e-12 for a, b in itertools.pairwise(free))


def test_the_tipping_point_by_hand() -> None:
    """100 units: 10 fail at day 200, 40 lost at 100, 50 followed past 400; read at 1 year.

    S(1 y) = 1 - 10/60 = 5/6, and a lost unit counts as (5/6)^k: (40 (5/6)^k + 50)/100 is below 0.8
    from (5/6)^k = 0.75 on, k = ln 0.75/ln(5/6) = 1.5779.
    """
    many = table([200] * 10 + [100] * 40 + [3600] * 50, [1] * 10 + [0] * 90)
    found = find_tipping_point(many, CUT, years=1.0, target=0.8)
    assert (found.lost_before, found.verdict) == (40, "cannot tell")
    assert found.estimate == pytest.approx(5 / 6)
    assert found.estimate_multiple == pytest.approx(np.log(0.75) / np.log(5 / 6), rel=1e-9)
    assert found.if_all_failed == pytest.approx(0.5)
    assert found.limit_multiple == 1.0
    assert found.verdict_multiple is not None
    assert found.changes_at == found.verdict_multiple > found.estimate_multiple
    easy = find_tipping_point(many, CUT, years=1.0, target=0.45)
    assert (easy.verdict, easy.estimate_multiple) == ("met", None)
    hard = find_tipping_point(many, CUT, years=1.0, target=0.99)
    assert (hard.verdict, hard.changes_at) == ("not met", None)


def test_what_cannot_be_tipped_is_refused() -> None:
    some = table([100, 200], [0, 1])
    with pytest.raises(RefusedEstimateError, match="Nobody is followed to 5 years"):
        find_tipping_point(some, CUT, years=5.0, target=0.9)
    with pytest.raises(ValueError, match="-2"):
        control_if_lost_fare_worse(some, np.array([True, False]), 150, -2)
    late = replace(some, entry_days=np.array([10, 0]))
    with pytest.raises(RefusedEstimateError, match="delayed entry"):
        find_tipping_point(late, CUT, years=0.1, target=0.9)


def test_lost_and_kept_by_hand() -> None:
    """Thickness 2, 4 (mean 3, variance 2) against 6, 8 (7, 2): -4/sqrt(2) = -2.828."""
    common = {
        "largest_basal_diameter_mm": None, "fovea_distance_mm": None, "baseline_letters": None,
        "dose_apex_gy": None, "size_category": None, "chromosome_3": "unknown",
        "ciliary_body_involved": None, "age_years": 60,
    }  # fmt: skip
    rows = [
        common | {"unit_id": name, "thickness_mm": mm, "sex": sex}
        for name, mm, sex in (("A", 2, "female"), ("B", 4, "male"), ("C", 6, "male"),
                              ("D", 8, "male"), ("E", 99, "male"))
    ]  # fmt: skip
    found = {one.label: one for one in compare_lost(rows, {"A", "B"}, {"C", "D"})}
    thick, female = found["Thickness"], found["Female"]
    assert (thick.lost, thick.kept, thick.n_lost, thick.n_kept) == (3.0, 7.0, 2, 2)
    assert thick.difference == pytest.approx(-4 / np.sqrt(2))
    assert (female.lost, female.kept, female.count_lost, female.count_kept) == (0.5, 0.0, 1, 0)
    # shares 1/2 and 0: variances 1/4 and 0
    assert female.difference == pytest.approx(0.5 / np.sqrt(0.125))
    assert found["Age at treatment"].difference is None
    assert found["Monosomy of chromosome 3"].lost is None
    assert standardised_difference(np.zeros(0), np.ones(2)) is None


def test_completeness_by_period_by_hand() -> None:
    """Potential 3653 days each: (3653 + 0)/(3653 + 3653) in one, 100 of 100 owed in the other."""
    some = table([3653, 0, 100], [0, 0, 0], {2: 100.0})
    of_unit = {"T0": "2020–2024", "T1": "2020–2024", "T2": "2025–2029"}
    first, second = complete_by_period(some, CUT, of_unit)
    assert (first.n, first.lost, first.completeness.index) == (2, 1, pytest.approx(0.5))
    assert (second.n, second.lost, second.completeness.index) == (1, 0, pytest.approx(1.0))
