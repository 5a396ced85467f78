"""One implant's recomputed doses as a machine-readable answer and as text."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from reports.command_frame import CAUTION
from reports.render.text import lay_out_table

if TYPE_CHECKING:
    from analysis.implants.dose_courses import CourseDose
    from analysis.implants.dose_points import Limits
    from analysis.implants.dosimetry import DoseTable, PointDoses
    from analysis.implants.radiobiology import RepairModel

FORMULA = (
    "D = R_cert(d) * 0.06 * 2^(-certificate_age_days / half_life_days) * "
    "(1 - exp(-lambda * hours)) / lambda, lambda = ln 2 / (24 half_life_days)"
)
FURTHER_FORMULAS = {
    "apex depth_mm": "thickness_mm + sclera_allowance_mm; thickness_mm alone where it includes the "
    "sclera",
    "inner_sclera depth_mm": "sclera_allowance_mm",
    "scleral_surface depth_mm": "0",
    "lower_gy, upper_gy": "dose_gy exp(-/+ sqrt(sum of squared log limits)) over "
    "certificate (k = 2), thickness and time",
    "bed_gy": "see bed",
    "recomputed_over_recorded": "dose_gy / recorded_gy",
    "delivered_over_prescribed": "prescription dose_gy / prescribed_dose_gy",
    "apex_dose_gy of the course": "sum of the implants' apex dose_gy; BED alike, of one isotope",
}
MODEL = (
    "central axis, homogeneous water, no tilt; ln(dose rate) interpolated monotonically in depth; "
    "never mixed with recorded doses"
)


def _number(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


def _moment(seconds: float) -> datetime | None:
    if math.isnan(seconds):
        return None
    return datetime.fromtimestamp(seconds, UTC).replace(tzinfo=None)


def _limits(limits: Limits, row: int) -> dict[str, float | None]:
    return {"lower_gy": _number(limits.lower_gy[row]), "upper_gy": _number(limits.upper_gy[row])}


def _not_included(doses: PointDoses, row: int) -> list[str]:
    """Name the sources of error that are unknown and therefore not in the total."""
    found = doses.uncertainty
    unknown = [
        ("certificate: it states no uncertainty", found.certificate),
        ("time: its precision is not recorded", found.time),
    ]
    return [words for words, limits in unknown if math.isnan(limits.lower_gy[row])]


def describe_point(table: DoseTable, point: str, row: int, model: RepairModel) -> dict[str, object]:
    """Give one point's dose with its inputs, limits, BED and the recorded dose."""
    from analysis.implants.dose_agreement import TOLERANCE_FRACTION
    from analysis.implants.dosimetry import GY_PER_HOUR_IN_MGY_PER_MIN, REASONS

    doses = table.points[point]
    rate, ratio = float(doses.dose_rate_gy_per_hour[row]), float(doses.ratio[row])
    remaining = float(table.remaining_fraction[row])
    code = str(doses.reason[row])
    return {
        "point": point,
        "dose_gy": _number(doses.dose_gy[row]),
        "lower_gy": _number(doses.uncertainty.total.lower_gy[row]),
        "upper_gy": _number(doses.uncertainty.total.upper_gy[row]),
        "reason_missing": REASONS[code] if code else None,
        "inputs": {
            "depth_mm": _number(doses.depths.depth_mm[row]),
            "certificate_dose_rate_mgy_min": _number(rate / GY_PER_HOUR_IN_MGY_PER_MIN / remaining),
            "dose_rate_at_insertion_gy_per_hour": _number(rate),
        },
        "alternative": None
        if math.isnan(doses.depths.alternative_mm[row])
        else {
            "depth_mm": float(doses.depths.alternative_mm[row]),
            "dose_gy": _number(doses.alternative_gy[row]),
            "why": "the record leaves two depths open",
        },
        "sclera_is_assumed": bool(doses.depths.sclera_is_assumed[row]),
        "uncertainty": {
            "certificate_k2_shared_by_plaque": _limits(doses.uncertainty.certificate, row),
            "thickness": _limits(doses.uncertainty.thickness, row),
            "time": _limits(doses.uncertainty.time, row),
            "not_included": [] if code else _not_included(doses, row),
        },
        "bed_gy": _number(table.bed_gy(point, model)[row]),
        "recorded_gy": _number(doses.recorded_gy[row]),
        "recomputed_over_recorded": _number(ratio),
        "beyond_tolerance": None if math.isnan(ratio) else abs(ratio - 1) > TOLERANCE_FRACTION,
    }


