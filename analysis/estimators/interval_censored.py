"""Survival when the event is only known to lie between two examinations.

Loss of vision is found at a visit: it happened in (last visit above, first visit below]. Treating
the visit as the time of the event shifts the whole curve to the right; here the interval itself is
used. Intervals are half-open, (L, U]: a patient whose U is another's L does not overlap with it.
Libraries that close both ends differ by up to 0.13 in survival on scheduled visits.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import special

from analysis.estimators.constrained_newton import maximise_masses
from analysis.estimators.innermost_intervals import (
    Floats,
    InnermostIntervals,
    check_intervals,
    find_grouped_intervals,
    find_innermost_intervals,
)
from analysis.estimators.resampling import percentile
from registry.errors import RefusedEstimateError

Scores = Literal["sun", "finkelstein"]

_LEAST_MASS = 1e-14
"""Less is rounding of the search: it would be a step that the survival does not show."""


@dataclass(frozen=True, slots=True)
class NpmleAt:
    """Survival at chosen times; arrays of the shape of ``time``.

    ``estimate`` is NaN inside a mass interval, where the data say only that survival lies between
    ``lowest`` and ``highest``. All three are NaN beyond the last finite end.
    """

    time: Floats
    estimate: Floats
    lowest: Floats
    highest: Floats


@dataclass(frozen=True, slots=True)
class Npmle:
    """Nonparametric maximum likelihood estimate from interval-censored times.

    Mass ``mass[j]`` lies in (``lower[j]``, ``upper[j]``], or exactly at that time where both are
    equal; how it is spread inside cannot be known. ``survival[j]`` is the estimate after
    ``upper[j]``. ``log_likelihood`` is below its maximum by at most ``gap``.
    """

    n: int
    events: int
    lower: Floats
    upper: Floats
    mass: Floats
    survival: Floats
    last_time: float
    log_likelihood: float
    gap: float
    steps: int

    def at(self, times: npt.ArrayLike) -> NpmleAt:
        """Read survival at ``times``, in the unit of the data.

        Examples
        --------
        >>> read = npmle([0, 1, 3], [2, 4, float("inf")]).at([0.5, 1.5, 3])
        >>> read.estimate.round(4).tolist(), read.lowest.round(4).tolist()
        ([1.0, nan, 0.5], [1.0, 0.5, 0.5])
        """
        when = np.atleast_1d(np.asarray(times, np.float64))
        after = np.concatenate([[1.0], self.survival])
        highest = after[np.searchsorted(self.upper, when, side="right")]
        started = np.searchsorted(self.lower, when, side="left")
        lowest = np.minimum(highest, after[started])
        is_within = (when >= 0) & (when <= self.last_time)
        lowest = np.where(is_within, lowest, np.nan)
        highest = np.where(is_within, highest, np.nan)
        estimate = np.where(lowest == highest, highest, np.nan)
        return NpmleAt(when, estimate, lowest, highest)

    def quantile(self, fraction: float = 0.5) -> tuple[float, float]:
        """Give the interval in which survival falls to ``1 - fraction`` or below.

        Both ends are NaN where that is never reached, and equal where the time is exact.

        Examples
        --------
        >>> npmle([0, 1, 3], [2, 4, float("inf")]).quantile(0.4)
        (1.0, 2.0)
        """
        if not 0 < fraction < 1:
            raise ValueError(f"fraction must lie between 0 and 1, not {fraction!r}")
        reached = np.flatnonzero(self.survival <= 1 - fraction + 1e-12)
        if len(reached) == 0 or np.isinf(self.upper[reached[0]]):
            return np.nan, np.nan
        return float(self.lower[reached[0]]), float(self.upper[reached[0]])


@dataclass(frozen=True, slots=True)
class IntervalLogRank:
    """Interval-censored log-rank test by the permutation distribution.

    ``statistic`` is chi-squared on ``df``; ``z`` is its signed root for two groups (positive where
    the second group fails earlier), NaN otherwise. ``score`` sums the scores of each group; they
    are observed minus expected events in kind, and sum to 0.
    """

    name: str
    scores: Scores
    groups: tuple[str, ...]
    score: tuple[float, ...]
    statistic: float
    df: int
    p: float
    z: float


@dataclass(frozen=True, slots=True)
class BootstrapLimits:
    """Percentile limits of survival at ``time`` over ``resamples`` draws of the patients."""

    time: Floats
    lower: Floats
    upper: Floats
    level: float
    resamples: int


def npmle(
    lower: npt.ArrayLike,
    upper: npt.ArrayLike,
    weight: npt.ArrayLike | None = None,
    *,
    tolerance: float = 1e-9,
) -> Npmle:
    """Estimate survival from interval-censored times (Turnbull 1976).

    Parameters
    ----------
    lower, upper
        The event lies in (lower, upper]; equal ends are an exact time, an infinite upper end is
        right-censored at lower (after an event at the same time), (0, U] is left-censored. One
        unit, not negative; ends equal up to rounding are taken as equal.
    weight
        Frequency weight of each observation; 1 without it.
    tolerance
        Wanted distance of the log-likelihood from its maximum.

    Returns
    -------
    Npmle
        With exact and right-censored times it is the Kaplan-Meier estimate. Without an event all
        mass lies after the last time: survival is 1 and its uncertainty is not in this estimate.

    Raises
    ------
    ValueError
        For a missing or negative end, or an interval that ends before it starts.
    RefusedEstimateError
        For no observation at all.

    Examples
    --------
    >>> estimate = npmle([0, 4, 6, 6], [5, 8, 7, float("inf")])
    >>> estimate.lower.tolist(), estimate.upper.tolist()
    ([4.0, 6.0], [5.0, 7.0])
    >>> estimate.mass.round(4).tolist(), round(estimate.log_likelihood, 4)
    ([0.3333, 0.6667], -1.9095)
    """
    checked = check_intervals(lower, upper, weight)
    inner = find_innermost_intervals(*checked)
    return _estimate(inner, np.isfinite(checked[1]), tolerance)


def _estimate(
    inner: InnermostIntervals, is_event: npt.NDArray[np.bool_], tolerance: float
) -> Npmle:
    fit = maximise_masses(inner.first, inner.stop, inner.weight, len(inner.lower), tolerance)
    kept = fit.mass > _LEAST_MASS
    mass = fit.mass[kept] / fit.mass[kept].sum()
    remaining = np.append(np.cumsum(mass[::-1])[::-1][1:], 0.0)
    return Npmle(
        n=len(is_event),
        events=int(is_event.sum()),
        lower=inner.lower[kept],
        upper=inner.upper[kept],
        mass=mass,
        survival=remaining,
        last_time=inner.last_time,
        log_likelihood=fit.log_likelihood,
        gap=fit.gap,
        steps=fit.steps,
    )


def interval_censored_log_rank(
    lower: npt.ArrayLike,
    upper: npt.ArrayLike,
    group: npt.ArrayLike,
    scores: Scores = "sun",
) -> IntervalLogRank:
    """Compare groups of interval-censored times.

    Every observation gets a score from the pooled estimate: Sun's (Stat Med 1996;15:1387), the
    log-rank score, or Finkelstein's (Biometrics 1986;42:845) for proportional hazards; both are
    weighted means of log survival over the interval (Fay and Shaw, J Stat Softw 2010;36(2)). The
    p value is that of the normal approximation to the permutation distribution, which asks that
    examinations are timed alike in all groups.

    Parameters
    ----------
    lower, upper
        As in :func:`npmle`.
    group
        Group of each observation, at least two different; any labels.
    scores
        Which scores.

    Raises
    ------
    RefusedEstimateError
        When all observations are in one group, or no score differs (nobody had the event).

    Examples
    --------
    >>> test = interval_censored_log_rank([0, 0, 2, 4], [1, 2, 3, float("inf")], list("aabb"))
    >>> test.groups, test.df, round(test.z, 4)
    (('a', 'b'), 1, -1.4142)
    """
    inner, names, member = find_grouped_intervals(lower, upper, group)
    score = _score_patterns(inner, scores)[inner.pattern]
    size = np.bincount(member)
    centred = score - score.mean()
    spread = float(centred @ centred) / (len(score) - 1)
    if spread <= 1e-12:
        raise RefusedEstimateError(
            "Every observation has the same score (no event tells the groups apart), so there is "
            "nothing to test."
        )
    total = np.bincount(member, centred)
    statistic = float(np.sum(total**2 / size)) / spread
    df = len(names) - 1
    return IntervalLogRank(
        name="interval-censored log-rank",
        scores=scores,
        groups=names,
        score=tuple(total.tolist()),
        statistic=statistic,
        df=df,
        p=float(special.chdtrc(df, statistic)),
        z=float(np.copysign(np.sqrt(statistic), total[1])) if df == 1 else np.nan,
    )


def _score_patterns(inner: InnermostIntervals, scores: Scores) -> Floats:
    """Score each pattern: the drop of S log S over its interval, per mass in it."""
    fit = maximise_masses(inner.first, inner.stop, inner.weight, len(inner.lower))
    survival = np.append(np.cumsum(fit.mass[::-1])[::-1], 0.0)
    survival[0] = 1.0
    if scores == "finkelstein":
        curve = special.xlogy(survival, survival)
    else:
        hazard = np.divide(
            fit.mass, survival[:-1], out=np.zeros_like(fit.mass), where=survival[:-1] > 0
        )
        curve = -survival * np.concatenate([[0.0], np.cumsum(hazard)])
    mass = survival[inner.first] - survival[inner.stop]
    return np.asarray((curve[inner.first] - curve[inner.stop]) / mass, np.float64)


def bootstrap_npmle(
    lower: npt.ArrayLike,
    upper: npt.ArrayLike,
    times: npt.ArrayLike,
    rng: np.random.Generator,
    *,
    resamples: int = 500,
    level: float = 0.95,
) -> BootstrapLimits:
    """Give percentile limits of survival at ``times`` by drawing patients again.

    Where a drawn estimate is undefined inside a mass interval its lowest value counts for the
    lower limit and its highest for the upper one, so limits are never too narrow for that reason.
    With examinations on a continuum the bootstrap of this estimate is not consistent at one time
    (Sen and Xu 2015); with visits on a grid it is the ordinary one. Limits are NaN at a time that
    fewer than half of the draws reach, and where the draws do not differ, as without an event:
    limits without width would be a false certainty. With few events they cover too little
    (``benchmarks/interval_coverage.md``); limits that hold there are in
    :mod:`analysis.estimators.interval_limits`.

    Parameters
    ----------
    lower, upper
        As in :func:`npmle`, one observation a patient.
    times
        Times at which limits are wanted.
    rng
        Source of the draws.
    resamples, level
        Number of draws, at least 20, and confidence level.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> limits = bootstrap_npmle([0, 1] * 10, [1, 2] * 10, [1.0], rng, resamples=40)
    >>> bool(limits.lower[0] < 0.5 < limits.upper[0])
    True
    """
    low, high, _ = check_intervals(lower, upper)
    when = np.atleast_1d(np.asarray(times, np.float64))
    if resamples < 20 or not 0 < level < 1:
        raise ValueError(f"need 20 resamples and a level in (0, 1), not {resamples!r}, {level!r}")
    lowest, highest = np.full((2, resamples, len(when)), np.nan)
    for draw in range(resamples if np.isfinite(high).any() else 0):
        drawn = np.bincount(rng.integers(len(low), size=len(low)), minlength=len(low))
        kept = drawn > 0
        read = npmle(low[kept], high[kept], drawn[kept], tolerance=1e-6).at(when)
        lowest[draw], highest[draw] = read.lowest, read.highest
    low_end = percentile(lowest, (1 - level) / 2)
    high_end = percentile(highest, (1 + level) / 2)
    has_spread = low_end < high_end
    return BootstrapLimits(
        time=when,
        lower=np.where(has_spread, low_end, np.nan),
        upper=np.where(has_spread, high_end, np.nan),
        level=level,
        resamples=resamples,
    )
