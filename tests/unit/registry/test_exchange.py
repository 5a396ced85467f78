"""Backups and what is restored from them."""

from __future__ import annotations

import gzip
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from registry.engine.encryption import key_path
from registry.engine.migrate import read_migrations
from registry.errors import StoreError
from registry.safekeeping.exchange import back_up, restore
from registry.safekeeping.file_sets import SUMS
from registry.safekeeping.freeze import freeze
from registry.safekeeping.integrity import check_integrity, verify_chain
from registry.store import create_store, open_store

AT = datetime(2027, 1, 1)
OLD = Path(__file__).parents[2] / "stores" / "m001.registry.gz"


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a store with a correction, a withdrawal and more, and its backup."""
    folder = tmp_path_factory.mktemp("base") / "in"
    folder.mkdir()
    path = folder / "old.registry"
    path.write_bytes(gzip.decompress(OLD.read_bytes()))
    with open_store(path, write=True):
        pass
    back_up(path, folder / "backup", by="ana", at=AT)
    return folder


@pytest.fixture
def path(tmp_path: Path, base: Path) -> Path:
    """Return a copy of the store."""
    shutil.copytree(base, tmp_path, dirs_exist_ok=True)
    return tmp_path / "old.registry"


@pytest.fixture
def backup(path: Path) -> Path:
    """Return a copy of its backup."""
    return path.with_name("backup")


def test_what_is_restored_is_what_was_backed_up(path: Path, backup: Path, tmp_path: Path) -> None:
    new = tmp_path / "new.registry"
    made = restore(backup, new, at=AT)
    assert check_integrity(new).is_whole
    with open_store(path) as old, open_store(new) as restored:
        assert restored.head() == old.head()
        assert restored.settings() == old.settings()
        assert restored.files_taken() == old.files_taken()
        for key in ("P1", "P2"):
            assert restored.history("patient", key) == old.history("patient", key)
        assert restored.storage.content_hash() == old.storage.content_hash() == made.content_hash
    with open_store(new, write=True) as store:  # it goes on as a registry does, guards and all
        with store.batch("intake", by="ana", at=AT) as batch:
            batch.append("patient", pa.table({"patient_id": ["P9"]}))
        with pytest.raises(Exception, match="append-only"):
            store.connection.execute("DELETE FROM patient_version").fetchall()
    assert check_integrity(new).is_whole
    assert new.stat().st_mode & 0o777 == 0o600


def test_a_backup_is_whole_private_and_checkable_by_anyone(backup: Path) -> None:
    ran = subprocess.run(
        ["sha256sum", "--check", "--strict", SUMS], cwd=backup, capture_output=True, check=False
    )
    assert ran.returncode == 0
    assert {file.stat().st_mode & 0o777 for file in backup.iterdir()} == {0o600}
    assert backup.stat().st_mode & 0o777 == 0o700
    manifest = json.loads((backup / "manifest.json").read_text())
    for name, count in manifest["rows"].items():
        assert pq.read_metadata(backup / f"{name}.parquet").num_rows == count
    assert manifest["rows"]["patient_version"] == 4


def _cut_short(file: Path) -> None:
    file.write_bytes(file.read_bytes()[:-20])


def _flip(file: Path) -> None:
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 1
    file.write_bytes(content)


@pytest.mark.parametrize("name", ["patient_version.parquet", "manifest.json", SUMS])
@pytest.mark.parametrize("damage", [_cut_short, _flip, Path.unlink])
def test_a_damaged_backup_is_refused_by_name(
    backup: Path, tmp_path: Path, name: str, damage: Callable[[Path], None]
) -> None:
    damage(backup / name)
    with pytest.raises(StoreError) as refusal:
        restore(backup, tmp_path / "new.registry", at=AT)
    named = str(refusal.value.where["file"])
    assert named.startswith(str(backup))
    assert name == SUMS or named.endswith(name)
    assert not list(tmp_path.glob("new.registry*.draft*"))
    assert not (tmp_path / "new.registry").exists()


def _resum(folder: Path) -> None:
    listed = subprocess.run(
        ["sha256sum", *sorted(file.name for file in folder.iterdir() if file.name != SUMS)],
        cwd=folder,
        capture_output=True,
        check=True,
        text=True,
    )
    (folder / SUMS).write_text(listed.stdout)


def test_a_changed_value_with_new_checksums_is_refused_too(backup: Path, tmp_path: Path) -> None:
    file = backup / "patient_version.parquet"
    rows = pq.read_table(file)
    years = pa.array([1940] * rows.num_rows, rows.schema.field("birth_year").type)
    changed = rows.set_column(rows.schema.get_field_index("birth_year"), "birth_year", years)
    pq.write_table(changed, file)
    _resum(backup)
    with pytest.raises(StoreError, match="does not hold together: patient_version P1"):
        restore(backup, tmp_path / "new.registry", at=AT)
    manifest = backup / "manifest.json"
    described = json.loads(manifest.read_text())
    pq.write_table(rows, file)
    manifest.write_text(json.dumps(described | {"content_hash": "0" * 64}))
    _resum(backup)
    with pytest.raises(StoreError, match="The content hash of the restored records is"):
        restore(backup, tmp_path / "new.registry", at=AT)
    manifest.write_text(json.dumps(described | {"schema": 999}))
    _resum(backup)
    with pytest.raises(StoreError, match="Install the newer program"):
        restore(backup, tmp_path / "new.registry", at=AT)
    manifest.write_text(json.dumps(described | {"format": 999}))
    _resum(backup)
    with pytest.raises(StoreError, match="is of form 999"):
        restore(backup, tmp_path / "new.registry", at=AT)
    manifest.write_text("[]")
    _resum(backup)
    with pytest.raises(StoreError, match="not the manifest of a backup"):
        restore(backup, tmp_path / "new.registry", at=AT)


def test_an_older_backup_is_brought_up_to_date(
    backup: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "migrations"
    folder.mkdir()
    shutil.copy(OLD.parents[2] / "registry/migrations/duckdb/m001_first_schema.sql", folder)
    # A migration that changes data has to run over the restored rows, not before them.
    (folder / "m002_hue.sql").write_text(
        "ALTER TABLE patient_version ADD COLUMN hue VARCHAR DEFAULT 'brown';"
    )
    known = read_migrations(folder=folder)
    for module in ("safekeeping.exchange", "safekeeping.new_files", "engine.opening"):
        monkeypatch.setattr(f"registry.{module}.read_migrations", lambda: known)
    new = tmp_path / "new.registry"
    restore(backup, new, at=AT)
    with open_store(new) as store:
        assert [row.number for row in store.storage.applied_migrations()] == [1, 2]
        hues = store.connection.execute("SELECT DISTINCT hue FROM patient_version").fetchall()
        assert hues == [("brown",)]
        assert verify_chain(store) is None


def test_nothing_is_overwritten(path: Path, backup: Path, tmp_path: Path) -> None:
    before = {file.name: file.read_bytes() for file in backup.iterdir()}
    with pytest.raises(StoreError, match="exists already"):
        back_up(path, backup, by="ana", at=AT)
    with pytest.raises(StoreError, match="exists already"):
        restore(backup, path, at=AT)
    assert {file.name: file.read_bytes() for file in backup.iterdir()} == before
    with pytest.raises(StoreError, match="There is no folder"):
        back_up(path, tmp_path / "none" / "backup", by="ana", at=AT)
    with pytest.raises(StoreError, match="is not a whole backup"):
        restore(tmp_path, tmp_path / "new.registry", at=AT)


def test_a_sealed_backup_shows_nothing_and_opens_with_its_key_alone(
    path: Path, tmp_path: Path
) -> None:
    out, key = tmp_path / "sealed", tmp_path / "key"
    back_up(path, out, by="ana", at=AT, key_file=key, make_key_file=True)
    assert key.stat().st_mode & 0o777 == 0o600
    content = b"".join(file.read_bytes() for file in out.iterdir())
    assert b"misread" not in content
    assert b"PAR1" not in content
    assert b"invented" not in content
    with pytest.raises(StoreError, match="The backup is sealed"):
        restore(out, tmp_path / "new.registry", at=AT)
    other = tmp_path / "other"
    other.write_text("0" * 64)
    with pytest.raises(StoreError, match="can be read by others"):
        restore(out, tmp_path / "new.registry", at=AT, key_file=other)
    other.chmod(0o600)
    with pytest.raises(StoreError, match="cannot be opened with this key"):
        restore(out, tmp_path / "new.registry", at=AT, key_file=other)
    other.write_text("short")
    with pytest.raises(StoreError, match="64 hexadecimal digits"):
        restore(out, tmp_path / "new.registry", at=AT, key_file=other)
    restore(out, tmp_path / "new.registry", at=AT, key_file=key)
    assert check_integrity(tmp_path / "new.registry").is_whole
    inside = tmp_path / "again" / "key"
    with pytest.raises(StoreError, match="out of the backup"):
        back_up(path, tmp_path / "again", by="a", at=AT, key_file=inside, make_key_file=True)
    with pytest.raises(StoreError, match="cannot be read"):
        back_up(path, tmp_path / "again", by="a", at=AT, key_file=tmp_path / "none")


def test_an_encrypted_registry_comes_back_plain_or_encrypted_as_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the engine's weaker built-in cipher in place of its module, for the test alone."""

    def use_built_in_cipher(connection: duckdb.DuckDBPyConnection) -> None:
        connection.execute("SET force_mbedtls_unsafe = 'true'").fetchall()

    for module in ("store", "safekeeping.exchange"):
        monkeypatch.setattr(f"registry.{module}.check_cryptography", lambda: None)
    monkeypatch.setattr("registry.engine.duckdb_storage.load_cryptography", use_built_in_cipher)
    path, out, key = tmp_path / "ours", tmp_path / "backup", tmp_path / "seal"
    create_store(path, centre_id="Nordklinik", by="ana", at=datetime(2026, 1, 1), encrypt=True)
    with pytest.raises(StoreError, match="so its backup is sealed as well"):
        back_up(path, out, by="ana", at=AT)
    made = back_up(path, out, by="ana", at=AT, key_file=key, make_key_file=True)
    assert b"Nordklinik" not in b"".join(file.read_bytes() for file in out.iterdir())
    plain, hidden = tmp_path / "plain", tmp_path / "hidden"
    assert restore(out, plain, at=AT, key_file=key) == made
    assert restore(out, hidden, at=AT, key_file=key, encrypt=True) == made
    assert b"Nordklinik" in plain.read_bytes()
    assert b"Nordklinik" not in hidden.read_bytes()
    assert key_path(hidden).stat().st_mode & 0o777 == 0o600
    with open_store(hidden) as store:
        assert store.storage.is_encrypted
        assert store.storage.content_hash() == made.content_hash
    # A restoring that fails leaves no key of its own, and a key that was kept is used again.
    (out / "setting_version.parquet.sealed").write_bytes(b"")
    with pytest.raises(StoreError, match="checksum differs"):
        restore(out, tmp_path / "third", at=AT, key_file=key, encrypt=True)
    assert not key_path(tmp_path / "third").exists()
    hidden.unlink()
    kept = key_path(hidden).read_text()
    back_up(path, tmp_path / "again", by="ana", at=AT, key_file=key)
    restore(tmp_path / "again", hidden, at=AT, key_file=key, encrypt=True)
    assert key_path(hidden).read_text() == kept


