"""The entry workbook: a sheet a table, blank or filled, that intake reads back without a change.

Everything a sheet asks for follows from the field declaration: drop-down lists of codes, limits,
the unit in the heading, a note with the meaning. Pasting bypasses a spreadsheet's own checks, so
intake judges every cell again. Codes and identifiers are text cells, so that ``0012``, ``MAR1``,
``1E5`` and ``=X9`` stay what they are.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from registry.entry_rules.rules import EARLIEST_DATE
from registry.records import TABLES, Field, RecordTable

if TYPE_CHECKING:
    from registry.store import Store

LONGEST_LIST = 255
"""Characters of a drop-down list that a spreadsheet takes inside a cell's rule."""

SPARE_ROWS = 5_000
"""Rows below the records that carry the drop-down lists and limits."""

MOST_ROWS = 1_048_575
PAGE_ROWS = 20_000

_FIRST_SAFE_DATE = date(1900, 3, 1)
_WIDTHS = {"text": 18, "code": 18, "list": 26, "integer": 12, "decimal": 14, "date": 13}
_LONGEST_MESSAGE = 250

_READ_ME = (
    "Entry workbook of an outcomes registry for plaque brachytherapy of uveal melanoma.",
    "One sheet a table, one row a record. Do not rename sheets or headings.",
    "Headings with a dark ground must be filled; the others may stay blank when nothing is known.",
    "Point at a heading to read what the field means; cells with a list show it when chosen.",
    "Dates are written YYYY-MM-DD, numbers in the unit that the heading names.",
    "Where several codes are possible, write a semicolon between them.",
    "Never enter a name, a date of birth or a hospital number: records go by pseudonym.",
    "When it is filled: afterplaque intake STORE THIS_FILE.xlsx --check-only, mend what is found, "
    "then the same without --check-only.",
    "Pasting bypasses lists and limits; intake checks every cell again.",
)


def name_heading(field: Field) -> str:
    """Name a column: the field, and its unit.

    Examples
    --------
    >>> name_heading(TABLES["tumour"].field("thickness_mm"))
    'thickness_mm (mm)'
    """
    return f"{field.name} ({field.unit})" if field.unit else field.name


def read_current(store: Store, table: RecordTable) -> Iterator[Sequence[Any]]:
    """Read the current records of a table, by key, entered fields only."""
    names = ", ".join(field.name for field in table.entered)
    order = ", ".join(field.name for field in table.key)
    found = store.connection.sql(f"SELECT {names} FROM {table.name} ORDER BY {order}")
    rows: list[Sequence[Any]] = found.fetchall()
    yield from rows


def write_workbook(
    records: Mapping[str, Iterable[Sequence[Any]]], *, written_from: str = "", at: datetime
) -> bytes:
    """Write the workbook.

    Parameters
    ----------
    records
        Rows by table, values in the order of the table's entered fields; a table that is not named
        is blank.
    written_from
        Name of the registry that the records are from, for the read-me sheet.
    at
        Time of writing, for the read-me sheet and the file's own properties.

    Raises
    ------
    ValueError
        When a table has more rows than a sheet takes.
    """
    import xlsxwriter

    content = io.BytesIO()
    options = {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_numbers": False,
        "strings_to_urls": False,
        "default_date_format": "yyyy-mm-dd",
        "remove_timezone": True,
    }
    with xlsxwriter.Workbook(content, options) as book:
        book.set_properties({"title": "Entry workbook", "created": at.replace(tzinfo=None)})
        writer = _Writer(book)
        writer.write_read_me(written_from, at)
        for table in TABLES.values():
            writer.write_table(table, records.get(table.name, ()))
        writer.write_lists()
    return content.getvalue()


