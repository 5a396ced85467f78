"""Binomial models of a column far from 0 for its spread, such as a calendar year.

Values of R 4.2.2 with brglm2 0.9, years 2010 to 2021 and the events below:
``glm(y ~ year, binomial)`` and ``glm(y ~ I(year - 2015), binomial, method = "brglmFit", type =
"AS_mean")`` with the intercept and its standard error taken back to year 0 by hand.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.special import log_expit
from scipy.stats import chi2

from analysis.models.discrete_time import firth_discrete_time
from analysis.models.firth import firth_logistic
from analysis.models.flac import flac
from analysis.models.logistic import logistic
from analysis.models.pooled_profiles import pool_profiles

EVENT = np.array([0, 0, 1, 0, 0, 1, 0, 1, 1, 0, 1, 1], dtype=bool)
YEAR = np.arange(2010.0, 2022.0)[:, None]


def test_logistic_is_glm() -> None:
    found = logistic(YEAR, EVENT).coefficients
    assert found.coef == pytest.approx([-664.9284017221, 0.329907418369], rel=1e-9)
    assert found.se == pytest.approx([432.829471949831, 0.214750170755], rel=1e-9)


def test_firth_is_brglm2() -> None:
    found = firth_logistic(YEAR, EVENT).coefficients
    assert found.coef == pytest.approx([-517.914920250447, 0.256965973828], rel=1e-8)
    assert found.se == pytest.approx([395.541510535118, 0.196249570446], rel=1e-8)


def penalised(intercept: float, middle: float) -> float:
    """Log-likelihood + ½ ln |information| of years from 2015, with the value at 2015."""
    from_2015 = YEAR[:, 0] - 2015
    eta = middle + (middle - intercept) / 2015 * from_2015
    risk = np.exp(log_expit(eta))
    columns = np.column_stack([np.ones(12), from_2015])
    information = (columns.T * (risk * (1 - risk))) @ columns
    fit = log_expit(np.where(EVENT, eta, -eta)).sum()
    return float(fit + 0.5 * np.log(np.linalg.det(information)))


def test_the_intercepts_limits_are_those_of_its_own_profile() -> None:
    # from the definition: the penalised likelihood, maximised with the intercept of year 0 held
    fit = firth_logistic(YEAR, EVENT)

    def highest(intercept: float) -> float:
        def below(middle: float) -> float:
            return -penalised(intercept, middle)

        return -float(minimize_scalar(below, bounds=(-5, 5), options={"xatol": 1e-10}).fun)

    top = highest(fit.coefficients.coef[0])
    allowed = chi2.ppf(0.95, 1)
    for limit in (fit.coefficients.lower[0], fit.coefficients.upper[0]):
        assert 2 * (top - highest(limit)) == pytest.approx(allowed, rel=1e-6)
    assert fit.statistic[0] == pytest.approx(2 * (top - highest(0.0)), rel=1e-6)
    pooled = pool_profiles([fit, fit])
    assert pooled.lower == pytest.approx(fit.coefficients.lower, rel=1e-6)


@pytest.mark.parametrize("spread", [10.0, 1.0, 0.05])
def test_where_a_column_begins_changes_only_the_intercept(spread: float) -> None:
    rng = np.random.default_rng(8)
    near = np.column_stack([spread * rng.normal(size=150), rng.integers(0, 2, 150)])
    far = near + np.array([2015.0, 0.0])
    eta = 1.5 * near[:, 0] / spread - 1
    event = rng.random(150) < 1 / (1 + np.exp(-eta))
    time, edges = rng.exponential(4 * np.exp(-eta)), np.array([0.0, 1, 3, 9])

    def assert_same(one: Any, two: Any) -> None:
        for name in ("coef", "se", "lower", "upper"):
            found, expected = (getattr(each, name)[-2:] for each in (one, two))
            assert found == pytest.approx(expected, rel=1e-6), name
        assert one.p[-2:] == pytest.approx(two.p[-2:], rel=1e-5)

    assert_same(logistic(far, event).coefficients, logistic(near, event).coefficients)
    one, two = (firth_logistic(each, event) for each in (far, near))
    assert_same(one.coefficients, two.coefficients)
    assert one.flic_risk(far) == pytest.approx(two.flic_risk(near), rel=1e-6)
    discrete, other = (firth_discrete_time(each, time, event, edges) for each in (far, near))
    assert_same(discrete.fit.coefficients, other.fit.coefficients)
    assert discrete.risk(far) == pytest.approx(other.risk(near), rel=1e-6)
    assert flac(far, event).risk(far) == pytest.approx(flac(near, event).risk(near), rel=1e-6)
