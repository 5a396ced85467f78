"""Physical lines into records: each parsed alone, joined only where that closes a quote.

What comes out is a :class:`Chunk`, the form in which rows of every kind of file are staged.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    import pyarrow as pa

MOST_JOINED_LINES = 20
"""A quoted cell may run over this many physical lines."""

_LINES_AT_ONCE = 500
"""Quoted lines parsed together, which is faster; where one is damaged, each is parsed alone."""

RARE_BLANKS = (
    "\t\n\v\f\r\u00a0\u1680" + "".join(map(chr, range(0x2000, 0x200B))) + "\u202f\u205f\u3000"
)
"""Blank characters other than the space that are trimmed from the ends of a cell."""

LineProblemKind = Literal[
    "column_count",
    "unclosed_quote",
    "stray_quote",
    "unnamed_cell",
    "repeated_heading",
    "total_row",
    "merged_cells",
]

TOTAL = (
    r"(?i)\s*((grand total|sub-?total|totale?|sum|mean|average|median|count|gesamt|summe|"
    r"mittelwert|somme|moyenne)(\s*[:=]\s*[\d.,%]*|\s+[\d.,%]+)?|n\s*=\s*\d+)\s*"
)
"""What the first cell of a row of totals says (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class LineProblem:
    """A physical line that is no record, or cannot be split into the right number of cells.

    ``cells`` are the cells as far as they can be told; with an unclosed quote the last of them is
    where the quote opens.
    """

    line: int
    kind: LineProblemKind
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Chunk:
    """Some rows of the file, in no particular order.

    ``cells`` is an Arrow table of strings with one column a heading cell, named ``0``, ``1``, ...,
    and ``line`` (int64), the physical line on which the row starts, the heading being line 1.
    A blank line is left out. ``has_rare_blanks`` tells whether some cell holds a
    tab, line break, no-break space or the like, so that trimming must look for more than spaces.
    ``written`` holds the cells as the file has them, where a column map has changed them since.
    """

    cells: pa.Table
    problems: tuple[LineProblem, ...]
    has_rare_blanks: bool
    written: pa.Table | None = None


def refuse_cell(found: str, remedy: str) -> str:
    """Write a cell that no field takes: what stands in the file, and what to do about it.

    Examples
    --------
    >>> split_refused(refuse_cell("#N/A", "mend the formula"))
    ('#N/A', 'mend the formula')
    """
    return "\0" + found.replace("\0", "") + "\0" + remedy


def split_refused(text: str) -> tuple[str, str] | None:
    """Split what :func:`refuse_cell` wrote; None for any other text."""
    if not text.startswith("\0") or text.count("\0") != 2:
        return None
    _, found, remedy = text.split("\0")
    return found, remedy


def parse_line(text: str, delimiter: str = ",") -> list[str] | None:
    """Parse the text as exactly one CSV record, strictly; None where that cannot be done.

    Examples
    --------
    >>> parse_line('P1,"a, b",')
    ['P1', 'a, b', '']
    >>> parse_line('P1,"a, b') is None
    True
    """
    if '"' not in text and "\n" not in text:
        return text.split(delimiter)
    try:
        records = list(csv.reader((text,), delimiter=delimiter, strict=True))
    except csv.Error:
        return None
    return records[0] if len(records) == 1 else None


def _parse_group(
    lines: list[str], group: list[int], n_columns: int, delimiter: str
) -> Iterator[tuple[int, list[str] | LineProblemKind, int]]:
    """Parse the records that start at some quoted lines: where, the record or problem, its lines.

    A record takes one line at least, so as many records as lines are one a line.
    """
    try:
        alike = list(csv.reader((lines[at] for at in group), delimiter=delimiter, strict=True))
    except csv.Error:
        alike = []
    if len(alike) == len(group) and all(len(record) == n_columns for record in alike):
        yield from ((at, record, 1) for at, record in zip(group, alike, strict=True))
        return
    next_free = 0
    for at in group:
        if at >= next_free:
            outcome, n_lines = _parse_quoted(lines, at, n_columns, delimiter)
            next_free = at + n_lines
            yield at, outcome, n_lines


def _parse_quoted(
    lines: list[str], at: int, n_columns: int, delimiter: str
) -> tuple[list[str] | LineProblemKind, int]:
    """Parse the record that starts at ``lines[at]``; return it, or the problem, and its lines."""
    alone = parse_line(lines[at], delimiter)
    if alone is not None:
        return (alone if len(alone) == n_columns else "column_count"), 1
    for n_lines in range(2, MOST_JOINED_LINES + 1):
        if at + n_lines > len(lines):
            break
        if '"' not in lines[at + n_lines - 1]:
            continue
        joined = parse_line("\n".join(lines[at : at + n_lines]), delimiter)
        if joined is not None and len(joined) == n_columns:
            return joined, n_lines
    return ("unclosed_quote" if _ends_inside_quotes(lines[at], delimiter) else "stray_quote"), 1


def _ends_inside_quotes(line: str, delimiter: str) -> bool:
    """Whether the end of the line is still within a quoted cell."""
    try:
        list(csv.reader([line], delimiter=delimiter, strict=True))
    except csv.Error as error:
        return str(error) == "unexpected end of data"
    return False


def split_leniently(line: str, delimiter: str = ",") -> tuple[str, ...]:
    """Split a damaged line as far as its quotes allow."""
    try:
        return tuple(next(csv.reader([line], delimiter=delimiter), ()))
    except csv.Error:
        return tuple(line.split(delimiter))


def parse_block(
    lines: list[str], first_line: int, n_columns: int, *, is_last: bool, delimiter: str = ","
) -> tuple[int, Chunk]:
    """Parse as many of the lines as can be told from these alone.

    Parameters
    ----------
    lines
        Physical lines without their ends.
    first_line
        The number of ``lines[0]`` in the file.
    n_columns
        Cells that every row must have.
    is_last
        Whether the file ends here; otherwise up to 19 lines are left for the next block, because
        a quoted cell may run on.
    delimiter
        The mark between cells.

    Returns
    -------
    tuple of int and Chunk
        How many of the lines are used up, and what they hold.
    """
    used = len(lines) if is_last else max(0, len(lines) - MOST_JOINED_LINES + 1)
    block = list(lines)
    records: list[list[str]] = []
    starts: list[int] = []
    problems: list[LineProblem] = []
    next_free, is_joined = 0, False
    quoted = [at for at, line in enumerate(lines[:used]) if '"' in line]
    for first in range(0, len(quoted), _LINES_AT_ONCE):
        group = [at for at in quoted[first : first + _LINES_AT_ONCE] if at >= next_free]
        for at, outcome, n_lines in _parse_group(lines, group, n_columns, delimiter):
            if isinstance(outcome, str):
                cells = split_leniently(lines[at], delimiter)
                problems.append(LineProblem(first_line + at, outcome, cells))
            else:
                records.append(outcome)
                starts.append(first_line + at)
            next_free, is_joined = at + n_lines, is_joined or n_lines > 1
            block[at:next_free] = [""] * n_lines
    used = max(used, next_free)
    kept = [at for at, line in enumerate(block[:used]) if line]
    text = "".join(block[at] + "\n" for at in kept)
    plain, miscounted = _parse_plain(text, [first_line + at for at in kept], n_columns, delimiter)
    problems += miscounted
    whole = "\n".join(lines[:used]) if records else text
    has_rare = is_joined or _has_rare_blanks(whole)
    cells = _append_records(plain, records, starts)
    return used, Chunk(cells, tuple(problems), has_rare)


def is_plain(text: str) -> bool:
    """Whether lines hold no quote and none of them is empty, so that each mark ends a cell."""
    return '"' not in text and "\n\n" not in text and not text.startswith("\n")


def parse_plain_block(
    text: str, first_line: int, n_columns: int, *, delimiter: str = ","
) -> tuple[int, Chunk]:
    """Parse whole plain lines; parameters and answer as :func:`parse_block`.

    Examples
    --------
    >>> used, chunk = parse_plain_block("P1,a\\nP2,b\\n", 2, 2)
    >>> used, chunk.cells["line"].to_pylist()
    (2, [2, 3])
    """
    used = text.count("\n")
    numbers = range(first_line, first_line + used)
    cells, problems = _parse_plain(text, numbers, n_columns, delimiter)
    return used, Chunk(cells, tuple(problems), _has_rare_blanks(text))


def _has_rare_blanks(text: str) -> bool:
    return any(mark in text for mark in RARE_BLANKS if mark != "\n")


def _parse_plain(
    text: str, line_numbers: Sequence[int], n_columns: int, delimiter: str
) -> tuple[pa.Table, list[LineProblem]]:
    """Parse lines without quotes, where every mark ends a cell."""
    import numpy as np
    import pyarrow as pa
    import pyarrow.csv

    names = [str(column) for column in range(n_columns)]
    if not text:
        columns = [pa.array([], pa.string()) for _ in names] + [pa.array([], pa.int64())]
        return pa.table(columns, names=[*names, "line"]), []
    misfits: list[tuple[int, str]] = []

    def skip_misfit(row: Any) -> str:
        misfits.append((row.number, row.text))
        return "skip"

    data = text.encode()
    table = pyarrow.csv.read_csv(
        pa.py_buffer(data),
        pyarrow.csv.ReadOptions(use_threads=False, column_names=names, block_size=len(data) + 1),
        pyarrow.csv.ParseOptions(
            delimiter=delimiter,
            quote_char=False,
            ignore_empty_lines=False,
            invalid_row_handler=skip_misfit,
        ),
        pyarrow.csv.ConvertOptions(
            column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False
        ),
    )
    numbers = np.array(line_numbers, dtype=np.int64)
    problems = [
        LineProblem(int(numbers[number - 1]), "column_count", tuple(misfit.split(delimiter)))
        for number, misfit in misfits
    ]
    kept = np.delete(numbers, [number - 1 for number, _ in misfits])
    return table.append_column("line", pa.array(kept)), problems


def _append_records(table: pa.Table, records: list[list[str]], starts: list[int]) -> pa.Table:
    import pyarrow as pa

    if not records:
        return table
    columns = [pa.array(column, pa.string()) for column in zip(*records, strict=True)]
    more = pa.table([*columns, pa.array(starts, pa.int64())], names=table.column_names)
    return pa.concat_tables([table, more]).combine_chunks()


def tabulate(rows: list[list[str]], lines: list[int], width: int) -> pa.Table:
    """Make the Arrow table of a chunk from rows of ``width`` texts."""
    import pyarrow as pa

    columns = list(zip(*rows, strict=True)) if rows else [()] * width
    arrays = [pa.array(column, pa.string()) for column in columns]
    names = [*(str(place) for place in range(width)), "line"]
    return pa.table([*arrays, pa.array(lines, pa.int64())], names=names)
