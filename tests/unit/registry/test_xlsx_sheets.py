"""Cells of XLSX files as text; openpyxl, XlsxWriter and hand-made packages make the files."""

from __future__ import annotations

import zipfile
from datetime import date, datetime
from pathlib import Path
from typing import Any

import openpyxl
import pytest
import xlsxwriter

from registry.entry_rules.line_records import split_refused
from registry.errors import RefusedInputError
from registry.reading import xlsx_package
from registry.reading.xlsx_package import XlsxPackage
from registry.reading.xlsx_sheets import XlsxSheet, read_column, write_day_number


def _read(path: Path, sheet: int = 0) -> dict[tuple[int, int], str]:
    with XlsxPackage(path) as package:
        rows = XlsxSheet(package, package.sheets[sheet]).read_rows()
        return {(row, place): text for row, cells in rows for place, text in cells.items()}


def _save(path: Path, cells: dict[str, Any], formats: dict[str, str] | None = None) -> Path:
    book = openpyxl.Workbook()
    for place, value in cells.items():
        book.active[place] = value
    for place, number_format in (formats or {}).items():
        book.active[place].number_format = number_format
    book.save(path)
    return path


def test_cells_come_as_they_show(tmp_path: Path) -> None:
    cells = {
        "A1": "é ß 中",
        "A2": 85,
        "A3": 0.1 + 0.2,
        "A4": True,
        "A5": date(2024, 5, 6),
        "A6": datetime(2024, 5, 6, 13, 30),
        "A7": 12,
        "A8": 0.125,
        "A9": 1e-7,
        "A10": " spaced ",
        "C12": "far",
        "A13": 45418,
        "A14": 45418,
    }
    formats = {"A7": "0000", "A8": "0.0%", "A13": "d/m/yy", "A14": "#,##0"}
    got = _read(_save(tmp_path / "a.xlsx", cells, formats))
    assert got == {
        (1, 0): "é ß 中",
        (2, 0): "85",
        (3, 0): "0.3",
        (4, 0): "TRUE",
        (5, 0): "2024-05-06",
        (6, 0): "2024-05-06 13:30",
        (7, 0): "0012",
        (8, 0): "12.5%",
        (9, 0): "0.0000001",
        (10, 0): " spaced ",
        (12, 2): "far",
        (13, 0): "2024-05-06",
        (14, 0): "45418",
    }


