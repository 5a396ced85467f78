"""The files of an invented department as departments keep them, each with the map that reads it.

How they differ is said by :mod:`synthetic_cohort.messy_styles`. The department's own tables are the
truth that must come out.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pandas as pd

from registry.records import TABLES, Field
from synthetic_cohort.messy_styles import CODES, HEADINGS, Style

MESSY_TABLES = ("patient", "tumour", "applicator", "implant", "visit", "event")
"""Tables that every style writes."""

_MARKS = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|"}
_MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]


@dataclass(slots=True)
class _Sheet:
    """One table on its way into a file: its grid, and the map's entries for it."""

    table: str
    headings: list[str]
    groups: list[str]
    rows: list[list[Any]]
    columns: dict[str, Any]
    settings: dict[str, Any] = field(default_factory=dict)
    made: dict[str, str] = field(default_factory=dict)


def prepare_truth(department: Mapping[str, pd.DataFrame], style: Style) -> dict[str, pd.DataFrame]:
    """Return the tables that the style can tell: with ``made_keys`` or ``wide`` visits are renamed.

    Visits of a patient, in order of date, become ``PATIENT-1``, ``PATIENT-2``, ...; with
    ``made_keys`` alone ``PATIENT/DATE/EYE``.
    """
    truth = {name: department[name].copy() for name in MESSY_TABLES}
    visits = truth["visit"]
    if style.wide:
        visits = visits.sort_values(["patient_id", "visit_date", "visit_id"])
        order = visits.groupby("patient_id").cumcount() + 1
        visits["visit_id"] = visits["patient_id"] + "-" + order.astype(str)
    elif style.made_keys:
        visits["visit_id"] = visits["patient_id"] + "/" + visits["visit_date"] + "/" + visits["eye"]
    truth["visit"] = visits
    return truth


def write_messy(truth: Mapping[str, pd.DataFrame], style: Style, folder: Path) -> list[Path]:
    """Write the department's files in a style, and ``map.toml`` that reads them.

    Returns
    -------
    list of Path
        The files, without the map.
    """
    folder.mkdir(parents=True, exist_ok=True)
    sheets = [_make_sheet(name, truth[name], style) for name in MESSY_TABLES]
    sources = [_finish(sheet, style) for sheet in sheets]
    if style.program == "xlsx":
        paths = [_write_book(sheets, style, folder / "clinic register.xlsx")]
    else:
        write = _write_parquet if style.program == "parquet" else _write_text
        paths = [write(sheet, style, folder) for sheet in sheets]
    for source, sheet in zip(sources, sheets, strict=True):
        source["file"] = paths[0].name if len(paths) == 1 else _file_name(sheet.table, style)
        if style.program == "xlsx":
            source["sheet"] = _sheet_name(sheet.table)
    text = "\n".join(write_source(source) for source in sources)
    (folder / "map.toml").write_text(text, encoding="utf-8")
    return paths


def write_source(source: Mapping[str, Any]) -> str:
    """Write one ``[[source]]`` of a column map."""
    lines = ["[[source]]"]
    tables = {key: value for key, value in source.items() if isinstance(value, dict)}
    lines += [f"{key} = {_toml(value)}" for key, value in source.items() if key not in tables]
    for key, value in tables.items():
        lines.append(f"[source.{key}]")
        lines += [f"{_toml(name)} = {_toml(entry)}" for name, entry in value.items()]
    return "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_toml(k)} = {_toml(v)}" for k, v in value.items()) + " }"
    return json.dumps(value, ensure_ascii=False)


# --- cells ----------------------------------------------------------------------------------------


def _write_day(text: str, style: Style) -> Any:
    day = date.fromisoformat(text)
    if style.dates in ("cells", "times"):
        return datetime(day.year, day.month, day.day) if style.dates == "times" else day
    if style.dates == "numbers":
        return (day - (date(1904, 1, 1) if style.from_1904 else date(1899, 12, 30))).days
    return {
        "iso": text,
        "d/m/y": f"{day.day}/{day.month}/{day.year}",
        "d.m.yy": f"{day.day:02d}.{day.month:02d}.{day:%y}",
        "m/d/y": f"{day.month:02d}/{day.day:02d}/{day.year}",
        "d-Mon-yy": f"{day.day}-{_MONTHS[day.month - 1]}-{day:%y}",
    }[style.dates]


