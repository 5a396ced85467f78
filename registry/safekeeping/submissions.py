"""Patients' records given to another department, and several such gifts in one registry.

A submission is a folder: the current records of each table as Parquet, ``submission.json``
(schema, centre, rows, content hash, settings) and ``SHA256SUMS``. Gathering verifies every file,
checksum and content hash first, puts each centre's name before every identifier, and takes all
centres in by the ordinary intake, so that a rule that one record breaks keeps all of them out.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

from registry.errors import RefusedInputError, StoreError
from registry.free_text import check_recorder
from registry.records import TABLES, RecordTable
from registry.safekeeping.file_sets import new_folder, read_checked, read_sums
from registry.safekeeping.table_files import consenting_only
from registry.store import Store, create_store, open_store
from registry.taking_in.intake import IntakeResult, take_in

FORMAT = 1
MANIFEST = "submission.json"
NOT_SHARED = frozenset({"centre_id"})
"""Settings that differ between centres by right."""


@dataclass(frozen=True, slots=True)
class Submission:
    """What a submission holds; ``content_hash`` is over the records, not over the files."""

    format: int
    schema: int
    centre: str
    made_at: str
    made_by: str
    consenting_only: bool
    rows: dict[str, int]
    content_hash: str
    settings: dict[str, Any]


def _entered(table: RecordTable) -> list[str]:
    return [field.name for field in table.entered]


def _read_current(store: Store, table: RecordTable, *, everyone: bool) -> Any:
    condition = "true" if everyone else consenting_only(table)
    names, order = ", ".join(_entered(table)), ", ".join(field.name for field in table.key)
    query = f"SELECT {names} FROM {table.name} WHERE {condition} ORDER BY {order}"
    return store.connection.sql(query).to_arrow_table()


def _cell(value: Any) -> str:
    """Write one value in the form that intake reads, without loss."""
    if value is None:
        return ""
    if isinstance(value, Decimal):
        return f"{value.normalize():f}"
    if isinstance(value, datetime):
        return value.isoformat(" ")
    return value.isoformat() if isinstance(value, date) else str(value)


def hash_records(tables: Iterable[tuple[str, Any]]) -> str:
    """Hash the records of tables (name, Arrow rows sorted by key), whatever file holds them."""
    digest = hashlib.sha256()
    for name, rows in tables:
        digest.update(json.dumps([name, rows.column_names]).encode())
        for row in zip(*(column.to_pylist() for column in rows.columns), strict=True):
            cells = [None if value is None else _cell(value) for value in row]
            digest.update(json.dumps(cells, ensure_ascii=False).encode())
    return digest.hexdigest()


def submit(
    store_path: str | Path, out: str | Path, *, by: str, at: datetime, everyone: bool = False
) -> Submission:
    """Write the current records into a new folder for another department.

    Parameters
    ----------
    store_path, out
        The registry or data lock, and the folder to make.
    by, at
        Who makes it and when (UTC when without zone).
    everyone
        Also people whose ``research_consent`` is not yes; only under an agreement that allows it.

    Raises
    ------
    RefusedInputError
        When nobody is left to submit.
    StoreError
        When ``out`` exists, or the registry is encrypted (a submission is plain).
    """
    by = check_recorder(by)
    with open_store(store_path) as store:
        if store.storage.is_encrypted:
            raise StoreError(
                "The registry is encrypted and a submission is not. Restore a backup into a plain "
                "registry on an encrypted disk, and submit from there.",
                file=str(store_path),
            )
        tables = [
            (table.name, _read_current(store, table, everyone=everyone))
            for table in TABLES.values()
        ]
        if not dict(tables)["patient"].num_rows:
            raise RefusedInputError("No patient's research_consent is yes: nothing to submit.")
        settings = {k: v for k, v in store.settings().items() if k not in NOT_SHARED}
        made_at = at.astimezone(UTC) if at.tzinfo else at.replace(tzinfo=UTC)
        submission = Submission(
            format=FORMAT,
            schema=store.storage.applied_migrations()[-1].number,
            centre=str(store.settings()["centre_id"]),
            made_at=made_at.isoformat(timespec="seconds"),
            made_by=by,
            consenting_only=not everyone,
            rows={name: rows.num_rows for name, rows in tables},
            content_hash=hash_records(tables),
            settings=settings,
        )
    _write(tables, submission, Path(out).absolute())
    return submission


def _write(tables: Sequence[tuple[str, Any]], submission: Submission, out: Path) -> None:
    import pyarrow.parquet as pq

    with new_folder(out) as write:
        for name, rows in tables:
            target = io.BytesIO()
            pq.write_table(rows, target, compression="zstd", write_page_checksum=True)
            write(f"{name}.parquet", target.getvalue())
        text = json.dumps(asdict(submission), indent=1, ensure_ascii=False, default=str)
        write(MANIFEST, text.encode("utf-8"))


# --- gathering ------------------------------------------------------------------------------------


def read_submission(folder: Path) -> tuple[Submission, dict[str, Any]]:
    """Read and verify a submission: every file, its checksum, and the hash of the records.

    Returns
    -------
    tuple
        The manifest, and the rows of each table by its name.

    Raises
    ------
    StoreError
        When a file is missing or changed, the schema is another, or the records are not those that
        the manifest speaks of.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    sums = read_sums(folder, "submission")
    try:
        described = json.loads(read_checked(folder, MANIFEST, sums, "submission"))
        submission = Submission(**described)
    except (ValueError, TypeError):
        raise StoreError(f"{folder / MANIFEST} is no manifest.", file=str(folder)) from None
    if submission.format != FORMAT:
        raise StoreError(
            f"{folder} is a submission of form {submission.format}; this program reads {FORMAT}.",
            file=str(folder),
        )
    tables = {}
    for name, table in TABLES.items():
        file = f"{name}.parquet"
        content = read_checked(folder, file, sums, "submission")
        try:
            tables[name] = pq.read_table(io.BytesIO(content), page_checksum_verification=True)
        except (pa.ArrowException, OSError):
            raise StoreError(f"{folder / file} is no whole Parquet file.", file=file) from None
        if tables[name].column_names != _entered(table):
            raise StoreError(
                f"{folder / file} has other fields than this program's {name}: it was made by"
                " another version. Submit it again with the same one.",
                file=file,
            )
    if hash_records(tables.items()) != submission.content_hash:
        raise StoreError(
            f"The records in {folder} are not those that its manifest speaks of: it was changed."
            " Nothing was taken in.",
            file=str(folder),
        )
    return submission, tables


