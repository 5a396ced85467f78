"""The hash chain against an independent recount in Python, and against every kind of tampering."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pytest

from registry.engine.chain import Anchor, Head, extend_chain, read_head, write_head
from registry.engine.duckdb_schema import Column, chained_tables, version_table
from registry.errors import StoreError
from registry.records import TABLES, RecordTable, read_declaration
from registry.safekeeping.integrity import verify_chain
from registry.settings import SETTINGS
from registry.store import open_store

AT = datetime(2024, 3, 1, 9, 0)
EPOCH = datetime(1970, 1, 1)


@pytest.fixture
def path(tmp_path: Path, empty_store: Path) -> Path:
    """Return a store that holds two patients, one of them corrected, and a tumour."""
    shutil.copytree(empty_store, tmp_path / "store")
    path = tmp_path / "store" / "small.registry"
    patients = pa.table({"patient_id": ["P1", "P2"], "birth_year": [1950, None]})
    tumour = pa.table(
        {
            "tumour_id": ["T;1"],
            "patient_id": ["P1"],
            "eye": ["left"],
            "diagnosis_date": [date(2024, 2, 29)],
            "thickness_mm": [Decimal("4.5")],
        }
    )
    with open_store(path, write=True) as store:
        with store.batch("intake", by="Ána", why="first", at=AT) as batch:
            batch.append("patient", patients)
            batch.append("tumour", tumour)
            batch.note_file("patient.csv", "0" * 64, 2, "patient")
        with store.batch("correction", by="ben", why="misread", at=AT) as batch:
            batch.append("patient", pa.table({"patient_id": ["P1"], "birth_year": [1951]}))
    return path


def _as_text(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        microseconds = (value - EPOCH).total_seconds() * 1e6
        return str(round(microseconds))
    return f"{value:.6f}" if isinstance(value, Decimal) else str(value)


def _recount(table: str, row: dict[str, Any]) -> bytes:
    """Hash a row as the documentation of the chain says, without any SQL."""
    said = {name: _as_text(value) for name, value in row.items() if value is not None}
    parts = [f"{name}={len(text.encode())}:{text};" for name, text in sorted(said.items())]
    return hashlib.sha256(f"{table};{''.join(parts)}".encode()).digest()


def test_an_independent_recount_gives_the_same_chain(path: Path) -> None:
    links: dict[int, tuple[bytes, bytes, bytes]] = {}
    with open_store(path) as store:
        for name in chained_tables(TABLES):
            shown = store.connection.execute(f"SELECT * FROM {name}")
            columns = [column[0] for column in shown.description]
            for values in shown.fetchall():
                row = dict(zip(columns, values, strict=True))
                entry = row.pop("entry_no")
                stored = row.pop("content_hash"), row.pop("chain_hash")
                links[entry] = (_recount(name, row), *stored)
        [(start,)] = store.connection.execute("SELECT start_hash FROM chain_anchor").fetchall()
        head = store.head()
    assert sorted(links) == list(range(1, len(links) + 1))
    for _, (recounted, content, chain) in sorted(links.items()):
        assert recounted == content
        start = hashlib.sha256(start + content).digest()
        assert start == chain
    assert head == Head(3, len(links), start)
    assert read_head(path) == head


def test_the_anchor_is_hashed_with_the_lengths_of_its_parts() -> None:
    # Worked by hand from the documented form; hashed by hashlib here.
    text = "1:1" + "7:1000000" + "3:ana" + "8:creation" + "0:"
    anchor = Anchor(1, 1_000_000, "ana", "creation", None)
    assert anchor.hash() == hashlib.sha256(text.encode()).digest()
    later = Anchor(1, 1_000_000, "ana", "creation", bytes(32))
    assert later.hash() == hashlib.sha256((text[:-2] + "64:" + "00" * 32).encode()).digest()


def test_extend_chain_refuses_what_is_no_hash() -> None:
    assert extend_chain(bytes(32), b"") == b""
    with pytest.raises(ValueError, match="32 bytes"):
        extend_chain(bytes(31), bytes(32))
    with pytest.raises(ValueError, match="32 bytes"):
        extend_chain(bytes(32), bytes(33))


def _tamper(path: Path, *statements: str) -> None:
    """Change the file from outside, as its owner could."""
    connection = duckdb.connect()
    connection.execute(f"ATTACH '{path}' AS registry").fetchall()
    connection.execute("USE registry").fetchall()
    for statement in statements:
        connection.execute(statement).fetchall()
    connection.close()


def _unguard(*tables: str) -> list[str]:
    return [
        f"DROP TRIGGER {table}_refuses_{action} ON {table}"
        for table in tables
        for action in ("update", "delete")
    ]


VERSIONS = _unguard("patient_version", "tumour_version")
P1_ENTRY = len(SETTINGS) + 2
"""Link of the first patient: after the settings and the batch that made the store."""
TAMPERINGS = {
    "a changed value": (
        "UPDATE patient_version SET birth_year = 1949 WHERE patient_id = 'P1' AND version = 1",
        ("patient_version", "P1|1", "the values are not those that were recorded"),
    ),
    "a value moved to another field": (
        "UPDATE tumour_version SET eye = 'right'",
        ("tumour_version", "T;1|1", "the values are not those that were recorded"),
    ),
    "a changed reason": (
        "UPDATE patient_version SET recorded_why = 'no' WHERE version = 2",
        ("patient_version", "P1|2", "the values are not those that were recorded"),
    ),
    "a removed row": (
        "DELETE FROM patient_version WHERE patient_id = 'P2'",
        ("tumour_version", "T;1|1", f"entry {P1_ENTRY + 1} is missing or twice there"),
    ),
    "two rows in another order": (
        f"UPDATE patient_version SET entry_no = {2 * P1_ENTRY + 1} - entry_no WHERE version = 1",
        ("patient_version", "P2|1", "the row does not follow from the row before it"),
    ),
    "a removed identity": (
        "DELETE FROM patient_key WHERE patient_id = 'P2'",
        ("patient_version", "P2", "the record has no identity"),
    ),
    "an invented identity": (
        "INSERT INTO patient_key VALUES ('P3')",
        ("patient_key", "P3", "the record has no version"),
    ),
    "another anchor": (
        "UPDATE chain_anchor SET recorded_by = 'eve'",
        ("chain_anchor", "1", "the values are not those that were recorded"),
    ),
}


@pytest.mark.parametrize("case", TAMPERINGS)
def test_tampering_is_found_and_placed(path: Path, case: str) -> None:
    statement, expected = TAMPERINGS[case]
    guards = [*VERSIONS, *_unguard("patient_key", "chain_anchor")]
    _tamper(path, *guards, statement)
    with open_store(path) as store:
        misfit = verify_chain(store)
    assert misfit is not None
    assert (misfit.table, misfit.record, misfit.what) == expected


def test_a_value_whose_own_hash_was_recomputed_is_found_too(path: Path) -> None:
    content = _recount("setting_version", {"name": "x"})
    _tamper(
        path,
        *VERSIONS,
        "UPDATE patient_version SET birth_year = 1949 WHERE patient_id = 'P1' AND version = 1",
    )
    with open_store(path) as store:
        [link] = [link for link in store.storage.links() if link.record == "P1|1"]
    assert link.content_now != content
    _tamper(
        path,
        "UPDATE patient_version SET content_hash = unhex('" + link.content_now.hex() + "') "
        "WHERE patient_id = 'P1' AND version = 1",
    )
    with open_store(path) as store:
        misfit = verify_chain(store)
    assert misfit is not None
    assert misfit.what == "the row does not follow from the row before it"


def test_the_last_batch_cut_off_is_refused_at_the_door(path: Path) -> None:
    guards = _unguard("patient_version", "batch")
    cut = ["DELETE FROM patient_version WHERE version = 2", "DELETE FROM batch WHERE batch_no = 3"]
    _tamper(path, *guards, *cut)
    with pytest.raises(StoreError, match="holds 2 batches, but 3 were recorded"), open_store(path):
        pass
    path.with_name(path.name + ".head").unlink()
    with open_store(path) as store:
        assert verify_chain(store) is None


def test_another_stores_head_is_refused(path: Path) -> None:
    write_head(path, Head(2, 8, bytes(32)))
    with pytest.raises(StoreError, match="is not the one that small"), open_store(path):
        pass
    path.with_name(path.name + ".head").write_text("2 eleven 00\n")
    with pytest.raises(StoreError, match="should hold the number of the last commit"):
        read_head(path)


def test_a_head_that_lags_behind_is_caught_up(path: Path) -> None:
    with open_store(path) as store:
        current = store.head()
        [(entry, digest)] = store.connection.execute(
            "SELECT entry_no, chain_hash FROM batch WHERE batch_no = 2"
        ).fetchall()
    write_head(path, Head(2, entry, digest))
    with open_store(path) as store:
        assert verify_chain(store) is None
    with open_store(path, write=True):
        assert read_head(path) == current


def test_a_field_named_like_a_column_of_the_store_is_refused() -> None:
    lines = [
        "table,field,type,unit,low,high,entry,key,references,codes,meaning",
        "thing,thing_id,text,,,,required,key,,,A thing",
        "thing,withdrawn,text,,,,optional,,,,Taken already",
    ]
    declare: Callable[[list[str]], dict[str, RecordTable]] = read_declaration
    with pytest.raises(ValueError, match=r"thing\.withdrawn is also a column"):
        version_table(declare(lines)["thing"])
    good = version_table(declare(lines[:2])["thing"])
    assert Column("withdrawn", "BOOLEAN") in good.columns
