"""Exact limits and p values for counts: observed against expected, and proportions.

Poisson limits are the exact (Garwood 1936) ones through the gamma distribution, binomial limits
Clopper and Pearson's (1934) through the beta distribution and Wilson's (1927) score limits. Mid-P
limits count half of the probability of what was observed: they are the ones for a verdict, because
exact limits hold more than their nominal level at small counts.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Callable
from dataclasses import dataclass

from scipy import special
from scipy.optimize import brentq

# Probabilities this close count as equal, as in R's poisson.test and binom.test.
_TIE = 1 + 1e-7
_ROOT = {"xtol": 1e-300, "rtol": 1e-14, "maxiter": 1000}


@dataclass(frozen=True, slots=True)
class Limits:
    """Lower and upper confidence limit, in the unit of the estimate."""

    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class ObservedExpected:
    """Observed over expected events with exact and mid-P limits.

    ``p`` sums all outcomes no more probable than the observed one, ``mid_p_value`` is twice the
    smaller mid-P tail.
    """

    observed: int
    expected: float
    level: float
    ratio: float
    exact: Limits
    p: float
    mid_p: Limits
    mid_p_value: float


@dataclass(frozen=True, slots=True)
class Proportion:
    """Events over n with three intervals: Clopper-Pearson, Wilson and binomial mid-P."""

    events: int
    n: int
    level: float
    estimate: float
    exact: Limits
    wilson: Limits
    mid_p: Limits


def poisson_limits(observed: int, level: float = 0.95) -> Limits:
    """Exact two-sided limits for the mean of a Poisson count (Garwood 1936, Ulm 1990).

    At 0 observed the lower limit is 0 and the upper one the two-sided 97.5 % point (3.689 at
    level 0.95), not the one-sided 2.996.

    Raises
    ------
    ValueError
        For a count that is negative or not whole, or a level outside (0, 1).

    Examples
    --------
    >>> limits = poisson_limits(4)
    >>> round(limits.lower, 4), round(limits.upper, 4)
    (1.0899, 10.2416)
    """
    _check_count("observed", observed)
    tail = _tail(level)
    lower = float(special.gammaincinv(observed, tail)) if observed else 0.0
    return Limits(lower, float(special.gammainccinv(observed + 1, tail)))


def poisson_mid_p_limits(observed: int, level: float = 0.95) -> Limits:
    """Mid-P limits for the mean of a Poisson count (Lancaster 1961; Rothman and Boice 1979).

    At 0 observed the lower limit is 0 and the upper one solves exp(-m)/2 = (1 - level)/2.
    """
    exact = poisson_limits(observed, level)
    tail = _tail(level)

    def above(mean: float) -> float:
        return float(special.gammainc(observed + 1, mean)) + _poisson_mass(observed, mean) / 2

    if observed == 0:
        return Limits(0.0, -math.log(2 * tail))
    return Limits(
        _root(lambda mean: above(mean) - tail, exact.lower, exact.upper),
        _root(lambda mean: 1 - above(mean) - tail, exact.lower, exact.upper),
    )


def poisson_p(observed: int, expected: float) -> float:
    """Two-sided exact p value: the sum of all outcomes no more probable than the observed one.

    This is the convention of R's ``poisson.test``; twice the one-sided p can differ by 0.39.

    Examples
    --------
    >>> round(poisson_p(1, 4.2), 6)
    0.14192
    """
    _check_count("observed", observed)
    _check_expected(expected)
    if observed == expected:
        return 1.0
    threshold = _poisson_mass(observed, expected) * _TIE
    at_most = special.pdtr
    if observed < expected:
        top = 2 * math.ceil(expected) - observed
        while _poisson_mass(top, expected) > threshold:
            top *= 2
        between = range(math.ceil(expected), top + 1)
        first = bisect_left(between, -threshold, key=lambda k: -_poisson_mass(k, expected))
        other = float(special.pdtrc(math.ceil(expected) + first - 1, expected))
        return min(1.0, float(at_most(observed, expected)) + other)
    between = range(math.floor(expected) + 1)
    small = bisect_right(between, threshold, key=lambda k: _poisson_mass(k, expected))
    other = float(at_most(small - 1, expected)) if small else 0.0
    return min(1.0, other + float(special.pdtrc(observed - 1, expected)))


def poisson_mid_p_value(observed: int, expected: float) -> float:
    """Two-sided mid-P: twice the smaller tail, with half of the observed outcome in each.

    Examples
    --------
    >>> round(poisson_mid_p_value(4, 3.3), 4)
    0.6571
    """
    _check_count("observed", observed)
    _check_expected(expected)
    half = _poisson_mass(observed, expected) / 2
    below = float(special.pdtr(observed, expected)) - half
    above = float(special.pdtrc(observed, expected)) + half
    return min(1.0, 2 * below, 2 * above)


def observed_over_expected(observed: int, expected: float, level: float = 0.95) -> ObservedExpected:
    """Set an observed count against a given expected one, exactly.

    The expected number is taken as known; where it comes from a published rate its own
    uncertainty has to be integrated on top of this.

    Parameters
    ----------
    observed
        Events counted, whole and not negative.
    expected
        Events expected over the same follow-up, above 0.
    level
        Confidence level of both intervals.

    Raises
    ------
    ValueError
        For a count that is negative or not whole, an expected number that is not above 0, or a
        level outside (0, 1).

    Examples
    --------
    >>> against = observed_over_expected(4, 3.3)
    >>> round(against.ratio, 4), round(against.exact.lower, 4), round(against.exact.upper, 4)
    (1.2121, 0.3303, 3.1035)
    """
    _check_expected(expected)
    exact, middle = poisson_limits(observed, level), poisson_mid_p_limits(observed, level)
    return ObservedExpected(
        observed=int(observed),
        expected=float(expected),
        level=level,
        ratio=observed / expected,
        exact=Limits(exact.lower / expected, exact.upper / expected),
        p=poisson_p(observed, expected),
        mid_p=Limits(middle.lower / expected, middle.upper / expected),
        mid_p_value=poisson_mid_p_value(observed, expected),
    )


def clopper_pearson(events: int, n: int, level: float = 0.95) -> Limits:
    """Exact binomial limits (Clopper and Pearson 1934): [0, ...] at 0 and [..., 1] at n events.

    Examples
    --------
    >>> limits = clopper_pearson(81, 263)
    >>> round(limits.lower, 4), round(limits.upper, 4)
    (0.2527, 0.3676)
    """
    _check_events(events, n)
    tail = _tail(level)
    lower = float(special.betaincinv(events, n - events + 1, tail)) if events else 0.0
    upper = float(special.betainccinv(events + 1, n - events, tail)) if events < n else 1.0
    return Limits(lower, upper)


def wilson(events: int, n: int, level: float = 0.95) -> Limits:
    """Score limits without continuity correction (Wilson 1927; Newcombe 1998, method 3).

    Examples
    --------
    >>> limits = wilson(0, 20)
    >>> round(limits.lower, 4), round(limits.upper, 4)
    (0.0, 0.1611)
    """
    _check_events(events, n)
    z = -float(special.ndtri(_tail(level)))
    centre = events + z * z / 2
    spread = z * math.sqrt(events * (n - events) / n + z * z / 4)
    lower = (centre - spread) / (n + z * z) if events else 0.0
    upper = (centre + spread) / (n + z * z) if events < n else 1.0
    return Limits(lower, upper)


def binomial_mid_p(events: int, n: int, level: float = 0.95) -> Limits:
    """Mid-P binomial limits (Berry and Armitage 1995); 0 and 1 where the exact ones are."""
    exact = clopper_pearson(events, n, level)
    tail = _tail(level)

    def above(p: float) -> float:
        more = float(special.bdtrc(events, n, p)) if events < n else 0.0
        return more + _binomial_mass(events, n, p) / 2

    low, high = exact.lower, exact.upper
    lower = _root(lambda p: above(p) - tail, low, high) if events else 0.0
    upper = _root(lambda p: 1 - above(p) - tail, low, high) if events < n else 1.0
    return Limits(lower, upper)


def binomial_p(events: int, n: int, target: float) -> float:
    """Two-sided exact p value against a target proportion, by R's ``binom.test`` convention.

    Examples
    --------
    >>> round(binomial_p(1, 5, 0.95), 8)
    3e-05
    """
    _check_events(events, n)
    if not 0 <= target <= 1:
        raise ValueError(f"target must lie in [0, 1], not {target!r}")
    if target in (0, 1):
        return float(events == target * n)
    mean = n * target
    if events == mean:
        return 1.0
    threshold = _binomial_mass(events, n, target) * _TIE
    if events < mean:
        between = range(math.ceil(mean), n + 1)
        first = bisect_left(between, -threshold, key=lambda k: -_binomial_mass(k, n, target))
        other = float(special.bdtrc(math.ceil(mean) + first - 1, n, target))
        return min(1.0, float(special.bdtr(events, n, target)) + other)
    between = range(math.floor(mean) + 1)
    small = bisect_right(between, threshold, key=lambda k: _binomial_mass(k, n, target))
    other = float(special.bdtr(small - 1, n, target)) if small else 0.0
    return min(1.0, other + float(special.bdtrc(events - 1, n, target)))


def proportion(events: int, n: int, level: float = 0.95) -> Proportion:
    """Give a proportion with its Clopper-Pearson, Wilson and mid-P interval.

    Raises
    ------
    ValueError
        Unless 0 <= events <= n, both whole and n above 0, and the level lies in (0, 1).

    Examples
    --------
    >>> share = proportion(81, 263)
    >>> round(share.estimate, 4), round(share.wilson.lower, 4), round(share.wilson.upper, 4)
    (0.308, 0.2553, 0.3662)
    """
    return Proportion(
        events=int(events),
        n=int(n),
        level=level,
        estimate=events / n if n else math.nan,
        exact=clopper_pearson(events, n, level),
        wilson=wilson(events, n, level),
        mid_p=binomial_mid_p(events, n, level),
    )


def _poisson_mass(count: int, mean: float) -> float:
    return math.exp(float(special.xlogy(count, mean)) - mean - float(special.gammaln(count + 1)))


def _binomial_mass(count: int, n: int, p: float) -> float:
    ways = -math.log(n + 1) - float(special.betaln(count + 1, n - count + 1))
    return math.exp(ways + float(special.xlogy(count, p)) + float(special.xlog1py(n - count, -p)))


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    return float(brentq(function, low, high, **_ROOT))


def _tail(level: float) -> float:
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, not {level!r}")
    return (1 - level) / 2


def _check_count(name: str, count: float) -> None:
    if not (math.isfinite(count) and count >= 0 and count == int(count)):
        raise ValueError(f"{name} must be a whole number of 0 or more, not {count!r}")


def _check_expected(expected: float) -> None:
    if not (math.isfinite(expected) and expected > 0):
        raise ValueError(f"expected must be a number above 0, not {expected!r}")


def _check_events(events: float, n: float) -> None:
    _check_count("events", events)
    _check_count("n", n)
    if n == 0 or events > n:
        raise ValueError(f"events must lie between 0 and n >= 1, not {events!r} of {n!r}")
