"""Numbered, checksummed changes of the schema, each in one transaction with its ledger row."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from importlib import resources
from importlib.resources.abc import Traversable
from typing import Protocol

from registry.errors import StoreError

_NAME = re.compile(r"m(\d{3})_([a-z0-9_]+)\.sql")


@dataclass(frozen=True, slots=True)
class Migration:
    """One numbered change of the schema."""

    number: int
    name: str
    text: str

    @property
    def sha256(self) -> str:
        """Checksum of the text, line ends as written."""
        return hashlib.sha256(self.text.encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class AppliedMigration:
    """A row of the ledger ``schema_version``."""

    number: int
    name: str
    sha256: str


class MigratableStorage(Protocol):
    """What the runner needs of a storage."""

    def applied_migrations(self) -> list[AppliedMigration]:
        """Read the ledger in order; empty in a new file."""

    def apply_migration(self, migration: Migration, *, by: str, at: datetime) -> None:
        """Run one migration and write its ledger row in one transaction, or leave nothing."""

    def checkpoint(self) -> None:
        """Fold what was committed into the main file."""


def read_migrations(
    dialect: str = "duckdb", folder: Traversable | None = None
) -> tuple[Migration, ...]:
    """Read the migrations of a dialect in order.

    Raises
    ------
    ValueError
        When the numbers are not 1, 2, 3, ... or a file is not named ``mNNN_what.sql``.
    """
    folder = folder or resources.files("registry").joinpath("migrations").joinpath(dialect)
    found = []
    for entry in folder.iterdir():
        if entry.name.endswith(".sql"):
            match = _NAME.fullmatch(entry.name)
            if not match:
                raise ValueError(f"a migration is named mNNN_what.sql, not {entry.name!r}")
            text = entry.read_bytes().decode()
            found.append(Migration(int(match[1]), match[2], text))
    found.sort(key=lambda migration: migration.number)
    numbers = [migration.number for migration in found]
    if not found or numbers != list(range(1, len(found) + 1)):
        raise ValueError(f"migrations are numbered 1, 2, 3, ... without gaps; found {numbers}")
    return tuple(found)


def pending_migrations(
    applied: Sequence[AppliedMigration], known: Sequence[Migration], *, store: str
) -> tuple[Migration, ...]:
    """Return the migrations that a store still lacks.

    Raises
    ------
    StoreError
        When the store was written by a newer program, or by one whose migrations differ.
    """
    if len(applied) > len(known):
        raise StoreError(
            f"The registry {store} has schema {applied[-1].number}, and this program knows "
            f"{known[-1].number} at most: a newer version of the program wrote it. Install that "
            "version; nothing was changed.",
            file=store,
            schema=applied[-1].number,
            known=known[-1].number,
        )
    for row, migration in zip(applied, known, strict=False):
        if (row.number, row.sha256) != (migration.number, migration.sha256):
            raise StoreError(
                f"Migration {row.number} ({row.name}) of the registry {store} is not the one that "
                "this program carries: one of them was edited after it was released. Reinstall "
                "the released program, or restore the registry from a backup.",
                file=store,
                schema=row.number,
            )
    return tuple(known[len(applied) :])


def migrate(
    storage: MigratableStorage, known: Sequence[Migration], *, store: str, by: str, at: datetime
) -> tuple[int, ...]:
    """Bring a store to the newest schema; return the numbers that were applied."""
    pending = pending_migrations(storage.applied_migrations(), known, store=store)
    for migration in pending:
        storage.apply_migration(migration, by=by, at=at)
        storage.checkpoint()
    return tuple(migration.number for migration in pending)
