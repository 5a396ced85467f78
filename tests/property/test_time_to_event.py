"""What must hold for any times and statuses."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import beta, binomtest

from analysis.estimators.competing_risks import Clock, aalen_johansen, aalen_johansen_own_clocks
from analysis.estimators.group_tests import gray, log_rank
from analysis.estimators.intervals import limits_from_betas
from analysis.estimators.observations import RightCensored
from analysis.estimators.survival import kaplan_meier, reverse_kaplan_meier
from registry.errors import RefusedEstimateError

many = settings(max_examples=60, deadline=None)
INTERVALS = ("log-log", "log", "plain", "logit", "beta-product", "beta-product-mid-p")

whole_times = st.integers(min_value=0, max_value=12)
people = st.lists(st.tuples(whole_times, st.integers(0, 2)), min_size=1, max_size=40)


def observe(rows: list[tuple[int, int]]) -> RightCensored:
    return RightCensored.of([time for time, _ in rows], [status for _, status in rows])


def assert_same_curve(one: Any, two: Any, *, scale: float = 1.0, rtol: float = 1e-10) -> None:
    np.testing.assert_allclose(one.time * scale, two.time, rtol=1e-12)
    for name in ("at_risk", "events", "censored", "estimate", "se", "lower", "upper"):
        np.testing.assert_allclose(
            getattr(one, name), getattr(two, name), rtol=rtol, atol=1e-12, err_msg=name
        )


@many
@given(people, st.randoms(use_true_random=False), st.sampled_from(INTERVALS))
def test_the_order_of_rows_does_not_matter(rows: Any, random: Any, interval: str) -> None:
    mixed = list(rows)
    random.shuffle(mixed)
    one, two = observe(rows), observe(mixed)
    assert_same_curve(
        kaplan_meier(one, interval=interval).curve, kaplan_meier(two, interval=interval).curve
    )
    for cause in aalen_johansen(one, interval=interval).causes:
        other = aalen_johansen(two, interval=interval).cause(cause.cause)
        assert_same_curve(cause.curve, other.curve)


@many
@given(people, st.sampled_from([1 / 365.25, 12.0, 30.4375]))
def test_the_unit_of_time_does_not_matter(rows: Any, scale: float) -> None:
    one = observe(rows)
    two = RightCensored.of(one.time * scale, one.status)
    curve = kaplan_meier(one)
    assert_same_curve(curve.curve, kaplan_meier(two).curve, scale=scale)
    np.testing.assert_allclose(
        curve.median().value * scale, kaplan_meier(two).median().value, equal_nan=True
    )


@many
@given(people)
def test_a_row_split_by_delayed_entry_changes_nothing(rows: Any) -> None:
    whole = RightCensored.of(
        [time + 1 for time, _ in rows], [status for _, status in rows], [0] * len(rows)
    )
    cut = [(time + 1) / 2 for time, _ in rows]
    split = RightCensored.of(
        np.concatenate([cut, whole.time]),
        np.concatenate([[0] * len(rows), whole.status]),
        np.concatenate([[0] * len(rows), cut]),
    )
    one, two = kaplan_meier(whole).curve, kaplan_meier(split).curve
    for name in ("time", "at_risk", "events", "estimate", "se"):
        np.testing.assert_allclose(getattr(one, name), getattr(two, name), rtol=1e-12)
    both = aalen_johansen(split)
    for cause in aalen_johansen(whole).causes:
        estimate = both.cause(cause.cause).curve.estimate
        np.testing.assert_allclose(cause.curve.estimate, estimate, rtol=1e-12, atol=1e-15)


@many
@given(people, st.sampled_from(INTERVALS))
def test_a_person_censored_at_once_adds_only_to_the_count(rows: Any, interval: str) -> None:
    later = [(time + 1, status) for time, status in rows]
    one = kaplan_meier(observe(later), interval=interval)
    two = kaplan_meier(observe([*later, (0, 0)]), interval=interval)
    assert two.n == one.n + 1
    at = np.arange(1, 14)
    for name in ("at_risk", "estimate", "se", "lower", "upper"):
        np.testing.assert_array_equal(getattr(one.at(at), name), getattr(two.at(at), name))


@many
@given(
    st.lists(st.tuples(whole_times, st.integers(0, 2), st.integers(1, 4)), min_size=1, max_size=25)
)
def test_frequencies_are_repeated_rows(rows: Any) -> None:
    time, status, count = (np.array(column) for column in zip(*rows, strict=True))
    weighted = RightCensored.of(time, status, None, count, "frequency")
    repeated = RightCensored.of(np.repeat(time, count), np.repeat(status, count))
    for interval in ("log-log", "beta-product"):
        one = kaplan_meier(weighted, interval=interval)
        two = kaplan_meier(repeated, interval=interval)
        assert (one.n, one.events, one.person_time) == (two.n, two.events, two.person_time)
        assert_same_curve(one.curve, two.curve)
    for cause in aalen_johansen(weighted).causes:
        assert_same_curve(cause.curve, aalen_johansen(repeated).cause(cause.cause).curve)
    assert_same_curve(reverse_kaplan_meier(weighted).curve, reverse_kaplan_meier(repeated).curve)


@many
@given(people)
def test_equal_probability_weights_give_the_usual_errors(rows: Any) -> None:
    # the infinitesimal jackknife of Kaplan-Meier is Greenwood's formula, that of Aalen-Johansen the
    # multinomial delta method
    one = observe(rows)
    robust = RightCensored.of(one.time, one.status, None, np.full(one.n, 0.7), "probability")
    assert_same_curve(kaplan_meier(one).curve, kaplan_meier(robust).curve, rtol=1e-8)
    for cause in aalen_johansen(one).causes:
        other = aalen_johansen(robust).cause(cause.cause).curve
        np.testing.assert_allclose(cause.curve.se, other.se, rtol=1e-7, atol=1e-9)


@many
@given(st.lists(st.tuples(whole_times, st.integers(0, 3)), min_size=1, max_size=40))
def test_incidences_and_survival_add_up_to_one(rows: Any) -> None:
    one = observe(rows)
    both = aalen_johansen(one)
    total = both.event_free + sum(cause.curve.estimate for cause in both.causes)
    np.testing.assert_allclose(total, 1, rtol=1e-12)
    any_event = kaplan_meier(RightCensored.of(one.time, one.status > 0))
    np.testing.assert_allclose(both.event_free, any_event.curve.estimate, atol=1e-13)


@many
@given(people)
def test_every_person_is_counted_once(rows: Any) -> None:
    one = observe(rows)
    curve = kaplan_meier(one).curve
    assert curve.events.sum() + curve.censored.sum() == one.n
    left = curve.at_risk[:-1] - curve.events[:-1] - curve.censored[:-1]
    assert left.tolist() == curve.at_risk[1:].tolist()
    both = aalen_johansen(one)
    events = sum(cause.curve.events for cause in both.causes)
    rows_of = both.causes[0].curve
    assert (rows_of.at_risk[:-1] - events[:-1] - rows_of.censored[:-1]).tolist() == (
        rows_of.at_risk[1:].tolist()
    )


@many
@given(st.lists(st.tuples(whole_times, st.integers(1, 2)), min_size=1, max_size=40), whole_times)
def test_beta_product_is_clopper_pearson_without_censoring(rows: Any, when: int) -> None:
    one = observe(rows)
    assume(when <= one.time.max())
    failed = int(((one.time <= when) & (one.status == 1)).sum())
    cause = aalen_johansen(one, interval="beta-product").cause(1).at(when)
    exact = binomtest(failed, one.n).proportion_ci(method="exact")
    np.testing.assert_allclose(
        [cause.lower[0], cause.upper[0]], [exact.low, exact.high], rtol=1e-8, atol=1e-9
    )
    any_event = kaplan_meier(
        RightCensored.of(one.time, np.ones(one.n, int)), interval="beta-product"
    ).at(when)
    left = binomtest(int((one.time > when).sum()), one.n).proportion_ci(method="exact")
    np.testing.assert_allclose(
        [any_event.lower[0], any_event.upper[0]], [left.low, left.high], rtol=1e-8, atol=1e-9
    )


shapes = st.floats(0.05, 3000)


@many
@given(
    st.lists(st.tuples(shapes, shapes, st.floats(1, 1.5), st.floats(0.3, 1)), min_size=1),
    st.sampled_from([0.5, 0.9, 0.95, 0.999]),
)
def test_mid_p_limits_are_quantiles_of_the_even_mixture(rows: Any, level: float) -> None:
    # scipy.stats.beta: the mean of both distribution functions at a limit is the tail
    a, b, more, less = (np.array(column) for column in zip(*rows, strict=True))
    low, high = (a, b), (a * more, b * less)
    nobody_left = np.zeros(a.size, dtype=bool)
    lower, upper = limits_from_betas(low, high, nobody_left, level, mid_p=True)
    assert (lower <= upper).all()
    for limit, tail in ((lower, (1 - level) / 2), (upper, (1 + level) / 2)):
        inside = (limit > 1e-12) & (limit < 1 - 1e-12)
        # close to 1 neighbouring floats are further apart than 1e-8 of the tail
        before, reached, after = (
            (beta.cdf(near, *low) + beta.cdf(near, *high)) / 2
            for near in (np.nextafter(limit, 0), limit, np.nextafter(limit, 1))
        )
        is_held = (before <= tail) & (tail <= after) | (np.abs(reached - tail) <= 1e-8 * tail)
        assert is_held[inside].all()


@many
@given(people, whole_times)
def test_incidence_limits_are_survival_limits_without_competing_events(
    rows: Any, when: int
) -> None:
    one = observe(rows)
    single = RightCensored.of(one.time, one.status == 1)
    assume(when <= one.time.max())
    survival = kaplan_meier(single, interval="beta-product").at(when)
    incidence = aalen_johansen(single, interval="beta-product").cause(1).at(when)
    np.testing.assert_allclose(incidence.lower, 1 - survival.upper, rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose(incidence.upper, 1 - survival.lower, rtol=1e-7, atol=1e-9)


@many
@given(people, whole_times, st.sampled_from(INTERVALS))
def test_limits_enclose_the_estimate(rows: Any, when: int, interval: str) -> None:
    one = observe(rows)
    values = [kaplan_meier(one, interval=interval).at(when)]
    values += [cause.at(when) for cause in aalen_johansen(one, interval=interval).causes]
    for at in values:
        if not np.isnan(at.lower[0]):
            assert 0 <= at.lower[0] <= at.estimate[0] + 1e-12
            assert at.estimate[0] - 1e-12 <= at.upper[0] <= 1
        elif interval.startswith("beta"):
            assert when > one.time.max()


@many
@given(people)
def test_one_clock_for_every_cause_is_aalen_johansen(rows: Any) -> None:
    one = observe(rows)
    both = aalen_johansen(one, causes=(1, 2), interval="beta-product")
    clocks = [Clock(code, one.time, (one.status == code).astype(int)) for code in (1, 2)]
    own = aalen_johansen_own_clocks(clocks, interval="beta-product")
    for code in (1, 2):
        np.testing.assert_allclose(
            own.cause(code).curve.estimate, both.cause(code).curve.estimate, atol=1e-13
        )
        assert own.cause(code).curve.at_risk.tolist() == both.cause(code).curve.at_risk.tolist()


@many
@given(people)
def test_conditional_survival_is_that_of_those_left(rows: Any) -> None:
    one = observe(rows)
    start = 4
    left = one.time > start
    assume(left.any())
    curve = kaplan_meier(one)
    assume(curve.at(start).estimate[0] > 0)
    later = RightCensored.of(one.time[left], one.status[left])
    for interval in ("log-log", "beta-product"):
        whole = kaplan_meier(one, interval=interval).conditional(np.arange(5, 13), start)
        fresh = kaplan_meier(later, interval=interval).at(np.arange(5, 13))
        for name in ("at_risk", "estimate", "se", "lower", "upper"):
            np.testing.assert_allclose(
                getattr(whole, name), getattr(fresh, name), rtol=1e-7, atol=1e-9, err_msg=name
            )


@many
@given(people, st.data())
def test_tests_ignore_the_names_of_groups_and_the_order_of_rows(rows: Any, data: Any) -> None:
    one = observe(rows)
    group = np.array(data.draw(st.lists(st.sampled_from("abc"), min_size=one.n, max_size=one.n)))
    assume(len(set(group)) > 1)
    renamed = np.array([{"a": "z", "b": "m", "c": "k"}[name] for name in group])
    order = np.argsort(group, kind="stable")[::-1]
    for test in (log_rank, gray):
        try:
            found = test(one, group)
        except RefusedEstimateError:
            with pytest.raises(RefusedEstimateError):
                test(one, renamed)
            continue
        assert found.statistic >= -1e-12
        assert 0 <= found.p <= 1
        again = test(one, renamed)
        moved = test(one.select(order), group[order])
        for other in (again, moved):
            assert other.df == found.df
            assert other.statistic == pytest.approx(found.statistic, rel=1e-6, abs=1e-8)


@many
@given(people)
def test_two_equal_groups_do_not_differ(rows: Any) -> None:
    twice = observe([*rows, *rows])
    group = ["a"] * len(rows) + ["b"] * len(rows)
    for test in (log_rank, gray):
        try:
            statistic = test(twice, group).statistic
        except RefusedEstimateError:
            # no event, or nothing but one event time at which all at risk fail
            assert len(np.unique(twice.time[twice.status == 1])) <= 1
            continue
        assert statistic == pytest.approx(0, abs=1e-18)


@many
@given(
    st.lists(
        st.tuples(whole_times, st.integers(0, 2), st.sampled_from("ab")), min_size=6, max_size=40
    )
)
def test_tests_ignore_a_person_censored_at_once_and_a_split_row(rows: Any) -> None:
    time, status, group = (list(column) for column in zip(*rows, strict=True))
    later = [t + 1 for t in time]
    try:
        plain = log_rank(RightCensored.of(later, status), group).statistic
    except RefusedEstimateError:
        return
    more = log_rank(RightCensored.of([*later, 0], [*status, 0]), [*group, "a"])
    assert more.statistic == pytest.approx(plain, rel=1e-9, abs=1e-12)
    cut = [t / 2 for t in later]
    split = RightCensored.of([*cut, *later], [0] * len(rows) + status, [0] * len(rows) + cut)
    found = log_rank(split, [*group, *group]).statistic
    assert found == pytest.approx(plain, rel=1e-9, abs=1e-12)
