"""The registry file: creating it, opening it, recording batches, asking what was recorded.

A registry is one database file, opened by one writer or many readers at a time. Nothing in it is
ever changed in place: every batch appends new versions of records, in one transaction, and each
row is a link of a hash chain.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from registry.chain import Anchor, Head, Misfit, find_misfit, read_head, sync_folder, write_head
from registry.encryption import key_path, make_key, read_key
from registry.errors import RefusedInputError, StoreError
from registry.journal import VersionRow, find_table, split_key, tell_history
from registry.lock import hold_lock
from registry.migrate import migrate, pending_migrations, read_migrations
from registry.records import TABLES
from registry.settings import default_settings, read_value, write_value
from registry.storage import Stamp, Storage

BatchKind = Literal["creation", "intake", "correction", "withdrawal", "setting"]
_KINDS = ("creation", "intake", "correction", "withdrawal", "setting")


@dataclass(frozen=True, slots=True)
class TakenFile:
    """A file that was taken in, and by which batch."""

    sha256: str
    name: str
    table: str
    rows: int
    batch_no: int
    recorded_at: datetime


def _to_utc(at: datetime) -> datetime:
    """Return the time as UTC without zone; a time without zone is taken as UTC."""
    return at.astimezone(UTC).replace(tzinfo=None) if at.tzinfo else at


class Batch:
    """What is recorded together: all of it or nothing. Made by :meth:`Store.batch`."""

    def __init__(self, storage: Storage, kind: BatchKind, stamp: Stamp, head: Head) -> None:
        self._storage = storage
        self._kind = kind
        self._stamp = stamp
        self._head = head
        self._rows: dict[str, int] = {}
        self._withdrawn_tables: set[str] = set()
        self._is_noted = False

    @property
    def batch_no(self) -> int:
        """The batch's number, one more than the last."""
        return self._stamp.batch_no

    @property
    def rows(self) -> dict[str, int]:
        """How many versions were appended so far, by table."""
        return dict(self._rows)

    def append(self, table_name: str, rows: Any) -> int:
        """Record a new version of each row.

        Parameters
        ----------
        table_name
            A declared table. Parents come before the records that refer to them.
        rows
            A pyarrow table whose columns are declared fields of matching Arrow type; fields that
            are left out are blank. A column ``based_on_version`` (integer; 0 for a new record)
            refuses rows of which someone else has recorded a newer version.

        Returns
        -------
        int
            Number of versions recorded.

        Raises
        ------
        RefusedInputError
            When a row breaks a check of the store, naming row numbers and fields but no values.
        ValueError
            For an unknown table or column, or a column of the wrong type.
        """
        if table_name not in TABLES:
            raise ValueError(f"there is no table {table_name!r}")
        count, self._head = self._storage.append_versions(
            TABLES[table_name], rows, self._stamp, self._head
        )
        self._rows[table_name] = self._rows.get(table_name, 0) + count
        return count

    def withdraw(self, table_name: str, keys: Sequence[str]) -> int:
        """Mark records as entered by mistake; every version of them is kept.

        Parameters
        ----------
        table_name
            A declared table.
        keys
            The records' keys as text, parts joined by ``|``.

        Raises
        ------
        RefusedInputError
            When a record is not there or is withdrawn already, or when no reason is given. When
            the batch ends: when a record that is still current refers to a withdrawn one.
        """
        table = find_table(table_name)
        if not self._stamp.why.strip():
            raise RefusedInputError("A withdrawal needs a reason.", option="--why")
        parts = list(dict.fromkeys(split_key(table, key) for key in keys))
        for key in parts:
            if self._storage.current_rows(table, [key]).num_rows == 0:
                raise RefusedInputError(
                    f"{table.name}:{'|'.join(key)} is not among the current records: there is no "
                    "such record, or it is withdrawn already (`afterplaque history` tells).",
                    table=table.name,
                    key="|".join(key),
                )
        if not parts:
            return 0
        rows = self._storage.current_rows(table, parts)
        count, self._head = self._storage.append_versions(
            table, rows, self._stamp, self._head, is_withdrawal=True
        )
        self._rows[table_name] = self._rows.get(table_name, 0) + count
        self._withdrawn_tables.add(table_name)
        return count

    def note_file(self, name: str, sha256: str, rows: int, table: str = "") -> None:
        """Note that a file's rows are part of this batch.

        ``sha256`` is the hexadecimal checksum of the file's bytes, ``name`` its name without
        folders, ``table`` the record table its rows went into.
        """
        row = {"sha256": sha256.lower(), "name": name, "table_name": table, "rows": rows}
        self._append_links("batch_file", row)
        self._is_noted = True

    def change_setting(self, name: str, value: Any) -> None:
        """Record a new value of a setting; RefusedInputError when it does not take it."""
        text = write_value(name, value)
        found = self._storage.connection.execute(
            "SELECT version FROM setting WHERE name = ?", [name]
        ).fetchall()
        stamp = self._stamp
        if found and not stamp.why.strip():
            raise RefusedInputError("A changed setting needs a reason.", option="--why")
        self._append_links(
            "setting_version",
            {
                "name": name,
                "value": text,
                "version": found[0][0] + 1 if found else 1,
                "recorded_at": stamp.at,
                "recorded_by": stamp.by,
                "recorded_why": stamp.why,
            },
        )
        self._is_noted = True

    def _append_links(self, table_name: str, row: dict[str, object]) -> None:
        row["batch_no"] = self._stamp.batch_no
        self._head = self._storage.append_links(table_name, [row], self._head)

    def finish(self) -> Head | None:
        """Close the batch with its own row; None when nothing was recorded."""
        n_versions = sum(self._rows.values())
        if not n_versions and not self._is_noted:
            return None
        withdrawn = [TABLES[name] for name in sorted(self._withdrawn_tables)]
        for orphans in self._storage.find_orphans(withdrawn) if withdrawn else ():
            raise RefusedInputError(
                f"{orphans.count} current record(s) of {orphans.table} still refer to the "
                f"withdrawn {orphans.parent}, {orphans.table}:{orphans.example} for one. Withdraw "
                f"or correct these first. Nothing was recorded.",
                table=orphans.table,
                field=orphans.field,
            )
        self._append_links(
            "batch",
            {
                "kind": self._kind,
                "recorded_at": self._stamp.at,
                "recorded_by": self._stamp.by,
                "why": self._stamp.why,
                "n_versions": n_versions,
            },
        )
        return Head(self._stamp.batch_no, self._head.entry_no, self._head.chain_hash)


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
    def head(self) -> Head:
        """The last link of the chain."""
        return self._storage.head()

    def settings(self) -> dict[str, Any]:
        """Return the current settings by name."""
        rows = self.connection.execute("SELECT name, value FROM setting ORDER BY name").fetchall()
        return {name: read_value(text) for name, text in rows}

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
                f"The registry holds no record {table_name}:{key_text}.",
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
        if kind not in _KINDS:
            raise ValueError(f"there is no kind of batch {kind!r}")
        if not by.strip():
            raise RefusedInputError("Say who records this.", option="--by")
        self._storage.begin()
        self._is_recording = True
        try:
            batch = self._start_batch(kind, by.strip(), why.strip(), _to_utc(at))
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
        _note_head(self._path, head)

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


