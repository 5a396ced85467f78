"""Damaged exports: no traceback, nothing undeclared, nothing coerced; hostile files do no harm.

The comparison is by other readers (Python's csv module, openpyxl), see
``benchmarks/fuzz_intake.py``, whose table holds the result for a thousand files.
"""

from __future__ import annotations

import csv
import importlib.util
import shutil
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType
from typing import Any

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from registry.errors import MendableError, RefusedInputError, UsageError
from registry.records import TABLES
from registry.store import open_store
from registry.taking_in.findings import write_findings
from registry.taking_in.intake import IntakeResult, take_in
from reports.app import app
from reports.command_frame import run_in_frame
from synthetic_cohort.fuzzed_files import INJECTIONS

AT = datetime(2026, 1, 31, 12, tzinfo=UTC)
FUZZ = Path(__file__).parents[3] / "benchmarks" / "fuzz_intake.py"


@pytest.fixture(scope="module")
def fuzz() -> ModuleType:
    """Return the benchmark's module."""
    spec = importlib.util.spec_from_file_location("fuzz_intake", FUZZ)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_a_sample_of_damaged_exports_comes_to_no_harm(fuzz: ModuleType, tmp_path: Path) -> None:
    store, exports = fuzz.prepare(tmp_path, 3)
    with open_store(store) as opened:
        done = [fuzz.fuzz_one(opened, exports, tmp_path, seed) for seed in range(5001, 5031)]
    assert [faults for _, faults in done if faults] == []
    assert len({outcome for outcome, _ in done}) >= 3


def test_the_comparison_sees_a_coerced_and_an_undeclared_value(fuzz: ModuleType) -> None:
    """The check itself can fail."""
    assert not fuzz.is_same("P12", "P012", TABLES["visit"].field("visit_id"))
    assert not fuzz.is_same(98, "97.5", TABLES["visit"].field("acuity_letters"))
    assert not fuzz.is_declared("OD", TABLES["visit"].field("eye"))
    assert not fuzz.is_declared(99, TABLES["visit"].field("iop_mmhg"))


# --- hostile files --------------------------------------------------------------------------------


@pytest.fixture
def store(tmp_path: Path, empty_store: Path) -> Path:
    """Return a copy of the empty store."""
    shutil.copytree(empty_store, tmp_path / "store")
    return tmp_path / "store" / "small.registry"


@pytest.fixture
def take(tmp_path: Path, store: Path) -> Callable[..., IntakeResult]:
    """Return a function that takes rows by table in, through CSV files."""

    def taking(rows: Mapping[str, Sequence[Mapping[str, str]]]) -> IntakeResult:
        folder = tmp_path / "files"
        folder.mkdir(exist_ok=True)
        for table, members in rows.items():
            quoted = [
                ",".join('"' + cell.replace('"', '""') + '"' for cell in row)
                for row in [list(members[0]), *(list(member.values()) for member in members)]
            ]
            (folder / f"{table}.csv").write_text("\n".join(quoted) + "\n", encoding="utf-8")
        return take_in(store, [folder], by="tester", at=AT)

    return taking


def _make_hostile_rows() -> dict[str, list[dict[str, str]]]:
    """Make a record of each table that has text fields, all of them hostile."""
    rows: dict[str, list[dict[str, str]]] = {}
    for n, text in enumerate(INJECTIONS):
        keys = {
            f"{kind}_id": f"{kind[0].upper()}{n} {text}"
            for kind in ("patient", "tumour", "applicator", "implant", "visit", "event")
        }
        eye = {"patient_id": keys["patient_id"], "eye": "right"}
        made = {
            "patient": {"patient_id": keys["patient_id"], "centre_id": text},
            "tumour": {"tumour_id": keys["tumour_id"], **eye},
            "applicator": {
                "applicator_id": keys["applicator_id"],
                "isotope": "Ru-106",
                "diameter_mm": "15",
            },
            "implant": {
                "implant_id": keys["implant_id"],
                "tumour_id": keys["tumour_id"],
                "applicator_id": keys["applicator_id"],
                "inserted_at": "2020-01-01 12:00",
                "operator_code": text,
                "dose_model_version": text,
            },
            "visit": {"visit_id": keys["visit_id"], **eye, "visit_date": "2020-02-01"},
            "event": {
                "event_id": keys["event_id"],
                **eye,
                "event_date": "2020-03-01",
                "kind": "cataract",
            },
        }
        for table, row in made.items():
            rows.setdefault(table, []).append(row)
    return rows


