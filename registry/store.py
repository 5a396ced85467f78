"""The registry file: creating it, opening it, recording batches, asking what was recorded.

A registry is one database file, opened by one writer or many readers at a time. Nothing in it is
ever changed in place: every batch appends new versions of records, in one transaction, and each
row is a link of a hash chain.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from registry.engine.batch import BATCH_KINDS, Batch, BatchKind
from registry.engine.chain import Anchor, Head, sync_folder
from registry.engine.encryption import check_cryptography, key_path, make_key
from registry.engine.journal import VersionRow, find_table, split_key, tell_history
from registry.engine.lock import hold_lock
from registry.engine.migrate import migrate, read_migrations
from registry.engine.opening import prepare_reading, prepare_writing, word_any_damage
from registry.engine.storage import DataLock, Stamp, Storage
from registry.engine.store_files import (
    check_absent,
    check_there,
    note_closed_file,
    note_head,
    remove_draft,
)
from registry.errors import RefusedInputError, StoreError
from registry.free_text import check_free_text, check_reason, check_recorder
from registry.settings import default_settings, read_value


@dataclass(frozen=True, slots=True)
class TakenFile:
    """A file that was taken in, and by which batch."""

    sha256: str
    name: str
    table: str
    rows: int
    batch_no: int
    recorded_at: datetime


@dataclass(frozen=True, slots=True)
class SettingVersion:
    """The current value of a setting, and who recorded it, when and why."""

    name: str
    value: Any
    version: int
    recorded_at: datetime
    recorded_by: str
    reason: str


def _to_utc(at: datetime) -> datetime:
    """Return the time as UTC without zone; a time without zone is taken as UTC."""
    return at.astimezone(UTC).replace(tzinfo=None) if at.tzinfo else at


class Store:
    """An open registry. Made by :func:`open_store`.

    Its views ``patient``, ``tumour``, ... hold the current records; the table macros
    ``patient_as_of(recorded_until)`` ... hold them as they stood at that time (UTC, inclusive).
    """

    def __init__(self, storage: Storage, path: Path, *, is_writable: bool) -> None:
        self._storage = storage
        self._path = path
        self._is_writable = is_writable
        self._is_recording = False

    @property
    def path(self) -> Path:
        """The registry file."""
        return self._path

    @property
    def connection(self) -> Any:
        """The database connection, with the registry in use. Fetch results whole."""
        return self._storage.connection

    @property
    def storage(self) -> Storage:
        """The storage beneath."""
        return self._storage

    @property
    def is_writable(self) -> bool:
        """Whether it was opened for writing."""
        return self._is_writable

    @property
    def data_lock(self) -> DataLock | None:
        """The lock this is (:mod:`registry.safekeeping.freeze`); None for a living registry."""
        return self._storage.data_lock()

    def head(self) -> Head:
        """Return the last link of the chain."""
        return self._storage.head()

    def state_hash(self) -> str:
        """Return the hash that names this state of the records in reports.

        Of a data lock its content hash; of a living registry the hash of the chain's last link.
        """
        lock = self.data_lock
        return lock.content_hash if lock else self.head().chain_hash.hex()

    def settings(self) -> dict[str, Any]:
        """Return the current settings by name."""
        rows = self.connection.execute("SELECT name, value FROM setting ORDER BY name").fetchall()
        return {name: read_value(text) for name, text in rows}

    def list_settings(self) -> list[SettingVersion]:
        """Return the current version of every setting: who recorded it, when and why."""
        rows = self.connection.execute(
            "SELECT v.name, v.value, v.version, v.recorded_at, v.recorded_by, v.recorded_why "
            "FROM setting_version v JOIN setting s USING (name, version) ORDER BY v.name"
        ).fetchall()
        return [
            SettingVersion(name, read_value(text), version, at.replace(tzinfo=UTC), by, why)
            for name, text, version, at, by, why in rows
        ]

    def files_taken(self) -> dict[str, TakenFile]:
        """Return the files taken in so far by the SHA-256 of their bytes, latest taking each."""
        rows = self.connection.execute(
            "SELECT f.sha256, f.name, f.table_name, f.rows, f.batch_no, b.recorded_at "
            "FROM batch_file f JOIN batch b USING (batch_no) ORDER BY f.entry_no"
        ).fetchall()
        taken = {}
        for digest, name, table, count, batch_no, at in rows:
            at = at.replace(tzinfo=UTC)
            taken[digest] = TakenFile(digest, name, table, count, batch_no, at)
        return taken

    def history(self, table_name: str, key_text: str) -> list[VersionRow]:
        """Return every version of one record, oldest first.

        Raises
        ------
        RefusedInputError
            When there is no such table or record.
        """
        table = find_table(table_name)
        versions = self._storage.versions_of(table, split_key(table, key_text))
        if not versions:
            raise RefusedInputError(
                f"The registry holds no record {table_name}:{key_text}. Check its spelling: "
                "capitals count, and a record that was erased is not there any more.",
                table=table_name,
                key=key_text,
            )
        return tell_history(table, versions)

    @contextmanager
    def batch(self, kind: BatchKind, *, by: str, why: str = "", at: datetime) -> Iterator[Batch]:
        """Record everything in the block together, or nothing of it when it raises.

        Parameters
        ----------
        kind
            "intake", "correction", "withdrawal" or "setting".
        by, why
            Who records it and why; a new version of a record needs a reason.
        at
            Time of recording; without zone it is taken as UTC. Never before the last batch.

        Raises
        ------
        StoreError
            When the clock stands before the last batch, or the commit fails.
        """
        if not self._is_writable or self._is_recording:
            state = "is recording a batch already" if self._is_recording else "is open for reading"
            raise ValueError(f"the store {self._path.name} {state}")
        if kind not in BATCH_KINDS:
            raise ValueError(f"there is no kind of batch {kind!r}")
        if not by.strip():
            raise RefusedInputError("Say who records this.", option="--by")
        by, why = check_recorder(by), check_reason(why)
        self._storage.begin()
        self._is_recording = True
        try:
            batch = self._start_batch(kind, by, why, _to_utc(at))
            yield batch
            head = batch.finish()
            if head is None:
                self._storage.rollback()
                return
            self._storage.commit()
        except BaseException:
            self._storage.rollback()
            raise
        finally:
            self._is_recording = False
        note_head(self._path, head)

    def _start_batch(self, kind: BatchKind, by: str, why: str, at: datetime) -> Batch:
        head = self._storage.head()
        last = self.connection.execute("SELECT max(recorded_at) FROM batch").fetchall()[0][0]
        if last is not None and at < last:
            raise StoreError(
                f"The clock says {at:%Y-%m-%d %H:%M:%S} UTC, but something was recorded at "
                f"{last:%Y-%m-%d %H:%M:%S} UTC already. Put the clock of this machine right; the "
                "order of what was recorded depends on it.",
                file=str(self._path),
            )
        centre = str(self.settings().get("centre_id", ""))
        stamp = Stamp(head.batch_no + 1, at, by, why, centre)
        return Batch(self._storage, kind, stamp, head)


# --- opening --------------------------------------------------------------------------------------


@contextmanager
def open_store(
    path: str | Path, *, write: bool = False, wait_seconds: float = 5.0
) -> Iterator[Store]:
    """Open a registry: one writer, or any number of readers.

    Before writing, the closed file is copied to ``STORE.previous``; an older schema is brought up
    to date. While it is open the database file must not be opened by anything else in this
    process (not even to copy or hash it): that would drop the engine's lock.

    Parameters
    ----------
    path
        The registry file.
    write
        Whether to record anything.
    wait_seconds
        How long to wait for another process to finish.

    Raises
    ------
    StoreError
        When the file is missing, no registry, damaged, of a newer schema, or lacks commits.
    StoreBusyError
        When another process holds it, naming that process and since when.
    """
    path = Path(path).absolute()
    check_there(path)
    with hold_lock(path, exclusive=write, wait_seconds=wait_seconds), word_any_damage(path):
        storage = prepare_writing(path) if write else prepare_reading(path)
        try:
            yield Store(storage, path, is_writable=write)
            if write:
                storage.checkpoint()
        finally:
            storage.close()
            if write:
                note_closed_file(path)


def create_store(
    path: str | Path, *, centre_id: str, by: str, at: datetime, encrypt: bool = False
) -> None:
    """Make an empty registry with the default settings.

    Parameters
    ----------
    path
        The file to make; its folder exists and the file does not.
    centre_id
        The centre that keeps the registry.
    by, at
        Who makes it and when (UTC when without zone).
    encrypt
        Whether to encrypt the file with a new random key, written to ``STORE.key``.

    Raises
    ------
    StoreError
        When the file exists, its folder does not, or encryption is not to be had.
    RefusedInputError
        When the centre or the name is blank, too long, or holds a character that cannot be seen.
    """
    path = Path(path).absolute()
    if not centre_id.strip() or not by.strip():
        raise RefusedInputError("A registry needs a centre and someone who makes it.")
    by = check_recorder(by)
    centre_id = check_free_text(centre_id, what="The centre's name", option="--centre")
    check_absent(path)
    if encrypt:
        check_cryptography()
    draft = path.with_name(path.name + ".creating")
    with hold_lock(path, exclusive=True, wait_seconds=0):
        check_absent(path)
        remove_draft(draft)
        key = make_key(key_path(path)) if encrypt else None
        try:
            head = _fill_new_store(draft, path.name, centre_id, by, at, key)
            draft.rename(path)
        except BaseException:
            if encrypt:
                key_path(path).unlink(missing_ok=True)
            raise
        finally:
            remove_draft(draft)
        sync_folder(path.parent)
        note_head(path, head)
        note_closed_file(path)


def _fill_new_store(
    draft: Path, name: str, centre_id: str, by: str, at: datetime, key: str | None
) -> Head:
    """Build the new file under another name, so that a half-made registry is never opened."""
    from registry.engine.duckdb_storage import open_duckdb

    at = _to_utc(at)
    storage: Storage = open_duckdb(draft, write=True, create=True, key=key)
    try:
        migrate(storage, read_migrations(), store=name, by=by, at=at)
        microseconds = (at - datetime(1970, 1, 1)) // timedelta(microseconds=1)
        reason = f"creation of the registry of {centre_id}"
        storage.add_anchor(Anchor(1, microseconds, by, reason, None))
        store = Store(storage, draft, is_writable=True)
        with store.batch("creation", by=by, why="defaults of the program", at=at) as batch:
            for name, value in default_settings(centre_id).items():
                batch.change_setting(name, value)
        head = storage.head()
        storage.checkpoint()
    finally:
        storage.close()
    return head
