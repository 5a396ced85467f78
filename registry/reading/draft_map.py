"""A first draft of a column map, for a person to correct.

Suggestions are marked as such. What the cells do not settle for certain -- the order of dates, the
century, the meaning of a code -- is written as ``"?"``, which no intake accepts.
"""

from __future__ import annotations

import difflib
import json
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from registry.entry_rules.rules import suggest
from registry.errors import MendableError, UsageError
from registry.reading.column_map import UNDECIDED
from registry.reading.file_kinds import PARQUET, WORKBOOKS, check_path
from registry.reading.lines import DELIMITERS, CsvLines, join_headings
from registry.reading.mapped_rows import number_repeated
from registry.records import TABLES, Field, RecordTable

LOOKED_AT = 2_000
"""Rows that a draft looks at."""

MOST_CODES = 40
_HEADING_SEARCH = 15

_WORDS = {
    "patient": "patient_id",
    "pat": "patient_id",
    "pat no": "patient_id",
    "patient no": "patient_id",
    "patient number": "patient_id",
    "pseudonym": "patient_id",
    "laterality": "eye",
    "side": "eye",
    "eye": "eye",
    "va": "acuity",
    "bcva": "acuity",
    "visual acuity": "acuity",
    "iop": "iop_mmhg",
    "height": "thickness_mm",
    "thickness": "thickness_mm",
    "lbd": "largest_basal_diameter_mm",
    "base": "largest_basal_diameter_mm",
    "gender": "sex",
    "sex": "sex",
    "year of birth": "birth_year",
    "date of death": "death_date",
    "date of diagnosis": "diagnosis_date",
    "date of visit": "visit_date",
    "visit date": "visit_date",
}
"""Common headings (common practice, no source)."""

_NUMBER_IN_HEADING = re.compile(r"(?<!\d)(\d{1,2})(?!\d)")

_MERE_DATE = re.compile(r"\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}([ T]00:00(:00)?)?")

_HEAD = """\
# Draft of a column map: read every line and correct it before it is used.
# A heading with "" is left out. "?" must be replaced. Lines after # are notes.
# Besides: heading_rows, first_row, last_row, leave_out_rows, leave_out_where, fill_down,
# repeated_headings, duplicate_rows = "once", other_columns = "leave_out", repeat, fixed, made.
# A sheet that tells of several tables has a [[source]] for each, as patient, tumour and implant.
# made puts a field together from headings or fields: tumour_id = "{Pat. No.}-1".
"""


@dataclass(frozen=True, slots=True)
class _Grid:
    """The first rows of one file or sheet, as text."""

    path: Path
    sheet: str | None
    rows: list[tuple[int, list[str]]]
    delimiter: str | None = None
    encoding: str | None = None


def draft_map(paths: Sequence[Path], encoding: str | None = None) -> str:
    """Draft a column map of some files, as TOML with notes.

    Raises
    ------
    RefusedInputError
        When a file cannot be read.
    UsageError
        Without any file.
    """
    if not paths:
        raise UsageError("Name the files that the map is for.", option="FILE")
    parts = [_HEAD]
    for path in paths:
        for grid in _read_grids(check_path(path), encoding):
            parts.append(_draft_source(grid))
    return "\n".join(parts)


def _read_grids(path: Path, encoding: str | None) -> Iterator[_Grid]:
    suffix = path.suffix.lower()
    if suffix in WORKBOOKS:
        yield from _read_sheets(path)
    elif suffix in PARQUET:
        from registry.reading.parquet_rows import ParquetRows

        file = ParquetRows(path)
        rows = [(1, list(file.heading))]
        for chunk in islice(file.read_chunks(), 1):
            rows += _list_rows(chunk.cells.slice(0, LOOKED_AT).to_pylist(), len(file.heading))
        yield _Grid(path, None, rows)
    else:
        yield _read_lines(path, encoding)


def _list_rows(rows: list[dict[str, str]], width: int) -> list[tuple[int, list[str]]]:
    return [
        (int(row["line"]), [row[str(place)] for place in range(width)])
        for row in sorted(rows, key=lambda row: row["line"])
    ]


def _read_sheets(path: Path) -> Iterator[_Grid]:
    from registry.reading.xlsx_package import XlsxPackage
    from registry.reading.xlsx_sheets import XlsxSheet

    with XlsxPackage(path) as package:
        for part in package.sheets:
            if part.is_hidden:
                continue
            taken = list(islice(XlsxSheet(package, part).read_rows(), LOOKED_AT))
            width = 1 + max((place for _, cells in taken for place in cells), default=-1)
            rows = [
                (number, [cells.get(place, "").replace("\0", " ") for place in range(width)])
                for number, cells in taken
            ]
            if rows:
                yield _Grid(path, part.name, rows)


