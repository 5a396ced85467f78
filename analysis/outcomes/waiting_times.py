"""Waiting times from referral over the decision to the first plaque, in days.

A wait whose end is recorded before its beginning is a contradiction (``check`` names it): it is
counted apart and never as a wait of nought.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.outcomes.cohort import CohortRules, DataCut, unit_relations

if TYPE_CHECKING:
    import duckdb

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Wait:
    """One interval: its name, in words, and the two dates that it lies between."""

    name: str
    label: str
    start: str
    end: str


WAITS: tuple[Wait, ...] = (
    Wait("diagnosis_to_referral", "Diagnosis to referral", "diagnosis_date", "referral_date"),
    Wait(
        "referral_to_decision", "Referral to decision", "referral_date", "treatment_decision_date"
    ),
    Wait("decision_to_treatment", "Decision to treatment", "treatment_decision_date", "zero_date"),
    Wait("referral_to_treatment", "Referral to treatment", "referral_date", "zero_date"),
)


@dataclass(frozen=True, slots=True)
class WaitingTimes:
    """Year of treatment and days of each wait by name, one value a tumour; NaN where unknown."""

    year: NDArray[np.int64]
    days: dict[str, FloatArray]

    def in_year(self, year: int) -> WaitingTimes:
        """Keep the tumours treated in one year."""
        own = self.year == year
        return WaitingTimes(self.year[own], {name: days[own] for name, days in self.days.items()})


@dataclass(frozen=True, slots=True)
class WaitSummary:
    """Median and quartiles of the known waits; NaN where there is none.

    ``known`` counts waits that run forward; ``backward`` those whose dates contradict each other.
    """

    wait: Wait
    n: int
    known: int
    backward: int
    median: float
    lower_quartile: float
    upper_quartile: float


_SQL = """
SELECT year(u.zero_date) AS year, {days}
FROM unit u JOIN treated_tumour t USING (tumour_id) ORDER BY u.tumour_id"""


def read_waiting_times(
    connection: duckdb.DuckDBPyConnection, cut: DataCut, rules: CohortRules
) -> WaitingTimes:
    """Read the waits of every treated tumour of the cohort, in order of tumour."""
    days = ", ".join(f"t.{one.end} - t.{one.start} AS {one.name}" for one in WAITS)
    sql = f"WITH {unit_relations('tumour', rules)} {_SQL.format(days=days)}"
    table = connection.sql(sql, params=cut.parameters()).to_arrow_table()
    columns: dict[str, list[Any]] = {name: table[name].to_pylist() for name in table.column_names}
    return WaitingTimes(
        np.array(columns.pop("year"), dtype=np.int64),
        {name: np.array(values, dtype=float) for name, values in columns.items()},
    )


def summarise_waits(waits: WaitingTimes) -> tuple[WaitSummary, ...]:
    """Summarise each wait.

    Examples
    --------
    >>> waits = WaitingTimes(np.array([2020, 2020]), {
    ...     one.name: np.array([10.0, -1.0]) for one in WAITS})
    >>> first = summarise_waits(waits)[0]
    >>> first.known, first.backward, first.median
    (1, 1, 10.0)
    """
    return tuple(_summarise(one, waits.days[one.name]) for one in WAITS)


def _summarise(wait: Wait, days: Sequence[float] | FloatArray) -> WaitSummary:
    values = np.asarray(days, dtype=float)
    known = values[values >= 0]
    low, middle, high = (
        np.quantile(known, [0.25, 0.5, 0.75]) if known.size else (np.nan, np.nan, np.nan)
    )
    backward = int((values < 0).sum())
    return WaitSummary(
        wait, values.size, known.size, backward, float(middle), float(low), float(high)
    )
