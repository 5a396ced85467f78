"""How well a model ranks and how well its risks fit, with the optimism taken off.

Discrimination is Harrell's C (Harrell 1996, Stat Med 15:361–387), for a binary outcome the area
under the curve. Calibration is the slope of the outcome on the model's own linear predictor. Both
are too good in the rows that made the model: the bootstrap refits it in resampled rows, measures
how much better it looks there than in the original rows, and subtracts the mean of that optimism
(:mod:`analysis.models.optimism`, which also gives the limits).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.estimators.observations import merge_rounded_times
from analysis.models.coefficients import require_events
from analysis.models.cox import cox, prepare_cox, refuse_without_information
from analysis.models.firth import penalised_partial
from analysis.models.logistic import logistic
from analysis.models.optimism import (
    ENOUGH,
    OF_OPTIMISM,
    SHIFTED,
    Corrected,
    draw_samples,
    take_off_optimism,
)
from analysis.models.profile_likelihood import maximise_penalised
from analysis.models.risk_sets import partial_likelihood
from registry.errors import MendableError, RefusedEstimateError

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Concordance:
    """Counts of comparable pairs of rows and Harrell's C.

    A pair is comparable when the earlier time is an event (an event counts as before a censoring at
    the same time; two events at one time are not comparable). Pairs tied in the predictor count one
    half.
    """

    concordant: int
    discordant: int
    tied: int

    @property
    def c(self) -> float:
        """(concordant + tied/2) / comparable; NaN without comparable pairs."""
        comparable = self.concordant + self.discordant + self.tied
        return (self.concordant + self.tied / 2) / comparable if comparable else float("nan")


def concordance(time: Array, event: BoolArray, predictor: Array) -> Concordance:
    """Count the pairs in which the row with the higher predictor failed first.

    Parameters
    ----------
    time, event
        Shape (n,).
    predictor
        Shape (n,), higher for higher hazard.

    Examples
    --------
    >>> concordance(np.array([1., 2., 3.]), np.array([True, True, False]), np.array([3., 1., 2.]))
    Concordance(concordant=2, discordant=1, tied=0)
    """
    time, _ = merge_rounded_times(np.asarray(time, dtype=float))
    event = np.asarray(event, dtype=bool)
    # latest first; at one time the censored before the events, which they outlive
    order = np.lexsort((event, -time))
    ranks = np.unique(predictor, return_inverse=True)[1]
    failed = np.flatnonzero(event)
    later = np.searchsorted(np.sort(-time), -time[failed], side="left")
    censored = np.sort(time[~event])
    beside = np.searchsorted(censored, time[failed], side="right") - np.searchsorted(
        censored, time[failed], side="left"
    )
    outliving = later + beside
    below, to = _count_below(ranks[order], outliving, ranks[failed])
    return Concordance(int(below.sum()), int((outliving - to).sum()), int((to - below).sum()))


def _count_below(ranks: IntArray, length: IntArray, asked: IntArray) -> tuple[IntArray, IntArray]:
    """How many of the first ``length`` ranks lie below each rank asked for, and how many up to it.

    Every beginning of the row is made of blocks whose lengths are powers of two; each such block,
    sorted once for all, is searched. O(n log² n).
    """
    below, to = np.zeros(len(length), dtype=np.int64), np.zeros(len(length), dtype=np.int64)
    width = int(ranks.max(initial=0)) + 1
    place = np.arange(len(ranks))
    for bit in range(int(length.max(initial=0)).bit_length()):
        own = np.flatnonzero((length >> bit) & 1)
        if not len(own):
            continue
        keys = np.sort((place >> bit) * width + ranks)
        start = (length[own] >> (bit + 1)) << (bit + 1)
        key = (start >> bit) * width + asked[own]
        below[own] += np.searchsorted(keys, key, side="left") - start
        to[own] += np.searchsorted(keys, key, side="right") - start
    return below, to


def area_under_curve(event: BoolArray, predictor: Array) -> float:
    """Probability that an event has the higher predictor than a non-event, ties one half.

    >>> area_under_curve(np.array([True, False, False]), np.array([2.0, 1.0, 2.0]))
    0.75
    """
    from scipy.stats import rankdata

    positive, negative = int(np.sum(event)), int(np.sum(~event))
    if not positive or not negative:
        raise RefusedEstimateError("The area under the curve needs events and non-events.")
    ranks = float(np.sum(rankdata(predictor)[event]))
    return (ranks - positive * (positive + 1) / 2) / (positive * negative)


@dataclass(frozen=True, slots=True)
class Validation:
    """Internal validation of a model.

    ``c`` is Harrell's C or the area under the curve; ``slope`` the calibration slope (1 as it
    appears, but above 1 for a Firth form, which shrinks already; below 1 when corrected, the
    shrinkage that new patients would need). ``fitted`` of ``resamples`` bootstrap samples could be
    fitted.
    """

    c: Corrected
    slope: Corrected
    resamples: int
    fitted: int

    @property
    def has_limits(self) -> bool:
        """Whether there were samples enough for limits."""
        return not np.isnan(self.c.corrected_lower)


def validate_cox(
    matrix: Array,
    time: Array,
    event: BoolArray,
    *,
    penalised: bool = False,
    ties: str | None = None,
    cluster: NDArray[np.generic] | None = None,
    level: float = 0.95,
    resamples: int = 200,
    rng: np.random.Generator,
) -> Validation:
    """Bootstrap a Cox model: optimism-corrected C and calibration slope, with limits.

    Parameters
    ----------
    matrix, time, event
        As for :func:`analysis.models.cox.cox`.
    penalised
        Whether the model is the Firth form; the slope is always that of plain Cox.
    ties
        Of the model and of the slope; default as the model alone has them (Efron's, for the Firth
        form Breslow's).
    cluster
        Labels of shape (n,): whole clusters are drawn.
    level
        Of the limits.
    resamples
        Bootstrap samples of rows or clusters.
    rng
        Source of randomness.

    Raises
    ------
    RefusedEstimateError
        The model itself is refused, or under four fifths of the samples could be fitted.
    """
    ties = ties or default_ties(penalised=penalised)

    def fit(rows: IntArray) -> Array:
        return cox_coefficients(
            matrix[rows], time[rows], event[rows], penalised=penalised, ties=ties
        )

    def rank(rows: IntArray, predictor: Array) -> float:
        return concordance(time[rows], event[rows], predictor).c

    def slope(rows: IntArray, predictor: Array) -> float:
        found = cox(predictor[:, None], time[rows], event[rows], ties=ties)
        return float(found.coefficients.coef[0])

    measures = _Measures(fit, rank, slope, is_own_slope_one=not penalised)
    return _validate(matrix, measures, cluster, level, resamples, rng)


def linear_predictor(matrix: Array, coef: Array) -> Array:
    """Covariates times coefficients, shape (n,): the same for the same covariates, to the last bit.

    A matrix product is not, since it may add some rows in another order; pairs of people with the
    same covariates then do not count as tied.

    >>> linear_predictor(np.array([[1.0, 2.0], [0.0, 1.0]]), np.array([0.5, 0.25]))
    array([1.  , 0.25])
    """
    total = np.zeros(len(matrix))
    for column, slope in zip(matrix.T, coef, strict=True):
        total += column * slope
    return total


def default_ties(*, penalised: bool) -> str:
    """Ties of a Cox model when nothing is said.

    >>> default_ties(penalised=False), default_ties(penalised=True)
    ('efron', 'breslow')
    """
    return "breslow" if penalised else "efron"


def cox_coefficients(
    matrix: Array,
    time: Array,
    event: BoolArray,
    *,
    penalised: bool = False,
    ties: str | None = None,
) -> Array:
    """Coefficients of Cox or of its Firth form, shape (p,), without limits.

    >>> x, time = np.array([[9.], [7.], [8.], [4.], [6.], [3.], [5.], [1.]]), np.arange(1., 9.)
    >>> cox_coefficients(x, time, time < 7).round(6)
    array([0.669707])
    """
    ties = ties or default_ties(penalised=penalised)
    if not penalised:
        return cox(matrix, time, event, ties=ties).coefficients.coef
    data = prepare_cox(matrix, time, event, ties=ties, model="Firth Cox")
    start = np.zeros(matrix.shape[1])
    refuse_without_information(data, partial_likelihood(data.sets, data.matrix, start))
    top = maximise_penalised(lambda beta: penalised_partial(data, beta), start)
    return top.coefficients / data.scale


def validate_logistic(
    matrix: Array,
    event: BoolArray,
    *,
    cluster: NDArray[np.generic] | None = None,
    level: float = 0.95,
    resamples: int = 200,
    rng: np.random.Generator,
) -> Validation:
    """Bootstrap a logistic model; parameters as for :func:`validate_cox`."""
    require_events(int(event.sum()), model="logistic")

    def fit(rows: IntArray) -> Array:
        return logistic(matrix[rows], event[rows]).coefficients.coef[1:]

    def rank(rows: IntArray, predictor: Array) -> float:
        return area_under_curve(event[rows], predictor)

    def slope(rows: IntArray, predictor: Array) -> float:
        return float(logistic(predictor[:, None], event[rows]).coefficients.coef[1])

    measures = _Measures(fit, rank, slope, is_own_slope_one=True)
    return _validate(matrix, measures, cluster, level, resamples, rng)


@dataclass(frozen=True, slots=True)
class _Measures:
    """How a model is fitted to rows and measured in rows.

    A maximum-likelihood model has slope 1 in the rows that made it, so that it need not be fitted
    there; a penalised one has not.
    """

    fit: Callable[[IntArray], Array]
    rank: Callable[[IntArray, Array], float]
    slope: Callable[[IntArray, Array], float]
    is_own_slope_one: bool

    def own_slope(self, rows: IntArray, predictor: Array) -> float:
        """Slope in the rows that made the model."""
        return 1.0 if self.is_own_slope_one else self.slope(rows, predictor)


def _validate(
    matrix: Array,
    measures: _Measures,
    cluster: NDArray[np.generic] | None,
    level: float,
    resamples: int,
    rng: np.random.Generator,
) -> Validation:
    every = np.arange(len(matrix))
    predictor = linear_predictor(matrix, measures.fit(every))
    apparent = measures.rank(every, predictor), _apparent_slope(measures, every, predictor)
    found = []
    for rows in draw_samples(len(matrix), cluster, resamples, rng):
        try:
            found.append(_measure_sample(matrix, measures, every, rows))
        except MendableError:
            continue
    if len(found) < ENOUGH * resamples:
        raise RefusedEstimateError(
            f"Only {len(found)} of {resamples} bootstrap samples could be fitted (too few"
            " events, or a column that separates them): the optimism is not estimable.",
            fitted=len(found),
            resamples=resamples,
        )
    c_there, c_here, slope_there, slope_here = np.array(found).reshape(-1, 4).T
    return Validation(
        take_off_optimism(apparent[0], c_there, c_here, level=level, interval=SHIFTED),
        take_off_optimism(apparent[1], slope_there, slope_here, level=level, interval=OF_OPTIMISM),
        resamples,
        len(found),
    )


def _apparent_slope(measures: _Measures, every: IntArray, predictor: Array) -> float:
    try:
        return measures.slope(every, predictor)
    except RefusedEstimateError:
        raise RefusedEstimateError(
            "The model’s own predictor puts the events in order without a fault, or nearly, so that"
            " no finite calibration slope fits these rows best and no optimism can be taken off."
            " Report the model without its validation."
        ) from None


def _measure_sample(
    matrix: Array, measures: _Measures, every: IntArray, rows: IntArray
) -> tuple[float, float, float, float]:
    """C and slope of one sample's model, each in the sample and in the original rows."""
    coef = measures.fit(rows)
    here = linear_predictor(matrix, coef)
    there = here[rows]
    return (
        measures.rank(rows, there),
        measures.rank(every, here),
        measures.own_slope(rows, there),
        measures.slope(every, here),
    )
