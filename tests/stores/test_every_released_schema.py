"""A store of every released schema opens, is brought up to date and says what it said."""

from __future__ import annotations

import gzip
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from registry.engine.duckdb_schema import write_schema
from registry.engine.duckdb_storage import open_duckdb
from registry.engine.migrate import read_migrations
from registry.records import TABLES
from registry.safekeeping.integrity import verify_chain
from registry.store import open_store

STORES = sorted(Path(__file__).parent.glob("m*.registry.gz"))


@pytest.fixture(params=STORES, ids=lambda path: path.name)
def old_store(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    path = tmp_path / "old.registry"
    path.write_bytes(gzip.decompress(request.param.read_bytes()))
    return path


def test_there_is_a_store_for_every_schema() -> None:
    numbers = [f"m{migration.number:03}.registry.gz" for migration in read_migrations()]
    assert [path.name for path in STORES] == numbers


def test_an_old_store_keeps_what_it_said(old_store: Path) -> None:
    with open_store(old_store, write=True) as store:
        assert verify_chain(store) is None
        read = store.connection
        assert read.execute(
            "SELECT patient_id, sex, birth_year, version FROM patient"
        ).fetchall() == [("P1", None, 1950, 2)]
        tumour = "SELECT patient_id, eye, diagnosis_date, thickness_mm FROM tumour"
        assert read.execute(tumour).fetchall() == [
            ("P1", "left", date(2026, 1, 31), Decimal("4.500000"))
        ]
        assert store.settings()["course_gap_days"] == 120
        assert list(store.files_taken()) == ["ab" * 32]
        assert [row.withdrawn for row in store.history("patient", "P2")] == [False, True]
        at = datetime(2027, 1, 1, tzinfo=UTC)
        with store.batch("withdrawal", by="tester", why="wrong", at=at) as batch:
            batch.withdraw("tumour", ["T1"])
        assert verify_chain(store) is None


def _fingerprint(connection: Any) -> dict[str, list[tuple[Any, ...]]]:
    """Describe a schema by what matters of it, whatever the order of its columns."""
    ours = "WHERE database_name = 'registry'"
    queries = {
        "columns": "SELECT table_name, column_name, data_type, is_nullable FROM duckdb_columns() "
        f"{ours} AND NOT internal ORDER BY ALL",
        "constraints": "SELECT table_name, constraint_text FROM duckdb_constraints() "
        f"{ours} ORDER BY ALL",
        "views": f"SELECT view_name FROM duckdb_views() {ours} AND NOT internal ORDER BY ALL",
        "triggers": "SELECT COLUMNS('.*name') FROM duckdb_triggers() ORDER BY ALL",
        "macros": f"SELECT DISTINCT function_name FROM duckdb_functions() {ours} AND NOT internal "
        "ORDER BY ALL",
    }
    return {what: connection.execute(query).fetchall() for what, query in queries.items()}


def test_an_upgraded_schema_is_the_declared_one(old_store: Path, tmp_path: Path) -> None:
    declared = open_duckdb(tmp_path / "declared", write=True, create=True)
    declared.connection.execute(write_schema(TABLES)).fetchall()
    expected = _fingerprint(declared.connection)
    declared.close()
    with open_store(old_store, write=True) as store:
        found = _fingerprint(store.connection)
    assert found == expected
    assert all(len(rows) >= len(TABLES) for rows in found.values())
