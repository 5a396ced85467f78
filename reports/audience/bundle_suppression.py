"""The publishable form of a bundle: yearly counts by the one suppression rule, and their loss.

Counts from 1 to 7 are hidden, others rounded to 5 (:mod:`reports.audience.published_numbers`). An
attacker knows more than the cells: people at risk never grow, events are among those who leave,
person-years lie between the numbers at risk. :func:`find_ranges` draws every conclusion from that;
where it leaves a hidden count one value only, the events of the whole stratum are withheld.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from analysis.benchmarking.bundles import LAST_YEAR, NOT_LATE, TICKS_PER_YEAR, Bundle
from analysis.counts.exact_counts import poisson_limits
from analysis.outcomes.end_points import DAYS_PER_YEAR
from registry.errors import RefusedInputError
from reports.audience.published_numbers import ROUNDED_TO, SMALLEST_SHOWN, is_small, round_to_five

HIDDEN = "hidden"
WITHHELD = "withheld"
Shown = int | str
"""A count rounded to 5, "hidden" (1 to 7) or "withheld" (could be any)."""


@dataclass(frozen=True, slots=True)
class SuppressedStratum:
    """By year since treatment: at risk at its start, events, person-years to the nearest 5."""

    stratum: str
    at_risk: tuple[Shown, ...]
    events: tuple[Shown, ...]
    person_years: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class SuppressedBundle:
    """One centre's bundle in publishable form; there are no totals to subtract from."""

    centre: str
    end_point: str
    definition: str
    data_cut: str
    strata_by: str
    strata: tuple[SuppressedStratum, ...]


def show_count(count: int) -> Shown:
    """Show a count by the one rule.

    >>> show_count(0), show_count(7), show_count(98)
    (0, 'hidden', 100)
    """
    return HIDDEN if is_small(count) else round_to_five(count)


def suppress(bundle: Bundle) -> SuppressedBundle:
    """Make the publishable form.

    Raises
    ------
    RefusedInputError
        With delayed entry: numbers at risk may then grow, and the form is not made for it.
    """
    if any(cell.entry_tick != NOT_LATE for cell in bundle.cells):
        raise RefusedInputError(
            "A suppressed bundle cannot be made with delayed entry; share the open one under an"
            " agreement, or leave those patients out.",
            centre=bundle.centre,
        )
    strata = tuple(_suppress_stratum(bundle, name) for name in bundle.person_days)
    return SuppressedBundle(
        bundle.centre,
        bundle.end_point,
        bundle.definition,
        bundle.data_cut,
        bundle.strata_by,
        strata,
    )


def true_counts(bundle: Bundle, stratum: str) -> tuple[list[int], list[int]]:
    """Numbers at risk at the start of each year, and events in each year."""
    cells = [cell for cell in bundle.cells if cell.stratum == stratum]
    starts = [year * TICKS_PER_YEAR for year in range(LAST_YEAR)]
    at_risk = [sum(c.count for c in cells if c.tick > start) for start in starts]
    events = [
        sum(c.count for c in cells if c.status == 1 and low < c.tick <= low + TICKS_PER_YEAR)
        for low in starts
    ]
    return at_risk, events


def _suppress_stratum(bundle: Bundle, stratum: str) -> SuppressedStratum:
    at_risk, events = true_counts(bundle, stratum)
    days = bundle.person_days[stratum]
    years = [
        round_to_five(sum(days[k * TICKS_PER_YEAR : (k + 1) * TICKS_PER_YEAR]) / DAYS_PER_YEAR)
        for k in range(LAST_YEAR)
    ]
    made = SuppressedStratum(
        stratum,
        tuple(show_count(count) for count in at_risk),
        tuple(show_count(count) for count in events),
        tuple(years),
    )
    if is_pinned(made):
        made = replace(made, events=(WITHHELD,) * len(events))
    if is_pinned(made):
        nothing: tuple[Shown, ...] = (WITHHELD,) * len(at_risk)
        made = replace(made, at_risk=nothing, person_years=(0,) * LAST_YEAR)
    return made


# --- what can be concluded ------------------------------------------------------------------------

Range = tuple[float, float]


def range_of(shown: Shown) -> Range:
    """Values that a shown count may stand for.

    >>> range_of(0), range_of("hidden"), range_of(10), range_of(100)
    ((0, 0), (1, 7), (8, 12), (98, 102))
    """
    if shown == WITHHELD:
        return 0, math.inf
    if shown == HIDDEN:
        return 1, SMALLEST_SHOWN - 1
    assert isinstance(shown, int)
    half = ROUNDED_TO // 2
    return (0, 0) if shown == 0 else (max(SMALLEST_SHOWN, shown - half), shown + half)


