"""One cell of a department's own table into the text that its field takes.

Only what the column map declares is done: a translation of codes, an order of dates, a century, a
decimal mark, a factor. A text that the declaration does not settle stays as it is, for intake's own
checks to refuse, or becomes a refused cell that says why.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal

from registry.derived import ACUITY_FIELDS
from registry.entry_rules.line_records import refuse_cell, split_refused
from registry.reading.cell_reading import Reading
from registry.reading.column_map import Column
from registry.reading.xlsx_sheets import write_day_number

_NUMERIC_DATE = re.compile(r"(\d{1,4})[-/.](\d{1,2})[-/.](\d{1,4})((?:[ T].*)?)")
_NAMED_DATE = re.compile(r"(\d{1,2})\.?[ -]*([^\W\d]{3,})\.?[ ,-]*(\d{2}|\d{4})((?:[ T].*)?)")
_NAMED_FIRST = re.compile(r"([^\W\d]{3,})\.? (\d{1,2}),? (\d{2}|\d{4})((?:[ T].*)?)")
_ISO = re.compile(r"(\d{4})-\d{2}-\d{2}((?:[ T].*)?)")
_DAY_NUMBER = re.compile(r"\d{1,7}(\.\d+)?")
_WITH_COMMA = re.compile(r"-?\d+(,\d+)?")
_MIDNIGHT = re.compile(r"[ T]00:00(:00)?")


def _choose_year(text: str, reading: Reading) -> str | None:
    """Write a year with four digits; None where the century is not declared."""
    if len(text) == 4:
        return text
    first = reading.two_digit_years_from
    if len(text) != 2 or first is None:
        return None
    year = first - first % 100 + int(text)
    return str(year if year >= first else year + 100)


def _order_parts(parts: tuple[str, str, str], reading: Reading) -> tuple[str, str, str] | None:
    """Put three numbers in the order year, month, day as declared; None where they do not fit."""
    order = reading.date_order
    if order is None:
        return None
    by_letter = dict(zip(order, parts, strict=True))
    year = _choose_year(by_letter["y"], reading)
    if year is None or max(len(by_letter["m"]), len(by_letter["d"])) > 2:
        return None
    return year, by_letter["m"].zfill(2), by_letter["d"].zfill(2)


def _find_month(name: str, reading: Reading) -> str | None:
    short = name.casefold()
    found = [n for n, month in enumerate(reading.month_names, 1) if month.startswith(short)]
    return f"{found[0]:02d}" if len(found) == 1 else None


def write_iso(text: str, reading: Reading) -> str:
    """Write a date, with the time that may follow it, as ISO; as it stands where that is not told.

    Examples
    --------
    >>> dmy = Reading(date_order="dmy", two_digit_years_from=1950)
    >>> write_iso("3.4.49", dmy), write_iso("03/04/1951 14:30", dmy), write_iso("3/4/49", Reading())
    ('2049-04-03', '1951-04-03 14:30', '3/4/49')
    """
    if _ISO.fullmatch(text):
        return text
    if reading.day_numbers and _DAY_NUMBER.fullmatch(text.replace(",", ".")):
        from_1904 = reading.day_numbers == "1904"
        return write_day_number(text.replace(",", "."), from_1904=from_1904, shows="date")
    if numeric := _NUMERIC_DATE.fullmatch(text):
        parts = _order_parts((numeric[1], numeric[2], numeric[3]), reading)
        return "-".join(parts) + numeric[4] if parts else text
    if reading.month_names and (named := _NAMED_DATE.fullmatch(text)):
        return _put_named(text, named[1], named[2], named[3], named[4], reading)
    if reading.month_names and (named := _NAMED_FIRST.fullmatch(text)):
        return _put_named(text, named[2], named[1], named[3], named[4], reading)
    return text


def _put_named(text: str, day: str, month: str, year: str, rest: str, reading: Reading) -> str:
    month_number, full_year = _find_month(month, reading), _choose_year(year, reading)
    if month_number is None or full_year is None:
        return text
    return f"{full_year}-{month_number}-{day.zfill(2)}{rest}"


def trim_midnight(text: str) -> str:
    """Leave out a time of midnight, which a spreadsheet writes beside a mere date.

    Examples
    --------
    >>> trim_midnight("2024-05-05 00:00:00"), trim_midnight("2024-05-05 13:30")
    ('2024-05-05', '2024-05-05 13:30')
    """
    found = _ISO.fullmatch(text)
    return text[:10] if found and _MIDNIGHT.fullmatch(found[2]) else text


def _with_time(text: str, reading: Reading) -> str:
    """Give a mere date the time that the map declares for it; midnight beside one is no time.

    >>> noon = Reading(time_where_none="12:00")
    >>> _with_time("2024-05-05", noon), _with_time("2024-05-05 00:00:00", noon)
    ('2024-05-05 12:00', '2024-05-05 12:00')
    >>> _with_time("2024-05-05 13:30", noon), _with_time("2024-05-05", Reading())
    ('2024-05-05 13:30', '2024-05-05')
    """
    day = trim_midnight(text)
    is_mere_date = _ISO.fullmatch(day) is not None and len(day) == 10
    return f"{day} {reading.time_where_none}" if reading.time_where_none and is_mere_date else text


def write_point(text: str, reading: Reading) -> str:
    """Write a number with a decimal point; a point where commas are declared is refused.

    Examples
    --------
    >>> comma = Reading(decimal="comma")
    >>> write_point("4,5", comma), split_refused(write_point("1.234", comma))[0]
    ('4.5', '1.234')
    """
    if reading.decimal == "point":
        return text
    if _WITH_COMMA.fullmatch(text):
        return text.replace(",", ".")
    if re.fullmatch(r"-?[\d.]*\.[\d.,]*", text):
        remedy = "has a point though decimal commas are declared; write a comma, or no point"
        return refuse_cell(text, remedy)
    return text


def write_acuity_points(text: str) -> str:
    """Write an acuity with decimal points.

    Examples
    --------
    >>> write_acuity_points("0,5"), write_acuity_points("6/7,5-1"), write_acuity_points("CF")
    ('0.5', '6/7.5-1', 'CF')
    """
    return re.sub(r"(?<=\d),(?=\d)", ".", text)


def _take_unit_off(text: str, unit: str) -> str:
    if unit and text.casefold().endswith(unit.casefold()):
        return text[: -len(unit)].rstrip()
    return text


def _multiply(text: str, factor: Decimal | None) -> str:
    if factor is None or not re.fullmatch(r"-?\d{1,12}(\.\d{1,12})?", text):
        return text
    product = f"{Decimal(text) * factor:f}"
    return product.rstrip("0").rstrip(".") if "." in product else product


def _translate(text: str, values: Mapping[str, str]) -> str | None:
    if text in values:
        return values[text]
    folded = text.casefold()
    found = {value for key, value in values.items() if key.casefold() == folded}
    return found.pop() if len(found) == 1 else None


def translate(written: str, column: Column) -> str:
    """Translate one cell as its column declares.

    Examples
    --------
    >>> from registry.reading.column_map import read_map
    >>> [one] = read_map(\'\'\'[[source]]
    ... table = "tumour"
    ... [source.columns]
    ... "Eye" = {field = "eye", values = {OD = "right", OS = "left"}}
    ... "Height (cm)" = {field = "thickness_mm", decimal = "comma", multiply = "10"}\'\'\')
    >>> translate("od", one.columns[0]), translate("0,45", one.columns[1])
    ('right', '4.5')
    """
    if split_refused(written) is not None:
        return written
    text = " ".join(written.split())
    if not text or text.casefold() in column.reading.blank:
        return ""
    if column.split:
        parts = [part.strip() for part in text.split(column.split)]
        return ";".join(
            dict.fromkeys(
                value
                for part in parts
                if part
                for value in [_translate(part, column.values)]
                for value in [part if value is None else value]
                if value
            )
        )
    value = _translate(text, column.values)
    return _translate_plain(text, column) if value is None else value


def _translate_plain(text: str, column: Column) -> str:
    field, reading = column.field, column.reading
    text = _take_unit_off(text, column.unit)
    if field.type in ("date", "timestamp"):
        text = re.sub(r"(?<![\d:])(\d:\d\d)", r"0\1", write_iso(text, reading))
        return trim_midnight(text) if field.type == "date" else _with_time(text, reading)
    if column.part == "year":
        return _take_year(text, reading)
    if field.name in ACUITY_FIELDS and reading.decimal == "comma":
        return write_acuity_points(text)
    if field.type in ("decimal", "integer"):
        if field.unit == "year" and re.fullmatch(r"\d\d", text):
            return _choose_year(text, reading) or text
        text = write_point(text, reading)
        return text if text.startswith("\0") else _multiply(text, column.multiply)
    return text


def _take_year(text: str, reading: Reading) -> str:
    """Take the year of a whole date; a bare year stays."""
    found = _ISO.fullmatch(write_iso(text, reading))
    if found:
        return found[1]
    if re.fullmatch(r"\d{4}", text):
        return text
    return refuse_cell(text, "declare date_order (and two_digit_years_from) for this column")
