"""Risk sets of the Cox partial likelihood, and its derivatives in O(n p) memory.

The classical formulas sum a p × p matrix over every risk set. Here the order of summation is
turned round: each row's share of the cumulative hazard between its entry and its exit is found
from one cumulative sum over the event times, and the information is Xᵀ diag(hazard) X − MᵀM, with
M the covariate means at the events. No loop over rows or risk sets, nothing of size n × p².

At risk at t means entry < t ≤ exit, within the row's stratum. Ties follow Efron (1977, JASA
72:557–565) or Breslow (1974, Biometrics 30:89–99).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class RiskSets:
    """Who is at risk at each event time.

    Attributes
    ----------
    start, stop
        Shape (n,): row i is at risk at the event times numbered start[i] … stop[i] − 1 (numbered
        by stratum, then time).
    times
        Shape (K,): the event times.
    stratum
        Shape (n,): stratum codes from 0.
    event_rows
        Shape (E,): rows with an event, by event time.
    event_time
        Shape (E,): the number of each event's time.
    fraction
        Shape (E,): Efron's j/d for the j-th of d tied events; all 0 under Breslow.
    tied
        Shape (E,): d, the number of events at that time in that stratum.
    starts_matter
        Whether any row is not at risk from the first event time on.
    """

    start: IntArray
    stop: IntArray
    times: Array
    stratum: IntArray
    event_rows: IntArray
    event_time: IntArray
    fraction: Array
    tied: Array
    starts_matter: bool

    @property
    def n_events(self) -> int:
        """Number of events."""
        return len(self.event_rows)

    def at_risk_sums(self, values: Array) -> Array:
        """Sum of ``values`` (shape (n,)) over each risk set: shape (K,)."""
        k = len(self.times)
        total = _sums_from(self.stop, values, k)
        if not self.starts_matter:
            return total
        return total - _sums_from(self.start, values, k)

    def over_events(self, values: Array) -> Array:
        """Sum of ``values`` (shape (E,)) over the events of each time: shape (K,)."""
        return np.asarray(
            np.bincount(self.event_time, values, minlength=len(self.times)), dtype=float
        )

    def while_at_risk(self, values: Array) -> Array:
        """Sum of ``values`` (shape (K,)) over the times at which each row is at risk: (n,)."""
        running = np.concatenate(([0.0], np.cumsum(values)))
        total: Array = running[self.stop]
        return total - running[self.start] if self.starts_matter else total


def _sums_from(place: IntArray, values: Array, k: int) -> Array:
    """Sums of the values placed beyond each of k event times: shape (k,)."""
    placed = np.asarray(np.bincount(place, values, minlength=k + 1), dtype=float)
    later: Array = np.cumsum(placed[::-1])[-2::-1]
    return later


def risk_sets(
    time: Array,
    event: NDArray[np.bool_],
    *,
    entry: Array | None = None,
    strata: IntArray | None = None,
    ties: str = "efron",
) -> RiskSets:
    """Lay out the risk sets of right-censored, possibly left-truncated rows.

    Parameters
    ----------
    time
        Exit times, shape (n,), any unit.
    event
        Shape (n,).
    entry
        Entry times, shape (n,); each below its exit time. Default: at risk from the start.
    strata
        Codes 0, 1, … of shape (n,).
    ties
        ``"efron"`` or ``"breslow"``.

    Returns
    -------
    RiskSets

    Examples
    --------
    >>> sets = risk_sets(np.array([1., 2., 2., 3.]), np.array([True, True, True, False]))
    >>> sets.at_risk_sums(np.ones(4))
    array([4., 3.])
    """
    if ties not in ("efron", "breslow"):
        raise ValueError(f"ties must be 'efron' or 'breslow', not {ties!r}")
    stratum = np.zeros(len(time), dtype=np.int64) if strata is None else strata
    levels, codes = np.unique(time, return_inverse=True)
    width = len(levels) + 1
    key = stratum * width + codes
    event_rows = np.flatnonzero(event)
    event_rows = event_rows[np.argsort(key[event_rows], kind="stable")]
    keys, event_time, tied = np.unique(key[event_rows], return_inverse=True, return_counts=True)
    before = _keys_at_entry(entry, levels, stratum, width)
    start = np.searchsorted(keys, before, side="left")
    first = np.concatenate(([0], np.cumsum(tied)[:-1]))
    fraction = (np.arange(len(event_rows)) - first[event_time]) / tied[event_time]
    return RiskSets(
        start=start,
        stop=np.searchsorted(keys, key, side="right"),
        times=levels[keys % width] if len(keys) else np.empty(0),
        stratum=stratum,
        event_rows=event_rows,
        event_time=event_time,
        fraction=fraction if ties == "efron" else np.zeros(len(event_rows)),
        tied=tied[event_time].astype(float),
        starts_matter=bool(start.any()),
    )


def _keys_at_entry(entry: Array | None, levels: Array, stratum: IntArray, width: int) -> IntArray:
    """The smallest key at which each row is at risk: the first time after its entry."""
    if entry is None:
        return stratum * width
    return stratum * width + np.searchsorted(levels, entry, side="right")


@dataclass(frozen=True, slots=True)
class PartialLikelihood:
    """Cox's log partial likelihood and its derivatives at one value of the coefficients.

    Attributes
    ----------
    log_likelihood, score, information
        Value, shape (p,), shape (p, p).
    weight
        exp(linear predictor), shape (n,), up to a factor per stratum.
    row_hazard
        Shape (n,): Σ dΛ over the times at risk (with Efron's share at an own event).
    mean
        Shape (E,): covariate means at each event, shape (E, p).
    hazard
        Shape (E,): 1 / Σ weight, with Efron's reduction.
    """

    log_likelihood: float
    score: Array
    information: Array
    weight: Array
    row_hazard: Array
    mean: Array
    hazard: Array


def partial_likelihood(sets: RiskSets, matrix: Array, beta: Array) -> PartialLikelihood:
    """Evaluate the partial likelihood.

    Parameters
    ----------
    sets
        From :func:`risk_sets`.
    matrix
        Covariates, shape (n, p); centred columns keep the rounding small.
    beta
        Coefficients, shape (p,).

    Notes
    -----
    A linear predictor so extreme that a risk set underflows gives −inf, which the step-halving of
    :func:`analysis.models.newton.climb` steps back from.
    """
    eta = matrix @ beta
    eta = eta - stratum_maxima(eta, sets.stratum)[sets.stratum]
    weight = np.exp(eta)
    own = sets.event_rows
    with np.errstate(divide="ignore", invalid="ignore"):
        denominator = _reduced(sets, weight)
        log_likelihood = float(np.sum(eta[own]) - np.sum(np.log(denominator)))
        hazard = 1.0 / denominator
        mean = np.column_stack(
            [_reduced(sets, weight * column) * hazard for column in matrix.T]
            or [np.empty((len(own), 0))]
        )
        row_hazard = accumulated(sets, hazard)
        information = (matrix.T * (weight * row_hazard)) @ matrix - mean.T @ mean
    score = matrix[own].sum(axis=0) - mean.sum(axis=0)
    if not np.isfinite(log_likelihood):
        log_likelihood = -np.inf
    return PartialLikelihood(log_likelihood, score, information, weight, row_hazard, mean, hazard)


def stratum_maxima(eta: Array, stratum: IntArray) -> Array:
    """Largest linear predictor of each stratum."""
    largest = np.full(int(stratum.max(initial=0)) + 1, -np.inf)
    np.maximum.at(largest, stratum, eta)
    return np.where(np.isfinite(largest), largest, 0.0)


def _reduced(sets: RiskSets, values: Array) -> Array:
    """Sum over the risk set less j/d of the tied events, at each event: shape (E,)."""
    at_event = sets.at_risk_sums(values)[sets.event_time]
    if not sets.fraction.any():
        return at_event
    tied = sets.over_events(values[sets.event_rows])[sets.event_time]
    reduced: Array = at_event - sets.fraction * tied
    return reduced


def accumulated(sets: RiskSets, at_event: Array) -> Array:
    """Sum over a row's time at risk of a value per event (E,), with Efron's share: shape (n,)."""
    total = sets.while_at_risk(sets.over_events(at_event))
    if sets.fraction.any():
        share = sets.over_events(sets.fraction * at_event)
        total[sets.event_rows] -= share[sets.event_time]
    return total


def weighted_information(
    sets: RiskSets, matrix: Array, point: PartialLikelihood, at_event: Array
) -> Array:
    """Information with each event's contribution multiplied by ``at_event`` (E,): (p, p)."""
    row = point.weight * accumulated(sets, point.hazard * at_event)
    return (matrix.T * row) @ matrix - (point.mean.T * at_event) @ point.mean


def score_residuals(sets: RiskSets, matrix: Array, point: PartialLikelihood) -> Array:
    """Each row's contribution to the score, exact under Efron's ties: shape (n, p).

    Row i gives δᵢ(xᵢ − x̄) − ∫ (xᵢ − x̄(u)) dΛᵢ(u), where tied events take part in the later of
    their d terms with weight 1 − j/d (Therneau & Grambsch 2000, Modeling Survival Data, §3.3 and
    7.2). The rows sum to the score.
    """
    drift = np.column_stack([accumulated(sets, point.hazard * column) for column in point.mean.T])
    residual = -point.weight[:, None] * (matrix * point.row_hazard[:, None] - drift)
    own_mean = np.column_stack([sets.over_events(column) for column in point.mean.T])
    own = sets.event_rows
    residual[own] += matrix[own] - own_mean[sets.event_time] / sets.tied[:, None]
    return residual


def penalty_gradient(sets: RiskSets, matrix: Array, point: PartialLikelihood) -> Array:
    """Gradient of ½ ln |information| (Firth 1993; Heinze & Schemper 2001): shape (p,).

    The third central moments of the covariates over each risk set are expanded so that only sums
    over rows and events remain.
    """
    inverse = np.linalg.inv(point.information)
    turned = matrix @ inverse
    square = np.einsum("ij,ij->i", turned, matrix)
    mean_square = _reduced(sets, point.weight * square) * point.hazard
    drift = np.column_stack([accumulated(sets, point.hazard * column) for column in point.mean.T])
    row = point.weight * (square * point.row_hazard - 2.0 * np.einsum("ij,ij->i", turned, drift))
    mean_turned = np.einsum("ij,ij->i", point.mean @ inverse, point.mean)
    gradient: Array = 0.5 * (matrix.T @ row + point.mean.T @ (2.0 * mean_turned - mean_square))
    return gradient