def _write_cell(text: str, member: Field, style: Style) -> Any:
    """Write one value of the truth as the style has it."""
    if not text:
        is_spare = not member.is_required and zlib.crc32(member.name.encode()) % 2
        return style.blank if is_spare else ""
    if member.type == "date":
        return _write_day(text, style)
    if member.type == "timestamp":
        day, _, clock = text.partition(" ")
        written = (
            _write_day(day, style) if style.dates not in ("cells", "times", "numbers") else day
        )
        return f"{written} {clock}"
    codes = CODES[style.codes]
    if member.type == "code":
        return codes.get(text, text)
    if member.type == "list":
        return ", ".join(codes.get(part, part) for part in text.split(";"))
    if member.type in ("decimal", "integer"):
        return _write_number(text, member, style)
    is_text_number = style.decimal == "comma" and member.name.endswith("acuity")
    return text.replace(".", ",") if is_text_number else text


def _write_number(text: str, member: Field, style: Style) -> Any:
    number = Decimal(text)
    if style.centimetres and member.unit == "mm":
        number /= 10
    if style.program == "parquet" or (style.program == "xlsx" and style.decimal == "point"):
        return int(number) if number == number.to_integral_value() else float(number)
    written = f"{number:f}".replace(".", "," if style.decimal == "comma" else ".")
    return f"{written} {member.unit}" if style.units == "cell" and member.unit else written


# --- sheets ---------------------------------------------------------------------------------------


def _name(member: Field, style: Style) -> str:
    words = member.name.replace("_", " ").capitalize()
    name = HEADINGS[style.headings].get(member.name, words if style.headings else member.name)
    unit = "cm" if style.centimetres and member.unit == "mm" else member.unit
    return f"{name} [{unit}]" if style.units == "heading" and unit else name


def _describe(member: Field, style: Style) -> Any:
    """Make the map's entry of one column."""
    entry: dict[str, Any] = {"field": member.name}
    codes = {code: word for code, word in CODES[style.codes].items() if code in member.codes}
    if codes and member.type in ("code", "list"):
        entry["values"] = {word: code for code, word in codes.items()}
    if member.type == "list":
        entry["split"] = ","
    if style.centimetres and member.unit == "mm" and member.type == "decimal":
        entry["multiply"] = "10"
    if style.units == "cell" and member.unit:
        entry["unit"] = member.unit
    return entry if len(entry) > 1 else member.name


def _make_sheet(table: str, frame: pd.DataFrame, style: Style) -> _Sheet:
    if table == "visit" and style.wide:
        return _make_wide(frame, style)
    sheet = _Sheet(table, [], [], [], {})
    cells: list[list[Any]] = []
    if table == "visit" and style.merged:
        frame = frame.sort_values(["patient_id", "visit_date"])
    for member in TABLES[table].entered:
        texts = [str(text) for text in frame[member.name]]
        if member.name == "visit_id" and style.made_keys:
            sheet.made["visit_id"] = "{patient_id}/{visit_date}/{eye}"
        elif member.is_required or any(texts):
            _add_column(sheet, cells, member, texts, style)
    if style.remarks:
        sheet.headings.append("Remarks")
        sheet.groups.append("Other")
        cells.append([f"see letter {number}" for number in range(len(frame))])
        sheet.columns["Remarks"] = ""
    sheet.rows = [list(row) for row in zip(*cells, strict=True)]
    return sheet


