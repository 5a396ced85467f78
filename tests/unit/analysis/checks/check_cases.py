"""The cases of the rules of ``check``: one calm patient, and edits that make a rule speak or not.

Every case has two patients: in one the rule speaks (record and amount worked out by hand), in the
other the same entry lies one day, one tenth of a millimetre or one per cent on the right side of
the limit.
"""

from __future__ import annotations

import copy
import math
import re
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from registry.records import TABLES

CUT = date(2024, 12, 31)
ZERO = date(2023, 1, 10)
Rows = dict[str, list[dict[str, str]]]
CERTIFICATE = {0: 200, 1: 160, 2: 128, 3: 100, 5: 64, 8: 32, 12: 10}
RUTHENIUM_HALF_LIFE_DAYS = 373.59  # ICRP Publication 107


def on(days_before_cut: int) -> str:
    return (CUT - timedelta(days=days_before_cut)).isoformat()


def after(days: int) -> str:
    return (ZERO + timedelta(days=days)).isoformat()


def dose_gy(rate_mgy_min: float, hours: float) -> float:
    """Dose of a decaying source, written down here a second time (design: dose, section 5)."""
    per_hour = math.log(2) / (24 * RUTHENIUM_HALF_LIFE_DAYS)
    return rate_mgy_min * 0.06 * (1 - math.exp(-per_hour * hours)) / per_hour


def calm_patient(p: str) -> Rows:
    """A patient about whom no rule has anything to say."""
    eye = {"patient_id": p, "eye": "right"}
    days = (after(-8), after(180), after(365), after(545))
    visit = {"local_status": "controlled", "lens_status": "phakic", "acuity": "6/9"}
    return {
        "patient": [
            {"patient_id": p, "last_contact_date": days[-1], "vital_status_date": days[-1],
             "metastasis_status_date": days[-1], "follow_up_ended_reason": "under_follow_up"}
        ],
        "tumour": [
            eye | {"tumour_id": f"{p}-T", "diagnosis_date": after(-40), "site": "choroid",
                   "referral_date": after(-30), "treatment_decision_date": after(-5),
                   "thickness_mm": "4.0", "largest_basal_diameter_mm": "10",
                   "longitudinal_basal_diameter_mm": "9", "fovea_distance_mm": "5",
                   "fovea_distance_meridian_mm": "5", "fovea_involved": "no",
                   "disc_distance_mm": "6", "ciliary_body_involved": "no", "biopsied": "no",
                   "thickness_includes_sclera": "no", "metastasis_at_baseline": "m0"}
        ],
        "applicator": [
            {"applicator_id": f"{p}-RU", "isotope": "Ru-106", "diameter_mm": "15",
             "active_diameter_mm": "13.5", "notch": "none", "first_used_date": after(-100)}
        ],
        "applicator_check": [
            {"applicator_id": f"{p}-RU", "check_date": after(-102), "kind": kind, "result": "pass",
             "measured_to_stated_ratio": "1.02" if kind == "output" else ""}
            for kind in ("output", "leak")
        ],
        "certificate": [
            {"applicator_id": f"{p}-RU", "reference_at": f"{after(0)} 10:00",
             "depth_mm": f"{depth}",
             "dose_rate_mgy_min": f"{rate}", "uncertainty_pct": "20"}
            for depth, rate in CERTIFICATE.items()
        ],
        "implant": [
            {"implant_id": f"{p}-I", "tumour_id": f"{p}-T", "applicator_id": f"{p}-RU",
             "inserted_at": f"{after(0)} 10:00", "removed_at": f"{after(1)} 10:00",
             "planned_duration_hours": "24", "incident": "none", "prescription_point": "apex",
             "prescribed_depth_mm": "5", "depth_origin": "plaque_surface",
             "sclera_allowance_mm": "1", "dose_model": "homogeneous_water",
             "prescribed_dose_gy": f"{dose_gy(64, 24):.2f}", "planned_margin_mm": "2",
             "planned_posterior_margin_mm": "2", "planned_limbus_distance_mm": "12",
             "tumour_limbus_distance_mm": "16", "placed_limbus_distance_mm": "12",
             "margin_covered": "yes", "least_margin_mm": "1", "position_at_removal": "unchanged"}
        ],
        "implant_muscle": [
            {"implant_id": f"{p}-I", "muscle": "lateral_rectus", "knot_limbus_before_mm": "7",
             "knot_limbus_after_mm": "7"}
        ],
        "visit": [
            eye | visit | {"visit_id": f"{p}-V{k}", "visit_date": day, "thickness_mm": mm}
            for k, (day, mm) in enumerate(zip(days, ("4.0", "3.8", "3.6", "3.5"), strict=True))
        ],
        "event": [],
    }  # fmt: skip


