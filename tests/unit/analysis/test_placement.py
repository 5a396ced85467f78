"""Placement arithmetic against the trade's facts; each is common practice, no source."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.implants.placement import (
    arc_to_chord,
    choose_smallest_plaque,
    chord_to_arc,
    least_plaque_diameter,
    limbus_fovea_arc,
    limbus_to_plaque_from_fovea,
    limbus_to_plaque_from_theatre,
    plaque_to_fovea,
)
from analysis.implants.placement_check import check_placement, check_placements
from analysis.implants.placement_records import MuscleRecord, PlacementRecord
from analysis.implants.placement_working import PlacementRules
from analysis.outcomes.cohort import DataCut

CUT = DataCut(date(2025, 12, 31))

RECORD = PlacementRecord(
    implant_id="I1",
    tumour_id="T1",
    inserted_date=date(2024, 3, 1),
    thickness_mm=4.0,
    largest_basal_diameter_mm=16.0,
    longitudinal_basal_diameter_mm=14.0,
    fovea_distance_meridian_mm=4.0,
    disc_distance_mm=5.0,
    axial_length_mm=24.0,
    distance_convention="arc",
    applicator_id="R1",
    isotope="Ru-106",
    plaque_diameter_mm=20.0,
    active_diameter_mm=18.0,
    curvature_radius_mm=12.0,
    notch="none",
    first_used_date=date(2023, 6, 1),
    planned_posterior_margin_mm=2.0,
    planned_limbus_distance_mm=8.0,
    tumour_limbus_distance_mm=12.0,
    placed_limbus_distance_mm=8.0,
    margin_covered="yes",
    least_margin_mm=1.5,
    stock_diameters_mm=(15.0, 18.0, 20.0, 22.0),
)


def codes(record: PlacementRecord) -> set[str]:
    return {one.code for one in check_placement(record).exceptions}


def values(record: PlacementRecord) -> dict[str, float | None]:
    return check_placement(record).values


# --- facts of the trade: common practice, no source -----------------------------------------------


def test_a_16_mm_tumour_takes_a_20_mm_plaque() -> None:
    assert least_plaque_diameter(16.0) == 20.0
    assert choose_smallest_plaque(16.0, [22, 15, 20, 18]) == 20
    assert choose_smallest_plaque(16.1, [22, 15, 20, 18]) == 22


def test_both_ways_name_one_point_when_the_limbus_fovea_arc_is_30_mm() -> None:
    # Tumour 14 mm long, 4 mm from the fovea, so its front lies 30 - 4 - 14 = 12 mm from the limbus.
    to_fovea = plaque_to_fovea(4.0, 2.0)
    assert to_fovea == 2.0
    assert limbus_to_plaque_from_fovea(to_fovea, 20.0) == 8.0
    assert limbus_to_plaque_from_theatre(12.0, 20.0, 14.0, 2.0) == 8.0
    found = values(RECORD)
    assert found["way_1_minus_way_2_mm"] == 0.0
    assert found["implied_limbus_fovea_arc_mm"] == 30.0
    assert codes(RECORD) == set()


def test_the_arc_grows_with_axial_length() -> None:
    # About 28.4, 31.6 and 34.8 mm at 22, 24 and 26 mm on a sphere (the design's figures).
    arcs = [limbus_fovea_arc(length) for length in (22.0, 24.0, 26.0)]
    assert arcs == pytest.approx([28.4, 31.6, 34.8], abs=0.05)
    found = values(RECORD)
    assert found["limbus_to_plaque_way_1_adjusted_mm"] == pytest.approx(8.0 + 1.6, abs=0.05)


def test_a_20_mm_chord_spans_23_6_mm_of_sclera() -> None:
    assert chord_to_arc(20.0, 12.0) == pytest.approx(23.6, abs=0.05)
    chord = values(replace(RECORD, distance_convention="chord"))
    as_chord = chord["side_margin_along_sclera_base_as_chord_mm"]
    assert as_chord == pytest.approx((23.643 - chord_to_arc(16.0, 12.0)) / 2, abs=0.001)
    arc = values(RECORD)["side_margin_along_sclera_base_as_arc_mm"]
    assert arc == pytest.approx((23.643 - 16.0) / 2, abs=0.001)
    assert {
        name for name in values(replace(RECORD, distance_convention=None)) if "_as_" in name
    } == {
        "side_margin_along_sclera_base_as_arc_mm",
        "side_margin_along_sclera_base_as_chord_mm",
    }


def test_margins_at_the_sides() -> None:
    found = values(RECORD)
    assert (found["side_margin_mm"], found["active_side_margin_mm"]) == (2.0, 1.0)
    assert found["smallest_adequate_plaque_mm"] == 20.0
    assert found["plaque_to_disc_mm"] == 3.0


# --- the fovea ------------------------------------------------------------------------------------


def test_a_distance_of_0_with_the_fovea_involved_is_refused() -> None:
    unknown = replace(
        RECORD, fovea_distance_meridian_mm=None, fovea_distance_mm=0.0, fovea_involved="yes"
    )
    for record in (unknown, replace(unknown, fovea_involved=None)):
        found = {one.name: one for one in check_placement(record).worked}
        for name in (
            "plaque_to_fovea_mm",
            "limbus_to_plaque_way_1_mm",
            "limbus_to_plaque_way_1_adjusted_mm",
            "implied_limbus_fovea_arc_mm",
        ):
            assert found[name].value is None
            assert "'0, involved'" in found[name].reason
        assert found["limbus_to_plaque_way_2_mm"].value == 8.0
    stated = replace(unknown, fovea_distance_meridian_mm=0.0, planned_posterior_margin_mm=0.0)
    assert values(stated)["plaque_to_fovea_mm"] == 0.0  # said along the meridian, so known


def test_the_nearest_edge_stands_in_with_a_remark() -> None:
    near = replace(RECORD, fovea_distance_meridian_mm=None, fovea_distance_mm=4.0)
    found = {one.name: one for one in check_placement(near).worked}["plaque_to_fovea_mm"]
    assert (found.value, found.remark) == (2.0, "from the nearest edge, not along the meridian")


@given(st.floats(-15.0, -0.1), st.floats(0.0, 4.0), st.sampled_from([None, 0.0, 2.5]))
def test_a_tumour_past_the_fovea_is_never_treated_as_at_0(
    meridian_mm: float, margin_mm: float, nearest_mm: float | None
) -> None:
    past = replace(
        RECORD,
        fovea_distance_meridian_mm=meridian_mm,
        fovea_distance_mm=nearest_mm,
        fovea_involved="yes",
        planned_posterior_margin_mm=margin_mm,
    )
    found = values(past)["plaque_to_fovea_mm"]
    assert found is not None
    assert found == pytest.approx(meridian_mm - margin_mm)
    assert found < 0
    assert "plaque_passes_fovea" in codes(past)
    unknown = replace(past, fovea_distance_meridian_mm=None)
    assert values(unknown)["plaque_to_fovea_mm"] is None


@given(
    st.floats(-10.0, 20.0), st.floats(1.0, 25.0), st.floats(8.0, 30.0), st.floats(-5.0, 8.0),
    st.floats(25.0, 40.0),
)  # fmt: skip
def test_way_1_is_way_2_when_theatre_finds_the_tumour_where_planned(
    fovea_mm: float, longitudinal_mm: float, plaque_mm: float, margin_mm: float, arc_mm: float
) -> None:
    tumour_limbus_mm = arc_mm - fovea_mm - longitudinal_mm
    one = limbus_to_plaque_from_fovea(plaque_to_fovea(fovea_mm, margin_mm), plaque_mm, arc_mm)
    two = limbus_to_plaque_from_theatre(tumour_limbus_mm, plaque_mm, longitudinal_mm, margin_mm)
    assert one == pytest.approx(two, abs=1e-9)


@given(st.floats(0.1, 24.0), st.floats(12.0, 16.0))
def test_chord_and_arc_are_inverse(chord_mm: float, radius_mm: float) -> None:
    arc_mm = chord_to_arc(chord_mm, radius_mm)
    assert arc_mm >= chord_mm
    assert arc_to_chord(arc_mm, radius_mm) == pytest.approx(chord_mm)


def test_what_cannot_be_on_a_sphere_is_refused() -> None:
    with pytest.raises(ValueError, match="chord"):
        chord_to_arc(25.0, 12.0)
    with pytest.raises(ValueError, match="arc"):
        arc_to_chord(40.0, 12.0)
    with pytest.raises(ValueError, match="axial length"):
        limbus_fovea_arc(2.4)


# --- departures -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"plaque_diameter_mm": 19.9}, "plaque_smaller_than_customary"),
        ({"active_diameter_mm": 15.9}, "active_area_smaller_than_base"),
        ({"planned_posterior_margin_mm": 1.9}, "posterior_margin_reduced"),
        ({"thickness_mm": 5.1}, "beta_plaque_on_thick_tumour"),
        ({"first_used_date": date(2023, 3, 1)}, "plaque_used_longer_than_customary"),
        ({"retired_date": date(2024, 2, 29)}, "plaque_retired"),
        ({"fovea_involved": "yes"}, "fovea_contradiction"),
        ({"fovea_distance_meridian_mm": 1.9}, "plaque_passes_fovea"),
        ({"disc_distance_mm": 1.9}, "disc_reached_without_notch"),
        ({"disc_contact": "notch_round_nerve"}, "notch_contradiction"),
        ({"tumour_limbus_distance_mm": 13.1}, "limbus_ways_differ"),
        ({"placed_limbus_distance_mm": 9.1}, "placed_off_plan"),
        ({"placed_limbus_distance_mm": 6.9}, "placed_off_way_1"),
        ({"least_margin_mm": -0.1}, "tumour_uncovered"),
        ({"margin_covered": "uncertain"}, "margin_not_covered"),
        ({"position_at_removal": "tilted"}, "plaque_moved"),
        ({"muscles": (MuscleRecord("lateral_rectus", 7.0, 7.6),)}, "knot_moved"),
        ({"muscles": (MuscleRecord("superior_oblique"),)}, "superior_oblique_detached"),
        (
            {"muscles": (MuscleRecord("inferior_oblique", overlies_plaque="no"),)},
            "inferior_oblique_detached_beside",
        ),
    ],
)
def test_each_departure_is_listed(change: dict[str, Any], code: str) -> None:
    assert code in codes(replace(RECORD, **change))


@pytest.mark.parametrize(
    "change",
    [
        {"thickness_mm": 5.0},
        {"thickness_mm": 9.0, "isotope": "I-125"},
        {"first_used_date": date(2023, 3, 2)},  # 365 days
        {"disc_distance_mm": 1.0, "notch": "narrow"},
        {"placed_limbus_distance_mm": 9.0},
        {"muscles": (MuscleRecord("lateral_rectus", 7.0, 7.5),)},
        {"muscles": (MuscleRecord("inferior_oblique", overlies_plaque="yes"),)},
        {"least_margin_mm": 0.0},
    ],
)
def test_what_is_customary_is_not_listed(change: dict[str, Any]) -> None:
    assert codes(replace(RECORD, **change)) == set()


def test_a_bare_record_says_what_is_missing() -> None:
    bare = check_placement(PlacementRecord("I1", "T1", date(2024, 3, 1)))
    assert bare.exceptions == ()
    known = {one.name for one in bare.worked if one.value is not None}
    assert known == set()
    assert all(one.reason for one in bare.worked)
    rules = check_placement(replace(RECORD, planned_posterior_margin_mm=None), PlacementRules(3.0))
    assert "3 mm taken" in {w.name: w for w in rules.worked}["plaque_to_fovea_mm"].remark


def test_the_table_of_a_registry(registry_of: Callable[..., Any]) -> None:
    # Two implants: one as RECORD, one with little recorded, the plaque of 22 mm not yet in use.
    rows = {
        "patient": [{"patient_id": "A"}],
        "tumour": [
            {
                "tumour_id": "T1",
                "patient_id": "A",
                "eye": "right",
                "largest_basal_diameter_mm": 16,
                "longitudinal_basal_diameter_mm": 14,
                "fovea_distance_meridian_mm": 4,
            },
            {"tumour_id": "T2", "patient_id": "A", "eye": "left", "fovea_distance_mm": 0,
             "largest_basal_diameter_mm": 17},
        ],
        "applicator": [
            {"applicator_id": "R1", "isotope": "Ru-106", "diameter_mm": 20},
            {"applicator_id": "R2", "isotope": "Ru-106", "diameter_mm": 22,
             "first_used_date": "2025-01-01"},
        ],
        "implant": [
            {
                "implant_id": "I1",
                "tumour_id": "T1",
                "applicator_id": "R1",
                "inserted_at": "2024-03-01 10:00",
                "planned_posterior_margin_mm": 2,
                "tumour_limbus_distance_mm": 14,
            },
            {"implant_id": "I2", "tumour_id": "T2", "inserted_at": "2024-04-01 10:00"},
            {"implant_id": "I3", "tumour_id": "T2", "inserted_at": "2026-04-01 10:00"},
        ],
        "implant_muscle": [
            {
                "implant_id": "I1",
                "muscle": "lateral_rectus",
                "knot_limbus_before_mm": 7,
                "knot_limbus_after_mm": 7.2,
            }
        ],
    }  # fmt: skip
    with registry_of(rows) as connection:
        table = check_placements(connection, CUT)
    assert [check.record.implant_id for check in table.checks] == ["I1", "I2"]
    np.testing.assert_allclose(table.values["limbus_to_plaque_way_1_mm"], [8.0, np.nan])
    np.testing.assert_allclose(table.values["way_1_minus_way_2_mm"], [-2.0, np.nan])
    np.testing.assert_allclose(table.values["smallest_adequate_plaque_mm"], [20.0, np.nan])
    assert dict(table.n_by_exception) == {"limbus_ways_differ": 1}
    assert table.n_missing["plaque_to_fovea_mm"] == 1
    assert table.checks[0].values["knot_moved_lateral_rectus_mm"] == pytest.approx(0.2)
