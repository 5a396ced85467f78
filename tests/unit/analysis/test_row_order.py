"""Rows sorted as numbers that hold time and status, against numpy's own sorts and plain loops."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from analysis.estimators.competing_risks import aalen_johansen
from analysis.estimators.observations import RightCensored
from analysis.estimators.row_order import RowOrder, find_near_times
from analysis.estimators.survival import kaplan_meier


def assert_sorted(time: np.ndarray, status: np.ndarray) -> None:
    """numpy.lexsort: by time, then events by their code, the censored last."""
    order = RowOrder.of(time, status)
    place = np.where(status == 0, order.mask, status - 1)
    expected = np.lexsort((place, time))
    np.testing.assert_array_equal(order.time, time[expected])
    np.testing.assert_array_equal(order.places(), place[expected])
    is_same = (np.diff(time[expected]) == 0) & (np.diff(place[expected]) == 0)
    assert ((order.key[1:] == order.key[:-1]) == is_same).all()


@pytest.mark.parametrize("highest", [0, 1, 2, 3, 4, 7, 40, 63, 64, 1000])
@pytest.mark.parametrize("digits", [0, 1, 9])
def test_rows_are_in_the_order_of_time_then_status(highest: int, digits: int) -> None:
    rng = np.random.default_rng(highest)
    time = np.round(rng.exponential(20, 500), digits)
    status = rng.integers(0, highest + 1, 500)
    status[0] = highest
    assert_sorted(time, status)


@pytest.mark.parametrize("highest", [1, 2, 5, 63])
@pytest.mark.parametrize(
    "extreme",
    [
        [0.0, 1e-300, 1.0, 1e300],
        [5e-324, 1e-310, 3.0, 3.0000000000000004],
        [1.7e308, 1e308, 2.0],
        [5e-324, 5e-324],
        [0.0, 0.0],
    ],
)
def test_no_digit_of_a_time_is_lost(extreme: list[float], highest: int) -> None:
    time = np.repeat(extreme, 3)
    assert_sorted(time, np.arange(time.size) % (highest + 1))
    assert_sorted(time, np.full(time.size, highest))


def test_minus_zero_is_zero() -> None:
    for highest in (1, 2, 64):
        order = RowOrder.of(np.array([1.0, -0.0, 0.0]), np.array([0, 0, highest]))
        assert not np.signbit(order.time).any()
        assert order.places().tolist()[0] == highest - 1


def merged_by_hand(time: np.ndarray) -> np.ndarray:
    """R's timefix as documented: neighbours nearer than √ε (of the mean, from 1) are one time."""
    distinct = sorted(set(time.tolist()))
    near = 2.0**-26 * max(1.0, sum(distinct) / len(distinct))
    stands_for = {distinct[0]: distinct[0]}
    for before, after in pairwise(distinct):
        stands_for[after] = stands_for[before] if after - before <= near else after
    return np.array([stands_for[one] for one in time.tolist()])


@pytest.mark.parametrize("seed", range(6))
def test_rounded_times_are_merged_in_the_order_too(seed: int) -> None:
    rng = np.random.default_rng(seed)
    whole = rng.integers(0, 30, 400) * rng.choice([1.0, 0.1])
    time = whole + rng.choice([0.0, 0.0, 1e-9, 2e-9, 5e-7], 400)
    status = rng.integers(0, 4, 400)
    assert find_near_times(np.sort(time)) is not None
    observed = RightCensored.of(time, status)
    expected = merged_by_hand(time)
    np.testing.assert_array_equal(observed.time, expected)
    afresh = RowOrder.of(expected, status)
    np.testing.assert_array_equal(observed.in_order().time, afresh.time)
    np.testing.assert_array_equal(observed.in_order().places(), afresh.places())


@pytest.mark.parametrize("distinct", [3, 60, 2_000, 100_000])
@pytest.mark.parametrize("highest", [1, 2, 5])
def test_counts_off_the_order_are_those_of_weights_of_one(distinct: int, highest: int) -> None:
    # weights take another way: a count of each cause's events, looked up in the sorted exits
    rng = np.random.default_rng(distinct + highest)
    time, status = rng.integers(0, distinct, 700), rng.integers(0, highest + 1, 700)
    plain = RightCensored.of(time, status)
    weighted = RightCensored.of(time, status, None, np.ones(700), "frequency")
    pairs = [(kaplan_meier(plain).curve, kaplan_meier(weighted).curve)]
    causes = range(1, highest + 3)  # two of them nobody has
    one, two = (aalen_johansen(each, causes=causes) for each in (plain, weighted))
    pairs += [(one.cause(code).curve, two.cause(code).curve) for code in causes]
    for mine, other in pairs:
        for name in ("time", "at_risk", "events", "censored"):
            np.testing.assert_array_equal(getattr(mine, name), getattr(other, name), err_msg=name)
        for name in ("estimate", "se", "lower", "upper"):
            np.testing.assert_allclose(
                getattr(mine, name), getattr(other, name), rtol=1e-12, err_msg=name
            )
    np.testing.assert_allclose(one.event_free, two.event_free, rtol=1e-13)


def test_values_at_times_are_those_of_the_rows() -> None:
    rng = np.random.default_rng(3)
    observed = RightCensored.of(rng.integers(0, 40, 200), rng.integers(0, 3, 200))
    for interval in ("log-log", "beta-product", "beta-product-mid-p"):
        for cause in aalen_johansen(observed, interval=interval).causes:
            at = cause.at(cause.curve.time)
            for name in ("estimate", "se", "lower", "upper"):
                np.testing.assert_array_equal(getattr(at, name)[1:], getattr(cause.curve, name)[1:])


def test_late_limits_are_made_once_and_belong_to_the_rows() -> None:
    curve = kaplan_meier(RightCensored.of([1, 2, 3], [1, 0, 1]), interval="beta-product").curve
    assert curve.lower is curve.lower
    assert [row["upper"] for row in curve.rows()] == curve.upper.tolist()
