"""Migrations: all or nothing, once, unedited, and the first one equal to the declaration."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import duckdb
import pytest

from registry.engine.duckdb_storage import open_duckdb
from registry.engine.migrate import migrate, read_migrations
from registry.errors import StoreError
from registry.migrations.write_first_schema import FIRST_SCHEMA, write_first_schema

AT = datetime(2024, 3, 1, 12, 0)
WHO = {"store": "ours", "by": "tester", "at": AT}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "migrations"
    made.mkdir()
    ledger = (
        "CREATE TABLE schema_version (number INTEGER PRIMARY KEY, name VARCHAR, "
        "sha256 VARCHAR, applied_at TIMESTAMP, applied_by VARCHAR);"
    )
    (made / "m001_ledger.sql").write_text(ledger)
    (made / "m002_colour.sql").write_text("CREATE TABLE colour (name VARCHAR);")
    return made


@pytest.fixture
def storage(tmp_path: Path) -> Iterator[Any]:
    opened = open_duckdb(tmp_path / "ours", write=True, create=True)
    yield opened
    opened.close()


def _tables(storage: Any) -> set[str]:
    rows = storage.connection.execute(
        "SELECT table_name FROM duckdb_tables() WHERE database_name = 'registry'"
    ).fetchall()
    return {name for (name,) in rows}


def test_the_first_migration_is_what_the_declaration_gives() -> None:
    assert FIRST_SCHEMA.read_text(encoding="utf-8") == write_first_schema()
    [first, *_] = read_migrations()
    assert first.sha256 == hashlib.sha256(FIRST_SCHEMA.read_bytes()).hexdigest()


def test_each_is_applied_once_and_noted(folder: Path, storage: Any) -> None:
    known = read_migrations(folder=folder)
    assert migrate(storage, known, **WHO) == (1, 2)
    assert migrate(storage, known, **WHO) == ()
    assert _tables(storage) == {"schema_version", "colour"}
    ledger = storage.connection.execute(
        "SELECT number, name, sha256, applied_at, applied_by FROM schema_version ORDER BY number"
    ).fetchall()
    sums = [hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())]
    assert ledger == [
        (1, "ledger", sums[0], AT, "tester"),
        (2, "colour", sums[1], AT, "tester"),
    ]


def test_a_failing_one_leaves_nothing_of_itself(folder: Path, storage: Any) -> None:
    broken = folder / "m003_broken.sql"
    broken.write_text("CREATE TABLE half (a INTEGER); INSERT INTO nowhere VALUES (1);")
    with pytest.raises(duckdb.CatalogException, match="nowhere"):
        migrate(storage, read_migrations(folder=folder), **WHO)
    assert _tables(storage) == {"schema_version", "colour"}
    broken.write_text("CREATE TABLE whole (a INTEGER);")
    assert migrate(storage, read_migrations(folder=folder), **WHO) == (3,)
    assert "whole" in _tables(storage)


def test_an_edited_one_is_refused(folder: Path, storage: Any) -> None:
    migrate(storage, read_migrations(folder=folder), **WHO)
    (folder / "m002_colour.sql").write_text("CREATE TABLE colour (name VARCHAR, rgb VARCHAR);")
    with pytest.raises(StoreError, match=r"Migration 2 \(colour\) .* edited after it was released"):
        migrate(storage, read_migrations(folder=folder), **WHO)


def test_a_newer_store_is_refused(folder: Path, storage: Any) -> None:
    migrate(storage, read_migrations(folder=folder), **WHO)
    (folder / "m002_colour.sql").unlink()
    with pytest.raises(StoreError, match="has schema 2, and this program knows 1 at most"):
        migrate(storage, read_migrations(folder=folder), **WHO)


def test_numbers_have_no_gaps_and_names_a_form(folder: Path) -> None:
    (folder / "m004_later.sql").write_text("SELECT 1;")
    with pytest.raises(ValueError, match=r"without gaps; found \[1, 2, 4\]"):
        read_migrations(folder=folder)
    (folder / "m004_later.sql").rename(folder / "later.sql")
    with pytest.raises(ValueError, match=r"not 'later\.sql'"):
        read_migrations(folder=folder)
