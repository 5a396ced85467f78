"""An update: the next export of the same patients, which may add to the registry and no more.

A department exports its patients anew each year, most of them unchanged, some followed further,
and some with a cell that was corrected in the registry but not at its source. An update takes what
is new: records that are not there, cells that were blank or unknown, and follow-up that went on.
A value that the record held before and holds no more is not new: it was corrected, or the export is
an old one. Whatever else differs stays as the registry holds it and is named, so that no export can
undo a correction, and no column that is empty this year clears what was known.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import astuple, dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from registry.csv_cells import defuse
from registry.errors import Finding
from registry.records import TABLES, Field, RecordTable
from registry.taking_in.findings import show, show_value
from registry.taking_in.staged_queries import is_readable, join_held, select_changed

if TYPE_CHECKING:
    from registry.taking_in.staged_rows import StagedRows

GOES_ON: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {"patient": ("last_contact_date", "vital_status_date", "metastasis_status_date")}
)
"""Dates that a later export moves on, by table; an earlier one does not move them back."""

CHANGES_IN_TIME: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {"patient": ("follow_up_ended_reason", "research_consent")}
)
"""Codes that say how things stand at the time of the export, by table."""

UPDATE_REASON = "update from a later export"
"""The reason kept with an update for which none is given."""

CHANGE_COLUMNS = ("table", "record", "field", "what", "before", "in_file")

_READS_ACUITY = "acuity_notation"
_FOLLOW_UP_STATE = "follow_up_ended_reason"
_KEPT = "the registry's value stays; if the file is right, give the row with --correct --why REASON"
_REPLACED = (
    "the registry's value stays: it replaced this one (the source was not corrected, or the export "
    "is an old one)"
)


@dataclass(frozen=True, slots=True)
class FieldChanges:
    """How many cells of one field an intake changes in records that are there.

    Attributes
    ----------
    table, field
        Which field.
    filled
        Cells that were blank and are not any more.
    changed
        Cells with another value than before.
    cleared
        Cells that had a value and are blank now.
    kept
        Cells where an update left the registry's value and the file has another.
    kept_where_blank
        Cells where an update left the registry's value and the file is blank or says "unknown".
    """

    table: str
    field: str
    filled: int
    changed: int
    cleared: int
    kept: int = 0
    kept_where_blank: int = 0


@dataclass(frozen=True, slots=True)
class CellChange:
    """One cell of a record that is there: ``what`` is filled, changed, cleared or kept."""

    table: str
    record: str
    field: str
    what: str
    held: str
    in_file: str


def is_news(table: RecordTable, field: Field) -> str:
    """SQL: the row ``r`` adds to the held record ``s`` in this field and contradicts nothing.

    A value of an earlier version is no news, but for the state of follow-up of a patient who has
    been seen since.
    """
    if field.name == _READS_ACUITY:  # it says how a text is read that may be there already
        return "(s.acuity IS NULL AND s.fellow_acuity IS NULL)"
    new, held = f"r.{field.name}", f"s.{field.name}"
    conditions = [f"{held} IS NULL"]
    if field.name in GOES_ON.get(table.name, ()):
        conditions.append(f"{new} > {held}")
    if "unknown" in field.codes and field.type == "code":
        is_known = f"{new} IS NOT NULL AND CAST({new} AS VARCHAR) <> 'unknown'"
        changes = field.name in CHANGES_IN_TIME.get(table.name, ())
        only_from = "" if changes else f" AND {held} = 'unknown'"
        conditions.append(f"({is_known}{only_from})")
    may_return = "r.last_contact_date > s.last_contact_date OR " * (field.name == _FOLLOW_UP_STATE)
    is_first = f"NOT {_was_held(table, field)}"
    return f"coalesce(({' OR '.join(conditions)}) AND ({may_return}{is_first}), false)"


def _was_held(table: RecordTable, field: Field) -> str:
    """SQL: some version of the record ``s`` had the value that the row ``r`` has."""
    same = " AND ".join(f"v.{part.name} = s.{part.name}" for part in table.key)
    value = f"v.{field.name} = r.{field.name}"
    return f"EXISTS (SELECT 1 FROM {table.name}_version v WHERE {same} AND {value})"


def _is_blank(field: Field) -> str:
    blank = f"r.{field.name} IS NULL"
    if "unknown" in field.codes:
        blank += f" OR CAST(r.{field.name} AS VARCHAR) = 'unknown'"
    return f"({blank})"


def _key(table: RecordTable) -> str:
    return " || '|' || ".join(f"CAST(r.{field.name} AS VARCHAR)" for field in table.key)


def keep_what_is_held(staged: StagedRows, *, lists: bool = False) -> None:
    """Put the registry's values back where the staged rows differ from them without being news.

    Each value that the file contradicts becomes a warning, and so does each row of a record that
    was withdrawn, which is left out. Counts go to ``staged.kept``, and with ``lists`` every cell
    to ``staged.cell_changes``.
    """
    for table in dict.fromkeys(file.table for file in staged.files):
        _leave_out_withdrawn(staged, table)
        for field in table.entered:
            if not field.is_key:
                _keep_field(staged, table, field, lists=lists)


def _keep_field(staged: StagedRows, table: RecordTable, field: Field, *, lists: bool) -> None:
    differs = (
        f"{is_readable(field.name)} AND r.{field.name} IS DISTINCT FROM s.{field.name} "
        f"AND NOT {is_news(table, field)}"
    )
    source = f"FROM staged_{table.name} r {join_held(table)} WHERE {differs}"
    rows = staged.run(
        f"SELECT r.file_no, r.line, CAST(r.{field.name} AS VARCHAR), "
        f"CAST(s.{field.name} AS VARCHAR), s.version, {_is_blank(field)}, {_key(table)}, "
        f"{_was_held(table, field)} {source}"
    )
    if not rows:
        return
    blank = sum(row[5] for row in rows)
    staged.kept[table.name, field.name] = (len(rows) - blank, blank)
    for file_no, line, found, held, version, is_blank, key, was_held in rows:
        shown, kept = _show(found, field), _show(held, field)
        if lists:
            staged.cell_changes.append(CellChange(table.name, key, field.name, "kept", kept, shown))
        if not is_blank:
            allowed = f"{kept or 'blank'}, as the registry holds (version {version})"
            remedy = _REPLACED if was_held else _KEPT
            file = staged.files[file_no].name
            staged.findings.append(
                Finding("warning", file, line, field.name, shown, allowed, remedy)
            )
    staged.run(
        f"UPDATE staged_{table.name} SET {field.name} = k.held FROM "
        f"(SELECT r.file_no, r.line, s.{field.name} AS held {source}) k "
        f"WHERE staged_{table.name}.file_no = k.file_no AND staged_{table.name}.line = k.line"
    )


def _show(text: str | None, field: Field) -> str:
    return show(show_value(text, field))


def _leave_out_withdrawn(staged: StagedRows, table: RecordTable) -> None:
    """Leave out rows of records that were withdrawn; the next export holds them again."""
    name, key = table.name, table.key[0].name
    known = " AND ".join(f"k.{field.name} = r.{field.name}" for field in table.key)
    current = known.replace("k.", "c.")
    withdrawn = (
        f"FROM staged_{name} r WHERE EXISTS (SELECT 1 FROM {name}_key k WHERE {known}) "
        f"AND NOT EXISTS (SELECT 1 FROM {name} c WHERE {current})"
    )
    rows = staged.run(f"SELECT r.file_no, r.line, {_key(table)} {withdrawn}")
    for file_no, line, found in rows:
        file = staged.files[file_no].name
        allowed = "a record that has not been withdrawn"
        remedy = "the row is left out; bring the record back with --correct --why REASON"
        staged.findings.append(Finding("warning", file, line, key, found, allowed, remedy))
    if rows:
        staged.run(
            f"DELETE FROM staged_{name} WHERE (file_no, line) IN "
            f"(SELECT (r.file_no, r.line) {withdrawn})"
        )


# --- what changes ---------------------------------------------------------------------------------


def count_changes(staged: StagedRows) -> tuple[FieldChanges, ...]:
    """Count, field by field, what happens to records that are there."""
    names = dict.fromkeys(file.table.name for file in staged.files)
    return tuple(row for name in names for row in _count_table(staged, TABLES[name]))


def _count_table(staged: StagedRows, table: RecordTable) -> Iterator[FieldChanges]:
    fields = [field for field in table.entered if not field.is_key]
    counts: list[Any] = [0] * (3 * len(fields))
    if staged.states.get(table.name, {}).get("changed"):
        parts = []
        for field in fields:
            new, held = f"r.{field.name}", f"s.{field.name}"
            parts += [
                f"count(*) FILTER ({held} IS NULL AND {new} IS NOT NULL)",
                f"count(*) FILTER ({new} <> {held})",
                f"count(*) FILTER ({held} IS NOT NULL AND {new} IS NULL)",
            ]
        counts = list(
            staged.run(
                f"SELECT {', '.join(parts)} FROM staged_{table.name} r "
                f"JOIN state_{table.name} t USING (file_no, line) {join_held(table)} "
                "WHERE t.state = 'changed'"
            )[0]
        )
    for place, field in enumerate(fields):
        filled, changed, cleared = counts[3 * place : 3 * place + 3]
        kept, blank = staged.kept.get((table.name, field.name), (0, 0))
        if filled or changed or cleared or kept or blank:
            yield FieldChanges(table.name, field.name, filled, changed, cleared, kept, blank)


def list_changes(staged: StagedRows) -> tuple[CellChange, ...]:
    """List every cell that changes in a record that is there, and every one that was kept."""
    cells = list(staged.cell_changes)
    for name in dict.fromkeys(file.table.name for file in staged.files):
        if not staged.states.get(name, {}).get("changed"):
            continue
        table = TABLES[name]
        for field in table.entered:
            for _, _, found, held, _, key, _ in staged.run(select_changed(table, field)):
                what = "filled" if held is None else "cleared" if found is None else "changed"
                shown = (_show(held, field), _show(found, field))
                cells.append(CellChange(name, key, field.name, what, *shown))
    return tuple(sorted(cells, key=lambda cell: (list(TABLES).index(cell.table), cell.record)))


def write_changes(cells: Sequence[CellChange]) -> bytes:
    """Write changed cells as CSV (UTF-8 with byte order mark).

    Examples
    --------
    >>> one = CellChange("tumour", "T1", "thickness_mm", "cleared", "5.5", "")
    >>> write_changes([one]).decode("utf-8-sig").splitlines()
    ['table,record,field,what,before,in_file', 'tumour,T1,thickness_mm,cleared,5.5,']
    """
    stream = io.StringIO(newline="")
    writer = csv.writer(stream)
    writer.writerow(CHANGE_COLUMNS)
    writer.writerows([defuse(text) for text in astuple(cell)] for cell in cells)
    return stream.getvalue().encode("utf-8-sig")
