"""Rules about the disease: size and stage, local status, failure, growth, lens and acuity."""

from __future__ import annotations

from analysis.checking.check_declaration import COMMON_PRACTICE, DEFINITION, OUR_CHOICE, CheckRule
from registry.entry_rules.record_rules import REMOVES_THE_EYE, list_codes

FROM_MEMORY = "a common definition of growth, from memory; the registry's setting growth_rule"

_REMOVAL = f"r.kind IN ({list_codes(REMOVES_THE_EYE)})"


def _missing(field: str, words: str) -> CheckRule:
    return CheckRule(
        f"{field}_missing",
        "warning",
        "tumour",
        f"a treated tumour has no {words} at baseline",
        "look it up in the ultrasound report; without it the tumour has no size category",
        source=DEFINITION,
        body=f"FROM checked_tumour r WHERE r.zero_date IS NOT NULL AND r.{field} IS NULL",
        found=f"'no {words}'",
    )


SIZE_RULES = (
    _missing("thickness_mm", "thickness"),
    _missing("largest_basal_diameter_mm", "largest basal diameter"),
    CheckRule(
        "thickness_above_diameter",
        "warning",
        "tumour",
        "the tumour is recorded as thicker than it is wide",
        "see whether thickness and diameter were exchanged",
        source=OUR_CHOICE,
        unit="mm",
        body="FROM checked_tumour r WHERE r.thickness_mm > r.largest_basal_diameter_mm",
        found="concat('thickness ', CAST(r.thickness_mm AS DOUBLE), ' mm, largest basal diameter ',"
        " CAST(r.largest_basal_diameter_mm AS DOUBLE), ' mm')",
        amount="r.thickness_mm - r.largest_basal_diameter_mm",
    ),
    CheckRule(
        "longitudinal_above_largest",
        "error",
        "tumour",
        "the diameter along the meridian is larger than the largest diameter",
        "correct one of the two diameters",
        unit="mm",
        body="FROM checked_tumour r"
        " WHERE r.longitudinal_basal_diameter_mm > r.largest_basal_diameter_mm",
        found="concat('along the meridian ', CAST(r.longitudinal_basal_diameter_mm AS DOUBLE),"
        " ' mm, largest ', CAST(r.largest_basal_diameter_mm AS DOUBLE), ' mm')",
        amount="r.longitudinal_basal_diameter_mm - r.largest_basal_diameter_mm",
    ),
    CheckRule(
        "thickness_differs_from_visit",
        "warning",
        "tumour",
        "thickness at baseline differs from the one measured at the last visit before insertion",
        "see which of the two was the thickness at treatment",
        source=OUR_CHOICE,
        unit="mm",
        body="FROM checked_tumour r JOIN (SELECT t.tumour_id,"
        " arg_max(v.thickness_mm, v.visit_date) AS seen_mm, max(v.visit_date) AS seen_date"
        " FROM checked_tumour t JOIN checked_visit v ON v.of_tumour = t.tumour_id"
        " WHERE v.thickness_mm IS NOT NULL AND v.visit_date <= t.zero_date"
        " AND v.visit_date >= t.zero_date - 90 GROUP BY t.tumour_id) v"
        " ON v.tumour_id = r.tumour_id WHERE abs(r.thickness_mm - v.seen_mm) > $thickness_mm",
        found="concat('baseline ', CAST(r.thickness_mm AS DOUBLE), ' mm, visit on ', v.seen_date,"
        " ' ', CAST(v.seen_mm AS DOUBLE), ' mm')",
        amount="r.thickness_mm - v.seen_mm",
    ),
)