def _read_lines(path: Path, encoding: str | None) -> _Grid:
    """Read a text file; the heading is the first line as wide as the lines below it."""
    for row in range(1, _HEADING_SEARCH + 1):
        try:
            lines = CsvLines(path, encoding, heading_lines=(row, row))
        except MendableError:
            if row == _HEADING_SEARCH:
                raise
            continue
        chunk = next(lines.read_chunks(), None)
        count = chunk.cells.num_rows if chunk else 0
        if (chunk and count > len(chunk.problems)) or row == _HEADING_SEARCH:
            break
    else:
        lines, chunk = CsvLines(path, encoding), None
    found = [(row, list(lines.heading))]
    if chunk is not None:
        found += _list_rows(chunk.cells.slice(0, LOOKED_AT).to_pylist(), len(lines.heading))
    name = next(name for name, mark in DELIMITERS.items() if mark == (lines.delimiter or ","))
    return _Grid(path, None, found, name, encoding)


# --- one source -----------------------------------------------------------------------------------


def _find_heading(grid: _Grid) -> int:
    """Find the place of the heading: the fullest of the first rows, the uppermost of equals."""
    candidates = grid.rows[:_HEADING_SEARCH]
    filled = [sum(bool(cell.strip()) for cell in cells) for _, cells in candidates]
    most = max(filled, default=0)
    return next((place for place, n in enumerate(filled) if n >= 0.7 * most and n), 0)


def _find_heading_rows(grid: _Grid, place: int) -> tuple[int, ...]:
    """Return the rows of the heading: two where the row above tells groups of columns apart.

    The row above counts when it touches, holds more than a title, and the heading alone has a name
    twice or no name where the row above has one.
    """
    number, heading = grid.rows[place]
    if place == 0 or grid.rows[place - 1][0] != number - 1:
        return (number,)
    above = grid.rows[place - 1][1]
    said = [cell for cell in heading if cell.strip()]
    is_unsure = len(set(said)) < len(said) or any(
        group.strip() and not cell.strip() for group, cell in zip(above, heading, strict=False)
    )
    is_group = sum(bool(cell.strip()) for cell in above) > 1
    return (number - 1, number) if is_unsure and is_group else (number,)


def _find_repeats(names: Sequence[str]) -> tuple[str, ...]:
    """Find the numbers that tell columns of one kind apart, as in ``Visit 1 / date``.

    Examples
    --------
    >>> _find_repeats(["ID", "V1 date", "V1 VA", "V2 date", "V2 VA"])
    ('1', '2')
    >>> _find_repeats(["ID", "chromosome_3", "chromosome_8q"])
    ()
    """
    numbers: dict[str, list[str]] = {}
    for name in names:
        found = _NUMBER_IN_HEADING.search(name)
        if found:
            numbers.setdefault(_make_template(name), []).append(found[1])
    sets = Counter(tuple(found) for found in numbers.values() if len(set(found)) > 1)
    best = max(sets, key=lambda found: (sets[found], len(found)), default=())
    return best if sets[best] > 1 else ()


def _make_template(name: str) -> str:
    return _NUMBER_IN_HEADING.sub("{n}", name, count=1)


def _gather_cells(
    names: Sequence[str], body: Sequence[Sequence[str]], repeat: Sequence[str]
) -> dict[str, list[str]]:
    """Gather the filled cells of each column; columns that repeat are one, with ``{n}``."""
    cells: dict[str, list[str]] = {}
    for at, name in enumerate(names):
        if not name:
            continue
        template = _make_template(name)
        is_repeated = repeat and all(template.replace("{n}", n) in names for n in repeat)
        cells.setdefault(template if is_repeated else name, []).extend(_column(body, at))
    return cells


def _draft_source(grid: _Grid) -> str:
    place = _find_heading(grid)
    rows = _find_heading_rows(grid, place)
    joined = join_headings([cells for _, cells in grid.rows[place + 1 - len(rows) : place + 1]])
    names = number_repeated(joined)
    body = [cells for _, cells in grid.rows[place + 1 :]]
    table, is_sure = _guess_table(grid, names)
    lines = ["[[source]]", f"table = {_quote(table.name)}" + ("" if is_sure else "  # a guess")]
    lines.append(f"file = {_quote(grid.path.name)}")
    if grid.sheet is not None:
        lines.append(f"sheet = {_quote(grid.sheet)}")
    if grid.encoding:
        lines.append(f"encoding = {_quote(grid.encoding)}")
    if grid.delimiter:
        lines.append(f"delimiter = {_quote(grid.delimiter)}")
    if rows != (1,):
        lines.append(f"heading_rows = {list(rows) if len(rows) > 1 else rows[0]}")
    repeat = _find_repeats(names)
    cells = _gather_cells(names, body, repeat)
    lines += _draft_reading(cells)
    if repeat:
        lines.append(f"repeat = {_quote_list(repeat)}  # {{n}} in a heading stands for each")
    lines += ["", "[source.columns]"]
    taken: set[str] = set()
    for name, texts in cells.items():
        lines.append(_draft_column(name, texts, table, taken))
    if not taken:
        what = f"{grid.path.name} {grid.sheet or ''}".strip()
        return "\n".join(f"# {line}" for line in (f"{what}: no heading matches a field", *lines))
    lacking = [f.name for f in table.entered if f.is_required and f.name not in taken]
    if repeat and table.key[0].name in lacking and "patient_id" in taken:
        lines += ["", "[source.made]", f'{table.key[0].name} = "{{patient_id}}-{{n}}"  # check']
        lacking.remove(table.key[0].name)
    if repeat:
        lines.append("# one row a patient: add a second [[source]] for the patients' own columns")
    if lacking:
        lines.append(f"# still without a column: {', '.join(lacking)} (see fixed and made)")
    return "\n".join(lines) + "\n"


