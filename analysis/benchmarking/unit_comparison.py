"""Years, operators, centres or cases in order, side by side: observed over expected of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.benchmarking.monitoring import Hazard, expected_of_units
from analysis.counts.exact_counts import ObservedExpected, observed_over_expected
from analysis.outcomes.outcome_table import OutcomeTable


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
    """Whether every unit had the event or was followed to the horizon: a binomial funnel may do."""
    had = (table.status == 1) & (table.time_days <= horizon_days)
    reached = had | (table.time_days >= horizon_days)
    return bool(np.all(reached) and not (table.entry_days > 0).any())


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
