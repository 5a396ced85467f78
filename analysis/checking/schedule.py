"""Who is due, overdue or lost by the registry's visit schedule.

The next visit of an eye is due one gap of the schedule after the last one, the gap being that of
the time since treatment; a missed visit therefore does not shift the plan of everyone else. It is
overdue when a quarter of the gap more has passed, and the eye is lost when two visits in succession
are overdue and no reason is recorded. How complete each field is by year of treatment is
:func:`analysis.outcomes.baseline.completeness_by_year`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.outcomes.cohort import CohortRules, DataCut, unit_relations
from registry.entry_rules.record_rules import REMOVES_THE_EYE, list_codes
from registry.settings import DEFAULT_VISIT_SCHEDULE

if TYPE_CHECKING:
    import duckdb

DAYS_PER_YEAR = 365.25
DAYS_PER_MONTH = DAYS_PER_YEAR / 12
SOON_DAYS = 31

State = Literal["ended", "on schedule", "due", "overdue", "lost"]
STATES: tuple[State, ...] = ("ended", "on schedule", "due", "overdue", "lost")


@dataclass(frozen=True, slots=True)
class VisitSchedule:
    """How often a treated eye is to be examined.

    Parameters
    ----------
    every_months
        Gap between visits of each step.
    until_years
        Years since treatment at which each step ends, rising; the last one is infinite.
    grace_fraction
        Share of a gap after which a due visit counts as overdue (1.25 planned gaps in all).
    """

    every_months: tuple[float, ...]
    until_years: tuple[float, ...]
    grace_fraction: float = 0.25

    def __post_init__(self) -> None:
        """Refuse steps that do not follow each other."""
        rising = list(self.until_years) == sorted(set(self.until_years))
        if len(self.every_months) != len(self.until_years) or not self.until_years or not rising:
            raise ValueError(f"steps {self.every_months!r} until {self.until_years!r} do not fit")
        if not np.isinf(self.until_years[-1]) or min(self.every_months) <= 0:
            raise ValueError("the last step is open, and every gap is above 0")

    @classmethod
    def of(cls, steps: Sequence[Mapping[str, Any]] = DEFAULT_VISIT_SCHEDULE) -> VisitSchedule:
        """Read the registry's setting ``visit_schedule``.

        Examples
        --------
        >>> VisitSchedule.of().in_words()
        'every 6 months until 5 years, then every 12 months'
        """
        ends = [step["until_years"] for step in steps]
        return cls(
            tuple(float(step["every_months"]) for step in steps),
            tuple(np.inf if end is None else float(end) for end in ends),
        )

    def gap_days(self, years: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the gap in days that follows a visit so many years after treatment.

        Examples
        --------
        >>> VisitSchedule.of().gap_days(np.array([0.0, 4.99, 5.0])).tolist()
        [182.625, 182.625, 365.25]
        """
        step = np.searchsorted(np.asarray(self.until_years), years, side="right")
        return np.asarray(self.every_months)[step] * DAYS_PER_MONTH

    def in_words(self) -> str:
        """Say the schedule."""
        parts = [
            f"every {gap:g} month{'s' * (gap != 1)}"
            + ("" if np.isinf(end) else f" until {end:g} year{'s' * (end != 1)}")
            for gap, end in zip(self.every_months, self.until_years, strict=True)
        ]
        return ", then ".join(parts)


@dataclass(frozen=True, slots=True)
class Due:
    """Where one treated tumour stands; ``last_seen`` is None when never seen after treatment.

    ``due_date`` is None where nothing is due any more; ``days_overdue`` counts from it and is
    negative before it.
    """

    tumour_id: str
    patient_id: str
    zero_date: date
    last_seen: date | None
    due_date: date | None
    days_overdue: int | None
    state: State
    reason: str


_SQL = """
SELECT u.tumour_id, u.patient_id, u.zero_date, v.last_seen, p.death_date, g.removed_date,
    CASE WHEN coalesce(q.last_contact_date <= $cut_date, true)
        THEN p.follow_up_ended_reason END AS reason
FROM unit u JOIN cut_patient p USING (patient_id)
JOIN patient_as_of($recorded_until) q USING (patient_id)
LEFT JOIN (
    SELECT u.tumour_id, max(v.visit_date) AS last_seen FROM unit u
    JOIN cut_visit v ON v.patient_id = u.patient_id AND v.eye = u.eye
        AND v.visit_date > u.zero_date
    GROUP BY u.tumour_id) v ON v.tumour_id = u.tumour_id
LEFT JOIN (
    SELECT patient_id, eye, min(event_date) AS removed_date FROM cut_event
    WHERE kind IN ({removals}) GROUP BY patient_id, eye) g
    ON g.patient_id = u.patient_id AND g.eye = u.eye
WHERE $patient IS NULL OR u.patient_id = $patient
ORDER BY u.tumour_id"""


def _why_ended(row: Mapping[str, Any]) -> str:
    if row["death_date"] is not None:
        return "died"
    if row["removed_date"] is not None:
        return "eye removed"
    reason = row["reason"]
    return "" if reason in (None, "under_follow_up", "unknown") else str(reason)


def read_due(
    connection: duckdb.DuckDBPyConnection,
    cut: DataCut,
    schedule: VisitSchedule,
    *,
    patient_id: str | None = None,
) -> tuple[Due, ...]:
    """Say of every treated tumour when its eye is due, in order of tumour.

    Parameters
    ----------
    connection
        Connection of an open registry.
    cut
        The day on which the question is asked.
    schedule
        The registry's setting.
    patient_id
        Only this patient.
    """
    common = unit_relations("tumour", CohortRules(with_prior_treatment=True))
    sql = f"WITH {common} {_SQL.format(removals=list_codes(REMOVES_THE_EYE))}"
    parameters = cut.parameters() | {"patient": patient_id}
    rows = connection.sql(sql, params=parameters).to_arrow_table().to_pylist()
    seen = [row["last_seen"] or row["zero_date"] for row in rows]
    since = np.array(
        [(day - row["zero_date"]).days for day, row in zip(seen, rows, strict=True)], dtype=float
    )
    gaps = schedule.gap_days(since / DAYS_PER_YEAR)
    return tuple(
        _judge(row, day, float(gap), cut.event_date, schedule.grace_fraction)
        for row, day, gap in zip(rows, seen, gaps, strict=True)
    )


def _judge(row: Mapping[str, Any], seen: date, gap: float, today: date, grace: float) -> Due:
    ended = _why_ended(row)
    due = seen + timedelta(days=round(gap))
    late = (today - due).days
    state: State
    if ended:
        state = "ended"
    elif late > (1 + grace) * gap:
        state = "lost"
    elif late > grace * gap:
        state = "overdue"
    else:
        state = "due" if late >= -SOON_DAYS else "on schedule"
    return Due(
        tumour_id=row["tumour_id"],
        patient_id=row["patient_id"],
        zero_date=row["zero_date"],
        last_seen=row["last_seen"],
        due_date=None if ended else due,
        days_overdue=None if ended else late,
        state=state,
        reason=ended,
    )


def count_states(due: Sequence[Due]) -> dict[State, int]:
    """Count tumours by state, every state named.

    Examples
    --------
    >>> count_states([])["lost"]
    0
    """
    counted = Counter(one.state for one in due)
    return {state: counted[state] for state in STATES}
