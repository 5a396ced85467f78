"""Reading a CSV file one physical line at a time.

One unclosed quote must not swallow the lines after it, hide their errors or shift their numbers.
So a line is parsed alone, strictly; lines are joined (a line break inside a quoted cell) only where
that closes the quote and gives the right number of cells. Nothing is guessed: cells are separated
by commas, quoted with double quotes, and the encoding is the one that the byte order mark or the
user names, otherwise strict UTF-8.
"""

from __future__ import annotations

import codecs
import csv
import hashlib
import io
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from registry.errors import RefusedInputError, UsageError

if TYPE_CHECKING:
    import pyarrow as pa

MOST_JOINED_LINES = 20
"""A quoted cell may run over this many physical lines."""

LONGEST_LINE = 1_000_000
"""Characters; a longer line means that this is not a CSV file."""

BLOCK_BYTES = 1 << 23
"""Bytes decoded at a time."""

RARE_BLANKS = (
    "\t\n\v\f\r\u00a0\u1680" + "".join(map(chr, range(0x2000, 0x200B))) + "\u202f\u205f\u3000"
)
"""Blank characters other than the space that are trimmed from the ends of a cell."""

ENCODINGS = ("utf-8", "cp1252")
"""What ``encoding`` may name. UTF-16 is known by its byte order mark."""

LineProblemKind = Literal["column_count", "unclosed_quote", "stray_quote"]


@dataclass(frozen=True, slots=True)
class LineProblem:
    """A physical line that cannot be split into the right number of cells.

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
    """

    cells: pa.Table
    problems: tuple[LineProblem, ...]
    has_rare_blanks: bool