def name_centre(centre: str) -> str:
    """Return the mark put before a centre's identifiers.

    >>> name_centre("Harbour Bay (invented)")
    'harbour-bay-invented'
    """
    mark = re.sub(r"[^a-z0-9]+", "-", centre.lower()).strip("-")
    if not mark:
        raise RefusedInputError(f"The centre {centre!r} has no letter or digit to name it by.")
    return mark


@dataclass(frozen=True, slots=True)
class Gathered:
    """What was gathered: mark by centre, rows by table, and settings that the centres differ in.

    ``submissions`` are as read, in the order given; the content hash of each was worked out anew
    from its records.
    """

    submissions: tuple[Submission, ...]
    centres: dict[str, str]
    rows: dict[str, int]
    different_settings: tuple[str, ...]
    intake: IntakeResult


def gather(
    store_path: str | Path, folders: Sequence[str | Path], *, by: str, at: datetime
) -> Gathered:
    """Make a new registry from the submissions of several centres, all of them or none.

    Every identifier gets the centre's mark and a colon before it; ``patient.centre_id`` holds the
    centre. Settings are the program's defaults.

    Parameters
    ----------
    store_path
        The registry to make; it must not exist.
    folders
        One submission a centre.
    by, at
        Who gathers and when (UTC when without zone).

    Returns
    -------
    Gathered
        With errors among ``intake.findings`` nothing was made.

    Raises
    ------
    StoreError
        When a submission is not whole or was changed, or ``store_path`` exists.
    RefusedInputError
        When two submissions are of one centre.
    """
    read = [read_submission(Path(folder)) for folder in folders]
    marks = {submission.centre: name_centre(submission.centre) for submission, _ in read}
    if len(set(marks.values())) < len(read):
        raise RefusedInputError(
            "Two submissions are of one centre, or of centres whose names read alike; give one of"
            " each: " + ", ".join(submission.centre for submission, _ in read) + "."
        )
    with tempfile.TemporaryDirectory(prefix="afterplaque-") as draft:
        files = Path(draft) / "files"
        files.mkdir(mode=0o700)
        rows = _write_together(read, marks, files)
        trial = Path(draft) / "trial.registry"
        create_store(trial, centre_id="several centres", by=by, at=at)
        result = take_in(trial, [files], by=by, at=at, check_only=True)
        if not result.has_errors:
            create_store(store_path, centre_id="several centres", by=by, at=at)
            result = take_in(store_path, [files], by=by, at=at)
    submissions = tuple(submission for submission, _ in read)
    return Gathered(submissions, marks, rows, _different(submissions), result)


def _write_together(
    read: Sequence[tuple[Submission, dict[str, Any]]], marks: dict[str, str], files: Path
) -> dict[str, int]:
    """Write all centres' rows of each table into one CSV file; tables without rows have none."""
    counts = {}
    for name, table in TABLES.items():
        columns = _entered(table)
        lines = [
            _qualify(table, dict(zip(columns, row, strict=True)), submission.centre, marks)
            for submission, tables in read
            for row in zip(*(column.to_pylist() for column in tables[name].columns), strict=True)
        ]
        counts[name] = len(lines)
        if not lines:
            continue
        with (files / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(columns)
            writer.writerows([_cell(line[column]) for column in columns] for line in lines)
    return counts


def _qualify(
    table: RecordTable, row: dict[str, Any], centre: str, marks: dict[str, str]
) -> dict[str, Any]:
    """Put the centre's mark before the record's own identifier and those that it refers to."""
    for field in table.fields:
        is_own = field.is_key and field.name == f"{table.name}_id"
        if (is_own or field.references) and row.get(field.name) is not None:
            row[field.name] = f"{marks[centre]}:{row[field.name]}"
    if table.name == "patient":
        row["centre_id"] = centre
    return row


def _different(submissions: Sequence[Submission]) -> tuple[str, ...]:
    """Name the settings in which the centres differ."""
    names = sorted({name for submission in submissions for name in submission.settings})
    texts = [
        {name: json.dumps(one.settings.get(name), sort_keys=True) for name in names}
        for one in submissions
    ]
    return tuple(name for name in names if len({text[name] for text in texts}) > 1)
