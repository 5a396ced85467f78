"""Data locks: what they hold, their content hash, that they are only read."""

from __future__ import annotations

import hashlib
import shutil
from datetime import date, datetime
from pathlib import Path

import duckdb
import pyarrow as pa
import pytest

from registry.engine import opening
from registry.engine.migrate import read_migrations
from registry.errors import RefusedInputError, StoreError, UsageError
from registry.safekeeping.freeze import freeze
from registry.safekeeping.integrity import check_integrity
from registry.store import open_store
from reports.results.data_cuts import settle_cut

EARLY, LATE, NOW = datetime(2024, 3, 1, 9), datetime(2024, 6, 1, 9), datetime(2025, 1, 10)
CUT = date(2024, 12, 31)


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory, empty_store: Path) -> Path:
    folder = tmp_path_factory.mktemp("base") / "store"
    shutil.copytree(empty_store, folder)
    path = folder / "small.registry"
    with open_store(path, write=True) as store:
        for at, year in ((EARLY, 1950), (LATE, 1951)):
            with store.batch("correction", by="ana", why="misread", at=at) as batch:
                rows = {"patient_id": ["P2", "P1"], "birth_year": [1944, year]}
                batch.append("patient", pa.table(rows))
    return path


@pytest.fixture
def path(tmp_path: Path, base: Path) -> Path:
    """Return a copy of the store in a folder of its own."""
    shutil.copytree(base.parent, tmp_path / "store")
    return tmp_path / "store" / base.name


def _lock(path: Path, name: str, **more: datetime) -> tuple[Path, str]:
    out = path.with_name(name)
    lock = freeze(path, out, data_cut=CUT, by="ana", at=NOW, **more)
    return out, lock.content_hash


def _patients(path: Path) -> list[tuple[str, int]]:
    with open_store(path) as store:
        query = "SELECT patient_id, birth_year FROM patient ORDER BY 1"
        rows: list[tuple[str, int]] = store.connection.execute(query).fetchall()
    return rows


def test_a_lock_holds_what_was_recorded_until_its_moment(path: Path) -> None:
    early, first = _lock(path, "early", recorded_until=datetime(2024, 4, 1))
    whole, second = _lock(path, "whole")
    assert _patients(early) == [("P1", 1950), ("P2", 1944)]
    assert _patients(whole) == [("P1", 1951), ("P2", 1944)]
    assert first != second
    assert early.stat().st_mode & 0o777 == 0o400
    with open_store(early) as store:
        lock = store.data_lock
        assert lock is not None
        assert (lock.data_cut, lock.recorded_until) == (CUT, EARLY)
        assert store.state_hash() == first
        with open_store(path) as living:
            assert store.head().chain_hash == living.storage.chain_hash_at(store.head().entry_no)
            assert living.state_hash() == living.head().chain_hash.hex()
    found = check_integrity(early)
    assert found.is_whole
    assert found.locked_as == first


def test_the_same_records_and_cut_have_the_same_hash(path: Path) -> None:
    _, first = _lock(path, "one")
    again = freeze(path, path.with_name("two"), data_cut=CUT, by="ben", at=datetime(2026, 1, 1))
    assert again.content_hash == first
    until = freeze(
        path,
        path.with_name("three"),
        data_cut=CUT,
        by="ana",
        at=NOW,
        recorded_until=datetime(2024, 12, 1),
    )
    assert until.content_hash == first  # nothing was recorded in between
    other = freeze(path, path.with_name("four"), data_cut=date(2024, 1, 1), by="ana", at=NOW)
    assert other.content_hash != first


def test_the_content_hash_is_the_documented_one(path: Path) -> None:
    # Worked from store.md section 6 in Python: sorted rows, each value with its length in bytes.
    with open_store(path) as store:
        table = "batch_file"
        from registry.engine.duckdb_content import hash_table
        from registry.engine.duckdb_schema import chained_tables
        from registry.records import TABLES

        chained = chained_tables(TABLES)
        assert hash_table(store.connection, chained[table]) == (0, hashlib.sha256(b"").hexdigest())
        rows = store.connection.execute(
            "SELECT name, version, batch_no, epoch_us(recorded_at), recorded_by, recorded_why, "
            "value FROM setting_version ORDER BY name, version"
        ).fetchall()
        names = ["name", "version", "batch_no", "recorded_at", "recorded_by", "recorded_why"]
        texts = []
        for row in rows:
            values = dict(zip([*names, "value"], map(str, row), strict=True))
            parts = [f"{k}={len(v.encode())}:{v};" for k, v in sorted(values.items())]
            texts.append("setting_version;" + "".join(parts))
        expected = hashlib.sha256("\n".join(texts).encode()).hexdigest()
        found = hash_table(store.connection, chained["setting_version"])
    assert found == (len(rows), expected)


