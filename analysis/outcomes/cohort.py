"""Who is counted, from when, and up to which data cut.

Everything here is SQL relations over the registry's ``*_as_of`` macros; end points
(:mod:`analysis.outcomes.end_points`) add their own relations on top. Clinical dates are whole
days. Time
zero is the day on which irradiation of the unit's first treated tumour started. The data cut has
two dates: nothing that happened after ``event_date``, and nothing recorded after
``recorded_until``, counts; no unit is dropped by the cut, its follow-up is shortened.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    import duckdb

Unit = Literal["tumour", "eye", "patient"]

EVERYTHING_RECORDED = datetime(9999, 12, 31)


@dataclass(frozen=True, slots=True)
class DataCut:
    """The last day that counts, on both clocks.

    Parameters
    ----------
    event_date
        Nothing that happened after this day counts.
    recorded_until
        Nothing recorded after this moment (UTC) counts; everything on file by default.
    """

    event_date: date
    recorded_until: datetime = EVERYTHING_RECORDED

    def parameters(self) -> dict[str, object]:
        """Return the named parameters of the compiled SQL."""
        return {"cut_date": self.event_date, "recorded_until": self.recorded_until}


@dataclass(frozen=True, slots=True)
class CohortRules:
    """What the default cohort holds.

    ``course_gap_days``: implants on one tumour starting within this many days of the first are one
    course. ``with_prior_treatment``: keep tumours treated before their first plaque here.
    ``first_year`` and ``last_year`` bound the year of treatment (both inclusive).
    """

    course_gap_days: int = 90
    with_prior_treatment: bool = False
    first_year: int | None = None
    last_year: int | None = None


@dataclass(frozen=True, slots=True)
class FlowStep:
    """One step of the flow (STROBE item 13): how many were left out, how many stay."""

    step: str
    left_out: int
    kept: int


_CUT_RELATIONS = """
cut_patient AS (
    SELECT * REPLACE (
        CASE WHEN death_date <= $cut_date THEN death_date END AS death_date,
        CASE WHEN death_date <= $cut_date THEN death_cause END AS death_cause,
        CASE WHEN metastasis_date <= $cut_date THEN metastasis_date END AS metastasis_date,
        CASE WHEN metastasis_date <= $cut_date THEN metastasis_found_by END AS metastasis_found_by,
        CASE WHEN last_contact_date > $cut_date
                OR (follow_up_ended_reason = 'died' AND death_date > $cut_date)
            THEN 'under_follow_up' ELSE follow_up_ended_reason END AS follow_up_ended_reason,
        CASE WHEN metastasis_status_date <= $cut_date THEN metastasis_status_date
            WHEN metastasis_status_date > $cut_date THEN $cut_date END AS metastasis_status_date,
        CASE WHEN last_contact_date <= $cut_date THEN last_contact_date
            WHEN last_contact_date > $cut_date THEN $cut_date END AS last_contact_date,
        CASE WHEN vital_status_date <= $cut_date THEN vital_status_date
            WHEN vital_status_date > $cut_date THEN $cut_date END AS vital_status_date)
    FROM patient_as_of($recorded_until)),
cut_visit AS (SELECT * FROM visit_as_of($recorded_until) WHERE visit_date <= $cut_date),
cut_event AS (SELECT * FROM event_as_of($recorded_until) WHERE event_date <= $cut_date),
cut_implant AS (
    SELECT * REPLACE (
        CASE WHEN CAST(removed_at AS DATE) <= $cut_date THEN removed_at END AS removed_at,
        CASE WHEN CAST(removed_at AS DATE) <= $cut_date THEN position_at_removal END
            AS position_at_removal,
        CASE WHEN CAST(removed_at AS DATE) <= $cut_date THEN incident END AS incident),
        CAST(inserted_at AS DATE) AS inserted_date
    FROM implant_as_of($recorded_until) WHERE CAST(inserted_at AS DATE) <= $cut_date),
first_implant AS (
    SELECT * FROM cut_implant
    QUALIFY row_number() OVER (PARTITION BY tumour_id ORDER BY inserted_at, implant_id) = 1),
