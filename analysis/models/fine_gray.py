"""Fine–Gray model of the subdistribution hazard (Fine & Gray 1999, JASA 94:496–509).

A row that had a competing event stays in the risk sets with weight Ĝ(t−)/Ĝ(T−), Ĝ being the
Kaplan–Meier estimate of remaining uncensored. Standard errors are the published sandwich with the
part that comes from estimating Ĝ. O(n log n): every sum over risk sets is a cumulative sum.

Ties: Breslow's, with Ĝ taken just before each time (a censoring at t does not change the weights at
t). This is cmprsk's convention; weighted-data programs that split time differ under ties.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.estimators.observations import merge_rounded_times
from analysis.models.coefficients import (
    FEWEST_EVENTS,
    Coefficients,
    require_events,
    wald_coefficients,
)
from analysis.models.cox import refuse_unfinished
from analysis.models.design_matrix import check_columns
from analysis.models.newton import TOLERANCE, climb
from registry.errors import RefusedEstimateError

Array = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class SubdistributionData:
    """Rows of a Fine–Gray model.

    Attributes
    ----------
    matrix
        Standardised covariates, shape (n, p).
    time, cause
        Shape (n,); cause 0 = censored.
    of_interest
        Which rows had the modelled cause.
    competed
        Rows with another cause, shape (c,).
    times, deaths
        Shape (K,): times with the modelled cause, and how many.
    until
        Shape (n,): number of event times up to and including the row's time.
    uncensored
        Shape (K,): Ĝ(t−) at the event times.
    own_uncensored
        Shape (n,): Ĝ(T−) at each row's own time.
    """

    matrix: Array
    time: Array
    cause: IntArray
    of_interest: NDArray[np.bool_]
    competed: IntArray
    times: Array
    deaths: Array
    until: IntArray
    uncensored: Array
    own_uncensored: Array

    def at_risk_sums(self, values: Array) -> Array:
        """Weighted sums of ``values`` (n,) over the risk sets of the event times: (K,)."""
        k = len(self.times)
        still = np.bincount(self.until, values, minlength=k + 1)[::-1].cumsum()[::-1][1:]
        rows = self.competed
        held = np.bincount(
            self.until[rows], values[rows] / self.own_uncensored[rows], minlength=k + 1
        )
        total: Array = still + self.uncensored * np.cumsum(held)[:-1]
        return total

    def while_at_risk(self, values: Array) -> Array:
        """Weighted sums over a row's whole time at risk of a value per event time: (n,)."""
        total: Array = np.concatenate(([0.0], np.cumsum(values)))[self.until]
        total[self.competed] += (
            _later(self.uncensored * values)[self.until[self.competed]]
            / self.own_uncensored[self.competed]
        )
        return total


@dataclass(frozen=True, slots=True)
class PseudoLikelihood:
    """The Fine–Gray log pseudo-likelihood with its derivatives at one value of β.

    ``weight`` (n,) is exp(linear predictor) up to a factor, ``mean`` (K, p) the weighted covariate
    means and ``hazard`` (K,) the steps of the baseline subdistribution hazard on that scale.
    """

    log_likelihood: float
    score: Array
    information: Array
    weight: Array
    mean: Array
    hazard: Array


@dataclass(frozen=True, slots=True)
class FineGrayFit:
    """A fitted Fine–Gray model.

    Attributes
    ----------
    coefficients
        One row a term, Wald limits from the sandwich; ``se`` is the published sandwich.
    covariance
        Shape (p, p).
    log_likelihood, log_likelihood_null
        Log pseudo-likelihood at the maximum and with every coefficient 0.
    n, events, competing
        Rows, events of the modelled cause, events of other causes.
    centre
        Shape (p,): covariate means.
    times, baseline
        Shape (K,): event times and the cumulative subdistribution hazard after them, at ``centre``.
    last_time
        Last follow-up.
    iterations, gradient
        Newton steps, and the largest |score| / sqrt(information) left.
    """

    coefficients: Coefficients
    covariance: Array
    log_likelihood: float
    log_likelihood_null: float
    n: int
    events: int
    competing: int
    centre: Array
    times: Array
    baseline: Array
    last_time: float
    iterations: int
    gradient: float

    def cumulative_incidence(self, covariates: Array, times: Array) -> Array:
        """Predicted cumulative incidence 1 − exp(−Λ(t) exp((x − centre)'β)).

        ``covariates`` has shape (m, p), ``times`` (k,); the result (m, k) is NaN beyond the last
        follow-up.
        """
        steps = np.concatenate(([0.0], self.baseline))
        hazard = steps[np.searchsorted(self.times, times, side="right")]
        hazard = np.where(times <= self.last_time, hazard, np.nan)
        incidence: Array = -np.expm1(
            -np.exp((covariates - self.centre) @ self.coefficients.coef)[:, None] * hazard[None, :]
        )
        return incidence


