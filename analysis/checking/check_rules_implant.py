"""Rules about plaques and implants: times, doses, certificates, checks, placement."""

from __future__ import annotations

from analysis.checking.check_declaration import (
    COMMON_PRACTICE,
    CONTRADICTION,
    OUR_CHOICE,
    CheckRule,
)
from analysis.implants.placement_exceptions import BETA_ISOTOPES
from registry.entry_rules.record_rules import list_codes

_BETA = f"({list_codes(BETA_ISOTOPES)})"
_WITH_PLAQUE = "JOIN checked_applicator a ON a.applicator_id = r.applicator_id"

TIME_RULES = (
    CheckRule(
        "removal_before_insertion",
        "error",
        "implant",
        "the plaque was removed before it was inserted",
        "correct removed_at or inserted_at",
        unit="hours",
        body="FROM checked_implant r WHERE r.removed_at <= r.inserted_at",
        found="concat('inserted ', r.inserted_at, ', removed ', r.removed_at)",
        amount="-r.hours",
    ),
    CheckRule(
        "removal_missing",
        "warning",
        "implant",
        "no removal is recorded although the plaque was inserted over a month ago",
        "enter removed_at; until then the implant has no dose",
        unit="days",
        body="FROM checked_implant r WHERE r.removed_at IS NULL"
        " AND CAST($cut_date AS DATE) - r.inserted_date > $in_place_days",
        found="concat('inserted ', r.inserted_at, ', not removed')",
        amount="CAST($cut_date AS DATE) - r.inserted_date",
    ),
    CheckRule(
        "plaque_in_two_places",
        "error",
        "implant",
        "the plaque lay in another eye at the same time",
        "correct applicator_id or the times of one of the two implants",
        unit="hours",
        body="FROM (SELECT *, max(removed_at) OVER (PARTITION BY applicator_id"
        " ORDER BY inserted_at, implant_id ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING)"
        " AS busy_until FROM checked_implant WHERE applicator_id IS NOT NULL) r"
        " WHERE r.inserted_at < r.busy_until",
        found="concat('plaque ', r.applicator_id, ' inserted ', r.inserted_at,"
        " ', in another eye until ', r.busy_until)",
        amount="date_diff('minute', r.inserted_at, r.busy_until) / 60.0",
    ),
    CheckRule(
        "duration_off_plan",
        "warning",
        "implant",
        "real and planned duration differ, and no incident is recorded",
        "correct the times or planned_duration_hours, or enter the incident",
        source=OUR_CHOICE,
        unit="%",
        body="FROM checked_implant r WHERE NOT r.has_incident AND r.hours > 0"
        " AND abs(r.hours / r.planned_duration_hours - 1) > $duration_fraction",
        found="concat('real ', round(r.hours, 1), ' h, planned ',"
        " CAST(r.planned_duration_hours AS DOUBLE), ' h')",
        amount="100 * (r.hours / r.planned_duration_hours - 1)",
    ),
    CheckRule(
        "duration_off_plan_by_incident",
        "notice",
        "implant",
        "real and planned duration differ; an incident is recorded",
        "review the incident",
        source=OUR_CHOICE,
        unit="%",
        body="FROM checked_implant r WHERE r.has_incident AND r.hours > 0"
        " AND abs(r.hours / r.planned_duration_hours - 1) > $duration_fraction",
        found="concat('real ', round(r.hours, 1), ' h, planned ',"
        " CAST(r.planned_duration_hours AS DOUBLE), ' h, ', r.incident)",
        amount="100 * (r.hours / r.planned_duration_hours - 1)",
    ),
)


def _dose_differs(point: str, words: str) -> CheckRule:
    return CheckRule(
        f"dose_{point}_differs",
        "warning",
        "implant",
        f"the recorded dose at the {words} differs from the one recomputed from certificate, times"
        " and depth",
        "see `afterplaque dose`: one of dose, times, plaque, certificate and thickness is wrong",
        source="recomputation on the central axis in water",
        unit="%",
    )


