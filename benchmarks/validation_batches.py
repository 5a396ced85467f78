"""Many bootstrap samples of one table fitted together, for validation_coverage.

A sample is a row of counts: how often each row of the table was drawn. Times are continuous, so
that the only ties are copies of a row; Efron's denominators are then the risk set less so many
copies. A fit that did not settle, or ran away (columns separate the events), is NaN.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
MOST_STEPS, SETTLED, RAN_AWAY = 30, 1e-8, 30.0


def fit_cox_samples(
    x: Array, event: NDArray[np.bool_], counts: Array, start: Array | float = 0.0
) -> Array:
    """Cox coefficients, shape (b, p).

    Parameters
    ----------
    x
        Shape (1, n, p), or (b, n, p) where each sample has its own; rows from the latest time to
        the earliest.
    event, counts
        Shape (n,) and (b, n).
    start
        Where to begin, shape (p,) or one number.
    """
    x = x - x.mean(axis=1, keepdims=True)
    n, p = x.shape[1:]
    failed = np.flatnonzero(event)
    copies = counts[:, failed]
    upper = np.triu_indices(p)
    products = x[..., upper[0]] * x[..., upper[1]]
    seen = (copies[..., None] * x[:, failed]).sum(axis=1)
    beta = np.zeros((len(counts), p)) + start
    for _ in range(MOST_STEPS):
        predictor = np.einsum("bnp,bp->bn", np.broadcast_to(x, (len(counts), n, p)), beta)
        risk = np.exp(predictor - predictor.max(axis=1, keepdims=True))
        weight = counts * risk
        sums = [np.cumsum(weight, 1)[:, failed]]
        sums += [np.cumsum(weight[..., None] * part, 1)[:, failed] for part in (x, products)]
        score, information = seen.copy(), np.zeros((len(counts), p, p))
        for less in range(int(copies.max())):
            at = np.nonzero(copies > less)
            taken = less * risk[at[0], failed[at[1]]]
            own = np.zeros_like(at[0]) if len(x) == 1 else at[0]
            below = sums[0][at] - taken
            mean = (sums[1][at] - taken[:, None] * x[own, failed[at[1]]]) / below[:, None]
            square = sums[2][at] - taken[:, None] * products[own, failed[at[1]]]
            square = square / below[:, None] - mean[:, upper[0]] * mean[:, upper[1]]
            starts = np.searchsorted(at[0], np.arange(len(counts)))
            score -= _sum_by_sample(mean, starts)
            information[:, upper[0], upper[1]] += _sum_by_sample(square, starts)
        information[:, upper[1], upper[0]] = information[:, upper[0], upper[1]]
        step = _solve(information, score)
        beta = beta + np.clip(step, -2, 2)
        if np.nanmax(np.abs(step)) < SETTLED:
            break
    return _settled(beta, step, predictor)


def _sum_by_sample(rows: Array, starts: NDArray[np.int64]) -> Array:
    running = np.concatenate((np.zeros((1, rows.shape[1])), np.cumsum(rows, axis=0)))
    ends = np.append(starts[1:], len(rows))
    return running[ends] - running[starts]


def fit_logistic_samples(x: Array, event: NDArray[np.bool_], counts: Array) -> Array:
    """Logistic coefficients without the intercept, shape (b, p); ``x`` as for Cox, any order."""
    x = x - x.mean(axis=1, keepdims=True)
    x = np.concatenate((np.ones((*x.shape[:2], 1)), x), axis=2)
    full: Any = np.broadcast_to(x, (len(counts), *x.shape[1:]))
    beta = np.zeros((len(counts), x.shape[2]))
    for _ in range(MOST_STEPS):
        predictor = np.einsum("bnp,bp->bn", full, beta)
        risk = 1 / (1 + np.exp(-predictor))
        score = np.einsum("bn,bnp->bp", counts * (event - risk), full)
        weighted = (counts * risk * (1 - risk))[..., None] * full
        step = _solve(full.swapaxes(1, 2) @ weighted, score)
        beta = beta + np.clip(step, -2, 2)
        if np.nanmax(np.abs(step)) < SETTLED:
            break
    return _settled(beta, step, predictor)[:, 1:]


def _solve(information: Array, score: Array) -> Array:
    ridge = 1e-12 * np.trace(information, axis1=1, axis2=2)[:, None, None]
    steady = information + (ridge + 1e-300) * np.eye(score.shape[1])
    solved: Array = np.linalg.solve(steady, score[..., None])[..., 0]
    return solved


def _settled(beta: Array, step: Array, predictor: Array) -> Array:
    lost = (np.abs(step).max(axis=1) > 1e-5) | (np.ptp(predictor, axis=1) > RAN_AWAY)
    return np.where(lost[:, None] | ~np.isfinite(beta), np.nan, beta)
