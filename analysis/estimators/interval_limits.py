"""Limits for the interval-censored estimate that hold at few events, or none.

The estimate has no standard error to build limits on: without an event every bootstrap draw is the
same, with few the draws miss most of what could have been, and with examinations on a continuum the
bootstrap of the estimate at one time is not consistent (Sen and Xu 2015, Comput Stat Data Anal
81:121, from memory). The likelihood-ratio interval is no way out: without an event and with m
people known to be free it ends at 1 − exp(−1.92/m), and of a figure just beyond that end 15 % of
samples, exp(−1.92), have no event.

These limits date every event twice. An event in (L, U] is later than L and not later than U, so
that survival S(t) of the event lies between the survival of L and that of U:

    P(L ≥ t) ≤ S(t) ≤ P(U > t).

Both ends are seen under right censoring that does not depend on the event (as the estimate itself
supposes of the examinations): U is seen unless follow-up ends before it, and whoever is free at the
last examination is censored there; L is seen when the next examination takes place, so that whoever
has no examination after L leaves the risk set just before those whose event is dated at L. The
lower limit of the first and the upper limit of the second by the beta product (Fay, Brittain and
Proschan 2013, Biostatistics 14:723) are therefore limits for S(t). They need no smoothness and no
grid of visits. Without an event the lower limit is that of Clopper and Pearson from the people
known to be free at t; with exact and right-censored times they are the beta product limits of
Kaplan–Meier (whoever is censored at t counts as free at t); with everybody examined at t they are
Clopper and Pearson's. Their price is the share of events whose interval holds t: they are wider
than need be by about the hazard times the time between examinations.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.estimators.innermost_intervals import Floats, check_intervals
from analysis.estimators.interval_censored import Npmle
from analysis.estimators.intervals import BetaProduct, beta_product_limits

BETA_PRODUCT_OF_ENDS = "beta product of both ends"


@dataclass(frozen=True, slots=True)
class EndLimits:
    """Limits of survival at ``time``; arrays of the shape of ``time``, NaN beyond the last time.

    ``known_free`` counts people with an examination at or after ``time`` that found no event,
    ``events`` those whose event was certainly there by ``time``, ``perhaps`` those whose interval
    holds it.
    """

    time: Floats
    lower: Floats
    upper: Floats
    level: float
    known_free: Floats
    events: Floats
    perhaps: Floats


def limit_by_ends(
    estimate: Npmle | None,
    lower: npt.ArrayLike,
    upper: npt.ArrayLike,
    times: npt.ArrayLike,
    weight: npt.ArrayLike | None = None,
    *,
    level: float = 0.95,
    mid_p: bool = False,
) -> EndLimits:
    """Give limits of interval-censored survival at ``times``.

    Parameters
    ----------
    estimate
        The estimate of the same observations, whose bounds the limits are then made to hold; None
        gives the limits alone.
    lower, upper, weight
        As in :func:`analysis.estimators.interval_censored.npmle`; weights are frequencies.
    times
        Times at which limits are wanted, in the unit of the data.
    level
        Confidence level.
    mid_p
        The shorter mid-P form: the level is met on average and not always.

    Returns
    -------
    EndLimits
        Lower limits are 0 where nobody is known to be free at the time or after it.

    Raises
    ------
    ValueError
        For an interval that ends before it starts, a negative end, or a level outside (0, 1).

    Examples
    --------
    Nobody of twenty had the event by 3, and twelve of them were seen then or later:

    >>> from analysis.estimators.interval_censored import npmle
    >>> seen, none = [5.0] * 12 + [1.0] * 8, [np.inf] * 20
    >>> limits = limit_by_ends(npmle(seen, none), seen, none, [3.0])
    >>> round(float(limits.lower[0]), 4), float(limits.upper[0])  # 0.025 ** (1 / 12)
    (0.7354, 1.0)
    """
    if not 0 < level < 1:
        raise ValueError(f"a confidence level lies in (0, 1), not {level!r}")
    low, high, heavy = check_intervals(lower, upper, weight)
    when = np.atleast_1d(np.asarray(times, np.float64))
    is_event, is_exact = np.isfinite(high), low == high
    ends = np.where(is_event, high, low)
    # Order at one time: exact event, censored (known to be free just then), event dated there.
    early = _Ordered.of(low, np.where(is_exact, 0, np.where(is_event, 2, 1)), is_event, heavy)
    late = _Ordered.of(ends, np.where(is_event, 0, 1), is_event, heavy)
    lowest, _ = early.limits(when, level, mid_p=mid_p)
    _, highest = late.limits(when, level, mid_p=mid_p)
    if estimate is not None:
        read = estimate.at(when)
        lowest, highest = np.fmin(lowest, read.lowest), np.fmax(highest, read.highest)
    is_known = (when >= 0) & (when <= ends.max())
    reached = when[:, None]

    def people(who: npt.NDArray[np.bool_]) -> Floats:
        return np.asarray(who @ heavy, np.float64)

    return EndLimits(
        time=when,
        lower=np.where(is_known, lowest, np.nan),
        upper=np.where(is_known, highest, np.nan),
        level=level,
        known_free=people((low >= reached) & ~(is_exact & (low == reached))),
        events=people(is_event & (high <= reached)),
        perhaps=people(is_event & (low < reached) & (high > reached)),
    )


@dataclass(frozen=True, slots=True)
class _Ordered:
    """Right-censored times in order, ties told apart; arrays over the distinct event places.

    ``time`` and ``rank`` are those of the events; ``leaving`` holds the (time, rank) keys of
    everybody in order with the people ``remaining`` from each key on.
    """

    event_key: npt.NDArray[np.complex128]
    products: BetaProduct
    leaving: npt.NDArray[np.complex128]
    remaining: Floats

    @classmethod
    def of(
        cls,
        time: Floats,
        rank: npt.NDArray[np.int64],
        is_event: npt.NDArray[np.bool_],
        weight: Floats,
    ) -> _Ordered:
        key = time + 1j * rank  # complex numbers sort by their real, then their imaginary part
        leaving, place = np.unique(key, return_inverse=True)
        size = np.bincount(place, weight).astype(np.float64)
        events = np.bincount(place, weight * is_event).astype(np.float64)
        remaining = np.append(np.cumsum(size[::-1])[::-1], 0.0)
        at = events > 0
        at_risk = remaining[:-1][at]
        products = BetaProduct.of_factors(at_risk - events[at] + 1, events[at]).accumulate()
        return cls(leaving[at], products, leaving, remaining)

    def limits(self, when: Floats, level: float, *, mid_p: bool) -> tuple[Floats, Floats]:
        """Beta product limits right after the events of rank 0 at each time."""
        key = when + 0j
        before = self.products.take(np.searchsorted(self.event_key, key, side="right") - 1)
        after = self.remaining[np.searchsorted(self.leaving, key, side="right")]
        next_failure = BetaProduct.of_factors(np.maximum(after, 1.0), np.ones(after.shape))
        return beta_product_limits(before.times(next_failure), before, after, level, mid_p=mid_p)
