"""Rows into the chained tables, in DuckDB: typed, hashed, chained, and inserted page by page.

While one page is inserted, a thread of its own hashes the next one, on a connection of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from types import MappingProxyType
from typing import Any

import pyarrow as pa

from registry.engine.chain import HASH_BYTES, Head, extend_chain, hash_texts
from registry.engine.duckdb_rows import (
    check_column_types,
    describe_columns,
    find_row_faults,
    leave_blank_columns_out,
    select_parents,
    select_typed_rows,
)
from registry.engine.duckdb_schema import ChainedTable, Filling, content_text
from registry.engine.side_by_side import one_thread
from registry.engine.storage import Stamp
from registry.errors import RefusedInputError
from registry.records import RecordTable

_LINKS = ("entry_no", "content_hash", "chain_hash")
_ROWS_HASHED_AT_ONCE = 20_480


@dataclass(frozen=True, slots=True)
class _Page:
    """Rows to be chained: what ``query`` selects from ``appended_rows`` with ``values``."""

    query: str
    values: Mapping[str, object]
    appended_rows: Any = None
    known: Mapping[str, Filling] = field(default_factory=dict)


def _run_over(
    connection: Any,
    sql: str,
    parameters: Sequence[object] = (),
    *,
    appended_rows: Any = None,
    held_parents: Any = None,
    chained_rows: Any = None,
) -> list[tuple[Any, ...]]:
    """Run SQL over Arrow tables, which it finds as this function's own variables.

    A registered table is kept in memory until the transaction ends, even when it is unregistered
    before; such a variable is let go at once.
    """
    fetched: list[tuple[Any, ...]] = connection.execute(sql, list(parameters)).fetchall()
    return fetched


def append_pages(
    connection: Any,
    chained: ChainedTable,
    table: RecordTable,
    pages: Iterable[Any],
    stamp: Stamp,
    head: Head,
    *,
    is_withdrawal: bool = False,
) -> tuple[int, Head]:
    """Record a new version of each row; return how many and the new head.

    Every page is judged before the one before it is in the table, so no key may stand in two pages;
    the table's primary key refuses it.

    Raises
    ------
    RefusedInputError
        When rows repeat a key, refer to a record that is not there or would be rounded; row numbers
        are those of all pages together, from 1.
    ValueError
        For a column that the table has not, or of another type than the field.
    """
    with connection.cursor() as bench, one_thread(connection), ThreadPoolExecutor(1) as pool:
        judge = _PageJudge(connection, chained, table, stamp, is_withdrawal=is_withdrawal)
        hashing: Future[tuple[Any, Head]] | None = None
        for rows in pages:
            page, hashed = judge.judge(rows), None
            if hashing is not None:
                hashed, head = hashing.result()
            hashing = pool.submit(_hash_page, bench, chained, page, head)
            if hashed is not None:
                _insert(connection, chained, hashed, table)
            del rows, page, hashed  # before the next page is made
        if hashing is not None:
            hashed, head = hashing.result()
            _insert(connection, chained, hashed, table)
    return judge.count, head


def append_row(
    connection: Any, chained: ChainedTable, row: Mapping[str, object], head: Head
) -> Head:
    """Record one row of a chained table that holds no records."""
    casts = ", ".join(f"CAST(${c.name} AS {c.type}) AS {c.name}" for c in chained.columns)
    hashed, head = _hash_page(connection, chained, _Page(f"SELECT {casts}", dict(row)), head)
    _insert(connection, chained, hashed)
    return head


class _PageJudge:
    """Refuses what may not be recorded; says how the rest becomes typed rows."""

    def __init__(
        self,
        connection: Any,
        chained: ChainedTable,
        table: RecordTable,
        stamp: Stamp,
        *,
        is_withdrawal: bool,
    ) -> None:
        self._connection = connection
        self._chained = chained
        self._table = table
        self._stamp = stamp
        self._is_withdrawal = is_withdrawal
        self._parents = _select(connection, select_parents(table))
        self._holds_any = bool(_run_over(connection, f"SELECT 1 FROM {table.name}_key LIMIT 1"))
        self.count = 0

    def judge(self, rows: Any) -> _Page:
        """Judge the next page."""
        table, stamp = self._table, self._stamp
        check_column_types(table, rows.schema)
        rows = leave_blank_columns_out(table, rows)
        schema = rows.schema
        numbers = range(self.count + 1, self.count + rows.num_rows + 1)
        numbered = rows.append_column("row_no", pa.array(numbers, pa.int64()))
        self.count += rows.num_rows
        run = partial(
            _run_over, self._connection, appended_rows=numbered, held_parents=self._parents
        )
        keys = ", ".join(part.name for part in table.key)
        is_known = self._holds_any and bool(
            run(
                f"SELECT 1 FROM {table.name}_key WHERE ({keys}) IN "
                f"(SELECT ({keys}) FROM appended_rows) LIMIT 1"
            )
        )
        faults = find_row_faults(
            run,
            table,
            schema,
            stamp,
            is_known=is_known,
            may_refer_to_withdrawn=self._is_withdrawal,
        )
        if faults:
            raise RefusedInputError(faults, table=table.name)
        return self._type_page(numbered, schema, is_known=is_known)

    def _type_page(self, numbered: Any, schema: Any, *, is_known: bool) -> _Page:
        """Say how numbered rows become typed ones; those of known records are typed here."""
        stamp, chained = self._stamp, self._chained
        values = {
            "batch_no": stamp.batch_no,
            "recorded_at": stamp.at,
            "recorded_by": stamp.by,
            "recorded_why": stamp.why,
            "own_centre": stamp.centre_id,
            "withdrawn": self._is_withdrawal,
        }
        known = describe_columns(self._table, numbered, chained, all_new=not is_known)
        query = select_typed_rows(self._table, schema, chained, all_new=not is_known)
        if not is_known:
            return _Page(query, values, numbered, known)
        typed = _select(self._connection, query, values, numbered)
        return _Page("FROM appended_rows", {}, typed, known)


def _select(
    connection: Any,
    query: str,
    values: Mapping[str, object] = MappingProxyType({}),
    appended_rows: Any = None,
) -> Any:
    """Select from Arrow rows, which the SQL finds as this function's own variable."""
    return connection.sql(query, params=dict(values)).to_arrow_table()


