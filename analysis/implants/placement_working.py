"""The placement arithmetic of one implant, each number with its formula and inputs.

What a record does not say makes a number missing, with the reason; nothing is guessed but the
posterior margin, for which the planned or the customary one is taken and the remark says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.implants.placement import (
    LIMBUS_RADIUS_MM,
    choose_smallest_plaque,
    chord_to_arc,
    least_plaque_diameter,
    limbus_fovea_arc,
    limbus_to_plaque_from_fovea,
    limbus_to_plaque_from_theatre,
    plaque_to_fovea,
    side_margin,
)
from analysis.implants.worked import Worked, name_missing

if TYPE_CHECKING:
    from analysis.implants.placement_records import PlacementRecord

TYPICAL_EYE_RADIUS_MM = 12.0
FOVEA_UNKNOWN = (
    "only '0, involved' is known: how far the tumour reaches past the fovea along its meridian "
    "(fovea_distance_meridian_mm) is not recorded, and 0 would be wrong"
)


@dataclass(frozen=True, slots=True)
class PlacementRules:
    """The customary numbers, each a parameter.

    ``margin_mm`` round the base; ``limbus_fovea_mm`` the arc that way 1 takes for every eye;
    ``limbus_tolerance_mm`` and ``knot_tolerance_mm`` the differences from which an exception is
    listed (our choice); ``beta_thickness_mm`` and ``plaque_life_days`` the customary limits.
    """

    margin_mm: float = 2.0
    limbus_fovea_mm: float = 30.0
    limbus_tolerance_mm: float = 1.0
    knot_tolerance_mm: float = 0.5
    beta_thickness_mm: float = 5.0
    plaque_life_days: int = 365


def find_fovea_distance(record: PlacementRecord) -> tuple[float | None, str, str]:
    """Find the distance from tumour to fovea that arithmetic may use: value, reason, remark.

    The distance along the meridian where it is recorded; else the nearest edge, unless it is 0 or
    the fovea is involved: then it is refused, since the tumour may reach far past the fovea.
    """
    if record.fovea_distance_meridian_mm is not None:
        return record.fovea_distance_meridian_mm, "", ""
    if record.fovea_distance_mm == 0 or record.fovea_involved == "yes":
        return None, FOVEA_UNKNOWN, ""
    if record.fovea_distance_mm is None:
        return None, "not recorded: fovea_distance_meridian_mm", ""
    return record.fovea_distance_mm, "", "from the nearest edge, not along the meridian"


def find_posterior_margin(record: PlacementRecord, rules: PlacementRules) -> tuple[float, str]:
    """Return the posterior margin in mm, else the planned or customary one; and a remark."""
    if record.planned_posterior_margin_mm is not None:
        return record.planned_posterior_margin_mm, ""
    if record.planned_margin_mm is not None:
        return record.planned_margin_mm, "posterior margin not recorded: the planned margin taken"
    return rules.margin_mm, f"posterior margin not recorded: {rules.margin_mm:g} mm taken"


def _difference(
    name: str, label: str, left: tuple[str, float | None], right: tuple[str, float | None]
) -> Worked:
    inputs = {left[0]: left[1], right[0]: right[1]}
    missing = name_missing(inputs).replace("not recorded", "not known")
    value = left[1] - right[1] if left[1] is not None and right[1] is not None else None
    return Worked(name, label, value, "mm", f"{left[0]} - {right[0]}", inputs, reason=missing)


def work_out_size(record: PlacementRecord, rules: PlacementRules) -> tuple[Worked, ...]:
    """Work out which plaque would do and the margins at the sides."""
    base = record.largest_basal_diameter_mm
    inputs: dict[str, object] = {
        "largest_basal_diameter_mm": base,
        "margin_mm": rules.margin_mm,
    }
    needed = None if base is None else least_plaque_diameter(base, rules.margin_mm)
    stock = record.stock_diameters_mm
    smallest = None if base is None else choose_smallest_plaque(base, stock, rules.margin_mm)
    lacking = name_missing({"largest_basal_diameter_mm": base})
    which = "least of stock_mm that is >= largest_basal_diameter_mm + 2 margin_mm"
    none = "" if smallest is not None else lacking or "no plaque in use was large enough"
    return (
        Worked(
            "least_plaque_diameter_mm",
            "Least adequate plaque diameter",
            needed,
            "mm",
            "largest_basal_diameter_mm + 2 margin_mm",
            inputs,
            reason=lacking,
        ),
        Worked(
            "smallest_adequate_plaque_mm",
            "Smallest adequate plaque in use that day",
            smallest,
            "mm",
            which,
            inputs | {"stock_mm": list(stock)},
            reason=none,
        ),
        _side_margin(
            "side_margin_mm",
            "Margin of the plaque",
            "plaque_diameter_mm",
            record.plaque_diameter_mm,
            base,
        ),
        _side_margin(
            "active_side_margin_mm",
            "Margin of the active area",
            "active_diameter_mm",
            record.active_diameter_mm,
            base,
        ),
    )


def _side_margin(
    name: str, label: str, across: str, across_mm: float | None, base_mm: float | None
) -> Worked:
    inputs = {across: across_mm, "largest_basal_diameter_mm": base_mm}
    known = across_mm is not None and base_mm is not None
    value = side_margin(across_mm, base_mm) if known else None  # type: ignore[arg-type]
    formula = f"({across} - largest_basal_diameter_mm) / 2"
    return Worked(name, label, value, "mm", formula, inputs, reason=name_missing(inputs))


def work_out_along_sclera(record: PlacementRecord) -> tuple[Worked, ...]:
    """Work out the side margin along the sclera, the plaque's diameter read as a chord.

    A base recorded as a chord is turned into an arc, one along the sclera is taken as it is; where
    the record does not say which, both are shown.
    """
    readings = {"arc": ("arc",), "chord": ("chord",)}.get(
        record.distance_convention or "", ("arc", "chord")
    )
    return tuple(_along_sclera(record, reading) for reading in readings)


def _along_sclera(record: PlacementRecord, reading: str) -> Worked:
    plaque, base = record.plaque_diameter_mm, record.largest_basal_diameter_mm
    radius, whence = find_radius(record)
    inputs = {"plaque_diameter_mm": plaque, "largest_basal_diameter_mm": base, "radius_mm": radius}
    reason, value = name_missing(inputs), None
    if plaque is not None and base is not None:
        if max(plaque, base) > 2 * radius:
            reason = "a diameter is longer than the eye's own"
        else:
            span = chord_to_arc(base, radius) if reading == "chord" else base
            value = side_margin(chord_to_arc(plaque, radius), span)
    base_term = "2 R asin(base / 2 R)" if reading == "chord" else "base"
    return Worked(
        f"side_margin_along_sclera_base_as_{reading}_mm",
        f"Side margin along the sclera, base read as {reading}",
        value,
        "mm",
        f"(2 R asin(plaque / 2 R) - {base_term}) / 2",
        inputs,
        basis="geometry of a sphere",
        reason=reason,
        remark=f"plaque diameter read as a chord; radius R {whence}",
    )


def find_radius(record: PlacementRecord) -> tuple[float, str]:
    """Return the radius of the eye in mm and where it comes from."""
    if record.axial_length_mm is not None:
        return record.axial_length_mm / 2, "is half the axial length"
    if record.curvature_radius_mm is not None:
        return record.curvature_radius_mm, "is the plaque's curvature"
    return TYPICAL_EYE_RADIUS_MM, "is a typical 12 mm, nothing else being recorded"


def work_out_position(record: PlacementRecord, rules: PlacementRules) -> tuple[Worked, ...]:
    """Work out the distances to fovea, disc and limbus, each way, and how they differ."""
    margin, margin_remark = find_posterior_margin(record, rules)
    to_fovea, to_disc = _to_fovea(record, margin, margin_remark), _to_disc(record, margin)
    way_1 = _way_1(
        record,
        to_fovea,
        rules.limbus_fovea_mm,
        "limbus_to_plaque_way_1_mm",
        "Limbus to plaque, counted from the fovea",
        "",
    )
    arc = _arc(record)
    adjusted = _way_1(
        record,
        to_fovea,
        arc.value,
        "limbus_to_plaque_way_1_adjusted_mm",
        "Limbus to plaque, counted from the fovea for the eye's size",
        "the arc is longer nasally than this sphere's",
    )
    way_2 = _way_2(record, margin, margin_remark)
    placed = ("placed_limbus_distance_mm", record.placed_limbus_distance_mm)
    planned = ("planned_limbus_distance_mm", record.planned_limbus_distance_mm)
    one, two = ("way_1_mm", way_1.value), ("way_2_mm", way_2.value)
    return (
        to_fovea,
        to_disc,
        way_1,
        arc,
        adjusted,
        way_2,
        _difference(
            "way_1_minus_way_2_mm",
            "Limbus to plaque: from the fovea minus from the tumour",
            one,
            two,
        ),
        _implied_arc(record),
        _difference("placed_minus_planned_mm", "Placed minus planned", placed, planned),
        _difference("placed_minus_way_1_mm", "Placed minus counted from the fovea", placed, one),
        _difference("placed_minus_way_2_mm", "Placed minus counted from the tumour", placed, two),
    )


def _to_fovea(record: PlacementRecord, margin: float, margin_remark: str) -> Worked:
    distance, reason, remark = find_fovea_distance(record)
    value = None if distance is None else plaque_to_fovea(distance, margin)
    inputs = {"fovea_distance_meridian_mm": distance, "posterior_margin_mm": margin}
    if value is not None and value < 0:
        remark = "; ".join(filter(None, [remark, "negative: the plaque passes the fovea"]))
    return Worked(
        "plaque_to_fovea_mm",
        "Plaque to fovea",
        value,
        "mm",
        "fovea_distance_meridian_mm - posterior_margin_mm",
        inputs,
        reason=reason,
        remark="; ".join(filter(None, [remark, margin_remark])),
    )


def _to_disc(record: PlacementRecord, margin: float) -> Worked:
    inputs = {"disc_distance_mm": record.disc_distance_mm, "margin_mm": margin}
    distance = record.disc_distance_mm
    return Worked(
        "plaque_to_disc_mm",
        "Plaque to disc",
        None if distance is None else distance - margin,
        "mm",
        "disc_distance_mm - margin_mm",
        inputs,
        reason=name_missing(inputs),
        remark="from the nearest edge; 0 or less: the plaque meets the nerve's sheath",
    )


def _way_1(
    record: PlacementRecord, to_fovea: Worked, arc: float | None, name: str, label: str, remark: str
) -> Worked:
    inputs: Mapping[str, object] = {
        "limbus_fovea_mm": arc,
        "plaque_to_fovea_mm": to_fovea.value,
        "plaque_diameter_mm": record.plaque_diameter_mm,
    }
    value = None
    if to_fovea.value is not None and record.plaque_diameter_mm is not None and arc is not None:
        value = limbus_to_plaque_from_fovea(to_fovea.value, record.plaque_diameter_mm, arc)
    reason = "" if value is not None else to_fovea.reason or name_missing(inputs)
    formula = "limbus_fovea_mm - (plaque_to_fovea_mm + plaque_diameter_mm)"
    return Worked(
        name,
        label,
        value,
        "mm",
        formula,
        inputs,
        reason=reason,
        remark=remark,
    )


def _arc(record: PlacementRecord) -> Worked:
    length = record.axial_length_mm
    inputs = {"axial_length_mm": length, "limbus_radius_mm": LIMBUS_RADIUS_MM}
    value = None if length is None else limbus_fovea_arc(length)
    formula = "L/2 (pi - asin(limbus_radius_mm / (L/2))), L = axial_length_mm"
    return Worked(
        "limbus_fovea_arc_mm",
        "Limbus to fovea for the eye's size",
        value,
        "mm",
        formula,
        inputs,
        basis="geometry of a sphere",
        reason=name_missing(inputs),
    )


def _way_2(record: PlacementRecord, margin: float, margin_remark: str) -> Worked:
    inputs = {
        "tumour_limbus_distance_mm": record.tumour_limbus_distance_mm,
        "plaque_diameter_mm": record.plaque_diameter_mm,
        "longitudinal_basal_diameter_mm": record.longitudinal_basal_diameter_mm,
        "posterior_margin_mm": margin,
    }
    numbers = [value for value in inputs.values() if value is not None]
    value = limbus_to_plaque_from_theatre(*numbers) if len(numbers) == 4 else None
    return Worked(
        "limbus_to_plaque_way_2_mm",
        "Limbus to plaque, counted from the tumour in theatre",
        value,
        "mm",
        "tumour_limbus_distance_mm - (plaque_diameter_mm - (longitudinal_basal_diameter_mm + "
        "posterior_margin_mm))",
        inputs,
        reason=name_missing(inputs),
        remark=margin_remark,
    )


def _implied_arc(record: PlacementRecord) -> Worked:
    """The limbus-fovea arc that would make both ways name one point."""
    fovea, reason, remark = find_fovea_distance(record)
    inputs = {
        "fovea_distance_meridian_mm": fovea,
        "longitudinal_basal_diameter_mm": record.longitudinal_basal_diameter_mm,
        "tumour_limbus_distance_mm": record.tumour_limbus_distance_mm,
    }
    numbers = [value for value in inputs.values() if value is not None]
    value = sum(numbers) if len(numbers) == 3 else None
    return Worked(
        "implied_limbus_fovea_arc_mm",
        "Limbus to fovea as measured in theatre",
        value,
        "mm",
        "fovea_distance_meridian_mm + longitudinal_basal_diameter_mm + tumour_limbus_distance_mm",
        inputs,
        basis="both ways name one point when this equals limbus_fovea_mm",
        reason="" if value is not None else reason or name_missing(inputs),
        remark=remark,
    )
