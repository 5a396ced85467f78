"""The pooled curve between bounds: what suppressed bundles leave possible, year by year.

Of a year, with N at risk at its start, D events and M at risk at the next start, Kaplan–Meier on
any finer grid multiplies the share free of the event by no less than M/(M + D) (everyone else
censored before the events) and no more than (N − D)/N (after them). N, D and M are known within
ranges only. Lowest and highest products are found by going through every number at risk from year
to year, each stratum's ranges added up and M + D ≤ N kept (dynamic programming). What holds for the
patients' own curve, pooled on the grid of the open bundles, therefore lies between; the bounds may
be wider than needed, since strata are added up first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.benchmarking.bundles import LAST_YEAR
from reports.audience.bundle_suppression import (
    WITHHELD,
    Range,
    SuppressedBundle,
    SuppressedStratum,
    find_ranges,
)

Floats = npt.NDArray[np.float64]
MOST_NUMBERS = 3000
"""With more different numbers at risk than this the bounds are not worked out."""


@dataclass(frozen=True, slots=True)
class YearBounds:
    """Lowest and highest pooled share free of the event by the end of a year, with the ranges.

    ``at_risk`` is at its start; ``events`` are those of the year.
    """

    year: int
    at_risk: tuple[int, int]
    events: tuple[int, int]
    lowest: float
    highest: float


@dataclass(frozen=True, slots=True)
class BoundedCurve:
    """The curve between bounds; ``left_out`` strata show no numbers at risk and are not in it.

    It ends with the last year at whose start someone was certainly at risk.
    """

    n: tuple[int, int]
    years: tuple[YearBounds, ...]
    left_out: int

    def at(self, year: int) -> YearBounds | None:
        """Return the bounds at the end of a year; None beyond the curve."""
        return next((one for one in self.years if one.year == year), None)


def bound_curve(bundles: Sequence[SuppressedBundle]) -> BoundedCurve | None:
    """Bound the pooled Kaplan–Meier of suppressed bundles.

    Returns
    -------
    BoundedCurve or None
        None when no stratum shows its numbers at risk, or they are too many to go through.

    Examples
    --------
    >>> from reports.audience.bundle_suppression import SuppressedStratum, SuppressedBundle
    >>> zeros = (0,) * 13
    >>> shown = SuppressedStratum(
    ...     "all", (100, 50, *zeros), ("hidden", 0, *zeros), (75, 25, *zeros))
    >>> found = bound_curve([SuppressedBundle("A", "death", "", "", "none", (shown,))])
    >>> [(one.year, round(one.lowest, 3), round(one.highest, 3)) for one in found.years]
    [(1, 0.873, 0.99), (2, 0.873, 0.99)]
    """
    strata = [stratum for bundle in bundles for stratum in bundle.strata]
    shown = [one for one in strata if _shows_risk(one)]
    if not shown:
        return None
    risk, events = _add_up([find_ranges(stratum) for stratum in shown])
    if max(high - low for low, high in risk) > MOST_NUMBERS:
        return None
    years, lows = [], np.ones(risk[0][1] - risk[0][0] + 1)
    highs = lows
    for k in range(LAST_YEAR):
        if risk[k][0] < 1:
            break
        lows, highs = _one_year(risk[k], risk[k + 1], events[k], lows, highs)
        bounds = float(np.min(lows)), float(np.max(highs))
        years.append(YearBounds(k + 1, risk[k], events[k], *bounds))
    return BoundedCurve(risk[0], tuple(years), len(strata) - len(shown))


def _shows_risk(stratum: SuppressedStratum) -> bool:
    return WITHHELD not in stratum.at_risk


Whole = tuple[int, int]


def _add_up(found: Sequence[tuple[list[Range], list[Range]]]) -> tuple[list[Whole], list[Whole]]:
    """Add the ranges of the strata; the number at risk after the last year is added at the end."""
    sides = []
    for side in (0, 1):
        ranges = np.asarray([one[side] for one in found], dtype=np.float64).sum(axis=0)
        sides.append([(int(low), int(high)) for low, high in ranges])
    risk, events = sides
    return [*risk, (0, risk[-1][1])], events


def _one_year(
    now: Whole, then: Whole, events: Whole, lows: Floats, highs: Floats
) -> tuple[Floats, Floats]:
    """Carry the lowest and highest products from each number at risk to each of the next year.

    Shapes (now,) in and (then,) out; +inf and -inf where a number cannot be reached.
    """
    at_risk = np.arange(now[0], now[1] + 1, dtype=np.float64)[:, None]
    left = np.arange(then[0], then[1] + 1, dtype=np.float64)[None, :]
    fewest = float(events[0])
    can_be = left + fewest <= at_risk
    most = np.minimum(float(events[1]), np.maximum(at_risk - left, 0.0))
    worst = np.divide(left, left + most, out=np.ones(can_be.shape), where=left + most > 0)
    best = np.maximum(at_risk - fewest, 0.0) / np.maximum(at_risk, 1.0)
    low = np.where(can_be & np.isfinite(lows)[:, None], lows[:, None] * worst, math.inf)
    high = np.where(can_be & np.isfinite(highs)[:, None], highs[:, None] * best, -math.inf)
    return low.min(axis=0), high.max(axis=0)