def test_restoring_encrypted_needs_the_engines_module(backup: Path, tmp_path: Path) -> None:
    """Where the module is installed it has to work instead."""
    folder = tmp_path / "new"
    folder.mkdir()
    new = folder / "new.registry"
    said = ""
    try:
        restore(backup, new, at=AT, encrypt=True)
    except StoreError as refusal:
        said = refusal.message
    if new.exists():
        assert check_integrity(new).is_whole
    else:
        assert "operating system encrypts" in said
        assert list(folder.iterdir()) == []


def test_two_sealed_files_cannot_change_places(path: Path, tmp_path: Path) -> None:
    out, key = tmp_path / "sealed", tmp_path / "key"
    back_up(path, out, by="ana", at=AT, key_file=key, make_key_file=True)
    shutil.copy(out / "visit_version.parquet.sealed", out / "event_version.parquet.sealed")
    _resum(out)
    with pytest.raises(StoreError, match=r"event_version\.parquet cannot be opened"):
        restore(out, tmp_path / "new.registry", at=AT, key_file=key)


def test_without_the_library_sealing_is_refused(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "cryptography.hazmat.primitives.ciphers.aead", None)
    out, key = tmp_path / "sealed", tmp_path / "key"
    with pytest.raises(StoreError, match=r"pip install 'afterplaque\[encrypt\]'"):
        back_up(path, out, by="ana", at=AT, key_file=key, make_key_file=True)
    assert not out.exists()
    assert not key.exists()


def test_a_lock_is_copied_rather_than_backed_up(path: Path, tmp_path: Path) -> None:
    lock = tmp_path / "lock"
    freeze(path, lock, data_cut=date(2026, 6, 30), by="ana", at=AT)
    with pytest.raises(StoreError, match="Copy it"):
        back_up(lock, tmp_path / "another", by="ana", at=AT)
