"""Theatre lists that give the day of an insertion and no time: declared in the map, not guessed."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import pytest

from registry.errors import UsageError
from registry.reading.column_map import read_map
from registry.reading.draft_map import draft_map
from registry.store import open_store
from registry.taking_in.intake import IntakeResult, take_in

AT = datetime(2026, 1, 31, 12, tzinfo=UTC)
MAP = """
[[source]]
table = "patient"
other_columns = "leave_out"
[source.columns]
"No" = "patient_id"

[[source]]
table = "tumour"
other_columns = "leave_out"
[source.columns]
"No" = "patient_id"
"Eye" = "eye"
"Height" = "thickness_mm"
"Base" = "largest_basal_diameter_mm"
[source.made]
tumour_id = "{No}-1"

[[source]]
table = "implant"
date_order = "dmy"
other_columns = "leave_out"
[source.columns]
"In" = INSERTED
"Out" = { field = "removed_at", time_where_none = "12:00" }
[source.made]
tumour_id = "{No}-1"
implant_id = "{No}-1-1"
[source.fixed]
inserted_precision = "day"
"""
ROWS = (
    ("0012", "right", 5.1, 11, datetime(2020, 3, 4), "9.3.2020"),
    ("0013", "left", 4.2, 9, "05.03.2020 14:30", datetime(2020, 3, 9, 8, 15)),
)


@pytest.fixture
def book(tmp_path: Path) -> Path:
    """A theatre list: a date as a cell of dates, as text, with a time and without."""
    made = openpyxl.Workbook()
    sheet = made.active
    assert sheet is not None
    for row in (("No", "Eye", "Height", "Base", "In", "Out"), *ROWS):
        sheet.append(row)
    made.save(tmp_path / "theatre.xlsx")
    return tmp_path / "theatre.xlsx"


def take(book: Path, store: Path, inserted: str) -> IntakeResult:
    columns = read_map(MAP.replace("INSERTED", inserted))
    return take_in(store, [book], by="ana", at=AT, columns=columns)


@pytest.fixture
def store(tmp_path: Path, empty_store: Path) -> Path:
    shutil.copytree(empty_store, tmp_path / "store")
    return tmp_path / "store" / "small.registry"


def test_a_date_without_a_time_gets_the_declared_one(book: Path, store: Path) -> None:
    inserted = '{ field = "inserted_at", time_where_none = "12:00" }'
    result = take(book, store, inserted)
    assert [one for one in result.findings if one.severity == "error"] == []
    with open_store(store) as opened:
        rows = opened.connection.execute(
            "SELECT implant_id, inserted_at, removed_at, inserted_precision FROM implant ORDER BY 1"
        ).fetchall()
    assert rows == [
        ("0012-1-1", datetime(2020, 3, 4, 12), datetime(2020, 3, 9, 12), "day"),
        ("0013-1-1", datetime(2020, 3, 5, 14, 30), datetime(2020, 3, 9, 8, 15), "day"),
    ]


def test_without_a_declaration_it_is_asked_for(book: Path, store: Path) -> None:
    changed = openpyxl.load_workbook(book)
    changed["Sheet"]["E2"] = "04.03.2020"
    changed.save(book)
    result = take(book, store, '"inserted_at"')
    [found] = [one for one in result.findings if one.severity == "error"]
    assert (found.row, found.field, found.found) == (2, "inserted_at", "04.03.2020")
    assert 'time_where_none = "12:00"' in found.remedy
    assert not result.taken


@pytest.mark.parametrize("time", ["24:00", "noon", "12"])
def test_only_a_clock_time_is_taken(time: str) -> None:
    with pytest.raises(UsageError, match='clock time in quotes, as "12:00"'):
        read_map(
            '[[source]]\ntable = "implant"\ncolumns = { In = { field = "inserted_at",'
            f' time_where_none = "{time}" }} }}'
        )


def test_a_wrong_kind_is_told_with_what_to_write() -> None:
    with pytest.raises(UsageError, match="= '1950'; it must be a whole number without quotes"):
        read_map('[[source]]\ntable = "visit"\ntwo_digit_years_from = "1950"')


def test_the_draft_asks_for_the_time_and_tells_of_several_sources(tmp_path: Path) -> None:
    made = openpyxl.Workbook()
    sheet = made.active
    assert sheet is not None
    sheet.title = "implant"
    for row in (("Implant ID", "Tumour ID", "Inserted at"), ("I1", "T1", datetime(2020, 3, 4))):
        sheet.append(row)
    made.save(tmp_path / "theatre.xlsx")
    text = draft_map([tmp_path / "theatre.xlsx"])
    assert '"Inserted at" = { field = "inserted_at", time_where_none = "?" }' in text
    assert "has a [[source]] for each" in text
    with pytest.raises(UsageError, match="leaves time_where_none undecided"):
        read_map(text)
