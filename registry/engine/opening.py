"""Opening the database file behind a store, once its lock is held.

Writing recovers what a killed writer left, keeps a copy of the closed file and brings the schema
up to date; reading changes nothing. Both refuse a file that lacks commits that were made.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

from registry.engine.chain import read_head
from registry.engine.encryption import EncryptedStoreError, read_key
from registry.engine.migrate import migrate, pending_migrations, read_migrations
from registry.engine.storage import Storage
from registry.engine.store_files import forget_file_checksum, keep_copy, note_closed_file, note_head
from registry.errors import StoreError


def attach(path: Path, *, write: bool) -> Storage:
    """Open a file, with the registry's key if it is encrypted."""
    from registry.engine.duckdb_storage import open_duckdb

    storage: Storage
    try:
        storage = open_duckdb(path, write=write)
    except EncryptedStoreError:
        key = read_key(path)
        if key is None:
            raise
        storage = open_duckdb(path, write=write, key=key)
    return storage


@contextmanager
def word_any_damage(path: Path) -> Iterator[None]:
    """Word the damage that any query inside may come upon."""
    try:
        yield
    except Exception as error:
        from registry.engine.duckdb_errors import word_damage

        worded = word_damage(error, path)
        if worded is None:
            raise
        raise worded from None


def check_head(storage: Storage, path: Path) -> None:
    """Refuse a file that lacks commits which were made: its log was lost or cut short."""
    noted = read_head(path)
    if noted is None:
        return
    current = storage.head()
    if noted.chain_hash == storage.anchors()[-1][0].previous_hash:
        return  # an erasure was cut short between the new file and its side file
    if noted.batch_no > current.batch_no:
        raise StoreError(
            f"The registry {path.name} holds {current.batch_no} batches, but {noted.batch_no} were "
            f"recorded: the last ones are lost, most likely with {path.name}.wal. Put that file "
            f"back, or restore the newest backup. To go on without them, delete {path.name}.head "
            "and take the missing files in again.",
            file=str(path),
            held=current.batch_no,
            recorded=noted.batch_no,
        )
    if storage.chain_hash_at(noted.entry_no) != noted.chain_hash:
        raise StoreError(
            f"The registry {path.name} is not the one that {path.name}.head belongs to, or its "
            "records were changed from outside. Restore both from the same backup; to accept the "
            f"registry as it stands, delete {path.name}.head.",
            file=str(path),
        )


def check_schema(storage: Storage, path: Path) -> bool:
    """Refuse what is no registry or a newer one; return whether it needs a newer schema."""
    applied = storage.applied_migrations()
    if not applied:
        raise StoreError(
            f"{path.name} is a database, but not a registry. Give the path of a file that "
            "`afterplaque init` made.",
            file=str(path),
        )
    return bool(pending_migrations(applied, read_migrations(), store=path.name))


def prepare_writing(path: Path) -> Storage:
    """Recover what a killed writer left, keep a copy of the closed file, open, bring up to date."""
    forget_file_checksum(path)
    storage = attach(path, write=True)
    try:
        check_schema(storage, path)
        _refuse_lock(storage, path)
        check_head(storage, path)
        storage.checkpoint()
    finally:
        storage.close()
    try:
        keep_copy(path)
    except StoreError:
        note_closed_file(path)  # nothing was written: its checksum is known as before
        raise
    storage = attach(path, write=True)
    try:
        now = datetime.now(UTC).replace(tzinfo=None)
        migrate(storage, read_migrations(), store=path.name, by="afterplaque", at=now)
        note_head(path, storage.head())
    except BaseException:
        storage.close()
        raise
    return storage


def _refuse_lock(storage: Storage, path: Path) -> None:
    if storage.data_lock() is not None:
        raise StoreError(
            f"{path.name} is a data lock: it is read, never written. Record in the registry that "
            "it was made from, and lock that anew.",
            file=str(path),
        )


def check_lock(storage: Storage, path: Path) -> None:
    """Refuse a data lock that no longer holds what was locked."""
    lock = storage.data_lock()
    if lock is not None and storage.content_hash(lock) != lock.content_hash:
        raise StoreError(
            f"The data lock {path.name} does not hold what was locked: its content hash is not "
            f"{lock.content_hash}. Do not use it; take the lock from where a copy was kept.",
            file=str(path),
            content_hash=lock.content_hash,
        )


def _word_older_schema(storage: Storage, path: Path) -> StoreError:
    """Word the refusal of an older schema: a registry is upgraded, a data lock never changes."""
    schema = storage.applied_migrations()[-1].number
    where = {"file": str(path), "schema": schema}
    lock = storage.data_lock()
    if lock is None:
        return StoreError(
            f"The registry {path.name} was last written by an older version of this program. "
            f"Bring it up to date with `afterplaque init {path.name} --upgrade`.",
            **where,
        )
    last = lock.recorded_until.replace(microsecond=0) + timedelta(seconds=1)
    return StoreError(
        f"The data lock {path.name} was made by an older version of this program (schema "
        f"{schema}), and a lock is never changed. Read it with that version, or lock the same "
        f"records anew: `afterplaque snapshot STORE NEW.lock --data-cut {lock.data_cut} "
        f"--recorded-until {last:%Y-%m-%dT%H:%M:%S}`. The new lock has a content "
        "hash of its own.",
        **where,
    )


def prepare_reading(path: Path) -> Storage:
    """Open for reading: nothing in the file or beside it changes."""
    storage = attach(path, write=False)
    try:
        if check_schema(storage, path):
            raise _word_older_schema(storage, path)
        check_head(storage, path)
        check_lock(storage, path)
    except BaseException:
        storage.close()
        raise
    return storage
