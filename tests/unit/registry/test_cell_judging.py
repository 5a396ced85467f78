"""Cells judged a chunk at a time: each cell as if it stood alone, whatever stood before it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from typing import Any

import duckdb
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.entry_rules import cell_judging
from registry.entry_rules.cell_judging import CellJudge
from registry.entry_rules.rules import make_check, make_text_query
from registry.records import TABLES

TODAY = date(2026, 1, 31)
FIELDS = tuple(
    TABLES["tumour"].field(name) for name in ("tumour_id", "eye", "diagnosis_date", "thickness_mm")
)
NAMES = [field.name for field in FIELDS]


@pytest.fixture(scope="module")
def connection() -> Iterator[Any]:
    opened = duckdb.connect()
    yield opened
    opened.close()


def _chunk(rows: Sequence[Sequence[str]], first_line: int = 2) -> pa.Table:
    columns = [pa.array(column, pa.string()) for column in zip(*rows, strict=True)]
    lines = pa.array(range(first_line, first_line + len(rows)), pa.int64())
    return pa.table([*columns, lines], names=[*NAMES, "line"])


def _judge(judge: CellJudge, chunk: pa.Table) -> dict[int, list[tuple[Any, str | None]]]:
    """Judge a chunk; return value and problem of each cell by line."""
    judged = judge.judge(chunk, has_rare_blanks=True)
    rows: dict[int, list[tuple[Any, str | None]]] = {
        line: [] for line in judged.values["line"].to_pylist()
    }
    for field in FIELDS:
        values = judged.values[field.name].to_pylist()
        problems = judged.problems.get(field)
        found = problems.to_pylist() if problems is not None else [None] * len(values)
        for cells, value, problem in zip(rows.values(), values, found, strict=True):
            cells.append((value, problem))
    return rows


def _judge_alone(connection: Any, cells: Sequence[str]) -> list[tuple[Any, str | None]]:
    """Judge each cell of a row in a query of its own."""
    judged = []
    for field, cell in zip(FIELDS, cells, strict=True):
        check = make_check(field, today=TODAY, date_order=None)
        query = make_text_query(check, "(SELECT CAST($cell AS VARCHAR) AS text)")
        [(value, problem, _)] = connection.execute(query, {"cell": cell}).fetchall()
        judged.append((value, problem))
    return judged


_rows = st.lists(
    st.tuples(
        st.sampled_from(["T1", "T2", "", " ", "T\u200b"]),
        st.sampled_from(["left", " left", "OD", "", "\t"]),
        st.sampled_from(["2024-02-29", "2024-02-30", "29/02/2024", "", "\u00a0"]),
        st.sampled_from(["5.2", "5,2", "139", "", " 5.2 "]),
    ),
    min_size=1,
    max_size=6,
)


@settings(max_examples=40, deadline=None)
@given(chunks=st.lists(_rows, min_size=1, max_size=3), most_known=st.integers(0, 3))
def test_a_cell_is_judged_as_if_it_stood_alone(
    connection: Any, chunks: list[list[tuple[str, ...]]], most_known: int
) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cell_judging, "MOST_KNOWN_TEXTS", most_known)
        judge = CellJudge(connection, FIELDS, today=TODAY, date_order=None)
        for rows in chunks:
            judged = _judge(judge, _chunk(rows))
            blank = {n for n, cells in enumerate(rows, 2) if not any(c.strip() for c in cells)}
            assert set(judged) == set(range(2, 2 + len(rows))) - blank
            for line, found in judged.items():
                assert found == _judge_alone(connection, rows[line - 2])


def test_a_blank_cell_of_a_required_field_is_missing_but_a_blank_row_is_none(
    connection: Any,
) -> None:
    judge = CellJudge(connection, FIELDS, today=TODAY, date_order=None)
    judged = judge.judge(_chunk([("T1", "", "", ""), (" ", "\t", "", " ")]), has_rare_blanks=True)
    assert judged.values.select(NAMES).to_pylist() == [
        {"tumour_id": "T1", "eye": None, "diagnosis_date": None, "thickness_mm": None}
    ]
    assert {field.name: found.to_pylist() for field, found in judged.problems.items()} == {
        "eye": ["missing"]
    }