DEAD = {
    "patient.death_date": after(600), "patient.vital_status_date": after(600),
    "patient.death_cause": "other_cause", "patient.follow_up_ended_reason": "died",
}  # fmt: skip


def event(day: str, kind: str, **more: str) -> dict[str, Any]:
    return {"+event": [{"event_date": day, "kind": kind} | more]}


def new_visit(day: str, **more: str) -> dict[str, Any]:
    return {"+visit": [{"visit_date": day} | more]}


def second_plaque(at: int) -> dict[str, Any]:
    again = {"inserted_at": f"{after(at)} 10:00", "removed_at": f"{after(at + 1)} 10:00"}
    return {"+implant": [again]}


def edited(rows: Rows, p: str, edits: dict[str, Any]) -> Rows:
    """Apply edits: ``table.field`` or ``table[k].field`` sets a cell, ``+table`` adds rows."""
    for place, value in edits.items():
        if place.startswith("+"):
            table = place[1:]
            for row in value:
                number = len(rows[table])
                own = {"patient_id": p, "eye": "right"} if table in ("visit", "event") else {}
                if table == "implant":
                    own = {"tumour_id": f"{p}-T", "applicator_id": f"{p}-RU", "incident": "none"}
                key = TABLES[table].key[0].name
                row = {name: text.replace("@", p) for name, text in row.items()}
                rows[table].append({key: f"{p}-{table[0].upper()}{number}"} | own | row)
        elif place.startswith("-"):
            del rows[place[1:]][value]
        else:
            found = re.fullmatch(r"(\w+?)(?:\[(-?\d+)\])?\.(\w+)", place)
            assert found is not None, place
            rows[found[1]][int(found[2] or 0)][found[3]] = value.replace("@", p)
    return rows


@dataclass
class Case:
    """``fires`` and ``calm`` are edits; ``record`` and ``amount`` those of the finding.

    ``also`` names rules that speak in the firing patient besides, ``still`` in the calm one.
    """

    rule: str
    record: str
    fires: dict[str, Any]
    calm: dict[str, Any]
    amount: float | None = None
    also: set[str] = field(default_factory=set)
    still: set[str] = field(default_factory=set)


GONE = event(after(550), "enucleation", reason="complication")
FAILED = {"visit[3].local_status": "failed"}
FAILURE = event(after(545), "local_failure")
PLASTIC = {f"visit[{k}].lens_status": "pseudophakic" for k in range(4)}


def merged(*parts: dict[str, Any]) -> dict[str, Any]:
    together: dict[str, Any] = {}
    for part in parts:
        for place, value in part.items():
            together[place] = together.get(place, []) + value if place[0] == "+" else value
    return together


def heights(*mm: str) -> dict[str, Any]:
    return {f"visit[{k}].thickness_mm": value for k, value in enumerate(mm, start=1)}