STAGE_RULES = (
    CheckRule(
        "site_against_ciliary_body",
        "error",
        "tumour",
        "the site and the involvement of the ciliary body contradict each other",
        "correct site or ciliary_body_involved; the stage group depends on it",
        body="FROM checked_tumour r WHERE (r.site IN ('ciliary_body', 'ciliochoroidal',"
        " 'iridociliary') AND r.ciliary_body_involved = 'no')",
        found="concat('site ', r.site, ', ciliary body involved: ', r.ciliary_body_involved)",
    ),
    CheckRule(
        "choroidal_with_ciliary_body",
        "warning",
        "tumour",
        "a choroidal tumour that involves the ciliary body is ciliochoroidal",
        "correct site or ciliary_body_involved; the stage group depends on it",
        body="FROM checked_tumour r WHERE r.site = 'choroid' AND r.ciliary_body_involved = 'yes'",
        found="'site choroid, ciliary body involved: yes'",
    ),
    CheckRule(
        "no_metastasis_at_baseline_but_dated",
        "error",
        "tumour",
        "the stage at baseline is M0, but metastasis was established before treatment",
        "correct metastasis_at_baseline or metastasis_date",
        unit="days",
        body="FROM checked_tumour r JOIN checked_patient p ON p.patient_id = r.patient_id"
        " WHERE r.metastasis_at_baseline = 'm0' AND p.any_metastasis_date < r.zero_date",
        found="concat('M0 at baseline, but metastasis on ', p.any_metastasis_date,"
        " ', first plaque on ', r.zero_date)",
        amount="r.zero_date - p.any_metastasis_date",
    ),
    CheckRule(
        "metastasis_at_baseline_without_date",
        "warning",
        "tumour",
        "metastasis was present at baseline, but no date of metastasis is recorded",
        "enter metastasis_date, or correct metastasis_at_baseline",
        body="FROM checked_tumour r JOIN checked_patient p ON p.patient_id = r.patient_id"
        " WHERE r.metastasis_at_baseline IN ('m1a', 'm1b', 'm1c')"
        " AND p.any_metastasis_date IS NULL",
        found="concat(upper(r.metastasis_at_baseline[1]), r.metastasis_at_baseline[2:],"
        " ' at baseline, no date of metastasis')",
    ),
    CheckRule(
        "biopsy_result_without_biopsy",
        "warning",
        "tumour",
        "a result of a biopsy is recorded, but no biopsy was taken",
        "correct biopsied, or clear the result",
        body="FROM checked_tumour r WHERE r.biopsied = 'no' AND "
        + "("
        + " OR ".join(
            f"coalesce(r.{field}, 'unknown') <> 'unknown'"
            for field in ("cell_type", "chromosome_3", "chromosome_8q", "bap1_nuclear_staining")
        )
        + ")",
        found="'biopsied: no, with a result'",
    ),
    CheckRule(
        "fovea_contradiction",
        "warning",
        "tumour",
        "involvement of the fovea and the distance to it contradict each other",
        "correct fovea_involved or the distance",
        body="FROM checked_tumour r WHERE (r.fovea_involved = 'yes' AND (r.fovea_distance_mm > 0"
        " OR r.fovea_distance_meridian_mm > 0)) OR (r.fovea_involved = 'no'"
        " AND (r.fovea_distance_mm = 0 OR r.fovea_distance_meridian_mm < 0))",
        found="concat('fovea involved: ', r.fovea_involved, ', distance ',"
        " CAST(coalesce(r.fovea_distance_meridian_mm, r.fovea_distance_mm) AS DOUBLE), ' mm')",
    ),
)

_FAILURE_EVENT = (
    "EXISTS (SELECT 1 FROM checked_event e WHERE e.of_tumour = r.of_tumour"
    " AND (e.kind IN ('local_failure', 'orbital_recurrence')"
    f" OR (e.reason = 'local_failure' AND e.kind IN ({list_codes(REMOVES_THE_EYE)},"
    " 'retreatment'))))"
)

