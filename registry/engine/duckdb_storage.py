"""The store on DuckDB: opening, transactions, appending, reading back.

The file is opened only by a fresh in-memory connection that attaches it as ``registry``: opening
it directly fails to replay the log after some schema changes (seen with 2.0.1). Results are always
fetched whole, since a half-read one blocks the connection.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb

from registry.engine.chain import Anchor, Head, Link
from registry.engine.duckdb_appending import append_pages, append_row
from registry.engine.duckdb_content import (
    CREATE_LOCK_TABLE,
    LOCK_TABLE,
    fill_table,
    find_schema_faults,
    hash_content,
    read_data_lock,
    read_rows,
    rehash_rows,
)
from registry.engine.duckdb_errors import word_open_error, word_write_error
from registry.engine.duckdb_integrity import find_inconsistency, read_links
from registry.engine.duckdb_schema import chained_tables, column_type
from registry.engine.encryption import load_cryptography
from registry.engine.migrate import AppliedMigration, Migration
from registry.engine.storage import DataLock, Inconsistency, Orphans, Stamp
from registry.records import TABLES, RecordTable

STORAGE_VERSION = "v2.0.0"
_CHAINED = chained_tables(TABLES)


@contextmanager
def _private_files() -> Iterator[None]:
    """Let files that are made meanwhile be readable by their owner alone."""
    mask = os.umask(0o077)
    try:
        yield
    finally:
        os.umask(mask)


def _quote(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


class DuckDBStorage:
    """A registry in one DuckDB file. Make it by :func:`open_duckdb`."""

    def __init__(self, connection: Any, path: Path, *, is_encrypted: bool = False) -> None:
        self._connection = connection
        self._path = path
        self._is_encrypted = is_encrypted

    @property
    def is_encrypted(self) -> bool:
        """Whether the file is encrypted."""
        return self._is_encrypted

    @property
    def connection(self) -> Any:
        """The DuckDB connection; the file is the database ``registry``, in use."""
        return self._connection

    def _rows(self, sql: str, parameters: Sequence[object] = ()) -> list[tuple[Any, ...]]:
        fetched: list[tuple[Any, ...]] = self._connection.execute(sql, list(parameters)).fetchall()
        return fetched

    # --- transactions -----------------------------------------------------------------------------

    def begin(self) -> None:
        """Start a transaction."""
        self._rows("BEGIN TRANSACTION")

    def commit(self) -> None:
        """Make the transaction durable, or raise StoreError with nothing kept."""
        try:
            with _private_files():
                self._rows("COMMIT")
        except duckdb.Error as error:
            self.rollback()
            raise word_write_error(error, self._path) from None

    def rollback(self) -> None:
        """Leave nothing of the transaction."""
        with suppress(duckdb.Error):  # an error may have ended the transaction already
            self._rows("ROLLBACK")

    def checkpoint(self) -> None:
        """Fold the log into the main file."""
        try:
            with _private_files():
                self._rows("CHECKPOINT registry")
        except duckdb.Error as error:
            raise word_write_error(error, self._path, is_committed=True) from None

    def close(self) -> None:
        """Let go of the file."""
        with _private_files():
            self._connection.close()

    # --- schema -----------------------------------------------------------------------------------

    def applied_migrations(self) -> list[AppliedMigration]:
        """Read the ledger in order; empty in a new file."""
        found = self._rows(
            "SELECT 1 FROM duckdb_tables() "
            "WHERE database_name = 'registry' AND table_name = 'schema_version'"
        )
        if not found:
            return []
        ledger = self._rows("SELECT number, name, sha256 FROM schema_version ORDER BY number")
        return [AppliedMigration(*row) for row in ledger]

    def apply_migration(self, migration: Migration, *, by: str, at: datetime) -> None:
        """Run one migration and write its ledger row in one transaction, or leave nothing."""
        self.begin()
        try:
            self._rows(migration.text)
            self._rows(
                "INSERT INTO schema_version VALUES (?, ?, ?, ?, ?)",
                [migration.number, migration.name, migration.sha256, at, by],
            )
        except BaseException:
            self.rollback()
            raise
        self.commit()

    # --- chain ------------------------------------------------------------------------------------

    def add_anchor(self, anchor: Anchor) -> None:
        """Record where a chain starts."""
        self._rows(
            "INSERT INTO chain_anchor VALUES (?, make_timestamp(?), ?, ?, ?, ?)",
            [
                anchor.anchor_no,
                anchor.recorded_at_us,
                anchor.recorded_by,
                anchor.reason,
                anchor.previous_hash,
                anchor.hash(),
            ],
        )

    def anchors(self) -> list[tuple[Anchor, bytes]]:
        """Read the anchors with the hash stored for each, in order."""
        rows = self._rows(
            "SELECT anchor_no, epoch_us(recorded_at), recorded_by, reason, previous_hash, "
            "start_hash FROM chain_anchor ORDER BY anchor_no"
        )
        return [(Anchor(*row[:5]), row[5]) for row in rows]

    def head(self) -> Head:
        """Read the last link of the chain: every batch ends with its own row."""
        last = self._rows(
            "SELECT batch_no, entry_no, chain_hash FROM batch ORDER BY entry_no DESC LIMIT 1"
        )
        if last:
            return Head(*last[0])
        return Head(0, 0, self.anchors()[-1][1])

    def chain_hash_at(self, entry_no: int) -> bytes | None:
        """Read the hash of one batch's last link; None when no batch ends there."""
        found = self._rows("SELECT chain_hash FROM batch WHERE entry_no = ?", [entry_no])
        return found[0][0] if found else None

    def links(self) -> Iterator[Link]:
        """Read every link of the chain in order, its content hashed anew."""
        try:
            yield from read_links(self._connection, _CHAINED)
        except duckdb.Error as error:
            raise word_open_error(error, self._path) from None

    def find_inconsistency(self) -> Inconsistency | None:
        """Find a record, version or batch that does not fit the others."""
        try:
            return find_inconsistency(self._connection)
        except duckdb.Error as error:
            raise word_open_error(error, self._path) from None

    def find_schema_faults(self) -> list[str]:
        """Say in which tables, views, macros and guards the file differs from a fresh one."""
        return find_schema_faults(self._connection)

    # --- whole files ------------------------------------------------------------------------------

    def data_lock(self) -> DataLock | None:
        """Read what the file was locked as; None for a living registry."""
        return read_data_lock(self._connection)

    def add_data_lock(self, lock: DataLock) -> None:
        """Record what the file is locked as."""
        self._rows(CREATE_LOCK_TABLE)
        self._rows(
            f"INSERT INTO {LOCK_TABLE} VALUES (?, ?, ?, ?, ?)",
            [lock.data_cut, lock.recorded_until, lock.made_at, lock.made_by, lock.content_hash],
        )

    def content_hash(self, lock: DataLock | None = None) -> str:
        """Hash every recorded row, whatever the order in which rows were recorded."""
        return hash_content(self._connection, _CHAINED, lock)

    def filled_in_order(self) -> list[str]:
        """Name the chained tables, those that are referred to first."""
        return list(_CHAINED)

    def read_rows(self, table_name: str, until_entry: int | None = None) -> Any:
        """Read the rows of a chained table with their links, as a pyarrow table."""
        return read_rows(self._connection, _CHAINED[table_name], until_entry)

    def rehash(self, table_name: str, rows: Any) -> Any:
        """Number the versions of such rows 1, 2, 3, ... and hash their contents anew."""
        return rehash_rows(self._connection, _CHAINED[table_name], rows)

    def fill(self, table_name: str, rows: Any) -> None:
        """Put rows, as :meth:`read_rows` reads them, into the empty table of a new file."""
        try:
            fill_table(self._connection, _CHAINED[table_name], rows)
        except duckdb.Error as error:
            raise word_write_error(error, self._path, table=table_name) from None

    # --- appending --------------------------------------------------------------------------------

    def append_versions(
        self,
        table: RecordTable,
        pages: Iterable[Any],
        stamp: Stamp,
        head: Head,
        *,
        is_withdrawal: bool = False,
    ) -> tuple[int, Head]:
        """Record a new version of each row of the pages; return how many and the new head.

        Raises
        ------
        RefusedInputError
            When rows repeat a key, refer to a record that is not there, would be rounded, or break
            one of the store's checks; row numbers are those of all pages together, from 1.
        ValueError
            For a column that the table has not, or of another type than the field.
        """
        chained = _CHAINED[f"{table.name}_version"]
        try:
            return append_pages(
                self._connection, chained, table, pages, stamp, head, is_withdrawal=is_withdrawal
            )
        except duckdb.Error as error:
            raise word_write_error(error, self._path, table=table.name) from None

    def append_links(
        self, table_name: str, rows: Sequence[Mapping[str, object]], head: Head
    ) -> Head:
        """Record rows of one of the chained tables that hold no records."""
        for row in rows:
            try:
                head = append_row(self._connection, _CHAINED[table_name], row, head)
            except duckdb.Error as error:
                raise word_write_error(error, self._path, table=table_name) from None
        return head

    # --- reading ----------------------------------------------------------------------------------

    def _match_key(self, table: RecordTable, alias: str = "") -> str:
        return " AND ".join(
            f"{alias}{field.name} = try_cast(? AS {column_type(field)})" for field in table.key
        )

    def current_rows(self, table: RecordTable, keys: Sequence[tuple[str, ...]]) -> Any:
        """Read the current, non-withdrawn rows of those keys, given as text."""
        names = ", ".join(field.name for field in table.fields)
        matches = " OR ".join(f"({self._match_key(table)})" for _ in keys)
        order = ", ".join(field.name for field in table.key)
        query = f"SELECT {names} FROM {table.name} WHERE {matches} ORDER BY {order}"
        parameters = [part for key in keys for part in key]
        return self._connection.sql(query, params=parameters).to_arrow_table()

    def find_orphans(self, parents: Sequence[RecordTable]) -> list[Orphans]:
        """Find current records that refer to a withdrawn record of these tables."""
        orphans = []
        wanted = {parent.name for parent in parents}
        for table in TABLES.values():
            key = ", ".join(f"CAST({field.name} AS VARCHAR)" for field in table.key)
            for field in table.references:
                if field.references not in wanted:
                    continue
                [(count, example)] = self._rows(
                    f"SELECT count(*), min(concat_ws('|', {key})) FROM {table.name} "
                    f"WHERE {field.name} IS NOT NULL AND {field.name} NOT IN "
                    f"(SELECT {field.references}_id FROM {field.references})"
                )
                if count:
                    orphans.append(
                        Orphans(table.name, field.name, field.references or "", count, example)
                    )
        return orphans

    def versions_of(self, table: RecordTable, key: tuple[str, ...]) -> list[dict[str, Any]]:
        """Read every version of one record, oldest first, with its batch's kind."""
        columns = [column.name for column in _CHAINED[f"{table.name}_version"].columns]
        shown = ", ".join(f"v.{name}" for name in columns)
        rows = self._rows(
            f"SELECT batch.kind, {shown} FROM {table.name}_version v LEFT JOIN batch "
            f"USING (batch_no) WHERE {self._match_key(table, 'v.')} ORDER BY v.version",
            key,
        )
        return [dict(zip(["batch_kind", *columns], row, strict=True)) for row in rows]


