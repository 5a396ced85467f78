"""The baseline table: the window of baseline acuity, what counts as known, a summary by hand."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from analysis.outcomes.baseline import completeness_by_year, read_baseline, summarise
from analysis.outcomes.cohort import CohortRules, DataCut

CUT = DataCut(date(2024, 12, 31))


def records(visit_date: str) -> dict[str, list[dict[str, Any]]]:
    return {
        "patient": [{"patient_id": "P1", "sex": "unknown", "birth_year": 1960}],
        "tumour": [
            {"tumour_id": "T1", "patient_id": "P1", "eye": "right", "thickness_mm": 4.2},
            {"tumour_id": "T2", "patient_id": "P1", "eye": "left"},
        ],
        "implant": [
            {"implant_id": "I1", "tumour_id": "T1", "inserted_at": "2020-06-01 10:00"},
            {"implant_id": "I2", "tumour_id": "T2", "inserted_at": "2021-06-01 10:00"},
        ],
        "visit": [
            {
                "visit_id": "V1",
                "patient_id": "P1",
                "eye": "right",
                "visit_date": visit_date,
                "acuity": "6/12",
                "acuity_letters": 70,
            }
        ],
    }


@pytest.mark.parametrize(
    ("visit_date", "window_days", "letters"),
    [
        ("2020-06-01", 90, 70),
        ("2020-03-03", 90, 70),
        ("2020-03-02", 90, None),
        ("2020-03-02", 120, 70),
        ("2020-06-02", 90, None),
    ],
)
def test_baseline_acuity_is_the_last_in_the_window(
    registry_of: Callable[..., Any], visit_date: str, window_days: int, letters: int | None
) -> None:
    """90 days before 2020-06-01 is 2020-03-03."""
    with registry_of(records(visit_date)) as connection:
        rows = read_baseline(connection, CUT, CohortRules(), baseline_window_days=window_days)
    assert [row["baseline_letters"] for row in rows] == [letters, None]


def test_the_summary_and_the_completeness_by_hand(registry_of: Callable[..., Any]) -> None:
    with registry_of(records("2020-05-01")) as connection:
        rows = read_baseline(connection, CUT, CohortRules())
    summary = {one.characteristic.name: one for one in summarise(rows)}
    assert (summary["age_years"].median, summary["age_years"].known) == (60.5, 2)  # type: ignore[union-attr]
    assert (summary["sex"].known, summary["sex"].n) == (0, 2)
    assert summary["thickness_mm"].known == 1
    found = completeness_by_year(rows)
    thickness = found.known[found.fields.index("thickness")]
    assert (found.years, found.treated, thickness) == ((2020, 2021), (1, 1), (1, 0))
