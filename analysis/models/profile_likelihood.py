"""Profile limits and likelihood-ratio p values of a (penalised) likelihood.

A limit is the value of one coefficient at which the likelihood, maximised over all others, has
fallen by half the χ² quantile (Venzon & Moolgavkar 1988, Appl Stat 37:87–94). It is found as a root
of the signed root of the fall, which is nearly a straight line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import chi2

from analysis.models.newton import TOLERANCE, Climb, Evaluate, climb, newton_step
from registry.errors import RefusedEstimateError

Array = NDArray[np.float64]

#: Fisher scoring on a penalised likelihood is linear, and it may oscillate where the penalty bends
#: more than the likelihood; after so many steps Newton's method takes over.
SCORING_STEPS = 12
MOST_STEPS = 100
#: Log-likelihood that may be left to gain where the score cannot be brought down further.
NOTHING_TO_GAIN = 1e-9
#: Half the distance over which the slope of a score is taken, in standardised units.
HALF_WIDTH = 1e-5
#: Beyond so many (model-based) standard errors a limit is infinite.
FARTHEST = 400.0


@dataclass(frozen=True, slots=True)
class Profile:
    """Profile limits of every coefficient; arrays of shape (p,).

    ``statistic`` is twice the fall of the log-likelihood at 0 and ``p`` its χ²₁ tail. A limit that
    does not exist is infinite.
    """

    lower: Array
    upper: Array
    statistic: Array
    p: Array


def maximise_penalised(
    evaluate: Evaluate, start: Array, *, free: NDArray[np.bool_] | None = None
) -> Climb:
    """Maximise a penalised likelihood, which always has a maximum.

    Raises
    ------
    RefusedEstimateError
        It was not reached.
    """
    ended = climb(evaluate, start, free=free, most_steps=SCORING_STEPS, may_run_away=False)
    if ended.gradient > TOLERANCE:
        ended = climb(
            lambda beta: _with_own_curvature(evaluate, beta, free),
            ended.coefficients,
            free=free,
            most_steps=MOST_STEPS,
            may_run_away=False,
        )
        ended = replace(ended, point=evaluate(ended.coefficients))
        ended = _accepted(ended, evaluate, free)
    if not ended.converged:
        raise RefusedEstimateError(
            "The penalised likelihood could not be maximised (score / sqrt information still"
            f" {ended.gradient:.2g}). Columns that nearly repeat each other do this; try fewer"
            " terms.",
            gradient=ended.gradient,
        )
    return ended


def _accepted(ended: Climb, evaluate: Evaluate, free: NDArray[np.bool_] | None) -> Climb:
    """Count a climb as ended where a further step could gain next to nothing.

    On a ridge the score cannot be brought down to rounding in every direction.
    """
    moving = np.ones(len(ended.coefficients), dtype=bool) if free is None else free
    curved = _with_own_curvature(evaluate, ended.coefficients, free)
    gain = abs(float(newton_step(curved, moving) @ curved.score))
    return replace(ended, converged=ended.converged or gain < NOTHING_TO_GAIN)


@dataclass(frozen=True, slots=True)
class _CurvedPoint:
    log_likelihood: float
    score: Array
    information: Array


def _with_own_curvature(
    evaluate: Evaluate, beta: Array, free: NDArray[np.bool_] | None
) -> _CurvedPoint:
    """The point with the curvature of the penalised likelihood itself, from slopes of its score.

    Where it bends upwards, the size of the bend counts, so that every step still leads uphill.
    """
    point = evaluate(beta)
    moving = np.arange(len(beta)) if free is None else np.flatnonzero(free)
    information = point.information.copy()
    if np.isfinite(point.log_likelihood):
        steps = HALF_WIDTH * np.eye(len(beta))[moving]
        slopes = [evaluate(beta - e).score - evaluate(beta + e).score for e in steps]
        curvature = np.array(slopes)[:, moving] / (2 * HALF_WIDTH)
        curvature = (curvature + curvature.T) / 2
        if np.all(np.isfinite(curvature)):
            bends, directions = np.linalg.eigh(curvature)
            size = np.maximum(np.abs(bends), 1e-6 * np.max(np.abs(bends)))
            information[np.ix_(moving, moving)] = (directions * size) @ directions.T
    return _CurvedPoint(point.log_likelihood, point.score, information)


def profile(
    evaluate: Evaluate, top: Climb, *, level: float = 0.95, skipped: tuple[int, ...] = ()
) -> Profile:
    """Profile every coefficient.

    Parameters
    ----------
    evaluate
        The likelihood.
    top
        Its maximum.
    level
        Confidence level.
    skipped
        Positions that are not profiled (NaN in the result).

    Returns
    -------
    Profile

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> def poisson(b):  # 7 events in unit time, β = ln rate
    ...     return SimpleNamespace(log_likelihood=float(7 * b[0] - np.exp(b[0])),
    ...         score=7 - np.exp(b), information=np.array([[np.exp(b[0])]]))
    >>> ended = profile(poisson, maximise_penalised(poisson, np.zeros(1)))
    >>> np.exp([ended.lower[0], ended.upper[0]]).round(4)
    array([ 3.0078, 13.5377])
    """
    size = len(top.coefficients)
    lower, upper, fall = (np.full(size, np.nan) for _ in range(3))
    se = _standard_errors(top)
    reach = float(np.sqrt(chi2.ppf(level, 1)))
    for j in range(size):
        if j in skipped:
            continue
        curve = ProfileCurve(evaluate, top, j, reach**2)
        fall[j] = curve.fall(0.0)
        lower[j] = _limit(curve, float(se[j]), -reach)
        upper[j] = _limit(curve, float(se[j]), reach)
    return Profile(lower, upper, fall, np.asarray(chi2.sf(fall, 1)))


def _standard_errors(top: Climb) -> Array:
    try:
        return np.asarray(np.sqrt(np.diag(np.linalg.inv(top.point.information))))
    except np.linalg.LinAlgError:
        raise RefusedEstimateError(
            "The outcomes hold no information on the coefficients (nearly everybody has the event,"
            " or nobody): the model cannot be fitted."
        ) from None


class ProfileCurve:
    """Twice the fall of the maximised likelihood as one coefficient is held.

    Each climb starts where the last one ended. Far out, under separation, the likelihood of the
    others can have two peaks: where a fall goes beyond what is allowed, the climb is tried from the
    overall maximum too and the higher peak counts.
    """

    def __init__(self, evaluate: Evaluate, top: Climb, position: int, allowed: float) -> None:
        self.evaluate, self.top, self.position, self.allowed = evaluate, top, position, allowed
        self.free = np.arange(len(top.coefficients)) != position
        self.at = top.coefficients
        self.known: dict[float, float] = {}

    def fall(self, value: float) -> float:
        """Twice the fall of the penalised log-likelihood with the coefficient held at a value."""
        if value not in self.known:
            best = self._highest(value)
            self.at = best.coefficients
            self.known[value] = self._gap(best)
        return self.known[value]

    def _highest(self, value: float) -> Climb:
        """The higher of the peaks reached; one climb of two may lose its way far out."""
        reached, lost = [], None
        for start in (self.at, self.top.coefficients):
            try:
                reached.append(self._climb(start, value))
            except RefusedEstimateError as refusal:
                lost = refusal
            if reached and self._gap(reached[0]) <= self.allowed:
                break
        if not reached and lost is not None:
            raise lost
        return min(reached, key=self._gap)

    def _climb(self, start: Array, value: float) -> Climb:
        held = start.copy()
        held[self.position] = value
        return maximise_penalised(self.evaluate, held, free=self.free)

    def _gap(self, ended: Climb) -> float:
        gap = 2.0 * (self.top.point.log_likelihood - ended.point.log_likelihood)
        return max(0.0, gap)

    def signed_root(self, value: float) -> float:
        """The square root of the fall, below 0 to the left of the estimate."""
        side = np.sign(value - self.top.coefficients[self.position])
        return float(side * np.sqrt(self.fall(value)))


def _limit(curve: ProfileCurve, se: float, reach: float) -> float:
    """Value at which the signed root of the fall meets ``reach``; infinite if it never does."""
    centre = float(curve.top.coefficients[curve.position])
    curve.at = curve.top.coefficients
    inner, step = centre, reach * se
    while abs(step) < FARTHEST * max(se, 1e-300):
        outer = inner + step
        if abs(curve.signed_root(outer)) >= abs(reach):
            low, high = sorted((inner, outer))
            return float(
                brentq(
                    lambda v: curve.signed_root(v) - reach, low, high, xtol=1e-9 * se, rtol=1e-14
                )
            )
        inner, step = outer, 1.6 * step
    return float(np.copysign(np.inf, reach))
