"""Every kind of file as a heading and chunks of text rows, with or without a column map."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

from registry.derived import ACUITY_FIELDS
from registry.entry_rules.line_records import TOTAL, Chunk, LineProblem, tabulate
from registry.errors import Finding, RefusedInputError
from registry.reading.cell_reading import DecimalMark, Reading
from registry.reading.cell_translation import write_acuity_points, write_point
from registry.reading.column_map import SourceMap
from registry.reading.file_kinds import PARQUET
from registry.reading.intake_files import Heading, IntakeFile, read_heading
from registry.reading.lines import CsvLines, compute_sha256, join_headings
from registry.reading.mapped_rows import MappedRows, find_row_kind
from registry.reading.xlsx_package import XlsxPackage
from registry.reading.xlsx_sheets import MergedCells, XlsxSheet

if TYPE_CHECKING:
    import pyarrow as pa

SHEET_ROWS = 20_000
"""Rows of a sheet handed on at a time."""

_FIRST_HEADINGS = (1, 1)


@dataclass(frozen=True, slots=True)
class Writing:
    """How files without a column map are written, as the command line declares it."""

    encoding: str | None = None
    delimiter: str | None = None
    decimal: DecimalMark = "point"


@dataclass(frozen=True, slots=True)
class Source:
    """A file that has been opened for reading.

    Attributes
    ----------
    heading
        Which field stands where in the chunks.
    findings
        What is wrong with the heading.
    chunks
        The rows, to be read once.
    compute_sha256
        Digest of the file; called when every chunk has been read.
    """

    heading: Heading
    findings: list[Finding]
    chunks: Iterator[Chunk]
    compute_sha256: Callable[[], str]


def open_source(file: IntakeFile, writing: Writing) -> Source:
    """Open a file for reading.

    Raises
    ------
    RefusedInputError
        When it cannot be read as the kind of file that its name says.
    UsageError
        When the mark between its cells is not certain.
    """
    if file.is_workbook:
        return _open_sheet(file, writing)
    if file.path.suffix.lower() in PARQUET:
        from registry.reading.parquet_rows import ParquetRows

        rows = ParquetRows(file.path)
        return _match(file, rows.heading, rows.read_chunks(), Writing(), is_typed=True)
    return _open_lines(file, writing)


def _open_lines(file: IntakeFile, writing: Writing) -> Source:
    source = file.source
    encoding, delimiter = writing.encoding, writing.delimiter
    if source is not None:
        encoding, delimiter = source.encoding or encoding, source.delimiter or delimiter
    lines = CsvLines(
        file.path,
        encoding,
        delimiter=delimiter,
        known=_known_headings(file),
        heading_lines=source.heading_rows if source else _FIRST_HEADINGS,
    )
    matched = _match(file, lines.heading, lines.read_chunks(), writing)
    return replace(matched, compute_sha256=lambda: lines.sha256)


def _known_headings(file: IntakeFile) -> set[str]:
    if file.source is not None:
        named = [column.heading for column in file.source.columns]
        return {*named, *file.source.left_out}
    fields = file.table.fields
    return {f.name for f in fields} | {f"{f.name} ({f.unit})" for f in fields}


def _match(
    file: IntakeFile,
    names: Sequence[str],
    chunks: Iterator[Chunk],
    writing: Writing,
    *,
    is_typed: bool = False,
) -> Source:
    """Match the heading with fields, by the column map or by their names."""
    digest = _digest_of(file)
    if file.source is not None:
        mapped = MappedRows(file.source, names, file, file.repeat)
        converted = (mapped.convert(chunk) for chunk in chunks)
        return Source(mapped.heading, mapped.findings, converted, digest)
    heading, findings = read_heading(names, file, may_lack_required=file.may_lack)
    chunks = _screen(chunks, names)
    if is_typed:
        chunks = (_leave_midnight_out(chunk, heading) for chunk in chunks)
    if writing.decimal == "comma":
        chunks = (_write_points(chunk, heading) for chunk in chunks)
    return Source(heading, findings, chunks, digest)


def _digest_of(file: IntakeFile) -> Callable[[], str]:
    return lambda: compute_sha256(file.path)


# --- rows that are no records ---------------------------------------------------------------------


def _screen(chunks: Iterator[Chunk], names: Sequence[str]) -> Iterator[Chunk]:
    """Make problems of rows that say the heading again or hold totals."""
    import pyarrow.compute as pc

    for chunk in chunks:
        first = pc.utf8_trim_whitespace(chunk.cells["0"])
        suspects = pc.or_(
            pc.match_substring_regex(first, f"^{TOTAL}$"),
            pc.or_(pc.equal(first, names[0]), pc.equal(first, "")),
        )
        found = _find_row_problems(chunk.cells.filter(suspects), names)
        if found:
            lines = [problem.line for problem in found]
            is_bad = pc.is_in(chunk.cells["line"], value_set=_int64(lines))
            cells = chunk.cells.filter(pc.invert(is_bad))
            yield replace(chunk, cells=cells, problems=(*chunk.problems, *found))
        else:
            yield chunk


def _int64(values: list[int]) -> pa.Array:
    import pyarrow as pa

    return pa.array(values, pa.int64())


def _find_row_problems(cells: pa.Table, names: Sequence[str]) -> list[LineProblem]:
    problems = []
    for row in cells.to_pylist():
        texts = [row[str(place)] for place in range(len(names))]
        kind = find_row_kind(texts, names) if any(text.strip() for text in texts) else None
        if kind is not None:
            problems.append(LineProblem(row["line"], kind, tuple(texts)))
    return problems


# --- cells of typed files, and decimal commas -----------------------------------------------------


def _leave_midnight_out(chunk: Chunk, heading: Heading) -> Chunk:
    """Leave midnight out of the dates that a program kept as times."""
    import pyarrow.compute as pc

    cells = chunk.cells
    for field, place in heading.columns.items():
        if field.type == "date":
            day = pc.replace_substring_regex(
                cells[str(place)], r"^(\d{4}-\d{2}-\d{2})[ T]00:00(:00)?$", r"\1"
            )
            cells = cells.set_column(cells.column_names.index(str(place)), str(place), day)
    return replace(chunk, cells=cells)


def _write_points(chunk: Chunk, heading: Heading) -> Chunk:
    """Write decimal commas as points, in numbers and in acuities only."""
    import pyarrow as pa

    reading = Reading(decimal="comma")
    cells = chunk.cells
    write: Callable[[str], str]
    for field, place in heading.columns.items():
        if field.name in ACUITY_FIELDS:
            write = write_acuity_points
        elif field.type in ("decimal", "integer"):
            write = partial(write_point, reading=reading)
        else:
            continue
        coded = cells[str(place)].combine_chunks().dictionary_encode()
        texts = [write(text.strip()) for text in coded.dictionary.to_pylist()]
        column = pa.DictionaryArray.from_arrays(coded.indices, pa.array(texts, pa.string()))
        at = cells.column_names.index(str(place))
        cells = cells.set_column(at, str(place), column.dictionary_decode())
    return replace(chunk, cells=cells, written=chunk.written or chunk.cells)


# --- sheets ---------------------------------------------------------------------------------------


def _open_sheet(file: IntakeFile, writing: Writing) -> Source:
    source = file.source
    decimal = source.reading.decimal if source else writing.decimal
    package = XlsxPackage(file.path)
    found = [sheet for sheet in package.sheets if sheet.name == file.sheet]
    if not found:
        listed = ", ".join(sheet.name for sheet in package.sheets)
        raise RefusedInputError(
            f"{file.path.name} has no sheet {file.sheet!r}; it has {listed}.", file=file.path.name
        )
    sheet = XlsxSheet(package, found[0], "," if decimal == "comma" else ".")
    rows = sheet.read_rows()
    names, above = read_sheet_heading(rows, source.heading_rows if source else _FIRST_HEADINGS)
    if not any(names):
        row = source.heading_rows[0] if source else 1
        raise RefusedInputError(
            f"{file.name} has no heading in row {row}. It must name the fields, or the column map "
            "must say where the heading is (heading_rows).",
            file=file.name,
            row=row,
        )
    chunks = _read_sheet_chunks(sheet, above, rows, len(names), file)
    return _match(file, names, chunks, writing, is_typed=True)


def read_sheet_heading(
    rows: Iterator[tuple[int, dict[int, str]]], heading_rows: tuple[int, int]
) -> tuple[tuple[str, ...], list[tuple[int, dict[int, str]]]]:
    """Read the heading of a sheet, and the row that had to be read to see its end."""
    first, last = heading_rows
    found: dict[int, dict[int, str]] = {}
    rest: list[tuple[int, dict[int, str]]] = []
    for number, cells in rows:
        if number > last:
            rest.append((number, cells))
            break
        if number >= first:
            found[number] = cells
    width = 1 + max((place for cells in found.values() for place in cells), default=-1)
    if not width:
        return (), rest
    lines = [
        [found.get(number, {}).get(place, "").lstrip("\0") for place in range(width)]
        for number in range(first, last + 1)
    ]
    return join_headings(lines), rest


def _read_sheet_chunks(
    sheet: XlsxSheet,
    above: list[tuple[int, dict[int, str]]],
    rows: Iterator[tuple[int, dict[int, str]]],
    width: int,
    file: IntakeFile,
) -> Iterator[Chunk]:
    texts: list[list[str]] = []
    lines: list[int] = []
    problems: list[LineProblem] = []
    keeps_strangers = not (file.source and file.source.others_left_out)
    at_once = max(10, min(SHEET_ROWS, 2_000_000 // width))
    for number, cells in _chain(above, rows):
        outside = [text for place, text in cells.items() if place >= width and text.strip()]
        if outside and keeps_strangers:
            problems.append(LineProblem(number, "unnamed_cell", (outside[0],)))
            continue
        texts.append([cells.get(place, "") for place in range(width)])
        lines.append(number)
        if len(lines) == at_once:
            yield Chunk(tabulate(texts, lines, width), tuple(problems), True)
            texts, lines, problems = [], [], []
    problems += _find_merged(sheet.merged, lines, width, file)
    yield Chunk(tabulate(texts, lines, width), tuple(problems), True)


def _chain(
    above: list[tuple[int, dict[int, str]]], rows: Iterator[tuple[int, dict[int, str]]]
) -> Iterator[tuple[int, dict[int, str]]]:
    yield from above
    yield from rows


def _find_merged(
    merged: Sequence[MergedCells], lines: list[int], width: int, file: IntakeFile
) -> Iterator[LineProblem]:
    """Find merged cells below the heading that no fill_down is declared for."""
    source: SourceMap | None = file.source
    last_heading = source.heading_rows[1] if source else 1
    for cells in merged:
        is_title = cells.last_row <= last_heading or cells.first_column >= width
        left_out = source is not None and (
            bool(source.fill_down)
            or cells.first_row in source.leave_out_rows
            or (source.last_row is not None and cells.first_row > source.last_row)
        )
        if not is_title and not left_out:
            found = f"{cells.last_row - cells.first_row + 1} rows merged"
            yield LineProblem(cells.first_row, "merged_cells", (found,))