def _note_head(path: Path, head: Head) -> None:
    # The commit is durable already; a side file that lags behind is caught up at the next opening.
    with suppress(OSError):
        write_head(path, head)


# --- opening --------------------------------------------------------------------------------------


def _attach(path: Path, *, write: bool) -> Storage:
    """Open with the registry's key if there is one, else without."""
    from registry.duckdb_storage import open_duckdb

    key = read_key(path)
    opened: Storage = open_duckdb(path, write=write, key=key)
    return opened


def _check_head(storage: Storage, path: Path) -> None:
    """Refuse a file that lacks commits which were made: its log was lost or cut short."""
    noted = read_head(path)
    if noted is None:
        return
    current = storage.head()
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


def _keep_copy(path: Path) -> None:
    """Copy the closed file to ``STORE.previous``, whole or not at all, readable by its owner."""
    kept = path.with_name(path.name + ".previous")
    draft = path.with_name(path.name + ".previous.new")
    try:
        draft.unlink(missing_ok=True)
        handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as target, path.open("rb") as source:
            shutil.copyfileobj(source, target, 1 << 20)
            target.flush()
            os.fsync(target.fileno())
        draft.replace(kept)
        sync_folder(path.parent)
    except OSError as failure:
        raise StoreError(
            f"The copy {kept.name}, which is made before every spell of writing, could not be "
            f"made ({failure.strerror}). Make room, or let the folder be written to.",
            file=str(kept),
        ) from None


def _check_schema(storage: Storage, path: Path) -> bool:
    """Refuse what is no registry or a newer one; return whether it needs a newer schema."""
    applied = storage.applied_migrations()
    if not applied:
        raise StoreError(
            f"{path.name} is a database, but not a registry. Give the path of a file that "
            "`afterplaque init` made.",
            file=str(path),
        )
    return bool(pending_migrations(applied, read_migrations(), store=path.name))


