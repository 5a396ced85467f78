"""Binomial log-likelihood with its derivatives, plain and with Firth's penalty.

Links: ``"logit"``, ``"probit"`` and ``"cloglog"`` (the discrete-time form of proportional hazards).
The information is the expected one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, log_expit, log_ndtr, ndtr, xlogy

from analysis.models.newton import Climb, climb

Array = NDArray[np.float64]

INTERCEPT = "intercept"
LINKS = ("logit", "probit", "cloglog")


@dataclass(frozen=True, slots=True)
class BinomialData:
    """Rows of a binomial model.

    Attributes
    ----------
    matrix
        Shape (n, p), intercept column included.
    successes, trials
        Shape (n,); not necessarily whole numbers.
    offset
        Shape (n,), added to the linear predictor.
    link
        One of ``LINKS``.
    """

    matrix: Array
    successes: Array
    trials: Array
    offset: Array
    link: str


@dataclass(frozen=True, slots=True)
class BinomialPoint:
    """Log-likelihood, score (p,), information (p, p) and the rows' risk and leverage (n,)."""

    log_likelihood: float
    score: Array
    information: Array
    risk: Array
    weight: Array


def inverse_link(link: str, eta: Array) -> Array:
    """Risk at a linear predictor, same shape.

    >>> inverse_link("cloglog", np.array([0.0])).round(6)
    array([0.632121])
    """
    if link == "logit":
        return np.asarray(expit(eta))
    if link == "probit":
        return np.asarray(ndtr(eta))
    if link == "cloglog":
        with np.errstate(over="ignore"):
            risk: Array = -np.expm1(-np.exp(eta))
        return risk
    raise ValueError(f"link must be one of {', '.join(LINKS)}, not {link!r}")


def binomial_likelihood(data: BinomialData, beta: Array) -> BinomialPoint:
    """Evaluate the log-likelihood (without the binomial coefficient) at β (p,)."""
    eta = data.matrix @ beta + data.offset
    risk = inverse_link(data.link, eta)
    failures = data.trials - data.successes
    with np.errstate(over="ignore", divide="ignore", invalid="ignore", under="ignore"):
        log_risk, log_spared, per_excess, weight = _link_terms(data.link, eta, risk)
        weight = data.trials * weight
        terms = np.where(data.successes > 0, data.successes * log_risk, 0.0)
        terms = terms + np.where(failures > 0, failures * log_spared, 0.0)
    value = float(terms.sum())
    excess = (data.successes - data.trials * risk) * per_excess
    return BinomialPoint(
        value if np.isfinite(value) else -np.inf,
        data.matrix.T @ excess,
        (data.matrix.T * weight) @ data.matrix,
        risk,
        weight,
    )


def _link_terms(link: str, eta: Array, risk: Array) -> tuple[Array, Array, Array, Array]:
    """ln risk, ln (1 − risk), and with m = d risk/d eta: m/variance and m²/variance."""
    if link == "logit":
        return log_expit(eta), log_expit(-eta), np.ones_like(eta), risk * expit(-eta)
    if link == "probit":
        log_risk, log_spared = log_ndtr(eta), log_ndtr(-eta)
        log_density = -0.5 * eta**2 - 0.5 * np.log(2 * np.pi)
        per_excess = np.exp(log_density - log_risk - log_spared)
        return log_risk, log_spared, per_excess, per_excess * np.exp(log_density)
    hazard = np.exp(eta)
    return np.log(risk), -hazard, hazard / risk, hazard**2 / np.expm1(hazard)


def leverages(data: BinomialData, point: BinomialPoint) -> Array:
    """Diagonal of the weighted hat matrix, shape (n,); it sums to p."""
    inverse = np.linalg.inv(point.information)
    leverage: Array = point.weight * np.einsum("ij,ij->i", data.matrix @ inverse, data.matrix)
    return leverage


def penalised_binomial(data: BinomialData, beta: Array) -> BinomialPoint:
    """Log-likelihood + ½ ln |information| (Firth 1993) with its score at β (p,); not for probit.

    The information returned is the unpenalised one. −inf where the information is singular.
    """
    if data.link == "probit":
        raise ValueError("the penalty is written for the logit and cloglog links")
    point = binomial_likelihood(data, beta)
    sign, log_determinant = np.linalg.slogdet(point.information)
    if sign <= 0 or not np.isfinite(log_determinant):
        return BinomialPoint(-np.inf, point.score, point.information, point.risk, point.weight)
    leverage = leverages(data, point)
    if data.link == "logit":
        slope = 1.0 - 2.0 * point.risk
    else:
        with np.errstate(over="ignore"):
            slope = 2.0 - np.exp(data.matrix @ beta + data.offset) / point.risk
    return BinomialPoint(
        point.log_likelihood + 0.5 * float(log_determinant),
        point.score + 0.5 * data.matrix.T @ (leverage * slope),
        point.information,
        point.risk,
        point.weight,
    )


@dataclass(frozen=True, slots=True)
class BinomialFit:
    """A binomial model fitted by ordinary likelihood.

    Attributes
    ----------
    coef, covariance
        Shape (p,) and (p, p); the covariance is the inverse expected information.
    risk
        Shape (n,).
    log_likelihood
        Sum over single trials (without the binomial coefficients of grouped rows).
    deviance
        Against each row's own proportion.
    ended
        How the climb ended: whether there is a maximum and was reached.
    """

    coef: Array
    covariance: Array
    risk: Array
    log_likelihood: float
    deviance: float
    ended: Climb


def fit_binomial(
    matrix: Array,
    successes: Array,
    trials: Array,
    *,
    link: str = "logit",
    offset: Array | None = None,
    may_run_away: bool = True,
) -> BinomialFit:
    """Fit by Newton's method (Fisher scoring where the link is not canonical).

    Parameters
    ----------
    matrix
        Shape (n, p), intercept column included, of full column rank.
    successes, trials
        Shape (n,).
    link
        One of ``LINKS``.
    offset
        Shape (n,), default 0.
    may_run_away
        Whether the likelihood may lack a maximum, which the climb then looks for.

    Examples
    --------
    >>> fit = fit_binomial(np.ones((2, 1)), np.array([1., 2.]), np.array([5., 5.]))
    >>> fit.coef.round(6), round(fit.log_likelihood, 6)
    (array([-0.847298]), -6.108643)
    """
    data = BinomialData(
        matrix, successes, trials, np.zeros(len(trials)) if offset is None else offset, link
    )
    ended = climb(
        lambda beta: binomial_likelihood(data, beta),
        np.zeros(matrix.shape[1]),
        most_steps=200,
        may_run_away=may_run_away,
    )
    point = binomial_likelihood(data, ended.coefficients)
    failures = trials - successes
    own = float(np.sum(xlogy(successes, successes / trials) + xlogy(failures, failures / trials)))
    return BinomialFit(
        ended.coefficients,
        np.asarray(np.linalg.pinv(point.information, hermitian=True), dtype=float),
        point.risk,
        point.log_likelihood,
        2.0 * (own - point.log_likelihood),
        ended,
    )
