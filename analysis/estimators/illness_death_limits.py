"""Limits of the incidence of loss that hold at few losses, or none.

The bootstrap draws from the losses that were seen: with few it misses much of what could have been,
with none it says nothing. Here the cumulative intensity of loss is a weighted sum of Poisson
counts: on each piece the intensity is the number of losses over the time at risk, and its weight
the length of the piece up to the time over that time at risk. Its limits are the gamma ones of Fay
and Feuer (Stat Med 1997;16:791, made for directly standardised rates), which are the exact limits
of the count (Garwood 1936, Biometrika 28:437) where there is one piece. They are read through the
model as limits of the incidence: the course of the intensity and the death rates are held at their
estimates. Time at risk is what examinations show, up to the last visit above the level and half-way
to the first below. What these limits leave out, the uncertainty of the death rates, is small beside
the count's while losses are few; where they are many the bootstrap holds all of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import chdtri

from analysis.estimators.illness_death import (
    TRANSITIONS,
    IllnessDeath,
    OccupationLimits,
    VisitedToDeath,
)
from analysis.estimators.illness_death_paths import Floats, occupy_states
from analysis.estimators.illness_death_search import lay_grid, spread_on_grid, tie_pieces

FEW_LOSSES = 20
"""Under this many losses seen by a time the limits of the count are taken where they are wider."""


@dataclass(frozen=True, slots=True)
class CountLimits:
    """Limits of the incidence of loss at ``time``; NaN past the last follow-up.

    ``losses_seen`` counts those seen by each time.
    """

    time: Floats
    loss_lower: Floats
    loss_upper: Floats
    level: float
    losses_seen: npt.NDArray[np.int64]


def limit_by_count(
    seen: VisitedToDeath, fit: IllnessDeath, times: npt.ArrayLike, *, level: float = 0.95
) -> CountLimits:
    """Give limits of the incidence of loss from the exact limits of the number of losses seen.

    Parameters
    ----------
    seen, fit
        The observations and the model fitted to them.
    times
        Times at which limits are wanted.
    level
        Confidence level.

    Returns
    -------
    CountLimits
        The lower limit is 0 without a loss; the upper one is 1 where nobody was examined on a piece
        before the time.

    Examples
    --------
    Twenty people seen free at 5 and alive at 6; none lost the level, none died. The upper limit of
    the count is 3.689, and 1 − exp(−5 · 3.689 / 100) = 0.168, as for 0 of 20:

    >>> from analysis.estimators.illness_death import fit_illness_death
    >>> free = VisitedToDeath.of([5.0] * 20, [np.inf] * 20, [6.0] * 20, [False] * 20)
    >>> found = limit_by_count(free, fit_illness_death(free), [5.0])
    >>> float(found.loss_lower[0]), round(float(found.loss_upper[0]), 4)
    (0.0, 0.1684)
    """
    if not 0 < level < 1:
        raise ValueError(f"a confidence level lies in (0, 1), not {level!r}")
    when = np.atleast_1d(np.asarray(times, np.float64))
    knots = [tuple(fit.knots[name]) for name in TRANSITIONS]
    grid, tied = lay_grid(knots), tie_pieces(knots, lay_grid(knots))
    rate = np.concatenate([fit.intensity[name] for name in TRANSITIONS])
    loss, death, after = spread_on_grid(rate, tied)
    limits = np.zeros((2, len(when)))
    for k, time in enumerate(when):
        total, *ends = _limit_cumulative(seen, fit, float(time), (1 - level) / 2)
        for end, value in enumerate(ends):
            course = loss * (value / total) if total > 0 else np.full(len(grid), value / time)
            is_bounded = bool(np.isfinite(course).all())
            read = (
                occupy_states(when[k : k + 1], grid, course, death, after) if is_bounded else None
            )
            limits[end, k] = 1.0 if read is None else read[0][0]
    limits[:, when > fit.last_time] = np.nan
    by_then = (seen.first_below <= when[:, None]).sum(axis=1)
    return CountLimits(when, limits[0], limits[1], level, by_then)


def _limit_cumulative(
    seen: VisitedToDeath, fit: IllnessDeath, time: float, tail: float
) -> tuple[float, float, float]:
    """Cumulative intensity of loss at ``time`` and its limits (Fay and Feuer 1997)."""
    if time == 0:
        return 1.0, 0.0, 0.0
    edges = np.array([0.0, *fit.knots["loss"], np.inf])
    until = np.where(seen.loss_seen, (seen.last_above + seen.first_below) / 2, seen.last_above)
    at_risk = (np.clip(until[:, None], edges[:-1], edges[1:]) - edges[:-1]).sum(axis=0)
    length = np.clip(time, edges[:-1], edges[1:]) - edges[:-1]
    intensity = fit.intensity["loss"][length > 0]
    at_risk, length = at_risk[length > 0], length[length > 0]
    total = float(length @ intensity)
    if not (at_risk > 0).all():
        return total, 0.0, np.inf
    weight = length / at_risk
    spread, most = float((weight * length) @ intensity), float(weight.max())
    lower = 0.0
    if total > 0:
        lower = spread / (2 * total) * float(chdtri(2 * total**2 / spread, 1 - tail))
    more, wider = total + most, spread + most**2
    return total, lower, wider / (2 * more) * float(chdtri(2 * more**2 / wider, tail))


def widen_at_few_losses(limits: OccupationLimits, by_count: CountLimits) -> tuple[Floats, Floats]:
    """Give the limits of the incidence to report, lower and upper.

    Those of the bootstrap, and where under ``FEW_LOSSES`` losses were seen by the time the wider of
    the two at each end.
    """
    is_few = by_count.losses_seen < FEW_LOSSES
    lower = np.minimum(limits.loss_lower, by_count.loss_lower)
    upper = np.maximum(limits.loss_upper, by_count.loss_upper)
    return np.where(is_few, lower, limits.loss_lower), np.where(is_few, upper, limits.loss_upper)
