"""Whether a store still says what was recorded: the file, every value, the chain, the schema."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from registry.engine.chain import Head, Misfit, find_misfit, head_path, read_head, read_side_file
from registry.engine.lock import hold_lock
from registry.engine.opening import attach, check_head, check_lock, check_schema, word_any_damage
from registry.engine.storage import DataLock
from registry.engine.store_files import check_there, compute_file_sha256
from registry.errors import StoreBusyError, StoreError
from registry.store import Store


def verify_chain(store: Store) -> Misfit | None:
    """Read every recorded value and check it against the hash chain; return the first misfit.

    Also checks the anchors, that versions are numbered without gaps, that every batch holds the
    versions it counted, and that ``STORE.head`` stands on the chain. About four seconds and a
    gigabyte of memory for a million rows.

    Returns
    -------
    Misfit or None
        None when everything fits. Someone who can write the file and recomputes the whole chain
        is found out only by a copy of the last hash kept elsewhere (in a report or a backup).

    Raises
    ------
    StoreError
        When the file is too damaged to be read.
    """
    misfit = walk_chain(store)
    if misfit is not None or store.data_lock is not None:
        return misfit
    noted = read_head(store.path)
    is_on_chain = noted is None or (
        store.storage.chain_hash_at(noted.entry_no) == noted.chain_hash
        or noted.chain_hash == store.storage.anchors()[-1][0].previous_hash
    )
    if noted is not None and not is_on_chain:
        what = f"{store.path.name}.head does not stand on the chain"
        return Misfit(noted.entry_no, "batch", str(noted.batch_no), what)
    return None


def walk_chain(store: Store) -> Misfit | None:
    """Check anchors, links, and how versions and batches fit together."""
    start = bytes(32)
    for anchor, stored in store.storage.anchors():
        follows = anchor.previous_hash is not None or anchor.anchor_no == 1
        if anchor.hash() != stored or not follows:
            what = "the values are not those that were recorded"
            return Misfit(0, "chain_anchor", str(anchor.anchor_no), what)
        start = stored
    misfit = find_misfit(start, store.storage.links())
    if misfit is not None:
        return misfit
    fault = store.storage.find_inconsistency()
    return None if fault is None else Misfit(0, fault.table, fault.record, fault.what)


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is not as it was left.

    ``kind`` is ``file`` (bytes, side file, cannot be read), ``record`` (the first record that does
    not fit), ``schema`` (a view, guard, table) or ``head`` (a hash kept elsewhere is not on the
    chain). ``table`` and ``record`` are named where there is one.
    """

    kind: str
    what: str
    table: str | None = None
    record: str | None = None
    entry_no: int | None = None


@dataclass(frozen=True, slots=True)
class Integrity:
    """What an examination found; whole when there are no faults.

    ``locked_as`` is the content hash of a data lock, None for a living registry. ``file_checked``
    tells whether the file's checksum was known: it is not after a writer was
    killed, until the next writing. ``chain_hash`` is the last link's, to be kept elsewhere.
    """

    faults: tuple[Fault, ...]
    batches: int | None
    entries: int | None
    chain_hash: str | None
    locked_as: str | None
    file_checked: bool

    @property
    def is_whole(self) -> bool:
        """Whether nothing was found."""
        return not self.faults


def _check_file(path: Path) -> tuple[list[Fault], bool]:
    """Check the file's bytes and the side file; return the faults, and whether bytes were."""
    try:
        side_file = read_side_file(path)
    except StoreError as error:
        return [Fault("file", error.message)], False
    if side_file is None or not side_file.file_sha256:
        return [], False
    log = path.with_name(path.name + ".wal")
    if log.exists():
        what = f"{log.name} lies beside a registry that was closed: no writer of ours left it"
        return [Fault("file", what)], False
    if compute_file_sha256(path) != side_file.file_sha256:
        return [Fault("file", "the file's bytes are not those that the last writing left")], True
    return [], True


def _check_side_file(store: Store) -> Iterator[Fault]:
    """Check the last commit that the side file knows, or that a lock holds what was locked."""
    if store.data_lock is None and not head_path(store.path).exists():
        yield Fault(
            "file",
            f"{store.path.name}.head is missing: without it commits lost from the end cannot be "
            "told. The next writing makes it anew",
        )
    for check in (check_head, check_lock):
        try:
            check(store.storage, store.path)
        except StoreError as error:
            yield Fault("file", error.message)


def _look_inside(store: Store, expected_hash: str | None) -> Iterator[Fault]:
    """Check chain, schema, side file and the hash that was kept elsewhere."""
    misfit = walk_chain(store)
    if misfit is not None:
        entry_no = misfit.entry_no or None
        yield Fault("record", misfit.what, misfit.table, misfit.record, entry_no)
    for what in store.storage.find_schema_faults():
        yield Fault("schema", what)
    yield from _check_side_file(store)
    if expected_hash is not None and not _stands_on_chain(store, expected_hash):
        yield Fault("head", f"the hash {expected_hash} is not on the chain")


def _stands_on_chain(store: Store, expected_hash: str) -> bool:
    text = expected_hash.strip().lower()
    found = store.connection.execute(
        "SELECT 1 FROM batch WHERE lower(hex(chain_hash)) = ? UNION ALL "
        "SELECT 1 FROM chain_anchor WHERE lower(hex(previous_hash)) = ? LIMIT 1",
        [text, text],
    ).fetchall()
    return bool(found)


def check_integrity(path: str | Path, *, expected_hash: str | None = None) -> Integrity:
    """Read the whole registry and say everything that is not as it was left.

    Parameters
    ----------
    path
        A registry or a data lock.
    expected_hash
        A chain hash kept elsewhere (of a report, a backup, a letter): it must be on the chain. It
        alone shows that the whole file, side file included, was put back to an earlier state or
        written anew.

    Raises
    ------
    StoreError
        When there is no such file, or it has a newer or an older schema.
    StoreBusyError
        When it is being written to.
    """
    path = Path(path).absolute()
    check_there(path)
    with hold_lock(path, exclusive=False):
        faults, is_checked = _check_file(path)
        head, lock = None, None
        try:
            with word_any_damage(path):
                head, lock = _examine(path, expected_hash, faults)
        except StoreBusyError:
            raise
        except StoreError as error:
            if error.message not in {fault.what for fault in faults}:
                faults.append(Fault("file", error.message))
    batches, entries = (head.batch_no, head.entry_no) if head else (None, None)
    last = head.chain_hash.hex() if head else None
    locked_as = lock.content_hash if lock else None
    return Integrity(tuple(faults), batches, entries, last, locked_as, is_checked)


def _examine(
    path: Path, expected_hash: str | None, faults: list[Fault]
) -> tuple[Head, DataLock | None]:
    """Add the faults inside the file; return where its chain ends and what it was locked as."""
    storage = attach(path, write=False)
    try:
        check_schema(storage, path)
        store = Store(storage, path, is_writable=False)
        for fault in _look_inside(store, expected_hash):
            if fault.what not in {known.what for known in faults}:
                faults.append(fault)
        return store.head(), store.data_lock
    finally:
        storage.close()