def _add_column(
    sheet: _Sheet, cells: list[list[Any]], member: Field, texts: Sequence[str], style: Style
) -> None:
    group = "Who" if member.is_required else "What"
    name = _name(member, style)
    whole = f"{group} / {name}" if style.two_headings else name
    if member.type == "timestamp" and style.splits_times:
        parts = [text.partition(" ") for text in texts]
        days = [_write_day(day, style) if day else "" for day, _, _ in parts]
        for heading, column in ((f"{name} day", days), (f"{name} clock", [p[2] for p in parts])):
            sheet.columns[heading] = member.name
            sheet.headings.append(heading)
            cells.append(column)
        return
    if member.type == "list" and style.ticks:
        for code in dict.fromkeys(code for text in texts for code in text.split(";") if code):
            sheet.columns[code] = {"field": member.name, "values": {"x": code}}
            sheet.headings.append(code)
            cells.append(["x" if code in text.split(";") else "" for text in texts])
        return
    sheet.columns[whole] = _describe(member, style)
    sheet.headings.append(name)
    sheet.groups.append(group)
    cells.append([_write_cell(text, member, style) for text in texts])


def _make_wide(frame: pd.DataFrame, style: Style) -> _Sheet:
    """One row a patient, the visits side by side."""
    members = [m for m in TABLES["visit"].entered if any(frame[m.name])]
    members = [m for m in members if m.name not in ("visit_id", "patient_id")]
    most = int(frame.groupby("patient_id").size().max())
    patient = TABLES["visit"].field("patient_id")
    sheet = _Sheet("visit", [_name(patient, style)], [], [], {_name(patient, style): "patient_id"})
    for number in range(1, most + 1):
        sheet.headings += [f"V{number} {_name(member, style)}" for member in members]
    for member in members:
        sheet.columns[f"V{{n}} {_name(member, style)}"] = _describe(member, style)
    for name, visits in frame.groupby("patient_id", sort=False):
        row: list[Any] = [name]
        for _, visit in visits.iterrows():
            row += [_write_cell(str(visit[m.name]), m, style) for m in members]
        sheet.rows.append([*row, *[""] * (len(sheet.headings) - len(row))])
    sheet.made["visit_id"] = "{patient_id}-{n}"
    sheet.settings["repeat"] = [str(number) for number in range(1, most + 1)]
    return sheet


def _finish(sheet: _Sheet, style: Style) -> dict[str, Any]:
    """Add the mess of the layout; return the map's source."""
    source: dict[str, Any] = {"table": sheet.table} | sheet.settings
    source |= _declare_writing(style)
    first = style.title_rows + 1
    if style.two_headings:
        source["heading_rows"] = [first, first + 1]
    elif style.title_rows:
        source["heading_rows"] = first
    if style.twice and sheet.rows:
        sheet.rows[3:3] = [list(sheet.rows[0]), list(sheet.rows[-1])]
        source["duplicate_rows"] = "once"
    if style.merged and sheet.table == "visit":
        name = next(h for h in sheet.columns if sheet.columns[h] == "patient_id")
        source["fill_down"] = [name]
    if style.repeat_heading:
        sheet.rows[5:5] = [list(sheet.headings)]
        source["repeated_headings"] = True
    if style.totals:
        sheet.rows.append(["Total", *[""] * (len(sheet.headings) - 2), len(sheet.rows)])
        sheet.rows.append(["n.b. kept by hand", *[""] * (len(sheet.headings) - 1)])
        source["leave_out_where"] = {sheet.headings[0]: ["Total"]}
        source["leave_out_rows"] = [style.title_rows + 1 + len(sheet.rows)]
    source["columns"] = sheet.columns
    if sheet.made:
        source["made"] = sheet.made
    return source


def _declare_writing(style: Style) -> dict[str, Any]:
    declared: dict[str, Any] = {}
    if style.program == "csv":
        declared["delimiter"] = style.delimiter
        if style.encoding == "cp1252":
            declared["encoding"] = style.encoding
    if style.decimal == "comma":
        declared["decimal"] = "comma"
    order = {"d/m/y": "dmy", "d.m.yy": "dmy", "m/d/y": "mdy"}.get(style.dates)
    if order:
        declared["date_order"] = order
    if style.dates in ("d.m.yy", "d-Mon-yy"):
        declared["two_digit_years_from"] = 1950
    if style.dates == "d-Mon-yy":
        declared["month_names"] = "english"
    if style.dates == "numbers":
        declared["day_numbers"] = "1904" if style.from_1904 else "1900"
    if style.blank:
        declared["blank"] = [style.blank]
    return declared


