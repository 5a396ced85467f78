"""The states that a treated eye passes through, as spells on the two clocks.

Useful vision is a best reading of at least 6/60 (35 letters). Between readings the last one counts;
a change is dated at the reading that shows it, and may turn back. After failure vision no longer
divides the state. After the last visit only death is watched: the state known last is carried on to
the vital-status date for the hazard of death, and has no time at risk of any other change, but for
half a planned gap (:func:`watch_between_visits`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.estimators.multistate import STAYS, Occupation, Spells, occupy_states
from analysis.outcomes import cohort
from analysis.outcomes.cohort import CohortRules, DataCut, FlowStep, unit_relations
from analysis.outcomes.end_points import DAYS_PER_YEAR, EYE_LOSS, LOCAL_FAILURE
from analysis.outcomes.outcome_table import PLANNED_GAP_DAYS, OutcomeTable, read_outcome_table

if TYPE_CHECKING:
    import duckdb

USEFUL, POOR, FAILED, EYE_LOST, DEAD = range(5)
STATES: tuple[str, ...] = (
    "controlled, eye kept, useful vision",
    "controlled, eye kept, useful vision lost",
    "local failure, eye kept",
    "eye lost",
    "dead",
)
USEFUL_LETTERS = 35
"""Letters of 6/60, the least that counts as useful vision."""

HALF_GAP_DAYS = PLANNED_GAP_DAYS // 2
"""How long after its last visit an eye counts as watched: half a planned gap."""

DEFINITION = (
    "Each eye is, at any time: controlled and kept with useful vision (at least 6/60); controlled"
    " and kept without it; failed locally with the eye kept; lost; or the patient is dead. Vision"
    " is that of the last reading, and a change is dated at the reading that shows it, in either"
    " direction; failure and loss of the eye follow their own definitions, several on one day count"
    " as the last of them. An eye enters when its state is first known: on the day of treatment if"
    " acuity was read in the {window} days before it, else at its first reading, failure or loss."
    " Failure, loss of the eye and vision are watched to the last visit and half a planned gap"
    " ({reach} days) beyond, death to the vital-status date, with the state known last carried on."
    " Occupation is estimated after Aalen and Johansen"
    " (1978), each hazard on its own clock; intervals by bootstrap over patients."
)


@dataclass(frozen=True)
class EyeStates:
    """Spells on the examination clock and on the death clock, and who could not be placed."""

    unit_id: tuple[str, ...]
    patient_id: tuple[str, ...]
    examined: Spells
    vital: Spells
    flow: tuple[FlowStep, ...]

    @property
    def n(self) -> int:
        """Number of eyes placed."""
        return len(self.unit_id)


@dataclass(frozen=True, slots=True)
class _Eye:
    """Days of one eye from time zero; None where it did not happen."""

    entry: int
    seen_until: int
    vital_until: int
    failed: int | None
    lost: int | None
    died: int | None


def _readings_sql(rules: CohortRules, window_days: int) -> str:
    return f"""
WITH {unit_relations("eye", rules)}
SELECT s.unit_id, v.visit_date - s.zero_date AS day,
    bool_or(coalesce(v.acuity_letters >= {USEFUL_LETTERS}, false)) AS is_useful
FROM unit_state s JOIN unit_visit v USING (unit_id)
WHERE (v.acuity_letters IS NOT NULL OR v.acuity_off_chart IS NOT NULL)
    AND v.visit_date >= s.zero_date - {int(window_days)}
    AND (s.death_date IS NULL OR v.visit_date <= s.death_date)
    AND (s.removed_date IS NULL OR v.visit_date <= s.removed_date)