def fine_gray(
    matrix: Array,
    time: Array,
    status: NDArray[np.generic],
    *,
    cause: int = 1,
    terms: Sequence[str] | None = None,
    level: float = 0.95,
    tolerance: float = TOLERANCE,
    fewest_events: int = FEWEST_EVENTS,
) -> FineGrayFit:
    """Fit the Fine–Gray model of one cause.

    Parameters
    ----------
    matrix
        Covariates without missing values, shape (n, p).
    time
        Shape (n,), any unit, not negative; times equal up to rounding are merged.
    status
        Shape (n,): 0 censored, ``cause`` the modelled event, any other code a competing event.
    cause
        The modelled cause.
    terms
        p names.
    level, tolerance, fewest_events
        As for :func:`analysis.models.cox.cox`.

    Returns
    -------
    FineGrayFit

    Raises
    ------
    RefusedEstimateError, RefusedInputError
        As for :func:`analysis.models.cox.cox`.

    Examples
    --------
    >>> time = np.array([1., 2., 3., 4., 5., 6., 7., 8., 9.])
    >>> status = np.array([1, 1, 2, 1, 0, 1, 2, 1, 0])
    >>> dose = np.array([[2.], [5.], [3.], [1.], [4.], [2.], [6.], [3.], [5.]])
    >>> fit = fine_gray(dose, time, status, terms=["dose"])
    >>> fit.events, fit.competing, round(float(fit.coefficients.coef[0]), 4)
    (5, 2, -0.5936)
    """
    matrix = np.asarray(matrix, dtype=float)
    time, status = np.asarray(time, dtype=float), np.asarray(status)
    names = tuple(terms) if terms is not None else tuple(f"x{j}" for j in range(matrix.shape[1]))
    if matrix.shape != (len(time), len(names)) or len(status) != len(time):
        raise ValueError(f"matrix {matrix.shape}, time {time.shape} and terms do not fit together")
    if not np.all(np.isfinite(time)) or np.any(time < 0):
        raise ValueError("time must be finite and not negative")
    events = int(np.sum(status == cause))
    require_events(events, model="Fine–Gray", fewest=fewest_events)
    check_columns(matrix, names)
    centre, scale = matrix.mean(axis=0), matrix.std(axis=0)
    data = _lay_out((matrix - centre) / scale, time, status, cause)
    null = pseudo_likelihood(data, np.zeros(len(names)))
    _refuse_flat(null, names, events)
    ended = climb(lambda b: pseudo_likelihood(data, b), np.zeros(len(names)), tolerance=tolerance)
    refuse_unfinished(ended, names, firth="firth-cox", what="the order of the events is")
    point = pseudo_likelihood(data, ended.coefficients)
    _refuse_no_spread(sandwich := _sandwich(data, point), point, names)
    covariance = sandwich / np.outer(scale, scale)
    coef = ended.coefficients / scale
    at_centre = np.exp(-np.max((matrix - centre) @ coef))
    return FineGrayFit(
        wald_coefficients(names, coef, covariance, level=level), covariance,
        point.log_likelihood, null.log_likelihood, len(time), events, len(data.competed),
        centre, data.times, np.cumsum(point.hazard) * at_centre, float(time.max()),
        ended.iterations, ended.gradient,
    )  # fmt: skip


def _refuse_flat(null: PseudoLikelihood, names: tuple[str, ...], events: int) -> None:
    flat = [
        t for t, own in zip(names, np.diag(null.information), strict=True) if own <= 1e-10 * events
    ]
    if flat:
        raise RefusedEstimateError(
            f"{', '.join(flat)} does not vary among those at risk when events happen."
            " Leave it out.",
            columns=flat,
        )


def _refuse_no_spread(sandwich: Array, point: PseudoLikelihood, names: tuple[str, ...]) -> None:
    """Refuse where the rows' influences cancel, as when all have the event at one time."""
    model_based = np.diag(np.linalg.inv(point.information))
    flat = [
        t
        for t, own, usual in zip(names, np.diag(sandwich), model_based, strict=True)
        if own <= 1e-12 * usual
    ]
    if flat:
        raise RefusedEstimateError(
            f"The order of the events says nothing about {', '.join(flat)} (do all have the event"
            " at one time?), so there is no standard error. Record times more finely, or leave the"
            " column out.",
            columns=flat,
        )


def _lay_out(
    matrix: Array, time: Array, status: NDArray[np.generic], cause: int
) -> SubdistributionData:
    time, _ = merge_rounded_times(time)
    of_interest = status == cause
    times, deaths = np.unique(time[of_interest], return_counts=True)
    levels, before = _uncensored_before(time, status == 0)
    return SubdistributionData(
        matrix=matrix,
        time=time,
        cause=np.where(status == 0, 0, np.where(of_interest, 1, 2)),
        of_interest=of_interest,
        competed=np.flatnonzero((status != 0) & ~of_interest),
        times=times,
        deaths=deaths.astype(float),
        until=np.searchsorted(times, time, side="right"),
        uncensored=before[np.searchsorted(levels, times)],
        own_uncensored=before[np.searchsorted(levels, time)],
    )


