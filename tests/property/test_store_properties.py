"""Whatever is recorded in whatever order: views, past states and the chain agree with a plain list.

The model beside the store is a Python dictionary of version lists; it shares no code with the
store's SQL.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from registry.engine.chain import extend_chain
from registry.engine.duckdb_schema import ChainedTable, Column, content_hash
from registry.safekeeping.integrity import verify_chain
from registry.store import Store, create_store, open_store

START = datetime(2024, 1, 1)
NAMES = ["P1", "P2", "P3"]

patient_rows = st.dictionaries(
    st.sampled_from(NAMES),
    st.tuples(
        st.one_of(st.none(), st.integers(1880, 2100)),
        st.one_of(st.none(), st.sampled_from(["male", "female"])),
    ),
    max_size=3,
)
steps = st.lists(
    st.tuples(st.sampled_from(["record", "withdraw", "fail"]), patient_rows), max_size=6
)

Rows = dict[str, tuple[int | None, str | None]]


@pytest.fixture(scope="module")
def empty() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as folder:
        create_store(Path(folder) / "store", centre_id="c", by="ana", at=START)
        yield Path(folder)


def _arrow(rows: Rows) -> pa.Table:
    return pa.table(
        {
            "patient_id": pa.array(list(rows), pa.string()),
            "birth_year": pa.array([year for year, _ in rows.values()], pa.int32()),
            "sex": pa.array([sex for _, sex in rows.values()], pa.string()),
        }
    )


class MeantToFailError(Exception):
    """Raised inside a batch that is to leave nothing."""


def _apply(store: Store, action: str, rows: Rows, current: Rows, at: datetime) -> Rows:
    """Record one step in the store; return what the current records should be."""
    targets = [name for name in rows if name in current]
    with (
        suppress(MeantToFailError),
        store.batch("correction", by="ana", why="w", at=at) as batch,
    ):
        if action == "withdraw":
            batch.withdraw("patient", targets)
            return {name: values for name, values in current.items() if name not in targets}
        batch.append("patient", _arrow(rows))
        if action == "record":
            return current | rows
        raise MeantToFailError
    return current


def _as_rows(fetched: list[tuple[Any, ...]]) -> Rows:
    return {name: (year, sex) for name, year, sex in fetched}


@settings(max_examples=10, deadline=None)
@given(steps)
def test_any_sequence_of_batches(empty: Path, sequence: list[tuple[str, Rows]]) -> None:
    states: list[tuple[datetime, Rows]] = [(START, {})]
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(empty, folder, dirs_exist_ok=True)
        with open_store(Path(folder) / "store", write=True) as store:
            for number, (action, rows) in enumerate(sequence, start=1):
                at = START + timedelta(minutes=number)
                states.append((at, _apply(store, action, rows, states[-1][1], at)))
            assert verify_chain(store) is None
            read = store.connection
            shown = read.execute("SELECT patient_id, birth_year, sex FROM patient").fetchall()
            assert _as_rows(shown) == states[-1][1]
            past = "SELECT patient_id, birth_year, sex FROM patient_as_of(?)"
            for at, state in states:
                assert _as_rows(read.execute(past, [at]).fetchall()) == state


cells = st.one_of(
    st.none(), st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"))
)
two_columns = ChainedTable("t", (Column("a", "VARCHAR"), Column("b", "VARCHAR", "")), ("a",))


@pytest.fixture(scope="module")
def connection() -> Iterator[Any]:
    opened = duckdb.connect()
    yield opened
    opened.close()


@settings(max_examples=100, deadline=None)
@given(st.tuples(cells, cells), st.tuples(cells, cells))
@example(("x", None), (None, "x"))
@example(("", None), (None, None))
@example(("a;b=1:c", None), ("a", "c"))
@example(("é", "x"), ("é", "x"))
def test_rows_share_a_content_hash_only_when_they_are_equal(
    connection: Any, one: tuple[str | None, str | None], other: tuple[str | None, str | None]
) -> None:
    query = f"SELECT {content_hash(two_columns)} FROM (SELECT $a AS a, $b AS b)"
    first, second = (
        connection.execute(query, {"a": a, "b": b}).fetchall() for a, b in (one, other)
    )
    assert (first == second) == (one == other)


@given(st.binary(min_size=32, max_size=32), st.lists(st.binary(min_size=32, max_size=32)))
def test_a_chain_may_be_extended_in_any_portions(start: bytes, digests: list[bytes]) -> None:
    whole = extend_chain(start, b"".join(digests))
    head, pieces = start, b""
    for digest in digests:
        head = extend_chain(head, digest)
        pieces += head
    assert pieces == whole
