"""Groups: only what is known at time zero, in an order a reader expects."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.end_points import LOCAL_FAILURE
from analysis.outcomes.grouping import Grouping, baseline_fields, group_units
from analysis.outcomes.outcome import read_outcome_table
from registry.errors import UsageError

CUT = DataCut(date(2024, 12, 31))
TUMOURS = [
    {"thickness_mm": 2.5, "largest_basal_diameter_mm": 9, "site": "choroid"},
    {"thickness_mm": 3.0, "largest_basal_diameter_mm": 13, "ciliary_body_involved": "no"},
    {"thickness_mm": 6.0, "largest_basal_diameter_mm": 16, "site": "iris"},
    {"thickness_mm": 9.0, "largest_basal_diameter_mm": 19, "site": "ciliary_body"},
    {"largest_basal_diameter_mm": 10},
]


def records() -> dict[str, list[dict[str, Any]]]:
    rows: dict[str, list[dict[str, Any]]] = {"patient": [], "tumour": [], "implant": []}
    for number, fields in enumerate(TUMOURS, start=1):
        keys = {"tumour_id": f"T{number}", "patient_id": f"P{number}", "eye": "right"}
        extra = {"extraocular_extension": "none"}
        rows["patient"].append({"patient_id": f"P{number}", "sex": "female" if number > 2 else ""})
        rows["tumour"].append(keys | extra | fields)
        rows["implant"].append(
            {"implant_id": f"I{number}", "tumour_id": f"T{number}"}
            | {"inserted_at": f"20{13 + number}-03-01 09:00"}
        )
    return rows


def grouped(connection: Any, by: str, cuts: tuple[float, ...] = ()) -> Grouping:
    table = read_outcome_table(connection, LOCAL_FAILURE, CUT, CohortRules())
    keys = {
        "units": list(table.unit_id),
        "tumours": list(table.tumour_id),
        "implants": list(table.first_implant_id),
    }
    return group_units(connection, CUT, keys, by, cuts)


@pytest.mark.parametrize(
    ("by", "cuts", "levels", "groups"),
    [
        (
            "size_category",
            (),
            ("T1", "T2", "T4", "not recorded"),
            ["T1", "T2", "not recorded", "T4", "not recorded"],
        ),
        (
            "thickness_mm",
            (3, 6),
            ("up to 3", "over 3 to 6", "over 6", "not recorded"),
            ["up to 3", "up to 3", "over 3 to 6", "over 6", "not recorded"],
        ),
        ("sex", (), ("female", "not recorded"), ["not recorded"] * 2 + ["female"] * 3),
        (
            "year_of_treatment",
            (),
            ("2014", "2015", "2016", "2017", "2018"),
            ["2014", "2015", "2016", "2017", "2018"],
        ),
        ("period", (), ("2010–2014", "2015–2019"), ["2010–2014"] + ["2015–2019"] * 4),
        (
            "t_category",
            (),
            ("T1", "T2a", "T4b", "not recorded"),
            ["T1", "T2a", "not recorded", "T4b", "not recorded"],
        ),
    ],
)
def test_units_fall_into_the_groups_worked_out_by_hand(
    registry_of: Callable[..., Any],
    by: str,
    cuts: tuple[float, ...],
    levels: tuple[str, ...],
    groups: list[str],
) -> None:
    with registry_of(records()) as connection:
        found = grouped(connection, by, cuts)
    assert found.levels == levels
    assert [found.of_unit[f"T{number}"] for number in range(1, 6)] == groups


@pytest.mark.parametrize(
    ("by", "said"),
    [
        ("thickness_mm", "give the cut-points"),
        ("death_cause", "known only after time zero"),
        ("local_status", "recorded during follow-up"),
        ("patient_id", "cannot define a group"),
        ("colour", "no field 'colour'"),
    ],
)
def test_what_cannot_define_a_group_is_refused(
    registry_of: Callable[..., Any], by: str, said: str
) -> None:
    with registry_of(records()) as connection, pytest.raises(UsageError, match=said):
        grouped(connection, by)


def test_no_field_learned_later_is_offered() -> None:
    offered = baseline_fields()
    assert {"death_cause", "incident", "acuity", "patient_id"}.isdisjoint(offered)
    assert {"thickness_mm", "isotope", "sex", "operator_code", "stage_group"} <= set(offered)


def test_acuity_at_baseline_and_age_by_hand(in_memory_of: Callable[..., Any]) -> None:
    """The last reading of the 90 days up to insertion (2014-03-01), as a level; age as a number."""
    readings = {
        "P1": [("2014-02-01", "6/12")],
        "P2": [("2014-02-01", "6/6"), ("2014-03-01", "69 letters")],
        "P3": [("2013-12-01", "6/60")],
        "P4": [("2014-02-01", "CF"), ("2014-03-02", "6/6")],
        "P5": [("2013-11-30", "6/6")],
        "P6": [("2014-02-01", "5/60")],
    }
    levels = ("at least 6/12", "6/60 to below 6/12", "below 6/60", "not recorded")
    wanted = dict(zip(readings, (0, 1, 1, 2, 3, 2), strict=True))
    birth = {"P1": 1954, "P2": 1953, "P3": 1934, "P4": 1933, "P5": None, "P6": 1990}
    rows: dict[str, list[dict[str, Any]]] = {"patient": [], "tumour": [], "implant": []}
    rows["visit"] = []
    for name, visits in readings.items():
        whose = {"patient_id": name, "eye": "left"}
        rows["patient"].append({"patient_id": name, "birth_year": birth[name]})
        rows["tumour"].append({"tumour_id": f"T{name}", **whose})
        rows["implant"].append(implant(f"I{name}", f"T{name}", "2014-03-01"))
        rows["visit"] += [
            {"visit_id": f"V{name}{day}", **whose, "visit_date": day, "acuity": acuity}
            for day, acuity in visits
        ]
    keys = {"units": [f"T{name}" for name in readings]}
    keys |= {"tumours": keys["units"], "implants": [f"I{name}" for name in readings]}
    connection = in_memory_of(rows)
    acuity = group_units(connection, CUT, keys, "baseline_acuity")
    wide = group_units(connection, CUT, keys, "baseline_acuity", baseline_window_days=91)
    age = group_units(connection, CUT, keys, "age_years", (60, 80))
    assert acuity.levels == levels
    assert acuity.of_unit == {f"T{name}": levels[place] for name, place in wanted.items()}
    assert wide.of_unit["TP5"] == "at least 6/12"
    assert age.words == "age at treatment (years)"
    ages = ("up to 60", "over 60 to 80", "over 60 to 80", "over 80", "not recorded", "up to 60")
    assert list(age.of_unit.values()) == list(ages)


def implant(name: str, tumour: str, at: str, **doses: Any) -> dict[str, Any]:
    return {"implant_id": name, "tumour_id": tumour, "inserted_at": f"{at} 10:00", **doses}


COURSES: list[tuple[str, list[dict[str, Any]], str, str]] = [
    # day 0 is 2020-03-01; up to 100 or over 100 Gy as tumour, then as eye, worked out by hand
    ("one implant", [implant("I1", "T1", "2020-03-01", dose_fovea_gy=60)], "up to", "up to"),
    (
        "two implants 90 days apart are one course: 120 Gy",
        [
            implant("I1", "T1", "2020-03-01", dose_fovea_gy=60),
            implant("I2", "T1", "2020-05-30", dose_fovea_gy=60),
        ],
        "over",
        "over",
    ),
    (
        "91 days apart: a course of its own, and the first counts",
        [
            implant("I1", "T1", "2020-03-01", dose_fovea_gy=60),
            implant("I2", "T1", "2020-05-31", dose_fovea_gy=60),
        ],
        "up to",
        "up to",
    ),
    (
        "one dose of the course is missing",
        [
            implant("I1", "T1", "2020-03-01", dose_fovea_gy=60),
            implant("I2", "T1", "2020-03-20"),
        ],
        "not recorded",
        "not recorded",
    ),
    (
        "doses by different models do not add up",
        [
            implant("I1", "T1", "2020-03-01", dose_fovea_gy=60, dose_model="homogeneous_water"),
            implant("I2", "T1", "2020-03-20", dose_fovea_gy=60, dose_model="monte_carlo"),
        ],
        "not recorded",
        "not recorded",
    ),
    (
        "a plaque on another tumour of the eye reaches the same fovea",
        [
            implant("I1", "T1", "2020-03-01", dose_fovea_gy=60),
            implant("I2", "T2", "2020-03-20", dose_fovea_gy=60),
        ],
        "up to",
        "over",
    ),
    (
        "a plaque inserted after the cut is not known",
        [
            implant("I1", "T1", "2024-12-01", dose_fovea_gy=60),
            implant("I2", "T1", "2025-01-10", dose_fovea_gy=60),
        ],
        "up to",
        "up to",
    ),
]


@pytest.mark.parametrize(
    ("implants", "tumour_group", "eye_group"),
    [case[1:] for case in COURSES],
    ids=[case[0] for case in COURSES],
)
def test_dose_of_the_first_course_by_hand(
    registry_of: Callable[..., Any],
    implants: list[dict[str, Any]],
    tumour_group: str,
    eye_group: str,
) -> None:
    whose = {"patient_id": "P1", "eye": "right"}
    rows = {
        "patient": [{"patient_id": "P1"}],
        "tumour": [{"tumour_id": name, **whose} for name in ("T1", "T2")],
        "implant": implants,
    }
    words = {"up to": "up to 100", "over": "over 100"}
    with registry_of(rows) as connection:
        for unit, wanted in (("T1", tumour_group), ("P1:right", eye_group)):
            keys = {"units": [unit], "tumours": ["T1"], "implants": ["I1"]}
            found = group_units(connection, CUT, keys, "dose_fovea_gy", (100.0,))
            assert found.of_unit == {unit: words.get(wanted, wanted)}
            assert found.words == "dose fovea, first course (Gy)"
        # the apex is the tumour's own: no dose is recorded there, and the other tumour adds none
        keys = {"units": ["P1:right"], "tumours": ["T1"], "implants": ["I1"]}
        apex = group_units(connection, CUT, keys, "dose_apex_gy", (100.0,))
        assert apex.of_unit == {"P1:right": "not recorded"}


def test_the_course_gap_is_the_registry_s_setting(registry_of: Callable[..., Any]) -> None:
    rows = {
        "patient": [{"patient_id": "P1"}],
        "tumour": [{"tumour_id": "T1", "patient_id": "P1", "eye": "right"}],
        "implant": COURSES[2][1],
    }
    keys = {"units": ["T1"], "tumours": ["T1"], "implants": ["I1"]}
    where = (keys, "dose_fovea_gy", (100.0,))
    with registry_of(rows) as connection:
        by_days = {
            days: group_units(connection, CUT, *where, course_gap_days=days).of_unit["T1"]
            for days in (90, 91)
        }
    assert by_days == {90: "up to 100", 91: "over 100"}