def _describe_course(course: CourseDose) -> dict[str, object]:
    from analysis.implants.dose_courses import COURSE_REASONS

    def words(code: str) -> str | None:
        return COURSE_REASONS[code] if code else None

    return {
        "course": course.course,
        "implant_ids": course.implant_ids,
        "isotopes": course.isotopes,
        "dose_models": course.dose_models,
        "hours": _number(course.hours),
        "apex_dose_gy": _number(course.dose_gy),
        "apex_recorded_gy": _number(course.recorded_gy),
        "apex_bed_gy": _number(course.bed_gy),
        "reason_missing": words(course.reason),
        "bed_reason_missing": words(course.bed_reason),
    }


def _describe_bed(table: DoseTable, row: int, model: RepairModel) -> dict[str, object]:
    from analysis.implants.radiobiology import FORMULA as BED_FORMULA
    from analysis.implants.radiobiology import vary_parameters

    rate = float(table.points["apex"].dose_rate_gy_per_hour[row])
    varied = (
        ()
        if math.isnan(rate)
        else vary_parameters(rate, float(table.hours[row]), float(table.half_life_days[row]))
    )
    return {
        "formula": BED_FORMULA,
        "alpha_beta_gy": model.alpha_beta_gy,
        "repair_half_time_hours": model.repair_half_time_hours,
        "apex_sensitivity": varied,
    }


def _remark(table: DoseTable, row: int) -> list[str]:
    """Say what to know when reading these doses."""
    records, sclera = table.records, table.assumptions.sclera_mm
    remarks = []
    if any(doses.depths.sclera_is_assumed[row] for doses in table.points.values()):
        remarks.append(
            f"No scleral thickness is recorded: {sclera:g} mm assumed (common practice, no source)."
        )
    if any(not math.isnan(one.depths.alternative_mm[row]) for one in table.points.values()):
        remarks.append(
            "The record does not say whether the thickness includes the sclera, or from where the "
            "prescribed depth counts: both readings are shown."
        )
    index = int(records.certificate[row])
    if index >= 0 and bool(records.certificates.tables.rises_with_depth()[index]):
        remarks.append("The certificate states a dose rate that rises somewhere with depth.")
    model = records.dose_model[row]
    if model not in (None, "homogeneous_water"):
        remarks.append(f"The recorded doses are of the model {model!r}; expect a difference.")
    return remarks


def _describe_inputs(table: DoseTable, row: int) -> dict[str, Any]:
    """Give what the doses of one implant were worked out from."""
    records = table.records
    fraction = float(records.certificate_uncertainty_fraction[row])
    return {
        "applicator_id": records.applicator_id[row],
        "isotope": records.isotope[row],
        "half_life_days": _number(table.half_life_days[row]),
        "half_life_source": table.half_life_source,
        "certificate_reference_at": _moment(float(records.certificate_s[row])),
        "certificate_uncertainty_pct_k2": _number(fraction * 100),
        "certificate_age_days": _number(table.certificate_age_days[row]),
        "remaining_fraction": _number(table.remaining_fraction[row]),
        "inserted_at": _moment(float(records.inserted_s[row])),
        "removed_at": _moment(float(records.removed_s[row])),
        "time_precision": records.precision[row],
        "hours": _number(table.hours[row]),
        "thickness_mm": _number(records.geometry.thickness_mm[row]),
        "thickness_includes_sclera": records.geometry.includes_sclera[row],
        "sclera_allowance_mm": _number(records.geometry.sclera_allowance_mm[row]),
        "thickness_uncertainty_mm": table.assumptions.thickness_uncertainty_mm,
    }


def describe_dose(table: DoseTable, row: int, model: RepairModel) -> dict[str, Any]:
    """Give the machine-readable result for one implant of a dose table."""
    from analysis.implants.dose_agreement import TOLERANCE_FRACTION
    from analysis.implants.dose_courses import sum_courses

    records = table.records
    implant_id = str(records.implant_id[row])
    courses = sum_courses(table, "apex", model)
    own = next(course for course in courses if implant_id in course.implant_ids)
    return {
        "command": "dose",
        "implant_id": implant_id,
        "tumour_id": str(records.tumour_id[row]),
        "formula": FORMULA,
        "further_formulas": FURTHER_FORMULAS,
        "model": MODEL,
        "inputs": _describe_inputs(table, row),
        "points": [describe_point(table, point, row, model) for point in table.points],
        "prescribed_dose_gy": _number(records.prescribed_dose_gy[row]),
        "delivered_over_prescribed": _number(table.delivered_over_prescribed[row]),
        "recorded_dose_model": records.dose_model[row],
        "recorded_dose_source": records.dose_source[row],
        "tolerance_fraction": TOLERANCE_FRACTION,
        "course": _describe_course(own),
        "bed": _describe_bed(table, row, model),
        "remarks": _remark(table, row),
        "caution": CAUTION,
    }