def _quote(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _quote_list(texts: Sequence[str]) -> str:
    return "[" + ", ".join(map(_quote, texts)) + "]"


def _column(rows: Sequence[Sequence[str]], at: int) -> list[str]:
    return [" ".join(row[at].split()) for row in rows if at < len(row) and row[at].strip()]


def _guess_table(grid: _Grid, names: Sequence[str]) -> tuple[RecordTable, bool]:
    for name in (grid.sheet, grid.path.stem):
        if name and name.lower() in TABLES:
            return TABLES[name.lower()], True
    scores = {
        table.name: sum(_guess_field(name, table) is not None for name in names)
        for table in TABLES.values()
    }
    return TABLES[max(scores, key=lambda name: scores[name])], False


def _plain(heading: str) -> str:
    bare = re.sub(r"[(\[].*?[)\]]|#\d+$", " ", heading.lower())
    return " ".join(re.sub(r"[^\w]+", " ", bare.replace("_", " ")).split())


def _guess_field(heading: str, table: RecordTable) -> Field | None:
    *_, last = heading.replace("{n}", " ").split(" / ")
    plain = _plain(last)
    fields = {field.name: field for field in table.entered}
    meant = _WORDS.get(plain)
    if meant in fields:
        return fields[meant]
    if plain == "date":
        return next((f for f in table.entered if f.type == "date" and f.is_required), None)
    by_words = {_plain(re.sub(r"_(mm|gy|mmhg|pct)$", "", name)): name for name in fields}
    by_words |= {_plain(name): name for name in fields}
    near = difflib.get_close_matches(plain, by_words, n=1, cutoff=0.86)
    return fields[by_words[near[0]]] if near else None


def _draft_reading(cells: dict[str, list[str]]) -> list[str]:
    texts = [text for column in cells.values() for text in column]
    lines = []
    if any(re.fullmatch(r"-?\d{1,4},\d{1,2}", text) for text in texts):
        lines.append(
            f"decimal = {_quote(UNDECIDED)}  # point or comma: some cells are written like 4,5"
        )
    dates = [m for text in texts if (m := re.match(r"(\d{1,2})[-/.](\d{1,2})[-/.](\d{2,4})", text))]
    if dates:
        lines.append(_draft_order([(int(m[1]), int(m[2])) for m in dates]))
    if any(len(m[3]) == 2 for m in dates):
        lines.append(
            f"two_digit_years_from = {_quote(UNDECIDED)}  # first year of the hundred, as 1950"
        )
    return lines


def _draft_order(pairs: Sequence[tuple[int, int]]) -> str:
    day_first = any(first > 12 for first, _ in pairs)
    month_first = any(second > 12 for _, second in pairs)
    if day_first and not month_first:
        return 'date_order = "dmy"  # some first number is above 12, no second one is'
    if month_first and not day_first:
        return 'date_order = "mdy"  # some second number is above 12, no first one is'
    return f"date_order = {_quote(UNDECIDED)}  # dmy or mdy: the cells do not tell"


def _is_mere_date(text: str) -> bool:
    """Whether a cell is a date alone; a spreadsheet writes midnight beside one.

    >>> _is_mere_date("3.4.2019"), _is_mere_date("2019-04-03 00:00")
    (True, True)
    >>> _is_mere_date("2019-04-03 14:30"), _is_mere_date("theatre 2")
    (False, False)
    """
    return bool(_MERE_DATE.fullmatch(text))


def _draft_column(name: str, texts: Sequence[str], table: RecordTable, taken: set[str]) -> str:
    field = _guess_field(name, table)
    if field is None or field.name in taken:
        return f'{_quote(name)} = ""  # not matched; filled cells: {len(texts)}'
    taken.add(field.name)
    if field.type == "code":
        unknown = [t for t in dict.fromkeys(texts) if t not in field.codes][:MOST_CODES]
        if unknown:
            values = ", ".join(
                f"{_quote(text)} = {_quote(suggest(text, field.codes) or UNDECIDED)}"
                for text in unknown
            )
            return (
                f"{_quote(name)} = {{ field = {_quote(field.name)}, values = {{ {values} }} }}"
                f"  # check; takes {', '.join(field.codes)[:80]}"
            )
    if field.unit == "mm" and re.search(r"[(\[]\s*cm\s*[)\]]", name):
        return f'{_quote(name)} = {{ field = {_quote(field.name)}, multiply = "10" }}  # cm to mm'
    if field.type == "timestamp" and any(_is_mere_date(text) for text in texts):
        given = f"field = {_quote(field.name)}, time_where_none = {_quote(UNDECIDED)}"
        return f'{_quote(name)} = {{ {given} }}  # some cells are a date alone; as "12:00"'
    unit = f"  # check: in {field.unit}" if field.unit else ""
    return f"{_quote(name)} = {_quote(field.name)}{unit}"
