"""The store on DuckDB: opening, transactions, appending, reading back.

The file is opened only by a fresh in-memory connection that attaches it as ``registry``: opening
it directly fails to replay the log after some schema changes (seen with 2.0.1). Results are always
fetched whole, since a half-read one blocks the connection.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa

from registry.chain import HASH_BYTES, Anchor, Head, Link, extend_chain
from registry.duckdb_content import (
    CREATE_LOCK_TABLE,
    LOCK_TABLE,
    fill_table,
    find_schema_faults,
    hash_content,
    read_data_lock,
    read_rows,
    rehash_rows,
)
from registry.duckdb_errors import word_open_error, word_write_error
from registry.duckdb_integrity import find_inconsistency, read_links
from registry.duckdb_rows import (
    check_column_types,
    find_row_faults,
    leave_blank_columns_out,
    select_typed_rows,
)
from registry.duckdb_schema import ChainedTable, chained_tables, column_type, content_hash
from registry.encryption import load_cryptography
from registry.errors import RefusedInputError
from registry.migrate import AppliedMigration, Migration
from registry.records import TABLES, RecordTable
from registry.storage import DataLock, Inconsistency, Orphans, Stamp

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

    def _rows_over(
        self,
        sql: str,
        parameters: Sequence[object] = (),
        *,
        appended_rows: Any = None,
        chained_rows: Any = None,
    ) -> list[tuple[Any, ...]]:
        """Run SQL over Arrow tables, which it finds as this function's own variables.

        A registered table is kept in memory until the transaction ends, even when it is
        unregistered before; such a variable is let go at once.
        """
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
        rows: Any,
        stamp: Stamp,
        head: Head,
        *,
        is_withdrawal: bool = False,
    ) -> tuple[int, Head]:
        """Record a new version of each row; return how many and the new head.

        Raises
        ------
        RefusedInputError
            When rows repeat a key, refer to a record that is not there, would be rounded, or break
            one of the store's checks; row numbers are those of ``rows``, from 1.
        ValueError
            For a column that the table has not, or of another type than the field.
        """
        check_column_types(table, rows.schema)
        rows = leave_blank_columns_out(table, rows)
        numbered = rows.append_column("row_no", pa.array(range(1, rows.num_rows + 1), pa.int64()))
        run = partial(self._rows_over, appended_rows=numbered)
        try:
            faults = find_row_faults(
                run, table, rows.schema, stamp, may_refer_to_withdrawn=is_withdrawal
            )
            if faults:
                raise RefusedInputError(faults, table=table.name)
            typed = self._type_rows(table, numbered, stamp, is_withdrawal=is_withdrawal)
            chained = _CHAINED[f"{table.name}_version"]
            head = self._insert_chained(chained, typed, head, identity=table)
        except duckdb.Error as error:
            raise word_write_error(error, self._path, table=table.name) from None
        return rows.num_rows, head

    def _type_rows(
        self, table: RecordTable, appended_rows: Any, stamp: Stamp, *, is_withdrawal: bool
    ) -> Any:
        """Turn numbered rows into typed, versioned, hashed ones; the SQL names the argument."""
        values = {
            "batch_no": stamp.batch_no,
            "recorded_at": stamp.at,
            "recorded_by": stamp.by,
            "recorded_why": stamp.why,
            "own_centre": stamp.centre_id,
            "withdrawn": is_withdrawal,
        }
        keys = ", ".join(field.name for field in table.key)
        known = self._rows_over(
            f"SELECT 1 FROM {table.name}_key WHERE ({keys}) IN "
            f"(SELECT ({keys}) FROM appended_rows) LIMIT 1",
            appended_rows=appended_rows,
        )
        schema = appended_rows.drop_columns(["row_no"]).schema
        chained = _CHAINED[f"{table.name}_version"]
        query = select_typed_rows(table, schema, chained, all_new=not known)
        return self._connection.sql(query, params=values).to_arrow_table()

    def append_links(
        self, table_name: str, rows: Sequence[Mapping[str, object]], head: Head
    ) -> Head:
        """Record rows of one of the chained tables that hold no records."""
        chained = _CHAINED[table_name]
        casts = ", ".join(f"CAST(${c.name} AS {c.type}) AS {c.name}" for c in chained.columns)
        hashed = f"SELECT *, {content_hash(chained)} AS content_hash FROM (SELECT {casts})"
        for row in rows:
            typed = self._connection.sql(hashed, params=dict(row)).to_arrow_table()
            try:
                head = self._insert_chained(chained, typed, head)
            except duckdb.Error as error:
                raise word_write_error(error, self._path, table=table_name) from None
        return head

    def _insert_chained(
        self, chained: ChainedTable, typed: Any, head: Head, *, identity: RecordTable | None = None
    ) -> Head:
        count = typed.num_rows
        if not count:
            return head
        digests = typed["content_hash"].combine_chunks().cast(pa.binary(HASH_BYTES))
        first = digests.offset * HASH_BYTES
        content = digests.buffers()[1].to_pybytes()[first : first + count * HASH_BYTES]
        chain = extend_chain(head.chain_hash, content)
        stored = pa.FixedSizeBinaryArray.from_buffers(
            pa.binary(HASH_BYTES), count, [None, pa.py_buffer(chain)]
        )
        numbers = pa.array(range(head.entry_no + 1, head.entry_no + count + 1), pa.int64())
        typed = typed.append_column("chain_hash", stored).append_column("entry_no", numbers)
        if identity is not None:
            keys = ", ".join(field.name for field in identity.key)
            self._rows_over(
                f"INSERT INTO {identity.name}_key ({keys}) "
                f"SELECT {keys} FROM chained_rows WHERE version = 1",
                chained_rows=typed,
            )
        names = ", ".join(column.name for column in chained.columns)
        names += ", entry_no, content_hash, chain_hash"
        self._rows_over(
            f"INSERT INTO {chained.name} ({names}) SELECT {names} FROM chained_rows",
            chained_rows=typed,
        )
        return Head(head.batch_no, head.entry_no + count, chain[-HASH_BYTES:])

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
