"""Analyses that start at a landmark: only who is then free of the event, and what is known by then.

A later finding may define groups only from a landmark on; otherwise its members are given time in
which they could not have had the event (Anderson, Cain, Gelber, J Clin Oncol 1983;1:710-719).
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from analysis.outcomes import cohort
from analysis.outcomes.cohort import CohortRules, DataCut, FlowStep, unit_relations
from analysis.outcomes.end_points import DAYS_PER_YEAR, TOXICITIES
from analysis.outcomes.grouping import Grouping
from analysis.outcomes.outcome_table import OutcomeTable, death_clock

if TYPE_CHECKING:
    import duckdb


def count_days(years: float) -> int:
    """Return a landmark in whole days.

    Raises
    ------
    ValueError
        For a time that is not finite or not above 0.

    Examples
    --------
    >>> count_days(2)
    730
    """
    if not np.isfinite(years) or years <= 0:
        raise ValueError(f"a landmark is a finite time above 0, not {years!r}")
    return round(years * DAYS_PER_YEAR)


def from_landmark(table: OutcomeTable, days: int) -> tuple[OutcomeTable, tuple[FlowStep, ...]]:
    """Keep the units free of every cause at the landmark, and count their days from there.

    Who had the event, a competing event or death up to and on the landmark is left out, and who
    was not followed beyond it on any clock. Status by examination and death keep their own clocks:
    someone examined last before the landmark but known alive after it has no time at risk of the
    event, and is at risk of death. So the curve from the landmark is S(t)/S(landmark) of the curve
    from time zero, and each incidence (F(t) − F(landmark))/S(landmark).

    Parameters
    ----------
    days
        The landmark in days from time zero.

    Returns
    -------
    tuple
        The table from the landmark on, and the steps of the flow that lead to it.
    """
    vital = death_clock(table)[0] if table.end_point.death_competes else table.time_days
    had_event = (table.status == 1) & (table.time_days <= days)
    competed = (table.status > 1) & (table.time_days <= days)
    if table.end_point.death_competes:
        competed |= (table.death_days <= days) & ~had_event
    unseen = (np.maximum(table.time_days, vital) <= days) & ~had_event & ~competed
    words = (
        (had_event, "had the event by the landmark"),
        (competed, "had a competing event, or died, by the landmark"),
        (unseen, "not followed beyond the landmark"),
    )
    steps, left = [], table.n
    for rows, step in words:
        left -= int(rows.sum())
        steps.append(FlowStep(step, int(rows.sum()), left))
    kept = table.select(~(had_event | competed | unseen))
    later = replace(
        kept,
        zero_date=tuple(zero + timedelta(days=days) for zero in kept.zero_date),
        entry_days=np.maximum(kept.entry_days - days, 0),
        time_days=np.maximum(kept.time_days - days, 0),
        last_known_free_days=np.maximum(kept.last_known_free_days - days, 0),
        first_known_event_days=kept.first_known_event_days - days,
        death_days=kept.death_days - days,
        vital_known_days=np.maximum(kept.vital_known_days - days, 0),
        seen=kept.seen & (kept.time_days > days),
    )
    return later, tuple(steps)


def group_by_complication(
    connection: duckdb.DuckDBPyConnection,
    cut: DataCut,
    rules: CohortRules,
    table: OutcomeTable,
    kind: str,
    days: int,
) -> Grouping:
    """Group units by whether a complication was recorded up to and on the landmark.

    Raises
    ------
    ValueError
        For an unknown kind.
    """
    if kind not in TOXICITIES:
        raise ValueError(f"{kind!r} is not one of {TOXICITIES}")
    unit = table.end_point.unit
    sql = (
        f"WITH {unit_relations(unit, rules)} SELECT u.unit_id,"
        f" min(e.event_date) - u.zero_date AS first_days"
        f" FROM unit u JOIN unit_event e USING (unit_id) WHERE e.kind = '{kind}'"
        " GROUP BY u.unit_id, u.zero_date"
    )
    found = cohort.fetch_columns(connection, sql, cut.parameters())
    by_then = {
        name
        for name, first in zip(found["unit_id"], found["first_days"], strict=True)
        if first <= days
    }
    words = kind.replace("_", " ")
    levels = (f"no {words} by the landmark", f"{words} by the landmark")
    of_unit = {name: levels[name in by_then] for name in table.unit_id}
    return Grouping(kind, f"{words} by the landmark", levels, of_unit)
