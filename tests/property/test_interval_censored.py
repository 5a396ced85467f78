"""What holds of every interval-censored estimate, whatever the data."""

from __future__ import annotations

import itertools
import math
from random import Random

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from analysis.estimators.interval_censored import interval_censored_log_rank, npmle
from analysis.estimators.interval_limits import limit_by_ends
from registry.errors import RefusedEstimateError

Intervals = list[tuple[float, float]]


def make_interval(start: int, length: int, kind: str) -> tuple[float, float]:
    ends = {
        "interval": (start, start + length),
        "exact": (start, start),
        "right": (start, math.inf),
        "left": (0, start + length),
    }
    return ends[kind]


intervals = st.lists(
    st.builds(
        make_interval,
        st.integers(0, 30),
        st.integers(1, 12),
        st.sampled_from(["interval", "exact", "right", "left"]),
    ),
    min_size=1,
    max_size=40,
)


def split(data: Intervals) -> tuple[np.ndarray, np.ndarray]:
    lower, upper = (np.array(ends, float) for ends in zip(*data, strict=True))
    return lower, upper


def self_consistent(lower: np.ndarray, upper: np.ndarray, places: np.ndarray) -> float:
    """The slow way: Turnbull's self-consistency on every elementary interval, from the definition.

    Only half-open intervals and exact times are told apart; nothing is shared with the module.
    """
    covers = np.zeros((len(lower), len(places)))
    for i, (low, high) in enumerate(zip(lower, upper, strict=True)):
        for j, (a, b) in enumerate(places):
            is_stretch_inside = a < b and low <= a and b <= high
            is_point_inside = a == b and (low < a <= high or low == high == a)
            covers[i, j] = is_stretch_inside or is_point_inside
    mass = np.full(len(places), 1 / len(places))
    for _ in range(3000):
        mass = mass * (covers / (covers @ mass)[:, None]).mean(axis=0)
    return float(np.log(covers @ mass).sum())


A_MASS_BELOW_ROUNDING: Intervals = [
    *((0, 1), (0, 0), (0, math.inf), (0, 3), (0, 8), (1, 2), (1, math.inf), (2, 3), (2, math.inf)),
    *((3, 4), (3, 5), (3, 6), (4, 6), (5, 6), (6, 7), (6, 8), (6, 8), (7, 8), (7, 8), (7, 8)),
]


@given(intervals)
@example(A_MASS_BELOW_ROUNDING)
def test_masses_sum_to_one_and_the_gap_is_closed(data: Intervals) -> None:
    estimate = npmle(*split(data))
    assert estimate.mass.sum() == pytest.approx(1, abs=1e-12)
    assert np.all(estimate.mass > 0)
    assert estimate.gap <= 1e-8
    assert np.all(np.diff(estimate.survival) < 0)
    assert np.all(estimate.lower <= estimate.upper)
    assert estimate.survival[-1] == 0


@settings(max_examples=40)
@given(intervals)
def test_no_slower_search_finds_more_likelihood(data: Intervals) -> None:
    lower, upper = split(data)
    points = np.unique(np.concatenate([lower, upper, [0.0]]))
    places = [(p, p) for p in points if np.isfinite(p)]
    places += list(itertools.pairwise(points))
    if np.isfinite(points[-1]):
        places.append((points[-1], math.inf))
    # An open stretch between two neighbouring ends, and every end by itself, hold all there is.
    slow = self_consistent(lower, upper, np.array(places))
    assert npmle(lower, upper).log_likelihood >= slow - 1e-7


@given(intervals, st.randoms(use_true_random=False))
def test_row_order_does_not_matter(data: Intervals, random: object) -> None:
    shuffled = data.copy()
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    one, other = npmle(*split(data)), npmle(*split(shuffled))
    assert one.lower.tolist() == other.lower.tolist()
    assert one.mass == pytest.approx(other.mass, abs=1e-9)


@given(intervals, st.sampled_from([1 / 365.25, 1 / 12, 7.0, 1000.0]))
def test_a_change_of_unit_changes_times_only(data: Intervals, factor: float) -> None:
    lower, upper = split(data)
    one, other = npmle(lower, upper), npmle(lower * factor, upper * factor)
    assert other.lower == pytest.approx(one.lower * factor)
    assert other.mass == pytest.approx(one.mass, abs=1e-9)
    assert other.log_likelihood == pytest.approx(one.log_likelihood, abs=1e-9)


