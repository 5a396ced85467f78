"""Charts in time order: Steiner's weights, a chart followed by hand, limits against other means."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.benchmarking.monitoring import (
    continuous_cusum,
    detect,
    expected_of_units,
    find_limit,
    order_in_time,
    own_hazard,
    simulate_alarm,
)
from analysis.benchmarking.risk_adjusted_cusum import (
    find_steiner_limit,
    simulate_steiner,
    steiner_cusum,
    steiner_weight,
)
from analysis.benchmarking.unit_comparison import all_reached, case_bands, over_expected_by
from analysis.counts.exact_counts import poisson_limits
from reports.results.monitoring_results import gather_monitoring, gather_short_horizon

Make = Callable[..., Any]
LN2 = math.log(2)


def test_weights_are_those_printed_by_steiner() -> None:
    """Steiner et al., Biostatistics 2000;1:446: Parsonnet scores 0 and 50, odds doubled."""
    risk = 1 / (1 + np.exp(3.68 - 0.077 * np.array([0, 0, 50, 50])))
    weight = steiner_weight([False, True, False, True], risk)
    assert weight == pytest.approx([-0.0243, 0.6688, -0.4333, 0.2598], abs=5e-5)


def test_weights_against_another_null_by_their_definition() -> None:
    """The likelihood ratio of odds 3p/(1-p) against 1.5p/(1-p), written out again."""
    p = np.array([0.1, 0.4])
    odds = [ratio * p / (1 - p) for ratio in (3.0, 1.5)]
    high, low = (one / (1 + one) for one in odds)
    assert steiner_weight([True, True], p, 3.0, 1.5) == pytest.approx(np.log(high / low))
    assert steiner_weight([False, False], p, 3.0, 1.5) == pytest.approx(
        np.log((1 - high) / (1 - low))
    )


def test_a_chart_followed_by_hand() -> None:
    expected = [0.5, 1.0, 1.1, 1.2, 3.0]
    event = [False, True, True, True, False]
    chart = continuous_cusum(expected, event, 2.0, limit=1.5)
    by_hand = [0.0, LN2, 2 * LN2 - 0.1, 3 * LN2 - 0.2, 0.0]
    assert chart.value == pytest.approx(by_hand)
    assert chart.alarms == (3,)  # 1.879 passes 1.5; the chart starts again from 0


def test_a_steiner_chart_restarts_after_an_alarm() -> None:
    chart = steiner_cusum([True, True, True, False], [0.1] * 4, limit=1.0)
    step = LN2 - math.log(1.1)
    assert chart.value == pytest.approx([step, 2 * step, step, step - math.log(1.1)])
    assert chart.alarms == (1,)


def mean_expected_to_alarm(limit: float, true_ratio: float) -> float:
    """Mean expected events to the alarm of a chart for a doubled hazard, without simulation.

    The chart sinks by 1 an expected event down to its floor 0 and jumps by log 2 at events of the
    true rate. On a grid of heights L, the mean from there, obeys a linear system: over one step L
    is the step, plus L one step lower, or L after a jump (0 above the limit).
    """
    cells = 1500
    step = limit / cells
    jump = round(LN2 / step)
    matrix, right = np.zeros((cells + 1, cells + 1)), np.zeros(cells + 1)
    for k in range(cells + 1):
        # over a drift of one step: L_k = step + (1 - true·step)·L_{k-1} + true·step·L_{k+jump}
        down = max(k - 1, 0)
        matrix[k, k] += 1
        matrix[k, down] -= 1 - true_ratio * step
        if k + jump <= cells:
            matrix[k, k + jump] -= true_ratio * step
        right[k] = step
    return float(np.linalg.solve(matrix, right)[0])


def test_simulated_alarms_agree_with_the_linear_equations() -> None:
    rng = np.random.default_rng(7)
    for limit, true in ((1.3, 1.0), (2.0, 1.0), (2.0, 2.0)):
        drawn = simulate_alarm(limit, 2.0, true, 20_000, rng)
        exact = mean_expected_to_alarm(limit, true)
        error = drawn.std() / math.sqrt(drawn.size)
        assert drawn.mean() == pytest.approx(exact, abs=4 * error + 0.01 * exact)


def test_the_limit_found_gives_the_false_alarms_wanted() -> None:
    found = find_limit(2.5, 20.0, np.random.default_rng(3), runs=3000)
    fresh = simulate_alarm(found.limit, 2.0, 1.0, 6000, np.random.default_rng(4)) / 2.5
    assert found.is_near
    assert fresh.mean() == pytest.approx(20.0, rel=0.1)


def test_at_tiny_volumes_the_nearest_attainable_limit_is_given() -> None:
    found = find_limit(0.06, 20.0, np.random.default_rng(3), runs=3000)
    # an alarm at every event: one expected event apart
    assert found.limit < LN2
    assert found.attained_years == pytest.approx(1 / 0.06)
    between = find_limit(0.12, 20.0, np.random.default_rng(3), runs=3000)
    assert between.limit == pytest.approx(LN2)
    assert between.attained_years > 20
    # 10 or some 30 years where 20 are wanted: a rate of 1 in 30 is nearer to 1 in 20 than 1 in 10
    for seed in range(4):
        tied = find_limit(0.1, 20.0, np.random.default_rng(seed), runs=3000)
        assert tied.attained_years == pytest.approx(30, rel=0.05)


def test_detection_is_sooner_the_worse_it_is() -> None:
    rng = np.random.default_rng(5)
    limit = find_limit(4.0, 20.0, rng, runs=2000)
    seen = [detect(limit, ratio, 5.0, rng, 2000) for ratio in (1.0, 1.5, 3.0)]
    assert seen[0].mean_years > seen[1].mean_years > seen[2].mean_years
    assert seen[0].power < seen[1].power < seen[2].power


def test_a_steiner_limit_gives_its_rate() -> None:
    rng = np.random.default_rng(2)
    risks = rng.uniform(0.02, 0.3, 200)
    found = find_steiner_limit(risks, 100, 3.0, rng, runs=1000)
    fresh = simulate_steiner(found.limit, risks, 2.0, 1.0, 2000, np.random.default_rng(9))
    assert fresh.mean() / 100 == pytest.approx(found.attained_years, rel=0.1)
    assert found.is_near


@settings(max_examples=40, deadline=None)
@given(
    rows=st.lists(
        st.tuples(st.integers(0, 60), st.integers(0, 1), st.integers(0, 50)),
        min_size=1,
        max_size=30,
    )
)
def test_against_its_own_curve_observed_equals_expected(rows: list[tuple[int, int, int]]) -> None:
    """A property of Nelson and Aalen's estimate: its expected events are the observed ones."""
    from benchmark_tables import build_table

    entry = [late if late < time else 0 for time, _, late in rows]
    table = build_table([r[0] for r in rows], [r[1] for r in rows], entry_days=entry)
    expected = expected_of_units(table, own_hazard(table))
    assert expected.sum() == pytest.approx(sum(r[1] for r in rows))
    assert np.all(expected >= 0)


