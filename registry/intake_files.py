"""Which file goes into which table, and which of its columns into which field."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from registry.errors import Finding, RefusedInputError, UsageError
from registry.records import TABLES, Field, RecordTable
from registry.rules import suggest

_OTHER_FORMATS = {".xlsx", ".xls", ".xlsm", ".ods", ".parquet"}


@dataclass(frozen=True, slots=True)
class IntakeFile:
    """One file and the table whose rows it holds."""

    table: RecordTable
    path: Path

    @property
    def name(self) -> str:
        """The file's name without its folder."""
        return self.path.name


def name_files(arguments: Iterable[str | Path]) -> tuple[tuple[IntakeFile, ...], list[Finding]]:
    """Tell the table of each file: by its name, or as ``TABLE=FILE``; a folder gives all of its.

    Returns
    -------
    tuple of IntakeFile, list of Finding
        The files, parents before children; and a warning for each CSV file of a folder that is not
        named after a table.

    Raises
    ------
    RefusedInputError
        For a file that is not there, cannot be read or is not CSV, or a folder with no known file.
    UsageError
        For an unknown table, a file named twice, or no file at all.
    """
    files: list[IntakeFile] = []
    findings: list[Finding] = []
    for argument in arguments:
        table, path = _split_argument(argument)
        if table is None and path.is_dir():
            found, strangers = _search_folder(path)
            files += found
            findings += strangers
        else:
            files.append(IntakeFile(table or _table_of(path), _check_path(path)))
    seen: set[Path] = set()
    for file in files:
        if file.path.resolve() in seen:
            raise UsageError(f"The file {file.name} is named twice.", file=file.name)
        seen.add(file.path.resolve())
    if not files:
        raise UsageError("Name at least one file.")
    order = list(TABLES)
    return tuple(sorted(files, key=lambda file: order.index(file.table.name))), findings


def _split_argument(argument: str | Path) -> tuple[RecordTable | None, Path]:
    text = str(argument)
    prefix, equals, rest = text.partition("=")
    if isinstance(argument, Path) or not equals or Path(text).exists():
        return None, Path(text)
    if prefix in TABLES:
        return TABLES[prefix], Path(rest)
    if "/" in prefix:
        return None, Path(text)
    raise UsageError(
        f"There is no table {prefix!r} in {text!r}. Tables are {', '.join(TABLES)}.", table=prefix
    )


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


def _check_path(path: Path) -> Path:
    if path.suffix.lower() in _OTHER_FORMATS:
        raise RefusedInputError(
            f"{path.name} is not CSV. Save each table as CSV UTF-8 and give those files.",
            file=path.name,
        )
    if path.is_dir() or not path.exists():
        kind = "is a folder" if path.is_dir() else "is not there"
        raise RefusedInputError(f"The file {path} {kind}. Check its path.", file=path.name)
    try:
        path.open("rb").close()
    except OSError as failure:
        raise RefusedInputError(
            f"The file {path} cannot be read ({failure.strerror}).", file=path.name
        ) from None
    return path


def _search_folder(folder: Path) -> tuple[list[IntakeFile], list[Finding]]:
    files, strangers = [], []
    for path in sorted(folder.iterdir()):
        if path.suffix.lower() != ".csv" or not path.is_file():
            continue
        table = TABLES.get(path.stem.lower())
        if table is not None:
            files.append(IntakeFile(table, _check_path(path)))
        else:
            strangers.append(_stranger(path))
    if not files:
        raise RefusedInputError(
            f"The folder {folder} holds no file named after a table ({', '.join(TABLES)}).",
            folder=str(folder),
        )
    return files, strangers


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


@dataclass(frozen=True, slots=True)
class Heading:
    """What the columns of a file hold.

    ``columns`` gives the place of each field among the cells; ``unnamed`` the places of columns
    without a name; ``lacks_column`` whether a field that must be there is not.
    """

    columns: Mapping[Field, int]
    unnamed: tuple[int, ...]
    lacks_column: bool


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
    names = [(renamed or {}).get(cell, cell) for cell in cells]
    known = {field.name: field for field in file.table.fields}
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
    unnamed = tuple(place for place, name in enumerate(names) if not name)
    return Heading(columns, unnamed, bool(lacking)), findings


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