CASES = [
    # patient
    Case("contact_after_death", "patient:@", DEAD | {"patient.last_contact_date": after(601)},
         DEAD | {"patient.last_contact_date": after(600)}, 1),
    Case("vital_status_before_death", "patient:@", DEAD | {"patient.vital_status_date": after(599)},
         DEAD, 1),
    Case("vital_status_before_contact", "patient:@", {"patient.vital_status_date": after(544)},
         {}, 1),
    Case("vital_status_unknown", "patient:@",
         {"patient.vital_status_date": "", "patient.last_contact_date": ""},
         {"patient.vital_status_date": ""}),
    Case("died_without_date", "patient:@", {"patient.follow_up_ended_reason": "died"},
         {"patient.follow_up_ended_reason": "moved"}),
    Case("followed_after_death", "patient:@",
         DEAD | {"patient.follow_up_ended_reason": "under_follow_up"}, DEAD),
    Case("metastasis_after_death", "patient:@",
         DEAD | {"patient.metastasis_date": after(601),
                 "patient.metastasis_status_date": after(601)},
         DEAD | {"patient.metastasis_date": after(600),
                 "patient.metastasis_status_date": after(600)}, 1),
    Case("metastasis_status_before_metastasis", "patient:@",
         {"patient.metastasis_date": after(546)}, {"patient.metastasis_date": after(545)}, 1),
    Case("melanoma_death_without_metastasis", "patient:@",
         DEAD | {"patient.death_cause": "metastatic_uveal_melanoma"}, DEAD),
    Case("visit_after_last_contact", "patient:@", {"patient.last_contact_date": after(544)}, {}, 1),
    Case("both_eyes_treated", "patient:@",
         {"+tumour": [{"tumour_id": "@-T1", "patient_id": "@", "eye": "left"}],
          "+implant": [{"tumour_id": "@-T1", "inserted_at": f"{after(100)} 10:00",
                        "removed_at": f"{after(101)} 10:00"}]},
         {"+tumour": [{"tumour_id": "@-T1", "patient_id": "@", "eye": "left"}]},
         also={"thickness_mm_missing", "largest_basal_diameter_mm_missing",
               "never_seen_after_treatment"}),
    # eye removed, death, before treatment
    Case("visit_after_eye_removed", "visit:@-V4",
         merged(GONE, new_visit(after(551)), {"patient.last_contact_date": after(551),
                                             "patient.vital_status_date": after(551)}),
         merged(GONE, new_visit(after(550)), {"patient.last_contact_date": after(551),
                                             "patient.vital_status_date": after(551)}), 1),
    Case("event_after_eye_removed", "event:@-E1",
         merged(GONE, event(after(551), "vitreous_haemorrhage")),
         merged(GONE, event(after(550), "vitreous_haemorrhage")), 1),
    Case("insertion_after_eye_removed", "implant:@-I",
         event(after(-1), "enucleation", reason="complication"),
         event(after(0), "enucleation", reason="complication"), 1,
         also={"event_before_insertion", "visit_after_eye_removed"},
         still={"visit_after_eye_removed", "plaque_out_after_eye_removed"}),
    Case("event_before_insertion", "event:@-E0", event(after(-1), "radiation_retinopathy"),
         event(after(0), "radiation_retinopathy"), 1),
    Case("visit_after_death", "visit:@-V4", merged(DEAD, new_visit(after(601))),
         merged(DEAD, new_visit(after(600)), {"patient.last_contact_date": after(600)}), 1,
         also={"visit_after_last_contact"}),
    Case("event_after_death", "event:@-E0", merged(DEAD, event(after(601), "dry_eye")),
         merged(DEAD, event(after(600), "dry_eye")), 1),
    Case("insertion_after_death", "implant:@-I1", merged(DEAD, second_plaque(601),
         event(after(600), "retreatment", retreatment="plaque")),
         merged(DEAD, second_plaque(600), event(after(600), "retreatment", retreatment="plaque")),
         1, also={"plaque_used_longer_than_customary", "leak_check_due"},
         still={"plaque_used_longer_than_customary", "leak_check_due", "plaque_out_after_death"}),
    Case("plaque_out_after_death", "implant:@-I1",
         merged(DEAD, second_plaque(600), event(after(600), "retreatment", retreatment="plaque")),
         merged(DEAD, second_plaque(599), event(after(599), "retreatment", retreatment="plaque")),
         1, also={"plaque_used_longer_than_customary", "leak_check_due"},
         still={"plaque_used_longer_than_customary", "leak_check_due"}),
    Case("plaque_out_after_eye_removed", "implant:@-I",
         event(after(0), "enucleation", reason="complication"),
         event(after(1), "enucleation", reason="complication"), 1,
         also={"visit_after_eye_removed"}, still={"visit_after_eye_removed"}),
    Case("referral_after_decision", "tumour:@-T", {"tumour.referral_date": after(-4)},
         {"tumour.referral_date": after(-5)}, 1),
    Case("decision_after_insertion", "tumour:@-T", {"tumour.treatment_decision_date": after(1)},
         {"tumour.treatment_decision_date": after(0)}, 1),
    Case("diagnosis_after_insertion", "tumour:@-T", {"tumour.diagnosis_date": after(1)},
         {"tumour.diagnosis_date": after(0)}, 1),
    # size and stage
    Case("thickness_mm_missing", "tumour:@-T", {"tumour.thickness_mm": ""}, {}),
    Case("largest_basal_diameter_mm_missing", "tumour:@-T",
         {"tumour.largest_basal_diameter_mm": ""}, {}),
    Case("thickness_above_diameter", "tumour:@-T",
         {"tumour.thickness_mm": "4.1", "tumour.largest_basal_diameter_mm": "4",
          "tumour.longitudinal_basal_diameter_mm": ""},
         {"tumour.thickness_mm": "4", "tumour.largest_basal_diameter_mm": "4",
          "tumour.longitudinal_basal_diameter_mm": ""}, 0.1),
    Case("longitudinal_above_largest", "tumour:@-T",
         {"tumour.longitudinal_basal_diameter_mm": "10.1", "implant.tumour_limbus_distance_mm": ""},
         {"tumour.longitudinal_basal_diameter_mm": "10", "implant.tumour_limbus_distance_mm": ""},
         0.1),
    Case("thickness_differs_from_visit", "tumour:@-T", {"visit[0].thickness_mm": "2.9"},
         {"visit[0].thickness_mm": "3.0"}, 1.1),
    Case("site_against_ciliary_body", "tumour:@-T", {"tumour.site": "ciliary_body"},
         {"tumour.site": "ciliary_body", "tumour.ciliary_body_involved": "yes"}),
    Case("choroidal_with_ciliary_body", "tumour:@-T", {"tumour.ciliary_body_involved": "yes"},
         {"tumour.site": "ciliochoroidal", "tumour.ciliary_body_involved": "yes"}),
    Case("no_metastasis_at_baseline_but_dated", "tumour:@-T",
         {"patient.metastasis_date": after(-1)}, {"patient.metastasis_date": after(0)}, 1),
    Case("metastasis_at_baseline_without_date", "tumour:@-T",
         {"tumour.metastasis_at_baseline": "m1a"},
         {"tumour.metastasis_at_baseline": "m1a", "patient.metastasis_date": after(-1)}),
    Case("biopsy_result_without_biopsy", "tumour:@-T", {"tumour.cell_type": "spindle"},
         {"tumour.cell_type": "unknown"}),
    Case("fovea_contradiction", "tumour:@-T", {"tumour.fovea_involved": "yes"}, {}),
    # failure
    Case("failed_visit_without_event", "visit:@-V3", FAILED, merged(FAILED, FAILURE)),
    Case("failure_event_without_visit", "event:@-E0", FAILURE, merged(FAILED, FAILURE)),
    Case("failure_dated_far_from_visit", "event:@-E0",
         merged(FAILED, event(after(545 - 91), "local_failure")),
         merged(FAILED, event(after(545 - 90), "local_failure")), -91),
    Case("controlled_after_failure", "visit:@-V3",
         merged({"visit[2].local_status": "failed"}, event(after(365), "local_failure")),
         merged({"visit[2].local_status": "failed"}, event(after(365), "local_failure"),
                event(after(400), "retreatment", retreatment="thermotherapy")), 180),
    Case("removal_for_failure_without_failure", "event:@-E0",
         event(after(550), "enucleation", reason="local_failure"),
         merged(FAILED, event(after(550), "enucleation", reason="local_failure"))),
    Case("removal_without_reason", "event:@-E0", event(after(550), "enucleation"), GONE),
    Case("suspicion_never_resolved", "visit:@-V3",
         {"visit[3].local_status": "suspected", "visit[3].visit_date": on(184)},
         {"visit[3].local_status": "suspected", "visit[3].visit_date": on(183)}, 184),
    Case("second_plaque_without_retreatment", "implant:@-I1", second_plaque(91), second_plaque(90),
         91),
    Case("retreatment_without_plaque", "event:@-E0",
         event(after(31), "retreatment", retreatment="plaque"),
         event(after(30), "retreatment", retreatment="plaque")),
    # lens and acuity
    Case("phakic_after_lens_surgery", "visit:@-V3", PLASTIC | {"visit[3].lens_status": "phakic"},
         PLASTIC),
    Case("cataract_without_lens", "event:@-E0",
         merged({"visit[3].lens_status": "pseudophakic"}, event(after(546), "cataract")),
         merged({"visit[3].lens_status": "pseudophakic"}, event(after(545), "cataract"))),
    Case("sight_after_none", "visit:@-V3", {"visit[2].acuity": "NLP"},
         {"visit[2].acuity": "NLP", "visit[3].acuity": "LP"}),
    # times and doses
    Case("removal_missing", "implant:@-I1",
         {"+implant": [{"inserted_at": f"{on(31)} 10:00"}], **event(on(31), "retreatment",
          retreatment="plaque")},
         {"+implant": [{"inserted_at": f"{on(30)} 10:00"}], **event(on(30), "retreatment",
          retreatment="plaque")}, 31,
         also={"plaque_used_longer_than_customary", "leak_check_due"},
         still={"plaque_used_longer_than_customary", "leak_check_due"}),
    Case("duration_off_plan", "implant:@-I", {"implant.planned_duration_hours": "21.8"},
         {"implant.planned_duration_hours": "21.9"}, 100 * (24 / 21.8 - 1)),
    Case("duration_off_plan_by_incident", "implant:@-I",
         {"implant.planned_duration_hours": "21.8", "implant.incident": "late_removal"},
         {"implant.planned_duration_hours": "21.9", "implant.incident": "late_removal"},
         100 * (24 / 21.8 - 1)),
    Case("dose_apex_differs", "implant:@-I",
         {"implant.dose_apex_gy": f"{dose_gy(64, 24) / 1.051:.4f}"},
         {"implant.dose_apex_gy": f"{dose_gy(64, 24) / 1.049:.4f}"}, 5.1),
    Case("dose_inner_sclera_differs", "implant:@-I",
         {"implant.dose_inner_sclera_gy": f"{dose_gy(160, 24) / 0.949:.4f}"},
         {"implant.dose_inner_sclera_gy": f"{dose_gy(160, 24) / 0.951:.4f}"}, -5.1),
    Case("dose_scleral_surface_differs", "implant:@-I",
         {"implant.dose_sclera_gy": f"{dose_gy(200, 24) / 1.051:.4f}"},
         {"implant.dose_sclera_gy": f"{dose_gy(200, 24) / 1.049:.4f}"}, 5.1),
    Case("dose_of_another_model_differs", "implant:@-I",
         {"implant.dose_apex_gy": f"{dose_gy(64, 24) / 1.051:.4f}",
          "implant.dose_model": "monte_carlo"},
         {"implant.dose_apex_gy": f"{dose_gy(64, 24) / 1.049:.4f}",
          "implant.dose_model": "monte_carlo"}, 5.1),
    Case("delivered_off_prescription", "implant:@-I",
         {"implant.prescribed_dose_gy": f"{dose_gy(64, 24) / 1.101:.4f}"},
         {"implant.prescribed_dose_gy": f"{dose_gy(64, 24) / 1.099:.4f}"}, 10.1),
    Case("delivered_off_prescription_by_incident", "implant:@-I",
         {"implant.prescribed_dose_gy": f"{dose_gy(64, 24) / 1.101:.4f}",
          "implant.incident": "early_removal"},
         {"implant.prescribed_dose_gy": f"{dose_gy(64, 24) / 1.099:.4f}",
          "implant.incident": "early_removal"}, 10.1),
    Case("doses_rise_with_depth", "implant:@-I",
         {"implant.dose_apex_gy": "92.5", "implant.dose_inner_sclera_gy": "92"},
         {"implant.dose_apex_gy": "92", "implant.dose_inner_sclera_gy": "92"}, 0.5,
         also={"dose_inner_sclera_differs"}, still={"dose_inner_sclera_differs"}),
    Case("prescribed_depth_off_thickness", "implant:@-I", {"implant.prescribed_depth_mm": "5.6",
         "implant.prescribed_dose_gy": ""},
         {"implant.prescribed_depth_mm": "5.5", "implant.prescribed_dose_gy": ""}, 0.6),
    # plaques
    Case("no_plaque", "implant:@-I", {"implant.applicator_id": ""}, {}),
    Case("certificate_missing", "implant:@-I",
         {f"certificate[{k}].reference_at": f"{after(0)} 10:01" for k in range(7)}, {}),
    Case("certificate_old", "implant:@-I",
         {f"certificate[{k}].reference_at": f"{after(-748)} 10:00" for k in range(7)}
         | {"implant.prescribed_dose_gy": ""},
         {f"certificate[{k}].reference_at": f"{after(-747)} 10:00" for k in range(7)}
         | {"implant.prescribed_dose_gy": ""}, 748),
    Case("plaque_retired", "implant:@-I", {"applicator.retired_date": after(-1)},
         {"applicator.retired_date": after(0)}, 1),
    Case("plaque_before_first_use", "implant:@-I", {"applicator.first_used_date": after(1)},
         {"applicator.first_used_date": after(0)}, 1),
    Case("plaque_used_longer_than_customary", "implant:@-I",
         {"applicator.first_used_date": after(-366)}, {"applicator.first_used_date": after(-365)},
         366),
    Case("failed_check_used", "implant:@-I", {"applicator_check[1].result": "fail"},
         {"applicator_check[1].result": "accepted_with_remark"}, 102),
    Case("plaque_in_two_places", "implant:@-I1",
         {"+implant": [{"inserted_at": f"{after(1)} 09:30", "removed_at": f"{after(2)} 10:00"}]},
         {"+implant": [{"inserted_at": f"{after(1)} 10:00", "removed_at": f"{after(2)} 10:00"}]},
         0.5),
    Case("certificate_rises_with_depth",
         f"certificate:@-RU|{after(0)} 10:00:00|12.000000",
         {"certificate[6].dose_rate_mgy_min": "32.1"}, {"certificate[6].dose_rate_mgy_min": "32"},
         0.1),
    Case("output_check_off_certificate", f"applicator_check:@-RU|{after(-102)}|output",
         {"applicator_check[0].measured_to_stated_ratio": "1.201"},
         {"applicator_check[0].measured_to_stated_ratio": "1.2"}, 20.1),
    Case("leak_check_due", "implant:@-I", {"applicator_check[1].check_date": after(-366)},
         {"applicator_check[1].check_date": after(-365)}, 366),
    Case("never_checked", "implant:@-I", {"applicator_check[0].kind": "visual",
         "applicator_check[0].measured_to_stated_ratio": ""}, {}),
    # placement
    Case("covered_against_least_margin", "implant:@-I", {"implant.least_margin_mm": "-0.1"},
         {"implant.least_margin_mm": "0"}, -0.1, also={"tumour_uncovered"}),
    Case("notch_contradiction", "implant:@-I", {"implant.disc_contact": "notch_round_nerve"},
         {"implant.disc_contact": "notch_round_nerve", "applicator.notch": "narrow"}),
    Case("knot_far_off", "implant_muscle:@-I|lateral_rectus",
         {"implant_muscle.knot_limbus_after_mm": "9.1"},
         {"implant_muscle.knot_limbus_after_mm": "9.0"}, 2.1, also={"knot_moved"},
         still={"knot_moved"}),
    Case("knot_moved", "implant:@-I", {"implant_muscle.knot_limbus_after_mm": "6.4"},
         {"implant_muscle.knot_limbus_after_mm": "6.5"}, -0.6),
    Case("placed_far_off_plan", "implant:@-I", {"implant.planned_limbus_distance_mm": "16.1"},
         {"implant.planned_limbus_distance_mm": "16.0"}, -4.1, also={"placed_off_plan"},
         still={"placed_off_plan"}),
    Case("placed_off_plan", "implant:@-I", {"implant.planned_limbus_distance_mm": "13.1"},
         {"implant.planned_limbus_distance_mm": "13"}, -1.1),
    Case("limbus_ways_far_apart", "implant:@-I", {"implant.tumour_limbus_distance_mm": "26.1"},
         {"implant.tumour_limbus_distance_mm": "26"}, -10.1,
         also={"limbus_ways_differ", "placed_off_way_2"},
         still={"limbus_ways_differ", "placed_off_way_2"}),
    Case("limbus_ways_differ", "implant:@-I",
         {"implant.tumour_limbus_distance_mm": "17.1", "implant.placed_limbus_distance_mm": "12.5"},
         {"implant.tumour_limbus_distance_mm": "17", "implant.placed_limbus_distance_mm": "12.5"},
         -1.1),
    Case("placed_off_way_1", "implant:@-I",
         {"implant.planned_limbus_distance_mm": "", "implant.placed_limbus_distance_mm": "13.1",
          "implant.tumour_limbus_distance_mm": ""},
         {"implant.planned_limbus_distance_mm": "", "implant.placed_limbus_distance_mm": "13",
          "implant.tumour_limbus_distance_mm": ""}, 1.1),
    Case("placed_off_way_2", "implant:@-I",
         {"implant.tumour_limbus_distance_mm": "17", "implant.placed_limbus_distance_mm": "11.9"},
         {"implant.tumour_limbus_distance_mm": "17", "implant.placed_limbus_distance_mm": "12"},
         -1.1),
    Case("plaque_smaller_than_customary", "implant:@-I",
         {"tumour.largest_basal_diameter_mm": "11.1"}, {"tumour.largest_basal_diameter_mm": "11"},
         -0.1),
    Case("active_area_smaller_than_base", "implant:@-I", {"applicator.active_diameter_mm": "9.9"},
         {"applicator.active_diameter_mm": "10"}, -0.1),
    Case("posterior_margin_reduced", "implant:@-I",
         {"implant.planned_posterior_margin_mm": "1.9"}, {}, 1.9),
    Case("beta_plaque_on_thick_tumour", "implant:@-I",
         {"tumour.thickness_mm": "5.1", "visit[0].thickness_mm": "5.1",
          "implant.prescribed_depth_mm": "6.1", "implant.prescribed_dose_gy": ""},
         {"tumour.thickness_mm": "5", "visit[0].thickness_mm": "5",
          "implant.prescribed_depth_mm": "6", "implant.prescribed_dose_gy": ""}, 5.1),
    Case("plaque_passes_fovea", "implant:@-I",
         {"tumour.fovea_distance_mm": "1.9", "tumour.fovea_distance_meridian_mm": "1.9",
          "implant.planned_limbus_distance_mm": "15.1", "implant.placed_limbus_distance_mm": "15.1",
          "implant.tumour_limbus_distance_mm": "19.1"},
         {"tumour.fovea_distance_mm": "2", "tumour.fovea_distance_meridian_mm": "2",
          "implant.planned_limbus_distance_mm": "15", "implant.placed_limbus_distance_mm": "15",
          "implant.tumour_limbus_distance_mm": "19"}, -0.1),
    Case("disc_reached_without_notch", "implant:@-I", {"tumour.disc_distance_mm": "1.9"},
         {"tumour.disc_distance_mm": "2"}, -0.1),
    Case("tumour_uncovered", "implant:@-I",
         {"implant.least_margin_mm": "-0.1", "implant.margin_covered": ""},
         {"implant.least_margin_mm": "0", "implant.margin_covered": ""}, -0.1),
    Case("margin_not_covered", "implant:@-I", {"implant.margin_covered": "uncertain"}, {}),
    Case("plaque_moved", "implant:@-I", {"implant.position_at_removal": "tilted"},
         {"implant.position_at_removal": "not_checked"}),
    Case("superior_oblique_detached", "implant:@-I",
         {"implant_muscle.muscle": "superior_oblique", "implant_muscle.knot_limbus_before_mm": "",
          "implant_muscle.knot_limbus_after_mm": ""}, {}),
    Case("inferior_oblique_detached_beside", "implant:@-I",
         {"implant_muscle.muscle": "inferior_oblique", "implant_muscle.overlies_plaque": "no",
          "implant_muscle.knot_limbus_before_mm": "", "implant_muscle.knot_limbus_after_mm": ""},
         {"implant_muscle.muscle": "inferior_oblique", "implant_muscle.overlies_plaque": "yes",
          "implant_muscle.knot_limbus_before_mm": "", "implant_muscle.knot_limbus_after_mm": ""}),
    # follow-up: a gap of 6 months is 183 days to the due day, 46 more make it overdue
    Case("visit_overdue", "tumour:@-T", {"visit[3].visit_date": on(183 + 46)},
         {"visit[3].visit_date": on(183 + 45), "patient.last_contact_date": on(228),
          "patient.vital_status_date": on(228)}, 46),
    Case("lost_to_follow_up", "tumour:@-T",
         {"visit[3].visit_date": on(183 + 229), "visit[2].visit_date": on(500)},
         {"visit[3].visit_date": on(183 + 228), "visit[2].visit_date": on(500)}, 229,
         still={"visit_overdue"}),
    Case("never_seen_after_treatment", "tumour:@-T", {"-visit": slice(1, None)},
         {"-visit": slice(1, 3)}, 721 - 183),
]  # fmt: skip

