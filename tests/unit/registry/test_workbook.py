"""The entry workbook: what a spreadsheet program sees in it, and the way back without a change.

openpyxl, a reader that has nothing to do with the writer, is the outside reference for the file.
"""

from __future__ import annotations

import io
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest

from registry.records import TABLES
from registry.safekeeping.table_files import export_tables
from registry.store import open_store
from registry.taking_in.intake import take_in
from registry.workbook import name_heading, read_current, write_workbook
from reports.app import app
from reports.command_frame import run_in_frame
from synthetic_cohort.cohort import TRUTH, draw_department, write_files

AT = datetime(2026, 1, 31, 12, tzinfo=UTC)
AWKWARD = (
    *("0012", "00", "MAR1", "1E5", "1e-3", "1.10E+3", "0x1F", "1_000", "12345678901234567890"),
    *("3-4", "03-04", "2024-01-05", "5/1/24", "1/2", "0.10", "1.0", "1,5", "50%", "50 mm"),
    *("=X9", "-1", "+44", "@home", "'quoted", "{x}", "A;B", "A|B", "A,B", 'A"B', "A\\B"),
    *("TRUE", "#N/A", "#REF!", "nan", "inf", "NULL", "NA", "n/a", "-", "?", "null"),
    *("a_x0041_", "_x000D_", "Ω≈µ", "é", "e\u0301", "A B", "A  B", "A\u00a0B", "ß", "İ", "٣", "½"),
    "x" * 200,
)


def _copy_store(empty_store: Path, folder: Path) -> Path:
    shutil.copytree(empty_store, folder)
    return folder / "small.registry"


def _read_all(store: Path) -> dict[str, list[Any]]:
    with open_store(store) as opened:
        return {name: list(read_current(opened, table)) for name, table in TABLES.items()}


def test_a_filled_workbook_comes_back_without_a_changed_value(
    tmp_path: Path, empty_store: Path
) -> None:
    first = _copy_store(empty_store, tmp_path / "first")
    department = draw_department(TRUTH, 25, np.random.default_rng(11))
    write_files(department, tmp_path / "files")
    take_in(first, [tmp_path / "files"], by="tester", at=AT)
    held = _read_all(first)
    book = tmp_path / "book.xlsx"
    assert run_in_frame(app, ["workbook", str(book), "--from", str(first)]) == 0
    assert book.stat().st_mode & 0o777 == 0o600
    second = _copy_store(empty_store, tmp_path / "second")
    assert take_in(second, [book], by="tester", at=AT).taken
    assert _read_all(second) == held
    assert len(held["visit"]) > 100
    again = take_in(first, [book], by="tester", at=AT)
    assert sum(again.rows.values()) == 0
    assert not again.has_errors


def test_awkward_codes_survive(tmp_path: Path, empty_store: Path) -> None:
    fields = [field.name for field in TABLES["patient"].entered]
    rows = [
        [
            code if name == "patient_id" else 1950 if name == "birth_year" else None
            for name in fields
        ]
        for code in AWKWARD
    ]
    book = tmp_path / "book.xlsx"
    book.write_bytes(write_workbook({"patient": rows}, at=AT))
    sheet = openpyxl.load_workbook(book)["patient"]
    cells = [sheet.cell(row, 1) for row in range(2, len(AWKWARD) + 2)]
    assert [cell.data_type for cell in cells] == ["s"] * len(AWKWARD)
    assert {cell.number_format for cell in cells} == {"@"}
    store = _copy_store(empty_store, tmp_path / "store")
    assert not take_in(store, [book], by="tester", at=AT).has_errors
    held = _read_all(store)["patient"]
    assert {row[0] for row in held} == set(AWKWARD)
    # Out again and in again, by the workbook and by the exported Parquet file.
    book.write_bytes(write_workbook({"patient": held}, at=AT))
    export_tables(store, tmp_path / "tables")
    for name, file in (("book", book), ("parquet", tmp_path / "tables" / "patient.parquet")):
        other = _copy_store(empty_store, tmp_path / name)
        assert not take_in(other, [file], by="tester", at=AT).has_errors
        assert _read_all(other)["patient"] == held


def test_a_blank_workbook_offers_lists_limits_units_and_notes() -> None:
    book = openpyxl.load_workbook(io.BytesIO(write_workbook({}, at=AT)))
    assert book.sheetnames == ["read_me", *TABLES, "lists"]
    assert book["lists"].sheet_state == "hidden"
    assert book["visit"].freeze_panes == "B2"
    for table in TABLES.values():
        sheet = book[table.name]
        heads = [cell.value for cell in sheet[1]]
        assert heads == [name_heading(field) for field in table.entered]
        assert all(cell.comment is not None for cell in sheet[1])
    rules = {
        str(rule.sqref).partition(":")[0]: rule
        for rule in book["event"].data_validations.dataValidation
    }
    kind = TABLES["event"].field("kind")
    letter = openpyxl.utils.get_column_letter(TABLES["event"].entered.index(kind) + 1)
    formula = rules[f"{letter}2"].formula1
    assert formula.startswith("lists!")
    column = formula.partition("$")[2].partition("$")[0]
    listed = [cell.value for cell in book["lists"][column] if cell.value]
    assert listed == list(kind.codes)
    assert rules["C2"].formula1 == '"right,left"'
    rules = {
        str(rule.sqref).partition(":")[0]: rule
        for rule in book["tumour"].data_validations.dataValidation
    }
    thickness = rules["F2"]
    assert (float(thickness.formula1), float(thickness.formula2)) == (0.3, 20)


def test_a_file_that_is_there_is_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    book = tmp_path / "book.xlsx"
    book.write_bytes(b"mine")
    assert run_in_frame(app, ["workbook", str(book)]) == 1
    assert book.read_bytes() == b"mine"
    assert run_in_frame(app, ["workbook", str(tmp_path / "book.ods")]) == 2
    assert "OUT.xlsx" in capsys.readouterr().err
