"""What ``check`` does with a data cut, one patient, and what only an older registry holds."""

from __future__ import annotations

import copy
from collections.abc import Callable
from datetime import timedelta
from typing import Any

from check_cases import (
    CUT,
    DEAD,
    GONE,
    ZERO,
    Rows,
    after,
    calm_patient,
    edited,
    merged,
    new_visit,
)

from analysis.checking.checks import check_registry
from analysis.outcomes.cohort import DataCut
from registry.records import TABLES
from registry.settings import default_settings


def test_what_intake_refuses_is_found_in_an_older_registry(
    registry_of: Callable[..., Any],
) -> None:
    rows: Rows = {
        "patient": [{"patient_id": "P", "vital_status_date": after(700)}],
        "tumour": [
            {"tumour_id": "T", "patient_id": "P", "eye": "right", "thickness_mm": "4",
             "largest_basal_diameter_mm": "10"}
        ],
        "implant": [
            {"implant_id": "I", "tumour_id": "T", "inserted_at": f"{after(0)} 10:00",
             "removed_at": f"{after(0)} 09:00"}
        ],
        "visit": [
            {"visit_id": "V1", "patient_id": "P", "eye": "left", "visit_date": after(700)},
            {"visit_id": "V2", "patient_id": "P", "eye": "right", "visit_date": after(700)},
        ],
    }  # fmt: skip
    with registry_of(rows) as connection:
        found = check_registry(connection, DataCut(CUT), default_settings("invented")).findings
    said = {(one.rule.name, one.record, one.amount) for one in found}
    assert said == {
        ("removal_before_insertion", "implant:I", 1.0),
        ("record_of_untreated_eye", "visit:V1", None),
        ("no_plaque", "implant:I", None),
    }


def test_the_data_cut_hides_what_came_later(registry_of: Callable[..., Any]) -> None:
    rows = edited(calm_patient("P"), "P", merged(GONE, new_visit(after(560))))
    settings = default_settings("invented")
    with registry_of(rows) as connection:
        late = check_registry(connection, DataCut(CUT), settings)
        before_visit = check_registry(connection, DataCut(ZERO + timedelta(days=559)), settings)
        nothing_yet = check_registry(connection, DataCut(ZERO - timedelta(days=1)), settings)
    assert "visit_after_eye_removed" in {one.rule.name for one in late.findings}
    assert before_visit.findings == ()
    assert (nothing_yet.findings, nothing_yet.due) == ((), ())


def test_a_reason_for_the_end_that_came_later_does_not_count(
    registry_of: Callable[..., Any],
) -> None:
    rows = edited(calm_patient("P"), "P", DEAD | {"-visit": slice(2, None)})
    early = DataCut(ZERO + timedelta(days=420))
    with registry_of(rows) as connection:
        found = check_registry(connection, early, default_settings("invented"))
    assert [one.rule.name for one in found.findings] == ["visit_overdue"]


def test_one_patient_alone_gives_that_patient_s_findings(registry_of: Callable[..., Any]) -> None:
    rows: Rows = {table: [] for table in TABLES}
    for p in ("P1", "P2"):
        edits = merged(GONE, new_visit(after(560)), {"implant.prescribed_dose_gy": "50"})
        for table, records in edited(calm_patient(p), p, copy.deepcopy(edits)).items():
            rows[table] += records
    settings = default_settings("invented")
    with registry_of(rows) as connection:
        whole = check_registry(connection, DataCut(CUT), settings)
        alone = check_registry(connection, DataCut(CUT), settings, patient_id="P2")
    assert alone.findings == tuple(one for one in whole.findings if one.patient_id == "P2")
    assert [one.tumour_id for one in alone.due] == ["P2-T"]
    assert len(alone.findings) >= 3
