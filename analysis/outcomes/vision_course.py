"""Course of acuity: each year among eyes alive and kept, latest, and after cataract surgery.

Nothing is imagined after death or removal: every figure at a time describes the eyes that were in
and whose patient was alive then, by estimating equations with working independence
(:mod:`analysis.outcomes.vision_shares`). Off-chart levels have a rank and no number, so the course
is told in medians of ranks and in shares at or above a level.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.end_points import DAYS_PER_YEAR
from analysis.outcomes.vision_history import (
    Bools,
    Floats,
    Ints,
    VisionHistories,
    VisionRules,
    reading_relations,
)
from analysis.outcomes.vision_levels import LOWEST_CHART_RANK
from analysis.outcomes.vision_shares import (
    ClusteredShare,
    RankQuantile,
    median_rank,
    share_over_patients,
)
from registry.acuity import rank_of

if TYPE_CHECKING:
    import duckdb

HALF_WINDOW_DAYS = 183
"""A reading stands for a year when it is the nearest within this many days."""

BEFORE_SURGERY_DAYS = 365
AFTER_SURGERY_DAYS = (28, 365)
LETTERS_OF_CHANGE = 15


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings of acuity of the eyes of :class:`VisionHistories`, the baseline as day 0.

    Arrays of shape (m,), in order of eye and day: the eye's row, days from time zero and the rank.
    """

    row: Ints
    day: Ints
    rank: Ints


def _place(eyes: VisionHistories, units: Sequence[str]) -> Ints:
    of_unit = {unit: row for row, unit in enumerate(eyes.unit_id)}
    return np.asarray([of_unit.get(unit, -1) for unit in units], np.int64)


def read_readings(
    connection: duckdb.DuckDBPyConnection,
    eyes: VisionHistories,
    cut: DataCut,
    rules: CohortRules,
    vision: VisionRules,
) -> Readings:
    """Return the readings of ``eyes`` that count: baseline, and until death or removal."""
    sql = f"""
WITH {reading_relations(rules, vision)}
SELECT unit_id, CAST(0 AS BIGINT) AS day, rank FROM baseline
UNION ALL SELECT unit_id, day, rank FROM followed ORDER BY unit_id, day"""
    table = connection.sql(sql, params=cut.parameters()).to_arrow_table()
    row = _place(eyes, table["unit_id"].to_pylist())
    day, rank = (np.asarray(table[name].to_numpy(), np.int64) for name in ("day", "rank"))
    return Readings(row[row >= 0], day[row >= 0], rank[row >= 0])


def cataract_surgery_days(
    connection: duckdb.DuckDBPyConnection,
    eyes: VisionHistories,
    cut: DataCut,
    rules: CohortRules,
    vision: VisionRules,
) -> Floats:
    """Return the day of each eye's first cataract surgery after insertion; NaN without one."""
    sql = f"""
WITH {reading_relations(rules, vision)}
SELECT e.unit_id, min(e.event_date) - min(s.zero_date) AS day
FROM unit_event e JOIN eye_state s USING (unit_id)
WHERE e.kind = 'cataract_surgery' AND e.event_date > s.zero_date
    AND (s.death_date IS NULL OR e.event_date <= s.death_date)
GROUP BY e.unit_id ORDER BY e.unit_id"""
    table = connection.sql(sql, params=cut.parameters()).to_arrow_table()
    row, day = _place(eyes, table["unit_id"].to_pylist()), table["day"].to_numpy()
    found = np.full(eyes.n, np.nan)
    found[row[row >= 0]] = day[row >= 0]
    return found


@dataclass(frozen=True, slots=True)
class YearOfCourse:
    """Acuity at one time, of eyes alive and kept then.

    ``kept`` counts those eyes, ``read`` those with a reading near enough, one each.
    ``at_least_6_12``, ``at_least_6_60`` and ``off_chart`` are shares of these readings.
    """

    years: float
    kept: int
    read: int
    median: RankQuantile
    at_least_6_12: ClusteredShare
    at_least_6_60: ClusteredShare
    off_chart: ClusteredShare


def describe_ranks(years: float, kept: int, ranks: Ints, patient: Ints) -> YearOfCourse:
    """Describe the readings of one time, one an eye; ``patient`` says whose eye each is."""
    return YearOfCourse(
        years=float(years),
        kept=kept,
        read=len(ranks),
        median=median_rank(ranks, patient),
        at_least_6_12=share_over_patients(ranks >= rank_of(70, None), patient),
        at_least_6_60=share_over_patients(ranks >= rank_of(35, None), patient),
        off_chart=share_over_patients(ranks < LOWEST_CHART_RANK, patient),
    )


def _nearest(readings: Readings, n: int, day: float, half_window: int) -> tuple[Bools, Ints]:
    """Return who has a reading within the window, and the rank of the nearest (later at a tie)."""
    distance = np.abs(readings.day - day)
    near = np.flatnonzero(distance <= half_window)
    order = near[np.lexsort((-readings.day[near], distance[near], readings.row[near]))]
    rows, first = np.unique(readings.row[order], return_index=True)
    has, rank = np.zeros(n, np.bool_), np.zeros(n, np.int64)
    has[rows], rank[rows] = True, readings.rank[order[first]]
    return has, rank