def compute_sha256(path: Path) -> str:
    """Return the SHA-256 of a whole file as 64 hexadecimal digits."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def choose_encoding(start: bytes, named: str | None) -> str:
    """Name the codec from the first bytes of the file, or else from what the user said.

    Examples
    --------
    >>> choose_encoding(b"\\xef\\xbb\\xbfpatient_id", None)
    'utf-8-sig'
    >>> choose_encoding(b"patient_id", None)
    'utf-8'
    """
    if named is not None and named not in ENCODINGS:
        raise UsageError(
            f"The encoding {named!r} is not one of {', '.join(ENCODINGS)}.", option="--encoding"
        )
    if start.startswith(codecs.BOM_UTF8):
        return "utf-8-sig"
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    return named or "utf-8"


class CsvLines:
    """The physical lines of one CSV file: the heading, then chunks of rows.

    Parameters
    ----------
    path
        The file.
    encoding
        ``"utf-8"`` or ``"cp1252"``; None for strict UTF-8. A byte order mark wins.

    Attributes
    ----------
    heading
        The cells of line 1, trimmed.
    sha256
        Digest of the bytes read so far; that of the whole file once every chunk has been read.
    """

    def __init__(self, path: Path, encoding: str | None = None) -> None:
        self.path = path
        self._digest = hashlib.sha256()
        self._lines_seen = 0
        self._encoding = encoding
        self._texts = self._decode()
        self._rest = ""
        self._ended = False
        self.heading = self._read_heading()

    @property
    def sha256(self) -> str:
        """Digest of what has been read, 64 hexadecimal digits."""
        return self._digest.hexdigest()

    def _refuse(self, message: str, line: int | None = None) -> RefusedInputError:
        where: dict[str, object] = {"file": self.path.name}
        if line is not None:
            where["row"] = line
        return RefusedInputError(message, **where)

    def _decode(self) -> Iterator[str]:
        """Yield the text of the file block by block with every line end written ``\\n``."""
        with self.path.open("rb") as stream:
            block = stream.read(BLOCK_BYTES)
            codec = choose_encoding(block[:4], self._encoding)
            decoder = codecs.getincrementaldecoder(codec)(errors="strict")
            newlines = io.IncrementalNewlineDecoder(None, translate=True)
            while True:
                self._digest.update(block)
                try:
                    decoded = decoder.decode(block, final=not block)
                except UnicodeDecodeError as error:
                    raise self._refuse_encoding(error, codec) from None
                text = newlines.decode(decoded, final=not block)
                self._refuse_nul(text)
                self._lines_seen += text.count("\n")
                yield text
                if not block:
                    return
                block = stream.read(BLOCK_BYTES)

    def _refuse_encoding(self, error: UnicodeDecodeError, codec: str) -> RefusedInputError:
        before = error.object[: error.start].decode(codec, errors="replace")
        line = self._lines_seen + before.count("\n") + 1
        remedy = (
            "Save it as CSV UTF-8."
            if codec == "cp1252"
            else 'Save it as CSV UTF-8, or, if an older Windows program wrote it, say "--encoding'
            ' cp1252" and look at the accents afterwards.'
        )
        return self._refuse(f"The text in line {line} is not {codec}. {remedy}", line)

    def _refuse_nul(self, text: str) -> None:
        at = text.find("\0")
        if at >= 0:
            line = self._lines_seen + text.count("\n", 0, at) + 1
            raise self._refuse(
                f"Line {line} holds a NUL character, so this is not a CSV text file. Save the "
                "table as CSV UTF-8.",
                line,
            )

    def _read_lines(self) -> list[str]:
        """Read the next block and return its complete lines; all that is left at the end."""
        text = next(self._texts, None)
        if text is None:
            self._ended = True
            lines, self._rest = ([self._rest] if self._rest else []), ""
            return lines
        *lines, self._rest = (self._rest + text).split("\n")
        if len(self._rest) > LONGEST_LINE:
            raise self._refuse(
                f"A line is longer than {LONGEST_LINE} characters, so this is not a CSV file. "
                "Save the table as CSV UTF-8."
            )
        return lines

    def _read_heading(self) -> tuple[str, ...]:
        self._pending: list[str] = []
        while not self._pending and not self._ended:
            self._pending = self._read_lines()
        if not any(line.strip() for line in self._pending):
            raise self._refuse("The file is empty. Its first line must name the fields.")
        first = self._pending.pop(0)
        cells = parse_line(first)
        if cells is None or not any(cell.strip() for cell in cells):
            raise self._refuse(
                "Line 1 cannot be read as a heading. It must name the fields, separated by commas.",
                1,
            )
        separators = [name for name, mark in (("semicolons", ";"), ("tabs", "\t")) if mark in first]
        if len(cells) == 1 and separators:
            raise self._refuse(
                f"Line 1 seems to be separated by {separators[0]}. Save the table as CSV with "
                "commas between the cells.",
                1,
            )
        return tuple(cell.strip() for cell in cells)

    def read_chunks(self) -> Iterator[Chunk]:
        """Yield the rows below the heading.

        Raises
        ------
        RefusedInputError
            Where the text is not in the stated encoding, holds a NUL, or a line has no end.
        """
        first_line = 2
        while not self._ended:
            self._pending += self._read_lines()
            used, chunk = parse_block(
                self._pending, first_line, len(self.heading), is_last=self._ended
            )
            del self._pending[:used]
            first_line += used
            if used:
                yield chunk


def parse_line(text: str) -> list[str] | None:
    """Parse the text as exactly one CSV record, strictly; None where that cannot be done.

    Examples
    --------
    >>> parse_line('P1,"a, b",')
    ['P1', 'a, b', '']
    >>> parse_line('P1,"a, b') is None
    True
    """
    if '"' not in text and "\n" not in text:
        return text.split(",")
    try:
        records = list(csv.reader((text,), strict=True))
    except csv.Error:
        return None
    return records[0] if len(records) == 1 else None


def _parse_quoted(
    lines: list[str], at: int, n_columns: int
) -> tuple[list[str] | LineProblemKind, int]:
    """Parse the record that starts at ``lines[at]``; return it, or the problem, and its lines."""
    alone = parse_line(lines[at])
    if alone is not None:
        return (alone if len(alone) == n_columns else "column_count"), 1
    for n_lines in range(2, MOST_JOINED_LINES + 1):
        if at + n_lines > len(lines):
            break
        if '"' not in lines[at + n_lines - 1]:
            continue
        joined = parse_line("\n".join(lines[at : at + n_lines]))
        if joined is not None and len(joined) == n_columns:
            return joined, n_lines
    return ("unclosed_quote" if _ends_inside_quotes(lines[at]) else "stray_quote"), 1


def _ends_inside_quotes(line: str) -> bool:
    """Whether the end of the line is still within a quoted cell."""
    try:
        list(csv.reader([line], strict=True))
    except csv.Error as error:
        return str(error) == "unexpected end of data"
    return False


def split_leniently(line: str) -> tuple[str, ...]:
    """Split a damaged line as far as its quotes allow."""
    try:
        return tuple(next(csv.reader([line]), ()))
    except csv.Error:
        return tuple(line.split(","))


def parse_block(
    lines: list[str], first_line: int, n_columns: int, *, is_last: bool
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
    for at in [at for at, line in enumerate(lines[:used]) if '"' in line]:
        if at < next_free:
            continue
        outcome, n_lines = _parse_quoted(lines, at, n_columns)
        if isinstance(outcome, str):
            cells = split_leniently(lines[at])
            problems.append(LineProblem(first_line + at, outcome, cells))
        else:
            records.append(outcome)
            starts.append(first_line + at)
        next_free, is_joined = at + n_lines, is_joined or n_lines > 1
        block[at:next_free] = [""] * n_lines
    used = max(used, next_free)
    kept = [at for at, line in enumerate(block[:used]) if line]
    text = "".join(block[at] + "\n" for at in kept)
    plain, miscounted = _parse_plain(text, [first_line + at for at in kept], n_columns)
    problems += miscounted
    whole = "\n".join(lines[:used]) if records else text
    has_rare = is_joined or any(mark in whole for mark in RARE_BLANKS if mark != "\n")
    cells = _append_records(plain, records, starts)
    return used, Chunk(cells, tuple(problems), has_rare)


def _parse_plain(
    text: str, line_numbers: list[int], n_columns: int
) -> tuple[pa.Table, list[LineProblem]]:
    """Parse lines without quotes, where every comma ends a cell."""
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
            quote_char=False, ignore_empty_lines=False, invalid_row_handler=skip_misfit
        ),
        pyarrow.csv.ConvertOptions(
            column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=False
        ),
    )
    numbers = np.array(line_numbers, dtype=np.int64)
    problems = [
        LineProblem(int(numbers[number - 1]), "column_count", tuple(misfit.split(",")))
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
