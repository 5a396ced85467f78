"""What a whole file holds, in DuckDB: its content hash, its rows for another file, its schema."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Mapping
from contextlib import suppress
from functools import cache
from typing import Any

import duckdb

from registry.engine.duckdb_schema import ChainedTable, content_hash, content_text
from registry.engine.migrate import read_migrations
from registry.engine.storage import DataLock
from registry.records import TABLES

LOCK_TABLE = "data_lock"
"""The one table that a data lock has more than a registry."""

CREATE_LOCK_TABLE = (
    f"CREATE TABLE {LOCK_TABLE} (data_cut DATE NOT NULL, recorded_until TIMESTAMP NOT NULL, "
    "made_at TIMESTAMP NOT NULL, made_by VARCHAR NOT NULL, content_hash VARCHAR NOT NULL)"
)
_LINKS = ("entry_no", "content_hash", "chain_hash")


def hash_table(connection: Any, table: ChainedTable) -> tuple[int, str]:
    """Count and hash the rows of one table, sorted by key, each as its canonical text.

    The text gives every value its length (:func:`registry.engine.duckdb_schema.content_text`), so
    the hash depends on the values alone: not on the order of recording, the engine's version or the
    session's time zone. About two seconds and a gigabyte for a million rows.
    """
    key = ", ".join(table.primary_key)
    [(count, digest)] = connection.execute(
        f"SELECT count(*), sha256(coalesce(string_agg({content_text(table)}, chr(10) "
        f"ORDER BY {key}), '')) FROM {table.name}"
    ).fetchall()
    return count, digest


def hash_content(
    connection: Any, chained: Mapping[str, ChainedTable], lock: DataLock | None = None
) -> str:
    """Hash every row of every chained table, and the data cut of a lock.

    SHA-256 over one line a table, sorted by name: name, number of rows, SHA-256 of the rows.
    """
    lines = []
    for name in sorted(chained):
        count, digest = hash_table(connection, chained[name])
        lines.append(f"{name}:{count}:{digest}")
    if lock is not None:
        lines.append(f"{LOCK_TABLE}:{lock.data_cut.isoformat()}")
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()


def read_rows(connection: Any, table: ChainedTable, until_entry: int | None) -> Any:
    """Read a table with its links in the order of recording, as a pyarrow table."""
    names = ", ".join([*(column.name for column in table.columns), *_LINKS])
    until = "" if until_entry is None else f" WHERE entry_no <= {int(until_entry)}"
    query = f"SELECT {names} FROM {table.name}{until} ORDER BY entry_no"
    return connection.sql(query).to_arrow_table()


def fill_table(connection: Any, table: ChainedTable, rows: Any) -> None:
    """Insert rows with their links, and the identities of a record table's rows before them."""
    connection.register("filling_rows", rows)
    try:
        identity = table.name.removesuffix("_version")
        if identity in TABLES:
            keys = ", ".join(field.name for field in TABLES[identity].key)
            connection.execute(
                f"INSERT INTO {identity}_key ({keys}) SELECT DISTINCT {keys} FROM filling_rows"
            ).fetchall()
        connection.execute(
            f"INSERT INTO {table.name} BY NAME SELECT * FROM filling_rows ORDER BY entry_no"
        ).fetchall()
    finally:
        with suppress(duckdb.Error):
            connection.unregister("filling_rows")


def rehash_rows(connection: Any, table: ChainedTable, rows: Any) -> Any:
    """Number versions 1, 2, 3, ... again within each record and hash the rows' contents anew."""
    connection.register("rehashed_rows", rows)
    try:
        source = "rehashed_rows"
        if table.primary_key[-1] == "version":
            key = ", ".join(table.primary_key[:-1])
            number = f"row_number() OVER (PARTITION BY {key} ORDER BY version)"
            source = f"(SELECT * REPLACE (CAST({number} AS INTEGER) AS version) FROM {source})"
        return connection.sql(
            f"SELECT * EXCLUDE (content_hash), {content_hash(table)} AS content_hash "
            f"FROM {source} ORDER BY entry_no"
        ).to_arrow_table()
    finally:
        with suppress(duckdb.Error):
            connection.unregister("rehashed_rows")


def read_data_lock(connection: Any) -> DataLock | None:
    """Read the row of ``data_lock``; None when there is no such table or row."""
    found = connection.execute(
        "SELECT 1 FROM duckdb_tables() WHERE database_name = 'registry' AND table_name = ?",
        [LOCK_TABLE],
    ).fetchall()
    rows = connection.execute(f"FROM {LOCK_TABLE}").fetchall() if found else []
    return DataLock(*rows[0]) if rows else None


# --- schema ---------------------------------------------------------------------------------------

_OURS = "WHERE database_name = 'registry'"
_DESCRIBED = {
    "column": "SELECT table_name, column_name, data_type, is_nullable, column_default "
    f"FROM duckdb_columns() {_OURS} AND NOT internal",
    "constraint of": f"SELECT table_name, constraint_text FROM duckdb_constraints() {_OURS}",
    "view": f"SELECT view_name, sql FROM duckdb_views() {_OURS} AND NOT internal",
    "guard": f"SELECT table_name, trigger_name, sql FROM duckdb_triggers() {_OURS}",
    "macro": "SELECT function_name, macro_definition, parameters FROM duckdb_functions() "
    f"{_OURS} AND NOT internal",
    "index": f"SELECT table_name, index_name, sql FROM duckdb_indexes() {_OURS}",
    "sequence": f"SELECT sequence_name FROM duckdb_sequences() {_OURS}",
}


def _describe_schema(connection: Any) -> Counter[tuple[str, str, str]]:
    """Count what a schema is made of: (kind, name, definition)."""
    parts: Counter[tuple[str, str, str]] = Counter()
    for kind, query in _DESCRIBED.items():
        for name, *definition in connection.execute(query).fetchall():
            if name != LOCK_TABLE:
                parts[kind, name, repr(definition)] += 1
    return parts


@cache
def _describe_fresh_schema() -> Counter[tuple[str, str, str]]:
    connection = duckdb.connect()
    try:
        connection.execute("ATTACH ':memory:' AS registry (STORAGE_VERSION 'v2.0.0')").fetchall()
        connection.execute("USE registry").fetchall()
        for migration in read_migrations():
            connection.execute(migration.text).fetchall()
        return _describe_schema(connection)
    finally:
        connection.close()


def find_schema_faults(connection: Any) -> list[str]:
    """Say where the file's schema differs from the one that the migrations make.

    A view that was replaced hides records, and a guard that was dropped lets them be changed,
    while the chain itself still holds.
    """
    here, fresh = _describe_schema(connection), _describe_fresh_schema()
    lacking, added = fresh - here, here - fresh
    named = sorted({(kind, name) for kind, name, _ in [*lacking, *added]})
    faults = []
    for kind, name in named:
        is_lacking = any((k, n) == (kind, name) for k, n, _ in lacking)
        is_added = any((k, n) == (kind, name) for k, n, _ in added)
        how = "was changed" if is_lacking and is_added else "is missing" if is_lacking else "is new"
        faults.append(f"the {kind} {name} {how}")
    return faults