def _show(value: float | None, places: int = 1) -> str:
    return "-" if value is None else f"{value:.{places}f}"


def _show_input(value: object) -> str:
    if value is None:
        return "-"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _lay_out_points(points: list[dict[str, Any]]) -> str:
    rows = []
    for one in points:
        span = f"{_show(one['lower_gy'])} to {_show(one['upper_gy'])}"
        rows.append(
            [
                one["point"].replace("_", " "),
                _show(one["inputs"]["depth_mm"], 2),
                _show(one["inputs"]["certificate_dose_rate_mgy_min"], 3),
                _show(one["inputs"]["dose_rate_at_insertion_gy_per_hour"], 4),
                _show(one["dose_gy"]),
                span if one["dose_gy"] is not None else "-",
                _show(one["bed_gy"]),
                _show(one["recorded_gy"]),
                _show(one["recomputed_over_recorded"], 3),
            ]
        )
        other = one["alternative"]
        if other is not None:
            rows.append(["  or", _show(other["depth_mm"], 2), "", "", _show(other["dose_gy"]),
                         "", "", "", ""])  # fmt: skip
    headings = [
        "point",
        "depth mm",
        "certified mGy/min",
        "at insertion Gy/h",
        "dose Gy",
        "limits Gy",
        "BED Gy",
        "recorded Gy",
        "ratio",
    ]
    return lay_out_table(headings, rows)


def _lay_out_limits(points: list[dict[str, Any]]) -> list[str]:
    unknown = dict.fromkeys(text for one in points for text in one["uncertainty"]["not_included"])
    missing = [
        f"{one['point'].replace('_', ' ')}: {one['reason_missing']}"
        for one in points
        if one["reason_missing"]
    ]
    said = [f"Missing - {text}." for text in missing]
    return said + [f"Not in the limits - {text}." for text in unknown]


def lay_out_dose(payload: Mapping[str, Any]) -> str:
    """Lay the result out for a terminal."""
    course, given, bed = payload["course"], payload["inputs"], payload["bed"]
    varied = [
        [f"{one.alpha_beta_gy:g}", f"{one.repair_half_time_hours:g}", f"{one.bed_gy:.1f}"]
        for one in bed["apex_sensitivity"]
    ]
    sensitivity = lay_out_table(
        ["alpha/beta (Gy)", "repair half-time (h)", "apex BED (Gy)"], varied
    )
    ratio = payload["delivered_over_prescribed"]
    return "\n".join(
        [
            f"Implant {payload['implant_id']}, tumour {payload['tumour_id']}",
            "",
            *(f"{name:32} {_show_input(value)}" for name, value in given.items()),
            "",
            _lay_out_points(payload["points"]),
            *_lay_out_limits(payload["points"]),
            "",
            f"Delivered over prescribed ({_show(payload['prescribed_dose_gy'])} Gy): "
            f"{_show(ratio, 3)}",
            f"Recorded doses: model {payload['recorded_dose_model'] or 'not stated'}, source "
            f"{payload['recorded_dose_source'] or 'not stated'}",
            f"Course {course['course']} ({', '.join(course['implant_ids'])}): apex "
            f"{_show(course['apex_dose_gy'])} Gy, BED {_show(course['apex_bed_gy'])} Gy",
            *(text for text in (course["bed_reason_missing"],) if text),
            "",
            f"Dose: {payload['formula']} ({payload['model']})",
            f"{bed['formula']}; alpha/beta {bed['alpha_beta_gy']:g} Gy, repair half-time "
            f"{bed['repair_half_time_hours']:g} h",
            sensitivity,
            "",
            *(f"{name}: {formula}" for name, formula in payload["further_formulas"].items()),
            *payload["remarks"],
            "",
            payload["caution"],
        ]
    )