@given(intervals)
def test_a_weight_is_a_repeated_row(data: Intervals) -> None:
    lower, upper = split(data)
    weight = np.arange(len(data)) % 3 + 1
    repeated = npmle(np.repeat(lower, weight), np.repeat(upper, weight))
    weighted = npmle(lower, upper, weight)
    assert weighted.log_likelihood == pytest.approx(repeated.log_likelihood, rel=1e-10, abs=1e-9)
    assert weighted.mass == pytest.approx(repeated.mass, abs=1e-9)


@given(
    st.lists(st.tuples(st.integers(0, 25), st.booleans()), min_size=1, max_size=60).filter(
        lambda rows: any(is_event for _, is_event in rows)
    )
)
def test_exact_times_give_kaplan_meier(rows: list[tuple[int, bool]]) -> None:
    # Product-limit written out here; a censored time counts after an event at the same time.
    time, event = (np.array(column) for column in zip(*rows, strict=True))
    estimate = npmle(time, np.where(event, time, np.inf))
    survival = 1.0
    for t in np.unique(time):
        survival *= 1 - np.sum(event & (time == t)) / np.sum(time >= t)
        assert estimate.at([t]).estimate[0] == pytest.approx(survival, abs=1e-9)


def test_no_event_leaves_survival_at_one_until_the_last_time() -> None:
    estimate = npmle([3, 5, 9], [math.inf] * 3)
    assert (estimate.events, estimate.lower.tolist(), estimate.upper.tolist()) == (
        0,
        [9],
        [math.inf],
    )
    assert estimate.at([0, 9]).estimate.tolist() == [1, 1]
    assert np.isnan(estimate.at([9.5]).highest[0])
    assert all(math.isnan(end) for end in estimate.quantile())


def test_one_patient() -> None:
    estimate = npmle([2], [6])
    assert (estimate.lower[0], estimate.upper[0], estimate.mass[0]) == (2, 6, 1)
    assert estimate.log_likelihood == 0
    read = estimate.at([2, 4, 6])
    assert np.isnan(read.estimate[1])
    assert (read.lowest[1], read.highest[1]) == (0, 1)
    assert (read.estimate[0], read.estimate[2]) == (1, 0)


def test_all_left_censored_fail_by_the_first_examination() -> None:
    # The likelihood is 1 with all mass before the earliest end, which every interval holds.
    estimate = npmle([0, 0, 0], [4, 6, 9])
    assert estimate.upper.tolist() == [4]
    assert estimate.at([4, 6]).estimate.tolist() == [0, 0]


def test_times_equal_up_to_rounding_are_one_time() -> None:
    # 0.1 + 0.2 is not 0.3 to the machine; R's timefix merges them too.
    estimate = npmle([0.1 + 0.2, 0.3, 0.5], [0.1 + 0.2, 0.3, math.inf])
    assert len(estimate.mass) == 2
    assert estimate.mass[0] == pytest.approx(2 / 3)


@pytest.mark.parametrize(
    ("lower", "upper", "weight", "shown"),
    [
        ([-1.0], [2.0], None, "-1"),
        ([math.inf], [math.inf], None, "inf"),
        ([3.0], [2.0], None, r"\(3\.0, 2\.0\]"),
        ([3.0], [math.nan], None, "nan"),
        ([1.0], [2.0], [0.0], r"0\.0"),
        ([1.0, 2.0], [2.0], None, "shape"),
    ],
)
def test_misuse_shows_the_value(
    lower: list[float], upper: list[float], weight: list[float] | None, shown: str
) -> None:
    with pytest.raises(ValueError, match=shown):
        npmle(lower, upper, weight)


def test_nothing_to_estimate_is_refused() -> None:
    with pytest.raises(RefusedEstimateError, match="no observation"):
        npmle([], [])
    with pytest.raises(RefusedEstimateError, match="two groups"):
        interval_censored_log_rank([1, 2], [3, 4], ["a", "a"])
    with pytest.raises(RefusedEstimateError, match="same score"):
        interval_censored_log_rank([1, 2], [math.inf, math.inf], ["a", "b"])


