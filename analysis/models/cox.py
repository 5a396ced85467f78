"""Cox's proportional-hazards model (Cox 1972, JRSS B 34:187–220).

Efron's or Breslow's ties, strata, delayed entry, standard errors robust to misspecification or to
several rows per patient (Lin & Wei 1989, JASA 84:1074–1078) from the exact score residuals of the
chosen ties. Numpy only, O(n log n).
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
    exp_or_infinite,
    refuse_separation,
    require_events,
    runaway_columns,
    wald_coefficients,
)
from analysis.models.design_matrix import check_columns
from analysis.models.newton import TOLERANCE, Climb, climb
from analysis.models.risk_sets import (
    PartialLikelihood,
    RiskSets,
    partial_likelihood,
    risk_sets,
    score_residuals,
    stratum_maxima,
)
from registry.errors import RefusedEstimateError

Array = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class CoxData:
    """Rows of a Cox model, checked, with columns standardised for the arithmetic.

    Attributes
    ----------
    terms
        p names.
    matrix
        Shape (n, p), each column with mean 0 and standard deviation 1.
    centre, scale
        Shape (p,): covariates = centre + scale · matrix.
    sets
        The risk sets.
    time, entry
        Shape (n,), times nearer than rounding merged; entry None when all start at risk.
    event
        Shape (n,).
    strata
        Labels, one a stratum in the order of the codes in ``sets.stratum``.
    ties
        ``"efron"`` or ``"breslow"``.
    """

    terms: tuple[str, ...]
    matrix: Array
    centre: Array
    scale: Array
    sets: RiskSets
    time: Array
    entry: Array | None
    event: BoolArray
    strata: tuple[object, ...]
    ties: str


@dataclass(frozen=True, slots=True)
class CoxFit:
    """A fitted Cox model.

    Attributes
    ----------
    coefficients
        One row a term; Wald, or robust Wald where clusters were given.
    covariance, robust_covariance
        Shape (p, p), on the scale of ``coef``; robust is None without clusters.
    log_likelihood, log_likelihood_null
        Log partial likelihood at the maximum and with every coefficient 0.
    n, events
        Rows and events.
    clusters
        Number of clusters, or None.
    iterations, gradient
        Newton steps, and the largest |score| / sqrt(information) left.
    data, point
        For residuals and predictions: the rows, and the likelihood at the maximum.
    """

    coefficients: Coefficients
    covariance: Array
    robust_covariance: Array | None
    log_likelihood: float
    log_likelihood_null: float
    n: int
    events: int
    clusters: int | None
    iterations: int
    gradient: float
    data: CoxData
    point: PartialLikelihood

    def baseline_hazard(self, covariates: Array | None = None) -> tuple[Array, Array, IntArray]:
        """Cumulative hazard at covariates of shape (p,); default all 0.

        Returns
        -------
        times, cumulative_hazard, stratum
            Each of shape (K,): event times by stratum, the cumulative hazard just after them, and
            the stratum's code. The estimator has the ties of the fit (Efron's for Efron).
        """
        sets = self.data.sets
        data = self.data
        largest = stratum_maxima(data.matrix @ (self.coefficients.coef * data.scale), sets.stratum)
        at = np.zeros(len(data.terms)) if covariates is None else covariates
        shift = (at - data.centre) @ self.coefficients.coef - largest
        step = sets.over_events(self.point.hazard)
        number, first = np.unique(_stratum_of_times(sets), return_index=True)
        running = np.cumsum(step)
        before = np.zeros(len(self.data.strata))
        before[number] = np.concatenate(([0.0], running))[first]
        stratum = _stratum_of_times(sets)
        return sets.times, (running - before[stratum]) * exp_or_infinite(shift)[stratum], stratum

    def survival(self, covariates: Array, times: Array, *, stratum: int = 0) -> Array:
        """Predicted survival exp(−Λ₀(t) exp(x'β)).

        Parameters
        ----------
        covariates
            Shape (m, p).
        times
            Shape (k,). A time beyond the stratum's last follow-up gives NaN.
        stratum
            Code of the stratum.

        Returns
        -------
        ndarray
            Shape (m, k).
        """
        centre = self.data.centre
        at, hazard, code = self.baseline_hazard(centre)
        at, hazard = at[code == stratum], hazard[code == stratum]
        cumulative = np.concatenate(([0.0], hazard))[np.searchsorted(at, times, side="right")]
        last = self.data.time[self.data.sets.stratum == stratum].max()
        cumulative = np.where(times <= last, cumulative, np.nan)
        survival: Array = np.exp(
            -np.exp((covariates - centre) @ self.coefficients.coef)[:, None] * cumulative[None, :]
        )
        return survival

    def score_residuals(self) -> Array:
        """Each row's contribution to the score, on the covariates' scale: shape (n, p)."""
        return score_residuals(self.data.sets, self.data.matrix, self.point) * self.data.scale

    def martingale_residuals(self) -> Array:
        """Events minus expected events, shape (n,); they sum to 0."""
        return self.data.event - self.point.weight * self.point.row_hazard


def _stratum_of_times(sets: RiskSets) -> IntArray:
    stratum = np.empty(len(sets.times), dtype=np.int64)
    stratum[sets.event_time] = sets.stratum[sets.event_rows]
    return stratum


def prepare_cox(
    matrix: Array,
    time: Array,
    event: BoolArray,
    *,
    terms: Sequence[str] | None = None,
    entry: Array | None = None,
    strata: NDArray[np.generic] | None = None,
    ties: str = "efron",
    model: str = "Cox",
    fewest_events: int = FEWEST_EVENTS,
) -> CoxData:
    """Check the rows of a Cox model and lay out its risk sets.

    Parameters, refusals and ties are those of :func:`cox`.
    """
    matrix = np.asarray(matrix, dtype=float)
    time, event = np.asarray(time, dtype=float), np.asarray(event, dtype=bool)
    names = tuple(terms) if terms is not None else tuple(f"x{j}" for j in range(matrix.shape[1]))
    _check_shapes(matrix, time, event, names)
    require_events(int(event.sum()), model=model, fewest=fewest_events)
    time, entry = merge_rounded_times(
        time, None if entry is None else np.asarray(entry, dtype=float)
    )
    if entry is not None and not np.all(entry < time):
        bad = np.flatnonzero(~(entry < time))
        raise ValueError(f"entry must be below time; it is not in rows {bad[:5].tolist()}")
    labels, codes = (
        (np.array(["all"]), np.zeros(len(time), dtype=np.int64))
        if strata is None
        else np.unique(np.asarray(strata), return_inverse=True)
    )
    check_columns(matrix, names, groups=None if strata is None else codes)
    centre, scale = matrix.mean(axis=0), matrix.std(axis=0)
    sets = risk_sets(time, event, entry=entry, strata=codes, ties=ties)
    standard = (matrix - centre) / scale
    return CoxData(
        names, standard, centre, scale, sets, time, entry, event, tuple(labels.tolist()), ties
    )


def _check_shapes(matrix: Array, time: Array, event: BoolArray, names: tuple[str, ...]) -> None:
    if matrix.ndim != 2 or matrix.shape != (len(time), len(names)) or len(event) != len(time):
        raise ValueError(
            f"matrix {matrix.shape}, time {time.shape}, event {event.shape} and {len(names)} terms"
            " do not fit together"
        )
    if not np.all(np.isfinite(time)) or np.any(time < 0):
        raise ValueError("time must be finite and not negative")


def cox(
    matrix: Array,
    time: Array,
    event: BoolArray,
    *,
    terms: Sequence[str] | None = None,
    entry: Array | None = None,
    strata: NDArray[np.generic] | None = None,
    cluster: NDArray[np.generic] | None = None,
    ties: str = "efron",
    level: float = 0.95,
    tolerance: float = TOLERANCE,
    fewest_events: int = FEWEST_EVENTS,
) -> CoxFit:
    """Fit a Cox model.

    Parameters
    ----------
    matrix
        Covariates without missing values, shape (n, p).
    time
        Exit times, shape (n,), any unit; 0 is allowed. Times equal up to rounding are merged.
    event
        Shape (n,); a competing event is a censoring here (the cause-specific hazard).
    terms
        p names, for messages and the result.
    entry
        Delayed entry, shape (n,): at risk means entry < t ≤ exit.
    strata
        Labels of shape (n,): a baseline hazard each.
    cluster
        Labels of shape (n,), for example the patient: robust standard errors summed by cluster,
        without small-sample factor.
    ties
        ``"efron"`` or ``"breslow"``; the same where no two events fall together.
    level
        Confidence level.
    tolerance
        Largest |score| / sqrt(information) at which Newton's method ends.
    fewest_events
        Under so many events the model is refused.

    Returns
    -------
    CoxFit

    Raises
    ------
    RefusedEstimateError
        Under five events; a column separates the events (named); no convergence.
    RefusedInputError
        A column is constant or repeats others (named).

    Examples
    --------
    >>> time = np.array([1., 2., 3., 4., 5., 6., 7., 8.])
    >>> dose = np.array([[9.], [7.], [8.], [4.], [6.], [3.], [5.], [1.]])
    >>> fit = cox(dose, time, time < 7, terms=["dose"])
    >>> round(float(fit.coefficients.coef[0]), 6), fit.events
    (0.669707, 6)
    """
    data = prepare_cox(
        matrix, time, event,
        terms=terms, entry=entry, strata=strata, ties=ties, fewest_events=fewest_events,
    )  # fmt: skip
    null = partial_likelihood(data.sets, data.matrix, np.zeros(len(data.terms)))
    refuse_without_information(data, null)
    ended = climb(
        lambda beta: partial_likelihood(data.sets, data.matrix, beta),
        np.zeros(len(data.terms)),
        tolerance=tolerance,
    )
    refuse_unfinished(ended, data.terms, firth="firth-cox", what="the order of the events is")
    point = partial_likelihood(data.sets, data.matrix, ended.coefficients)
    inverse: Array = np.linalg.inv(point.information).astype(float)
    robust, clusters = None, None
    if cluster is not None:
        robust, clusters = _robust(data, point, inverse, np.asarray(cluster))
    by_scale = np.outer(data.scale, data.scale)
    covariance = inverse / by_scale
    robust_covariance = None if robust is None else robust / by_scale
    return CoxFit(
        wald_coefficients(
            data.terms, ended.coefficients / data.scale, covariance,
            robust_covariance=robust_covariance, level=level,
        ),
        covariance, robust_covariance, point.log_likelihood, null.log_likelihood,
        len(data.time), data.sets.n_events, clusters, ended.iterations, ended.gradient, data, point,
    )  # fmt: skip


def refuse_without_information(data: CoxData, null: PartialLikelihood) -> None:
    """Refuse columns that do not vary among those at risk whenever an event happens.

    Where all at risk have their event at one and the same time there is no order to learn from.
    """
    at_risk = data.sets.at_risk_sums(np.ones(len(data.time)))
    if len(data.sets.times) == 1 and data.sets.n_events >= at_risk[0] - 0.5:
        raise RefusedEstimateError(
            f"All {data.sets.n_events} at risk have their event at one time, so the order of the "
            "events says nothing about any column. Record times more finely, or use a logistic "
            "model of the event by a fixed time.",
            events=data.sets.n_events,
        )
    flat = np.diag(null.information) <= 1e-10 * data.sets.n_events
    if flat.any():
        names = [t for t, is_flat in zip(data.terms, flat, strict=True) if is_flat]
        raise RefusedEstimateError(
            f"{', '.join(names)} does not vary among those at risk when events happen, so the"
            " events say nothing about it. Leave it out.",
            columns=names,
        )


def refuse_unfinished(ended: Climb, terms: tuple[str, ...], *, firth: str, what: str) -> None:
    """Refuse a fit that ran away (naming the columns) or did not converge."""
    if ended.runaway is not None:
        refuse_separation(runaway_columns(terms, ended.runaway), firth=firth, what=what)
    if not ended.converged:
        raise RefusedEstimateError(
            f"The likelihood could not be maximised in {ended.iterations} steps (score / sqrt"
            f" information still {ended.gradient:.2g}). Columns that nearly repeat each other, or"
            f" nearly separate the events, do this; try fewer terms or --model {firth}.",
            gradient=ended.gradient,
        )


def _robust(
    data: CoxData, point: PartialLikelihood, inverse: Array, cluster: NDArray[np.generic]
) -> tuple[Array, int]:
    residual = score_residuals(data.sets, data.matrix, point)
    labels, codes = np.unique(cluster, return_inverse=True)
    influence = cluster_sums(residual, codes) @ inverse
    return influence.T @ influence, len(labels)


def cluster_sums(rows: Array, codes: IntArray) -> Array:
    """Sums of rows (shape (n, p)) by cluster code: shape (clusters, p)."""
    return np.column_stack([np.bincount(codes, column) for column in rows.T])
