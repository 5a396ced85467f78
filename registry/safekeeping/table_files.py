"""Tables for other programs: the current records as CSV and Parquet, with their fields.

A spreadsheet takes a cell that begins with ``=``, ``+``, ``-`` or ``@`` for a formula, and may run
it; such a text cell, unless it is a plain number, gets an apostrophe before it in CSV. Parquet
holds every value as recorded.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from importlib import resources
from pathlib import Path
from typing import Any

from registry.csv_cells import defuse
from registry.errors import RefusedInputError, StoreError
from registry.records import TABLES, Field, RecordTable
from registry.safekeeping.file_sets import new_folder
from registry.store import Store, open_store

_CONSENTING = "SELECT patient_id FROM patient WHERE research_consent = 'yes'"


def _write_cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return defuse(value)
    if isinstance(value, Decimal):
        return f"{value.normalize():f}"
    if isinstance(value, datetime):
        is_whole = not value.second and not value.microsecond
        return value.isoformat(" ", "minutes" if is_whole else "auto")
    return str(value)


def _write_csv(headings: Iterable[str], rows: Iterable[Iterable[Any]]) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(headings)
    writer.writerows([_write_cell(value) for value in row] for row in rows)
    return text.getvalue().encode()


def _to_parquet(rows: Any) -> bytes:
    import pyarrow.parquet as pq

    target = io.BytesIO()
    pq.write_table(rows, target, compression="zstd")
    return target.getvalue()


def _person_of(table: RecordTable) -> tuple[Field, str] | None:
    """Find the chain of references from a table to the patient: (field, ids that may stay)."""
    for field in table.references:
        parent = TABLES[str(field.references)]
        if parent.name == "patient":
            return field, _CONSENTING
        above = _person_of(parent)
        if above is not None:
            key = parent.key[0].name
            kept = f"SELECT {key} FROM {parent.name} WHERE {above[0].name} IN ({above[1]})"
            return field, kept
    return None


def consenting_only(table: RecordTable) -> str:
    """Write the SQL condition for rows of people who consented to research.

    Tables that belong to no person (plaques, certificates, checks) are whole. A record that names a
    patient goes by that patient, others by the record that they hang on.
    """
    if table.name == "patient":
        return f"patient_id IN ({_CONSENTING})"
    own = next((field for field in table.references if field.references == "patient"), None)
    found = (own, _CONSENTING) if own else _person_of(table)
    return f"{found[0].name} IN ({found[1]})" if found else "true"


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written: rows by table, and how many patients were left out for want of consent."""

    rows: Mapping[str, int]
    left_out: int


def _read(store: Store, table: RecordTable, *, research: bool) -> Any:
    names = ", ".join(field.name for field in table.fields)
    order = ", ".join(field.name for field in table.key)
    condition = consenting_only(table) if research else "true"
    query = f"SELECT {names} FROM {table.name} WHERE {condition} ORDER BY {order}"
    return store.connection.sql(query).to_arrow_table()


def export_tables(store_path: str | Path, out: str | Path, *, research: bool = False) -> Exported:
    """Write the current records into a new folder.

    Each table is ``TABLE.csv`` (UTF-8) and ``TABLE.parquet``; ``fields.csv`` declares every field,
    and ``SHA256SUMS`` lists the files. Withdrawn records and earlier versions are not in it.

    Parameters
    ----------
    store_path, out
        The registry or data lock, and the folder to make.
    research
        Only people whose ``research_consent`` is yes; unknown and blank are not yes.

    Raises
    ------
    RefusedInputError
        When nobody consented.
    StoreError
        When ``out`` exists, or the registry is encrypted (an export is plain).
    """
    counts = {}
    with open_store(store_path) as store:
        if store.storage.is_encrypted:
            raise StoreError(
                "The registry is encrypted and an export is not. Restore a backup into a plain "
                "registry on an encrypted disk, and export from there.",
                file=str(store_path),
            )
        [(people, consenting)] = store.connection.execute(
            "SELECT count(*), count(*) FILTER (WHERE research_consent = 'yes') FROM patient"
        ).fetchall()
        if research and not consenting:
            raise RefusedInputError(
                "No patient's research_consent is yes, so there is nothing to export.",
                option="--research",
            )
        with new_folder(Path(out).absolute()) as write:
            for table in TABLES.values():
                rows = _read(store, table, research=research)
                columns = [column.to_pylist() for column in rows.columns]
                write(
                    f"{table.name}.csv", _write_csv(rows.column_names, zip(*columns, strict=True))
                )
                write(f"{table.name}.parquet", _to_parquet(rows))
                counts[table.name] = rows.num_rows
            fields = resources.files("registry").joinpath("records.csv").read_bytes()
            write("fields.csv", fields)
    return Exported(counts, people - consenting if research else 0)