recorded_tumour AS (SELECT * FROM tumour_as_of($recorded_until)),
treated_tumour AS (
    SELECT t.*, i.inserted_date AS zero_date, i.implant_id AS first_implant_id,
        coalesce(t.prior_treatment, 'unknown') NOT IN ('none', 'unknown') AS treated_before,
        row_number() OVER (PARTITION BY t.patient_id, t.eye ORDER BY i.inserted_at, t.tumour_id)
            AS rank_in_eye,
        row_number() OVER (PARTITION BY t.patient_id ORDER BY i.inserted_at, t.tumour_id)
            AS rank_in_patient,
        count(*) OVER (PARTITION BY t.patient_id, t.eye) AS tumours_in_eye
    FROM recorded_tumour t JOIN first_implant i USING (tumour_id))"""


def _kept_condition(rules: CohortRules) -> str:
    conditions = ["true"]
    if not rules.with_prior_treatment:
        conditions.append("NOT treated_before")
    conditions.append(_year_condition(rules))
    return " AND ".join(conditions)


def _year_condition(rules: CohortRules) -> str:
    low = f"year(zero_date) >= {int(rules.first_year)}" if rules.first_year else "true"
    high = f"year(zero_date) <= {int(rules.last_year)}" if rules.last_year else "true"
    return f"{low} AND {high}"


_UNIT_ID = {
    "tumour": "tumour_id",
    "eye": "patient_id || ':' || eye",
    "patient": "patient_id",
}
_FIRST_OF_UNIT = {"tumour": "true", "eye": "rank_in_eye = 1", "patient": "rank_in_patient = 1"}

# The rows of the eye's events and visits that belong to a unit. For tumours, a row without a
# tumour identifier belongs to the only treated tumour of the eye; in an eye with several, to the
# one already known to have failed, else to the one treated first (counted once, never twice).
_UNIT_ROWS = {
    "tumour": """
owner_of_unnamed AS (
    SELECT e.event_id, t.tumour_id
    FROM cut_event e JOIN treated_tumour t USING (patient_id, eye)
    LEFT JOIN (
        SELECT tumour_id, min(on_date) AS failed_date FROM (
            SELECT tumour_id, event_date AS on_date FROM cut_event
            WHERE kind IN ('local_failure', 'orbital_recurrence') AND tumour_id IS NOT NULL
            UNION ALL
            SELECT tumour_id, visit_date FROM cut_visit
            WHERE local_status = 'failed' AND tumour_id IS NOT NULL)
        GROUP BY tumour_id) f ON f.tumour_id = t.tumour_id AND f.failed_date <= e.event_date
    WHERE e.tumour_id IS NULL
    QUALIFY row_number() OVER (
        PARTITION BY e.event_id
        ORDER BY f.failed_date NULLS LAST, t.zero_date, t.tumour_id) = 1),
unit_event AS (
    SELECT u.unit_id, e.* REPLACE (coalesce(e.tumour_id, o.tumour_id) AS tumour_id),
        coalesce(e.tumour_id, o.tumour_id) = u.unit_id AS is_own
    FROM unit u JOIN cut_event e USING (patient_id, eye) LEFT JOIN owner_of_unnamed o
        USING (event_id)),
unit_visit AS (
    SELECT u.unit_id, v.*
    FROM unit u JOIN cut_visit v USING (patient_id, eye)
    WHERE coalesce(v.tumour_id, u.unit_id) = u.unit_id)""",
    "eye": """
unit_event AS (
    SELECT u.unit_id, e.*, true AS is_own FROM unit u JOIN cut_event e USING (patient_id, eye)),
unit_visit AS (SELECT u.unit_id, v.* FROM unit u JOIN cut_visit v USING (patient_id, eye))""",
    "patient": """
unit_event AS (
    SELECT u.unit_id, e.*, true AS is_own FROM unit u JOIN cut_event e USING (patient_id)),
unit_visit AS (SELECT u.unit_id, v.* FROM unit u JOIN cut_visit v USING (patient_id))""",
}

_UNIT_STATE = """
eye_removed AS (
    SELECT unit_id, min(event_date) AS removed_date FROM unit_event
    WHERE kind IN ('enucleation', 'exenteration') GROUP BY unit_id),
