"""A data lock: the records as they stood at a moment, in a file of their own that is only read.

A lock holds every version recorded until a moment, with batches, settings and the chain up to
there, and the data cut that its reports use. Its content hash is SHA-256 over the sorted,
length-prefixed text of every row (:func:`registry.engine.duckdb_content.hash_content`) and the data
cut; it is checked each time the lock is opened. The same records and data cut give the same hash,
whenever and by whomever the lock is made.
"""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

from registry.engine.encryption import KEY_FILE_VARIABLE, read_key
from registry.engine.storage import DataLock, Storage
from registry.errors import RefusedInputError, StoreError, UsageError
from registry.free_text import check_recorder
from registry.safekeeping.new_files import apply_schema, check_filled, make_file
from registry.store import Store, open_store

READ_ONLY = 0o400


def _to_utc(at: datetime) -> datetime:
    return at.astimezone(UTC).replace(tzinfo=None) if at.tzinfo else at


def _find_end(store: Store, until: datetime | None) -> tuple[int, datetime]:
    """Return the last entry recorded until a moment, and when its batch was recorded."""
    rows = store.connection.execute(
        "SELECT entry_no, recorded_at FROM batch WHERE recorded_at <= ? "
        "ORDER BY entry_no DESC LIMIT 1",
        [until or datetime(9999, 12, 31)],
    ).fetchall()
    if not rows:
        raise RefusedInputError(
            f"Nothing had been recorded by {until} UTC. Choose a later moment.",
            option="--recorded-until",
        )
    entry_no, recorded_at = rows[0]
    return int(entry_no), recorded_at


def freeze(
    store_path: str | Path,
    out: str | Path,
    *,
    data_cut: date,
    by: str,
    at: datetime,
    recorded_until: datetime | None = None,
) -> DataLock:
    """Lock the records of a registry into a new read-only file.

    Parameters
    ----------
    store_path, out
        The registry, and the file to make (readable by its owner alone, writable by no one).
    data_cut
        Last day that counts in reports from the lock; not after the day of ``at``.
    by, at
        Who makes it and when (UTC when without zone).
    recorded_until
        Versions recorded after this moment are left out (UTC when without zone); everything on
        file by default.

    Returns
    -------
    DataLock
        With ``recorded_until`` the time of the last batch that is in it.

    Raises
    ------
    RefusedInputError
        When nothing had been recorded by then, or the data cut or the moment lie in the future.
    StoreError
        When ``out`` exists, the registry is itself a lock, or its chain does not hold.
    """
    by = check_recorder(by)
    at, until = _to_utc(at), _to_utc(recorded_until) if recorded_until else None
    for option, is_later in (
        ("--data-cut", data_cut > at.date()),
        ("--recorded-until", until is not None and until > at),
    ):
        if is_later:
            raise UsageError(f"{option} lies in the future.", option=option)
    store_path, out = Path(store_path), Path(out).absolute()
    with open_store(store_path) as store:
        if store.data_lock is not None:
            raise StoreError(
                f"{store_path.name} is a data lock already; copy it, or lock its registry.",
                file=str(store_path),
            )
        if store.storage.is_encrypted and KEY_FILE_VARIABLE not in os.environ:
            raise StoreError(
                "The registry is encrypted, and so is its lock, with the same key: name the key's "
                f"file in {KEY_FILE_VARIABLE} first.",
                option=KEY_FILE_VARIABLE,
            )
        end, last = _find_end(store, until)
        key = read_key(store_path) if store.storage.is_encrypted else None
        lock = DataLock(data_cut, last, at, by, "")
        made: list[DataLock] = []

        def fill(storage: Storage) -> None:
            made.append(_fill(store, storage, out, lock, end))

        make_file(out, fill, mode=READ_ONLY, with_head=False, key=key)
    return made[0]


def _fill(store: Store, storage: Storage, out: Path, lock: DataLock, end: int) -> DataLock:
    """Copy the records up to one entry, check their chain, and write the lock."""
    apply_schema(storage, out.name, at=lock.made_at)
    for anchor, _ in store.storage.anchors():
        storage.add_anchor(anchor)
    for name in storage.filled_in_order():
        storage.fill(name, store.storage.read_rows(name, end))
    check_filled(storage, out)
    if storage.head().chain_hash != store.storage.chain_hash_at(end):
        raise StoreError(f"The lock {out.name} does not end where the registry's chain does.")
    lock = replace(lock, content_hash=storage.content_hash(lock))
    storage.add_data_lock(lock)
    return lock
