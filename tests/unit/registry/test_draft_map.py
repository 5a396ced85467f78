"""Drafts of column maps: what they see in a file, what they ask, and that a corrected one works.

The expected maps are what a person would write for the small files made here.
"""

from __future__ import annotations

import shutil
import tomllib
from collections.abc import Mapping
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from registry.errors import UsageError
from registry.reading.column_map import read_map
from registry.reading.draft_map import draft_map
from registry.store import open_store
from registry.taking_in.intake import take_in

AT = datetime(2026, 1, 31, 12, tzinfo=UTC)
CLINIC: list[list[str | None]] = [
    ["Eye clinic, register of plaques"],
    [],
    ["Pat. No.", "Sex", "Visit 1", None, None, None, "Visit 2", None, None, None, "Remarks"],
    [None, None, "date", "eye", "VA", "height (cm)", "date", "eye", "VA", "height (cm)", None],
    ["0012", "F", "03/04/20", "OD", "6/9", "0,52", "13.10.20", "OD", "6/12", "0,48", "call back"],
    ["1E5", "M", "5/4/19", "OS", "CF", None, None, None, None, None, None],
]


def _write_book(path: Path, rows: list[list[str | None]]) -> Path:
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    for cells in ("C3:F3", "G3:J3", "A3:A4", "B3:B4", "K3:K4"):
        book.active.merge_cells(cells)
    book.active.title = "Follow-up"
    book.save(path)
    return path


def _draft(path: Path) -> Mapping[str, Any]:
    [source] = tomllib.loads(draft_map([path]))["source"]
    read: Mapping[str, Any] = source
    return read


def test_a_wide_sheet_under_a_title_is_seen_as_one(tmp_path: Path) -> None:
    source = _draft(_write_book(tmp_path / "clinic.xlsx", CLINIC))
    assert source["table"] == "visit"
    assert source["heading_rows"] == [3, 4]
    assert source["repeat"] == ["1", "2"]
    assert source["made"] == {"visit_id": "{patient_id}-{n}"}
    assert source["columns"] == {
        "Pat. No.": "patient_id",
        "Sex": "",
        "Visit {n} / date": "visit_date",
        "Visit {n} / eye": {"field": "eye", "values": {"OD": "right", "OS": "left"}},
        "Visit {n} / VA": "acuity",
        "Visit {n} / height (cm)": {"field": "thickness_mm", "multiply": "10"},
        "Remarks": "",
    }
    # What the cells do not settle is asked; 13.10.20 settles the order of day and month.
    assert (source["decimal"], source["two_digit_years_from"]) == ("?", "?")
    assert source["date_order"] == "dmy"


def test_the_draft_is_refused_until_decided_and_then_reads_the_file(
    tmp_path: Path, empty_store: Path
) -> None:
    book = _write_book(tmp_path / "clinic.xlsx", CLINIC)
    text = draft_map([book])
    with pytest.raises(UsageError, match="undecided"):
        read_map(text)
    decided = text.replace('decimal = "?"', 'decimal = "comma"')
    decided = decided.replace('two_digit_years_from = "?"', "two_digit_years_from = 1950")
    shutil.copytree(empty_store, tmp_path / "store")
    store = tmp_path / "store" / "small.registry"
    lines = {
        "patient": "patient_id,sex\n0012,female\n1E5,male\n",
        "tumour": "tumour_id,patient_id,eye,thickness_mm,largest_basal_diameter_mm\n"
        "T1,0012,right,5.4,10\nT2,1E5,left,5,10\n",
    }
    for name, content in lines.items():
        (tmp_path / f"{name}.csv").write_text(content, encoding="utf-8")
    own = [tmp_path / f"{name}.csv" for name in lines]
    assert take_in(store, own, by="ana", at=AT).taken
    result = take_in(store, [book], by="ana", at=AT, columns=read_map(decided))
    assert [finding for finding in result.findings if finding.severity == "error"] == []
    with open_store(store) as opened:
        rows = opened.connection.execute(
            "SELECT visit_id, eye, visit_date, acuity, thickness_mm FROM visit ORDER BY ALL"
        ).fetchall()
    assert rows == [
        ("0012-1", "right", date(2020, 4, 3), "6/9", Decimal("5.2")),
        ("0012-2", "right", date(2020, 10, 13), "6/12", Decimal("4.8")),
        ("1E5-1", "left", date(2019, 4, 5), "CF", None),
    ]


def test_two_heading_lines_of_a_text_file_and_repeated_names(tmp_path: Path) -> None:
    path = tmp_path / "visit.csv"
    path.write_text(
        "Person;;First;;Second;\nID;Side;date;VA;date;VA\n"
        "P1;OD;1/2/2020;6/9;3/4/2020;6/9\nP2;OD;1/2/2020;6/9;3/4/2020;6/9\n",
        encoding="utf-8",
    )
    source = _draft(path)
    assert source["heading_rows"] == [1, 2]
    assert source["delimiter"] == "semicolon"
    assert source["date_order"] == "?"  # 1/2 and 3/4 can be read in two ways
    assert set(source["columns"]) == {
        *("Person / ID", "Person / Side", "First / date", "First / VA", "Second / date"),
        "Second / VA",
    }


@pytest.mark.parametrize(
    ("heading", "repeat"),
    [
        ("patient_id,chromosome_3,chromosome_8q,eye", None),
        ("patient_id,VA 6 months,VA 12 months,IOP 6 months,IOP 12 months", ["6", "12"]),
        ("patient_id,VA,VA,eye,eye", ["1", "2"]),
        ("patient_id,VA,VA", None),
    ],
)
def test_numbers_in_headings_repeat_only_where_several_columns_do(
    tmp_path: Path, heading: str, repeat: list[str] | None
) -> None:
    (tmp_path / "visit.csv").write_text(
        f"{heading}\n{heading.count(',') * ','}\nP1{heading.count(',') * ',x'}\n", encoding="utf-8"
    )
    assert _draft(tmp_path / "visit.csv").get("repeat") == repeat