def test_days_count_from_1904_where_the_workbook_says_so(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    with xlsxwriter.Workbook(path, {"date_1904": True}) as book:
        sheet = book.add_worksheet()
        sheet.write_datetime(0, 0, datetime(2024, 5, 6), book.add_format({"num_format": "d.m.yy"}))
    assert _read(path) == {(1, 0): "2024-05-06"}
    assert openpyxl.load_workbook(path).active["A1"].value == datetime(2024, 5, 6)


@pytest.mark.parametrize("day", [date(1900, 3, 1), date(1999, 12, 31), date(2100, 2, 28)])
def test_day_numbers_agree_with_openpyxl(day: date) -> None:
    number = openpyxl.utils.datetime.to_excel(day)
    assert write_day_number(str(number), from_1904=False, shows="date") == day.isoformat()


def test_a_day_that_spreadsheets_count_wrongly_is_refused() -> None:
    """1900-02-29 never was; day numbers up to 60 are off by one in some programs."""
    assert split_refused(write_day_number("60", from_1904=False, shows="date")) is not None


def test_errors_and_formulas_without_value_are_no_blanks(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet()
        sheet.write_formula(0, 0, "=1/0", None, "#DIV/0!")
        sheet.write_formula(1, 0, "=1+1", None, 2)
    openpyxl_file = _save(tmp_path / "b.xlsx", {"A1": "=1+1"})
    got = _read(path)
    assert split_refused(got[1, 0]) == (
        "#DIV/0!",
        "the cell shows an error: mend the formula, or write the value itself",
    )
    assert got[2, 0] == "2"
    assert "no value yet" in str(split_refused(_read(openpyxl_file)[1, 0]))


def test_merged_cells_are_known_at_the_end(tmp_path: Path) -> None:
    path = tmp_path / "a.xlsx"
    book = openpyxl.Workbook()
    book.active["A1"] = "x"
    book.active.merge_cells("A1:B3")
    book.save(path)
    with XlsxPackage(path) as package:
        sheet = XlsxSheet(package, package.sheets[0])
        assert list(sheet.read_rows())
        [merged] = sheet.merged
    assert (merged.first_row, merged.last_row, merged.last_column) == (1, 3, 1)


@pytest.mark.parametrize("letters", ["A", "Z", "AA", "XFD"])
def test_column_letters_agree_with_openpyxl(letters: str) -> None:
    assert read_column(letters) == openpyxl.utils.column_index_from_string(letters) - 1


def _rewrite(path: Path, part: str, content: bytes) -> Path:
    """Write a copy of a workbook with one part replaced."""
    out = path.with_name("changed.xlsx")
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(name, content if name == part else old.read(name))
    return out


def test_what_would_fill_the_memory_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.xlsx"
    with xlsxwriter.Workbook(path) as book:
        book.add_worksheet().write_string(0, 0, "x")
    monkeypatch.setattr(xlsx_package, "MOST_PART_BYTES", 10_000_000)
    bomb = _rewrite(path, "xl/sharedStrings.xml", b"<sst>" + b" " * 11_000_000 + b"</sst>")
    assert bomb.stat().st_size < 100_000
    with pytest.raises(RefusedInputError, match="unpacks to more than"):
        _read(bomb)
    laughs = b'<!DOCTYPE s [<!ENTITY a "ha">]><sst><si><t>&a;</t></si></sst>'
    with pytest.raises(RefusedInputError, match="declares a document type"):
        _read(_rewrite(path, "xl/sharedStrings.xml", laughs))


_ROW = "<row r='{0}'><c r='{1}'{2}><v>{3}</v></c></row>"


def test_a_packing_that_nobody_reads_is_refused(tmp_path: Path) -> None:
    """Method 97 (WavPack) of the ZIP specification, APPNOTE 4.4.5, which no spreadsheet uses."""
    path = _save(tmp_path / "odd.xlsx", {"A1": 1})
    content = bytearray(path.read_bytes())
    for mark, place in ((b"PK\x03\x04", 8), (b"PK\x01\x02", 10)):  # local and central headers
        start = content.find(mark)
        while start >= 0:
            content[start + place : start + place + 2] = (97).to_bytes(2, "little")
            start = content.find(mark, start + 1)
    path.write_bytes(content)
    with pytest.raises(RefusedInputError, match="is damaged in"):
        _read(path)


@pytest.mark.parametrize(
    "rows",
    [
        _ROW.format(1, "A1", " t='s'", 99),
        _ROW.format(1, "A1", "", "abc"),
        _ROW.format(1, "A1", " s='99'", 1),
        "<row r='5'/>" + _ROW.format(2, "A2", "", 1),
        _ROW.format(1, "ZZZ1", "", 1),
        "<row>",
    ],
)
def test_damaged_sheets_are_refused(tmp_path: Path, rows: str) -> None:
    path = _save(tmp_path / "a.xlsx", {"A1": "x"})
    sheet = f"<worksheet><sheetData>{rows}</sheetData></worksheet>".encode()
    with pytest.raises(RefusedInputError, match=r"changed\.xlsx (has|is)"):
        _read(_rewrite(path, "xl/worksheets/sheet1.xml", sheet))


@pytest.mark.parametrize("data", [b"", b"PK", b"\xd0\xcf\x11\xe0old", b"a,b\n1,2\n"])
def test_what_is_no_workbook_is_refused(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "a.xlsx"
    path.write_bytes(data)
    with pytest.raises(RefusedInputError, match="XLSX"):
        _read(path)
