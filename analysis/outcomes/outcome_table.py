"""One row a unit: what an end point's SQL relation says, as integer days on each clock.

:func:`read_outcome_table` is the one door from the store to the estimators.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.estimators.competing_risks import Clock
from analysis.estimators.observations import RightCensored
from analysis.outcomes import cohort
from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.end_points import MAIN, EndPoint, Variant, compile_end_point

if TYPE_CHECKING:
    import duckdb

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]

PLANNED_GAP_DAYS = 183
"""Planned gap between visits that the one-clock sensitivity analysis allows for (6 months)."""


@dataclass(frozen=True)
class OutcomeTable:
    """One row a unit, in integer days from time zero.

    ``status`` is on the examination clock (0 censored, 1 event, 2.. competing there);
    ``first_known_event_days`` and ``death_days`` are NaN where there is none; ``seen`` says whether
    the status was ever assessed after time zero.
    """

    end_point: EndPoint
    variant: Variant
    unit_id: tuple[str, ...]
    patient_id: tuple[str, ...]
    tumour_id: tuple[str, ...]
    first_implant_id: tuple[str, ...]
    zero_date: tuple[date, ...]
    entry_days: IntArray
    time_days: IntArray
    status: IntArray
    last_known_free_days: IntArray
    first_known_event_days: FloatArray
    death_days: FloatArray
    vital_known_days: IntArray
    seen: NDArray[np.bool_]

    @property
    def n(self) -> int:
        """Number of units."""
        return len(self.unit_id)

    def select(self, chosen: NDArray[np.bool_]) -> OutcomeTable:
        """Return the rows where ``chosen`` is true."""
        rows = np.flatnonzero(chosen)
        picked: dict[str, Any] = {}
        for field in fields(self):
            values = getattr(self, field.name)
            if isinstance(values, tuple):
                picked[field.name] = tuple(values[row] for row in rows)
            elif isinstance(values, np.ndarray):
                picked[field.name] = values[rows]
        return replace(self, **picked)


def read_outcome_table(
    connection: duckdb.DuckDBPyConnection,
    end_point: EndPoint,
    cut: DataCut,
    rules: CohortRules,
    variant: Variant = MAIN,
) -> OutcomeTable:
    """Run the compiled end point and return its rows as integer days."""
    sql = compile_end_point(end_point, rules, variant)
    columns = cohort.fetch_columns(connection, sql, cut.parameters())

    def whole(name: str) -> IntArray:
        return np.asarray(columns[name], dtype=np.int64)

    def with_gaps(name: str) -> FloatArray:
        return np.asarray(
            [np.nan if value is None else value for value in columns[name]], dtype=np.float64
        )

    return OutcomeTable(
        end_point=end_point,
        variant=variant,
        unit_id=tuple(columns["unit_id"]),
        patient_id=tuple(columns["patient_id"]),
        tumour_id=tuple(columns["tumour_id"]),
        first_implant_id=tuple(columns["first_implant_id"]),
        zero_date=tuple(columns["zero_date"]),
        entry_days=whole("entry_days"),
        time_days=whole("time_days"),
        status=whole("status"),
        last_known_free_days=whole("last_known_free_days"),
        first_known_event_days=with_gaps("first_known_event_days"),
        death_days=with_gaps("death_days"),
        vital_known_days=whole("vital_known_days"),
        seen=np.asarray(columns["seen"], dtype=np.bool_),
    )


def _observed(time: IntArray, status: IntArray, entry: IntArray) -> RightCensored:
    """Leave out units never under observation after their delayed entry."""
    delayed = entry > 0
    if not delayed.any():
        return RightCensored.of(time, status)
    under = ~delayed | (time > entry)
    # a negative entry is under observation from day 0 on, an event on that day included
    start = np.where(delayed, entry, -1)[under]
    return RightCensored.of(time[under], status[under], entry=start)


def examination_clock(table: OutcomeTable) -> RightCensored:
    """Return times and statuses as seen by examination: everyone censored at the last visit."""
    return _observed(table.time_days, table.status, table.entry_days)


def death_clock(table: OutcomeTable) -> tuple[IntArray, IntArray]:
    """Return the death clock: days and 1 for death before any event or competing removal.

    A unit leaves it at its event, at removal of the eye, at death or when vital status ends.
    """
    left = np.where(table.status > 0, table.time_days, np.iinfo(np.int64).max)
    days = np.minimum(left, np.maximum(table.vital_known_days, 0))
    died = (~np.isnan(table.death_days)) & (table.death_days <= days) & (table.status == 0)
    return days, died.astype(np.int64)


def own_clock_causes(table: OutcomeTable) -> list[Clock]:
    """Return each cause on its own clock; the examination clock carries the causes seen there."""
    exam_causes = 1 + len(table.end_point.competing)
    clocks = [
        Clock(cause, table.time_days, (table.status == cause).astype(np.int64))
        for cause in range(1, exam_causes + 1)
    ]
    if table.end_point.death_competes:
        days, died = death_clock(table)
        clocks.append(Clock(exam_causes + 1, days, died))
    return clocks


def one_clock_causes(table: OutcomeTable) -> list[Clock]:
    """Everyone followed to the last assessed visit plus 1.25 planned gaps (sensitivity)."""
    reach = table.time_days + round(1.25 * PLANNED_GAP_DAYS)
    days, died = death_clock(table)
    end = np.where(table.status > 0, table.time_days, np.minimum(reach, days))
    exam_causes = 1 + len(table.end_point.competing)
    clocks = [
        Clock(cause, end, (table.status == cause).astype(np.int64))
        for cause in range(1, exam_causes + 1)
    ]
    return [*clocks, Clock(exam_causes + 1, end, ((died == 1) & (days <= end)).astype(np.int64))]
