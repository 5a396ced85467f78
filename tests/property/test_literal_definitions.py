"""Right-censored estimates against their definitions, read literally, person by person.

Nothing here is sorted once, looked up or accumulated; the arithmetic is that of exact fractions.
The definitions are those of Kaplan & Meier (1958), Greenwood (1926), Aalen & Johansen (1978) with
the variance of Marubini & Valsecchi (1995, section 10.3), Mantel (1966), Schemper & Smith (1996),
Klein & Moeschberger (2003, section 4.5) and Fay, Brittain & Proschan (2013, section 3).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import beta

from analysis.estimators.competing_risks import aalen_johansen
from analysis.estimators.group_tests import log_rank
from analysis.estimators.observations import RightCensored
from analysis.estimators.survival import kaplan_meier, reverse_kaplan_meier
from registry.errors import RefusedEstimateError

many = settings(max_examples=60, deadline=None)


@dataclass(frozen=True)
class Person:
    time: float
    status: int
    entry: float = -math.inf


People = list[Person]

TIMES = [
    st.integers(0, 6).map(float),
    st.integers(0, 3000).map(float),
    st.integers(0, 40).map(lambda tenths: tenths * 0.1),
    st.integers(0, 40).map(lambda days: days / 365.25),
    st.tuples(st.integers(0, 9), st.integers(0, 3)).map(lambda both: both[0] + both[1] * 1e-8),
    st.sampled_from([0.0, -0.0, 5e-324, 1e-310, 1e-9, 1.0, 1.0 + 2e-8]),
    st.sampled_from([1.0, 1e299, 1e300, 1.00000001e300, 1.0000000001e300]),
]
CODES = [[0], [1], [0, 1], [0, 1, 2], [0, 2], [0, 3, 7], [0, 1, 2, 3, 4, 5]]


@st.composite
def some_people(draw: Any) -> People:
    """Some with ties, times a rounding apart, far too small or too great, one event or none."""
    row = st.tuples(draw(st.sampled_from(TIMES)), st.sampled_from(draw(st.sampled_from(CODES))))
    return with_times_merged([Person(*one) for one in draw(st.lists(row, min_size=1, max_size=30))])


def with_times_merged(people: People) -> People:
    """R's timefix as documented: neighbours nearer than √ε (of the mean, from 1) are one time."""
    distinct = sorted({one.time + 0.0 for one in people})
    near = 2.0**-26 * max(1.0, sum(distinct) / len(distinct))
    stands_for = {distinct[0]: distinct[0]}
    for before, after in pairwise(distinct):
        stands_for[after] = stands_for[before] if after - before <= near else after
    return [Person(stands_for[one.time], one.status, one.entry) for one in people]


@st.composite
def people_who_enter_late(draw: Any) -> People:
    row = st.tuples(st.integers(1, 12), st.integers(0, 2), st.integers(-1, 6))
    rows = draw(st.lists(row, min_size=1, max_size=25))
    return [Person(float(max(t, e + 1)), code, float(e)) for t, code, e in rows]


def observe(people: People) -> RightCensored:
    entry = [one.entry for one in people]
    is_late = math.isfinite(entry[0])
    time, status = [one.time for one in people], [one.status for one in people]
    return RightCensored.of(time, status, entry if is_late else None)


def at_risk(people: People, t: float) -> int:
    return sum(one.entry < t <= one.time for one in people)


def events_at(people: People, t: float, codes: set[int]) -> int:
    return sum(one.time == t and one.status in codes for one in people)


def event_times(people: People, codes: set[int]) -> list[float]:
    return sorted({one.time for one in people if one.status in codes})


Counts = list[tuple[float, int, int]]
"""Time, at risk and events at each event time."""


def counts(people: People, codes: set[int]) -> Counts:
    times = event_times(people, codes)
    return [(t, at_risk(people, t), events_at(people, t, codes)) for t in times]


def followed(people: People) -> Counts:
    """Censorings for events: who has an event at that time is no longer at risk of censoring."""
    causes = {one.status for one in people} - {0}
    return [(t, y - events_at(people, t, causes), c) for t, y, c in counts(people, {0})]


def survival(rows: Counts, t: float) -> Fraction:
    return math.prod((1 - Fraction(d, y) for time, y, d in rows if time <= t), start=Fraction(1))


def greenwood(rows: Counts, t: float) -> Fraction:
    """S² Σ d/(Y(Y − d))."""
    terms = (Fraction(d, y * (y - d)) for time, y, d in rows if time <= t)
    return survival(rows, t) ** 2 * sum(terms, Fraction(0))


