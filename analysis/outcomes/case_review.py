"""Cases for review: failures, lost eyes and unexpected loss of vision, with plan and course.

One case a treated tumour; an eye lost with several treated tumours is a case for each. Loss of
useful vision (6/60, confirmed) is unexpected here within 3 years in an eye whose tumour lay at
least 5 mm from both fovea and disc and had not failed (our choice, no source). For use within the
department only: nothing here may be published.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.outcomes import cohort
from analysis.outcomes.cohort import CohortRules, DataCut, unit_relations
from analysis.outcomes.course_doses import course_rows, course_sum
from analysis.outcomes.end_points import DAYS_PER_YEAR, EYE_LOSS, LOCAL_FAILURE
from analysis.outcomes.outcome_table import OutcomeTable, read_outcome_table
from analysis.outcomes.vision_history import VisionRules, date_losses, read_histories
from analysis.outcomes.vision_levels import at_least

if TYPE_CHECKING:
    import duckdb

FAILURE, EYE_LOST, VISION_LOST = "local failure", "eye lost", "unexpected loss of useful vision"
FAR_MM, SOON_YEARS = 5.0, 3.0

_SUMMED = ("prescribed_dose_gy", "dose_apex_gy", "dose_sclera_gy")
_UNITS = "(SELECT unit_id, tumour_id, first_implant_id AS implant_id FROM unit)"

_PLAN_SQL = f"""
, course AS (
    SELECT u.unit_id, count(*) AS implants,
        {", ".join(f"{course_sum(name)} AS {name}" for name in _SUMMED)},
        CASE WHEN count(i.removed_at) = count(*) AND max(CAST(i.removed_at AS DATE)) <= $cut_date
            THEN sum(date_diff('minute', i.inserted_at, i.removed_at)) / 60.0 END AS duration_hours
    FROM {course_rows(_UNITS)} GROUP BY u.unit_id)
SELECT u.unit_id, u.patient_id, u.eye, year(u.zero_date) AS year, t.site,
    CAST(t.thickness_mm AS DOUBLE) AS thickness_mm,
    CAST(t.largest_basal_diameter_mm AS DOUBLE) AS largest_basal_diameter_mm,
    CAST(t.fovea_distance_mm AS DOUBLE) AS fovea_distance_mm,
    CAST(t.disc_distance_mm AS DOUBLE) AS disc_distance_mm,
    a.isotope, CAST(a.diameter_mm AS DOUBLE) AS plaque_diameter_mm,
    c.implants, c.prescribed_dose_gy, CAST(i.prescribed_depth_mm AS DOUBLE) AS prescribed_depth_mm,
    c.dose_apex_gy, c.dose_sclera_gy, c.duration_hours,
    CAST(i.planned_limbus_distance_mm AS DOUBLE) AS planned_limbus_distance_mm,
    CAST(i.placed_limbus_distance_mm AS DOUBLE) AS placed_limbus_distance_mm,
    CAST(i.least_margin_mm AS DOUBLE) AS least_margin_mm, i.least_margin_side, i.margin_covered,
    i.position_check, i.incident
FROM unit u JOIN treated_tumour t USING (tumour_id)
JOIN cut_implant i ON i.implant_id = u.first_implant_id
LEFT JOIN course c ON c.unit_id = u.unit_id
LEFT JOIN applicator_as_of($recorded_until) a ON a.applicator_id = i.applicator_id
ORDER BY u.unit_id"""

_COURSE_SQL = """
SELECT u.unit_id, h.on_date - u.zero_date AS day, h.what, h.detail FROM unit u JOIN (
    SELECT unit_id, event_date AS on_date, kind AS what,
        concat_ws(', ', nullif(failure_pattern, 'unknown'), nullif(failure_edge, 'unknown'),
            retreatment, CASE WHEN reason <> 'unknown' THEN 'for ' || reason END,
            CASE WHEN grade IS NOT NULL THEN 'grade ' || grade END) AS detail
    FROM unit_event WHERE is_own OR kind NOT IN ('local_failure', 'retreatment')
    UNION ALL
    SELECT unit_id, min(visit_date), 'suspected', '' FROM unit_visit
    WHERE local_status = 'suspected' GROUP BY unit_id
    UNION ALL
    SELECT unit_id, min(visit_date), 'failed at visit', '' FROM unit_visit
    WHERE local_status = 'failed' GROUP BY unit_id
    UNION ALL
    SELECT unit_id, max(visit_date), 'last visit', '' FROM unit_visit GROUP BY unit_id
    UNION ALL
    SELECT u.unit_id, CAST(i.inserted_at AS DATE), 'further plaque', '' FROM unit u
    JOIN cut_implant i USING (tumour_id) WHERE i.implant_id <> u.first_implant_id
    UNION ALL
    SELECT unit_id, metastasis_date, 'metastasis', '' FROM unit_state
    WHERE metastasis_date IS NOT NULL
    UNION ALL
    SELECT unit_id, death_date, 'death', coalesce(death_cause, '') FROM unit_state
    WHERE death_date IS NOT NULL) h USING (unit_id)
