"""Exported tables: values, fields, consent, and cells that a spreadsheet would run."""

from __future__ import annotations

import csv
import shutil
import subprocess
from datetime import datetime
from decimal import Decimal
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from registry.csv_cells import defuse
from registry.errors import RefusedInputError, StoreError
from registry.records import TABLES
from registry.safekeeping.table_files import export_tables
from registry.store import open_store

AT = datetime(2024, 3, 1, 9, 5)
PEOPLE = {"A": "yes", "B": "no", "C": "unknown", "D": None, "E": "yes"}


@pytest.fixture
def path(tmp_path: Path, empty_store: Path) -> Path:
    shutil.copytree(empty_store, tmp_path / "store")
    path = tmp_path / "store" / "small.registry"
    names = list(PEOPLE)
    with (
        open_store(path, write=True) as store,
        store.batch("intake", by="ana", at=AT) as batch,
    ):
        consent = {"patient_id": names, "research_consent": list(PEOPLE.values())}
        batch.append("patient", pa.table(consent))
        heights = pa.array([Decimal("4.500000")] * 5, pa.decimal128(14, 6))
        batch.append("tumour", pa.table({
            "tumour_id": [f"T{name}" for name in names],
            "patient_id": names,
            "eye": ["left"] * 5,
            "thickness_mm": heights,
        }))  # fmt: skip
        batch.append("applicator", pa.table({
            "applicator_id": ["=HYPERLINK(1)"],
            "isotope": ["Ru-106"],
            "diameter_mm": pa.array([Decimal("15.000000")], pa.decimal128(14, 6)),
        }))  # fmt: skip
        batch.append("implant", pa.table({
            "implant_id": [f"I{name}" for name in names],
            "tumour_id": [f"T{name}" for name in names],
            "inserted_at": [AT] * 5,
        }))  # fmt: skip
        batch.append("implant_muscle", pa.table({
            "implant_id": [f"I{name}" for name in names],
            "muscle": ["lateral_rectus"] * 5,
        }))  # fmt: skip
        batch.append("visit", pa.table({
            "visit_id": [f"V{name}" for name in names],
            "patient_id": names,
            "eye": ["left"] * 5,
            "visit_date": [AT.date()] * 5,
            "acuity": ["-0.1", "6/9", "6/9", "6/9", "-cmd|calc"],
        }))  # fmt: skip
    return path


def _rows(file: Path) -> list[dict[str, str]]:
    with file.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def test_tables_hold_what_is_current(path: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = export_tables(path, out)
    assert done.rows["patient"] == 5
    assert done.left_out == 0
    for table in TABLES.values():
        rows = _rows(out / f"{table.name}.csv")
        parquet = pq.read_table(out / f"{table.name}.parquet")
        assert parquet.column_names == [field.name for field in table.fields]
        assert len(rows) == parquet.num_rows == done.rows[table.name]
    [first, *_] = _rows(out / "tumour.csv")
    assert (first["tumour_id"], first["thickness_mm"], first["site"]) == ("TA", "4.5", "")
    assert _rows(out / "implant.csv")[0]["inserted_at"] == "2024-03-01 09:05"
    fields = {(row["table"], row["field"]) for row in _rows(out / "fields.csv")}
    assert fields == {(t.name, f.name) for t in TABLES.values() for f in t.fields}
    assert {file.stat().st_mode & 0o777 for file in out.iterdir()} == {0o600}
    check = ["sha256sum", "--check", "--strict", "--quiet", "SHA256SUMS"]
    assert subprocess.run(check, cwd=out, check=False).returncode == 0


def test_cells_that_a_spreadsheet_would_run_are_defused_in_csv_alone(
    path: Path, tmp_path: Path
) -> None:
    # The leading characters are those of the OWASP page "CSV Injection" (from memory).
    export_tables(path, tmp_path / "out")
    [plaque] = _rows(tmp_path / "out" / "applicator.csv")
    assert plaque["applicator_id"] == "'=HYPERLINK(1)"
    acuity = {row["visit_id"]: row["acuity"] for row in _rows(tmp_path / "out" / "visit.csv")}
    assert (acuity["VA"], acuity["VE"]) == ("-0.1", "'-cmd|calc")
    exact = pq.read_table(tmp_path / "out" / "applicator.parquet")["applicator_id"].to_pylist()
    assert exact == ["=HYPERLINK(1)"]
    for text in ("=1", "+1+1", "-1-1", "@SUM", "\t=1", "\r=1", " =1", "＝1", "|x", "%x"):
        assert defuse(text) == "'" + text
    for text in ("", "6/9", "20/40", "P-1", "0.5", "-12", "+3.5"):
        assert defuse(text) == text


def test_research_takes_those_who_said_yes_and_what_hangs_on_them(
    path: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    done = export_tables(path, out, research=True)
    assert done.left_out == 3
    assert [row["patient_id"] for row in _rows(out / "patient.csv")] == ["A", "E"]
    for table, key in (
        ("tumour", "T"), ("implant", "I"), ("implant_muscle", "I"), ("visit", "V"),
    ):  # fmt: skip
        column = TABLES[table].key[0].name
        assert [row[column] for row in _rows(out / f"{table}.csv")] == [f"{key}A", f"{key}E"]
    assert len(_rows(out / "applicator.csv")) == 1
    content = b"".join(file.read_bytes() for file in out.iterdir() if file.suffix == ".parquet")
    assert b"TB" not in content


def test_nothing_is_overwritten_and_nobody_is_refused(
    path: Path, tmp_path: Path, empty_store: Path
) -> None:
    (tmp_path / "out").mkdir()
    with pytest.raises(StoreError, match="exists already"):
        export_tables(path, tmp_path / "out")
    with pytest.raises(RefusedInputError, match="research_consent is yes"):
        export_tables(empty_store / "small.registry", tmp_path / "none", research=True)
    assert not (tmp_path / "none").exists()