# --- files ----------------------------------------------------------------------------------------


def _file_name(table: str, style: Style) -> str:
    ending = {"parquet": "parquet"}.get(style.program, "txt" if style.delimiter == "tab" else "csv")
    return f"{table} list.{ending}"


def _sheet_name(table: str) -> str:
    return f"{table.capitalize()}s (all)"


def _lay_out(sheet: _Sheet, style: Style) -> list[list[Any]]:
    above = [[f"Eye clinic, invented, {sheet.table}s"], ["printed for the audit"], []]
    grid: list[list[Any]] = [list(row) for row in above[: style.title_rows]]
    if style.two_headings:
        groups = [
            group if not place or group != sheet.groups[place - 1] else ""
            for place, group in enumerate(sheet.groups)
        ]
        grid.append(groups)
    return [*grid, list(sheet.headings), *sheet.rows]


def _write_text(sheet: _Sheet, style: Style, folder: Path) -> Path:
    mark = _MARKS[style.delimiter]
    width = len(sheet.headings)

    def quote(cell: Any) -> str:
        text = str(cell)
        is_bare = not any(c in text for c in (mark, '"', "\n"))
        return text if is_bare else '"' + text.replace('"', '""') + '"'

    lines = [
        mark.join(quote(cell) for cell in [*row, *[""] * (width - len(row))])
        for row in _lay_out(sheet, style)
    ]
    text = style.newline.join([*lines, ""])
    path = folder / _file_name(sheet.table, style)
    if style.encoding == "utf-16-be-bom":
        path.write_bytes(b"\xfe\xff" + text.encode("utf-16-be"))
    else:
        path.write_bytes(text.encode(style.encoding))
    return path


def _write_parquet(sheet: _Sheet, style: Style, folder: Path) -> Path:
    import pyarrow as pa
    import pyarrow.parquet as pq

    columns = {}
    for place, heading in enumerate(sheet.headings):
        values = [None if row[place] == "" else row[place] for row in sheet.rows]
        columns[heading] = pa.array(values)
    path = folder / _file_name(sheet.table, style)
    pq.write_table(pa.table(columns), path)
    return path


def _write_book(sheets: Sequence[_Sheet], style: Style, path: Path) -> Path:
    import xlsxwriter

    options = {"date_1904": style.from_1904, "strings_to_formulas": False}
    with xlsxwriter.Workbook(str(path), options) as book:
        shown = "dd/mm/yyyy" if style.dates == "cells" else "yyyy-mm-dd hh:mm:ss"
        days = book.add_format({"num_format": shown})
        book.add_worksheet("Notes").write_string(0, 0, "Kept by hand since 2009 (invented)")
        for sheet in sheets:
            page = book.add_worksheet(_sheet_name(sheet.table))
            grid = _lay_out(sheet, style)
            for row, cells in enumerate(grid):
                for place, cell in enumerate(cells):
                    if isinstance(cell, date):
                        page.write_datetime(row, place, cell, days)
                    elif cell != "":
                        page.write(row, place, cell)
            if style.merged and sheet.table == "visit":
                _merge_patients(page, grid, style, book.add_format({"valign": "top"}))
    return path


def _merge_patients(page: Any, grid: Sequence[Sequence[Any]], style: Style, shown: Any) -> None:
    """Merge the cells of one patient's name over that patient's visits."""
    heading = style.title_rows + 1
    at = grid[heading].index(_name(TABLES["visit"].field("patient_id"), style))
    first = heading + 1
    for row in range(heading + 2, len(grid) + 1):
        if row == len(grid) or grid[row][at] != grid[first][at]:
            if row - first > 1:
                page.merge_range(first, at, row - 1, at, grid[first][at], shown)
            first = row