ORDER BY u.unit_id, day, h.what"""


@dataclass(frozen=True, slots=True)
class Moment:
    """One dated thing that happened, in days from treatment."""

    day: int
    what: str
    detail: str


@dataclass(frozen=True, slots=True)
class Case:
    """One tumour with its reasons to be reviewed, the plan as recorded, and what happened."""

    tumour_id: str
    reasons: tuple[str, ...]
    plan: Mapping[str, Any]
    course: tuple[Moment, ...]

    @property
    def removal_reason(self) -> str:
        """Recorded reason of the first removal of the eye, in words; "not recorded" without."""
        for moment in self.course:
            if moment.what in ("enucleation", "exenteration"):
                reason = moment.detail.partition("for ")[2].partition(",")[0]
                return reason.replace("_", " ") or "not recorded"
        return "not recorded"

    @property
    def time_line(self) -> str:
        """The course as one line of text, in years from treatment."""
        return "; ".join(
            f"{moment.day / DAYS_PER_YEAR:.1f} y {moment.what.replace('_', ' ')}"
            + (f" ({moment.detail.replace('_', ' ')})" if moment.detail else "")
            for moment in self.course
        )


def _failure_days(table: OutcomeTable) -> dict[str, int]:
    rows = np.flatnonzero(table.status == 1)
    return {table.tumour_id[row]: int(table.time_days[row]) for row in rows}


def _lost_vision(
    connection: Any,
    cut: DataCut,
    rules: CohortRules,
    plans: Sequence[Mapping[str, Any]],
    failed: Mapping[str, int],
) -> set[str]:
    """Tumours whose eye lost useful vision unexpectedly; eyes removed are reviewed as such."""
    eyes = read_histories(connection, at_least("6/60"), cut, rules, VisionRules())
    losses = date_losses(eyes)
    counted = losses.is_loss & (eyes.reason == 0) & np.isnan(eyes.removed_days)
    soon = counted & (losses.first_below <= SOON_YEARS * DAYS_PER_YEAR)
    day_of = {eyes.tumour_id[row]: losses.first_below[row] for row in np.flatnonzero(soon)}
    return {
        plan["unit_id"]
        for plan in plans
        if plan["unit_id"] in day_of
        and failed.get(plan["unit_id"], np.inf) > day_of[plan["unit_id"]]
        and all((plan[name] or 0.0) >= FAR_MM for name in ("fovea_distance_mm", "disc_distance_mm"))
    }


def _eyes_lost(connection: Any, cut: DataCut, rules: CohortRules, plans: Sequence[Any]) -> set[str]:
    lost = read_outcome_table(connection, EYE_LOSS, cut, rules)
    eyes = {lost.unit_id[row] for row in np.flatnonzero(lost.status == 1)}
    return {plan["unit_id"] for plan in plans if f"{plan['patient_id']}:{plan['eye']}" in eyes}


def _rows(connection: Any, sql: str, cut: DataCut, rules: CohortRules) -> list[dict[str, Any]]:
    whole = f"WITH {unit_relations('tumour', rules)} {sql}"
    parameters = cut.parameters()
    if "$course_gap_days" in sql:
        parameters |= {"course_gap_days": rules.course_gap_days}
    columns = cohort.fetch_columns(connection, whole, parameters)
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _tidy(course: list[Moment]) -> tuple[Moment, ...]:
    """Leave out the visit that found a failure recorded on the same day."""
    failures = {moment.day for moment in course if moment.what == "local_failure"}
    return tuple(
        moment
        for moment in course
        if not (moment.what == "failed at visit" and moment.day in failures)
    )


def list_cases(
    connection: duckdb.DuckDBPyConnection, cut: DataCut, rules: CohortRules
) -> tuple[Case, ...]:
    """List the cases, in the order of the tumours' identifiers."""
    plans = _rows(connection, _PLAN_SQL, cut, rules)
    failed = _failure_days(read_outcome_table(connection, LOCAL_FAILURE, cut, rules))
    lost = _eyes_lost(connection, cut, rules, plans)
    blind = _lost_vision(connection, cut, rules, plans, failed)
    courses: dict[str, list[Moment]] = {}
    for row in _rows(connection, _COURSE_SQL, cut, rules):
        moment = Moment(int(row["day"]), row["what"], row["detail"] or "")
        courses.setdefault(row["unit_id"], []).append(moment)
    cases = []
    for plan in plans:
        name = plan["unit_id"]
        reasons = [FAILURE] * (name in failed) + [EYE_LOST] * (name in lost)
        reasons += [VISION_LOST] * (name in blind)
        if reasons:
            cases.append(Case(name, tuple(reasons), plan, _tidy(courses.get(name, []))))
    return tuple(cases)
