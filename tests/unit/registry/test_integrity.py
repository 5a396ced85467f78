"""What ``check_integrity`` finds: files, side files, records, schema, hashes kept elsewhere."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import duckdb
import pyarrow as pa
import pytest

from registry.engine.chain import Head, head_path, read_side_file, write_head
from registry.errors import StoreError
from registry.safekeeping.integrity import Integrity, check_integrity
from registry.settings import SETTINGS
from registry.store import open_store

AT = datetime(2024, 3, 1, 9, 0)


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory, empty_store: Path) -> Path:
    folder = tmp_path_factory.mktemp("base") / "store"
    shutil.copytree(empty_store, folder)
    path = folder / "small.registry"
    with open_store(path, write=True) as store:
        for name in ("P1", "P2"):
            with store.batch("intake", by="ana", at=AT) as batch:
                batch.append("patient", pa.table({"patient_id": [name], "birth_year": [1950]}))
    return path


@pytest.fixture
def path(tmp_path: Path, base: Path) -> Path:
    """Return a copy of the store in a folder of its own."""
    shutil.copytree(base.parent, tmp_path / "store")
    return tmp_path / "store" / base.name


def run_sql(path: Path, *statements: str) -> None:
    """Change the file from outside, as its owner could."""
    connection = duckdb.connect()
    connection.execute(f"ATTACH '{path}' AS registry").fetchall()
    connection.execute("USE registry").fetchall()
    for statement in statements:
        connection.execute(statement).fetchall()
    connection.close()


def _kinds(found: Integrity) -> set[str]:
    return {fault.kind for fault in found.faults}


def test_a_whole_store_is_whole_and_its_bytes_were_checked(path: Path) -> None:
    found = check_integrity(path)
    assert found.is_whole
    assert found.file_checked
    # creation: the settings and the batch; then two batches of one patient each
    assert (found.batches, found.entries) == (3, len(SETTINGS) + 1 + 2 * 2)
    with open_store(path) as store:
        assert found.chain_hash == store.head().chain_hash.hex()
    assert check_integrity(path, expected_hash=found.chain_hash).is_whole
    other = check_integrity(path, expected_hash="ab" * 32)
    assert [fault.kind for fault in other.faults] == ["head"]


def test_every_flipped_bit_is_found(path: Path) -> None:
    # The engine's checksums miss flips in unused space (store.md: 65 of 260); the file's do not.
    whole = path.read_bytes()
    for place in range(0, len(whole), len(whole) // 12):
        damaged = bytearray(whole)
        damaged[place] ^= 1
        path.write_bytes(damaged)
        assert "file" in _kinds(check_integrity(path))
    path.write_bytes(whole)
    assert check_integrity(path).is_whole


UNGUARD = (
    "DROP TRIGGER patient_version_refuses_update ON patient_version",
    "DROP TRIGGER patient_version_refuses_delete ON patient_version",
)
CASES: dict[str, tuple[str, str, str]] = {
    "a changed cell": (
        "UPDATE patient_version SET birth_year = 1949 WHERE patient_id = 'P1'",
        "patient_version",
        "P1|1",
    ),
    "an added row": (
        "INSERT INTO patient_version BY NAME SELECT * REPLACE (2 AS version, 'x' AS recorded_why)"
        " FROM patient_version WHERE patient_id = 'P1'",
        "patient_version",
        "P1|2",
    ),
    "a removed row": (
        "DELETE FROM patient_version WHERE patient_id = 'P1'",
        "batch",
        "2",
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_raw_sql_is_found_with_its_record_though_bytes_are_unknown(path: Path, case: str) -> None:
    statement, table, record = CASES[case]
    run_sql(path, *UNGUARD, statement)
    side_file = read_side_file(path)
    assert side_file is not None
    write_head(path, side_file.head)  # as if a writer had been killed: no checksum
    found = check_integrity(path)
    assert not found.file_checked
    assert _kinds(found) == {"record", "schema"}
    [misfit] = [fault for fault in found.faults if fault.kind == "record"]
    assert (misfit.table, misfit.record) == (table, record)
    missing = {fault.what for fault in found.faults if fault.kind == "schema"}
    assert missing == {"the guard patient_version is missing"}


def test_a_view_that_hides_records_is_found(path: Path) -> None:
    view = "SELECT * FROM duckdb_views() WHERE view_name = 'patient'"
    run_sql(
        path,
        f"SELECT 1 FROM ({view})",
        "CREATE OR REPLACE VIEW patient AS SELECT * EXCLUDE (batch_no) FROM patient_version "
        "WHERE patient_id <> 'P1'",
    )
    found = check_integrity(path)
    assert "the view patient was changed" in {fault.what for fault in found.faults}
    assert "record" not in _kinds(found)


def _remove_head(path: Path) -> None:
    head_path(path).unlink()


def _another_head(path: Path) -> None:
    write_head(path, Head(3, 9, bytes(32)))


def _garbage_head(path: Path) -> None:
    head_path(path).write_bytes(b"\x00garbage")


def _older_head(path: Path) -> None:
    head_path(path).write_text("1 7 " + "0" * 64 + "\n")


def _older_file(path: Path) -> None:
    shutil.copy(path.with_name(path.name + ".previous"), path)


def _garbage_log(path: Path) -> None:
    path.with_name(path.name + ".wal").write_bytes(b"garbage" * 100)


@pytest.mark.parametrize(
    "tamper",
    [_remove_head, _another_head, _garbage_head, _older_head, _older_file, _garbage_log],
)
def test_replaced_and_removed_files_are_found(path: Path, tamper: Callable[[Path], None]) -> None:
    tamper(path)
    assert "file" in _kinds(check_integrity(path))


def test_a_killed_writers_log_is_no_fault_but_a_lost_one_is(path: Path) -> None:
    script = (
        "import os, signal, sys\nfrom datetime import datetime\nimport pyarrow as pa\n"
        "from registry.store import open_store\n"
        "with open_store(sys.argv[1], write=True) as store:\n"
        "    with store.batch('intake', by='ana', at=datetime(2024, 3, 1, 9)) as batch:\n"
        "        batch.append('patient', pa.table({'patient_id': ['P3']}))\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    subprocess.run([sys.executable, "-c", script, str(path)], check=False)
    assert {file.stat().st_mode & 0o777 for file in path.parent.iterdir()} == {0o600}
    found = check_integrity(path)
    assert found.is_whole
    assert not found.file_checked
    assert found.batches == 4
    path.with_name(path.name + ".wal").unlink()
    lost = check_integrity(path)
    assert _kinds(lost) == {"file"}
    assert "holds 3 batches, but 4 were recorded" in lost.faults[0].what


def test_an_earlier_state_put_back_whole_shows_against_a_hash_kept_elsewhere(path: Path) -> None:
    kept = path.parent.with_name("kept")
    shutil.copytree(path.parent, kept)
    with (
        open_store(path, write=True) as store,
        store.batch("intake", by="ana", at=AT) as batch,
    ):
        batch.append("patient", pa.table({"patient_id": ["P3"]}))
    last = check_integrity(path).chain_hash
    shutil.rmtree(path.parent)
    shutil.copytree(kept, path.parent)
    assert check_integrity(path).is_whole  # nothing inside can tell
    assert _kinds(check_integrity(path, expected_hash=last)) == {"head"}


def test_no_file_at_all_is_refused(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="There is no registry"):
        check_integrity(tmp_path / "none")
