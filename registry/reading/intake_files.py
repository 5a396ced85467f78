"""Which file goes into which table, and which of its columns into which field."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from registry.entry_rules.rules import suggest
from registry.errors import Finding, RefusedInputError, UsageError
from registry.reading.file_kinds import PARQUET, WORKBOOKS, check_path
from registry.records import TABLES, Field, RecordTable

if TYPE_CHECKING:
    from registry.reading.column_map import SourceMap

_TABLE_ENDINGS = (*WORKBOOKS, *PARQUET, ".tsv", ".xls", ".xlsb", ".ods", ".numbers")
"""Endings of files that a folder may hold tables in, besides CSV."""

_OWN_SHEETS = ("read_me", "lists")


@dataclass(frozen=True, slots=True)
class IntakeFile:
    """One file, or one sheet of it, and the table whose rows it holds.

    ``part`` tells the tables of one file apart, ``repeat`` is the text that stands for ``{n}`` in
    its column map, and ``may_lack`` whether required fields may be left out (a correction).
    """

    table: RecordTable
    path: Path
    sheet: str | None = None
    part: int = 0
    repeat: str = ""
    may_lack: bool = False
    source: SourceMap | None = field(default=None, compare=False)

    @property
    def name(self) -> str:
        """The file's name without its folder, and the sheet's."""
        return f"{self.path.name} [{self.sheet}]" if self.sheet else self.path.name

    @property
    def is_workbook(self) -> bool:
        """Whether it is a sheet of an XLSX workbook."""
        return self.path.suffix.lower() in WORKBOOKS


def name_files(
    arguments: Iterable[str | Path], maps: Sequence[SourceMap] = ()
) -> tuple[tuple[IntakeFile, ...], list[Finding]]:
    """Tell the table of each file: by its name, or as ``TABLE=FILE``; a folder gives all of its.

    A workbook gives every sheet named after a table. With ``maps`` (a column map) each source
    names its file and sheet, and files that no source names are taken as without a map.

    Returns
    -------
    tuple of IntakeFile, list of Finding
        The files, parents before children; and a warning for each CSV file of a folder, and each
        sheet, that is not named after a table.

    Raises
    ------
    RefusedInputError
        For a file that is not there or cannot be read, or a folder with no known file.
    UsageError
        For an unknown table, a file named twice, a source without its file, or no file at all.
    """
    files: list[IntakeFile] = []
    findings: list[Finding] = []
    mapped: list[Path] = []
    given: list[Path] = []
    for argument in arguments:
        table, path = _split_argument(argument)
        if table is None and path.is_dir():
            found, strangers = _search_folder(path)
        elif table is None and _is_mapped(path, maps):
            mapped.append(check_path(path))
            found, strangers = [], []
        elif path.suffix.lower() in WORKBOOKS:
            found, strangers = _search_workbook(table, check_path(path))
        else:
            checked = check_path(path)
            found, strangers = [IntakeFile(table or _table_of(path), checked)], []
        files += found
        findings += strangers
        given += dict.fromkeys(file.path for file in found) or mapped[-1:]
    _refuse_repeated(given)
    files += _assign(maps, mapped)
    if not files:
        raise UsageError("Name at least one file.")
    order = list(TABLES)
    return tuple(sorted(files, key=lambda file: order.index(file.table.name))), findings


def _refuse_repeated(paths: Iterable[Path]) -> None:
    seen: set[Path] = set()
    for path in paths:
        if path.resolve() in seen:
            raise UsageError(f"The file {path.name} is named twice.", file=path.name)
        seen.add(path.resolve())


def _is_mapped(path: Path, maps: Sequence[SourceMap]) -> bool:
    return any(source.file is None or source.file == path.name for source in maps)


def _assign(maps: Sequence[SourceMap], paths: Sequence[Path]) -> list[IntakeFile]:
    """Give each source of a column map its file, and each of its repeats a part of its own."""
    files: list[IntakeFile] = []
    for source in maps:
        fitting = [path for path in paths if source.file in (None, path.name)]
        if len(fitting) != 1:
            wanted = source.file or f"its {source.table.name} source"
            raise UsageError(
                f"The column map does not say for certain which file holds {wanted}: name the file "
                f"of each source in the map (file = ...), and give it once.",
                option="--columns",
            )
        for repeat in source.repeat or ("",):
            files.append(
                IntakeFile(
                    source.table,
                    fitting[0],
                    sheet=_choose_sheet(source, fitting[0]),
                    part=len(files) + 1,
                    repeat=repeat,
                    source=source,
                )
            )
    return files


def _choose_sheet(source: SourceMap, path: Path) -> str | None:
    if path.suffix.lower() not in WORKBOOKS:
        return None
    names = _visible_sheets(path)
    if source.sheet is None and len(names) != 1:
        raise UsageError(
            f"{path.name} has several sheets: name the sheet of each source in the map.",
            file=path.name,
        )
    return source.sheet or names[0]


def _visible_sheets(path: Path) -> list[str]:
    from registry.reading.xlsx_package import XlsxPackage

    with XlsxPackage(path) as package:
        return [sheet.name for sheet in package.sheets if not sheet.is_hidden]


def _search_workbook(
    table: RecordTable | None, path: Path
) -> tuple[list[IntakeFile], list[Finding]]:
    """Find the sheets of a workbook that are named after a table."""
    names = _visible_sheets(path)
    if table is not None and len(names) == 1:
        return [IntakeFile(table, path, sheet=names[0], part=1)], []
    wanted = [name for name in names if name.lower() in TABLES]
    if table is not None:
        wanted = [name for name in wanted if TABLES[name.lower()] is table]
    if not wanted or len({name.lower() for name in wanted}) < len(wanted):
        raise RefusedInputError(
            f"{path.name} has no sheet for certain that is named after a table "
            f"({', '.join(TABLES)}). Say what its sheets hold in a column map: `afterplaque intake "
            f"--check-only --draft-map MAP.toml {path.name}` drafts one.",
            file=path.name,
        )
    files = [
        IntakeFile(TABLES[name.lower()], path, sheet=name, part=number)
        for number, name in enumerate(wanted, 1)
    ]
    strangers = [name for name in names if name not in wanted and name.lower() not in _OWN_SHEETS]
    return files, [_strange_sheet(path, name) for name in strangers if table is None]


def _strange_sheet(path: Path, name: str) -> Finding:
    return Finding(
        "warning",
        f"{path.name} [{name}]",
        None,
        None,
        name,
        "a sheet named after its table",
        "not taken: rename it, or say in a column map what it holds",
    )


def _split_argument(argument: str | Path) -> tuple[RecordTable | None, Path]:
    text = str(argument)
    prefix, equals, rest = text.partition("=")
    if isinstance(argument, Path) or not equals or _is_there(text):
        return None, Path(text)
    if prefix in TABLES:
        return TABLES[prefix], Path(rest)
    if "/" in prefix:
        return None, Path(text)
    raise UsageError(
        f"There is no table {prefix!r} in {text!r}. Tables are {', '.join(TABLES)}.", table=prefix
    )


def _is_there(text: str) -> bool:
    try:
        return Path(text).exists()
    except (OSError, ValueError):
        return False


def _table_of(path: Path) -> RecordTable:
    table = TABLES.get(path.stem.lower())
    if table is not None:
        return table
    meant = suggest(path.stem, TABLES)
    hint = f"{meant}={path.name}" if meant else f"TABLE={path.name}"
    raise UsageError(
        f"{path.name} is not named after a table. Say which one it holds, as {hint}; tables are "
        f"{', '.join(TABLES)}.",
        file=path.name,
    )


def _search_folder(folder: Path) -> tuple[list[IntakeFile], list[Finding]]:
    files, strangers = [], []
    inside = [path for path in sorted(folder.iterdir()) if path.is_file()]
    told = {path.stem.lower() for path in inside if path.suffix.lower() == ".csv"}
    for path in inside:
        ending = path.suffix.lower()
        if ending != ".csv":
            if ending in _TABLE_ENDINGS and path.stem.lower() not in told:
                strangers.append(_not_searched(path))
            continue
        table = TABLES.get(path.stem.lower())
        if table is not None:
            files.append(IntakeFile(table, check_path(path)))
        else:
            strangers.append(_stranger(path))
    if not files:
        raise RefusedInputError(
            f"The folder {folder} holds no CSV file named after a table ({', '.join(TABLES)})."
            + _name_others(inside),
            folder=str(folder),
        )
    return files, strangers


def _name_others(inside: Sequence[Path]) -> str:
    """Say what a folder holds instead, and what to do with it."""
    names = [path.name for path in inside if not path.name.startswith(".")]
    if not names:
        return " It is empty."
    shown = ", ".join(names[:3]) + (" and more" if len(names) > 3 else "")
    return (
        f" It holds {shown}: give a file by its own path, as TABLE=FILE where its name is not a "
        "table's."
    )


def _not_searched(path: Path) -> Finding:
    return Finding(
        "warning",
        path.name,
        None,
        None,
        path.name,
        "CSV files named after their table, in a folder",
        "not taken: of a folder only CSV files are; give this file by its own path",
    )


def _stranger(path: Path) -> Finding:
    meant = suggest(path.stem, TABLES)
    return Finding(
        "warning",
        path.name,
        None,
        None,
        path.name,
        "a file named after its table",
        f"not taken: rename it to {meant}.csv" if meant else "not taken: it holds no known table",
    )


# --- headings -------------------------------------------------------------------------------------

_NO_HEADING = (
    "no field's name is in this line: if the headings stand in another row, or are your own, say "
    "so in a column map (`afterplaque intake --check-only --draft-map MAP.toml FILE` drafts one)"
)


@dataclass(frozen=True, slots=True)
class Heading:
    """What the columns of a file hold.

    ``columns`` gives the place of each field among the cells; ``unnamed`` the places of columns
    without a name; ``lacks_column`` whether a field that must be there is not. ``n_cells`` is how
    many cells a line of the file has, and ``cell_places`` where a field stands among them.
    """

    columns: Mapping[Field, int]
    unnamed: tuple[int, ...]
    lacks_column: bool
    n_cells: int = 0
    cell_places: Mapping[str, int] = field(default_factory=dict)


def read_heading(
    cells: Sequence[str],
    file: IntakeFile,
    *,
    renamed: Mapping[str, str] | None = None,
    may_lack_required: bool = False,
) -> tuple[Heading, list[Finding]]:
    """Match heading cells with fields.

    Parameters
    ----------
    cells
        Trimmed cells of line 1.
    file
        For its table and name.
    renamed
        Field name for a heading that is not one itself.
    may_lack_required
        Whether required fields other than the key may be left out (a correction).
    """
    columns: dict[Field, int] = {}
    findings: list[Finding] = []
    known = {field.name: field for field in file.table.fields}
    names = [take_unit_off((renamed or {}).get(cell, cell), known) for cell in cells]
    for place, name in enumerate(names):
        field = known.get(name)
        if not name:
            continue
        if field is None:
            findings.append(_unknown_column(name, file))
        elif field.is_derived:
            findings.append(_derived_column(name, file))
        elif field in columns:
            findings.append(_repeated_column(name, file))
        else:
            columns[field] = place
    lacking = [
        field
        for field in file.table.entered
        if field not in columns and (field.is_key or (field.is_required and not may_lack_required))
    ]
    findings += [_lacking_column(field, file) for field in lacking]
    if not columns and findings:  # a title, or another department's own headings
        findings[0] = replace(findings[0], remedy=_NO_HEADING)
    unnamed = tuple(place for place, name in enumerate(names) if not name)
    places = {field.name: place for field, place in columns.items()}
    return Heading(columns, unnamed, bool(lacking), len(cells), places), findings


def take_unit_off(name: str, known: Mapping[str, Field]) -> str:
    """Take a field's own unit off its heading; another unit stays, and is found unknown.

    Examples
    --------
    >>> known = {"thickness_mm": TABLES["tumour"].field("thickness_mm")}
    >>> take_unit_off("thickness_mm (mm)", known), take_unit_off("thickness_mm (cm)", known)
    ('thickness_mm', 'thickness_mm (cm)')
    """
    bare, bracket, unit = name.rstrip(")]").rpartition(" (" if name.endswith(")") else " [")
    field = known.get(bare.rstrip())
    return field.name if bracket and field and unit and unit == field.unit else name


def _heading_finding(
    severity: str, file: IntakeFile, name: str, found: str, allowed: str, remedy: str
) -> Finding:
    return Finding(severity, file.name, 1, name, found, allowed, remedy)


def _unknown_column(name: str, file: IntakeFile) -> Finding:
    meant = suggest(name, [field.name for field in file.table.entered])
    return _heading_finding(
        "error",
        file,
        name,
        name,
        f"a field of {file.table.name}; `afterplaque fields` lists them",
        f"rename the column to {meant}" if meant else "delete or rename the column",
    )


def _derived_column(name: str, file: IntakeFile) -> Finding:
    return _heading_finding(
        "warning", file, name, name, "entered fields only", "left out: intake works it out itself"
    )


def _repeated_column(name: str, file: IntakeFile) -> Finding:
    return _heading_finding("error", file, name, name, "each column once", "delete one of the two")


def _lacking_column(field: Field, file: IntakeFile) -> Finding:
    allowed = f"a column {field.name}: {field.allowed()}"
    return _heading_finding("error", file, field.name, "", allowed, f"add the column {field.name}")
