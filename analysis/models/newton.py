"""Newton's method with step-halving, and how a likelihood without a maximum is recognised.

Every likelihood of the regression modules goes through :func:`climb`. Convergence is stated in the
only unit that matters to a reader: the largest score divided by the square root of its information
must not exceed the tolerance, so that each coefficient lies within about that many standard errors
of the maximum.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

TOLERANCE = 1e-9
#: A step longer than this (in standardised units of the linear predictor) is shortened first.
LONGEST_STEP = 5.0
#: Steps that stop shrinking although almost nothing is left to gain mean that there is no maximum.
MONOTONE_GAIN = 1e-2
MONOTONE_RATIO = 0.5
MONOTONE_STEPS = 4


class LikelihoodPoint(Protocol):
    """A log-likelihood with its derivatives at one value of the coefficients."""

    @property
    def log_likelihood(self) -> float:
        """The log-likelihood, penalised where the model is."""

    @property
    def score(self) -> Array:
        """Its gradient, shape (p,)."""

    @property
    def information(self) -> Array:
        """The negative of its second derivatives, shape (p, p)."""


Evaluate = Callable[[Array], LikelihoodPoint]


@dataclass(frozen=True, slots=True)
class Climb:
    """Where a climb ended.

    Attributes
    ----------
    coefficients
        Shape (p,).
    point
        The likelihood there.
    iterations
        Newton steps taken.
    gradient
        Largest |score| / sqrt(information) over the free coefficients.
    converged
        Whether ``gradient`` met the tolerance.
    runaway
        Shape (p,): the direction along which the likelihood rises for ever, in units of its largest
        element; None when there is a maximum.
    """

    coefficients: Array
    point: LikelihoodPoint
    iterations: int
    gradient: float
    converged: bool
    runaway: Array | None


def newton_step(point: LikelihoodPoint, free: NDArray[np.bool_]) -> Array:
    """Information⁻¹ · score over the free coefficients, zero elsewhere (shape (p,)).

    An information matrix that is singular to rounding is solved by least squares.
    """
    step = np.zeros(len(point.score))
    information = point.information[np.ix_(free, free)]
    try:
        step[free] = np.linalg.solve(information, point.score[free])
    except np.linalg.LinAlgError:
        step[free] = np.linalg.lstsq(information, point.score[free])[0]
    return step


def scaled_gradient(point: LikelihoodPoint, free: NDArray[np.bool_]) -> float:
    """Largest |score| / sqrt(information) among the free coefficients; 0 when none is free."""
    if not free.any():
        return 0.0
    scale = np.sqrt(np.maximum(np.diag(point.information)[free], np.finfo(float).tiny))
    return float(np.max(np.abs(point.score[free]) / scale))


def climb(
    evaluate: Evaluate,
    start: Array,
    *,
    free: NDArray[np.bool_] | None = None,
    tolerance: float = TOLERANCE,
    most_steps: int = 60,
    may_run_away: bool = True,
) -> Climb:
    """Maximise a log-likelihood from ``start``.

    Parameters
    ----------
    evaluate
        Gives log-likelihood, score (p,) and information (p, p) at coefficients of shape (p,).
        A penalised likelihood may give the unpenalised information: the climb is then linear
        instead of quadratic but ends at the same point.
    start
        Shape (p,).
    free
        Shape (p,), True where the coefficient may move (default: all).
    tolerance
        See the module's text.
    most_steps
        Steps after which the climb ends unconverged.
    may_run_away
        Whether to look for a likelihood that has no maximum (separation).

    Returns
    -------
    Climb

    Examples
    --------
    Three failures among ten: the log-odds is ln(3/7).

    >>> from types import SimpleNamespace
    >>> def binomial(b):
    ...     p = 1 / (1 + np.exp(-b[0]))
    ...     return SimpleNamespace(log_likelihood=3 * np.log(p) + 7 * np.log(1 - p),
    ...         score=np.array([3 - 10 * p]), information=np.array([[10 * p * (1 - p)]]))
    >>> round(float(climb(binomial, np.zeros(1)).coefficients[0]), 6)
    -0.847298
    """
    free = np.ones(len(start), dtype=bool) if free is None else free
    beta, point = start.astype(float), evaluate(start.astype(float))
    last_length, stalled, step = np.inf, 0, np.zeros(len(start))
    for iteration in range(most_steps):
        gradient = scaled_gradient(point, free)
        if gradient <= tolerance:
            beta, point = _polished(evaluate, beta, point, free)
            return Climb(beta, point, iteration, scaled_gradient(point, free), True, None)
        step = _shortened(newton_step(point, free))
        gain, length = float(step @ point.score), float(np.max(np.abs(step)))
        stalled = (
            stalled + 1 if gain < MONOTONE_GAIN and length > MONOTONE_RATIO * last_length else 0
        )
        if may_run_away and stalled >= MONOTONE_STEPS and length > 1e-3:
            return Climb(beta, point, iteration, gradient, False, step / length)
        last_length = length
        beta, point, moved = _uphill(evaluate, beta, point, step)
        if not moved:
            break
    gradient = scaled_gradient(point, free)
    return Climb(beta, point, most_steps, gradient, gradient <= 1e3 * tolerance, None)


def _polished(
    evaluate: Evaluate, beta: Array, point: LikelihoodPoint, free: NDArray[np.bool_]
) -> tuple[Array, LikelihoodPoint]:
    """One more step, kept if it lowers the gradient: at the maximum it costs little and gives
    coefficients right to rounding.
    """
    trial = beta + newton_step(point, free)
    there = evaluate(trial)
    if scaled_gradient(there, free) < scaled_gradient(point, free):
        return trial, there
    return beta, point


def _shortened(step: Array) -> Array:
    length = float(np.max(np.abs(step))) if len(step) else 0.0
    if np.isinf(length):  # no information to rounding: only the direction is known
        return np.where(np.isinf(step), np.sign(step), 0.0) * LONGEST_STEP
    return step * (LONGEST_STEP / length) if length > LONGEST_STEP else step


def _uphill(
    evaluate: Evaluate, beta: Array, point: LikelihoodPoint, step: Array
) -> tuple[Array, LikelihoodPoint, bool]:
    """Take the step, halved until the likelihood does not fall (rounding apart)."""
    slack = 1e-12 * (1.0 + abs(point.log_likelihood))
    for halving in range(40):
        trial = beta + step * 0.5**halving
        there = evaluate(trial)
        if there.log_likelihood >= point.log_likelihood - slack:
            return trial, there, True
    return beta, point, False
