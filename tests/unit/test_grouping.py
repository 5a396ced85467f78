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
