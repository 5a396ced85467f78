"""The cells of one sheet of an XLSX workbook, as text, by their physical row.

A number keeps the 15 digits that a spreadsheet shows, a date becomes YYYY-MM-DD by the workbook's
own day count (from 1900 or 1904), a percentage keeps its sign, and zeros before an identifier stay
where the number format shows them. A cell that shows an error, or a formula without its value, is
a refused cell (:func:`registry.entry_rules.line_records.refuse_cell`), never a blank.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal, InvalidOperation

from registry.entry_rules.line_records import refuse_cell
from registry.reading.xlsx_package import (
    MOST_SHEET_BYTES,
    Attributes,
    SheetPart,
    XlsxPackage,
    unescape,
)

MOST_COLUMNS = 16_384
MOST_CELLS = 40_000_000
_MOST_MERGED = 100_000
_LONGEST_CELL = 100_000

_REFERENCE = re.compile(r"([A-Z]{1,3})(\d{1,7})")
_DAY_1900, _DAY_1904 = datetime(1899, 12, 30), datetime(1904, 1, 1)
_FIRST_SAFE_1900 = 61
"""Day number of 1900-03-01; below it spreadsheets count a day that never was."""
_LAST_DAY = 2_958_465

_NO_VALUE = (
    "the formula has no value yet: open the workbook in a spreadsheet program and save it, or "
    "write the value itself"
)
_ERROR = "the cell shows an error: mend the formula, or write the value itself"


def read_column(letters: str) -> int:
    """Read a column's letters as its place from 0.

    Examples
    --------
    >>> read_column("A"), read_column("AB")
    (0, 27)
    """
    place = 0
    for letter in letters:
        place = place * 26 + ord(letter) - 64
    return place - 1


def write_number(raw: str) -> str:
    """Write a stored number with the digits that a spreadsheet shows, without an exponent.

    Examples
    --------
    >>> [write_number(raw) for raw in ("85", "4.5999999999999996", "1.2E-2", "0.30000000000000004")]
    ['85', '4.6', '0.012', '0.3']
    """
    return f"{Decimal(f'{float(raw):.15g}'):f}"


def write_day_number(raw: str, *, from_1904: bool, shows: str) -> str:
    """Write a spreadsheet's day number as a date or time.

    Parameters
    ----------
    raw
        The number as stored.
    from_1904
        Whether day 0 is 1904-01-01.
    shows
        ``"date"``, ``"time"`` or ``"datetime"``: what the cell shows; a time of day that a
        ``"date"`` hides is written all the same.

    Examples
    --------
    >>> write_day_number("45417", from_1904=False, shows="date")
    '2024-05-05'
    >>> write_day_number("43955.5625", from_1904=True, shows="datetime")
    '2024-05-05 13:30'
    """
    number = float(raw)
    if not 0 <= number <= _LAST_DAY or (
        number >= 1 and number < _FIRST_SAFE_1900 and not from_1904
    ):
        return refuse_cell(raw, "write the date as YYYY-MM-DD: no day has this number for certain")
    seconds = round(number * 86_400)
    if number < 1 and shows == "time":
        return _write_clock(timedelta(seconds=seconds))
    moment = (_DAY_1904 if from_1904 else _DAY_1900) + timedelta(seconds=seconds)
    if shows == "date" and seconds % 86_400 == 0:
        return moment.date().isoformat()
    return f"{moment.date().isoformat()} {_write_clock(timedelta(seconds=seconds % 86_400))}"


def _write_clock(time: timedelta) -> str:
    minutes, seconds = divmod(int(time.total_seconds()), 60)
    clock = f"{minutes // 60:02d}:{minutes % 60:02d}"
    return f"{clock}:{seconds:02d}" if seconds else clock


@dataclass(frozen=True, slots=True)
class MergedCells:
    """A range of merged cells, rows from 1 and columns from 0, both ends included."""

    first_row: int
    last_row: int
    first_column: int
    last_column: int


class XlsxSheet:
    """One sheet: iterate over :meth:`read_rows` once.

    Attributes
    ----------
    merged
        Merged ranges; complete when every row has been read.
    """

    def __init__(self, package: XlsxPackage, sheet: SheetPart, decimal_mark: str = ".") -> None:
        self._package = package
        self._sheet = sheet
        self._mark = decimal_mark
        self._rows: list[tuple[int, dict[int, str]]] = []
        self._row_number = 0
        self._cells: dict[int, str] = {}
        self._column = -1
        self._kind = ""
        self._style = ""
        self._value: list[str] = []
        self._has_formula = False
        self._taking = False
        self._in_guide = False
        self._n_cells = 0
        self.merged: list[MergedCells] = []

    def read_rows(self) -> Iterator[tuple[int, dict[int, str]]]:
        """Yield each row that holds something: its number, and its texts by column from 0.

        Raises
        ------
        RefusedInputError
            When the sheet is damaged or larger than is sensible.
        """
        steps = self._package.parse(
            self._sheet.part,
            start=self._start,
            end=self._end,
            text=self._add,
            most=MOST_SHEET_BYTES,
        )
        for _ in steps:
            yield from self._rows
            self._rows.clear()

    def _start(self, name: str, attributes: Attributes) -> None:
        if name == "c":
            self._start_cell(attributes)
        elif name == "v" or (name == "t" and not self._in_guide):
            self._taking = True
        elif name == "f":
            self._has_formula = True
        elif name == "rPh":
            self._in_guide = True
        elif name == "row":
            number = attributes.get("r", "")
            above = self._row_number
            self._row_number = int(number) if number.isdecimal() else above + 1
            if not above < self._row_number <= 1_048_576:
                raise self._package.refuse(f"has rows out of order in sheet {self._sheet.name}")
            self._column = -1
        elif name == "mergeCell" and len(self.merged) < _MOST_MERGED:
            self._note_merged(attributes.get("ref", ""))

    def _start_cell(self, attributes: Attributes) -> None:
        reference = _REFERENCE.fullmatch(attributes.get("r", ""))
        self._column = read_column(reference[1]) if reference else self._column + 1
        if self._column >= MOST_COLUMNS:
            raise self._package.refuse(f"has more than {MOST_COLUMNS} columns")
        self._kind = attributes.get("t", "n")
        self._style = attributes.get("s", "")
        self._value.clear()
        self._has_formula = False

    def _note_merged(self, text: str) -> None:
        ends = [_REFERENCE.fullmatch(end) for end in text.split(":")]
        if len(ends) == 2 and ends[0] and ends[1]:
            rows = [int(ends[0][2]), int(ends[1][2])]
            columns = [read_column(ends[0][1]), read_column(ends[1][1])]
            self.merged.append(MergedCells(rows[0], rows[1], columns[0], columns[1]))

    def _add(self, text: str) -> None:
        if self._taking:
            self._value.append(text)

    def _end(self, name: str) -> None:
        if name == "c":
            self._end_cell()
        elif name in ("v", "t"):
            self._taking = False
        elif name == "rPh":
            self._in_guide = False
        elif name == "row" and self._cells:
            self._rows.append((self._row_number, self._cells))
            self._cells = {}

    def _end_cell(self) -> None:
        raw = "".join(self._value)
        if not raw:
            if self._has_formula and self._kind != "str":
                self._keep(refuse_cell("a formula", _NO_VALUE))
            return
        if len(raw) > _LONGEST_CELL:
            raise self._package.refuse(f"has a cell of more than {_LONGEST_CELL} characters")
        try:
            self._keep(self._write(raw))
        except (ValueError, IndexError, InvalidOperation, OverflowError):
            raise self._package.refuse(
                f"has a damaged cell in row {self._row_number} of sheet {self._sheet.name}. Save "
                "it anew as XLSX"
            ) from None

    def _keep(self, text: str) -> None:
        self._n_cells += 1
        if self._n_cells > MOST_CELLS:
            raise self._package.refuse(f"has more than {MOST_CELLS} cells in a sheet")
        self._cells[self._column] = text

    def _write(self, raw: str) -> str:
        if self._kind == "s":
            return self._package.texts[int(raw)]
        if self._kind in ("inlineStr", "str"):
            return unescape(raw)
        if self._kind == "e":
            return refuse_cell(raw, _ERROR)
        if self._kind == "b":
            return "TRUE" if raw.strip() == "1" else "FALSE"
        if self._kind == "d":
            return raw.replace("T00:00:00", "").replace("T", " ")
        return self._write_number(raw)

    def _write_number(self, raw: str) -> str:
        formats = self._package.formats
        shows = formats[int(self._style)] if self._style else ""
        if shows in ("date", "time", "datetime"):
            return write_day_number(raw, from_1904=self._package.counts_from_1904, shows=shows)
        text = write_number(raw)
        if shows == "%":
            text = f"{Decimal(text) * 100:f}"
            text = (text.rstrip("0").rstrip(".") if "." in text else text) + "%"
        elif shows and text.isdecimal():
            text = text.zfill(len(shows))
        return text.replace(".", self._mark)