def _hash_page(connection: Any, chained: ChainedTable, page: _Page, head: Head) -> tuple[Any, Head]:
    """Type the rows, hash their texts and chain them on; return them with their links."""
    query = f"SELECT *, {content_text(chained, page.known)} AS content_text FROM ({page.query})"
    typed, content = _split_texts(connection, query, page.values, page.appended_rows)
    count = typed.num_rows
    chain = extend_chain(head.chain_hash, content)
    numbers = pa.array(range(head.entry_no + 1, head.entry_no + count + 1), pa.int64())
    for name, column in zip(_LINKS, (numbers, *map(_as_hashes, (content, chain))), strict=True):
        typed = typed.append_column(name, column)
    last = chain[-HASH_BYTES:] or head.chain_hash
    return typed, Head(head.batch_no, head.entry_no + count, last)


def _split_texts(
    connection: Any, query: str, values: Mapping[str, object], appended_rows: Any
) -> tuple[Any, bytes]:
    """Select rows and hash their ``content_text``, a few at a time: the texts are the bulk."""
    reader = connection.sql(query, params=dict(values)).to_arrow_reader(_ROWS_HASHED_AT_ONCE)
    kept, digests = [], []
    for batch in reader:
        digests.append(hash_texts(batch["content_text"]))
        kept.append(batch.drop_columns(["content_text"]))
    left = [column for column in reader.schema if column.name != "content_text"]
    return pa.Table.from_batches(kept, pa.schema(left)), b"".join(digests)


def _as_hashes(joined: bytes) -> Any:
    count = len(joined) // HASH_BYTES
    buffers = [None, pa.py_buffer(joined)]
    return pa.FixedSizeBinaryArray.from_buffers(pa.binary(HASH_BYTES), count, buffers)


def _insert(
    connection: Any, chained: ChainedTable, rows: Any, identity: RecordTable | None = None
) -> None:
    """Insert rows with their links, and the identities of new records before them."""
    run = partial(_run_over, connection, chained_rows=rows)
    if identity is not None:
        keys = ", ".join(part.name for part in identity.key)
        run(
            f"INSERT INTO {identity.name}_key ({keys}) "
            f"SELECT {keys} FROM chained_rows WHERE version = 1"
        )
    names = ", ".join(rows.column_names)
    run(f"INSERT INTO {chained.name} ({names}) SELECT {names} FROM chained_rows")
