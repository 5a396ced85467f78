"""Observations, curves and tests where they are awkward: edges, refusals, traps.

The traps are those measured on public libraries: see each test's comment.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.estimators.competing_risks import Clock, aalen_johansen, aalen_johansen_own_clocks
from analysis.estimators.differences import restricted_mean_difference, survival_difference
from analysis.estimators.group_tests import gray, log_rank, one_sample_log_rank, trend
from analysis.estimators.intervals import combine_limits, transform_limits
from analysis.estimators.observations import RightCensored, as_groups, merge_rounded_times
from analysis.estimators.resampling import draw_weights, resampled_survival
from analysis.estimators.survival import (
    kaplan_meier,
    kaplan_meier_by,
    reverse_kaplan_meier,
)
from registry.errors import RefusedEstimateError, RefusedInputError

INTERVALS = ("log-log", "log", "plain", "logit", "beta-product", "beta-product-mid-p")


# --- observations ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "status",
    [
        [True, False],
        np.array([1, 0], dtype=np.uint8),
        [1.0, 0.0],
        pd.array([True, False], dtype="boolean"),
        pd.array([1, 0], dtype="Int64"),
        pd.Series([1, 0]),
    ],
)
def test_any_kind_of_status_column_is_understood(status: Any) -> None:
    assert RightCensored.of(pd.array([3, 4], dtype="Int64"), status).status.tolist() == [1, 0]


@pytest.mark.parametrize(
    ("columns", "error", "said"),
    [
        (([], []), RefusedEstimateError, "nobody"),
        (([1, np.nan], [1, 0]), RefusedInputError, "time is missing or not finite in row 2"),
        (([1, None], [1, 0]), RefusedInputError, "row 2"),
        (([1, np.inf], [1, 0]), RefusedInputError, "row 2"),
        (([1, -1], [1, 0]), RefusedInputError, "negative in row 2"),
        (([1, 2], [1, -1]), RefusedInputError, "status is negative in row 2"),
        (([1, 2], [0.5, 0]), RefusedInputError, "whole number in row 1"),
        (([1, 2], pd.array([1, None], dtype="Int64")), RefusedInputError, "missing"),
        (([1, 2], [1, 0], [1, 0]), RefusedInputError, "entry is not before .* row 1"),
        (([1, 2], [1, 0], [0, np.nan]), RefusedInputError, "entry is missing"),
        (([1, 2], [1, 0], None, [1, 0], "frequency"), RefusedInputError, "weight .* row 2"),
        (([1, 2], [1, 0], None, [1, 1.5], "frequency"), RefusedInputError, "weight is not whole"),
        (([1, 2e303], [1, 0]), RefusedInputError, "2e.303 is too long"),
        (
            ([1, 2], [1, 0], None, [1, 2e100], "probability"),
            RefusedInputError,
            "too large .* row 2",
        ),
        (([1, 2], [1, 0], None, [1e-101, 1], "probability"), RefusedInputError, "small in row 1"),
        (([1, 2], [1, 0], None, [2**53, 2], "frequency"), RefusedInputError, "too large in row 2"),
        (([1, 2], [1, 0], None, [1, 1], None), ValueError, "kind"),
        (([1, 2], [1, 0], None, [1, 1], "sampling"), ValueError, "sampling"),
        (([1, 2], [1, 0, 0]), ValueError, r"\(3,\)"),
        (([[1, 2]], [1, 0]), ValueError, "shape"),
        ((pd.to_timedelta([1, 2], unit="D"), [1, 0]), ValueError, "timedelta"),
        ((["1", "2"], [1, 0]), ValueError, "numbers"),
    ],
)
def test_columns_that_cannot_be_used(
    columns: tuple[Any, ...], error: type[Exception], said: str
) -> None:
    with pytest.raises(error, match=said):
        RightCensored.of(*columns)


def test_times_equal_up_to_rounding_are_one_time() -> None:
    # 0.1 + 0.2 and 0.3, and days / 365.25: R merges them (timefix), no Python library does
    noisy = RightCensored.of([0.3, 0.1 + 0.2, 0.3, 1.1, 1.1 + 2**-52, 2], [1, 1, 0, 1, 1, 0])
    curve = kaplan_meier(noisy).curve
    assert curve.events.tolist() == [0, 2, 2]
    assert curve.estimate.tolist() == pytest.approx([1, 4 / 6, 2 / 9])
    assert kaplan_meier(noisy).at(0.1 + 0.2).estimate[0] == pytest.approx(4 / 6)
    distinct = np.array([0.0, 1e-3, 2e-3])
    assert merge_rounded_times(distinct)[0] is distinct


def test_groups_are_named_by_their_text_in_the_order_of_their_values() -> None:
    assert as_groups(pd.Series([3, 1, 20]), 3)[0] == ("1", "3", "20")
    assert as_groups(np.array(["b", None], dtype=object), 2)[0] == ("None", "b")
    with pytest.raises(ValueError, match=r"\(2,\)"):
        as_groups(["a"], 2)


def test_a_landmark_keeps_those_still_free_and_restarts_the_clock() -> None:
    observed = RightCensored.of([1, 2, 3, 5], [1, 0, 1, 0], [0, 0, 0, 2.5])
    later, kept = observed.after_landmark(2)
    assert kept.tolist() == [False, False, True, True]
    assert later.time.tolist() == [1, 3]
    assert later.entry is not None
    assert later.entry.tolist() == [-1, 0.5]
    with pytest.raises(RefusedEstimateError, match="nobody"):
        observed.after_landmark(5)
    with pytest.raises(ValueError, match="-1"):
        observed.after_landmark(-1)


# --- curves ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("interval", INTERVALS)
@pytest.mark.parametrize(
    ("time", "status"),
    [
        ([3], [0]),
        ([3], [1]),
        ([0], [0]),
        ([0], [1]),
        ([0, 0, 0], [1, 0, 1]),
        ([4, 4, 4, 4], [1, 1, 1, 1]),
        ([1, 2, 3], [0, 0, 0]),
        ([1, 1, 2, 2], [1, 2, 0, 1]),
        ([2, 2, 2], [2, 2, 3]),
    ],
)
def test_awkward_samples_give_sensible_curves(
    time: list[int], status: list[int], interval: str
) -> None:
    observed = RightCensored.of(time, status)
    curve = kaplan_meier(observed, interval=interval)
    assert curve.n == len(time)
    assert curve.events == status.count(1)
    assert curve.curve.estimate[0] == 1
    at = curve.at([0, max(time), max(time) + 1])
    assert at.at_risk[2] == 0
    assert np.isnan([at.estimate[2], at.se[2], at.lower[2], at.upper[2]]).all()
    if interval.startswith("beta"):
        assert not np.isnan([*at.lower[:2], *at.upper[:2]]).any()
    both = aalen_johansen(observed, interval=interval)
    total = both.event_free[-1] + sum(cause.curve.estimate[-1] for cause in both.causes)
    assert total == pytest.approx(1)


def test_limits_at_one_and_at_zero_follow_r() -> None:
    # R: log-log NA at 1 and 0; lifelines, scikit-survival and greenwood say [1, 1], a false
    # certainty
    curve = kaplan_meier(RightCensored.of([1, 2, 3, 4], [0, 1, 1, 1])).curve
    assert np.isnan([curve.lower[0], curve.upper[0], curve.lower[-1], curve.upper[-1]]).all()
    assert np.isnan(curve.se[-1])
    plain = transform_limits(np.array([1.0]), np.array([0.0]), "plain", 0.95)
    assert (plain[0][0], plain[1][0]) == (1, 1)


def test_an_event_at_time_zero_counts() -> None:
    # lifelines' Aalen-Johansen misses it
    both = aalen_johansen(RightCensored.of([0, 0, 1, 2], [1, 2, 0, 0]))
    assert both.cause(1).at(0).estimate[0] == 0.25
    curve = both.cause(1).curve
    assert curve.time.tolist() == [0, 0]
    assert curve.at_risk.tolist() == [4, 4]
    assert curve.censored.tolist() == [0, 2]


def test_median_conventions() -> None:
    # R takes the midpoint of an exact flat step (lifelines its left end, statsmodels its right)
    curve = kaplan_meier(RightCensored.of([10, 24, 25, 40], [1, 1, 1, 1]))
    assert curve.median().value == 24.5
    # flat at one half to the end: midpoint with the last time, as R
    flat = kaplan_meier(RightCensored.of([1, 2, 3, 9], [1, 1, 0, 0]))
    assert flat.median().value == 5.5
    # the curve ends at 0: the upper limit is not reached (R), it is not the last time
    assert np.isnan(curve.median().upper)
    assert np.isnan(kaplan_meier(RightCensored.of([1, 2], [0, 0])).median().value)
    with pytest.raises(ValueError, match=r"1\.5"):
        curve.quantile(1.5)


def test_beta_product_limits_widen_as_people_leave() -> None:
    observed = RightCensored.of([1, *range(2, 40)], [1] + [0] * 38)
    curve = kaplan_meier(observed, interval="beta-product")
    lower = curve.at([1, 10, 30, 39]).lower
    assert (np.diff(lower) < 0).all()
    assert lower[-1] == 0
    assert (curve.at([1, 10, 30, 39]).upper == curve.at(1).upper).all()


def test_restricted_mean_beyond_follow_up_is_refused() -> None:
    # R and all libraries extend the curve flat without a word
    curve = kaplan_meier(RightCensored.of([1, 2, 3], [1, 0, 0]))
    with pytest.raises(RefusedEstimateError, match="ends at 3"):
        curve.restricted_mean(3.5)
    with pytest.raises(ValueError, match="-1"):
        curve.restricted_mean(-1)
    by_hand = 1 + 2 * 2 / 3  # 1 for a year, 2/3 for two
    assert curve.restricted_mean(3).value == pytest.approx(by_hand)


def test_a_time_that_is_there_is_not_moved_onto_an_earlier_one() -> None:
    # too far apart to be one time (√ε of their mean, 6.7e299), near for either of them
    curve = kaplan_meier(RightCensored.of([1.0, 1e300, 1.00000001e300], [0, 0, 1]))
    assert curve.at([1e300, 1.00000001e300]).estimate.tolist() == [1, 0]


def test_times_asked_for_are_the_same_up_to_rounding() -> None:
    curve = kaplan_meier(RightCensored.of([0.1, 0.2, 0.3, 0.3], [1, 1, 1, 0]))
    beyond, before = 0.1 + 0.2, np.nextafter(0.3, 0)
    assert curve.last_time < beyond
    assert curve.restricted_mean(beyond) == curve.restricted_mean(0.3)
    assert curve.conditional(0.3, before).estimate[0] == 1


def test_the_size_of_the_unit_takes_no_standard_error_away() -> None:
    in_years = kaplan_meier(RightCensored.of([1, 2, 3], [1, 0, 0])).restricted_mean(3)
    huge = kaplan_meier(RightCensored.of([1e300, 2e300, 3e300], [1, 0, 0])).restricted_mean(3e300)
    assert huge.se == pytest.approx(in_years.se * 1e300, rel=1e-12)
    assert huge.upper == pytest.approx(in_years.upper * 1e300, rel=1e-12)


def test_an_emptied_early_risk_set_is_refused_not_carried_as_zero() -> None:
    # lifelines raises, others return zeros for ever
    entry, end = [0, 2, 3, 3, 4, 5, 6], [1, 5, 7, 8, 6, 9, 10]
    observed = RightCensored.of(end, [1, 1, 1, 0, 1, 1, 0], entry)
    for estimate in (kaplan_meier, aalen_johansen):
        with pytest.raises(RefusedEstimateError, match="everyone at risk then had the event"):
            estimate(observed)
    gap = RightCensored.of([2, 3, 9, 8], [1, 0, 1, 0], [0, 0, 5, 5])
    with pytest.raises(RefusedEstimateError, match="nobody was at risk after it"):
        kaplan_meier(gap)


def test_a_risk_set_that_fails_whole_while_others_enter_is_refused() -> None:
    # R's survfit gives 0 from time 2 on, with two people at risk at 5
    observed = RightCensored.of([2, 5, 6], [1, 1, 0], [0, 2, 2])
    for estimate in (kaplan_meier, aalen_johansen):
        with pytest.raises(
            RefusedEstimateError, match=r"after time 2 .* while 2 enter at or after"
        ):
            estimate(observed)


def test_entry_at_t_is_not_at_risk_at_t() -> None:
    # statsmodels counts it
    observed = RightCensored.of([2, 3, 4, 6], [0, 1, 1, 0], [0, 0, 3, 0])
    assert kaplan_meier(observed).curve.at_risk.tolist() == [3, 2, 2]


def test_a_negative_entry_is_there_from_time_zero() -> None:
    observed = RightCensored.of([0, 2, 3], [1, 1, 0], [-1, -1, 1])
    curve = kaplan_meier(observed).curve
    assert curve.at_risk.tolist() == [2, 2, 2]
    assert curve.events.tolist() == [0, 1, 1]


def test_probability_weights_and_the_beta_product_do_not_go_together() -> None:
    observed = RightCensored.of([1, 2], [1, 0], None, [1.5, 2], "probability")
    for estimate in (kaplan_meier, aalen_johansen):
        with pytest.raises(RefusedEstimateError, match="not defined for probability weights"):
            estimate(observed, interval="beta-product")
    assert kaplan_meier(observed).effective_n == pytest.approx(3.5**2 / (1.5**2 + 4))
    assert kaplan_meier(observed).curve.at_risk.tolist() == [2, 2]
    for refused in (
        lambda: kaplan_meier(observed).restricted_mean(1.5),
        lambda: kaplan_meier(observed).conditional(1.5, 0.5),
        lambda: log_rank(observed, ["a", "b"]),
    ):
        with pytest.raises(RefusedEstimateError, match="probability weights"):
            refused()


@pytest.mark.parametrize(
    ("level", "hint"), [(95, r"0\.95"), (0.05, r"0\.95"), (1.0, "below 1"), (0, "at least")]
)
def test_levels_that_are_not_levels(level: float, hint: str) -> None:
    with pytest.raises(ValueError, match=hint):
        kaplan_meier(RightCensored.of([1], [1]), level=level)
    with pytest.raises(ValueError, match="arcsine"):
        kaplan_meier(RightCensored.of([1], [1]), interval="arcsine")


def test_conditional_survival_needs_someone_left() -> None:
    curve = kaplan_meier(RightCensored.of([1, 2, 3], [1, 1, 1]))
    with pytest.raises(RefusedEstimateError, match="Nobody is known to be free"):
        curve.conditional(4, given=3)
    assert np.isnan(curve.conditional([1, 2.5], given=2).estimate).tolist() == [True, False]


def test_differences_of_two_groups() -> None:
    rng = np.random.default_rng(1)
    time, group = np.ceil(rng.exponential(30, 200)), np.repeat(["a", "b"], 100)
    by = kaplan_meier_by(RightCensored.of(time, np.ones(200, int)), group, interval="plain")
    one, two = by["a"].at(20), by["b"].at(20)
    found = survival_difference(by["a"], by["b"], 20)
    wald = 1.959963984540054 * np.hypot(one.se[0], two.se[0])
    assert found.value == one.estimate[0] - two.estimate[0]
    assert found.upper - found.value == pytest.approx(wald)
    mean = restricted_mean_difference(by["a"], by["b"], 20)
    assert mean.se == pytest.approx(
        np.hypot(by["a"].restricted_mean(20).se, by["b"].restricted_mean(20).se)
    )
    assert 0 < mean.p < 1


def test_difference_at_zero_events_has_real_limits() -> None:
    # Newcombe 1998, method 10, with exact limits: hand-combined
    none = kaplan_meier(RightCensored.of([5] * 20, [0] * 20), interval="beta-product")
    found = survival_difference(none, none, 4)
    low = 1 - 0.025 ** (1 / 20)
    assert (found.lower, found.upper) == pytest.approx((-low, low))
    assert np.isnan(found.p)
    assert combine_limits((0.5, 0.4, 0.6), (0.5, 0.4, 0.6)) == pytest.approx(
        (-np.hypot(0.1, 0.1), np.hypot(0.1, 0.1))
    )


def test_a_cause_nobody_has_can_be_asked_for() -> None:
    both = aalen_johansen(RightCensored.of([1, 2, 3], [2, 0, 0]), causes=(1, 2, 3))
    assert [cause.events for cause in both.causes] == [0, 1, 0]
    with pytest.raises(ValueError, match="4"):
        both.cause(4)


def test_a_competing_cause_without_censoring_keeps_the_counted_denominator() -> None:
    # one death of twenty, no failure yet: as many are known not to have failed as were there, and
    # the upper limit is Clopper-Pearson's for 0 of 20
    observed = RightCensored.of([1, *[9] * 19], [2, *[0] * 19])
    at = aalen_johansen(observed, interval="beta-product").cause(1).at(5)
    assert at.upper[0] == pytest.approx(1 - 0.025 ** (1 / 20), rel=1e-9)


# --- several clocks -------------------------------------------------------------------------------


def death_on_two_clocks(n: int) -> tuple[list[Clock], np.ndarray]:
    """Death at a constant hazard; failure at another; visits end early for the living."""
    rng = np.random.default_rng(20)
    failure, death = rng.exponential(30, n), rng.exponential(20, n)
    visits, vital = rng.uniform(1, 9, n), rng.uniform(10, 16, n)
    seen = np.minimum(visits, death)
    failed = failure <= seen
    known = np.minimum(np.where(failed, failure, vital), vital)
    died = (death <= known) & ~failed
    clocks = [
        Clock(1, np.where(failed, failure, seen), failed.astype(int)),
        Clock(2, np.where(died, death, known), died.astype(int)),
    ]
    return clocks, np.where(failed, 1, np.where(death <= vital, 2, 0))


def test_own_clocks_recover_the_truth_that_one_clock_misses() -> None:
    # truth by the closed form of two exponentials: F2(t) = (1/20)/(1/20 + 1/30) (1 − e^(−t/12))
    clocks, status = death_on_two_clocks(20_000)
    truth = 0.6 * (1 - np.exp(-8 / 12))
    own = aalen_johansen_own_clocks(clocks, rng=np.random.default_rng(1), replicates=50)
    at = own.cause(2).at(8)
    assert abs(at.estimate[0] - truth) < 4 * at.se[0]
    mixed = np.where(
        status == 1, clocks[0].time, np.where(status == 2, clocks[1].time, clocks[0].time)
    )
    wrong = aalen_johansen(RightCensored.of(mixed, status)).cause(2).at(8)
    assert wrong.estimate[0] > truth + 0.05
    assert at.lower[0] < truth < at.upper[0]
    assert own.last_time == clocks[0].time.max()
    assert np.isnan(own.cause(2).at(9.5).estimate[0])


def test_own_clocks_bootstrap_draws_patients() -> None:
    clocks, _ = death_on_two_clocks(150)
    twice = [Clock(one.cause, np.repeat(one.time, 2), np.repeat(one.status, 2)) for one in clocks]
    patient = np.repeat(np.arange(150), 2)

    def error(these: list[Clock], cluster: Any) -> float:
        found = aalen_johansen_own_clocks(
            these, cluster=cluster, rng=np.random.default_rng(5), replicates=400
        )
        return float(found.cause(2).at(6).se[0])

    assert error(twice, patient) == pytest.approx(error(clocks, None), rel=1e-9)
    assert error(twice, None) == pytest.approx(error(clocks, None) / np.sqrt(2), rel=0.15)


def test_own_clocks_zero_events_and_misuse() -> None:
    none = [
        Clock(1, np.full(20, 5), np.zeros(20, int)),
        Clock(2, np.full(20, 6), np.zeros(20, int)),
    ]
    found = aalen_johansen_own_clocks(
        none, interval="bootstrap", rng=np.random.default_rng(1), replicates=10
    )
    at = found.cause(1).at(4)
    assert (at.estimate[0], at.lower[0]) == (0, 0)
    assert at.upper[0] == pytest.approx(1 - 0.025 ** (1 / 20))
    with pytest.raises(ValueError, match="generator"):
        aalen_johansen_own_clocks(none, interval="bootstrap")
    with pytest.raises(ValueError, match=r"\[1, 1\]"):
        aalen_johansen_own_clocks([none[0], none[0]], interval="beta-product")
    with pytest.raises(ValueError, match="log-log"):
        aalen_johansen_own_clocks(none, interval="log-log")
    with pytest.raises(ValueError, match="0 or 1"):
        aalen_johansen_own_clocks([Clock(1, np.array([1]), np.array([2]))], interval="beta-product")


# --- resampling -----------------------------------------------------------------------------------


def test_weights_draw_as_many_patients_as_there_are() -> None:
    drawn = np.concatenate(list(draw_weights(7, 90_000, np.random.default_rng(3))))
    assert drawn.shape == (90_000, 7)
    assert (drawn.sum(axis=1) == 7).all()
    # multinomial: variance of a count 7·(1/7)·(6/7)
    assert drawn[:, 2].var() == pytest.approx(6 / 7, rel=0.02)


def test_replicates_equal_curves_of_the_drawn_rows() -> None:
    rng = np.random.default_rng(8)
    time, status = rng.integers(0, 9, 60), rng.integers(0, 2, 60)
    observed = RightCensored.of(time, status)
    drawn = next(iter(draw_weights(60, 5, np.random.default_rng(4))))
    found = resampled_survival(observed, [2, 8], replicates=5, rng=np.random.default_rng(4))
    order = np.argsort(time, kind="stable")
    for weight, curve in zip(drawn, found, strict=True):
        rows = np.repeat(order, weight.astype(int))
        expected = kaplan_meier(RightCensored.of(time[rows], status[rows])).curve
        place = np.searchsorted(expected.time, [2, 8], side="right") - 1
        np.testing.assert_allclose(curve, expected.estimate[place], rtol=1e-12)


def test_replicates_spread_like_greenwood() -> None:
    rng = np.random.default_rng(9)
    time = rng.exponential(10, 400)
    observed = RightCensored.of(np.minimum(time, 12), time <= 12)
    found = resampled_survival(observed, 5, replicates=4000, rng=rng)
    assert found.std() == pytest.approx(kaplan_meier(observed).at(5).se[0], rel=0.06)
    with pytest.raises(ValueError, match="weights"):
        resampled_survival(
            RightCensored.of([1], [1], None, [2], "frequency"), 1, replicates=2, rng=rng
        )


# --- group tests ----------------------------------------------------------------------------------


def test_tests_that_cannot_be_made() -> None:
    observed = RightCensored.of([1, 2, 3, 4], [0, 0, 0, 0])
    with pytest.raises(RefusedEstimateError, match="No test"):
        log_rank(observed, ["a", "a", "b", "b"])
    with pytest.raises(RefusedEstimateError, match="No test"):
        trend(observed, ["a", "a", "b", "b"])
    with pytest.raises(RefusedEstimateError, match="two groups"):
        log_rank(observed, ["a"] * 4)
    with pytest.raises(RefusedEstimateError, match="cause 1"):
        gray(observed, ["a", "a", "b", "b"])
    late = RightCensored.of([1, 2], [1, 0], [0, 1])
    with pytest.raises(RefusedEstimateError, match="delayed entry"):
        gray(late, ["a", "b"])
    events = RightCensored.of([1, 2, 3, 4], [1, 1, 1, 0])
    with pytest.raises(ValueError, match="scores"):
        trend(events, ["a", "a", "b", "b"], scores=[1, 1])
    with pytest.raises(ValueError, match="expected > 0"):
        one_sample_log_rank(3, 0)


@pytest.mark.parametrize(
    ("time", "status", "group"),
    [
        # cmprsk 2.2-11: "NA/NaN/Inf in foreign function call"
        ([0, 0, 0, 2, 0, 1], [1, 1, 0, 1, 1, 1], "bbaaba"),
        # cmprsk 2.2-11: statistic -0.884, p 1
        ([0, 0, 0, 1, 1, 1], [0, 0, 2, 1, 1, 1], "aaaabb"),
    ],
)
def test_gray_without_a_variance_is_refused(time: list[int], status: list[int], group: str) -> None:
    with pytest.raises(RefusedEstimateError, match="variance of Gray's score does not exist"):
        gray(RightCensored.of(time, status), list(group))


def test_trend_uses_the_whole_variance_not_its_diagonal() -> None:
    # greenwood's uses the diagonal only; with two groups trend is the log-rank test
    rng = np.random.default_rng(2)
    observed = RightCensored.of(rng.integers(1, 20, 90), rng.integers(0, 2, 90))
    two, three = np.arange(90) % 2, np.arange(90) % 3
    assert trend(observed, two).statistic == pytest.approx(log_rank(observed, two).statistic)
    shifted = trend(observed, three, scores=[11, 12, 13]).statistic
    assert trend(observed, three).statistic == pytest.approx(shifted)
    assert trend(observed, three, scores=[1, 2, 4]).statistic != pytest.approx(shifted)


def test_a_group_without_anyone_at_risk_drops_out() -> None:
    observed = RightCensored.of([0, 0, 1, 2, 3, 4], [0, 0, 1, 0, 1, 0])
    found = log_rank(observed, ["c", "c", "a", "b", "a", "b"])
    without = log_rank(observed.select(np.arange(2, 6)), ["a", "b", "a", "b"])
    assert (found.df, found.statistic) == (1, pytest.approx(without.statistic))


def test_log_rank_allows_for_delayed_entry() -> None:
    # At risk by hand: t=2: a {1,2}, b {3}; t=3: a {2}, b {3, 4 entered at 2.5}; t=4: b {4}
    observed = RightCensored.of([2, 3, 4, 5], [1, 1, 1, 0], [0, 0, 0, 2.5])
    found = log_rank(observed, ["a", "a", "b", "b"])
    assert found.expected == pytest.approx((2 / 3 + 1 / 3, 1 / 3 + 2 / 3 + 1))
    variance = 2 / 9 + 2 / 9
    assert found.statistic == pytest.approx((2 - 1) ** 2 / variance)


def test_reverse_curve_with_everyone_an_event() -> None:
    reverse = reverse_kaplan_meier(RightCensored.of([1, 2], [1, 2]))
    assert reverse.events == 0
    assert np.isnan(reverse.median().value)


def test_reverse_rows_are_the_same_where_everyone_enters_before_the_first_event() -> None:
    time, status = [1, 1, 2, 2, 3], [1, 0, 0, 2, 0]
    plain = reverse_kaplan_meier(RightCensored.of(time, status)).curve
    late = reverse_kaplan_meier(RightCensored.of(time, status, [0] * 5)).curve
    # by hand: the event at 1 is gone before the censoring at 1, that at 2 before the one at 2
    assert plain.at_risk.tolist() == late.at_risk.tolist() == [5, 4, 2, 1]
    assert plain.censored.tolist() == late.censored.tolist() == [1, 1, 0, 0]
