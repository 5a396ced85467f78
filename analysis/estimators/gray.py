"""The score of Gray's test and its variance (Gray 1988, Ann Stat 16:1141–1154, section 3)."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.estimators.observations import BoolArray, FloatArray
from registry.errors import RefusedEstimateError

NO_VARIANCE = (
    "No test: the variance of Gray's score does not exist for these groups. It is one for larger "
    "numbers; here hardly anyone is left at risk while events go on."
)


def gray_score(
    at_risk: FloatArray, own: FloatArray, other: FloatArray, rho: float
) -> tuple[FloatArray, FloatArray]:
    """Return score and variance of one stratum.

    With R_g = Y_g (1 − F_g(t−))/S_g(t−) and R their sum, group g scores Σ W (d_g − R_g d/R) over
    the times with d events of the cause; the pooled incidence F₀ grows by d/Σ(Y_g/S_g(t−)). The
    variance is that of the sum of what each event adds: an event in group k adds directly, and
    through the drift of every later expectation.

    Parameters
    ----------
    at_risk, own, other
        Shape (k, m): numbers at risk, events of the cause and competing events of each group at the
        times with any event of the stratum.
    rho
        Weight W = (1 − F₀(t−))^rho.

    Returns
    -------
    tuple
        Score, shape (k,), and variance, shape (k, k).

    Raises
    ------
    RefusedEstimateError
        When the pooled incidence is 1 or more before the last event: the drift has no value then,
        or that of a negative probability (the paper's own program gives NaN, or a statistic).
    """
    is_there = at_risk > 0
    people = np.where(is_there, at_risk, 1.0)
    survival = np.cumprod(np.where(is_there, 1 - (own + other) / people, 1.0), axis=1)
    before = _previous(survival, 1.0)
    incidence_before = _previous(np.cumsum(before * own / people, axis=1), 0.0)
    before = np.where(is_there, before, 1.0)
    inflated = np.where(is_there, at_risk / before, 0.0)
    subdistribution = inflated * (1 - incidence_before)
    total = inflated.sum(axis=0)
    failed = own.sum(axis=0)
    step = failed / total
    pooled = np.cumsum(step)
    pooled_before = np.concatenate([[0.0], pooled[:-1]])
    if (pooled_before > 1 - 1e-12).any():
        raise RefusedEstimateError(NO_VARIANCE)
    weight = (1 - pooled_before) ** rho
    score = (weight * (own - subdistribution * failed / subdistribution.sum(axis=0))).sum(axis=1)

    share = inflated / total
    same = np.eye(len(own))[:, :, None]
    direct = weight * (same * inflated - inflated[None] * share[:, None])
    drift = np.cumsum(direct * (step / (1 - pooled_before)), axis=2)
    later = drift[:, :, -1:] - drift
    ratio = np.where(survival > 0, (1 - pooled) / np.where(survival > 0, survival, 1.0), 0.0)

    tied = _tie_correction(failed, total * before)
    own_variance = np.where(is_there, tied * before * step / people, 0.0)
    effect = direct + (1 - ratio) * later
    variance = np.einsum("ikt,jkt,kt->ij", effect, effect, own_variance)
    tied = _tie_correction(other, people)
    other_variance = np.where(survival > 0, tied * before**2 * other / people**2, 0.0)
    effect = ratio * later
    return score, variance + np.einsum("ikt,jkt,kt->ij", effect, effect, other_variance)


def _previous(values: NDArray[Any], first: float) -> FloatArray:
    return np.concatenate([np.full((values.shape[0], 1), first), values[:, :-1]], axis=1)


def _tie_correction(events: FloatArray, people: FloatArray) -> FloatArray:
    """Finite-population factor 1 − (d − 1)/(Y − 1), 1 without ties."""
    is_tied: BoolArray = events > 1
    corrected = 1 - (events - 1) / np.where(is_tied & (people != 1), people - 1, 1.0)
    return np.where(is_tied, corrected, 1.0)
