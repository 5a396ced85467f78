"""How well a model ranks and how well its risks fit, with the optimism taken off.

Discrimination is Harrell's C (Harrell 1996, Stat Med 15:361–387), for a binary outcome the area
under the curve. Calibration is the slope of the outcome on the model's own linear predictor. Both
are too good in the rows that made the model: the bootstrap refits it in resampled rows, measures
how much better it looks there than in the original rows, and subtracts the mean of that optimism.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.estimators.observations import merge_rounded_times
from analysis.models.coefficients import require_events
from analysis.models.cox import cox, prepare_cox
from analysis.models.firth import penalised_partial
from analysis.models.logistic import logistic
from analysis.models.profile_likelihood import maximise_penalised
from registry.errors import MendableError, RefusedEstimateError

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

#: Share of bootstrap samples that must be fitted.
ENOUGH = 0.8


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
class Corrected:
    """A measure as it appears, its mean optimism, and the difference of the two."""

    apparent: float
    optimism: float

    @property
    def corrected(self) -> float:
        """Apparent less optimism."""
        return self.apparent - self.optimism


@dataclass(frozen=True, slots=True)
class Validation:
    """Internal validation of a model.

    ``c`` is Harrell's C or the area under the curve; ``slope`` the calibration slope (1 as it
    appears; below 1 when corrected, the shrinkage that new patients would need). ``fitted`` of
    ``resamples`` bootstrap samples could be fitted.
    """

    c: Corrected
    slope: Corrected
    resamples: int
    fitted: int


def validate_cox(
    matrix: Array,
    time: Array,
    event: BoolArray,
    *,
    penalised: bool = False,
    resamples: int = 200,
    rng: np.random.Generator,
) -> Validation:
    """Bootstrap a Cox model: optimism-corrected C and calibration slope.

    Parameters
    ----------
    matrix, time, event
        As for :func:`analysis.models.cox.cox`.
    penalised
        Whether the model is the Firth form; the slope is always that of plain Cox.
    resamples
        Bootstrap samples of rows.
    rng
        Source of randomness.

    Raises
    ------
    RefusedEstimateError
        The model itself is refused, or under four fifths of the samples could be fitted.
    """

    def fit(rows: IntArray) -> Array:
        return cox_coefficients(matrix[rows], time[rows], event[rows], penalised=penalised)

    def rank(rows: IntArray, predictor: Array) -> float:
        return concordance(time[rows], event[rows], predictor).c

    def slope(rows: IntArray, predictor: Array) -> float:
        return float(cox(predictor[:, None], time[rows], event[rows]).coefficients.coef[0])

    return _validate(matrix, fit, rank, slope, resamples, rng)


def cox_coefficients(
    matrix: Array, time: Array, event: BoolArray, *, penalised: bool = False
) -> Array:
    """Coefficients of Cox or of its Firth form, shape (p,), without limits.

    >>> x, time = np.array([[9.], [7.], [8.], [4.], [6.], [3.], [5.], [1.]]), np.arange(1., 9.)
    >>> cox_coefficients(x, time, time < 7).round(6)
    array([0.669707])
    """
    if not penalised:
        return cox(matrix, time, event).coefficients.coef
    data = prepare_cox(matrix, time, event, ties="breslow", model="Firth Cox")
    top = maximise_penalised(lambda beta: penalised_partial(data, beta), np.zeros(matrix.shape[1]))
    return top.coefficients / data.scale


def validate_logistic(
    matrix: Array, event: BoolArray, *, resamples: int = 200, rng: np.random.Generator
) -> Validation:
    """Bootstrap a logistic model; parameters as for :func:`validate_cox`."""
    require_events(int(event.sum()), model="logistic")

    def fit(rows: IntArray) -> Array:
        return logistic(matrix[rows], event[rows]).coefficients.coef[1:]

    def rank(rows: IntArray, predictor: Array) -> float:
        return area_under_curve(event[rows], predictor)

    def slope(rows: IntArray, predictor: Array) -> float:
        return float(logistic(predictor[:, None], event[rows]).coefficients.coef[1])

    return _validate(matrix, fit, rank, slope, resamples, rng)


def _validate(
    matrix: Array,
    fit: Callable[[IntArray], Array],
    rank: Callable[[IntArray, Array], float],
    slope: Callable[[IntArray, Array], float],
    resamples: int,
    rng: np.random.Generator,
) -> Validation:
    every = np.arange(len(matrix))
    predictor = matrix @ fit(every)
    apparent = rank(every, predictor), slope(every, predictor)
    optimism = []
    for _ in range(resamples):
        rows = rng.integers(0, len(matrix), len(matrix))
        try:
            coef = fit(rows)
            there, here = matrix[rows] @ coef, matrix @ coef
            gains = rank(rows, there) - rank(every, here), 1.0 - slope(every, here)
        except MendableError:
            continue
        optimism.append(gains)
    if len(optimism) < ENOUGH * resamples:
        raise RefusedEstimateError(
            f"Only {len(optimism)} of {resamples} bootstrap samples could be fitted (too few"
            " events, or a column that separates them): the optimism is not estimable.",
            fitted=len(optimism),
            resamples=resamples,
        )
    c, bent = np.mean(optimism, axis=0)
    return Validation(
        Corrected(apparent[0], float(c)),
        Corrected(apparent[1], float(bent)),
        resamples,
        len(optimism),
    )
