"""One writer or many readers: the lock file beside the store.

The lock is ``flock`` on ``STORE.lock``, never on the database file itself: closing any handle on
that file would silently drop the engine's own lock. A killed process leaves no lock behind.
"""

from __future__ import annotations

import errno
import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from registry.errors import StoreBusyError, StoreError

_RETRY_SECONDS = 0.05


def lock_path(store_path: Path) -> Path:
    """Name the lock file of a store."""
    return store_path.with_name(store_path.name + ".lock")


def _open_lock_file(path: Path) -> int:
    try:
        return os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as failure:
        if failure.errno in (errno.EACCES, errno.EPERM, errno.EROFS) and path.exists():
            return os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        raise StoreError(
            f"The lock file {path.name} cannot be made ({failure.strerror}). The folder of the "
            "registry must be writable for whoever uses it.",
            file=str(path),
        ) from None


def _try_lock(handle: int, *, exclusive: bool) -> bool:
    try:
        fcntl.flock(handle, (fcntl.LOCK_EX if exclusive else fcntl.LOCK_SH) | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _describe_holder(store_path: Path, handle: int) -> StoreBusyError:
    """Word the refusal; the holder's text is there only while the lock is held exclusively."""
    text = os.pread(handle, 200, 0).decode("utf-8", "replace").split()
    where = {"file": str(store_path)}
    if len(text) != 2:
        return StoreBusyError(
            f"The registry {store_path.name} is being read by another process. Try again when "
            "that has finished.",
            **where,
        )
    number, since = text
    return StoreBusyError(
        f"The registry {store_path.name} is in use by process {number} since {since}. Try again "
        "when that has finished.",
        **where,
        process=number,
        since=since,
    )


def _write_holder(handle: int, since: datetime | None) -> None:
    """Say who holds the lock, or clear what a killed holder left."""
    try:
        os.ftruncate(handle, 0)
        if since is not None:
            os.pwrite(handle, f"{os.getpid()} {since:%H:%M}\n".encode(), 0)
    except OSError as failure:
        if failure.errno not in (errno.EINVAL, errno.EBADF):  # opened for reading only
            raise


@contextmanager
def hold_lock(store_path: Path, *, exclusive: bool, wait_seconds: float = 5.0) -> Iterator[None]:
    """Hold the lock of a store: shared for reading, exclusive for writing.

    Parameters
    ----------
    store_path
        The database file; the lock file is made beside it, readable by its owner alone.
    exclusive
        Whether no one else may hold it meanwhile.
    wait_seconds
        How long to go on trying, at least once.

    Raises
    ------
    StoreBusyError
        When it could not be had in time, naming the writer that holds it and since when.
    """
    handle = _open_lock_file(lock_path(store_path))
    try:
        give_up = time.monotonic() + wait_seconds
        while not _try_lock(handle, exclusive=exclusive):
            if time.monotonic() >= give_up:
                raise _describe_holder(store_path, handle)
            time.sleep(_RETRY_SECONDS)
        _write_holder(handle, datetime.now() if exclusive else None)
        try:
            yield
        finally:
            if exclusive:
                _write_holder(handle, None)
    finally:
        os.close(handle)
