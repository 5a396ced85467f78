"""A small registry made of hand-written rows, kept through the real store."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from registry.records import TABLES, Field
from registry.store import create_store, open_store

ARROW_TYPES = {
    "text": pa.string(),
    "code": pa.string(),
    "list": pa.string(),
    "integer": pa.int32(),
    "decimal": pa.decimal128(14, 6),
    "date": pa.date32(),
    "timestamp": pa.timestamp("us"),
}


def _typed(field: Field, value: Any) -> Any:
    if value is None or value == "":
        return None
    if field.type == "date":
        return date.fromisoformat(value)
    if field.type == "timestamp":
        return datetime.fromisoformat(value)
    if field.type == "decimal":
        return Decimal(str(value))
    if field.type == "integer":
        return int(value)
    return str(value)


def _arrow(table: str, rows: Sequence[Mapping[str, Any]]) -> pa.Table:
    fields = TABLES[table].fields
    unknown = {name for row in rows for name in row} - {field.name for field in fields}
    assert not unknown, f"{table} has no field {unknown}"
    columns = {
        field.name: pa.array(
            [_typed(field, row.get(field.name)) for row in rows], ARROW_TYPES[field.type]
        )
        for field in fields
    }
    return pa.table(columns)


@pytest.fixture(scope="session")
def empty_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of an empty store, made once; tests work on copies of it."""
    folder = tmp_path_factory.mktemp("empty") / "store"
    folder.mkdir()
    made_at = datetime(2022, 12, 31)
    create_store(folder / "small.registry", centre_id="invented", by="tester", at=made_at)
    return folder


@pytest.fixture
def registry_of(tmp_path: Path, empty_store: Path) -> Callable[..., Any]:
    """Return a context manager that opens a store holding the given rows by table."""

    @contextmanager
    def make(
        rows: Mapping[str, Sequence[Mapping[str, Any]]],
        recorded_at: datetime = datetime(2026, 1, 1),
    ) -> Iterator[Any]:
        path = tmp_path / "store" / "small.registry"
        if not path.exists():
            shutil.copytree(empty_store, path.parent)
        with (
            open_store(path, write=True) as store,
            store.batch(kind="intake", by="tester", why="test", at=recorded_at) as batch,
        ):
            for table in TABLES:
                if rows.get(table):
                    batch.append(table, _arrow(table, rows[table]))
        with open_store(path) as store:
            yield store.connection

    return make


@pytest.fixture
def in_memory_of() -> Iterator[Callable[..., Any]]:
    """Return a function from rows by table (text or None) to a connection, without a store."""
    import pandas as pd

    from synthetic_cohort.in_memory import hold_in_memory

    opened: list[Any] = []

    def make(rows: Mapping[str, Sequence[Mapping[str, Any]]]) -> Any:
        frames = {}
        for name, table in TABLES.items():
            columns = [field.name for field in table.entered]
            texts = [
                {column: "" if row.get(column) is None else str(row[column]) for column in columns}
                for row in rows.get(name, ())
            ]
            unknown = {key for row in rows.get(name, ()) for key in row} - set(columns)
            assert not unknown, f"{name} has no entered field {unknown}"
            frames[name] = pd.DataFrame(texts, columns=columns, dtype=object)
        opened.append(hold_in_memory(frames))
        return opened[-1]

    yield make
    for connection in opened:
        connection.close()
