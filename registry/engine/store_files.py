"""The files beside a store: the copy made before writing, and the head of the chain.

:func:`keep_copy` may not be called while the database file is open in this process: closing a
second handle on it would drop the engine's lock.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from contextlib import suppress
from pathlib import Path

from registry.engine.chain import Head, read_head, read_side_file, sync_folder, write_head
from registry.errors import StoreError


def check_there(path: Path) -> None:
    """Refuse a path at which no file is."""
    if not path.exists():
        raise StoreError(
            f"There is no registry {path}. Check the path, or make one with `afterplaque init`.",
            file=str(path),
        )
    if not path.is_file():
        raise StoreError(f"{path} is a folder, not a registry file.", file=str(path))


def note_head(path: Path, head: Head) -> None:
    """Write the side file after a commit, as far as the disk allows."""
    # The commit is durable already; a side file that lags behind is caught up at the next opening.
    with suppress(OSError):
        write_head(path, head)


def compute_file_sha256(path: Path) -> str:
    """Compute the checksum of a closed file; never of a database open in this process."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def forget_file_checksum(path: Path) -> None:
    """Take the checksum out of the side file, before anything may change the file."""
    side_file = read_side_file(path)
    if side_file is None or not side_file.file_sha256:
        return
    try:
        write_head(path, side_file.head)
    except OSError as failure:
        raise StoreError(
            f"{path.name}.head, which is brought up to date before anything is written, could not "
            f"be written ({failure.strerror}). Make room, or let the folder be written to.",
            file=str(path),
        ) from None


def note_closed_file(path: Path) -> None:
    """Add the closed file's checksum to the side file, as far as the disk allows.

    Nothing is noted while a log is left beside the file, since the next opening changes the file.
    """
    if path.with_name(path.name + ".wal").exists():
        return
    with suppress(OSError, StoreError):
        head = read_head(path)
        if head is not None:
            write_head(path, head, compute_file_sha256(path))


def keep_copy(path: Path) -> None:
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
        with suppress(OSError):  # half a copy would take the room that is lacking
            draft.unlink(missing_ok=True)
        raise StoreError(
            f"The copy {kept.name}, which is made before every spell of writing, could not be "
            f"made ({failure.strerror}). Make room, or let the folder be written to.",
            file=str(kept),
        ) from None


_TABLE_ENDINGS = (".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".parquet", ".pq", ".json")


def check_absent(path: Path) -> None:
    """Refuse to make a registry where one is, or its log was left, or no folder is."""
    if not path.parent.is_dir():
        raise StoreError(f"There is no folder {path.parent}. Make it first.", file=str(path))
    if path.exists():
        raise StoreError(f"{path} exists already; nothing was changed.", file=str(path))
    if path.suffix.lower() in _TABLE_ENDINGS:
        raise StoreError(
            f"{path.name} is named like a table, and intake would take it for one. Name the "
            "registry otherwise, for example eye.registry.",
            file=str(path),
        )
    log = path.with_name(path.name + ".wal")
    if log.exists():
        raise StoreError(
            f"{log.name} is here without its registry {path.name}. Put the registry back, or move "
            "the log away, before you make a new one of that name.",
            file=str(path),
        )


def remove_draft(draft: Path) -> None:
    """Remove what a registry in the making has left."""
    for ending in ("", ".wal", ".head", ".head.new"):
        leftover = draft.with_name(draft.name + ending)
        leftover.unlink(missing_ok=True)