DOSE_RULES = (
    _dose_differs("apex", "apex"),
    _dose_differs("inner_sclera", "tumour base"),
    _dose_differs("scleral_surface", "scleral surface"),
    CheckRule(
        "dose_of_another_model_differs",
        "notice",
        "implant",
        "the recorded dose is of another model than water and differs from the recomputed one",
        "a difference is to be expected; never pool doses of different models",
        source="recomputation on the central axis in water",
        unit="%",
    ),
    CheckRule(
        "delivered_off_prescription",
        "warning",
        "implant",
        "delivered and prescribed dose differ, and no incident is recorded",
        "see `afterplaque dose`; correct what is wrong, or enter the incident",
        source=OUR_CHOICE,
        unit="%",
    ),
    CheckRule(
        "delivered_off_prescription_by_incident",
        "notice",
        "implant",
        "delivered and prescribed dose differ; an incident is recorded",
        "review the incident",
        source=OUR_CHOICE,
        unit="%",
    ),
    CheckRule(
        "doses_rise_with_depth",
        "error",
        "implant",
        "a recorded dose is higher than one nearer to the plaque",
        "the dose falls with depth: correct one of the doses",
        unit="Gy",
        body="FROM checked_implant r WHERE r.dose_apex_gy > r.dose_inner_sclera_gy"
        " OR r.dose_inner_sclera_gy > r.dose_sclera_gy OR r.dose_apex_gy > r.dose_sclera_gy",
        found="concat('apex ', CAST(r.dose_apex_gy AS DOUBLE), ' Gy, base ',"
        " CAST(r.dose_inner_sclera_gy AS DOUBLE), ' Gy, sclera ',"
        " CAST(r.dose_sclera_gy AS DOUBLE), ' Gy')",
        amount="greatest(r.dose_apex_gy - r.dose_inner_sclera_gy,"
        " r.dose_inner_sclera_gy - r.dose_sclera_gy, r.dose_apex_gy - r.dose_sclera_gy)",
    ),
    CheckRule(
        "prescribed_depth_off_thickness",
        "warning",
        "implant",
        "the dose is prescribed to the apex, but the depth is not thickness plus sclera",
        "correct prescribed_depth_mm, prescription_point or the thickness",
        source=CONTRADICTION,
        unit="mm",
        body="FROM (SELECT i.*, CAST(t.thickness_mm + CASE WHEN t.thickness_includes_sclera = 'yes'"
        " OR i.depth_origin = 'inner_sclera' THEN 0 ELSE coalesce(i.sclera_allowance_mm, 1) END"
        " AS DOUBLE) AS apex_mm FROM checked_implant i JOIN checked_tumour t USING (tumour_id)"
        " WHERE i.prescription_point = 'apex' AND i.implant_id = t.first_implant_id) r"
        " WHERE abs(r.prescribed_depth_mm - r.apex_mm) > $depth_mm",
        found="concat('prescribed to ', CAST(r.prescribed_depth_mm AS DOUBLE),"
        " ' mm, apex at ', r.apex_mm, ' mm')",
        amount="r.prescribed_depth_mm - r.apex_mm",
    ),
)

CERTIFICATE_RULES = (
    CheckRule(
        "no_plaque",
        "warning",
        "implant",
        "no plaque is recorded for the implant",
        "enter applicator_id; without it no dose can be recomputed",
        body="FROM checked_implant r WHERE r.applicator_id IS NULL",
        found="'no applicator_id'",
    ),
    CheckRule(
        "certificate_missing",
        "warning",
        "implant",
        "the plaque has no certificate from before the insertion",
        "enter the certificate; without it no dose can be recomputed",
        body="FROM checked_implant r WHERE r.applicator_id IS NOT NULL AND NOT EXISTS ("
        "SELECT 1 FROM checked_certificate c WHERE c.applicator_id = r.applicator_id"
        " AND c.reference_at <= r.inserted_at)",
        found="concat('plaque ', r.applicator_id, ' inserted ', r.inserted_date)",
    ),
    CheckRule(
        "certificate_old",
        "warning",
        "implant",
        "the latest certificate before the insertion is more than two half-lives old",
        "enter the certificate that was used; see whether the plaque was measured again",
        source=COMMON_PRACTICE,
        unit="days",
    ),
    CheckRule(
        "certificate_rises_with_depth",
        "error",
        "certificate",
        "the certificate states a dose rate that rises with depth",
        "correct the depth or the dose rate of one of the lines",
        unit="mGy/min",
        patient="NULL",
        body="FROM (SELECT *, lag(dose_rate_mgy_min) OVER (PARTITION BY applicator_id,"
        " reference_at ORDER BY depth_mm) AS above FROM checked_certificate) r"
        " WHERE r.dose_rate_mgy_min > r.above",
        found="concat('at ', CAST(r.depth_mm AS DOUBLE), ' mm ',"
        " CAST(r.dose_rate_mgy_min AS DOUBLE), ' mGy/min, above it ', CAST(r.above AS DOUBLE))",
        amount="r.dose_rate_mgy_min - r.above",
    ),
)

_LATEST_CHECK = (
    "(SELECT i.implant_id, c.kind, arg_max(c.result, c.check_date) AS result,"
    " max(c.check_date) AS check_date FROM checked_implant i JOIN checked_applicator_check c"
    " ON c.applicator_id = i.applicator_id AND c.check_date <= i.inserted_date"
    " GROUP BY i.implant_id, c.kind)"
)