def _set_up(connection: Any, *, write: bool, is_encrypted: bool) -> None:
    """Fetch nothing from the network, speak UTC, and spill no plain text of an encrypted file."""
    connection.execute("SET autoinstall_known_extensions = false").fetchall()
    connection.execute("SET autoload_known_extensions = false").fetchall()
    connection.execute("SET TimeZone = 'UTC'").fetchall()
    # A full group of rows is packed and written while the next ones come, not all at the commit.
    connection.execute("SET write_buffer_row_group_count = 1").fetchall()
    if is_encrypted:
        connection.execute("SET temp_file_encryption = true").fetchall()
        if write:
            load_cryptography(connection)


def open_duckdb(path: Path, *, write: bool, create: bool = False, key: str | None = None) -> Any:
    """Attach a database file as ``registry`` and use it.

    Parameters
    ----------
    path
        The file; it has to exist unless ``create``.
    write
        Whether to open it for writing.
    create
        Whether to make a new file, in the storage format that has triggers.
    key
        Encryption key of the file, if it is encrypted.

    Raises
    ------
    StoreError
        When it is no database, damaged, of a newer format, encrypted, or in use.
    """
    options = ["READ_WRITE" if write else "READ_ONLY"]
    if create:
        options.append(f"STORAGE_VERSION '{STORAGE_VERSION}'")
    if key is not None:
        options.append("ENCRYPTION_KEY $key")
    attach = f"ATTACH {_quote(str(path))} AS registry ({', '.join(options)})"
    connection = duckdb.connect()
    try:
        _set_up(connection, write=write, is_encrypted=key is not None)
        with _private_files():
            connection.execute(attach, {"key": key} if key is not None else None).fetchall()
        connection.execute("USE registry").fetchall()
    except duckdb.Error as error:
        connection.close()
        raise word_open_error(error, path) from None
    except BaseException:
        connection.close()
        raise
    return DuckDBStorage(connection, path, is_encrypted=key is not None)