def _uncensored_before(time: Array, is_censored: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Distinct times and Ĝ(t−), Kaplan–Meier with censoring as the event: each (L,)."""
    levels, codes = np.unique(time, return_inverse=True)
    leaving = np.bincount(codes, minlength=len(levels))
    at_risk = leaving[::-1].cumsum()[::-1]
    step = 1.0 - np.bincount(codes, is_censored, minlength=len(levels)) / at_risk
    return levels, np.concatenate(([1.0], np.cumprod(step)[:-1]))


def _later(values: Array) -> Array:
    """Sums of the values from each place on, shape (K + 1,)."""
    return np.concatenate((values[::-1].cumsum()[::-1], [0.0]))


def pseudo_likelihood(data: SubdistributionData, beta: Array) -> PseudoLikelihood:
    """Evaluate the log pseudo-likelihood at β (shape (p,))."""
    matrix, own = data.matrix, data.of_interest
    eta = matrix @ beta
    eta = eta - eta.max(initial=-np.inf)
    weight = np.exp(eta)
    with np.errstate(divide="ignore", invalid="ignore"):
        total = data.at_risk_sums(weight)
        hazard = data.deaths / total
        mean = np.column_stack([data.at_risk_sums(weight * x) / total for x in matrix.T])
        log_likelihood = float(eta[own].sum() - data.deaths @ np.log(total))
        row = weight * data.while_at_risk(hazard)
        information = (matrix.T * row) @ matrix - (mean.T * data.deaths) @ mean
    score = matrix[own].sum(axis=0) - data.deaths @ mean
    if not np.isfinite(log_likelihood):
        log_likelihood = -np.inf
    return PseudoLikelihood(log_likelihood, score, information, weight, mean, hazard)


def _sandwich(data: SubdistributionData, point: PseudoLikelihood) -> Array:
    """Published covariance Ω⁻¹ Σ (η + ψ)(η + ψ)ᵀ Ω⁻¹, shape (p, p)."""
    inverse = np.linalg.inv(point.information)
    influence = (_score_part(data, point) + _censoring_part(data, point)) @ inverse
    covariance: Array = influence.T @ influence
    return covariance


def _score_part(data: SubdistributionData, point: PseudoLikelihood) -> Array:
    """η: ∫ (x − x̄) w dM, shape (n, p)."""
    drift = np.column_stack([data.while_at_risk(point.hazard * m) for m in point.mean.T])
    hazard = data.while_at_risk(point.hazard)
    part = -point.weight[:, None] * (data.matrix * hazard[:, None] - drift)
    own = data.of_interest
    part[own] += data.matrix[own] - point.mean[data.until[own] - 1]
    return part


def _censoring_part(data: SubdistributionData, point: PseudoLikelihood) -> Array:
    """ψ: ∫ q/π dMᶜ, what estimating Ĝ adds to each row, shape (n, p).

    q(u) sums, over rows that had a competing event before u, their share in the score from u on: it
    is what a censoring at u moves. Where censorings and events tie, cmprsk's convention is kept.
    """
    moments, codes, counts = np.unique(
        data.time[data.cause == 0], return_inverse=True, return_counts=True
    )
    at_risk = len(data.time) - np.searchsorted(np.sort(data.time), moments, side="left")
    moved = _moved_score(data, point, moments) / at_risk[:, None]
    part = np.zeros_like(data.matrix)
    part[data.cause == 0] = moved[codes]
    compensator = np.vstack(
        [np.zeros(part.shape[1]), np.cumsum(moved * (counts / at_risk)[:, None], axis=0)]
    )
    return part - compensator[np.searchsorted(moments, data.time, side="right")]


def _moved_score(data: SubdistributionData, point: PseudoLikelihood, moments: Array) -> Array:
    """q(u) at the censoring times, shape (U, p)."""
    rows = data.competed[np.argsort(data.time[data.competed], kind="stable")]
    share = point.weight[rows] / data.own_uncensored[rows]
    gone = np.searchsorted(data.time[rows], moments, side="left")
    ahead = np.searchsorted(data.times, moments, side="left")
    held = np.concatenate(([0.0], np.cumsum(share)))[gone]
    later = data.uncensored * point.hazard
    to_come = _later(later)[ahead]
    columns = []
    for x, mean in zip(data.matrix.T, point.mean.T, strict=True):
        held_x = np.concatenate(([0.0], np.cumsum(share * x[rows])))[gone]
        columns.append(held_x * to_come - held * _later(later * mean)[ahead])
    return np.column_stack(columns)
