"""Files of our own tables as other programs write them, and what is asked instead of guessed."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from registry.errors import Finding, RefusedInputError, UsageError
from registry.reading.column_map import read_map
from registry.reading.intake_files import IntakeFile
from registry.reading.sources import Writing, open_source
from registry.records import TABLES
from reports.app import app
from reports.command_frame import run_in_frame

AT = datetime(2026, 1, 31, 12, tzinfo=UTC)
Read = Callable[..., tuple[list[dict[str, Any]], list[tuple[int | None, str | None, str]]]]


@pytest.fixture
def read(tmp_path: Path, empty_store: Path) -> Read:
    """Return a function that stages a file: typed rows, and line, field, found of findings."""
    from registry.store import open_store
    from registry.taking_in.staged_rows import StagedRows

    shutil.copytree(empty_store, tmp_path / "store")

    def reading(path: Path, table: str, map_text: str = "", **writing: Any) -> Any:
        [source] = read_map(map_text) if map_text else [None]
        sheet = "Sheet" if path.suffix == ".xlsx" else None
        file = IntakeFile(TABLES[table], path, sheet=sheet, source=source)
        with open_store(tmp_path / "store" / "small.registry") as store:
            staged = StagedRows(
                store.connection,
                today=AT.date(),
                date_order=None,
                centre_id="c",
                off_chart_logmar={},
            )
            opened = open_source(file, Writing(**writing))
            staged.findings += opened.findings
            staged.add_file(file, opened.heading, opened.chunks)
            found = store.connection.sql(f"SELECT * FROM staged_{table} ORDER BY line")
            names = found.columns
            rows = [dict(zip(names, row, strict=True)) for row in found.fetchall()]
        findings: list[Finding] = sorted(staged.findings, key=lambda f: (f.row or 0, f.field or ""))
        return rows, [(f.row, f.field, f.found) for f in findings]

    return reading


TUMOURS = "tumour_id;patient_id;eye;thickness_mm (mm)\nT1;P1;right;4,5\nT2;P2;left;5.5\n"


def test_decimal_commas_are_read_where_they_are_declared(read: Read, tmp_path: Path) -> None:
    path = tmp_path / "tumour.csv"
    path.write_text(TUMOURS, encoding="utf-8")
    rows, findings = read(path, "tumour", decimal="comma")
    assert [row["thickness_mm"] for row in rows] == [Decimal("4.5"), None]
    assert findings == [(3, "thickness_mm", "5.5")]
    rows, findings = read(path, "tumour")
    assert [row["thickness_mm"] for row in rows] == [None, Decimal("5.5")]
    assert findings == [(2, "thickness_mm", "4,5")]


def test_acuities_have_the_declared_decimal_mark_too(read: Read, tmp_path: Path) -> None:
    path = tmp_path / "visit.csv"
    path.write_text(
        "visit_id;patient_id;eye;visit_date;acuity;acuity_notation\n"
        "V1;P1;right;2020-01-05;0,5;decimal\nV2;P1;right;2020-02-05;6/7,5-1;\n",
        encoding="utf-8",
    )
    rows, findings = read(path, "visit", decimal="comma")
    assert [row["acuity"] for row in rows] == ["0.5", "6/7.5-1"]
    assert not findings


def test_another_unit_in_the_heading_is_found(read: Read, tmp_path: Path) -> None:
    path = tmp_path / "tumour.csv"
    path.write_text(TUMOURS.replace("(mm)", "(cm)"), encoding="utf-8")
    assert (1, "thickness_mm (cm)", "thickness_mm (cm)") in read(path, "tumour")[1]


def test_marks_that_the_heading_does_not_settle_are_asked(read: Read, tmp_path: Path) -> None:
    path = tmp_path / "patient.csv"
    path.write_text("patient_id;sex,birth_year\nP1;male,1950\n", encoding="utf-8")
    with pytest.raises(UsageError, match="--delimiter"):
        read(path, "patient")
    path.write_text("sep=;\npatient_id;sex\nP1;male\n", encoding="utf-8")
    rows, findings = read(path, "patient")
    assert ([(row["line"], row["sex"]) for row in rows], findings) == ([(3, "male")], [])


def test_rows_that_are_no_records_are_found(read: Read, tmp_path: Path) -> None:
    path = tmp_path / "patient.csv"
    path.write_text(
        "patient_id,sex\nP1,male\npatient_id,sex\nTotal,\nMean: 4,\nSUM1,\nN7,\n", "utf-8"
    )
    rows, findings = read(path, "patient")
    assert [row["patient_id"] for row in rows] == ["P1", "SUM1", "N7"]
    assert findings == [(3, None, "patient_id"), (4, None, "Total"), (5, None, "Mean: 4")]


def test_parquet_is_read_by_its_types(read: Read, tmp_path: Path) -> None:
    path = tmp_path / "visit.parquet"
    columns = {
        "visit_id": ["0012", "1E5"],
        "patient_id": pa.array(["P1", "P2"]).dictionary_encode(),
        "eye": ["right", "left"],
        "visit_date": pa.array([datetime(2024, 5, 6), datetime(2024, 5, 7, 9)], pa.timestamp("ns")),
        "iop_mmhg": [14.0, None],
        "thickness_mm": pa.array([Decimal("4.50000000"), None], pa.decimal128(12, 8)),
    }
    pq.write_table(pa.table(columns), path)
    rows, findings = read(path, "visit")
    assert [row["visit_id"] for row in rows] == ["0012", "1E5"]
    assert (rows[0]["visit_date"], rows[0]["iop_mmhg"]) == (date(2024, 5, 6), Decimal(14))
    assert rows[0]["thickness_mm"] == Decimal("4.5")
    assert findings == [(3, "visit_date", "2024-05-07 09:00:00")]


def _save(path: Path, rows: list[list[Any]], merge: str = "") -> Path:
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    if merge:
        book.active.merge_cells(merge)
    book.save(path)
    return path


def test_merged_cells_and_stray_cells_are_found(read: Read, tmp_path: Path) -> None:
    head = ["visit_id", "patient_id", "eye", "visit_date"]
    rows = [["V1", "P1", "right", date(2024, 5, 6)], ["V2", None, "right", date(2024, 5, 7)]]
    path = _save(tmp_path / "visit.xlsx", [head, *rows, [None] * 6 + ["note"]], merge="B2:B3")
    assert read(path, "visit")[1] == [
        (2, None, "2 rows merged"),
        (3, "patient_id", ""),
        (4, None, "note"),
    ]


MAP = """[[source]]
table = "visit"
made = { visit_id = "{patient_id}/{visit_date}" }
columns = { "Pat" = "patient_id", "Eye" = { field = "eye", values = { OD = "right" } }, %s }
"""


def test_a_map_accounts_for_every_heading(read: Read, tmp_path: Path) -> None:
    path = tmp_path / "x.csv"
    path.write_text("Pat,Eye,Day,VA,VA\nP1,OD,3/4/21,6/9,6/6\n", encoding="utf-8")
    _, findings = read(path, "visit", MAP % '"Day" = "visit_date", "VA" = "acuity"')
    assert [found for _, _, found in findings if found.startswith("VA")] == ["VA", "VA#1", "VA#2"]
    both = '"VA#1" = "acuity", "VA#2" = "fellow_acuity", "Day" = '
    asked = both + '{ field = "visit_date", date_order = "dmy" }'
    _, findings = read(path, "visit", MAP % asked)
    assert (2, "visit_date", "3/4/21") in findings
    told = both + '{ field = "visit_date", date_order = "dmy", two_digit_years_from = 1930 }'
    [row] = read(path, "visit", MAP % told)[0]
    assert (row["visit_id"], row["eye"], row["fellow_acuity"]) == ("P1/2021-04-03", "right", "6/6")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("x = [", "not valid TOML"),
        ("[[source]]\ntable = 'people'", "must be one of patient"),
        ("[[source]]\ntable = 'visit'\ndate_order = '?'", "leaves date_order undecided"),
        ("[[source]]\ntable = 'visit'\ndateorder = 'dmy'", "Did you mean date_order"),
        ("[[source]]\ntable = 'visit'\ncolumns = { a = 'eye', b = 'eye' }", "eye is given twice"),
        ("[[source]]\ntable = 'visit'\ncolumns = { a = 'eyes' }", "Did you mean eye"),
        (
            "[[source]]\ntable = 'visit'\n"
            "columns = { a = { field = 'eye', values = { x = 'OD' } } }",
            "Did you mean right",
        ),
        ("[[source]]\ntable = 'visit'\nrepeat = ['1']\ncolumns = { a = 'eye' }", "goes with"),
        (
            "[[source]]\ntable = 'visit'\nheading_rows = [1, 3]\ncolumns = { a = 'eye' }",
            "up to five",
        ),
    ],
)
def test_a_map_that_cannot_be_meant_is_refused(text: str, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        read_map(text)


def test_a_workbook_of_other_sheets_asks_for_a_map(
    tmp_path: Path, empty_store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = _save(tmp_path / "clinic.xlsx", [["Pat", "Eye"], ["P1", "OD"]])
    from registry.reading.intake_files import name_files

    with pytest.raises(RefusedInputError, match="--draft-map"):
        name_files([path])
    draft = tmp_path / "map.toml"
    assert run_in_frame(app, ["intake", str(path), "--draft-map", str(draft)]) == 2
    options = ["--check-only", "--draft-map", str(draft)]
    assert run_in_frame(app, ["intake", str(path), *options]) == 0
    assert '"Eye" = { field = "eye", values = { "OD" = "right" } }' in draft.read_text("utf-8")
    assert run_in_frame(app, ["intake", str(path), *options]) == 1
    assert "--force" in capsys.readouterr().err
