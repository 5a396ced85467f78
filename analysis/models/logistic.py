"""Logistic regression by ordinary likelihood, with separation recognised and named."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.models.binomial_likelihood import INTERCEPT, BinomialFit, fit_binomial
from analysis.models.centred_columns import CentredColumns
from analysis.models.coefficients import (
    FEWEST_EVENTS,
    Coefficients,
    refuse_separation,
    wald_coefficients,
)
from analysis.models.cox import cluster_sums, refuse_unfinished
from analysis.models.design_matrix import check_columns
from analysis.models.firth import require_both_outcomes
from analysis.models.separation import separating_columns

Array = NDArray[np.float64]

#: A linear predictor beyond this (a risk of 1e-6) makes separation worth looking for.
SUSPICIOUS = 13.8


@dataclass(frozen=True, slots=True)
class LogisticFit:
    """A fitted logistic model.

    Attributes
    ----------
    coefficients
        ``intercept`` first; Wald, or robust Wald where clusters were given.
    covariance, robust_covariance
        Shape (p + 1, p + 1); robust is None without clusters.
    log_likelihood, log_likelihood_null, deviance
        At the maximum; with the intercept alone; −2 log-likelihood.
    n, events
        Rows and events.
    clusters
        Number of clusters, or None.
    risk
        Fitted risks, shape (n,).
    """

    coefficients: Coefficients
    covariance: Array
    robust_covariance: Array | None
    log_likelihood: float
    log_likelihood_null: float
    deviance: float
    n: int
    events: int
    clusters: int | None
    risk: Array


def logistic(
    matrix: Array,
    event: NDArray[np.bool_],
    *,
    terms: Sequence[str] | None = None,
    cluster: NDArray[np.generic] | None = None,
    level: float = 0.95,
    fewest_events: int = FEWEST_EVENTS,
) -> LogisticFit:
    """Fit a logistic model.

    Parameters
    ----------
    matrix
        Covariates, shape (n, p), without an intercept column (it is added, first).
    event
        Shape (n,).
    terms
        p names.
    cluster
        Labels of shape (n,): robust standard errors summed by cluster, without small-sample factor.
    level
        Confidence level.
    fewest_events
        With fewer events, or fewer rows without event, the model is refused.

    Raises
    ------
    RefusedEstimateError
        Too few events; columns separate the events (named).
    RefusedInputError
        A column is constant or repeats others (named).

    Examples
    --------
    >>> x = np.arange(12.0)[:, None]
    >>> event = np.array([0, 0, 1, 0, 0, 1, 0, 1, 1, 0, 1, 1], dtype=bool)
    >>> fit = logistic(x, event, terms=["x"])
    >>> fit.coefficients.terms, fit.coefficients.coef.round(4)
    (('intercept', 'x'), array([-1.8145,  0.3299]))
    """
    matrix, event = np.asarray(matrix, dtype=float), np.asarray(event, dtype=bool)
    names = tuple(terms) if terms is not None else tuple(f"x{j}" for j in range(matrix.shape[1]))
    require_both_outcomes(event, model="logistic", fewest=fewest_events)
    check_columns(matrix, names)
    centred = CentredColumns.of(np.column_stack([np.ones(len(event)), matrix]))
    columns, back = centred.matrix, centred.back()
    successes, trials = event.astype(float), np.ones(len(event))
    fit = fit_binomial(columns, successes, trials)
    refuse_separated(columns, successes, trials, fit, names)
    robust, clusters = None, None
    if cluster is not None:
        labels, codes = np.unique(np.asarray(cluster), return_inverse=True)
        residual = columns * (successes - fit.risk)[:, None]
        influence = cluster_sums(residual, codes) @ fit.covariance @ back.T
        robust, clusters = influence.T @ influence, len(labels)
    covariance = back @ fit.covariance @ back.T
    return LogisticFit(
        wald_coefficients(
            (INTERCEPT, *names), back @ fit.coef, covariance, robust_covariance=robust, level=level
        ),
        covariance, robust, fit.log_likelihood,
        _null_log_likelihood(event), fit.deviance,
        len(event), int(event.sum()), clusters, fit.risk,
    )  # fmt: skip


def refuse_separated(
    columns: Array, successes: Array, trials: Array, fit: BinomialFit, names: tuple[str, ...]
) -> None:
    """Refuse a fit whose likelihood has no maximum, naming the columns; or that did not settle."""
    extreme = float(np.max(np.abs(columns @ fit.coef), initial=0.0))
    if fit.ended.converged and extreme < SUSPICIOUS:
        return
    found = separating_columns(columns, successes, trials)
    if found:
        refuse_separation(
            tuple(names[j - 1] for j in found), firth="firth-logistic", what="the events are"
        )
    refuse_unfinished(fit.ended, (INTERCEPT, *names), firth="firth-logistic", what="the events are")


def _null_log_likelihood(event: NDArray[np.bool_]) -> float:
    share = float(event.mean())
    return float(event.sum() * np.log(share) + (~event).sum() * np.log1p(-share))