FAILURE_RULES = (
    CheckRule(
        "failed_visit_without_event",
        "warning",
        "visit",
        "the tumour was judged failed, but no failure is recorded as an event",
        "enter the local_failure event with its pattern and edge, or correct local_status",
        source=DEFINITION,
        body="FROM (SELECT * FROM checked_visit WHERE local_status = 'failed'"
        " QUALIFY row_number() OVER (PARTITION BY of_tumour ORDER BY visit_date, visit_id) = 1) r"
        f" WHERE r.of_tumour IS NOT NULL AND NOT {_FAILURE_EVENT}",
        found="concat('failed on ', r.visit_date, ', no failure event')",
    ),
    CheckRule(
        "failure_event_without_visit",
        "warning",
        "event",
        "a local failure is recorded, but at no visit was the tumour judged failed",
        "enter the visit at which it was established, or correct local_status there",
        source=DEFINITION,
        body="FROM checked_event r WHERE r.kind = 'local_failure' AND NOT EXISTS ("
        "SELECT 1 FROM checked_visit v WHERE v.local_status = 'failed'"
        " AND v.of_tumour = r.of_tumour)",
        found="concat('local failure on ', r.event_date, ', no failed visit')",
    ),
    CheckRule(
        "failure_dated_far_from_visit",
        "warning",
        "event",
        "the local failure and the first visit at which the tumour failed lie far apart",
        "date the failure at the visit that established it",
        source=OUR_CHOICE,
        unit="days",
        body="FROM (SELECT e.*, f.first_date FROM checked_event e JOIN (SELECT of_tumour,"
        " min(visit_date) AS first_date FROM checked_visit WHERE local_status = 'failed'"
        " GROUP BY of_tumour) f ON f.of_tumour = e.of_tumour WHERE e.kind = 'local_failure'"
        " QUALIFY row_number() OVER (PARTITION BY e.of_tumour ORDER BY e.event_date) = 1) r"
        " WHERE abs(r.event_date - r.first_date) > 90",
        found="concat('local failure on ', r.event_date, ', first failed visit on ', r.first_date)",
        amount="r.event_date - r.first_date",
    ),
    CheckRule(
        "controlled_after_failure",
        "warning",
        "visit",
        "the tumour is controlled after a failure that nothing was done about",
        "enter the treatment of the failure, or correct one of the two judgements",
        source=DEFINITION,
        body="FROM (SELECT v.*, f.failed_date FROM checked_visit v JOIN checked_failure f"
        " ON f.tumour_id = v.of_tumour WHERE v.local_status = 'controlled'"
        " AND v.visit_date > f.failed_date AND NOT EXISTS (SELECT 1 FROM checked_event e"
        " WHERE e.of_tumour = v.of_tumour AND e.kind = 'retreatment'"
        " AND e.event_date BETWEEN f.failed_date AND v.visit_date)"
        " AND NOT EXISTS (SELECT 1 FROM checked_implant i WHERE i.tumour_id = v.of_tumour"
        " AND i.inserted_date BETWEEN f.failed_date AND v.visit_date)"
        " QUALIFY row_number() OVER (PARTITION BY v.of_tumour ORDER BY v.visit_date) = 1) r",
        found="concat('controlled on ', r.visit_date, ', failed on ', r.failed_date)",
        unit="days",
        amount="r.visit_date - r.failed_date",
    ),
    CheckRule(
        "removal_for_failure_without_failure",
        "warning",
        "event",
        "the eye was removed because of local failure, which is recorded nowhere else",
        "enter the failure when it was established, or correct the reason",
        source=DEFINITION,
        body=f"FROM checked_event r WHERE {_REMOVAL} AND r.reason = 'local_failure'"
        " AND NOT EXISTS (SELECT 1 FROM checked_event e WHERE e.patient_id = r.patient_id"
        " AND e.eye = r.eye AND e.kind IN ('local_failure', 'orbital_recurrence'))"
        " AND NOT EXISTS (SELECT 1 FROM checked_visit v WHERE v.patient_id = r.patient_id"
        " AND v.eye = r.eye AND v.local_status = 'failed')",
        found="concat('removal for failure on ', r.event_date, ', no failure recorded')",
    ),
    CheckRule(
        "removal_without_reason",
        "warning",
        "event",
        "the eye was removed for a reason that is not recorded",
        "enter the reason: it decides whether the removal counts as local failure",
        source=DEFINITION,
        body=f"FROM checked_event r WHERE {_REMOVAL} AND coalesce(r.reason, 'unknown') = 'unknown'",
        found="concat(r.kind, ' on ', r.event_date, ', reason not recorded')",
    ),
    CheckRule(
        "suspicion_never_resolved",
        "notice",
        "visit",
        "failure was suspected at the last assessed visit, and no visit followed for half a year",
        "see the patient, or enter what came of the suspicion",
        source=OUR_CHOICE,
        unit="days",
        body="FROM (SELECT * FROM checked_visit"
        " WHERE local_status IN ('controlled', 'suspected', 'failed') QUALIFY row_number() OVER"
        " (PARTITION BY of_tumour, patient_id, eye ORDER BY visit_date DESC, visit_id) = 1) r"
        " WHERE r.local_status = 'suspected' AND CAST($cut_date AS DATE) - r.visit_date > 183",
        found="concat('suspected on ', r.visit_date, ', nothing since')",
        amount="CAST($cut_date AS DATE) - r.visit_date",
    ),
    CheckRule(
        "growth_without_failure",
        "warning",
        "tumour",
        "the tumour grew at two successive visits, but no failure is recorded",
        "look at the ultrasound of these visits; enter the failure, or correct the heights",
        source=FROM_MEMORY,
        unit="mm",
    ),
    CheckRule(
        "growth_by_one_measure",
        "notice",
        "tumour",
        "the tumour grew at two successive visits by one of the two measures of height",
        "look at the ultrasound: a thin tumour grows by 15 % within the error of measurement",
        source=FROM_MEMORY,
        unit="mm",
    ),
)


def _after_first_visit(rows: str, date: str, condition: str) -> str:
    """Body: rows of an eye after its first visit that meets a condition (``g.first_date``)."""
    return (
        f"FROM ({rows}) r JOIN (SELECT patient_id, eye, min(visit_date) AS first_date"
        f" FROM checked_visit WHERE {condition} GROUP BY patient_id, eye) g"
        f" ON g.patient_id = r.patient_id AND g.eye = r.eye WHERE {date} > g.first_date"
    )


