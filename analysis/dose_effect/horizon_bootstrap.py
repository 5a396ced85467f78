"""Bootstrap of the weighted logistic model at a horizon, all samples of a block at once.

A sample of the clusters is a row of counts: how often each unit was drawn. Censoring weights are
estimated anew in each sample from its counts, and the weighted likelihoods of a block of samples
climb together by Newton's method from the fit of the whole cohort. A sample whose climb does not
settle, or whose fitted risks come near 0 or 1, is fitted again alone by
:func:`analysis.dose_effect.censoring_weights.weighted_logistic`, which knows separation; it is left
out where that refuses.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from analysis.dose_effect.censoring_weights import (
    FEWEST_AT_HORIZON,
    HorizonOutcome,
    outcome_at,
    weighted_logistic,
)
from analysis.models.coefficients import FEWEST_EVENTS
from analysis.models.logistic import SUSPICIOUS
from registry.errors import MendableError, RefusedEstimateError

Array = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Share of bootstrap samples that must be fitted.
ENOUGH = 0.9
#: Cells of counts held at once.
BLOCK = 2_000_000
STEPS = 12
#: Largest score over the square root of its information at which a climb has ended.
SETTLED = 1e-8


def draw_counts(codes: IntArray, samples: int, rng: np.random.Generator) -> Array:
    """How often each row of shape (n,) is drawn in each sample of its clusters: (samples, n).

    ``codes`` are the rows' clusters from 0; a drawn cluster brings all its rows.

    >>> draw_counts(np.array([0, 0, 1]), 2, np.random.default_rng(3))
    array([[1., 1., 1.],
           [2., 2., 0.]])
    """
    clusters = int(codes.max()) + 1
    drawn = rng.integers(0, clusters, (samples, clusters))
    places = drawn + clusters * np.arange(samples)[:, None]
    counts = np.bincount(places.ravel(), minlength=samples * clusters).reshape(samples, clusters)
    spread: Array = counts[:, codes].astype(float)
    return spread


def weights_by_sample(
    time: Array, is_censored: NDArray[np.bool_], outcome: HorizonOutcome, counts: Array
) -> Array:
    """Censoring weights of every row in every sample: shape (samples, n), 0 where unknown.

    The Kaplan–Meier estimate of remaining uncensored is that of
    :func:`analysis.dose_effect.censoring_weights.uncensored_before` with rows counted as often as
    they were drawn.
    """
    order = np.argsort(time, kind="stable")
    levels, first = np.unique(time[order], return_index=True)
    leaving = np.add.reduceat(counts[:, order], first, axis=1)
    censored = np.add.reduceat(counts[:, order] * is_censored[order], first, axis=1)
    at_risk = leaving[:, ::-1].cumsum(axis=1)[:, ::-1]
    # at a tie those with an event have left before the censorings
    step = 1.0 - censored / np.maximum(at_risk - (leaving - censored), 1.0)
    remaining = np.cumprod(step, axis=1)
    before = np.searchsorted(levels, np.minimum(time, outcome.horizon), side="left") - 1
    still = np.where(before < 0, 1.0, remaining[:, np.maximum(before, 0)])
    use = outcome.known & (counts > 0)
    weight: Array = np.where(use, 1.0 / np.where(use, still, 1.0), 0.0)
    return weight


def climb_together(
    columns: Array, event: Array, weight: Array, start: Array
) -> tuple[Array, NDArray[np.bool_]]:
    """Newton's method on the weighted logistic likelihoods of many samples.

    Parameters
    ----------
    columns
        Shape (n, p), intercept included, standardised.
    event
        Shape (n,).
    weight
        Shape (samples, n).
    start
        Shape (p,).

    Returns
    -------
    beta, settled
        Shape (samples, p) and (samples,).
    """
    samples, p = len(weight), columns.shape[1]
    one, two = np.triu_indices(p)
    products = columns[:, one] * columns[:, two]
    beta = np.tile(start, (samples, 1))
    settled = np.zeros(samples, dtype=bool)
    for _ in range(STEPS):
        risk = expit(beta @ columns.T)
        score = (weight * (event - risk)) @ columns
        half = (weight * risk * (1.0 - risk)) @ products
        information = np.zeros((samples, p, p))
        information[:, one, two] = information[:, two, one] = half
        diagonal = np.maximum(np.einsum("ijj->ij", information), np.finfo(float).tiny)
        settled = np.max(np.abs(score) / np.sqrt(diagonal), axis=1) <= SETTLED
        if settled.all():
            break
        beta = beta + _steps(information, score, diagonal)
    extreme = np.max(np.abs(beta @ columns.T), axis=1)
    return beta, settled & (extreme < SUSPICIOUS)


def _steps(information: Array, score: Array, diagonal: Array) -> Array:
    """Newton steps; none where the information is singular to rounding (the sample is lost)."""
    scale = np.sqrt(diagonal)
    even = information / (scale[:, :, None] * scale[:, None, :])
    singular = ~(np.linalg.det(even) > 1e-10)
    even[singular] = np.eye(even.shape[1])
    step: Array = np.linalg.solve(even, (score / scale)[:, :, None])[:, :, 0] / scale
    return np.where(singular[:, None], 0.0, np.clip(step, -5.0, 5.0))


def bootstrap_coefficients(
    matrix: Array,
    terms: tuple[str, ...],
    time: Array,
    status: IntArray,
    horizon: float,
    *,
    reading: str = "net",
    cluster: NDArray[np.generic] | None = None,
    resamples: int,
    rng: np.random.Generator,
) -> Array:
    """Coefficients in bootstrap samples of the clusters, weights estimated anew in each.

    Parameters
    ----------
    matrix, terms
        Covariates without an intercept, shape (n, p), and their p names.
    time, status, horizon, reading
        As for :func:`analysis.dose_effect.censoring_weights.outcome_at`.
    cluster
        Labels of shape (n,); default: every row is drawn by itself.
    resamples, rng
        Samples, and the source of randomness.

    Returns
    -------
    ndarray
        Shape (samples fitted, p + 1), the intercept first.

    Raises
    ------
    RefusedEstimateError
        Under nine tenths of the samples could be fitted.

    Examples
    --------
    >>> rng = np.random.default_rng(5)
    >>> dose, lost = rng.normal(size=300), rng.uniform(1, 9, 300)
    >>> fails = rng.random(300) < expit(dose - 1)
    >>> time, status = np.where(fails, 0.5, lost), fails.astype(np.int64)
    >>> found = bootstrap_coefficients(
    ...     dose[:, None], ("dose",), time, status, 2.0, resamples=50, rng=rng)
    >>> found.shape
    (50, 2)
    """
    codes = np.arange(len(time)) if cluster is None else np.unique(cluster, return_inverse=True)[1]
    block = max(1, BLOCK // len(time))
    found = []
    for low in range(0, resamples, block):
        counts = draw_counts(codes, min(block, resamples - low), rng)
        found.append(_fit_block(matrix, terms, time, status, horizon, reading, counts))
    coefs = np.concatenate(found)
    if len(coefs) < ENOUGH * resamples:
        raise RefusedEstimateError(
            f"Only {len(coefs)} of {resamples} bootstrap samples could be fitted (too few events):"
            " no bootstrap interval is given.",
            fitted=len(coefs),
        )
    return coefs


def _fit_block(
    matrix: Array,
    terms: tuple[str, ...],
    time: Array,
    status: IntArray,
    horizon: float,
    reading: str,
    counts: Array,
) -> Array:
    outcome = outcome_at(time, status, horizon, reading=reading)
    is_censored = (status == 0) if reading == "crude" else (status != 1)
    known = np.flatnonzero(outcome.known)
    weight = (weights_by_sample(time, is_censored, outcome, counts) * counts)[:, known]
    event = outcome.failed[known].astype(float)
    enough = _enough(outcome, time, counts, known)
    centre, scale = matrix[known].mean(axis=0), matrix[known].std(axis=0)
    columns = np.column_stack([np.ones(len(known)), (matrix[known] - centre) / scale])
    whole = weighted_logistic(matrix, outcome.failed, outcome.weight, terms=terms)
    start = whole.coefficients.coef * np.concatenate(([1.0], scale))
    start[0] += float(whole.coefficients.coef[1:] @ centre)
    beta, settled = climb_together(columns, event, weight[enough], start)
    coefs = np.column_stack([beta[:, :1], beta[:, 1:] / scale])
    coefs[:, 0] -= coefs[:, 1:] @ centre
    alone = [
        _fit_alone(matrix, terms, time, status, horizon, reading, counts[enough][lost])
        for lost in np.flatnonzero(~settled)
    ]
    return np.vstack([coefs[settled], *(one for one in alone if one is not None)])


def _enough(
    outcome: HorizonOutcome, time: Array, counts: Array, known: IntArray
) -> NDArray[np.bool_]:
    """Which samples have the events, the event-free and the followed that a fit needs."""
    failed = outcome.failed[known]
    events = counts[:, known] @ failed
    free = counts[:, known] @ (1.0 - failed)
    reached = counts @ ((time >= outcome.horizon) & ~outcome.failed)
    enough: NDArray[np.bool_] = (
        (events >= FEWEST_EVENTS) & (free >= FEWEST_EVENTS) & (reached >= FEWEST_AT_HORIZON)
    )
    return enough


def _fit_alone(
    matrix: Array,
    terms: tuple[str, ...],
    time: Array,
    status: IntArray,
    horizon: float,
    reading: str,
    counts: Array,
) -> Array | None:
    """One sample's coefficients, shape (1, p + 1); None where they are refused."""
    rows = np.repeat(np.arange(len(time)), counts.astype(np.int64))
    try:
        outcome = outcome_at(time[rows], status[rows], horizon, reading=reading)
        fit = weighted_logistic(matrix[rows], outcome.failed, outcome.weight, terms=terms)
    except MendableError:
        return None
    return fit.coefficients.coef[None, :]
