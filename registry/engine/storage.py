"""The boundary between the store and a database: what any dialect has to offer.

:mod:`registry.store` speaks to a database through :class:`Storage` alone. DuckDB's side is
:mod:`registry.engine.duckdb_storage`; another dialect needs its own class and its own folder of
migrations, and nothing else changes.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Protocol

from registry.engine.chain import Anchor, Head, Link
from registry.engine.migrate import AppliedMigration, Migration
from registry.records import RecordTable


@dataclass(frozen=True, slots=True)
class Stamp:
    """Who records a batch, when (UTC, without zone) and why, and for which centre."""

    batch_no: int
    at: datetime
    by: str
    why: str
    centre_id: str


@dataclass(frozen=True, slots=True)
class Orphans:
    """Current records that refer to a withdrawn one."""

    table: str
    field: str
    parent: str
    count: int
    example: str


@dataclass(frozen=True, slots=True)
class Inconsistency:
    """A record, version or batch that does not fit the others."""

    table: str
    record: str
    what: str


@dataclass(frozen=True, slots=True)
class DataLock:
    """What a file was locked as.

    ``recorded_until`` is the time of the last batch that it holds and ``made_at`` when it was
    made, both UTC without zone. ``content_hash`` covers every row and ``data_cut``.
    """

    data_cut: date
    recorded_until: datetime
    made_at: datetime
    made_by: str
    content_hash: str


class Storage(Protocol):
    """A database that holds a registry. Times are UTC without zone."""

    @property
    def connection(self) -> Any:
        """The open connection, for queries."""

    @property
    def is_encrypted(self) -> bool:
        """Whether the file is encrypted."""

    def begin(self) -> None:
        """Start a transaction."""

    def commit(self) -> None:
        """Make the transaction durable, or raise StoreError with nothing kept."""

    def rollback(self) -> None:
        """Leave nothing of the transaction."""

    def checkpoint(self) -> None:
        """Fold what was committed into the main file."""

    def close(self) -> None:
        """Let go of the file."""

    def applied_migrations(self) -> list[AppliedMigration]:
        """Read the ledger in order; empty in a new file."""

    def apply_migration(self, migration: Migration, *, by: str, at: datetime) -> None:
        """Run one migration and write its ledger row in one transaction, or leave nothing."""

    def add_anchor(self, anchor: Anchor) -> None:
        """Record where a chain starts."""

    def anchors(self) -> list[tuple[Anchor, bytes]]:
        """Read the anchors with the hash stored for each, in order."""

    def head(self) -> Head:
        """Read the last link of the chain."""

    def chain_hash_at(self, entry_no: int) -> bytes | None:
        """Read the hash of one batch's last link; None when no batch ends there."""

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

        No key stands in two pages.
        """

    def append_links(
        self, table_name: str, rows: Sequence[Mapping[str, object]], head: Head
    ) -> Head:
        """Record rows of one of the chained tables that hold no records."""

    def current_rows(self, table: RecordTable, keys: Sequence[tuple[str, ...]]) -> Any:
        """Read the current, non-withdrawn rows of those keys, given as text."""

    def find_orphans(self, parents: Sequence[RecordTable]) -> list[Orphans]:
        """Find current records that refer to a withdrawn record of these tables."""

    def versions_of(self, table: RecordTable, key: tuple[str, ...]) -> list[dict[str, Any]]:
        """Read every version of one record, oldest first, with its batch's kind."""

    def links(self) -> Iterator[Link]:
        """Read every link of the chain in order, its content hashed anew."""

    def find_inconsistency(self) -> Inconsistency | None:
        """Find a record, version or batch that does not fit the others."""

    def find_schema_faults(self) -> list[str]:
        """Say in which tables, views, macros and guards the file differs from a fresh one."""

    def data_lock(self) -> DataLock | None:
        """Read what the file was locked as; None for a living registry."""

    def add_data_lock(self, lock: DataLock) -> None:
        """Record what the file is locked as."""

    def content_hash(self, lock: DataLock | None = None) -> str:
        """Hash every recorded row, whatever the order in which rows were recorded."""

    def filled_in_order(self) -> list[str]:
        """Name the chained tables, those that are referred to first."""

    def read_rows(self, table_name: str, until_entry: int | None = None) -> Any:
        """Read the rows of a chained table with their links, as a pyarrow table."""

    def rehash(self, table_name: str, rows: Any) -> Any:
        """Number the versions of such rows 1, 2, 3, ... and hash their contents anew."""

    def fill(self, table_name: str, rows: Any) -> None:
        """Put rows, as :meth:`read_rows` reads them, into the empty table of a new file."""