def incidence(people: People, cause: int, t: float) -> tuple[Fraction, Fraction]:
    """F and its variance, as sums over the times of any event up to t."""
    rows = [row for row in counts(people, {*range(1, 9)}) if row[0] <= t]
    free = [survival(rows[:j], math.inf) for j in range(len(rows))]  # just before each
    own = [events_at(people, time, {cause}) for time, _, _ in rows]
    step = [s * Fraction(k, y) for s, k, (_, y, _) in zip(free, own, rows, strict=True)]
    total, variance = sum(step, Fraction(0)), Fraction(0)
    for j, (_, y, d) in enumerate(rows):
        to_come = sum(step[j + 1 :], Fraction(0))
        if y > d:
            variance += to_come**2 * Fraction(d, y * (y - d))
        variance += step[j] * (free[j] - step[j]) / y - 2 * to_come * step[j] / y
    return total, variance


def beta_product(rows: Counts, t: float, still_at_risk: int) -> list[float]:
    """95 % limits: quantiles of beta variables with the moments of the products W⁻ and W⁺."""
    factors = [(Fraction(y - d + 1), Fraction(d)) for time, y, d in rows if time <= t]
    high = quantile_of_product(factors, 0.975)
    if still_at_risk == 0:
        return [0.0, high]
    return [quantile_of_product([*factors, (Fraction(still_at_risk), Fraction(1))], 0.025), high]


def quantile_of_product(factors: list[tuple[Fraction, Fraction]], p: float) -> float:
    if not factors:
        return 1.0
    mean = math.prod(a / (a + b) for a, b in factors)
    square = math.prod(a * (a + 1) / ((a + b) * (a + b + 1)) for a, b in factors)
    size = (mean - square) / (square - mean**2)
    return float(beta.ppf(p, float(mean * size), float((1 - mean) * size)))


def quantile(rows: Counts, p: Fraction, last_time: float) -> float:
    """The first time at which 1 − S is p, with a stretch on which it is p halved."""
    for t, _, _ in rows:
        if 1 - survival(rows, t) > p:
            return t
        if 1 - survival(rows, t) == p:
            later = [row[0] for row in rows if 1 - survival(rows, row[0]) > p]
            return (t + (later or [last_time])[0]) / 2
    return math.nan


def restricted_mean(rows: Counts, until: float) -> tuple[Fraction, Fraction]:
    """The area under the curve and its variance Σ A(t)² d/(Y(Y − d))."""

    def area(start: float) -> Fraction:
        times = [start, *(t for t, _, _ in rows if start < t < until), until]
        pieces = (survival(rows, a) * (Fraction(b) - Fraction(a)) for a, b in pairwise(times))
        return sum(pieces, Fraction(0))

    within = [row for row in rows if row[0] < until and row[1] > row[2]]
    return area(0.0), sum(
        (area(t) ** 2 * Fraction(d, y * (y - d)) for t, y, d in within), Fraction(0)
    )


def assert_near(found: Any, exact: list[Any], rtol: float = 1e-9, atol: float = 1e-13) -> None:
    wanted = [float(one) for one in exact]
    np.testing.assert_allclose(np.asarray(found, float), wanted, rtol=rtol, atol=atol)


def assert_curve(curve: Any, people: People, rows: Counts, left: Callable[[Person], bool]) -> None:
    """The rows of a curve; ``left`` is who leaves in [row, next row) without an event of it."""
    times = [0.0, *(t for t, _, _ in rows)]
    assert curve.time.tolist() == times
    there = sum(one.entry <= 0 for one in people)
    assert curve.at_risk.tolist() == [there, *(y for _, y, _ in rows)]
    stretches = list(pairwise([-math.inf, *times[1:], math.inf]))
    gone = [sum(left(one) and a <= one.time < b for one in people) for a, b in stretches]
    assert curve.censored.tolist() == gone


def assert_kaplan_meier(km: Any, people: People, rows: Counts) -> None:
    assert km.curve.events.tolist() == [0, *(d for _, _, d in rows)]
    assert_near(km.curve.estimate, [1, *(survival(rows, t) for t, _, _ in rows)])
    for t, se in zip(km.curve.time[1:], km.curve.se[1:], strict=True):
        if survival(rows, t) > 0:
            assert se == pytest.approx(math.sqrt(greenwood(rows, t)), rel=1e-9)
        else:
            assert math.isnan(se)
    for p in (0.25, 0.5, 0.75):
        expected = quantile(rows, Fraction(p), max(one.time for one in people))
        assert km.quantile(p).value == pytest.approx(expected, rel=1e-12, nan_ok=True)


@many
@given(st.one_of(some_people(), people_who_enter_late()))
def test_kaplan_meier_is_its_definition(people: People) -> None:
    rows = counts(people, {1})
    try:
        km = kaplan_meier(observe(people))
    except RefusedEstimateError:  # nobody at risk for a while: see test_time_to_event.py
        assert math.isfinite(people[0].entry)
        return
    assert_curve(km.curve, people, rows, lambda one: one.status != 1)
    assert_kaplan_meier(km, people, rows)
    spent = sum(Fraction(one.time) - Fraction(max(one.entry, 0.0)) for one in people)
    assert km.person_time == pytest.approx(float(spent), rel=1e-12)