unit_state AS MATERIALIZED (
    SELECT u.*, p.death_date, p.death_cause, p.metastasis_date, p.metastasis_status_date,
        r.removed_date,
        coalesce(p.death_date,
            greatest(u.zero_date, p.vital_status_date, p.last_contact_date, p.metastasis_date,
                (SELECT max(v.visit_date) FROM cut_visit v WHERE v.patient_id = u.patient_id),
                (SELECT max(e.event_date) FROM cut_event e WHERE e.patient_id = u.patient_id),
                (SELECT max(t.inserted_date) FROM cut_implant t JOIN recorded_tumour r
                    USING (tumour_id) WHERE r.patient_id = u.patient_id)))
            AS vital_date
    FROM unit u JOIN cut_patient p USING (patient_id) LEFT JOIN eye_removed r USING (unit_id))"""


def unit_relations(unit: Unit, rules: CohortRules) -> str:
    """Return the chained SQL relations of one unit of analysis, without the leading ``WITH``.

    Named parameters: ``$cut_date`` (DATE) and ``$recorded_until`` (TIMESTAMP). The last relations
    are ``unit`` (unit_id, patient_id, eye, tumour_id, zero_date, entry_date, first_implant_id),
    ``unit_event``, ``unit_visit`` and ``unit_state`` (with death, removal of the eye and the date
    to which vital status is known: of death, else the latest at which the patient was alive by any
    record -- status, contact, visit, event, insertion, metastasis found).
    """
    chosen = f"""
unit AS (
    SELECT {_UNIT_ID[unit]} AS unit_id, patient_id, eye, tumour_id, first_implant_id, zero_date,
        greatest(zero_date, care_since_date) AS entry_date
    FROM treated_tumour WHERE {_FIRST_OF_UNIT[unit]} AND {_kept_condition(rules)})"""
    return ",".join((_CUT_RELATIONS, chosen, _UNIT_ROWS[unit], _UNIT_STATE))


_FLOW_SQL = """
SELECT (SELECT count(*) FROM recorded_tumour) AS recorded,
    count(*) AS treated,
    count(*) FILTER (WHERE {primary}) AS primary_treatment,
    count(*) FILTER (WHERE {primary} AND {years}) AS in_years,
    count(*) FILTER (WHERE {primary} AND {years} AND {first}) AS units
FROM treated_tumour"""


def flow(
    connection: duckdb.DuckDBPyConnection, unit: Unit, cut: DataCut, rules: CohortRules
) -> tuple[FlowStep, ...]:
    """Count, in order, who is left out of the cohort and why (STROBE item 13)."""
    primary = "true" if rules.with_prior_treatment else "NOT treated_before"
    sql = _FLOW_SQL.format(
        primary=primary, years=_year_condition(rules), first=_FIRST_OF_UNIT[unit]
    )
    rows = connection.execute(f"WITH {_CUT_RELATIONS} {sql}", cut.parameters()).fetchall()
    recorded, treated, primary_n, in_years, units = (int(value) for value in rows[0])
    steps = [
        FlowStep("tumours on record", 0, recorded),
        FlowStep("no plaque inserted by the data cut", recorded - treated, treated),
        FlowStep("treated by other means before the first plaque", treated - primary_n, primary_n),
    ]
    if rules.first_year or rules.last_year:
        steps.append(FlowStep(_years_in_words(rules), primary_n - in_years, in_years))
    if unit != "tumour":
        steps.append(FlowStep(f"further tumours of the same {unit}", in_years - units, units))
    return tuple(steps)


def _years_in_words(rules: CohortRules) -> str:
    if rules.first_year and rules.last_year:
        return f"treated outside {rules.first_year} to {rules.last_year}"
    if rules.first_year:
        return f"treated before {rules.first_year}"
    return f"treated after {rules.last_year}"


def fetch_columns(
    connection: duckdb.DuckDBPyConnection, sql: str, parameters: dict[str, object]
) -> dict[str, Any]:
    """Run a query and return its columns as numpy arrays by name (NULL dates become None)."""
    table = connection.sql(sql, params=parameters).to_arrow_table()
    return {name: table[name].to_pylist() for name in table.column_names}