_LENS_GONE = "lens_status IN ('pseudophakic', 'aphakic')"

RETREATMENT_RULES = (
    CheckRule(
        "second_plaque_without_retreatment",
        "warning",
        "implant",
        "a later plaque, outside the first course, without a retreatment event",
        "enter the retreatment with its reason, or correct the time of insertion",
        source=DEFINITION,
        unit="days",
        body="FROM checked_implant r JOIN checked_tumour t ON t.tumour_id = r.tumour_id"
        " WHERE r.inserted_date - t.zero_date > $course_gap_days AND NOT EXISTS ("
        "SELECT 1 FROM checked_event e WHERE e.of_tumour = r.tumour_id AND e.kind = 'retreatment'"
        " AND coalesce(e.retreatment, 'plaque') = 'plaque'"
        " AND e.event_date BETWEEN r.inserted_date - $course_gap_days - $match_days"
        " AND r.inserted_date + $match_days)",
        found="concat('plaque on ', r.inserted_date, ', first on ', t.zero_date)",
        amount="r.inserted_date - t.zero_date",
    ),
    CheckRule(
        "retreatment_without_plaque",
        "warning",
        "event",
        "retreatment with a plaque is recorded, but no such plaque",
        "enter the implant, or correct the retreatment",
        body="FROM checked_event r WHERE r.kind = 'retreatment' AND r.retreatment = 'plaque'"
        " AND NOT EXISTS (SELECT 1 FROM checked_implant i"
        " WHERE coalesce(r.of_tumour, i.tumour_id) = i.tumour_id AND i.patient_id = r.patient_id"
        " AND i.eye = r.eye"
        " AND i.inserted_date BETWEEN r.event_date - $match_days AND r.event_date + $match_days)",
        found="concat('plaque as retreatment on ', r.event_date, ', no implant near it')",
    ),
)

LENS_RULES = (
    CheckRule(
        "phakic_after_lens_surgery",
        "warning",
        "visit",
        "the eye has its own lens again after it had been removed",
        "correct lens_status at one of the visits",
        body=_after_first_visit(
            "SELECT * FROM checked_visit WHERE lens_status = 'phakic'", "r.visit_date", _LENS_GONE
        ),
        found="concat('phakic on ', r.visit_date, ', without its lens on ', g.first_date)",
    ),
    CheckRule(
        "cataract_without_lens",
        "warning",
        "event",
        "a cataract is recorded in an eye without its own lens",
        "correct the event or the lens_status before it",
        body=_after_first_visit(
            "SELECT * FROM checked_event WHERE kind IN ('cataract', 'cataract_surgery')",
            "r.event_date",
            _LENS_GONE,
        ),
        found="concat(replace(r.kind, '_', ' '), ' on ', r.event_date, ', without its lens on ',"
        " g.first_date)",
    ),
    CheckRule(
        "sight_after_none",
        "warning",
        "visit",
        "the eye reads the chart after a visit without light perception",
        "correct one of the two acuities, or the eye",
        source=OUR_CHOICE,
        body=_after_first_visit(
            "SELECT * FROM checked_visit WHERE acuity_letters IS NOT NULL",
            "r.visit_date",
            "acuity_off_chart = 'NLP'",
        ),
        found="concat('acuity ', r.acuity, ' on ', r.visit_date, ', no light perception on ',"
        " g.first_date)",
    ),
)

FOLLOW_UP_RULES = (
    CheckRule(
        "visit_overdue",
        "notice",
        "tumour",
        "the next visit is overdue by the schedule",
        "call the patient, or enter the visit or the reason why follow-up ended",
        source="the registry's setting visit_schedule",
        unit="days",
    ),
    CheckRule(
        "lost_to_follow_up",
        "notice",
        "tumour",
        "two visits in succession are overdue, and no reason is recorded",
        "trace the patient, or enter why follow-up ended",
        source="the registry's setting visit_schedule",
        unit="days",
    ),
    CheckRule(
        "never_seen_after_treatment",
        "warning",
        "tumour",
        "no visit after treatment is recorded, though one is overdue",
        "enter the visits, or why follow-up ended",
        source=COMMON_PRACTICE,
        unit="days",
    ),
)

DISEASE_RULES = (
    *SIZE_RULES,
    *STAGE_RULES,
    *FAILURE_RULES,
    *RETREATMENT_RULES,
    *LENS_RULES,
    *FOLLOW_UP_RULES,
)
