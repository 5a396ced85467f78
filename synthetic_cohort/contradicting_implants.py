"""How contradictions of plaques and implants are made in a chart that suits them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from synthetic_cohort.charts import Chart, Files, Maker, Row, change_number, shift


def _in_implant(*needed: str, change: Callable[[Row], Row | None]) -> Maker:
    """Make a contradiction within the first implant, in which ``needed`` is recorded."""

    def make(chart: Chart, files: Files) -> str | None:
        implant = chart.implants[0]
        if len(chart.implants) > 1 or implant["incident"] != "none":
            return None
        changes = change(implant) if all(implant[name] for name in needed) else None
        if changes is None:
            return None
        implant.update(changes)
        return f"implant:{implant['implant_id']}"

    return make


# --- plaques --------------------------------------------------------------------------------------


def _with_other_plaque(change: Callable[[Chart, Files, Row, str], Row | None]) -> Maker:
    """Give the only implant another plaque like its own, changed; ``change`` may return None."""

    def make(chart: Chart, files: Files) -> str | None:
        implant = chart.implants[0]
        if len(chart.implants) > 1 or not implant["applicator_id"]:
            return None
        name = change(chart, files, implant, implant["applicator_id"])
        if name is None:
            return None
        implant["applicator_id"] = name["applicator_id"]
        return f"implant:{implant['implant_id']}"

    return make


def _retired(chart: Chart, files: Files, implant: Row, plaque: str) -> Row:
    day = shift(implant["inserted_at"][:10], -1)
    return files.copy_plaque(plaque, retired_date=day, first_used_date=shift(day, -20))


def _not_yet_used(chart: Chart, files: Files, implant: Row, plaque: str) -> Row:
    return files.copy_plaque(
        plaque, first_used_date=shift(implant["inserted_at"][:10], 3), retired_date=""
    )


def _check_failed(chart: Chart, files: Files, implant: Row, plaque: str) -> Row:
    copy = files.copy_plaque(plaque)
    day = shift(implant["inserted_at"][:10], -1)
    files.add_check(copy["applicator_id"], day, kind="leak", result="fail")
    return copy


def _without_certificate(chart: Chart, files: Files, implant: Row, plaque: str) -> Row:
    copy = files.copy_plaque(plaque)
    for row in files.of_plaque("certificate", copy["applicator_id"]):
        files.rows["certificate"].remove(row)
    return copy


def _with_old_certificate(chart: Chart, files: Files, implant: Row, plaque: str) -> Row:
    copy = files.copy_plaque(plaque)
    for row in files.of_plaque("certificate", copy["applicator_id"]):
        row["reference_at"] = shift(row["reference_at"], -1200)
    return copy


def _output_check_off_certificate(chart: Chart, files: Files) -> str | None:
    plaque = files.copy_plaque(chart.implants[0]["applicator_id"])["applicator_id"]
    day = shift(chart.zero_date, -2)
    files.add_check(plaque, day, kind="output", result="pass", measured_to_stated_ratio="0.700")
    return f"applicator_check:{plaque}|{day}|output"


def _certificate_rises_with_depth(chart: Chart, files: Files) -> str | None:
    plaque = files.copy_plaque(chart.implants[0]["applicator_id"])["applicator_id"]
    lines = sorted(
        files.of_plaque("certificate", plaque),
        key=lambda row: (row["reference_at"], float(row["depth_mm"])),
    )
    low, deep = lines[-2], lines[-1]
    deep["dose_rate_mgy_min"] = change_number(
        low["dose_rate_mgy_min"], lambda rate: 3 * rate + 0.1, 4
    )
    key = f"{plaque}|{deep['reference_at']}:00|{float(deep['depth_mm']):.6f}"
    return f"certificate:{key}"


def _plaque_in_two_places(chart: Chart, files: Files) -> str | None:
    """Give the implant the plaque that lay in another eye at the time of insertion."""
    own = chart.implants[0]
    if len(chart.implants) > 1:
        return None
    for other in files.rows["implant"]:
        is_other = other["applicator_id"] not in ("", own["applicator_id"])
        if is_other and other["inserted_at"] < own["inserted_at"] < other["removed_at"]:
            own["applicator_id"] = other["applicator_id"]
            return f"implant:{own['implant_id']}"
    return None


def _limbus_ways_far_apart(chart: Chart, files: Files) -> str | None:
    """Move the tumour away from the limbus, where both ways can be worked out."""
    implant, tumour = chart.implants[0], chart.tumour
    needed = ("fovea_distance_meridian_mm", "longitudinal_basal_diameter_mm")
    found = implant["tumour_limbus_distance_mm"]
    if not found or float(found) > 9 or not all(tumour[name] for name in needed):
        return None
    implant["tumour_limbus_distance_mm"] = change_number(found, lambda mm: mm + 20)
    return f"implant:{implant['implant_id']}"


def _knot_far_off(chart: Chart, files: Files) -> str | None:
    for row in chart.muscles:
        if row["knot_limbus_before_mm"]:
            moved = change_number(row["knot_limbus_before_mm"], lambda mm: mm + 4)
            row["knot_limbus_after_mm"] = moved
            return f"implant_muscle:{row['implant_id']}|{row['muscle']}"
    return None


IMPLANT_MAKERS: Mapping[str, Maker] = MappingProxyType(
    {
        # those that few charts suit come first
        "plaque_in_two_places": _plaque_in_two_places,
        "knot_far_off": _knot_far_off,
        "plaque_retired": _with_other_plaque(_retired),
        "plaque_before_first_use": _with_other_plaque(_not_yet_used),
        "failed_check_used": _with_other_plaque(_check_failed),
        "certificate_missing": _with_other_plaque(_without_certificate),
        "certificate_old": _with_other_plaque(_with_old_certificate),
        "output_check_off_certificate": _output_check_off_certificate,
        "certificate_rises_with_depth": _certificate_rises_with_depth,
        "no_plaque": _in_implant("applicator_id", change=lambda row: {"applicator_id": ""}),
        "removal_missing": _in_implant(
            "removed_at",
            change=lambda row: {"removed_at": ""} if row["inserted_at"] < "2024-11" else None,
        ),
        "duration_off_plan": _in_implant(
            "planned_duration_hours",
            change=lambda row: {
                "planned_duration_hours": change_number(
                    row["planned_duration_hours"], lambda hours: 1.5 * hours, 2
                )
            },
        ),
        "delivered_off_prescription": _in_implant(
            "prescribed_dose_gy",
            change=lambda row: {
                "prescribed_dose_gy": change_number(row["prescribed_dose_gy"], lambda gy: 1.4 * gy)
            },
        ),
        "dose_apex_differs": _in_implant(
            "dose_apex_gy",
            change=lambda row: {
                "dose_apex_gy": change_number(row["dose_apex_gy"], lambda gy: 0.8 * gy)
            },
        ),
        "dose_inner_sclera_differs": _in_implant(
            "dose_inner_sclera_gy",
            change=lambda row: {
                "dose_inner_sclera_gy": change_number(
                    row["dose_inner_sclera_gy"], lambda gy: 0.85 * gy
                )
            },
        ),
        "dose_scleral_surface_differs": _in_implant(
            "dose_sclera_gy",
            change=lambda row: {
                "dose_sclera_gy": change_number(row["dose_sclera_gy"], lambda gy: 1.3 * gy)
            },
        ),
        "doses_rise_with_depth": _in_implant(
            "dose_apex_gy",
            "dose_sclera_gy",
            change=lambda row: {
                "dose_apex_gy": row["dose_sclera_gy"],
                "dose_sclera_gy": row["dose_apex_gy"],
            },
        ),
        "prescribed_depth_off_thickness": _in_implant(
            "prescribed_depth_mm",
            change=lambda row: {
                "prescribed_depth_mm": change_number(row["prescribed_depth_mm"], lambda mm: mm + 2)
            },
        ),
        "covered_against_least_margin": _in_implant(
            change=lambda row: {"margin_covered": "yes", "least_margin_mm": "-1.5"}
        ),
        "notch_contradiction": _in_implant(
            "applicator_id", change=lambda row: {"disc_contact": "notch_round_nerve"}
        ),
        "placed_far_off_plan": _in_implant(
            "placed_limbus_distance_mm",
            change=lambda row: {
                "planned_limbus_distance_mm": change_number(
                    row["placed_limbus_distance_mm"], lambda mm: mm + 7
                )
            },
        ),
        "limbus_ways_far_apart": _limbus_ways_far_apart,
    }
)
"""How each kind is made, by the name of the rule that should find it."""
