"""The rules of ``check`` that need arithmetic beyond SQL: dose, placement, growth, follow-up."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.implants.dose_points import APEX, INNER_SCLERA, PRESCRIPTION, SCLERAL_SURFACE

if TYPE_CHECKING:
    from analysis.checking.check_declaration import Tolerances
    from analysis.checking.schedule import Due
    from analysis.checking.tumour_growth import Growth
    from analysis.implants.dosimetry import DoseTable, PointDoses
    from analysis.implants.placement_check import PlacementCheck

Found = tuple[str, str, str | None, str, float | None]
"""Rule, record, tumour or None, what was found, by how much."""

WATER_MODELS = (None, "homogeneous_water", "measured", "unknown")
"""Models of recorded doses that a recomputation in water should reproduce."""

_CUSTOM_AMOUNT = {
    "plaque_smaller_than_customary": ("plaque_diameter_mm", "least_plaque_diameter_mm"),
    "active_area_smaller_than_base": ("active_diameter_mm", "largest_basal_diameter_mm"),
    "posterior_margin_reduced": ("planned_posterior_margin_mm",),
    "beta_plaque_on_thick_tumour": ("thickness_mm",),
    "plaque_passes_fovea": ("plaque_to_fovea_mm",),
    "disc_reached_without_notch": ("plaque_to_disc_mm",),
    "limbus_ways_differ": ("way_1_minus_way_2_mm",),
    "placed_off_plan": ("placed_minus_planned_mm",),
    "placed_off_way_1": ("placed_minus_way_1_mm",),
    "placed_off_way_2": ("placed_minus_way_2_mm",),
    "tumour_uncovered": ("least_margin_mm",),
    "knot_moved": ("knot_limbus_after_mm", "knot_limbus_before_mm"),
}
"""From which numbers of an exception its amount is taken: one, or one minus the other."""

SAID_ELSEWHERE = (
    "plaque_retired",
    "plaque_used_longer_than_customary",
    "fovea_contradiction",
    "notch_contradiction",
)
"""Exceptions of the placement check that have a rule of their own in SQL."""


def _nearest(doses: PointDoses) -> NDArray[np.float64]:
    """Ratio to the recorded dose, of the reading that agrees better where a record leaves two."""
    recorded = np.where(doses.recorded_gy > 0, doses.recorded_gy, np.nan)
    ratio, other = doses.dose_gy / recorded, doses.alternative_gy / recorded
    with np.errstate(invalid="ignore"):
        better = np.abs(np.log(other)) < np.abs(np.log(ratio))
    return np.asarray(np.where(better, other, ratio))


def find_dose_departures(table: DoseTable, limits: Tolerances) -> Iterator[Found]:
    """Recorded against recomputed dose, and delivered against prescribed dose."""
    records = table.records
    in_water = np.array([model in WATER_MODELS for model in records.dose_model], dtype=bool)
    with np.errstate(invalid="ignore"):
        for point in (APEX, INNER_SCLERA, SCLERAL_SURFACE):
            doses, ratio = table.points[point], _nearest(table.points[point])
            for row in np.flatnonzero(np.abs(ratio - 1) > limits.dose_fraction).tolist():
                rule = f"dose_{point}_differs" if in_water[row] else "dose_of_another_model_differs"
                recorded = float(doses.recorded_gy[row])
                words = (
                    f"{point.replace('_', ' ')}: recorded {recorded:.1f} Gy, recomputed"
                    f" {recorded * ratio[row]:.1f} Gy"
                )
                off = float(100 * (ratio[row] - 1))
                yield (
                    rule,
                    str(records.implant_id[row]),
                    str(records.tumour_id[row]),
                    words,
                    off,
                )


def find_delivery_departures(
    table: DoseTable, with_incident: frozenset[str], limits: Tolerances
) -> Iterator[Found]:
    """Delivered against prescribed dose; ``with_incident`` names implants with an incident."""
    records, doses = table.records, table.points[PRESCRIPTION]
    prescribed = np.where(records.prescribed_dose_gy > 0, records.prescribed_dose_gy, np.nan)
    ratios = np.stack([doses.dose_gy / prescribed, doses.alternative_gy / prescribed])
    off = ratios - 1
    with np.errstate(invalid="ignore"):
        second = np.abs(off[1]) < np.abs(off[0])
        off = np.where(second, off[1], off[0])
        rows = np.flatnonzero(np.abs(off) > limits.delivered_fraction)
    for row in rows.tolist():
        name = str(records.implant_id[row])
        ending = "_by_incident" if name in with_incident else ""
        words = (
            f"prescribed {prescribed[row]:.1f} Gy, delivered {prescribed[row] * (1 + off[row]):.1f}"
            " Gy by recomputation"
        )
        amount = float(100 * off[row])
        tumour = str(records.tumour_id[row])
        yield f"delivered_off_prescription{ending}", name, tumour, words, amount


def find_old_certificates(table: DoseTable, limits: Tolerances) -> Iterator[Found]:
    """Certificates more than so many half-lives old at insertion."""
    records, age = table.records, table.certificate_age_days
    with np.errstate(invalid="ignore"):
        is_old = age > limits.certificate_half_lives * table.half_life_days
    for row in np.flatnonzero(is_old).tolist():
        words = (
            f"certificate of plaque {records.applicator_id[row]}, {age[row]:.0f} days before"
            f" insertion; half-life {table.half_life_days[row]:.1f} days"
        )
        name, tumour = str(records.implant_id[row]), str(records.tumour_id[row])
        yield "certificate_old", name, tumour, words, float(age[row])


def find_placement_departures(
    checks: Iterable[PlacementCheck], limits: Tolerances
) -> Iterator[Found]:
    """What is outside the customary, and limbus distances too far apart for any eye."""
    for check in checks:
        name, tumour = check.record.implant_id, check.record.tumour_id
        for one in check.exceptions:
            if one.code not in SAID_ELSEWHERE:
                yield one.code, name, tumour, one.text, _amount(one.code, one.found)
        apart = check.values.get("way_1_minus_way_2_mm")
        if apart is not None and abs(apart) > limits.limbus_ways_mm:
            words = f"from the fovea minus from the tumour {apart:+.1f} mm"
            yield "limbus_ways_far_apart", name, tumour, words, apart


def _amount(code: str, found: object) -> float | None:
    assert hasattr(found, "get")
    names = _CUSTOM_AMOUNT.get(code, ())
    values = [found.get(name) for name in names]
    if not values or any(not isinstance(value, int | float) for value in values):
        return None
    return float(values[0]) - float(values[1]) if len(values) == 2 else float(values[0])


def find_growth_without_failure(grown: Iterable[Growth]) -> Iterator[Found]:
    """Growth by the rule where no failure is recorded by the cut."""
    for one in grown:
        if one.failed_date is not None:
            continue
        both = one.meets_fraction and one.meets_mm
        rule = "growth_without_failure" if both else "growth_by_one_measure"
        words = (
            f"{one.measure} on {one.first_date} and {one.second_date} at least"
            f" {one.lowest_mm + one.grown_mm:.1f} mm, lowest before {one.lowest_mm:.1f} mm"
        )
        yield rule, one.tumour_id, one.tumour_id, words, one.grown_mm


def find_late_visits(due: Iterable[Due]) -> Iterator[Found]:
    """Overdue, lost, and never seen after treatment."""
    for one in due:
        if one.state not in ("overdue", "lost"):
            continue
        seen = f"last seen {one.last_seen}" if one.last_seen else f"treated {one.zero_date}"
        rule = "visit_overdue" if one.state == "overdue" else "lost_to_follow_up"
        if one.last_seen is None and one.state == "lost":
            rule = "never_seen_after_treatment"
        words, late = f"{seen}, due {one.due_date}", float(one.days_overdue or 0)
        yield rule, one.tumour_id, one.tumour_id, words, late
