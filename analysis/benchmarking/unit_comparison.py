"""Years, operators, centres or cases in order, side by side: observed over expected of each."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.benchmarking.monitoring import Hazard, expected_of_units
from analysis.counts.exact_counts import (
    ObservedExpected,
    clopper_pearson,
    observed_over_expected,
)
from analysis.outcomes.outcome_table import PLANNED_GAP_DAYS, OutcomeTable


@dataclass(frozen=True, slots=True)
class UnitOverExpected:
    """Observed over expected of one year, operator, centre or band of cases."""

    name: str
    n: int
    against: ObservedExpected


def over_expected_by(
    table: OutcomeTable, hazard: Hazard, names: Sequence[str]
) -> tuple[UnitOverExpected, ...]:
    """Split observed and expected by a name a unit, in sorted order; units without E are left out.

    A binomial funnel would need everyone followed to the horizon; this holds under censoring.
    """
    expected, of_row = expected_of_units(table, hazard), np.asarray(names, dtype=object)
    late = table.entry_days > 0
    event = (table.status == 1) & (~late | (table.time_days > table.entry_days))
    made = []
    for name in sorted(set(names)):
        chosen = of_row == name
        due = float(expected[chosen].sum())
        if due > 0:
            against = observed_over_expected(int(event[chosen].sum()), due)
            made.append(UnitOverExpected(name, int(chosen.sum()), against))
    return tuple(made)


def all_reached(table: OutcomeTable, horizon_days: float) -> bool:
    """Whether everyone's yes or no at the horizon is known: a binomial funnel may then be drawn.

    Known is who had the event or what rules it out (removal of the eye), was followed to the
    horizon, or died before it, seen without the event within 1.25 planned gaps between visits (the
    dead count as without it).
    """
    had = (table.status > 0) & (table.time_days <= horizon_days)
    reached = had | (table.time_days >= horizon_days)
    gap = table.death_days - table.time_days  # NaN, hence false, for who lives
    reached |= (table.death_days <= horizon_days) & (gap <= 1.25 * PLANNED_GAP_DAYS)
    return bool(np.all(reached) and not (table.entry_days > 0).any())


@dataclass(frozen=True, slots=True)
class UnitShare:
    """How many of a unit's n had the event by the horizon."""

    name: str
    n: int
    events: int


def share_by(
    table: OutcomeTable, horizon_days: float, names: Sequence[str]
) -> tuple[UnitShare, ...]:
    """Count a yes-or-no outcome by a name a unit, in sorted order.

    Raises
    ------
    ValueError
        Where not everyone's outcome at the horizon is known.
    """
    if not all_reached(table, horizon_days):
        raise ValueError(f"not everyone is known at {horizon_days} days")
    had = (table.status == 1) & (table.time_days <= horizon_days)
    of_row = np.asarray(names, dtype=object)
    chosen = [(name, of_row == name) for name in sorted(set(names))]
    return tuple(UnitShare(name, int(rows.sum()), int(had[rows].sum())) for name, rows in chosen)


@dataclass(frozen=True, slots=True)
class FirstCases:
    """Rate in the first band of cases over that in all later ones, with exact 95 % limits."""

    band: str
    n: int
    events: int
    ratio: float
    lower: float
    upper: float


def compare_first_cases(
    units: Sequence[UnitOverExpected], level: float = 0.95
) -> FirstCases | None:
    """Set the first band of cases against the later ones together.

    Given the total of events, those in the first band are binomial; Clopper and Pearson's limits of
    that share, turned into a ratio of rates, are exact (Lehmann and Romano 2005, from memory). The
    ratio is infinite without later events; None with fewer than two bands or without any event.

    Examples
    --------
    >>> from analysis.counts.exact_counts import observed_over_expected
    >>> bands = [UnitOverExpected(f"cases {k}", 20, observed_over_expected(*pair))
    ...          for k, pair in enumerate([(6, 3.0), (5, 5.0)])]
    >>> found = compare_first_cases(bands)
    >>> round(found.ratio, 2), round(found.lower, 2), round(found.upper, 2)
    (2.0, 0.51, 8.28)
    """
    if len(units) < 2:
        return None
    first, later = units[0], units[1:]
    seen, due = first.against.observed, first.against.expected
    rest = sum(one.against.observed for one in later)
    rest_due = sum(one.against.expected for one in later)
    if seen + rest == 0:
        return None
    limits = clopper_pearson(seen, seen + rest, level)

    def ratio(share: float) -> float:
        return math.inf if share >= 1 else share / (1 - share) * rest_due / due

    whole = (ratio(share) for share in (seen / (seen + rest), limits.lower, limits.upper))
    return FirstCases(first.name, first.n, seen, *whole)


CASE_BANDS = (20, 50, 100)
"""Ends of the first bands of a learning curve: cases 1-20, 21-50, 51-100, later (our choice)."""


def case_bands(
    table: OutcomeTable, who: Sequence[str] | None = None, ends: Sequence[int] = CASE_BANDS
) -> tuple[str, ...]:
    """Name each unit's band in the order of cases, of the department or of each of ``who``.

    Examples
    --------
    >>> band_of_case(20), band_of_case(21), band_of_case(500)
    ('cases 1-20', 'cases 21-50', 'cases after 100')
    """
    owners = ["" for _ in range(table.n)] if who is None else list(who)
    order = sorted(range(table.n), key=lambda row: (table.zero_date[row], table.unit_id[row]))
    seen: dict[str, int] = {}
    bands = [""] * table.n
    for row in order:
        seen[owners[row]] = seen.get(owners[row], 0) + 1
        bands[row] = band_of_case(seen[owners[row]], ends)
    return tuple(bands)


def band_of_case(number: int, ends: Sequence[int] = CASE_BANDS) -> str:
    """Name the band of a case number."""
    first = 1
    for end in ends:
        if number <= end:
            return f"cases {first}-{end}"
        first = end + 1
    return f"cases after {ends[-1]}"
