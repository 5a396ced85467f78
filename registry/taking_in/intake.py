"""Intake: files are staged, judged and taken in together, all or nothing.

Every finding of every row is collected. An error keeps everything out; a warning does not. The
checksum of each file is recorded in the same transaction as its rows, so a file taken in twice
changes nothing and says so.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from registry.entry_rules.rules import DateOrder
from registry.errors import Finding, RefusedInputError, UsageError
from registry.reading.cell_reading import DecimalMark
from registry.reading.column_map import SourceMap
from registry.reading.intake_files import Heading, IntakeFile, name_files
from registry.reading.lines import DELIMITERS, compute_sha256
from registry.reading.sources import Writing, open_source
from registry.records import TABLES
from registry.taking_in.set_aside import AsideRow, set_aside
from registry.taking_in.updating import (
    UPDATE_REASON,
    CellChange,
    FieldChanges,
    count_changes,
    keep_what_is_held,
    list_changes,
)

if TYPE_CHECKING:
    from registry.store import Store
    from registry.taking_in.staged_rows import StagedRows


@dataclass(frozen=True, slots=True)
class IntakeResult:
    """What an intake did.

    Attributes
    ----------
    taken
        Whether the files' rows are in the registry now by this intake.
    already_taken
        Whether all of these files had been taken in before, so that nothing changed.
    checked_only
        Whether the intake was a check, undone before its end.
    rows
        New versions of records by table: those recorded, or, with ``checked_only``, those that
        would have been. Empty when errors kept everything out.
    corrected
        How many of ``rows`` are new versions of records that were there.
    unchanged
        Rows whose record was there with the same content, by table.
    rows_read
        Rows of the files, by file name.
    findings
        Every finding, by file and row.
    set_aside
        Rows of patients in error, where these were to be set aside and the others taken.
    changes
        What happens to records that were there, counted by field (a correction or an update).
    cell_changes
        Every cell of these, where ``lists_changes`` asked for them.
    """

    taken: bool
    already_taken: bool
    checked_only: bool
    rows: Mapping[str, int]
    corrected: Mapping[str, int]
    unchanged: Mapping[str, int]
    rows_read: Mapping[str, int]
    findings: tuple[Finding, ...]
    set_aside: tuple[AsideRow, ...] = ()
    changes: tuple[FieldChanges, ...] = ()
    cell_changes: tuple[CellChange, ...] = ()

    @property
    def has_errors(self) -> bool:
        """Whether some finding is an error."""
        return any(finding.severity == "error" for finding in self.findings)


class _CheckedOnly(Exception):  # noqa: N818 - it is no error: it ends a check before its commit
    """Rolls the batch of a check back."""


@dataclass(frozen=True, slots=True)
class _Request:
    """How files are to be taken in; the parameters of :func:`take_in`."""

    by: str
    why: str
    at: datetime
    today: date
    correct: bool
    check_only: bool
    date_order: DateOrder | None
    writing: Writing
    sets_aside: bool
    update: bool
    lists_changes: bool

    @property
    def revises(self) -> bool:
        """Whether known records may get new versions."""
        return self.correct or self.update


def take_in(
    store_path: str | Path,
    files: Sequence[str | Path],
    *,
    by: str,
    at: datetime,
    why: str = "",
    correct: bool = False,
    update: bool = False,
    lists_changes: bool = False,
    check_only: bool = False,
    date_order: DateOrder | None = None,
    encoding: str | None = None,
    delimiter: str | None = None,
    decimal: DecimalMark = "point",
    columns: Sequence[SourceMap] = (),
    sets_aside: bool = False,
    today: date | None = None,
) -> IntakeResult:
    """Take CSV, XLSX or Parquet files into a registry, all of them or nothing.

    Parameters
    ----------
    store_path
        The registry.
    files
        Files named after their table, ``TABLE=FILE``, folders of such files, workbooks with
        sheets named after tables, or whatever files ``columns`` describes.
    by, why
        Who takes them in, and why; a correction needs a reason.
    at
        Time of recording; without zone it is taken as UTC.
    correct
        Whether a known record with other content becomes a new version. Only fields that the
        file has a column for change; a blank cell clears its field.
    update
        Whether a known record becomes a new version where the file adds to it, and stays as it
        is where the file contradicts it; see :mod:`registry.taking_in.updating`.
    lists_changes
        Whether to list every cell that a correction or update changes.
    check_only
        Whether to undo everything just before the commit.
    date_order
        Order of dates written with slashes, dots or hyphens.
    encoding
        One of :data:`registry.reading.lines.ENCODINGS`; strict UTF-8 by default.
    delimiter
        A name of :data:`registry.reading.lines.DELIMITERS`; by default told from the heading.
    decimal
        ``"point"`` or ``"comma"``.
    columns
        A column map, as :func:`registry.reading.column_map.read_map` reads it.
    sets_aside
        Whether to take the patients without an error, whole, when there are errors.
    today
        Dates after this day are errors; by default the day of ``at``.

    Returns
    -------
    IntakeResult

    Raises
    ------
    RefusedInputError
        For a file that cannot be read as what its name says it is.
    UsageError
        For arguments that do not fit together.
    StoreError
        When the registry cannot be opened for writing.
    """
    if correct and update:
        raise UsageError("Say --correct or --update, not both.", option="--update")
    if correct and not why.strip():
        raise UsageError("A correction needs a reason.", option="--why")
    request = _Request(
        by=by,
        why=why.strip() or (UPDATE_REASON if update else ""),
        at=at,
        today=today or at.date(),
        correct=correct,
        check_only=check_only,
        date_order=date_order,
        sets_aside=sets_aside,
        update=update,
        lists_changes=lists_changes,
        writing=Writing(encoding, DELIMITERS[delimiter] if delimiter else None, decimal),
    )
    named, findings = name_files(files, columns)
    return _take_named(Path(store_path), named, findings, request)


def _take_named(
    store_path: Path, files: Sequence[IntakeFile], findings: list[Finding], request: _Request
) -> IntakeResult:
    """Take files in whose tables are known; ``findings`` are those made so far."""
    from registry.store import open_store

    files = [replace(file, may_lack=request.revises) for file in files]
    digests = {file: _digest(file) for file in files}
    with open_store(store_path, write=True) as store:
        known = _pairs_taken(store)
        is_known = {file: (digest, file.table.name) in known for file, digest in digests.items()}
        fresh = {
            file: digest
            for file, digest in digests.items()
            if request.revises or file.source is not None or not is_known[file]
        }
        if not fresh:
            return _answer(findings, already_taken=True)
        staged = _stage(store, fresh, request)
        findings = _sort_findings([*findings, *staged.findings], files)
        if any(finding.severity == "error" for finding in findings):
            if request.sets_aside:
                aside = set_aside(staged, findings, correct=request.revises)
                return _record(store, staged, fresh, findings, request, aside)
            return _answer(findings, rows_read=_rows_by_file(staged, fresh))
        if all(is_known.values()) and staged.changes_nothing:
            return _answer(findings, already_taken=True)
        return _record(store, staged, fresh, findings, request)


def _pairs_taken(store: Store) -> set[tuple[str, str]]:
    """Checksum and table of every file taken in so far; a workbook fills several tables."""
    pairs = store.connection.execute("SELECT sha256, table_name FROM batch_file").fetchall()
    return set(pairs)


def _digest(file: IntakeFile) -> str:
    try:
        return compute_sha256(file.path)
    except OSError as failure:
        raise RefusedInputError(
            f"The file {file.path} cannot be read ({failure.strerror}).", file=file.name
        ) from None


def _stage(store: Store, files: Mapping[IntakeFile, str], request: _Request) -> StagedRows:
    """Stage and judge the files."""
    from registry.taking_in.staged_rows import StagedRows

    settings = store.settings()
    staged = StagedRows(
        store.connection,
        today=request.today,
        date_order=request.date_order,
        centre_id=settings["centre_id"],
        off_chart_logmar=settings["off_chart_logmar"],
    )
    lacks_column = False
    for file, digest in files.items():
        heading = _stage_file(staged, file, digest, request)
        lacks_column = lacks_column or heading.lacks_column
    if request.update:
        keep_what_is_held(staged, lists=request.lists_changes)
    staged.read_acuities()
    if not lacks_column:
        staged.judge_records()
        staged.compare(correct=request.revises)
    return staged


def _stage_file(staged: StagedRows, file: IntakeFile, digest: str, request: _Request) -> Heading:
    """Stage one file; refuse it when it is no longer the one whose checksum was taken."""
    source = open_source(file, request.writing)
    staged.findings += source.findings
    staged.add_file(file, source.heading, source.chunks)
    if source.compute_sha256() != digest:
        raise RefusedInputError(
            f"{file.name} was changed while it was read. Take it in again.", file=file.name
        )
    return source.heading


def _record(
    store: Store,
    staged: StagedRows,
    files: Mapping[IntakeFile, str],
    findings: Sequence[Finding],
    request: _Request,
    aside: Sequence[AsideRow] = (),
) -> IntakeResult:
    """Write the staged rows and the files' checksums in one transaction.

    A file that is taken in part is not noted as taken, so that it can be given again.
    """
    in_part = {row.file for row in aside}
    why = request.why
    if aside:
        told = f"{len(aside)} rows set aside of {', '.join(sorted(in_part))}"
        why = f"{why}; {told}" if why else told
    rows_read = _rows_by_file(staged, files)
    changes = count_changes(staged) if request.revises else ()
    cell_changes = list_changes(staged) if request.lists_changes else ()
    kind: Literal["correction", "intake"] = "correction" if request.correct else "intake"
    try:
        with store.batch(kind, by=request.by, why=why, at=request.at) as batch:
            for table in TABLES.values():
                batch.append_pages(table.name, staged.select_pages(table))
            for (digest, table_name), (name, count) in _rows_by_digest(
                staged, files, in_part
            ).items():
                batch.note_file(name, digest, count, table_name)
            if request.check_only:
                raise _CheckedOnly
    except _CheckedOnly:
        pass
    states = staged.states
    corrected = {name: _corrected(counts) for name, counts in states.items()}
    has_new = any(set(counts) - {"unchanged"} for counts in states.values())
    return IntakeResult(
        taken=not request.check_only and (has_new or not aside),
        already_taken=False,
        checked_only=request.check_only,
        rows={name: counts.get("new", 0) + corrected[name] for name, counts in states.items()},
        corrected=corrected,
        unchanged={name: counts.get("unchanged", 0) for name, counts in states.items()},
        rows_read=rows_read,
        findings=tuple(findings),
        set_aside=tuple(aside),
        changes=changes,
        cell_changes=cell_changes,
    )


def _corrected(counts: Mapping[str, int]) -> int:
    return counts.get("changed", 0) + counts.get("withdrawn", 0)


def _answer(
    findings: Sequence[Finding],
    *,
    already_taken: bool = False,
    rows_read: Mapping[str, int] | None = None,
) -> IntakeResult:
    """Make the result of an intake that recorded nothing."""
    return IntakeResult(
        False, already_taken, False, {}, {}, {}, dict(rows_read or {}), tuple(findings)
    )


def _rows_by_file(staged: StagedRows, files: Mapping[IntakeFile, str]) -> dict[str, int]:
    counts: Counter[str] = Counter()
    for number, file in enumerate(files):
        counts[file.name] += staged.rows_read[number]
    return dict(counts)


def _rows_by_digest(
    staged: StagedRows, files: Mapping[IntakeFile, str], in_part: set[str]
) -> dict[tuple[str, str], tuple[str, int]]:
    """Name and rows of each file by checksum and table, those taken in part left out."""
    noted: dict[tuple[str, str], tuple[str, int]] = {}
    for number, (file, digest) in enumerate(files.items()):
        if file.name in in_part:
            continue
        pair = (digest, file.table.name)
        _, before = noted.get(pair, ("", 0))
        noted[pair] = (file.path.name, before + staged.rows_read[number])
    return noted


def _sort_findings(findings: Sequence[Finding], files: Sequence[IntakeFile]) -> list[Finding]:
    order = {file.name: place for place, file in enumerate(files)}
    fields = {
        file.name: {field.name: place for place, field in enumerate(file.table.fields)}
        for file in files
    }
    return sorted(
        findings,
        key=lambda finding: (
            order.get(finding.file, len(order)),
            finding.row or 0,
            fields.get(finding.file, {}).get(finding.field or "", -1),
            finding.severity,
        ),
    )
