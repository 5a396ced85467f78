"""Dose–response at a horizon: D50 and γ50 from a weighted logistic curve, or what stands for them.

D50 is given only where it lies within the 1st–99th percentile of dose with a bounded interval
(Fieller's, from the sandwich: the profile of a weighted likelihood covers 80–91 %). Elsewhere the
doses for 90 and 95 % freedom from the event, by the same rule, and the risk difference between the
quartiles of dose. On the linear scale γ50 = |slope| · D50 / 4.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit
from scipy.stats import norm

from analysis.dose_effect.censoring_weights import (
    HorizonOutcome,
    WeightedLogisticFit,
    outcome_at,
    weighted_logistic,
)
from analysis.dose_effect.horizon_bootstrap import bootstrap_coefficients
from analysis.models.dose_curve import HIGH_PERCENTILE, LOW_PERCENTILE, Quantity

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

DOSE = "dose"
GRID = 41


@dataclass(frozen=True, slots=True)
class CurveAtHorizon:
    """A fitted curve of risk by dose at a horizon.

    Attributes
    ----------
    fit
        The weighted logistic model; the dose column is ``dose`` (per unit of dose).
    outcome
        Who failed, and the weights.
    adjusted_for
        Names of the covariates; the curve, D50 and γ50 are then at their means ("standardised" in
        ``risk`` is the mean over the cohort).
    d50, gamma50
        Of failure.
    doses_for_control
        (share free of the event, dose), for 0.90 and 0.95.
    risk_difference
        Standardised risk at the third quartile of dose less that at the first.
    dose, risk, lower, upper
        Shape (41,): standardised risk from the 1st to the 99th percentile of dose.
    dose_low, dose_high
        These percentiles.
    interval
        ``"sandwich"`` or ``"bootstrap"``.
    """

    fit: WeightedLogisticFit
    outcome: HorizonOutcome
    adjusted_for: tuple[str, ...]
    d50: Quantity
    gamma50: Quantity
    doses_for_control: tuple[tuple[float, Quantity], ...]
    risk_difference: Quantity
    dose: Array
    risk: Array
    lower: Array
    upper: Array
    dose_low: float
    dose_high: float
    interval: str
    level: float


def fieller(
    target: float, coef: Array, covariance: Array, level: float
) -> tuple[float, float, float]:
    """Dose at which intercept + slope · dose equals a target, with Fieller's limits.

    Parameters
    ----------
    target
        On the scale of the linear predictor.
    coef, covariance
        Intercept and slope; shape (2,) and (2, 2).
    level
        Confidence level.

    Returns
    -------
    value, lower, upper
        Limits are infinite where the set of doses not rejected is unbounded.

    Examples
    --------
    >>> tuple(round(v, 4) for v in fieller(0.0, np.array([-4., 0.05]), np.diag([0.25, 1e-5]), 0.95))
    (80.0, 59.077, 103.4199)
    """
    z2 = float(norm.isf((1 - level) / 2)) ** 2
    short = target - float(coef[0])
    slope = float(coef[1])
    a = slope**2 - z2 * covariance[1, 1]
    b = -2 * (short * slope + z2 * covariance[0, 1])
    c = short**2 - z2 * covariance[0, 0]
    value = short / slope if slope != 0 else np.nan
    inside = b**2 - 4 * a * c
    if a <= 0 or inside < 0:
        return value, -np.inf, np.inf
    root = np.sqrt(inside)
    return value, float((-b - root) / (2 * a)), float((-b + root) / (2 * a))


def _dose_at(
    risk: float, coef: Array, covariance: Array, ends: tuple[float, float], level: float
) -> Quantity:
    value, lower, upper = fieller(float(np.log(risk / (1 - risk))), coef, covariance, level)
    low, high = ends
    if not low <= value <= high:
        return _no(
            f"the fitted curve reaches {100 * risk:.0f} % {_where(value)}outside the doses given"
            f" (1st to 99th percentile {low:.4g} to {high:.4g})"
        )
    if not (np.isfinite(lower) and np.isfinite(upper)):
        return _no(f"the interval of the dose for {100 * risk:.0f} % is unbounded")
    gradient = np.array([-1.0, -value]) / coef[1]
    return Quantity(value, float(np.sqrt(gradient @ covariance @ gradient)), lower, upper)


def _where(value: float) -> str:
    """Say where, if it is a dose at all."""
    return f"at {value:.4g}, " if value > 0 else "nowhere: a dose below 0 is "


def _no(reason: str) -> Quantity:
    return Quantity(np.nan, np.nan, np.nan, np.nan, reason)


def _gamma50(d50: Quantity, coef: Array, covariance: Array, level: float) -> Quantity:
    """γ50 = |slope| D50 / 4 = ∓intercept/4: as sure as the intercept is."""
    if not d50.is_estimable:
        return _no("D50 is not estimable")
    sign = 1.0 if coef[1] > 0 else -1.0
    value, se = -sign * float(coef[0]) / 4, float(np.sqrt(covariance[0, 0])) / 4
    reach = float(norm.isf((1 - level) / 2)) * se
    return Quantity(value, se, value - reach, value + reach)


def _standardised(
    coef: Array, dose: Array, covariates: Array, weight: Array
) -> tuple[Array, Array]:
    """Mean risk over the covariates at each dose (shape (m,)) and its gradient (m, p)."""
    risks, gradients = [], []
    for value in dose:
        columns = np.column_stack([np.ones(len(covariates)), np.full(len(covariates), value)])
        columns = np.column_stack([columns, covariates])
        risk = expit(columns @ coef)
        risks.append(float(np.average(risk, weights=weight)))
        gradients.append(np.average(columns * (risk * (1 - risk))[:, None], axis=0, weights=weight))
    return np.array(risks), np.array(gradients)


def curve_at_horizon(
    dose: Array,
    covariates: Array,
    names: tuple[str, ...],
    time: Array,
    status: NDArray[np.int64],
    horizon: float,
    *,
    reading: str = "net",
    cluster: NDArray[np.generic] | None = None,
    level: float = 0.95,
    resamples: int = 0,
    rng: np.random.Generator | None = None,
) -> CurveAtHorizon:
    """Fit the curve.

    Parameters
    ----------
    dose
        Shape (n,).
    covariates, names
        Shape (n, q), q names; q may be 0.
    time, status, horizon, reading
        As for :func:`analysis.dose_effect.censoring_weights.outcome_at`.
    cluster
        Labels of shape (n,): the patient.
    level
        Confidence level.
    resamples, rng
        With resamples above 0 the covariance comes from a bootstrap over clusters (rows without
        them) that estimates the weights anew in every sample, instead of the sandwich.

    Returns
    -------
    CurveAtHorizon

    Raises
    ------
    RefusedEstimateError, RefusedInputError
        Too few events or followed; separation; one dose only.
    """
    outcome = outcome_at(time, status, horizon, reading=reading)
    matrix = np.column_stack([dose, covariates])
    terms = (DOSE, *names)
    fit = weighted_logistic(
        matrix, outcome.failed, outcome.weight, terms=terms, cluster=cluster, level=level
    )
    covariance, interval = fit.covariance, "sandwich"
    if resamples:
        if rng is None:
            raise ValueError("a bootstrap needs a source of randomness")
        coefs = bootstrap_coefficients(
            matrix, terms, time, status, horizon,
            reading=reading, cluster=cluster, resamples=resamples, rng=rng,
        )  # fmt: skip
        covariance, interval = np.cov(coefs, rowvar=False), "bootstrap"
    low, high = (float(v) for v in np.percentile(dose, [LOW_PERCENTILE, HIGH_PERCENTILE]))
    at_means, spread = _at_means(fit, covariance, covariates)
    doses = [_dose_at(r, at_means, spread, (low, high), level) for r in (0.5, 0.1, 0.05)]
    coef = fit.coefficients.coef
    grid = np.linspace(low, high, GRID)
    ones = np.ones(len(dose))
    risk, gradient = _standardised(coef, grid, covariates, ones)
    lower, upper = _risk_limits(risk, gradient, covariance, level)
    return CurveAtHorizon(
        fit=fit,
        outcome=outcome,
        adjusted_for=names,
        d50=doses[0],
        gamma50=_gamma50(doses[0], at_means, spread, level),
        doses_for_control=((0.9, doses[1]), (0.95, doses[2])),
        risk_difference=_quartile_difference(dose, coef, covariates, covariance, level),
        dose=grid,
        risk=risk,
        lower=lower,
        upper=upper,
        dose_low=low,
        dose_high=high,
        interval=interval,
        level=level,
    )


def _at_means(
    fit: WeightedLogisticFit, covariance: Array, covariates: Array
) -> tuple[Array, Array]:
    """Intercept and slope at the covariates' means, with their covariance."""
    mean = covariates.mean(axis=0) if covariates.shape[1] else np.zeros(0)
    take = np.zeros((2, 2 + len(mean)))
    take[0, 0] = take[1, 1] = 1.0
    take[0, 2:] = mean
    return take @ fit.coefficients.coef, take @ covariance @ take.T


def _risk_limits(
    risk: Array, gradient: Array, covariance: Array, level: float
) -> tuple[Array, Array]:
    """Limits of standardised risks, Wald on the logit scale."""
    slope = np.maximum(risk * (1 - risk), np.finfo(float).tiny)
    se = np.sqrt(np.einsum("ij,jk,ik->i", gradient, covariance, gradient)) / slope
    reach = float(norm.isf((1 - level) / 2)) * se
    logit = np.log(risk / (1 - risk))
    return np.asarray(expit(logit - reach)), np.asarray(expit(logit + reach))


def _quartile_difference(
    dose: Array, coef: Array, covariates: Array, covariance: Array, level: float
) -> Quantity:
    quartiles = np.percentile(dose, [25, 75])
    risk, gradient = _standardised(coef, quartiles, covariates, np.ones(len(dose)))
    value = float(risk[1] - risk[0])
    difference = gradient[1] - gradient[0]
    se = float(np.sqrt(difference @ covariance @ difference))
    reach = float(norm.isf((1 - level) / 2)) * se
    return Quantity(value, se, value - reach, value + reach)
