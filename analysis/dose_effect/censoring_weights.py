"""A binary outcome at a horizon from censored follow-up: inverse-probability-of-censoring weights.

Who failed by the horizon, and who was followed to it without failure, has a known outcome; each
stands for those like him who were lost before, with the weight 1/Ĝ, Ĝ being the Kaplan–Meier
estimate of remaining uncensored just before his time (Robins & Finkelstein 2000, Biometrics
56:779–788, in the form without covariates). That losses do not depend on what is analysed is
assumed.

Two readings of a competing event before the horizon: ``"net"`` takes it as a censoring (what
tumour control would be if nobody died), ``"crude"`` as "not failed" (what happens to patients).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.models.binomial_likelihood import INTERCEPT, fit_binomial
from analysis.models.coefficients import FEWEST_EVENTS, Coefficients, wald_coefficients
from analysis.models.cox import cluster_sums
from analysis.models.design_matrix import check_columns
from analysis.models.firth import require_both_outcomes
from analysis.models.logistic import refuse_separated
from registry.errors import RefusedEstimateError

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

READINGS = ("net", "crude")
READING_WORDS = {
    "net": "death (and removal of the eye for another reason) before the horizon is a censoring:"
    " what would be seen if nobody died first",
    "crude": "death (and removal of the eye for another reason) before the horizon counts as not"
    " failed: what happens to patients",
}
#: Fewer than so many people still followed at the horizon are too few to stand for the lost.
FEWEST_AT_HORIZON = 10


@dataclass(frozen=True, slots=True)
class HorizonOutcome:
    """Outcome at a horizon; arrays of shape (n,).

    Attributes
    ----------
    failed
        Failed by the horizon.
    known
        Whether the outcome at the horizon is known.
    weight
        1/Ĝ where it is known, else 0.
    horizon, reading
        As asked.
    at_horizon
        How many were followed to the horizon without failure.
    """

    failed: BoolArray
    known: BoolArray
    weight: Array
    horizon: float
    reading: str
    at_horizon: int

    @property
    def effective_n(self) -> float:
        """(Σw)²/Σw² over the known (Kish)."""
        return effective_number(self.weight[self.known])


def effective_number(weight: Array) -> float:
    """(Σw)²/Σw².

    >>> effective_number(np.array([1.0, 1.0, 2.0])).__round__(4)
    2.6667
    """
    return float(weight.sum() ** 2 / np.square(weight).sum()) if len(weight) else 0.0


def uncensored_before(time: Array, is_censored: BoolArray, at: Array) -> Array:
    """Kaplan–Meier estimate of remaining uncensored just before times of shape (m,).

    At a tie events come first: a censoring at t does not lower Ĝ(t−).

    >>> time, left = np.array([1., 2., 3.]), np.array([True, False, False])
    >>> uncensored_before(time, left, np.array([1., 2.]))
    array([1.        , 0.66666667])
    """
    levels, codes = np.unique(time, return_inverse=True)
    leaving = np.bincount(codes, minlength=len(levels))
    at_risk = leaving[::-1].cumsum()[::-1]
    # at a tie those with an event have left before the censorings
    others = np.bincount(codes, ~is_censored, minlength=len(levels))
    censored = np.bincount(codes, is_censored, minlength=len(levels))
    step = 1.0 - censored / np.maximum(at_risk - others, 1)
    remaining = np.concatenate(([1.0], np.cumprod(step)))
    found: Array = remaining[np.searchsorted(levels, at, side="left")]
    return found


def outcome_at(
    time: Array, status: NDArray[np.int64], horizon: float, *, reading: str = "net"
) -> HorizonOutcome:
    """Find who had failed by a horizon, and the weights.

    Parameters
    ----------
    time, status
        Shape (n,); status 0 censored, 1 event, above 1 competing.
    horizon
        In the unit of ``time``.
    reading
        ``"net"`` or ``"crude"``.

    Returns
    -------
    HorizonOutcome

    Raises
    ------
    RefusedEstimateError
        Under ten people were followed to the horizon.

    Examples
    --------
    >>> time = np.concatenate([[1., 2.], np.full(12, 5.)])
    >>> found = outcome_at(time, np.array([0, 1] + [0] * 12), 4.0)
    >>> int(found.known.sum()), found.weight[:3].round(4).tolist(), found.at_horizon
    (13, [0.0, 1.0769, 1.0769], 12)
    """
    if reading not in READINGS:
        raise ValueError(f"reading must be one of {', '.join(READINGS)}, not {reading!r}")
    if not horizon > 0:
        raise ValueError(f"a horizon lies after time zero, not at {horizon!r}")
    time = np.asarray(time, dtype=float)
    failed = (status == 1) & (time <= horizon)
    reached = (time >= horizon) & ~failed
    settled = (status > 1) & (time < horizon) & (reading == "crude")
    at_horizon = int(reached.sum())
    if at_horizon < FEWEST_AT_HORIZON:
        raise RefusedEstimateError(
            f"{at_horizon} were followed to the horizon of {horizon:g} without the event: too few"
            " to stand for those lost before. Choose an earlier horizon.",
            at_horizon=at_horizon,
        )
    is_censored = (status == 0) if reading == "crude" else (status != 1)
    known = failed | reached | settled
    remaining = uncensored_before(time, is_censored, np.minimum(time, horizon))
    weight = np.where(known, 1.0 / np.where(known, remaining, 1.0), 0.0)
    return HorizonOutcome(failed, known, weight, float(horizon), reading, at_horizon)


@dataclass(frozen=True, slots=True)
class WeightedLogisticFit:
    """A logistic model fitted with weights.

    Attributes
    ----------
    coefficients
        ``intercept`` first; Wald limits from the sandwich, which takes the weights as known (and
        is a little too wide for estimated ones) and sums by cluster.
    covariance
        Shape (p + 1, p + 1), the sandwich.
    n, events
        Rows with weight, and those with the event, unweighted.
    effective_n
        (Σw)²/Σw².
    least_weight, largest_weight
        Range of the weights.
    clusters
        Number of clusters, or None.
    """

    coefficients: Coefficients
    covariance: Array
    n: int
    events: int
    effective_n: float
    least_weight: float
    largest_weight: float
    clusters: int | None


def weighted_logistic(
    matrix: Array,
    event: BoolArray,
    weight: Array,
    *,
    terms: tuple[str, ...],
    cluster: NDArray[np.generic] | None = None,
    level: float = 0.95,
    fewest_events: int = FEWEST_EVENTS,
) -> WeightedLogisticFit:
    """Fit a logistic model to rows with weights; rows of weight 0 are left out.

    Parameters
    ----------
    matrix
        Covariates, shape (n, p), without an intercept column (it is added, first).
    event, weight
        Shape (n,); probability weights, not negative.
    terms
        p names.
    cluster
        Labels of shape (n,), for example the patient.
    level, fewest_events
        As for :func:`analysis.models.logistic.logistic`; rows are counted unweighted.

    Raises
    ------
    RefusedEstimateError, RefusedInputError
        As for :func:`analysis.models.logistic.logistic`.

    Examples
    --------
    >>> x = np.arange(12.0)[:, None]
    >>> event = np.array([0, 0, 1, 0, 0, 1, 0, 1, 1, 0, 1, 1], dtype=bool)
    >>> fit = weighted_logistic(x, event, np.ones(12), terms=("x",))
    >>> fit.coefficients.coef.round(4), fit.effective_n
    (array([-1.8145,  0.3299]), 12.0)
    """
    if np.any(weight < 0) or not np.all(np.isfinite(weight)):
        raise ValueError("weights must be finite and not negative")
    kept = weight > 0
    matrix, event, weight = matrix[kept], event[kept], weight[kept]
    require_both_outcomes(event, model="weighted logistic", fewest=fewest_events)
    check_columns(matrix, terms)
    centre, scale = matrix.mean(axis=0), matrix.std(axis=0)
    columns = np.column_stack([np.ones(len(event)), (matrix - centre) / scale])
    successes = weight * event
    fit = fit_binomial(columns, successes, weight)
    refuse_separated(columns, successes, weight, fit, terms)
    residual = columns * (successes - weight * fit.risk)[:, None]
    clusters = None
    if cluster is not None:
        labels, codes = np.unique(np.asarray(cluster)[kept], return_inverse=True)
        residual, clusters = cluster_sums(residual, codes), len(labels)
    influence = residual @ fit.covariance
    back = np.diag(np.concatenate(([1.0], 1.0 / scale)))
    back[0, 1:] = -centre / scale
    robust = back @ (influence.T @ influence) @ back.T
    model = back @ fit.covariance @ back.T
    return WeightedLogisticFit(
        wald_coefficients(
            (INTERCEPT, *terms), back @ fit.coef, model, robust_covariance=robust, level=level
        ),
        robust, len(event), int(event.sum()), effective_number(weight),
        float(weight.min()), float(weight.max()), clusters,
    )  # fmt: skip