def test_a_lock_is_never_written_nor_locked_again(path: Path) -> None:
    lock, _ = _lock(path, "lock")
    before = lock.read_bytes()
    with pytest.raises(StoreError, match="is read, never written"), open_store(lock, write=True):
        pass
    assert lock.read_bytes() == before
    assert not lock.with_name("lock.previous").exists()
    with pytest.raises(StoreError, match="is a data lock already"):
        freeze(lock, path.with_name("again"), data_cut=CUT, by="ana", at=NOW)
    with pytest.raises(StoreError, match="exists already"):
        _lock(path, "lock")


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE data_lock SET data_cut = DATE '2023-12-31'",
        "UPDATE patient_version SET birth_year = 1900",
    ],
)
def test_a_changed_lock_is_refused_and_found(path: Path, change: str) -> None:
    lock, _ = _lock(path, "lock")
    connection = duckdb.connect()
    connection.execute(f"ATTACH '{lock}' AS registry; USE registry").fetchall()
    connection.execute("DROP TRIGGER patient_version_refuses_update ON patient_version").fetchall()
    connection.execute(change).fetchall()
    connection.close()
    with pytest.raises(StoreError, match="does not hold what was locked"), open_store(lock):
        pass
    assert not check_integrity(lock).is_whole


def test_a_lock_of_an_older_schema_is_told_how_to_be_made_anew(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """There is one schema so far: a second one is invented here, and the lock made by the first."""
    lock, _ = _lock(path, "lock", recorded_until=datetime(2024, 4, 1))
    held = _patients(lock)
    folder = tmp_path / "migrations"
    folder.mkdir()
    for file in (Path(opening.__file__).parents[1] / "migrations/duckdb").glob("*.sql"):
        shutil.copy(file, folder)
    number = len(list(folder.iterdir())) + 1
    (folder / f"m{number:03d}_hue.sql").write_text(
        "ALTER TABLE patient_version ADD COLUMN hue VARCHAR;"
    )
    known = read_migrations(folder=folder)
    for module in ("safekeeping.new_files", "engine.opening"):
        monkeypatch.setattr(f"registry.{module}.read_migrations", lambda: known)
    before = lock.read_bytes()
    with pytest.raises(StoreError, match="a lock is never changed") as refused, open_store(lock):
        pass
    assert "--upgrade" not in refused.value.message
    assert "--data-cut 2024-12-31 --recorded-until 2024-03-01T09:00:01" in refused.value.message
    with pytest.raises(StoreError, match="read, never written"), open_store(lock, write=True):
        pass
    assert lock.read_bytes() == before
    with pytest.raises(StoreError, match="--upgrade"), open_store(path):
        pass
    with open_store(path, write=True):  # brings it up to date
        pass
    anew, _ = _lock(path, "anew", recorded_until=datetime(2024, 3, 1, 9, 0, 1))
    assert _patients(anew) == held


def test_moments_that_cannot_be_locked_are_refused(path: Path) -> None:
    with pytest.raises(UsageError, match="--data-cut lies in the future"):
        freeze(path, path.with_name("x"), data_cut=date(2030, 1, 1), by="ana", at=NOW)
    with pytest.raises(UsageError, match="--recorded-until lies in the future"):
        _lock(path, "x", recorded_until=datetime(2030, 1, 1))
    with pytest.raises(RefusedInputError, match="Nothing had been recorded"):
        _lock(path, "x", recorded_until=datetime(2001, 1, 1))
    assert not list(path.parent.glob("x*.draft"))
    assert not path.with_name("x").exists()


def test_the_locks_own_cut_is_the_default_and_the_latest(path: Path) -> None:
    lock, _ = _lock(path, "lock")
    default, early, late = date(2020, 12, 31), date(2022, 6, 30), date(2025, 1, 1)
    with open_store(lock) as store:
        assert settle_cut(store, None, default) == CUT
        assert settle_cut(store, early, default) == early
        with pytest.raises(UsageError, match="needs a new lock"):
            settle_cut(store, late, default)
    with open_store(path) as store:
        assert settle_cut(store, None, default) == default
        assert settle_cut(store, late, default) == late