def find_ranges(stratum: SuppressedStratum) -> tuple[list[Range], list[Range]]:
    """Narrow every number at risk and of events to what the others leave possible.

    Uses at_risk[k + 1] <= at_risk[k] - events[k] and, of year k, at_risk[k + 1] <= person-years <=
    at_risk[k], over and over until nothing narrows; on such a chain that is all that follows.
    """
    risk, events = ([range_of(x) for x in side] for side in (stratum.at_risk, stratum.events))
    risk.append((0, math.inf))  # whoever is left after the last year
    half = ROUNDED_TO / 2
    has_years = any(stratum.person_years)
    while True:
        before = (list(risk), list(events))
        for k, years in enumerate(stratum.person_years):
            if has_years:
                risk[k] = _above(risk[k], math.ceil(years - half))
                risk[k + 1] = _below(risk[k + 1], math.floor(years + half))
            risk[k] = _above(risk[k], risk[k + 1][0] + events[k][0])
            risk[k + 1] = _below(risk[k + 1], risk[k][1] - events[k][0])
            events[k] = _below(events[k], risk[k][1] - risk[k + 1][0])
        if before == (risk, events):
            return risk[:-1], events


def _above(known: Range, least: float) -> Range:
    return max(known[0], least), known[1]


def _below(known: Range, most: float) -> Range:
    return known[0], min(known[1], most)


def is_pinned(stratum: SuppressedStratum) -> bool:
    """Whether some count that is hidden or withheld, from 1 to 7, is left one value only."""
    ranges = find_ranges(stratum)
    shown = (stratum.at_risk, stratum.events)
    return any(
        isinstance(value, str) and known[0] == known[1] and 0 < known[0] < SMALLEST_SHOWN
        for side, found in zip(shown, ranges, strict=True)
        for value, known in zip(side, found, strict=True)
    )


@dataclass(frozen=True, slots=True)
class SuppressedPool:
    """What several suppressed bundles still say.

    The pooled event rate per 100 person-years lies between ``lowest_rate`` and ``highest_rate``;
    ``hidden_cells`` of the ``event_cells`` with any event are hidden or withheld.
    """

    centres: tuple[str, ...]
    person_years: int
    fewest_events: float
    most_events: float
    event_cells: int
    hidden_cells: int

    @property
    def loss(self) -> float | None:
        """Share of the cells with events that are hidden; None when there is none."""
        return self.hidden_cells / self.event_cells if self.event_cells else None

    def rates(self) -> tuple[float, float]:
        """Lowest and highest pooled rate per 100 person-years; NaN without person-years."""
        if not self.person_years:
            return math.nan, math.nan
        return (
            100 * self.fewest_events / self.person_years,
            100 * self.most_events / self.person_years,
        )

    def rate_limits(self, level: float = 0.95) -> tuple[float, float]:
        """Exact Poisson limits of the rate that hold for every count that may be hidden.

        The lower limit of the fewest events possible and the upper one of the most: with none seen,
        the bounds alone would say that the rate is 0.

        >>> pool = SuppressedPool(("a",), 200, 0, 0, 0, 0)
        >>> pool.rates(), [round(limit, 3) for limit in pool.rate_limits()]
        ((0.0, 0.0), [0.0, 1.844])
        """
        if not self.person_years:
            return math.nan, math.nan
        fewest, most = math.floor(self.fewest_events), math.ceil(self.most_events)
        low, high = poisson_limits(fewest, level).lower, poisson_limits(most, level).upper
        return 100 * low / self.person_years, 100 * high / self.person_years


def pool_suppressed(bundles: Sequence[SuppressedBundle]) -> SuppressedPool:
    """Pool suppressed bundles: bounds only, since what was hidden is gone."""
    strata = [stratum for bundle in bundles for stratum in bundle.strata]
    ranges = [found for stratum in strata for found in find_ranges(stratum)[1]]
    shown = [value for stratum in strata for value in stratum.events]
    return SuppressedPool(
        tuple(bundle.centre for bundle in bundles),
        sum(sum(stratum.person_years) for stratum in strata),
        sum(low for low, _ in ranges),
        sum(high for _, high in ranges),
        sum(value != 0 for value in shown),
        sum(isinstance(value, str) for value in shown),
    )