@many
@given(st.one_of(some_people(), people_who_enter_late()))
def test_reverse_kaplan_meier_is_its_definition(people: People) -> None:
    rows = followed(people)
    try:
        km = reverse_kaplan_meier(observe(people))
    except RefusedEstimateError:
        assert math.isfinite(people[0].entry)
        return
    before = [replace(one, time=math.nextafter(one.time, -1)) for one in people]
    gone_before = [two if one.status else one for one, two in zip(people, before, strict=True)]
    assert_curve(km.curve, gone_before, rows, lambda one: one.status != 0)
    assert_kaplan_meier(km, people, rows)


@many
@given(some_people())
def test_incidences_are_their_definition(people: People) -> None:
    found = aalen_johansen(observe(people))
    causes = sorted({1, *(one.status for one in people)} - {0})
    rows = counts(people, set(causes))
    assert [one.cause for one in found.causes] == causes
    assert_near(found.event_free, [1, *(survival(rows, t) for t, _, _ in rows)])
    for cause in causes:
        curve = found.cause(cause).curve
        assert_curve(curve, people, rows, lambda one: one.status == 0)
        own = [events_at(people, t, {cause}) for t, _, _ in rows]
        assert curve.events.tolist() == [0, *own]
        exact = [incidence(people, cause, t) for t, _, _ in rows]
        assert_near(curve.estimate[1:], [value for value, _ in exact])
        assert_near(curve.se[1:], [math.sqrt(variance) for _, variance in exact], atol=1e-7)
        at = found.cause(cause).at(curve.time[1:])
        assert_near(at.estimate, [value for value, _ in exact])


@many
@given(some_people(), st.randoms(use_true_random=False))
def test_beta_product_limits_are_quantiles_of_the_products(people: People, random: Any) -> None:
    rows = counts(people, {1})
    times = sorted({one.time for one in people})
    asked = random.sample(times, min(len(times), 4))
    at = kaplan_meier(observe(people), interval="beta-product").at(asked)
    exact = [beta_product(rows, t, sum(one.time > t for one in people)) for t in asked]
    assert_near(at.lower, [low for low, _ in exact], rtol=1e-7)
    assert_near(at.upper, [high for _, high in exact], rtol=1e-7)


@many
@given(some_people(), st.randoms(use_true_random=False))
def test_means_and_conditional_survival_are_their_definition(people: People, random: Any) -> None:
    km, rows = kaplan_meier(observe(people)), counts(people, {1})
    until = random.choice([one.time for one in people])
    assume(until > 1e-300)
    area, variance = restricted_mean(rows, until)
    found = km.restricted_mean(until)
    assert found.value == pytest.approx(float(area), rel=1e-9)
    assert found.se / until == pytest.approx(
        math.sqrt(variance / Fraction(until) ** 2), rel=1e-9, abs=1e-12
    )
    given_time = random.choice([one.time for one in people])
    # literally: the curve of those still at risk, who enter then
    later = [Person(one.time, one.status, given_time) for one in people if one.time > given_time]
    assume(later)
    asked = sorted({one.time for one in later})
    conditional = km.conditional(asked, given_time)
    start = counts(later, {1})
    assert_near(conditional.estimate, [survival(start, t) for t in asked])
    alive = [t for t in asked if survival(start, t) > 0]
    exact = [math.sqrt(greenwood(start, t)) for t in alive]
    assert_near(conditional.se[: len(alive)], exact, atol=1e-7)


@many
@given(st.one_of(some_people(), people_who_enter_late()), st.data())
def test_log_rank_is_its_definition(people: People, data: Any) -> None:
    group = data.draw(st.lists(st.sampled_from("ab"), min_size=len(people), max_size=len(people)))
    assume({*group} == {"a", "b"})
    in_a = [one for one, name in zip(people, group, strict=True) if name == "a"]
    expected, variance = Fraction(0), Fraction(0)
    for t, y, d in counts(people, {1}):
        share = Fraction(at_risk(in_a, t), y)
        expected += share * d
        if y > 1:
            variance += d * share * (1 - share) * Fraction(y - d, y - 1)
    try:
        found = log_rank(observe(people), group)
    except RefusedEstimateError:
        assert variance == 0
        return
    observed = sum(one.status == 1 for one in in_a)
    assert found.observed[0] == observed
    assert found.expected[0] == pytest.approx(float(expected), rel=1e-12)
    statistic = float((observed - expected) ** 2 / variance)
    assert found.statistic == pytest.approx(statistic, rel=1e-9, abs=1e-18)
