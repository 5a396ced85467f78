"""Twenty departments' files come in by their maps alone, value for value.

The outside reference is the drawn department itself: what was written is what must be held.
"""

from __future__ import annotations

import shutil
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from registry.errors import UsageError
from registry.reading.column_map import read_map_file
from registry.reading.draft_map import draft_map
from registry.records import TABLES, Field
from registry.store import open_store
from registry.taking_in.intake import take_in
from registry.workbook import read_current
from synthetic_cohort.cohort import TRUTH, draw_department
from synthetic_cohort.messy_files import MESSY_TABLES, prepare_truth, write_messy
from synthetic_cohort.messy_styles import STYLES, Style

AT = datetime(2026, 1, 31, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def department() -> dict[str, pd.DataFrame]:
    """Return an invented department of eight patients, followed for up to four years."""
    return draw_department(
        TRUTH,
        8,
        np.random.default_rng(20),
        first_implant_date=date(2018, 1, 1),
        last_implant_date=date(2020, 12, 31),
        data_cut=date(2021, 12, 31),
    )


def _read_typed(text: str, field: Field) -> Any:
    if text == "":
        return None
    readers: dict[str, Callable[[str], Any]] = {
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


def _mark_ids(department: Mapping[str, pd.DataFrame], mark: str) -> dict[str, pd.DataFrame]:
    """Put a mark before every identifier, so that twenty departments go into one registry."""
    identifiers = {f.name for table in TABLES.values() for f in table.key if f.type == "text"}
    marked = {}
    for name in MESSY_TABLES:
        frame = department[name].copy()
        for column in identifiers.intersection(frame.columns):
            frame[column] = [mark + text if text else "" for text in frame[column]]
        marked[name] = frame
    return marked


def _without_order(rows: Sequence[Sequence[Any]], name: str) -> list[Sequence[Any]]:
    """Put the codes of the fields that hold several in order."""
    fields = TABLES[name].entered
    return [
        tuple(
            ";".join(sorted(value.split(";"))) if field.type == "list" and value else value
            for field, value in zip(fields, row, strict=True)
        )
        for row in rows
    ]


def test_twenty_departments_come_in_by_their_maps_value_for_value(
    department: dict[str, pd.DataFrame], tmp_path: Path, empty_store: Path
) -> None:
    """One intake of all of them: planning the rules of a file costs more than its rows."""
    shutil.copytree(empty_store, tmp_path / "store")
    store = tmp_path / "store" / "small.registry"
    truths, files, maps = {}, [], []
    for number, style in enumerate(STYLES):
        truth = prepare_truth(_mark_ids(department, f"D{number:02d}."), style)
        folder = tmp_path / style.name
        for file in write_messy(truth, style, folder):
            files.append(file.rename(folder / f"{style.name} {file.name}"))
        sources = read_map_file(folder / "map.toml")
        maps += [replace(source, file=f"{style.name} {source.file}") for source in sources]
        truths[style] = (f"D{number:02d}.", _expected(truth))
    result = take_in(store, files, by="tester", at=AT, columns=maps)
    assert [f for f in result.findings if f.severity == "error"] == []
    with open_store(store) as opened:
        held = {name: list(read_current(opened, TABLES[name])) for name in MESSY_TABLES}
    for style, (mark, expected) in truths.items():
        for name in MESSY_TABLES:
            own = [row for row in held[name] if str(row[0]).startswith(mark)]
            told = sorted(own, key=lambda row: str(row[0]))
            wanted: list[Sequence[Any]] = list(expected[name])
            if style.ticks:  # a column a code tells which codes, and not their order
                told, wanted = _without_order(told, name), _without_order(wanted, name)
            assert told == wanted, (style.name, name)
            assert own, (style.name, name)


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