def test_calendar_order_by_hand(table_of: Make) -> None:
    """Two units at rate 0.01 a day: treated on days 0 and 100, the first fails on day 150."""
    first = date(2020, 1, 1)
    table = table_of([150, 300], [1, 0], zero=[first, first + timedelta(days=100)])
    order = order_in_time(table, lambda days: 0.01 * days, first + timedelta(days=400))
    at = {
        int(day): (int(n), float(e))
        for day, n, e in zip(order.day, order.observed, order.expected, strict=True)
    }
    assert at[150] == (1, pytest.approx(0.01 * (150 + 50)))
    assert at[400] == (1, pytest.approx(0.01 * (150 + 300)))
    assert order.is_event.sum() == 1
    assert order.expected_per_year(1.0) == pytest.approx(
        (4.5 - np.interp(35, order.day, order.expected)) * 365.25 / 365, rel=1e-6
    )


def test_years_after_the_last_visit_are_not_in_the_volume(table_of: Make) -> None:
    """Two people over one year at rate 0.01 a day: 3.65 events each, whenever the cut comes."""
    first = date(2020, 1, 1)
    table = table_of([365, 365], [1, 0], zero=[first, first])
    for cut in (365, 365 + 700, 365 + 3000):
        order = order_in_time(table, lambda days: 0.01 * days, first + timedelta(days=cut))
        assert order.expected_per_year() == pytest.approx(2 * 0.01 * 365.25, rel=0.01)
        assert order.unwatched_days == cut - 365