PLAQUE_RULES = (
    CheckRule(
        "plaque_retired",
        "error",
        "implant",
        "the plaque was used after it had been withdrawn from use",
        "correct applicator_id, the time of insertion or retired_date",
        unit="days",
        body=f"FROM checked_implant r {_WITH_PLAQUE} WHERE r.inserted_date > a.retired_date",
        found="concat('plaque ', r.applicator_id, ' inserted ', r.inserted_date,"
        " ', withdrawn ', a.retired_date)",
        amount="r.inserted_date - a.retired_date",
    ),
    CheckRule(
        "plaque_before_first_use",
        "error",
        "implant",
        "the plaque was used before its first use",
        "correct applicator_id, the time of insertion or first_used_date",
        unit="days",
        body=f"FROM checked_implant r {_WITH_PLAQUE} WHERE r.inserted_date < a.first_used_date",
        found="concat('plaque ', r.applicator_id, ' inserted ', r.inserted_date,"
        " ', first used ', a.first_used_date)",
        amount="a.first_used_date - r.inserted_date",
    ),
    CheckRule(
        "plaque_used_longer_than_customary",
        "notice",
        "implant",
        "the beta plaque had been in use for longer than about a year",
        "a remark, nothing is forbidden: see its checks and its certificate",
        source=COMMON_PRACTICE,
        unit="days",
        body=f"FROM checked_implant r {_WITH_PLAQUE} WHERE a.isotope IN {_BETA}"
        " AND r.inserted_date - a.first_used_date > $plaque_life_days",
        found="concat('plaque ', r.applicator_id, ' in use since ', a.first_used_date)",
        amount="r.inserted_date - a.first_used_date",
    ),
    CheckRule(
        "failed_check_used",
        "error",
        "implant",
        "the plaque was used although its latest check had failed",
        "enter the later check that it passed, or correct result or applicator_id",
        unit="days",
        body=f"FROM checked_implant r JOIN {_LATEST_CHECK} c ON c.implant_id = r.implant_id"
        " WHERE c.result = 'fail'",
        found="concat('plaque ', r.applicator_id, ' inserted ', r.inserted_date, ', ', c.kind,"
        " ' check of ', c.check_date, ' failed')",
        amount="r.inserted_date - c.check_date",
    ),
    CheckRule(
        "output_check_off_certificate",
        "warning",
        "applicator_check",
        "the output check passed although it differs from the certificate by more than the"
        " certificate's uncertainty",
        "see the measurement; correct the ratio or the result",
        source=OUR_CHOICE,
        unit="%",
        patient="NULL",
        body="FROM (SELECT k.*, coalesce(100 * CAST($output_fraction AS DOUBLE),"
        " 0) AS customary FROM checked_applicator_check k) r"
        " LEFT JOIN (SELECT applicator_id, max(CAST(uncertainty_pct AS DOUBLE)) AS stated"
        " FROM checked_certificate GROUP BY applicator_id) c"
        " ON c.applicator_id = r.applicator_id WHERE r.result = 'pass'"
        " AND 100 * abs(CAST(r.measured_to_stated_ratio AS DOUBLE) - 1)"
        " > CASE WHEN c.stated > r.customary THEN c.stated ELSE r.customary END",
        found="concat('measured over stated ', CAST(r.measured_to_stated_ratio AS DOUBLE),"
        " ', passed')",
        amount="100 * (r.measured_to_stated_ratio - 1)",
    ),
    CheckRule(
        "leak_check_due",
        "notice",
        "implant",
        "the beta plaque was used without a leak check in the year before",
        "enter the leak check, or have it done",
        source=COMMON_PRACTICE,
        unit="days",
        body=f"FROM checked_implant r {_WITH_PLAQUE} LEFT JOIN (SELECT * FROM {_LATEST_CHECK}"
        " WHERE kind = 'leak') c ON c.implant_id = r.implant_id"
        f" WHERE a.isotope IN {_BETA} AND coalesce(r.inserted_date - c.check_date > 365, true)",
        found="concat('plaque ', r.applicator_id, ' inserted ', r.inserted_date,"
        " ', latest leak check: ', coalesce(CAST(c.check_date AS VARCHAR), 'none'))",
        amount="r.inserted_date - c.check_date",
    ),
    CheckRule(
        "never_checked",
        "notice",
        "implant",
        "no output check of the plaque is recorded before its use",
        "enter the check, or have it done",
        source=COMMON_PRACTICE,
        body="FROM checked_implant r WHERE r.applicator_id IS NOT NULL AND NOT EXISTS ("
        f"SELECT 1 FROM {_LATEST_CHECK} c WHERE c.implant_id = r.implant_id"
        " AND c.kind = 'output')",
        found="concat('plaque ', r.applicator_id, ' inserted ', r.inserted_date)",
    ),
)