def _check_there(path: Path) -> None:
    if not path.exists():
        raise StoreError(
            f"There is no registry {path}. Check the path, or make one with `afterplaque init`.",
            file=str(path),
        )
    if not path.is_file():
        raise StoreError(f"{path} is a folder, not a registry file.", file=str(path))


def _prepare_writing(path: Path) -> Storage:
    """Recover what a killed writer left, keep a copy of the closed file, open, bring up to date."""
    storage = _attach(path, write=True)
    try:
        _check_schema(storage, path)
        _check_head(storage, path)
        storage.checkpoint()
    finally:
        storage.close()
    _keep_copy(path)
    storage = _attach(path, write=True)
    try:
        now = datetime.now(UTC).replace(tzinfo=None)
        migrate(storage, read_migrations(), store=path.name, by="afterplaque", at=now)
        _note_head(path, storage.head())
    except BaseException:
        storage.close()
        raise
    return storage


def _prepare_reading(path: Path) -> Storage:
    storage = _attach(path, write=False)
    try:
        if _check_schema(storage, path):
            raise StoreError(
                f"The registry {path.name} was last written by an older version of this program. "
                f"Bring it up to date with `afterplaque init {path.name} --upgrade`.",
                file=str(path),
            )
        _check_head(storage, path)
    except BaseException:
        storage.close()
        raise
    return storage


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
    _check_there(path)
    with hold_lock(path, exclusive=write, wait_seconds=wait_seconds):
        storage = _prepare_writing(path) if write else _prepare_reading(path)
        try:
            yield Store(storage, path, is_writable=write)
            if write:
                storage.checkpoint()
        finally:
            storage.close()


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
    """
    path = Path(path).absolute()
    if path.exists():
        raise StoreError(f"{path} exists already; nothing was changed.", file=str(path))
    if not path.parent.is_dir():
        raise StoreError(f"There is no folder {path.parent}. Make it first.", file=str(path))
    if not centre_id.strip() or not by.strip():
        raise RefusedInputError("A registry needs a centre and someone who makes it.")
    draft = path.with_name(path.name + ".creating")
    with hold_lock(path, exclusive=True, wait_seconds=0):
        _remove_draft(draft)
        try:
            head = _fill_new_store(draft, path, centre_id.strip(), by.strip(), at, encrypt)
            draft.rename(path)
        except BaseException:
            _remove_draft(draft)
            raise
        sync_folder(path.parent)
        _note_head(path, head)


def _remove_draft(draft: Path) -> None:
    for leftover in (draft, draft.with_name(draft.name + ".wal")):
        leftover.unlink(missing_ok=True)


def _fill_new_store(
    draft: Path, path: Path, centre_id: str, by: str, at: datetime, encrypt: bool
) -> Head:
    """Build the new file under another name, so that a half-made registry is never opened."""
    from registry.duckdb_storage import open_duckdb

    at = _to_utc(at)
    key = make_key(key_path(path)) if encrypt else None
    try:
        storage: Storage = open_duckdb(draft, write=True, create=True, key=key)
    except BaseException:
        if encrypt:
            key_path(path).unlink(missing_ok=True)
        raise
    try:
        migrate(storage, read_migrations(), store=path.name, by=by, at=at)
        microseconds = int((at - datetime(1970, 1, 1)).total_seconds() * 1_000_000)
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
    draft.with_name(draft.name + ".head").unlink(missing_ok=True)
    return head


# --- integrity ------------------------------------------------------------------------------------


def verify_chain(store: Store) -> Misfit | None:
    """Read every recorded value and check it against the hash chain; return the first misfit.

    Also checks the anchors, that every batch holds the versions it counted, and that
    ``STORE.head`` stands on the chain. About two seconds for a million rows.
    """
    start = bytes(32)
    for anchor, stored in store.storage.anchors():
        if anchor.hash() != stored or (anchor.anchor_no > 1 and anchor.previous_hash is None):
            what = "the values are not those that were recorded"
            return Misfit(0, "chain_anchor", str(anchor.anchor_no), what)
        start = stored
    misfit = find_misfit(start, store.storage.links())
    if misfit is not None:
        return misfit
    noted = read_head(store.path)
    if noted is not None and store.storage.chain_hash_at(noted.entry_no) != noted.chain_hash:
        return Misfit(noted.entry_no, "batch", str(noted.batch_no), "STORE.head does not fit")
    return None
