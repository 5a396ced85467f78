"""Which readings enter the fit: after insertion, before failure, second treatment or removal."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import pytest

from analysis.checking.tumour_regression import read_heights
from analysis.outcomes.cohort import CohortRules, DataCut

ZERO = date(2020, 1, 1)


def day(n: int) -> str:
    return (ZERO + timedelta(days=n)).isoformat()


def rows(**more: list[dict[str, str]]) -> dict[str, list[dict[str, str]]]:
    return {
        "patient": [{"patient_id": "P"}],
        "tumour": [{"tumour_id": "T", "patient_id": "P", "eye": "left", "thickness_mm": "4"}],
        "implant": [{"implant_id": "I", "tumour_id": "T", "inserted_at": f"{day(0)} 10:00"}],
        "visit": [
            {"visit_id": f"V{k}", "patient_id": "P", "eye": "left", "visit_date": day(at),
             "thickness_mm": mm}
            for k, (at, mm) in enumerate([(-9, "4"), (0, "4"), (100, "3"), (200, ""), (300, "2")])
        ],
    } | more  # fmt: skip


def event(at: int, kind: str) -> dict[str, list[dict[str, str]]]:
    row = {"event_id": "E", "patient_id": "P", "eye": "left", "event_date": day(at), "kind": kind}
    return {"event": [row]}


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        ({}, [0.75, 0.5]),
        (event(300, "local_failure"), [0.75]),
        (event(301, "local_failure"), [0.75, 0.5]),
        (event(299, "retreatment"), [0.75]),
        (event(100, "enucleation"), []),
        (event(100, "cataract"), [0.75, 0.5]),
    ],
)
def test_readings_end_with_what_ends_the_fall(
    registry_of: Callable[..., Any], more: dict[str, Any], expected: list[float]
) -> None:
    with registry_of(rows(**more)) as connection:
        found = read_heights(connection, DataCut(day_after()), CohortRules())
    assert found.ratio.tolist() == expected
    assert found.n_tumours == bool(expected)
    assert (found.years * 365.25).round(9).tolist() == [100.0, 300.0][: len(expected)]


def day_after() -> date:
    return ZERO + timedelta(days=1000)


@pytest.mark.parametrize(("at", "expected"), [(90, [0.75, 0.5]), (91, [])])
def test_a_plaque_after_the_course_ends_it_and_one_of_the_course_does_not(
    registry_of: Callable[..., Any], at: int, expected: list[float]
) -> None:
    second = {"implant_id": "J", "tumour_id": "T", "inserted_at": f"{day(at)} 10:00"}
    with registry_of(rows(implant=[*rows()["implant"], second])) as connection:
        found = read_heights(connection, DataCut(day_after()), CohortRules())
    assert found.ratio.tolist() == expected