def test_what_other_programs_would_run_is_held_as_text(
    take: Callable[..., IntakeResult], store: Path, tmp_path: Path
) -> None:
    """Spreadsheet, HTML, SQL and template injections in every text field but the acuities."""
    rows = _make_hostile_rows()
    given = {(t, f) for t, members in rows.items() for f in members[0]}
    texts = {(t.name, f.name) for t in TABLES.values() for f in t.entered if f.type == "text"}
    spared = {
        (t, f) for t, f in texts if t in ("applicator_check", "certificate", "implant_muscle")
    }
    spared |= {(t, "tumour_id") for t in ("visit", "event")}
    assert texts - given - spared == {("visit", "acuity"), ("visit", "fellow_acuity")}
    result = take(rows)
    assert [f for f in result.findings if f.severity == "error"] == []
    with open_store(store) as opened:
        for table, members in rows.items():
            names = ", ".join(members[0])
            held = opened.connection.execute(f"SELECT {names} FROM {table}").fetchall()
            shown = sorted(tuple(row[:1]) for row in held)
            assert shown == sorted((next(iter(member.values())),) for member in members)
            assert len(held) == len(INJECTIONS)
    book = tmp_path / "book.xlsx"
    assert run_in_frame(app, ["workbook", str(book), "--from", str(store)]) == 0
    pages = openpyxl.load_workbook(book)
    for table, members in rows.items():
        cells = [cell for row in pages[table].iter_rows(min_row=2) for cell in row]
        assert "f" not in {cell.data_type for cell in cells}
        assert set(members[3].values()) & {cell.value for cell in cells}


def test_an_acuity_that_is_an_injection_is_a_finding_that_no_spreadsheet_runs(
    take: Callable[..., IntakeResult], tmp_path: Path
) -> None:
    patient = {"patient_id": "P1", "sex": "male"}
    visits = [
        {
            "visit_id": f"V{n}",
            "patient_id": "P1",
            "eye": "right",
            "visit_date": f"2020-01-{n + 1:02}",
            "acuity": text,
            "fellow_acuity": text,
        }
        for n, text in enumerate(INJECTIONS)
    ]
    found = take({"patient": [patient], "visit": visits}).findings
    lines = set(range(2, len(visits) + 2))
    for field in ("acuity", "fellow_acuity"):
        assert {f.row for f in found if f.field == field and f.severity == "error"} == lines
    write_findings(found, tmp_path / "findings.csv")
    with (tmp_path / "findings.csv").open(encoding="utf-8-sig", newline="") as stream:
        shown = [row["found"] for row in csv.DictReader(stream)]
    assert not any(text.startswith(("=", "@", "+", "-")) for text in shown)


@pytest.mark.parametrize(
    "argument",
    [
        "patient=/dev/zero",
        "patient=../../../../etc/shadow-that-is-not-there",
        "patient=",
        "patient=\0",
        "../patient=x.csv",
        "patient=" + "a" * 5000,
        "patient.csv; rm -rf",
    ],
)
def test_tricks_with_paths_are_refused(argument: str, store: Path) -> None:
    with pytest.raises((RefusedInputError, UsageError)):
        take_in(store, [argument], by="tester", at=AT)


def test_ten_thousand_columns_are_findings(store: Path, tmp_path: Path) -> None:
    path = tmp_path / "patient.csv"
    names = ["patient_id", *(f"x{n}" for n in range(10_000))]
    path.write_text(",".join(names) + "\n" + ",".join(names) + "\n", encoding="utf-8")
    assert len(take_in(store, [path], by="tester", at=AT).findings) >= 10_000


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({"patient_id": pa.array([["P1"]])}, "lists or structures"),
        ({"patient_id": pa.array(["x" * 20_000])}, "more than 10000 bytes"),
    ],
)
def test_parquet_beyond_a_table_is_refused(
    table: dict[str, Any], message: str, store: Path, tmp_path: Path
) -> None:
    path = tmp_path / "patient.parquet"
    pq.write_table(pa.table(table), path)
    with pytest.raises(RefusedInputError, match=message):
        take_in(store, [path], by="tester", at=AT)
    path.write_bytes(path.read_bytes()[:-9])
    with pytest.raises(MendableError):
        take_in(store, [path], by="tester", at=AT)
