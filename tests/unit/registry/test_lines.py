"""The physical-line reader: encodings, damaged quotes, line numbers.

The standard library's csv module is the outside reference for what a sound record holds.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.entry_rules import line_records
from registry.entry_rules.line_records import LineProblem, parse_block
from registry.errors import RefusedInputError, UsageError
from registry.reading import lines as lines_module
from registry.reading.lines import CsvLines


def _read(
    path: Path, encoding: str | None = None
) -> tuple[dict[int, list[str]], list[LineProblem]]:
    """Read a file into its rows by line, blank lines left out, and its problems."""
    reader = CsvLines(path, encoding)
    rows: dict[int, list[str]] = {}
    problems: list[LineProblem] = []
    for chunk in reader.read_chunks():
        columns = [chunk.cells[str(place)].to_pylist() for place in range(len(reader.heading))]
        for line, *cells in zip(chunk.cells["line"].to_pylist(), *columns, strict=True):
            if any(cells):
                assert line not in rows
                rows[line] = cells
        problems += chunk.problems
    assert reader.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    return rows, problems


def _file(tmp_path: Path, data: bytes) -> Path:
    path = tmp_path / "visit.csv"
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_every_line_end_and_byte_order_mark_is_read(
    tmp_path: Path, line_end: str, encoding: str
) -> None:
    text = line_end.join(["a,b", "é,1", "", "z,2"])
    rows, problems = _read(_file(tmp_path, text.encode(encoding)))
    assert rows == {2: ["é", "1"], 4: ["z", "2"]}
    assert not problems


def test_big_endian_utf_16_is_read_by_its_mark(tmp_path: Path) -> None:
    data = b"\xfe\xff" + "a,b\nö,1\n".encode("utf-16-be")
    assert _read(_file(tmp_path, data))[0] == {2: ["ö", "1"]}


def test_cp1252_is_read_only_when_the_user_says_so(tmp_path: Path) -> None:
    path = _file(tmp_path, "a,b\nx,1\nMüller’s €,2\n".encode("cp1252"))
    with pytest.raises(RefusedInputError, match=r"line 3 is not utf-8.*--encoding cp1252"):
        _read(path)
    assert _read(path, "cp1252")[0][3] == ["Müller’s €", "2"]
    with pytest.raises(
        UsageError, match="'latin-1' is not one of utf-8, cp1252, utf-16-le, utf-16-be"
    ):
        _read(path, "latin-1")


def test_a_wrong_byte_is_located_beyond_the_first_block(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(lines_module, "BLOCK_BYTES", 7)
    path = _file(tmp_path, b"a,b\n" + b"xx,yy\n" * 50 + b"x,\xff\n")
    with pytest.raises(RefusedInputError, match="line 52 is not utf-8"):
        _read(path)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "is empty"),
        (b"\n\n", "is empty"),
        (b"\na,b\n1,2\n", "Line 1 cannot be read as a heading"),
        (b'"a,b\n1,2\n', "Line 1 cannot be read as a heading"),
        (b"a;b,c\n1;2\n", "can be split at comma and semicolon"),
        (b"a,b\n1,\x002\n", "Line 2 holds a NUL"),
    ],
)
def test_what_is_no_csv_file_is_refused(tmp_path: Path, data: bytes, message: str) -> None:
    with pytest.raises((RefusedInputError, UsageError), match=message):
        _read(_file(tmp_path, data))


def test_a_line_without_end_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lines_module, "LONGEST_LINE", 100)
    with pytest.raises(RefusedInputError, match="longer than 100 characters"):
        _read(_file(tmp_path, b"a,b\n" + b"x" * 200))


def test_an_unclosed_quote_costs_its_own_line_only(tmp_path: Path) -> None:
    rows, problems = _read(_file(tmp_path, b'a,b,c\n1,"x,2\n3,y,4\n5,"z, z",6\n'))
    assert rows == {3: ["3", "y", "4"], 4: ["5", "z, z", "6"]}
    assert problems == [LineProblem(2, "unclosed_quote", ("1", "x,2"))]


def test_lines_are_joined_only_where_that_gives_the_right_number_of_cells(tmp_path: Path) -> None:
    two_cells = b'a,b\n"one\ntwo",2\n"lost,3\n4,5\n6,"end\n'
    rows, problems = _read(_file(tmp_path, two_cells))
    assert rows == {2: ["one\ntwo", "2"], 5: ["4", "5"]}
    assert [(p.line, p.kind) for p in problems] == [(4, "unclosed_quote"), (6, "unclosed_quote")]


@pytest.mark.parametrize(("n_lines", "is_joined"), [(20, True), (21, False)])
def test_at_most_twenty_lines_are_joined(tmp_path: Path, n_lines: int, is_joined: bool) -> None:
    cell = "\n".join(["w"] * n_lines)
    _, problems = _read(_file(tmp_path, f'a,b\n"{cell}",2\n'.encode()))
    assert (not problems) == is_joined


def test_a_quote_in_the_wrong_place_and_a_wrong_count_are_told_apart(tmp_path: Path) -> None:
    _, problems = _read(_file(tmp_path, b'a,b\n"x"y,2\n1,2,3\n1\n"q"\n'))
    assert [(p.line, p.kind, p.cells) for p in sorted(problems, key=lambda p: p.line)] == [
        (2, "stray_quote", ("xy", "2")),
        (3, "column_count", ("1", "2", "3")),
        (4, "column_count", ("1",)),
        (5, "column_count", ("q",)),
    ]


_CELL = st.text(
    st.characters(codec="utf-8", exclude_characters="\0\r", exclude_categories=["Cs"]), max_size=8
)


@settings(max_examples=150, deadline=None)
@given(
    rows=st.lists(st.lists(_CELL, min_size=3, max_size=3), max_size=12),
    quoting=st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
    is_last=st.booleans(),
)
def test_any_table_that_csv_writes_is_read_back(
    rows: list[list[str]], quoting: int, is_last: bool
) -> None:
    """Python's csv writer is the reference; line breaks inside cells included."""
    stream = io.StringIO()
    writer = csv.writer(stream, quoting=quoting, lineterminator="\n")  # type: ignore[arg-type]
    starts, text_lines = [], 0
    for row in rows:
        starts.append(2 + text_lines)
        writer.writerow(row)
        text_lines = stream.getvalue().count("\n")
    written = stream.getvalue().split("\n")[:-1]
    used, chunk = parse_block(written, 2, 3, is_last=is_last)
    rest_used, rest = parse_block(written[used:], 2 + used, 3, is_last=True)
    read = _rows_by_line(chunk.cells) | _rows_by_line(rest.cells)
    assert used + rest_used == len(written)
    assert not chunk.problems + rest.problems
    expected = {line: row for line, row in zip(starts, rows, strict=True) if any(row)}
    assert {line: row for line, row in read.items() if any(row)} == expected


def _rows_by_line(cells: object) -> dict[int, Sequence[str]]:
    return {row.pop("line"): list(row.values()) for row in cells.to_pylist()}  # type: ignore[attr-defined]


@settings(max_examples=60, deadline=None)
@given(damaged=st.integers(0, 29), place=st.integers(0, 2), together=st.sampled_from([1, 7, 500]))
def test_one_stray_quote_never_hides_another_line(damaged: int, place: int, together: int) -> None:
    rows = [[f"V{i}", "6/9", "note, with comma"] for i in range(30)]
    texts = [",".join(f'"{cell}"' for cell in row) for row in rows]
    cells = [f'"{cell}"' for cell in rows[damaged]]
    cells[place] = cells[place][:-1]
    texts[damaged] = ",".join(cells)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(line_records, "_LINES_AT_ONCE", together)
        _, chunk = parse_block(texts, 2, 3, is_last=True)
    assert [problem.line for problem in chunk.problems] == [2 + damaged]
    read = _rows_by_line(chunk.cells)
    kept = {line: row for line, row in read.items() if any(row)}
    assert kept == {2 + i: row for i, row in enumerate(rows) if i != damaged}