@pytest.mark.parametrize("volume", [0.5, 2.0])
def test_false_alarms_come_as_often_as_said_whatever_the_volume_was(volume: float) -> None:
    """Against Poisson processes drawn here, in a chart of twice the events between two alarms."""
    rng = np.random.default_rng(31)
    limit = find_limit(volume, 20, rng)
    total = 2 * limit.attained_years * volume
    alarms = []
    for _ in range(1200):
        events = np.sort(rng.uniform(0, total, rng.poisson(total)))
        chart = continuous_cusum(events, np.ones(events.size, bool), limit.ratio, limit.limit)
        alarms.append(len(chart.alarms))
    se = float(np.std(alarms) / math.sqrt(len(alarms)))
    said = limit.false_alarms(total)
    assert said == pytest.approx(2.0)
    assert abs(np.mean(alarms) - said) < 0.1 + 3 * se  # the first run begins at 0


def test_years_side_by_side_add_up(table_of: Make) -> None:
    rng = np.random.default_rng(1)
    time, status = rng.integers(1, 3000, 200), rng.integers(0, 2, 200)
    table = table_of(time, status)
    units = over_expected_by(table, own_hazard(table), [str(z.year) for z in table.zero_date])
    assert sum(unit.n for unit in units) == 200
    assert sum(unit.against.observed for unit in units) == status.sum()
    assert sum(unit.against.expected for unit in units) == pytest.approx(status.sum())
    one = units[0].against
    assert one.exact.upper == pytest.approx(poisson_limits(one.observed).upper / one.expected)


def test_a_binomial_funnel_needs_everyone_at_the_horizon(table_of: Make) -> None:
    assert all_reached(table_of([400, 100], [0, 1]), 365)
    assert not all_reached(table_of([300, 100], [0, 1]), 365)


def test_cases_are_counted_by_whose_they_are(table_of: Make) -> None:
    days = [date(2020, 1, 1) + timedelta(days=k) for k in range(4)]
    table = table_of([9, 9, 9, 9], [0, 0, 0, 0], zero=days)
    assert case_bands(table, ends=(2,)) == ("cases 1-2",) * 2 + ("cases after 2",) * 2
    assert case_bands(table, ["a", "b", "a", "a"], ends=(2,))[3] == "cases after 2"
    assert case_bands(table, ["a", "b", "a", "b"], ends=(2,))[3] == "cases 1-2"


def test_with_few_events_no_chart_is_drawn(outcome_of: Make) -> None:
    results = gather_monitoring(outcome_of([900] * 30, [1, 1] + [0] * 28))
    assert "fewer than 5" in results.reason
    assert results.chart is None


def test_a_yes_or_no_chart_needs_everyone_at_the_horizon(outcome_of: Make) -> None:
    rng = np.random.default_rng(8)
    had = rng.random(120) < 0.15
    days = np.where(had, rng.integers(20, 360, 120), 700)
    zero = [date(2016, 1, 1) + timedelta(days=20 * k) for k in range(120)]
    whole = gather_short_horizon(outcome_of(days, had.astype(int), zero=zero), rng)
    assert (whole.n, whole.events, whole.reason) == (120, int(had.sum()), "")
    assert whole.chart is not None
    weight = steiner_weight(had, np.full(120, had.mean()))
    value, peak = 0.0, 0.0
    for one in weight:
        value = max(0.0, value + one)
        peak = max(peak, value)
    assert whole.chart.alarms or whole.chart.value.max() == pytest.approx(peak)
    lost = np.where(np.arange(120) == 7, 100, days)
    codes = np.where(np.arange(120) == 7, 0, had.astype(int))
    part = gather_short_horizon(outcome_of(lost, codes, zero=zero), rng)
    assert part.chart is None
    assert "not everyone" in part.reason