@given(intervals.filter(lambda data: len(data) >= 4))
def test_the_log_rank_does_not_know_the_order_or_names_of_groups(data: Intervals) -> None:
    lower, upper = split(data)
    group = np.arange(len(data)) % 3
    try:
        one = interval_censored_log_rank(lower, upper, group)
    except RefusedEstimateError:
        return
    other = interval_censored_log_rank(
        lower[::-1], upper[::-1], np.array(["z", "m", "a"])[group[::-1]]
    )
    assert other.statistic == pytest.approx(one.statistic, rel=1e-7, abs=1e-9)
    assert other.score == pytest.approx(one.score[::-1], rel=1e-6, abs=1e-8)
    assert 0 <= one.p <= 1


@pytest.mark.parametrize("kind", ["current status", "wide", "visits", "mixed"])
def test_larger_sets_reach_the_maximum(kind: str) -> None:
    # The gap bounds the distance from the greatest log-likelihood whatever path the search took.
    rng = np.random.default_rng(21)
    n = 800
    event, seen = 9 * rng.weibull(1.2, n), rng.uniform(0, 12, n)
    lower, upper = {
        "current status": (np.where(event < seen, 0, seen), np.where(event < seen, seen, np.inf)),
        "wide": (seen, seen + rng.exponential(3, n)),
        "visits": (np.floor(event * 2) / 2, np.floor(event * 2) / 2 + 0.5),
        "mixed": (
            np.where(seen < 4, event, np.floor(event)),
            np.where(seen < 4, event, np.floor(event) + 1),
        ),
    }[kind]
    estimate = npmle(lower, upper)
    assert estimate.gap < 1e-7
    assert estimate.mass.sum() == pytest.approx(1, abs=1e-12)


@given(st.lists(st.tuples(st.integers(0, 20), st.booleans()), min_size=4, max_size=50))
def test_suns_scores_are_observed_minus_expected_on_right_censored_data(
    rows: list[tuple[int, bool]],
) -> None:
    # Fay and Shaw 2010, table 1: with exact times the scores are those of the ordinary log-rank
    # test; its observed minus expected events are counted out here.
    time, event = (np.array(column) for column in zip(*rows, strict=True))
    group = np.arange(len(rows)) % 2
    try:
        test = interval_censored_log_rank(time, np.where(event, time, np.inf), group)
    except RefusedEstimateError:
        return
    difference = 0.0
    for t in np.unique(time[event]):
        fails, at_risk = event & (time == t), time >= t
        due = fails.sum() * np.sum(at_risk & (group == 1)) / at_risk.sum()
        difference += np.sum(fails & (group == 1)) - due
    assert test.score[1] == pytest.approx(difference, abs=1e-7)


@given(intervals)
@settings(deadline=None)
def test_a_person_never_examined_adds_nothing(data: Intervals) -> None:
    later = [pair for pair in data if pair != (0, 0)] or [(1.0, 2.0)]  # (0, inf] leaves 0 out
    plain, more = npmle(*split(later)), npmle(*split([*later, (0.0, math.inf)]))
    assert more.n == plain.n + 1
    assert more.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-8)


@settings(max_examples=60, deadline=None)
@given(intervals, st.integers(0, 40), st.randoms(use_true_random=False))
def test_limits_hold_the_bounds_whatever_the_order_and_the_unit(
    data: Intervals, time: int, shuffle: Random
) -> None:
    lower, upper = split(data)
    estimate = npmle(lower, upper)
    found = limit_by_ends(estimate, lower, upper, [time])
    bounds = estimate.at([time])
    if np.isnan(bounds.lowest[0]):
        assert np.isnan([found.lower[0], found.upper[0]]).all()
        return
    assert 0 <= found.lower[0] <= bounds.lowest[0] <= bounds.highest[0] <= found.upper[0] <= 1
    assert found.known_free[0] + found.events[0] + found.perhaps[0] <= len(data)
    order = list(range(len(data)))
    shuffle.shuffle(order)
    days = limit_by_ends(None, 365 * lower[order], 365 * upper[order], [365 * time])
    alone = limit_by_ends(None, lower, upper, [time])
    assert days.lower == pytest.approx(alone.lower)
    assert days.upper == pytest.approx(alone.upper)
    narrow = limit_by_ends(estimate, lower, upper, [time], level=0.8)
    assert narrow.lower[0] >= found.lower[0]
    assert narrow.upper[0] <= found.upper[0]
