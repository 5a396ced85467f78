"""The plaque log: age, decay, uses and checks at a day, worked out by hand."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest

from analysis.checking.plaque_log import read_plaque_log
from analysis.outcomes.cohort import DataCut

CUT = DataCut(date(2024, 12, 31))


def check(
    plaque: str, day: str, kind: str, result: str = "pass", ratio: str = ""
) -> dict[str, str]:
    return {"applicator_id": plaque, "check_date": day, "kind": kind, "result": result,
            "measured_to_stated_ratio": ratio}  # fmt: skip


ROWS: dict[str, list[dict[str, str]]] = {
    "patient": [{"patient_id": "P"}],
    "tumour": [{"tumour_id": "T", "patient_id": "P", "eye": "left"}],
    "applicator": [
        {"applicator_id": "A", "isotope": "Ru-106", "diameter_mm": "15",
         "first_used_date": "2023-12-01"},
        {"applicator_id": "B", "isotope": "I-125", "diameter_mm": "18",
         "first_used_date": "2020-01-01", "retired_date": "2025-03-01"},
        {"applicator_id": "C", "isotope": "Ru-106", "diameter_mm": "20",
         "first_used_date": "2022-01-01", "retired_date": "2022-12-31"},
        {"applicator_id": "D", "isotope": "Ru-106", "diameter_mm": "20",
         "first_used_date": "2025-01-01"},
    ],
    "certificate": [
        {"applicator_id": "A", "reference_at": "2023-12-23 12:00", "depth_mm": "0",
         "dose_rate_mgy_min": "200", "uncertainty_pct": "20"},
        {"applicator_id": "A", "reference_at": "2022-01-01 12:00", "depth_mm": "0",
         "dose_rate_mgy_min": "900", "uncertainty_pct": "5"},
    ],
    "applicator_check": [
        check("A", "2023-11-30", "output", ratio="0.9"),
        check("A", "2024-06-01", "output", ratio="0.79"),
        check("A", "2025-01-05", "output", ratio="0.5"),
        check("A", "2023-12-31", "leak"),
        check("C", "2022-01-01", "output", ratio="1"),
        check("C", "2022-01-01", "leak", "fail"),
    ],
    "implant": [
        {"implant_id": f"I{k}", "tumour_id": "T", "applicator_id": "A", "inserted_at": at}
        for k, at in enumerate(["2024-01-05 10:00", "2024-03-01 10:00", "2025-01-02 10:00"])
    ],
}  # fmt: skip


def test_the_log_at_the_day_of_the_cut(registry_of: Callable[..., Any]) -> None:
    with registry_of(ROWS) as connection:
        a, b, c = read_plaque_log(connection, CUT)  # D comes into use later
    assert (a.uses, a.last_used_date, a.days_in_use) == (2, date(2024, 3, 1), 396)
    # 374 days since the certificate, half-life 373.59 days (ICRP Publication 107)
    assert a.remaining_fraction == pytest.approx(2 ** (-374 / 373.59))
    assert (a.output_ratio, a.output_date) == (0.79, date(2024, 6, 1))
    assert a.remarks == (
        "in use for 396 days; commonly about 365",
        "output -21 % off the certificate, which states 20 %",
        "leak check due: the latest was 366 days ago",
    )
    assert b.in_stock
    assert (b.remaining_fraction, b.uses) == (None, 0)
    assert b.remarks == ("no certificate on file", "no output check on file")
    assert not c.in_stock
    assert c.days_in_use == 364
    assert c.remarks == ("no certificate on file", "the latest leak check failed")


def test_one_day_and_one_per_cent_earlier_nothing_is_said(registry_of: Callable[..., Any]) -> None:
    calm = {name: [dict(row) for row in rows] for name, rows in ROWS.items()}
    calm["applicator"][0]["first_used_date"] = "2024-01-01"  # 365 days
    calm["applicator_check"][1]["measured_to_stated_ratio"] = "0.8"
    calm["applicator_check"][3]["check_date"] = "2024-01-01"
    with registry_of(calm) as connection:
        assert read_plaque_log(connection, CUT)[0].remarks == ()