GROUP BY ALL ORDER BY s.unit_id, day"""


def _or_none(value: float) -> int | None:
    return None if np.isnan(value) else int(value)


def _list_eyes(lost: OutcomeTable, failed: OutcomeTable) -> list[_Eye]:
    return [
        _Eye(
            entry=int(lost.entry_days[row]),
            seen_until=int(lost.time_days[row]),
            vital_until=int(lost.vital_known_days[row]),
            failed=_or_none(failed.first_known_event_days[row]),
            lost=_or_none(lost.first_known_event_days[row]),
            died=_or_none(lost.death_days[row]),
        )
        for row in range(lost.n)
    ]


def trace_path(eye: Any, readings: list[tuple[int, bool]]) -> list[tuple[int, int]]:
    """Return the days on which the eye's state changed, and the state from then on.

    Parameters
    ----------
    eye
        Days of failure, loss and death, and of the end of either clock.
    readings
        Day and whether vision was useful, in order; one up to day 0 at most counts as baseline.

    Returns
    -------
    list
        (day, state), days ascending; empty when the state is never known.
    """
    before = [useful for day, useful in readings if day <= 0]
    marks = [(0, POOR - int(before[-1]))] if before else []
    marks += [(day, POOR - int(useful)) for day, useful in readings if day > 0]
    ends = ((eye.failed, FAILED), (eye.lost, EYE_LOST))
    if eye.lost is not None and eye.failed is not None and eye.failed >= eye.lost:
        ends = ((None, FAILED), (eye.lost, EYE_LOST))
    for day, state in ends:
        if day is not None:
            marks = [mark for mark in marks if mark[0] < day] + [(day, state)]
    if eye.died is not None and marks:
        marks = [mark for mark in marks if mark[0] < eye.died] + [(eye.died, DEAD)]
    path: list[tuple[int, int]] = []
    for day, state in marks:
        if not path or path[-1][1] != state:
            path.append((day, state))
    return path


Row = tuple[int, int, float, float, int]


def _enter(path: list[tuple[int, int]], entry: int) -> list[tuple[int, int]]:
    """Start the path at the entry, in the state known there."""
    known = [state for day, state in path if day <= entry]
    if not known:
        return path
    return [(entry, known[-1])] + [mark for mark in path if mark[0] > entry]


def _spells_of(unit: int, eye: _Eye, path: list[tuple[int, int]]) -> tuple[list[Row], list[Row]]:
    """Return the spells of one eye on the examination clock and on the death clock."""
    examined: list[Row] = []
    vital: list[Row] = []
    for place, (day, state) in enumerate(path):
        if state == DEAD:
            break
        following = path[place + 1] if place + 1 < len(path) else (10**7, STAYS)
        end, to = following
        seen = min(end, eye.seen_until)
        if state < EYE_LOST and seen > day:
            moves = to in (USEFUL, POOR, FAILED, EYE_LOST) and end <= eye.seen_until
            examined.append((unit, state, day, seen, to if moves else STAYS))
        known = min(end, eye.vital_until)
        if known > day:
            dies = to == DEAD and end <= eye.vital_until
            vital.append((unit, state, day, known, DEAD if dies else STAYS))
    return examined, vital


def read_eye_states(
    connection: duckdb.DuckDBPyConnection,
    cut: DataCut,
    rules: CohortRules,
    *,
    baseline_window_days: int = 90,
) -> EyeStates:
    """Read every eye of the cohort as spells."""
    lost = read_outcome_table(connection, EYE_LOSS, cut, rules)
    by_eye = replace(LOCAL_FAILURE, unit="eye", competing={})
    failed = read_outcome_table(connection, by_eye, cut, rules)
    found = cohort.fetch_columns(
        connection, _readings_sql(rules, baseline_window_days), cut.parameters()
    )
    readings: dict[str, list[tuple[int, bool]]] = {}
    for unit, day, useful in zip(found["unit_id"], found["day"], found["is_useful"], strict=True):
        readings.setdefault(unit, []).append((int(day), bool(useful)))
    examined: list[Row] = []
    vital: list[Row] = []
    placed: list[int] = []
    for row, eye in enumerate(_list_eyes(lost, failed)):
        path = _enter(trace_path(eye, readings.get(lost.unit_id[row], [])), eye.entry)
        on_exam, on_vital = _spells_of(len(placed), _seen_to_failure(eye), path)
        if on_vital or on_exam:
            placed.append(row)
            examined += on_exam
            vital += on_vital
    steps = (
        FlowStep("eyes in the cohort", 0, lost.n),
        FlowStep(
            "state never known (no acuity, failure or loss), or no time under observation",
            lost.n - len(placed),
            len(placed),
        ),
    )
    units = tuple(lost.unit_id[row] for row in placed)
    patients = tuple(lost.patient_id[row] for row in placed)
    return EyeStates(units, patients, Spells.of(examined), Spells.of(vital), steps)


def _seen_to_failure(eye: _Eye) -> _Eye:
    """Count a failure or loss recorded without a visit as seen on its own day."""
    happened = [day for day in (eye.failed, eye.lost) if day is not None]
    seen = max([eye.seen_until, *happened]) if eye.lost is None else max(happened)
    return replace(eye, seen_until=seen, vital_until=max(eye.vital_until, seen))


def on_one_clock(states: EyeStates) -> Spells:
    """Return the spells with everyone followed to the last visit plus 1.25 planned gaps.

    All transitions are then on one clock: what a program without separate clocks can check.
    """
    reach = round(1.25 * PLANNED_GAP_DAYS)
    seen = np.full(states.n, np.inf)
    last = np.zeros(states.n)
    np.maximum.at(last, states.examined.unit, states.examined.stop)
    still = ~np.isin(np.arange(states.n), states.vital.unit[states.vital.state == EYE_LOST])
    seen[still] = last[still] + reach
    moves = {
        (int(unit), float(stop)): int(to)
        for unit, stop, to in zip(
            states.examined.unit, states.examined.stop, states.examined.to, strict=True
        )
        if to != STAYS
    }
    rows: list[Row] = []
    vital = states.vital
    for unit, state, start, stop, to in zip(
        vital.unit.tolist(), vital.state.tolist(), vital.start, vital.stop, vital.to, strict=True
    ):
        end = min(float(stop), float(seen[unit]))
        if end > start:
            target = moves.get((unit, float(stop)), int(to)) if end == stop else STAYS
            rows.append((unit, state, float(start), end, target))
    return Spells.of(rows)


def watch_between_visits(states: EyeStates) -> Spells:
    """Return the examination spells with the last of each eye prolonged by half a planned gap.

    A change is found at a visit, and the visits that belong together lie some weeks apart. With
    everyone censored on the very day of the last visit, those who are seen early and then leave are
    gone from the risk set when the others' changes are found, and each change is divided by too
    few: at 5 years useful vision came out 1.5 points too low over synthetic cohorts, and within 0.5
    with any prolonging between 45 and 122 days (``benchmarks/state_watch.md``). Until its next
    visit an eye is free of changes that a visit could find, whether it will be seen again or not.
    Never beyond the end of the death clock; a spell that ends with a change stays.
    """
    examined, vital = states.examined, states.vital
    last, known = np.full(states.n, -1.0), np.full(states.n, -1.0)
    np.maximum.at(last, examined.unit, examined.stop)
    np.maximum.at(known, vital.unit, vital.stop)
    is_open = (examined.to == STAYS) & (examined.stop == last[examined.unit])
    reach = np.minimum(examined.stop + HALF_GAP_DAYS, known[examined.unit])
    stop = np.where(is_open, np.maximum(examined.stop, reach), examined.stop)
    return replace(examined, stop=stop)


def occupy(
    states: EyeStates,
    years: tuple[float, ...],
    *,
    replicates: int = 300,
    seed: int = 20240229,
) -> Occupation:
    """Estimate where the eyes are over time (in days), with limits at ``years``."""
    return occupy_states(
        (watch_between_visits(states), states.vital),
        STATES,
        times=[year * DAYS_PER_YEAR for year in years],
        cluster=states.patient_id,
        replicates=replicates,
        rng=np.random.default_rng(seed),
    )


def count_at_risk(states: EyeStates, days: float) -> int:
    """Count the eyes whose state is known just before a time: examined later, or already lost.

    At 0 it counts the eyes that start there.
    """
    examined, vital = states.examined, states.vital
    if days <= 0:
        starts = examined.unit[examined.start <= 0], vital.unit[vital.start <= 0]
        return int(np.unique(np.concatenate(starts)).size)
    inside = (examined.start < days) & (examined.stop >= days)
    gone = (vital.state == EYE_LOST) & (vital.start < days) & (vital.stop >= days)
    return int(np.unique(np.concatenate([examined.unit[inside], vital.unit[gone]])).size)
