"""Making a new database file out of another's records: whole or not at all.

Data locks, restored backups and rebuilt registries are filled under another name beside their
place, checked, and only then renamed. A killed process leaves a draft that the next one removes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from registry.engine.chain import sync_folder
from registry.engine.lock import hold_lock
from registry.engine.migrate import migrate, read_migrations
from registry.engine.storage import Storage
from registry.engine.store_files import check_absent, note_closed_file, note_head, remove_draft
from registry.errors import StoreError
from registry.safekeeping.integrity import walk_chain
from registry.store import Store


@contextmanager
def draft_file(path: Path, *, key: str | None = None) -> Iterator[Storage]:
    """Open a new, empty database under another name beside ``path``; removed when the block fails.

    On leaving, everything is in the closed draft ``PATH.draft``; the caller renames it.
    """
    from registry.engine.duckdb_storage import open_duckdb

    draft = draft_path(path)
    remove_draft(draft)
    try:
        storage: Storage = open_duckdb(draft, write=True, create=True, key=key)
        try:
            yield storage
            storage.checkpoint()
        finally:
            storage.close()
    except BaseException:
        remove_draft(draft)
        raise


def draft_path(path: Path) -> Path:
    """Name the draft of a file."""
    return path.with_name(f"{path.name}.draft")


def apply_schema(storage: Storage, name: str, *, at: datetime, until: int | None = None) -> None:
    """Apply the migrations, up to a number or all of them."""
    known = read_migrations()
    migrate(storage, known[:until], store=name, by="afterplaque", at=at)


def check_filled(storage: Storage, path: Path) -> None:
    """Refuse a filled draft whose chain does not hold."""
    misfit = walk_chain(Store(storage, path, is_writable=False))
    if misfit is not None:
        raise StoreError(
            f"What was to be written to {path.name} does not hold together: {misfit.table} "
            f"{misfit.record}: {misfit.what}. Nothing was made; run `afterplaque integrity` on "
            "where it comes from.",
            file=str(path),
            table=misfit.table,
            record=misfit.record,
        )


def make_file(
    path: Path,
    fill: Callable[[Storage], None],
    *,
    mode: int = 0o600,
    with_head: bool = True,
    key: str | None = None,
) -> None:
    """Make a new database file by ``fill``, under the lock of its path, and move it into place.

    Raises
    ------
    StoreError
        When something is at ``path`` already, its folder is missing, or the disk is full.
    """
    check_absent(path)
    with hold_lock(path, exclusive=True, wait_seconds=0):
        check_absent(path)
        with draft_file(path, key=key) as storage:
            fill(storage)
            head = storage.head()
        draft = draft_path(path)
        draft.chmod(mode)
        draft.rename(path)
        sync_folder(path.parent)
        if with_head:
            note_head(path, head)
            note_closed_file(path)
