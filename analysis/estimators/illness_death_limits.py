"""Limits of the incidence of loss that hold at few losses, or none.

The bootstrap draws from the losses that were seen: with few it misses much of what could have been,
with none it says nothing. Given the time at risk, the number of losses seen is a Poisson count
whose mean is the loss intensity times a known exposure; the intensities' course over time and those
of death are held at their estimates. The exact limits of the count (Garwood 1936, Biometrika
28:437) are then limits of the level of the loss intensity, and read through the model they are
limits of the incidence. Without a loss the exposure is the time up to the last visit above the
level, and the intensity is taken as constant. What these limits leave out, the uncertainty of the
course and of the death rates, is small beside the count's while losses are few; where they are many
the bootstrap holds all of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import gammaincinv

from analysis.estimators.illness_death import (
    TRANSITIONS,
    IllnessDeath,
    OccupationLimits,
    VisitedToDeath,
)
from analysis.estimators.illness_death_paths import Floats, occupy_states
from analysis.estimators.illness_death_search import lay_grid, spread_on_grid, tie_pieces

FEW_LOSSES = 20
"""Under this many seen losses the limits of the count are taken where they are wider."""


@dataclass(frozen=True, slots=True)
class CountLimits:
    """Limits of the incidence of loss at ``time``; NaN past the last follow-up."""

    time: Floats
    loss_lower: Floats
    loss_upper: Floats
    level: float
    losses_seen: int


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
        The lower limit is 0 without a loss; the upper one is 1 where nobody came back to a visit.

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
    when, tail, count = (
        np.atleast_1d(np.asarray(times, np.float64)),
        (1 - level) / 2,
        fit.losses_seen,
    )
    knots = [tuple(fit.knots[name]) for name in TRANSITIONS]
    grid = lay_grid(knots)
    rate = np.concatenate([fit.intensity[name] for name in TRANSITIONS])
    loss, death, after = spread_on_grid(rate, tie_pieces(knots, grid))
    highest = float(gammaincinv(count + 1, 1 - tail))
    if count:
        low, high = loss * float(gammaincinv(count, tail)) / count, loss * highest / count
    else:
        exposure = float(seen.last_above.sum())
        low, high = loss, np.full(len(grid), highest / exposure if exposure else np.inf)
    reached = np.where(when <= fit.last_time, 0.0, np.nan)
    lower = occupy_states(when, grid, low, death, after)[0]
    upper = np.ones(len(when))
    if np.isfinite(high).all():
        upper = occupy_states(when, grid, high, death, after)[0]
    return CountLimits(when, lower + reached, upper + reached, level, count)


def widen_at_few_losses(limits: OccupationLimits, by_count: CountLimits) -> tuple[Floats, Floats]:
    """Give the limits of the incidence to report, lower and upper.

    Those of the bootstrap, and under ``FEW_LOSSES`` seen losses the wider of the two at each end.
    """
    if by_count.losses_seen >= FEW_LOSSES:
        return limits.loss_lower, limits.loss_upper
    return (
        np.minimum(limits.loss_lower, by_count.loss_lower),
        np.maximum(limits.loss_upper, by_count.loss_upper),
    )