# height: lowest before, by two visits (max of 4.0 and 3.0 is 4.0; then max of 3.0 and 3.1 is 3.1)
GROWTH = [
    # heights at visits 1 to 5, rule that speaks, millimetres above the lowest
    (("3.0", "3.1", "3.0", "3.6", "3.6"), "growth_without_failure", 0.5),
    (("3.0", "3.1", "3.0", "3.6", "3.5"), None, None),
    (("3.0", "3.0", "3.0", "3.45", "3.45"), "growth_by_one_measure", 0.45),
    (("3.0", "3.0", "3.0", "3.44", "3.44"), None, None),
    (("3.9", "3.9", "3.9", "4.4", "4.4"), "growth_by_one_measure", 0.5),
    (("3.9", "3.9", "3.9", "4.39", "4.6"), None, None),
    (("3.0", "3.0", "3.0", "5.0", "3.0"), None, None),
    (("3.0", "2.2", "3.0", "3.4", "3.4"), None, None),
]


def growing(mm: tuple[str, ...], *, from_day: int = 350) -> dict[str, Any]:
    days = [100, 190, *(from_day + 60 * k for k in range(1, len(mm) - 1))]
    rows = [
        {"visit_date": after(day), "thickness_mm": height, "local_status": "controlled"}
        for day, height in zip(days, mm, strict=True)
    ]
    return {"-visit": slice(1, None), "+visit": rows}


def everyone() -> Rows:
    """The two patients of every case, and those whose tumours grow or do not."""
    together: Rows = {table: [] for table in TABLES}
    for k, case in enumerate(CASES):
        for kind, edits in (("F", case.fires), ("C", case.calm)):
            p = f"P{k:03d}{kind}"
            for table, rows in edited(calm_patient(p), p, copy.deepcopy(edits)).items():
                together[table] += rows
    for k, (heights_mm, _, _) in enumerate(GROWTH):
        p = f"G{k:03d}"
        for table, rows in edited(calm_patient(p), p, growing(heights_mm)).items():
            together[table] += rows
    for table, rows in edited(calm_patient("CALM"), "CALM", {}).items():
        together[table] += rows
    return together
