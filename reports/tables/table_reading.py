"""A research fellow's CSV, read as text and turned into numbers without guessing.

The file is comma-separated UTF-8 with one heading line. Nothing is sniffed: a cell is a number only
if it is written as one, with a decimal point. Every refusal names the line of the file (the heading
is line 1) and the column.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING

from registry.errors import RefusedInputError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

MISSING = frozenset({"", "NA", "NaN", "nan", "."})
"""Cells that stand for a missing value, after blanks at both ends are taken off."""

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)
_TRUTH = {"TRUE": "1", "True": "1", "true": "1", "FALSE": "0", "False": "0", "false": "0"}


@dataclass(frozen=True, slots=True)
class Table:
    """The cells of one CSV file.

    Attributes
    ----------
    name
        The file's name, for messages.
    headings
        Column names in the order of the file.
    lines
        The physical line on which each row begins; the heading is line 1.
    cells
        For each column its cells as text, without blanks at both ends.
    """

    name: str
    headings: tuple[str, ...]
    lines: tuple[int, ...]
    cells: Mapping[str, tuple[str, ...]]

    @property
    def n_rows(self) -> int:
        """Number of rows below the heading."""
        return len(self.lines)

    def _column(self, column: str) -> tuple[str, ...]:
        if column in self.cells:
            return self.cells[column]
        near = get_close_matches(column, self.headings, 1)
        hint = f" Did you mean {near[0]!r}?" if near else ""
        raise RefusedInputError(
            f"{self.name} has no column {column!r}.{hint} Its columns are: "
            f"{', '.join(self.headings)}.",
            file=self.name,
            column=column,
        )

    def texts(self, column: str) -> tuple[str | None, ...]:
        """Return a column as text; a missing cell is None.

        Raises
        ------
        RefusedInputError
            When the file has no such column.
        """
        return tuple(None if cell in MISSING else cell for cell in self._column(column))

    def numbers(self, column: str) -> NDArray[np.float64]:
        """Return a column as numbers, shape (n_rows,); a missing cell is NaN.

        TRUE and FALSE (as R and pandas write them) are 1 and 0.

        Raises
        ------
        RefusedInputError
            When the file has no such column, or a cell is not a number: the line is named.
        """
        import numpy as np

        cells = self._column(column)
        values = np.empty(len(cells), dtype=np.float64)
        for row, cell in enumerate(cells):
            if cell in MISSING:
                values[row] = np.nan
                continue
            written = _TRUTH.get(cell, cell)
            if not _NUMBER.fullmatch(written):
                raise self._refuse_number(row, column)
            values[row] = float(written)
            if not np.isfinite(values[row]):
                raise self._refuse_number(row, column)
        return values

    def is_numeric(self, column: str) -> bool:
        """Say whether every cell of a column that is not missing is a number (or TRUE, FALSE)."""
        return all(
            cell in MISSING or cell in _TRUTH or _NUMBER.fullmatch(cell) is not None
            for cell in self._column(column)
        )

    def _refuse_number(self, row: int, column: str) -> RefusedInputError:
        cell = self.cells[column][row]
        comma = " The decimal sign is a point." if _DECIMAL_COMMA.fullmatch(cell) else ""
        return RefusedInputError(
            f"{self.name}, line {self.lines[row]}, column {column!r}: {cell[:40]!r} is not a "
            f"number.{comma} Allowed: a finite number such as 12 or 0.5; leave the cell empty "
            "where the value is missing.",
            file=self.name,
            line=self.lines[row],
            column=column,
        )

    def keep(self, is_kept: Sequence[bool] | NDArray[np.bool_]) -> Table:
        """Return the rows where ``is_kept`` (length n_rows) is true."""
        rows = [row for row, kept in enumerate(is_kept) if kept]
        cells = {
            heading: tuple(column[row] for row in rows) for heading, column in self.cells.items()
        }
        return Table(self.name, self.headings, tuple(self.lines[row] for row in rows), cells)

    def complete_rows(self, columns: Sequence[str]) -> tuple[Table, tuple[str, ...]]:
        """Drop the rows with a missing value in any of ``columns``.

        Returns
        -------
        tuple
            The table of complete rows, and warnings that count what was dropped: one sentence for
            the rows and one for each column with missing values; empty when nothing was dropped.
        """
        missing = {column: [cell in MISSING for cell in self._column(column)] for column in columns}
        if not any(any(flags) for flags in missing.values()):
            return self, ()
        is_kept = [not any(flags) for flags in zip(*missing.values(), strict=True)]
        dropped = len(is_kept) - sum(is_kept)
        by_column = ", ".join(
            f"{column}: {sum(flags)}" for column, flags in missing.items() if any(flags)
        )
        warning = (
            f"{dropped} of {self.n_rows} rows left out for a missing value (missing by column: "
            f"{by_column})."
        )
        return self.keep(is_kept), (warning,)


def read_table(path: str | Path) -> Table:
    """Read a comma-separated file as text.

    Parameters
    ----------
    path
        A UTF-8 file (a byte-order mark is allowed) with a heading line. Lines with nothing in them
        are passed over.

    Raises
    ------
    RefusedInputError
        When the file cannot be read, is not UTF-8, holds no row, repeats or lacks a heading, has a
        row of another length than the heading, or is separated by something else than commas.
    """
    name = Path(path).name
    text = _read_text(Path(path), name)
    if "\x00" in text:
        raise RefusedInputError(
            f"{name} is not a text file. Save the table as CSV (UTF-8).", file=name
        )
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: list[list[str]] = []
    lines: list[int] = []
    line = 1
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                rows.append([cell.strip() for cell in row])
                lines.append(line)
            line = reader.line_num + 1
    except csv.Error as problem:
        raise RefusedInputError(
            f"{name}, line {line}: the quotes of this row do not close ({problem}).",
            file=name,
            line=line,
        ) from None
    if not rows:
        raise RefusedInputError(f"{name} is empty; a heading line and rows are needed.", file=name)
    headings = _check_headings(name, rows[0])
    _check_lengths(name, headings, rows, lines)
    columns = zip(*rows[1:], strict=True) if len(rows) > 1 else [()] * len(headings)
    cells = {heading: tuple(column) for heading, column in zip(headings, columns, strict=True)}
    return Table(name, headings, tuple(lines[1:]), cells)


def _read_text(path: Path, name: str) -> str:
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise RefusedInputError(f"There is no file {str(path)!r}.", file=str(path)) from None
    except OSError as problem:
        raise RefusedInputError(
            f"{str(path)!r} cannot be read: {problem.strerror}.", file=str(path)
        ) from None
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line = raw[: problem.start].count(b"\n") + 1
        raise RefusedInputError(
            f"{name}, line {line}: not UTF-8. Save the table as CSV (UTF-8).", file=name, line=line
        ) from None


def _check_headings(name: str, headings: list[str]) -> tuple[str, ...]:
    if len(headings) == 1:
        for separator, word in ((";", "semicolons"), ("\t", "tabs"), ("|", "bars")):
            if separator in headings[0]:
                raise RefusedInputError(
                    f"{name} is separated by {word}; separate it by commas, with decimal points.",
                    file=name,
                    line=1,
                )
    for place, heading in enumerate(headings, 1):
        if not heading and place > 1:
            raise RefusedInputError(f"{name}: column {place} has no heading.", file=name, line=1)
        if headings.count(heading) > 1:
            raise RefusedInputError(
                f"{name} has the heading {heading!r} twice.", file=name, line=1, column=heading
            )
    return tuple(headings)


def _check_lengths(
    name: str, headings: tuple[str, ...], rows: list[list[str]], lines: list[int]
) -> None:
    for row, line in zip(rows[1:], lines[1:], strict=True):
        if len(row) != len(headings):
            raise RefusedInputError(
                f"{name}, line {line}: {len(row)} cells under {len(headings)} headings. A cell "
                "that holds a comma needs quotes around it.",
                file=name,
                line=line,
            )