class _Writer:
    """Writes the sheets of one workbook."""

    def __init__(self, book: Any) -> None:
        self._book = book
        self._text = book.add_format({"num_format": "@"})
        self._day = book.add_format({"num_format": "yyyy-mm-dd"})
        self._time = book.add_format({"num_format": "yyyy-mm-dd hh:mm"})
        self._second = book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"})
        self._number = book.add_format({})
        head = {"bold": True, "text_wrap": True, "valign": "top", "border": 1}
        self._head = book.add_format(head | {"bg_color": "#E4ECF2"})
        self._required = book.add_format(head | {"bg_color": "#1F3B57", "font_color": "#FFFFFF"})
        self._wrapped = book.add_format({"text_wrap": True, "valign": "top"})
        self._lists: list[tuple[str, ...]] = []

    def write_read_me(self, written_from: str, at: datetime) -> None:
        """Write the first sheet: how to fill the others in, and where this one comes from."""
        sheet = self._book.add_worksheet("read_me")
        sheet.set_column(0, 0, 24)
        sheet.set_column(1, 1, 90, self._wrapped)
        for row, line in enumerate(_READ_ME):
            sheet.write_string(row, 1, line, self._wrapped)
        row = len(_READ_ME) + 1
        source = f"the registry {written_from}" if written_from else "a blank form"
        sheet.write_string(row, 1, f"Written {at:%Y-%m-%d %H:%M} from {source}.", self._wrapped)
        sheet.write_string(row + 2, 0, "sheet", self._head)
        sheet.write_string(row + 2, 1, "fields that must be filled", self._head)
        for number, table in enumerate(TABLES.values(), row + 3):
            needed = ", ".join(field.name for field in table.entered if field.is_required)
            sheet.write_string(number, 0, table.name)
            sheet.write_string(number, 1, needed, self._wrapped)

    def write_table(self, table: RecordTable, rows: Iterable[Sequence[Any]]) -> None:
        """Write the sheet of one table, with lists, limits and notes, and its rows."""
        sheet = self._book.add_worksheet(table.name)
        sheet.freeze_panes(1, len(table.key))
        fields = table.entered
        for place, field in enumerate(fields):
            sheet.set_column(place, place, _WIDTHS.get(field.type, 18), self._format_of(field))
            head = self._required if field.is_required else self._head
            sheet.write_string(0, place, name_heading(field), head)
            note = f"{field.meaning}.\nTakes {field.allowed()}."
            sheet.write_comment(0, place, note, {"x_scale": 2.5, "y_scale": 1.5, "author": ""})
        last = 0
        for last, row in enumerate(rows, 1):
            if last > MOST_ROWS:
                raise ValueError(f"{table.name} has more than {MOST_ROWS} records")
            for place, (field, value) in enumerate(zip(fields, row, strict=True)):
                self._write_value(sheet, last, place, field, value)
        for place, field in enumerate(fields):
            rule = self._make_rule(field)
            if rule is not None:
                sheet.data_validation(1, place, min(last + SPARE_ROWS, MOST_ROWS), place, rule)

    def _format_of(self, field: Field) -> Any:
        if field.type in ("text", "code", "list"):
            return self._text
        return {"date": self._day, "timestamp": self._time}.get(field.type, self._number)

    def _write_value(self, sheet: Any, row: int, place: int, field: Field, value: Any) -> None:
        if value is None:
            return
        if isinstance(value, datetime):
            is_whole = not value.second
            if value.date() < _FIRST_SAFE_DATE or value.microsecond:
                sheet.write_string(row, place, value.isoformat(" "), self._text)
            else:
                sheet.write_datetime(row, place, value, self._time if is_whole else self._second)
        elif isinstance(value, date):
            if value < _FIRST_SAFE_DATE:
                sheet.write_string(row, place, value.isoformat(), self._text)
            else:
                sheet.write_datetime(row, place, value, self._day)
        elif isinstance(value, int | Decimal) and field.type in ("integer", "decimal"):
            sheet.write_number(row, place, value, self._number)
        else:
            sheet.write_string(row, place, str(value), self._text)

    def _make_rule(self, field: Field) -> dict[str, Any] | None:
        """Make the spreadsheet's own check of a field's cells; None where it has none."""
        rule: dict[str, Any] = {
            "ignore_blank": True,
            "error_title": field.name[:32],
            "error_message": _shorten(f"Takes {field.allowed()}."),
        }
        if field.type == "code":
            return rule | {"validate": "list", "source": self._list_source(field.codes)}
        if field.type in ("integer", "decimal") and field.low is not None:
            limits = {"minimum": float(field.low), "maximum": float(field.high or 0)}
            return rule | {"validate": field.type, "criteria": "between"} | limits
        if field.type in ("date", "timestamp"):
            first = max(EARLIEST_DATE, _FIRST_SAFE_DATE)
            limits_of_time = {"minimum": first, "maximum": date(2199, 12, 31)}
            return rule | {"validate": "date", "criteria": "between"} | limits_of_time
        if field.type == "list":
            rule |= {"input_title": field.name[:32], "input_message": _shorten(field.allowed())}
            return rule | {"validate": "any"}
        return None

    def _list_source(self, codes: tuple[str, ...]) -> Any:
        if len(",".join(codes)) <= LONGEST_LIST:
            return list(codes)
        if codes not in self._lists:
            self._lists.append(codes)
        column = chr(ord("A") + self._lists.index(codes))
        return f"=lists!${column}$1:${column}${len(codes)}"

    def write_lists(self) -> None:
        """Write the long lists on a hidden sheet."""
        sheet = self._book.add_worksheet("lists")
        sheet.hide()
        for place, codes in enumerate(self._lists):
            for row, code in enumerate(codes):
                sheet.write_string(row, place, code, self._text)


def _shorten(text: str) -> str:
    return text if len(text) <= _LONGEST_MESSAGE else text[: _LONGEST_MESSAGE - 1] + "…"
