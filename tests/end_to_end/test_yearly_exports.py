"""A department that exports all its patients anew each year ends with the records of its last one.

The exports are those of an invented department as its files stood at the end of each year: fewer
patients, an earlier last contact, deaths and metastases not yet known.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd

from registry.records import TABLES
from registry.safekeeping.integrity import check_integrity
from registry.store import create_store, open_store
from registry.taking_in.intake import IntakeResult, take_in
from synthetic_cohort.cohort import draw_department, write_files
from synthetic_cohort.truth import TRUTH

AT = datetime(2026, 1, 5)
Tables = dict[str, pd.DataFrame]
DATED = {"visit": "visit_date", "event": "event_date", "applicator_check": "check_date"}


def _as_of(tables: Tables, day: str) -> Tables:
    """The files as they stood at the end of a day."""
    cut = {name: frame.copy() for name, frame in tables.items()}
    cut["implant"] = cut["implant"][cut["implant"]["inserted_at"] <= day]
    treated = cut["tumour"]["tumour_id"].isin(cut["implant"]["tumour_id"])
    cut["tumour"] = cut["tumour"][treated]
    eyes = set(zip(cut["tumour"]["patient_id"], cut["tumour"]["eye"], strict=True))
    tumours = {"", *cut["tumour"]["tumour_id"]}
    for name, dated in DATED.items():
        frame = cut[name][cut[name][dated] <= day]
        if name != "applicator_check":
            pairs = zip(frame["patient_id"], frame["eye"], frame["tumour_id"], strict=True)
            frame = frame[[(p, e) in eyes and t in tumours for p, e, t in pairs]]
        cut[name] = frame
    kept = cut["implant_muscle"]["implant_id"].isin(cut["implant"]["implant_id"])
    cut["implant_muscle"] = cut["implant_muscle"][kept]
    is_treated = cut["patient"]["patient_id"].isin(cut["tumour"]["patient_id"])
    cut["patient"] = _patients_as_of(cut["patient"][is_treated].copy(), cut["visit"], day)
    return cut


def _patients_as_of(patients: pd.DataFrame, visits: pd.DataFrame, day: str) -> pd.DataFrame:
    for name in ("vital_status_date", "metastasis_status_date"):
        patients[name] = patients[name].where(patients[name] <= day, day)
    seen = visits.groupby("patient_id")["visit_date"].max()
    last = patients["patient_id"].map(seen).fillna("")
    is_later = patients["last_contact_date"] > day
    patients["last_contact_date"] = patients["last_contact_date"].where(~is_later, last)
    alive = patients["death_date"] > day
    patients.loc[alive, ["death_date", "death_cause"]] = ""
    patients.loc[alive, "follow_up_ended_reason"] = "under_follow_up"
    well = patients["metastasis_date"] > day
    patients.loc[well, ["metastasis_date", "metastasis_found_by"]] = ""
    return patients


def _take(path: Path, tables: Tables, folder: Path, *, update: bool) -> IntakeResult:
    write_files(tables, folder)
    return take_in(path, [folder], by="tester", at=AT, update=update)


def _current(path: Path) -> dict[str, list[tuple[object, ...]]]:
    held = {}
    with open_store(path) as store:
        for table in TABLES.values():
            names = ", ".join(field.name for field in table.fields)
            rows = store.connection.execute(f"SELECT {names} FROM {table.name}").fetchall()
            held[table.name] = sorted(rows, key=repr)
    return held


def test_yearly_updates_end_with_what_the_last_export_holds(tmp_path: Path) -> None:
    tables = draw_department(TRUTH, 60, np.random.default_rng(21))
    yearly, at_once = tmp_path / "yearly.registry", tmp_path / "at_once.registry"
    for path in (yearly, at_once):
        create_store(path, centre_id="invented", by="tester", at=AT)
    assert _take(at_once, tables, tmp_path / "whole", update=False).taken
    years = ("2018-12-31", "2020-12-31", "2022-12-31", "2024-12-31")
    for place, day in enumerate(years):
        files = _as_of(tables, day) if day != years[-1] else tables
        result = _take(yearly, files, tmp_path / f"export{place}", update=place > 0)
        assert result.taken
        assert not [one for one in result.findings if "as the registry holds" in one.allowed]
        if place:
            assert result.corrected["patient"] > 0
            assert result.rows["visit"] > 0
            assert not any(row.cleared or row.kept for row in result.changes)
    assert _current(yearly) == _current(at_once)
    # an old export given by mistake moves nothing back
    old = _take(yearly, _as_of(tables, "2018-12-31"), tmp_path / "old", update=True)
    assert sum(old.rows.values()) == 0
    assert _current(yearly) == _current(at_once)
    assert not check_integrity(yearly).faults
