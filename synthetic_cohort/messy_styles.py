"""The habits of departments that keep their own files.

Twenty styles differ in program, encoding, marks, dates, words and layout: title rows, headings in
two rows, merged cells, headings said again, totals, rows twice, units in headings or cells, several
columns for one field, one row a patient with repeated visit columns.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

CODES: Mapping[str, Mapping[str, str]] = {
    "": {},
    "latin": {"right": "OD", "left": "OS", "female": "F", "male": "M", "yes": "Y", "no": "N"},
    "german": {
        "right": "rechts",
        "left": "links",
        "female": "w",
        "male": "männlich",
        "yes": "ja",
        "no": "nein",
        "unknown": "unbekannt",
    },
    "numbers": {"right": "1", "left": "2", "female": "2", "male": "1", "yes": "1", "no": "0"},
    "short": {"right": "RE", "left": "LE", "yes": "+", "no": "–", "unknown": "?"},
}
"""How departments write codes, by name; a code that is not there is written as it is."""

HEADINGS: Mapping[str, Mapping[str, str]] = {
    "": {},
    "english": {
        "patient_id": "Pat. No.",
        "eye": "Laterality",
        "visit_date": "Date of visit",
        "acuity": "BCVA",
        "thickness_mm": "Height",
        "iop_mmhg": "Tension",
    },
    "german": {
        "patient_id": "Patient (Kürzel)",
        "eye": "Seite",
        "visit_date": "Untersuchung am",
        "acuity": "Visus",
        "thickness_mm": "Höhe",
        "sex": "Geschlecht",
    },
}
"""How departments head their columns, by name; a field that is not there keeps its own name."""


@dataclass(frozen=True, slots=True)
class Style:
    """How one department keeps its tables.

    ``dates`` is one of ``iso``, ``d/m/y``, ``d.m.yy``, ``m/d/y``, ``d-Mon-yy``, ``cells``,
    ``times`` (date cells with a time of midnight) and ``numbers`` (bare day numbers).
    """

    name: str
    program: str = "csv"
    delimiter: str = "comma"
    encoding: str = "utf-8"
    newline: str = "\n"
    decimal: str = "point"
    dates: str = "iso"
    codes: str = ""
    headings: str = ""
    blank: str = ""
    title_rows: int = 0
    two_headings: bool = False
    repeat_heading: bool = False
    totals: bool = False
    twice: bool = False
    merged: bool = False
    units: str = ""
    remarks: bool = False
    splits_times: bool = False
    ticks: bool = False
    wide: bool = False
    made_keys: bool = False
    from_1904: bool = False
    centimetres: bool = False


STYLES = (
    Style("plain_semicolons", delimiter="semicolon", decimal="comma", dates="d/m/y"),
    Style("tabs_utf16", delimiter="tab", encoding="utf-16", dates="d.m.yy", codes="german"),
    Style("big_endian", delimiter="tab", encoding="utf-16-be-bom", codes="short", blank="n/a"),
    Style(
        "old_windows", delimiter="semicolon", encoding="cp1252", newline="\r\n", decimal="comma",
        dates="d.m.yy", codes="german", headings="german", title_rows=2,
    ),
    Style("american", dates="m/d/y", codes="latin", headings="english", totals=True, remarks=True),
    Style("named_months", dates="d-Mon-yy", codes="latin", encoding="utf-8-sig", blank="-"),
    Style("bars", delimiter="bar", codes="numbers", dates="d/m/y", repeat_heading=True),
    Style("sheet_cells", program="xlsx", dates="cells", codes="latin", headings="english"),
    Style("sheet_times", program="xlsx", dates="times", units="heading", title_rows=3),
    Style("sheet_numbers", program="xlsx", dates="numbers", codes="short", totals=True),
    Style("sheet_1904", program="xlsx", dates="numbers", from_1904=True, remarks=True),
    Style("sheet_1904_cells", program="xlsx", dates="cells", from_1904=True, twice=True),
    Style(
        "sheet_merged", program="xlsx", dates="d/m/y", merged=True, two_headings=True,
        codes="latin", headings="english", title_rows=1,
    ),
    Style("sheet_text", program="xlsx", decimal="comma", dates="d.m.yy", codes="german"),
    Style("units_in_cells", units="cell", headings="english", blank="unk", twice=True),
    Style("centimetres", centimetres=True, units="heading", dates="d/m/y", codes="latin"),
    Style("two_columns_a_time", splits_times=True, ticks=True, dates="d/m/y", totals=True),
    Style("wide", wide=True, codes="latin", headings="english", dates="d/m/y"),
    Style(
        "wide_sheet", program="xlsx", wide=True, made_keys=True, dates="cells", codes="german",
        title_rows=2, totals=True,
    ),
    Style("typed", program="parquet", dates="times", codes="latin", made_keys=True),
)  # fmt: skip
"""Twenty departments' habits (invented; the habits are common practice, no source)."""
