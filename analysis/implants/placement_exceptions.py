"""Departures from what is customary, listed for review and never forbidden.

Each has a code, a sentence and the numbers that it rests on. A departure is not an error: an only
eye, a patient who declines enucleation or a tumour at the disc may be treated well outside the
usual limits, and the reason recorded for that is carried along.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from analysis.implants.placement import least_plaque_diameter, side_margin
from analysis.implants.placement_records import MuscleRecord, PlacementRecord
from analysis.implants.placement_working import PlacementRules, find_fovea_distance

BETA_ISOTOPES = ("Ru-106", "Sr-90")


@dataclass(frozen=True, slots=True)
class PlacementException:
    """One departure: code, sentence, numbers."""

    code: str
    text: str
    found: Mapping[str, object]


def list_exceptions(
    record: PlacementRecord, rules: PlacementRules, values: Mapping[str, float | None]
) -> tuple[PlacementException, ...]:
    """List the departures of one implant.

    Parameters
    ----------
    record
        What is recorded; what is not gives no exception.
    rules
        The customary numbers.
    values
        The numbers worked out, by name (:mod:`analysis.implants.placement_working`).
    """
    return (
        *_of_size(record, rules),
        *_of_plaque(record, rules),
        *_of_fovea_and_disc(record, values),
        *_of_limbus(record, rules, values),
        *_of_cover(record),
        *(one for muscle in record.muscles for one in _of_muscle(muscle, rules)),
    )


def _of_size(record: PlacementRecord, rules: PlacementRules) -> Iterator[PlacementException]:
    base, plaque = record.largest_basal_diameter_mm, record.plaque_diameter_mm
    active, back = record.active_diameter_mm, record.planned_posterior_margin_mm
    if base is not None and plaque is not None:
        needed = least_plaque_diameter(base, rules.margin_mm)
        if plaque < needed - 1e-9:
            yield PlacementException(
                "plaque_smaller_than_customary",
                f"The plaque ({plaque:g} mm) is smaller than base and margins ({needed:g} mm).",
                {"plaque_diameter_mm": plaque, "least_plaque_diameter_mm": needed},
            )
    if base is not None and active is not None and side_margin(active, base) < 0:
        yield PlacementException(
            "active_area_smaller_than_base",
            f"The active area ({active:g} mm) is smaller than the base ({base:g} mm).",
            {"active_diameter_mm": active, "largest_basal_diameter_mm": base},
        )
    if back is not None and back < rules.margin_mm:
        yield PlacementException(
            "posterior_margin_reduced",
            f"The planned posterior margin is {back:g} mm, under {rules.margin_mm:g} mm.",
            {"planned_posterior_margin_mm": back},
        )


def _of_plaque(record: PlacementRecord, rules: PlacementRules) -> Iterator[PlacementException]:
    is_beta, thickness = record.isotope in BETA_ISOTOPES, record.thickness_mm
    if is_beta and thickness is not None and thickness > rules.beta_thickness_mm:
        reason = record.outside_usual_limits_reason
        why = f" Reason recorded: {reason}." if reason else ""
        yield PlacementException(
            "beta_plaque_on_thick_tumour",
            f"A {record.isotope} plaque on a tumour of {thickness:g} mm; commonly kept to "
            f"{rules.beta_thickness_mm:g} mm.{why}",
            {"thickness_mm": thickness, "outside_usual_limits_reason": reason},
        )
    if is_beta and record.first_used_date is not None:
        days = (record.inserted_date - record.first_used_date).days
        if days > rules.plaque_life_days:
            yield PlacementException(
                "plaque_used_longer_than_customary",
                f"The plaque had been in use for {days} days; commonly about "
                f"{rules.plaque_life_days}.",
                {"days_in_use": days},
            )
    if record.retired_date is not None and record.inserted_date > record.retired_date:
        yield PlacementException(
            "plaque_retired",
            f"The plaque was withdrawn from use on {record.retired_date}, before insertion.",
            {"retired_date": record.retired_date, "inserted_date": record.inserted_date},
        )


def _of_fovea_and_disc(
    record: PlacementRecord, values: Mapping[str, float | None]
) -> Iterator[PlacementException]:
    distance, _, _ = find_fovea_distance(record)
    to_fovea, to_disc = values.get("plaque_to_fovea_mm"), values.get("plaque_to_disc_mm")
    involved = record.fovea_involved
    if distance is not None and (
        (involved == "yes" and distance > 0) or (involved == "no" and distance < 0)
    ):
        yield PlacementException(
            "fovea_contradiction",
            f"The fovea is recorded as {'' if involved == 'yes' else 'not '}involved, but the "
            f"distance along the meridian is {distance:g} mm.",
            {"fovea_involved": involved, "fovea_distance_meridian_mm": distance},
        )
    if to_fovea is not None and to_fovea < 0:
        yield PlacementException(
            "plaque_passes_fovea",
            f"The plaque reaches {-to_fovea:g} mm past the fovea as planned.",
            {"plaque_to_fovea_mm": to_fovea},
        )
    if to_disc is not None and to_disc < 0 and record.notch == "none":
        yield PlacementException(
            "disc_reached_without_notch",
            f"Tumour and margin reach the disc ({to_disc:g} mm), but the plaque has no notch.",
            {"plaque_to_disc_mm": to_disc, "notch": record.notch},
        )
    if record.disc_contact == "notch_round_nerve" and record.notch == "none":
        yield PlacementException(
            "notch_contradiction",
            "A notch is recorded round the nerve, but the plaque has none.",
            {"disc_contact": record.disc_contact, "notch": record.notch},
        )


def _of_limbus(
    record: PlacementRecord, rules: PlacementRules, values: Mapping[str, float | None]
) -> Iterator[PlacementException]:
    pairs = (
        (
            "way_1_minus_way_2_mm",
            "limbus_ways_differ",
            "The limbus distances counted from fovea and tumour differ by",
        ),
        ("placed_minus_planned_mm", "placed_off_plan", "The plaque lies off its plan by"),
        (
            "placed_minus_way_1_mm",
            "placed_off_way_1",
            "The plaque lies off the limbus distance counted from the fovea by",
        ),
        (
            "placed_minus_way_2_mm",
            "placed_off_way_2",
            "The plaque lies off the limbus distance counted from the tumour by",
        ),
    )
    for name, code, sentence in pairs:
        value = values.get(name)
        if value is not None and abs(value) > rules.limbus_tolerance_mm + 1e-9:
            yield PlacementException(code, f"{sentence} {value:+.1f} mm.", {name: value})


def _of_cover(record: PlacementRecord) -> Iterator[PlacementException]:
    least = record.least_margin_mm
    if least is not None and least < 0:
        side = record.least_margin_side
        where = f" ({side})" if side not in (None, "unknown") else ""
        yield PlacementException(
            "tumour_uncovered",
            f"Tumour lay uncovered by {-least:g} mm at the final check{where}.",
            {"least_margin_mm": least, "least_margin_side": side},
        )
    if record.margin_covered in ("no", "uncertain"):
        yield PlacementException(
            "margin_not_covered",
            "The margin was not seen to be covered all round."
            if record.margin_covered == "no"
            else "It is uncertain whether the margin was covered all round.",
            {"margin_covered": record.margin_covered},
        )
    if record.position_at_removal in ("shifted", "tilted"):
        yield PlacementException(
            "plaque_moved",
            f"The plaque was found {record.position_at_removal} at removal.",
            {"position_at_removal": record.position_at_removal},
        )


def _of_muscle(muscle: MuscleRecord, rules: PlacementRules) -> Iterator[PlacementException]:
    name = muscle.muscle.replace("_", " ")
    before, after = muscle.knot_limbus_before_mm, muscle.knot_limbus_after_mm
    if before is not None and after is not None:
        moved = after - before
        if abs(moved) > rules.knot_tolerance_mm + 1e-9:
            yield PlacementException(
                "knot_moved",
                f"The knot of the {name} lies {moved:+.1f} mm from where it was.",
                {"muscle": muscle.muscle, "knot_limbus_before_mm": before,
                 "knot_limbus_after_mm": after},
            )  # fmt: skip
    if muscle.muscle == "superior_oblique":
        yield PlacementException(
            "superior_oblique_detached",
            "The superior oblique was detached; it is commonly left.",
            {"muscle": muscle.muscle},
        )
    if muscle.muscle == "inferior_oblique" and muscle.overlies_plaque == "no":
        yield PlacementException(
            "inferior_oblique_detached_beside",
            "The inferior oblique was detached although it does not overlie the plaque.",
            {"muscle": muscle.muscle, "overlies_plaque": muscle.overlies_plaque},
        )