PLACEMENT_CONTRADICTIONS = (
    CheckRule(
        "covered_against_least_margin",
        "error",
        "implant",
        "the margin is recorded as covered all round, and tumour as uncovered",
        "correct margin_covered or least_margin_mm",
        unit="mm",
        body="FROM checked_implant r WHERE r.margin_covered = 'yes' AND r.least_margin_mm < 0",
        found="concat('margin covered: yes, least margin ', CAST(r.least_margin_mm AS DOUBLE),"
        " ' mm')",
        amount="r.least_margin_mm",
    ),
    CheckRule(
        "notch_contradiction",
        "warning",
        "implant",
        "a notch is recorded round the nerve, but the plaque has none",
        "correct disc_contact, applicator_id or notch",
        body=f"FROM checked_implant r {_WITH_PLAQUE} WHERE r.disc_contact = 'notch_round_nerve'"
        " AND a.notch = 'none'",
        found="concat('plaque ', r.applicator_id, ' without a notch')",
    ),
    CheckRule(
        "knot_far_off",
        "warning",
        "implant_muscle",
        "the knot lies far from where it was before detachment",
        "correct one of the two distances",
        source=OUR_CHOICE,
        unit="mm",
        patient="i.patient_id",
        body="FROM checked_implant_muscle r JOIN checked_implant i ON i.implant_id = r.implant_id"
        " WHERE abs(r.knot_limbus_after_mm - r.knot_limbus_before_mm) > $knot_mm",
        found="concat('before ', CAST(r.knot_limbus_before_mm AS DOUBLE), ' mm, after ',"
        " CAST(r.knot_limbus_after_mm AS DOUBLE), ' mm')",
        amount="r.knot_limbus_after_mm - r.knot_limbus_before_mm",
    ),
    CheckRule(
        "placed_far_off_plan",
        "warning",
        "implant",
        "the plaque lies far from its planned distance to the limbus",
        "correct planned_limbus_distance_mm or placed_limbus_distance_mm",
        source=OUR_CHOICE,
        unit="mm",
        body="FROM checked_implant r"
        " WHERE abs(r.placed_limbus_distance_mm - r.planned_limbus_distance_mm) > $position_mm",
        found="concat('planned ', CAST(r.planned_limbus_distance_mm AS DOUBLE), ' mm, placed ',"
        " CAST(r.placed_limbus_distance_mm AS DOUBLE), ' mm')",
        amount="r.placed_limbus_distance_mm - r.planned_limbus_distance_mm",
    ),
    CheckRule(
        "limbus_ways_far_apart",
        "warning",
        "implant",
        "the limbus distances counted from the fovea and from the tumour differ by more than the"
        " size of the eye can explain",
        "see `afterplaque placement`: one of the distances is wrong",
        source=OUR_CHOICE,
        unit="mm",
    ),
)

_CUSTOMS = {
    "plaque_smaller_than_customary": ("the plaque is smaller than base and margins", "mm"),
    "active_area_smaller_than_base": ("the active area is smaller than the base", "mm"),
    "posterior_margin_reduced": ("the planned posterior margin is reduced", "mm"),
    "beta_plaque_on_thick_tumour": ("a beta plaque on a thick tumour", "mm"),
    "plaque_passes_fovea": ("the plaque reaches past the fovea as planned", "mm"),
    "disc_reached_without_notch": ("tumour and margin reach the disc, without a notch", "mm"),
    "limbus_ways_differ": (
        "the limbus distances counted from the fovea and from the tumour differ",
        "mm",
    ),
    "placed_off_plan": ("the plaque lies off its plan", "mm"),
    "placed_off_way_1": ("the plaque lies off the limbus distance counted from the fovea", "mm"),
    "placed_off_way_2": ("the plaque lies off the limbus distance counted from the tumour", "mm"),
    "tumour_uncovered": ("tumour lay uncovered at the final check", "mm"),
    "margin_not_covered": ("the margin was not seen to be covered all round", ""),
    "plaque_moved": ("the plaque was found moved at removal", ""),
    "knot_moved": ("the knot of a muscle lies elsewhere than before", "mm"),
    "superior_oblique_detached": ("the superior oblique was detached", ""),
    "inferior_oblique_detached_beside": ("the inferior oblique was detached beside the plaque", ""),
}

CUSTOM_RULES = tuple(
    CheckRule(
        name,
        "notice",
        "implant",
        words,
        "for review, nothing is forbidden: see `afterplaque placement`",
        source=COMMON_PRACTICE,
        unit=unit,
    )
    for name, (words, unit) in _CUSTOMS.items()
)
"""Departures from what is customary, worked out by :mod:`analysis.implants.placement_check`."""

IMPLANT_RULES = (
    *TIME_RULES,
    *DOSE_RULES,
    *CERTIFICATE_RULES,
    *PLAQUE_RULES,
    *PLACEMENT_CONTRADICTIONS,
    *CUSTOM_RULES,
)
