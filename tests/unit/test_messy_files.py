"""Twenty departments' files come in by their maps alone, value for value.

The outside reference is the drawn department itself: what was written is what must be held.
"""

from __future__ import annotations

import shutil
import tomllib
from collections.abc import Mapping
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from registry.column_map import read_map_file
from registry.draft_map import draft_map
from registry.errors import UsageError
from registry.intake import take_in
from registry.records import TABLES, Field
from registry.store import open_store
from registry.workbook import read_current
from synthetic_cohort.cohort import TRUTH, draw_department
from synthetic_cohort.messy_files import MESSY_TABLES, STYLES, Style, prepare_truth, write_messy

AT = datetime(2026, 1, 31, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def department() -> dict[str, pd.DataFrame]:
    """Return an invented department of eight patients."""
    return draw_department(TRUTH, 8, np.random.default_rng(20))


def _read_typed(text: str, field: Field) -> Any:
    if text == "":
        return None
    readers = {
        "date": date.fromisoformat,
        "timestamp": datetime.fromisoformat,
        "decimal": Decimal,
        "integer": int,
    }
    return readers.get(field.type, str)(text)


def _type_rows(frame: pd.DataFrame, name: str) -> list[tuple[Any, ...]]:
    fields = TABLES[name].entered
    rows = [
        tuple(_read_typed(str(row[field.name]), field) for field in fields)
        for _, row in frame.iterrows()
    ]
    return sorted(rows, key=lambda row: str(row[0]))


def _expected(truth: Mapping[str, pd.DataFrame]) -> dict[str, list[tuple[Any, ...]]]:
    with_centre = dict(truth)
    patients = truth["patient"].copy()
    patients["centre_id"] = patients["centre_id"].where(patients["centre_id"] != "", "invented")
    with_centre["patient"] = patients
    return {name: _type_rows(with_centre[name], name) for name in MESSY_TABLES}


@pytest.mark.parametrize("style", STYLES, ids=lambda style: style.name)
def test_a_department_comes_in_by_its_map_value_for_value(
    style: Style, department: dict[str, pd.DataFrame], tmp_path: Path, empty_store: Path
) -> None:
    truth = prepare_truth(department, style)
    files = write_messy(truth, style, tmp_path / "files")
    shutil.copytree(empty_store, tmp_path / "store")
    store = tmp_path / "store" / "small.registry"
    maps = read_map_file(tmp_path / "files" / "map.toml")
    result = take_in(store, files, by="tester", at=AT, columns=maps)
    assert [f for f in result.findings if f.severity == "error"] == []
    with open_store(store) as opened:
        held = {name: list(read_current(opened, TABLES[name])) for name in MESSY_TABLES}
    expected = _expected(truth)
    for name in MESSY_TABLES:
        assert sorted(held[name], key=lambda row: str(row[0])) == expected[name], name


def test_there_are_twenty_different_styles() -> None:
    assert len({style.name for style in STYLES}) == len(STYLES) == 20
    assert len(set(STYLES)) == 20


@pytest.mark.parametrize("style", STYLES, ids=lambda style: style.name)
def test_a_draft_reads_as_toml_and_asks_what_it_cannot_know(
    style: Style, department: dict[str, pd.DataFrame], tmp_path: Path
) -> None:
    files = write_messy(prepare_truth(department, style), style, tmp_path / "files")
    text = draft_map(files, "cp1252" if style.encoding == "cp1252" else None)
    out = tmp_path / "draft.toml"
    out.write_text(text, encoding="utf-8")
    body = "\n".join(line for line in text.splitlines() if not line.startswith("#"))
    assert tomllib.loads(body)
    assert body.count("[[source]]") == len(MESSY_TABLES)
    assert "patient_id" in body or style.headings
    asks = "undecided" if '"?"' in body else None
    if style.dates == "d.m.yy":
        assert 'two_digit_years_from = "?"' in body
    if style.decimal == "comma":
        assert 'decimal = "?"' in body
    if asks:
        with pytest.raises(UsageError, match=asks):
            read_map_file(out)
