"""Reading a CSV file one physical line at a time.

One unclosed quote must not swallow the lines after it, hide their errors or shift their numbers.
So a line is parsed alone, strictly; lines are joined (a line break inside a quoted cell) only
where that closes the quote and gives the right number of cells. Nothing is guessed: the mark
between cells is declared, or the only one that the heading can have; cells are quoted with double
quotes; the encoding is the one that the byte order mark or the user names, otherwise strict UTF-8.
"""

from __future__ import annotations

import codecs
import hashlib
import io
import re
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path

from registry.entry_rules.line_records import (
    Chunk,
    is_plain,
    parse_block,
    parse_line,
    parse_plain_block,
    split_leniently,
)
from registry.errors import RefusedInputError, UsageError

LONGEST_LINE = 1_000_000
"""Characters; a longer line means that this is not a CSV file."""

BLOCK_BYTES = 1 << 23
"""Bytes decoded at a time."""

ENCODINGS = ("utf-8", "cp1252", "utf-16-le", "utf-16-be")
"""What ``encoding`` may name. A byte order mark wins."""

DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|"}
"""Marks between cells, by the name that a person declares."""

_EMPTY_FILE = "The file is empty. Its first line must name the fields."
_SEPARATOR_LINE = re.compile(r'"?sep=(.)"?')


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


def choose_delimiter(heading: str, known: Collection[str] = ()) -> str:
    """Tell the mark between cells from the whole heading line.

    Parameters
    ----------
    heading
        The line that names the columns.
    known
        Names that its cells may have; they decide where several marks stand in the line.

    Raises
    ------
    UsageError
        Where more than one mark can be meant.

    Examples
    --------
    >>> choose_delimiter('"a, b";c'), choose_delimiter("a")
    (';', ',')
    """
    bare = re.sub(r'"[^"]*"', "", heading)
    present = [mark for mark in DELIMITERS.values() if mark in bare]
    if len(present) > 1:
        names = set(known)
        fitting = [
            mark
            for mark in present
            if all(c.strip() in names for c in split_leniently(heading, mark))
        ]
        present = fitting if len(fitting) == 1 else present
    if len(present) > 1:
        listed = " and ".join(n for n, mark in DELIMITERS.items() if mark in present)
        raise UsageError(
            f"The heading can be split at {listed}. Say which it is: --delimiter "
            f"{', '.join(DELIMITERS)}.",
            option="--delimiter",
        )
    return present[0] if present else ","


def join_headings(rows: Sequence[Sequence[str]]) -> tuple[str, ...]:
    """Join the cells of one or more heading rows into one name a column.

    A blank cell of an upper row belongs to the cell on its left, as merged cells do.

    Examples
    --------
    >>> join_headings([["ID", "Visit 1", ""], ["", "date", "VA"]])
    ('ID', 'Visit 1 / date', 'Visit 1 / VA')
    """
    width = max(len(row) for row in rows)
    filled: list[list[str]] = []
    for number, row in enumerate(rows):
        cells = [" ".join(cell.split()) for cell in row] + [""] * (width - len(row))
        if number < len(rows) - 1:
            for place in range(1, width):
                cells[place] = cells[place] or cells[place - 1]
        filled.append(cells)
    return tuple(
        " / ".join(dict.fromkeys(row[place] for row in filled if row[place]))
        for place in range(width)
    )


class CsvLines:
    """The physical lines of one CSV file: the heading, then chunks of rows.

    Parameters
    ----------
    path
        The file.
    encoding
        One of ``ENCODINGS``; None for strict UTF-8. A byte order mark wins.
    delimiter
        The mark between cells; None to tell it from the heading.
    known
        Names that the heading may hold, see :func:`choose_delimiter`.
    heading_lines
        First and last physical line of the heading; what stands above it is left out.

    Attributes
    ----------
    heading
        The names of the columns, trimmed.
    delimiter
        The mark between cells.
    sha256
        Digest of the bytes read so far; that of the whole file once every chunk has been read.
    """

    def __init__(
        self,
        path: Path,
        encoding: str | None = None,
        *,
        delimiter: str | None = None,
        known: Collection[str] = (),
        heading_lines: tuple[int, int] = (1, 1),
    ) -> None:
        self.path = path
        self.delimiter = delimiter or ""
        self._known = known
        self._heading_lines = heading_lines
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
            if codec != "utf-8"
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
                "table as CSV UTF-8; if it is UTF-16 without a byte order mark, say --encoding "
                "utf-16-le or utf-16-be.",
                line,
            )

    def _read_more(self) -> None:
        """Add the next block to the text that has not been used up."""
        text = next(self._texts, None)
        if text is None:
            self._ended = True
            return
        self._rest += text
        if len(self._rest) - self._rest.rfind("\n") - 1 > LONGEST_LINE:
            raise self._refuse(
                f"A line is longer than {LONGEST_LINE} characters, so this is not a CSV file. "
                "Save the table as CSV UTF-8."
            )

    def _read_heading(self) -> tuple[str, ...]:
        first, last = self._heading_lines
        while self._rest.count("\n") <= last and not self._ended:
            self._read_more()
        if not self._rest.strip():
            raise self._refuse(_EMPTY_FILE)
        named = _SEPARATOR_LINE.fullmatch(self._rest.partition("\n")[0].strip(" "))
        if named and last == 1:
            self.delimiter = self.delimiter or named[1]
            first = last = 2
        parts = self._rest.split("\n", last)
        lines = parts[first - 1 : last]
        self._rest = parts[last] if len(parts) > last else ""
        self._first_row = last + 1
        if not self.delimiter:
            self.delimiter = choose_delimiter(lines[-1] if lines else "", self._known)
        rows = [parse_line(line, self.delimiter) for line in lines]
        sound = [row for row in rows if row is not None]
        heading = join_headings(sound) if sound and len(sound) == len(rows) else ()
        if not any(heading):
            raise self._refuse(
                f"Line {first} cannot be read as a heading. It must name the fields, separated by "
                "commas; an upper line of several may be blank, the last may not.",
                first,
            )
        return heading

    def read_chunks(self) -> Iterator[Chunk]:
        """Yield the rows below the heading.

        Raises
        ------
        RefusedInputError
            Where the text is not in the stated encoding, holds a NUL, or a line has no end.
        """
        first_line = self._first_row
        is_done = False
        while not is_done:
            if not self._ended:
                self._read_more()
            is_done = self._ended
            used, chunk = self._parse_rest(first_line)
            first_line += used
            if used:
                yield chunk

    def _parse_rest(self, first_line: int) -> tuple[int, Chunk]:
        """Parse what can be told of the text so far; return how many lines are used up."""
        end = len(self._rest) if self._ended else self._rest.rfind("\n") + 1
        text, unended = self._rest[:end], self._rest[end:]
        if text and not text.endswith("\n"):
            text += "\n"
        n_columns = len(self.heading)
        if is_plain(text):
            self._rest = unended
            return parse_plain_block(text, first_line, n_columns, delimiter=self.delimiter)
        lines = text.split("\n")[:-1]
        used, chunk = parse_block(
            lines, first_line, n_columns, is_last=self._ended, delimiter=self.delimiter
        )
        self._rest = "\n".join([*lines[used:], unended])
        return used, chunk
