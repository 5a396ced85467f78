"""How contradictions of patient, tumour, visit and event are made in a chart that suits them.

A maker changes one chart and names the record in which ``check`` should find it, or returns None
where the chart will not do. Each kind bears the name of the rule that should find it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from synthetic_cohort.charts import Chart, Files, Maker, Row, change_number, shift


def _in_patient(change: Callable[[Row], Row | None], *, dead: bool = False) -> Maker:
    """Make a contradiction within the patient record; ``change`` returns None where it fails."""

    def make(chart: Chart, files: Files) -> str | None:
        if dead == chart.is_alive:
            return None
        changes = change(chart.patient)
        if changes is None or not all(files.is_past(v) for v in changes.values() if v[:2] == "20"):
            return None
        chart.patient.update(changes)
        return f"patient:{chart.patient['patient_id']}"

    return make


def _in_tumour(change: Callable[[Row], Row | None]) -> Maker:
    """Make a contradiction within the tumour record."""

    def make(chart: Chart, files: Files) -> str | None:
        changes = change(chart.tumour)
        if changes is None:
            return None
        chart.tumour.update(changes)
        return f"tumour:{chart.tumour['tumour_id']}"

    return make


def _on_route(field: str, days: int, other: str) -> Maker:
    """Put one date of the way to treatment some days after another one."""

    def make(chart: Chart, files: Files) -> str | None:
        after = chart.zero_date if other == "zero_date" else chart.tumour[other]
        if not after or not chart.tumour[field] or not files.is_past(shift(after, days)):
            return None
        chart.tumour[field] = shift(after, days)
        return f"tumour:{chart.tumour['tumour_id']}"

    return make


# --- after removal, death; before treatment -------------------------------------------------------


def _visit_after_eye_removed(chart: Chart, files: Files) -> str | None:
    if chart.removal is None or not chart.is_alive:
        return None
    day = shift(chart.removal["event_date"], 30)
    if not files.is_past(day):
        return None
    return f"visit:{files.add_visit(chart, day)['visit_id']}"


def _event_after_eye_removed(chart: Chart, files: Files) -> str | None:
    if chart.removal is None or not chart.is_alive:
        return None
    day = shift(chart.removal["event_date"], 40)
    if not files.is_past(day):
        return None
    return f"event:{files.add_event(chart, day, 'radiation_retinopathy')['event_id']}"


def _visit_after_death(chart: Chart, files: Files) -> str | None:
    if chart.is_alive or chart.removal is not None:
        return None
    day = shift(chart.patient["death_date"], 12)
    return f"visit:{files.add_visit(chart, day)['visit_id']}" if files.is_past(day) else None


def _event_after_death(chart: Chart, files: Files) -> str | None:
    if chart.is_alive or chart.removal is not None:
        return None
    day = shift(chart.patient["death_date"], 15)
    if not files.is_past(day):
        return None
    return f"event:{files.add_event(chart, day, 'vitreous_haemorrhage')['event_id']}"


def _event_before_insertion(chart: Chart, files: Files) -> str | None:
    event = files.add_event(chart, shift(chart.zero_date, -25), "radiation_retinopathy")
    return f"event:{event['event_id']}"


# --- status, failure, retreatment -----------------------------------------------------------------


def _failed_visit_without_event(chart: Chart, files: Files) -> str | None:
    if not chart.is_quiet or not chart.later_visits:
        return None
    visit = chart.later_visits[-1]
    visit["local_status"] = "failed"
    return f"visit:{visit['visit_id']}"


def _failure_event_without_visit(chart: Chart, files: Files) -> str | None:
    if not chart.is_quiet or not chart.later_visits:
        return None
    day = chart.later_visits[-1]["visit_date"]
    event = files.add_event(chart, day, "local_failure", failure_pattern="marginal")
    return f"event:{event['event_id']}"


def _failure_dated_far_from_visit(chart: Chart, files: Files) -> str | None:
    if not chart.is_quiet or len(chart.later_visits) < 3:
        return None
    visit = chart.later_visits[-1]
    visit["local_status"] = "failed"
    event = files.add_event(chart, shift(visit["visit_date"], -200), "local_failure")
    for other in chart.later_visits:
        if event["event_date"] < other["visit_date"] < visit["visit_date"]:
            other["local_status"] = "suspected"
    return f"event:{event['event_id']}"


def _controlled_after_failure(chart: Chart, files: Files) -> str | None:
    visits = chart.later_visits
    if not chart.is_quiet or len(visits) < 2 or visits[-1]["local_status"] != "controlled":
        return None
    visits[-2]["local_status"] = "failed"
    files.add_event(chart, visits[-2]["visit_date"], "local_failure", failure_pattern="central")
    return f"visit:{visits[-1]['visit_id']}"


def _removal_for_failure_without_failure(chart: Chart, files: Files) -> str | None:
    if chart.removal is None or chart.has_failed:
        return None
    chart.removal["reason"] = "local_failure"
    return f"event:{chart.removal['event_id']}"


def _removal_without_reason(chart: Chart, files: Files) -> str | None:
    if chart.removal is None:
        return None
    chart.removal["reason"] = ""
    return f"event:{chart.removal['event_id']}"


def _second_plaque_without_retreatment(chart: Chart, files: Files) -> str | None:
    again = [row for row in chart.events if row["retreatment"] == "plaque"]
    if len(again) != 1:
        return None
    files.rows["event"].remove(again[0])
    return f"implant:{chart.implants[-1]['implant_id']}"


def _retreatment_without_plaque(chart: Chart, files: Files) -> str | None:
    if not chart.is_quiet or len(chart.later_visits) < 4:
        return None
    day = chart.later_visits[-1]["visit_date"]
    more = {"retreatment": "plaque", "reason": "other", "planned": "planned"}
    return f"event:{files.add_event(chart, day, 'retreatment', **more)['event_id']}"


def _growth_without_failure(chart: Chart, files: Files) -> str | None:
    measured = [row for row in chart.later_visits if row["thickness_mm"]]
    late = [row for row in measured if row["visit_date"] >= shift(chart.zero_date, 200)]
    if not chart.is_quiet or len(late) < 3 or not chart.tumour["thickness_mm"]:
        return None
    top = max(float(row["thickness_mm"]) for row in measured)
    grown = max(top, float(chart.tumour["thickness_mm"])) + 1.5
    for row in late[-2:]:
        row["thickness_mm"] = f"{grown:.1f}"
    return f"tumour:{chart.tumour['tumour_id']}"


def _thickness_differs_from_visit(chart: Chart, files: Files) -> str | None:
    before = [row for row in chart.visits if row["visit_date"] <= chart.zero_date]
    if not before or not before[-1]["thickness_mm"] or not chart.tumour["thickness_mm"]:
        return None
    before[-1]["thickness_mm"] = change_number(before[-1]["thickness_mm"], lambda mm: mm + 2.5)
    return f"tumour:{chart.tumour['tumour_id']}"


# --- lens, acuity, follow-up ----------------------------------------------------------------------


def _phakic_after_lens_surgery(chart: Chart, files: Files) -> str | None:
    visits = chart.visits
    if len(visits) < 2 or {row["lens_status"] for row in visits[-2:]} != {"pseudophakic"}:
        return None
    visits[-1]["lens_status"] = "phakic"
    return f"visit:{visits[-1]['visit_id']}"


def _cataract_without_lens(chart: Chart, files: Files) -> str | None:
    if not chart.is_quiet or len(chart.later_visits) < 2:
        return None
    if {row["lens_status"] for row in chart.later_visits} != {"pseudophakic"}:
        return None
    event = files.add_event(chart, chart.later_visits[-1]["visit_date"], "cataract")
    return f"event:{event['event_id']}"


def _sight_after_none(chart: Chart, files: Files) -> str | None:
    visits = chart.later_visits
    if len(visits) < 3 or not visits[-1]["acuity"] or "/" not in visits[-1]["acuity"]:
        return None
    if any(row["acuity"] == "NLP" for row in visits):
        return None
    visits[-2].update(acuity="NLP", acuity_notation="", fellow_acuity="")
    return f"visit:{visits[-1]['visit_id']}"


def _never_seen_after_treatment(chart: Chart, files: Files) -> str | None:
    if not chart.is_quiet or chart.zero_date > shift(files.data_cut.isoformat(), -1200):
        return None
    for visit in chart.later_visits:
        files.rows["visit"].remove(visit)
    return f"tumour:{chart.tumour['tumour_id']}"


def _lost_to_follow_up(chart: Chart, files: Files) -> str | None:
    long_ago = shift(files.data_cut.isoformat(), -1400)
    early = [row for row in chart.later_visits if row["visit_date"] <= long_ago]
    if not chart.is_quiet or not early:
        return None
    for visit in chart.later_visits:
        if visit["visit_date"] > long_ago:
            files.rows["visit"].remove(visit)
    return f"tumour:{chart.tumour['tumour_id']}"


def _biopsied_anyway(row: Row) -> Row | None:
    return {"biopsied": "no"} if row["chromosome_3"] in ("monosomy", "disomy") else None


def _without(field: str) -> Callable[[Row], Row | None]:
    return lambda row: {field: ""} if row[field] else None


def _wider_than_largest(row: Row) -> Row | None:
    largest = row["largest_basal_diameter_mm"]
    if not largest:
        return None
    return {"longitudinal_basal_diameter_mm": change_number(largest, lambda mm: mm + 2)}


def _thicker_than_wide(row: Row) -> Row | None:
    thickness = row["thickness_mm"]
    if not thickness or float(thickness) < 2.5 or not row["largest_basal_diameter_mm"]:
        return None
    narrow = change_number(thickness, lambda mm: mm - 1)
    return {"largest_basal_diameter_mm": narrow, "longitudinal_basal_diameter_mm": narrow}


def _metastasis_before_treatment(chart: Chart, files: Files) -> str | None:
    if chart.tumour["metastasis_at_baseline"] != "m0" or chart.patient["metastasis_date"]:
        return None
    if not chart.is_alive:
        return None
    chart.patient["metastasis_date"] = shift(chart.zero_date, -60)
    return f"tumour:{chart.tumour['tumour_id']}"


def _metastasis_undated(chart: Chart, files: Files) -> str | None:
    if chart.patient["metastasis_date"] or not chart.is_alive:
        return None
    chart.tumour["metastasis_at_baseline"] = "m1a"
    return f"tumour:{chart.tumour['tumour_id']}"


CHART_MAKERS: Mapping[str, Maker] = MappingProxyType(
    {
        # those that few charts suit come first
        "second_plaque_without_retreatment": _second_plaque_without_retreatment,
        "removal_for_failure_without_failure": _removal_for_failure_without_failure,
        "removal_without_reason": _removal_without_reason,
        "visit_after_eye_removed": _visit_after_eye_removed,
        "event_after_eye_removed": _event_after_eye_removed,
        "metastasis_status_before_metastasis": _in_patient(
            lambda row: (
                {"metastasis_status_date": shift(row["metastasis_date"], -30)}
                if row["metastasis_date"]
                else None
            ),
            dead=True,
        ),
        "metastasis_after_death": _in_patient(
            lambda row: (
                {"metastasis_date": shift(row["death_date"], 20)}
                if row["metastasis_date"]
                else None
            ),
            dead=True,
        ),
        "melanoma_death_without_metastasis": _in_patient(
            lambda row: (
                None if row["metastasis_date"] else {"death_cause": "metastatic_uveal_melanoma"}
            ),
            dead=True,
        ),
        "contact_after_death": _in_patient(
            lambda row: {"last_contact_date": shift(row["death_date"], 10)}, dead=True
        ),
        "vital_status_before_death": _in_patient(
            lambda row: {"vital_status_date": shift(row["death_date"], -30)}, dead=True
        ),
        "followed_after_death": _in_patient(
            lambda row: {"follow_up_ended_reason": "under_follow_up"}, dead=True
        ),
        "visit_after_death": _visit_after_death,
        "event_after_death": _event_after_death,
        "phakic_after_lens_surgery": _phakic_after_lens_surgery,
        "cataract_without_lens": _cataract_without_lens,
        "biopsy_result_without_biopsy": _in_tumour(_biopsied_anyway),
        "choroidal_with_ciliary_body": _in_tumour(
            lambda row: {"ciliary_body_involved": "yes"} if row["site"] == "choroid" else None
        ),
        "site_against_ciliary_body": _in_tumour(
            lambda row: {"site": "ciliary_body"} if row["ciliary_body_involved"] == "no" else None
        ),
        "growth_without_failure": _growth_without_failure,
        "lost_to_follow_up": _lost_to_follow_up,
        "never_seen_after_treatment": _never_seen_after_treatment,
        "sight_after_none": _sight_after_none,
        "controlled_after_failure": _controlled_after_failure,
        "failure_dated_far_from_visit": _failure_dated_far_from_visit,
        "failed_visit_without_event": _failed_visit_without_event,
        "failure_event_without_visit": _failure_event_without_visit,
        "retreatment_without_plaque": _retreatment_without_plaque,
        "vital_status_before_contact": _in_patient(
            lambda row: {"vital_status_date": shift(row["last_contact_date"], -40)}
        ),
        "vital_status_unknown": _in_patient(
            lambda row: {"vital_status_date": "", "last_contact_date": ""}
        ),
        "died_without_date": _in_patient(lambda row: {"follow_up_ended_reason": "died"}),
        "no_metastasis_at_baseline_but_dated": _metastasis_before_treatment,
        "metastasis_at_baseline_without_date": _metastasis_undated,
        "event_before_insertion": _event_before_insertion,
        "referral_after_decision": _on_route("referral_date", 9, "treatment_decision_date"),
        "decision_after_insertion": _on_route("treatment_decision_date", 4, "zero_date"),
        "diagnosis_after_insertion": _on_route("diagnosis_date", 6, "zero_date"),
        "thickness_mm_missing": _in_tumour(_without("thickness_mm")),
        "largest_basal_diameter_mm_missing": _in_tumour(_without("largest_basal_diameter_mm")),
        "longitudinal_above_largest": _in_tumour(_wider_than_largest),
        "thickness_above_diameter": _in_tumour(_thicker_than_wide),
        "thickness_differs_from_visit": _thickness_differs_from_visit,
        "fovea_contradiction": _in_tumour(
            lambda row: (
                {"fovea_involved": "yes"} if float(row["fovea_distance_mm"] or 0) > 0.5 else None
            )
        ),
    }
)
"""How each kind is made, by the name of the rule that should find it."""