def course_by_year(
    eyes: VisionHistories,
    readings: Readings,
    years: Sequence[float] = (0.0, 1.0, 2.0, 3.0, 5.0, 10.0),
    half_window_days: int = HALF_WINDOW_DAYS,
) -> tuple[YearOfCourse, ...]:
    """Describe acuity at each time among eyes with a baseline that are alive and kept then.

    Time 0 is the baseline itself. A patient whose vital status is not known to that time is left
    out of it.
    """
    has_baseline = ~np.isnan(eyes.baseline_rank) & (eyes.reason != 1)
    patient = np.unique(np.asarray(eyes.patient_id, dtype=str), return_inverse=True)[1]
    found = []
    for year in years:
        day = year * DAYS_PER_YEAR
        kept = has_baseline & (eyes.vital_days >= day)
        kept &= ~(eyes.death_days <= day) & ~(eyes.removed_days <= day)
        window = half_window_days if year > 0 else 0
        has, rank = _nearest(readings, eyes.n, day, window)
        read = kept & has
        found.append(describe_ranks(year, int(kept.sum()), rank[read], patient[read]))
    return tuple(found)


def pair_latest(eyes: VisionHistories, readings: Readings) -> list[tuple[int, int]]:
    """Return baseline and latest rank of every eye with a reading after treatment.

    The latest reading of an eye since removed, or of a patient since dead, is the last before.
    """
    later = np.flatnonzero(readings.day > 0)
    rows, last = np.unique(readings.row[later][::-1], return_index=True)
    rank = readings.rank[later][::-1][last]
    known = ~np.isnan(eyes.baseline_rank[rows]) & (eyes.reason[rows] != 1)
    baseline = eyes.baseline_rank[rows].astype(np.float64)
    return [
        (int(before), int(now))
        for before, now, is_known in zip(baseline, rank, known, strict=True)
        if is_known
    ]


def classify_change(was: Ints, now: Ints) -> Ints:
    """Return 1 for a gain of 15 letters or more or onto the chart, -1 for such a loss, else 0.

    A change between two levels off the chart is 0: they have no letters.

    Examples
    --------
    >>> classify_change(np.array([174, 174, 2, 120, 0]), np.array([159, 160, 110, 3, 3])).tolist()
    [-1, 0, 1, -1, 0]
    """
    was_off, is_off = was < LOWEST_CHART_RANK, now < LOWEST_CHART_RANK
    change = np.where(np.abs(now - was) >= LETTERS_OF_CHANGE, np.sign(now - was), 0)
    change = np.where(was_off != is_off, np.sign(now - was), change)
    return np.asarray(np.where(was_off & is_off, 0, change), np.int64)


@dataclass(frozen=True, slots=True)
class CataractRecovery:
    """Acuity before and after the first cataract surgery since treatment.

    ``operated`` counts eyes, ``read`` those with a reading in the year before and one 28 to 365
    days after (the first). ``gained``, ``lost`` and ``similar`` count changes of 15 letters or
    more, or across the edge of the chart.
    """

    operated: int
    read: int
    before: RankQuantile
    after: RankQuantile
    gained: int
    similar: int
    lost: int


def recover_after_surgery(readings: Readings, surgery_days: Floats) -> CataractRecovery:
    """Compare the last reading before surgery with the first one at least 28 days after."""
    since = readings.day - surgery_days[readings.row]
    before = np.flatnonzero((since < 0) & (since >= -BEFORE_SURGERY_DAYS))[::-1]
    after = np.flatnonzero((since >= AFTER_SURGERY_DAYS[0]) & (since <= AFTER_SURGERY_DAYS[1]))
    rows_before, last = np.unique(readings.row[before], return_index=True)
    rows_after, first = np.unique(readings.row[after], return_index=True)
    both, in_before, in_after = np.intersect1d(rows_before, rows_after, return_indices=True)
    was = readings.rank[before[last[in_before]]]
    now = readings.rank[after[first[in_after]]]
    change = classify_change(was, now)
    return CataractRecovery(
        operated=int((~np.isnan(surgery_days)).sum()),
        read=len(both),
        before=median_rank(was),
        after=median_rank(now),
        gained=int((change > 0).sum()),
        similar=int((change == 0).sum()),
        lost=int((change < 0).sum()),
    )


@dataclass(frozen=True)
class Course:
    """The course at each time, baseline and latest rank of each eye, and recovery after surgery."""

    years: tuple[YearOfCourse, ...]
    pairs: tuple[tuple[int, int], ...]
    recovery: CataractRecovery


def analyse_course(
    connection: duckdb.DuckDBPyConnection,
    eyes: VisionHistories,
    cut: DataCut,
    rules: CohortRules,
    vision: VisionRules,
    years: Sequence[float] = (0.0, 1.0, 2.0, 3.0, 5.0, 10.0),
) -> Course:
    """Read the readings of ``eyes`` and describe their course, whatever level was asked for."""
    where = (connection, eyes, cut, rules, vision)
    readings = read_readings(*where)
    surgery = cataract_surgery_days(*where)
    return Course(
        years=course_by_year(eyes, readings, years),
        pairs=tuple(pair_latest(eyes, readings)),
        recovery=recover_after_surgery(readings, surgery),
    )
