"""Backup and restore: every version, batch, setting and anchor, in files any engine can read.

A backup is a folder: one Parquet file a table, ``manifest.json`` (schema, row counts, content hash,
chain hash) and ``SHA256SUMS``; sealed with a key if wanted (:mod:`registry.safekeeping.sealing`).
Restoring makes a new registry through the migrations, brings an older schema up to date, and
compares content hash and chain with the manifest before the file gets its name.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from registry.engine.chain import Anchor
from registry.engine.encryption import check_cryptography, key_path, make_key, read_key
from registry.engine.migrate import migrate, read_migrations
from registry.engine.storage import Storage
from registry.engine.store_files import check_absent
from registry.errors import StoreError
from registry.free_text import check_recorder
from registry.safekeeping.file_sets import new_folder, read_checked, read_sums
from registry.safekeeping.new_files import apply_schema, check_filled, make_file
from registry.safekeeping.sealing import ENDING, Sealer, make_sealer
from registry.store import Store, open_store

FORMAT = 1
MANIFEST = "manifest.json"


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup holds. Times are ISO text in UTC; ``rows`` counts by table."""

    format: int
    schema: int
    centre: str
    made_at: str
    made_by: str
    batches: int
    entries: int
    content_hash: str
    chain_hash: str
    rows: dict[str, int]
    anchors: list[dict[str, Any]]


def _describe_anchor(anchor: Anchor) -> dict[str, Any]:
    previous = anchor.previous_hash.hex() if anchor.previous_hash else None
    return {**asdict(anchor), "previous_hash": previous}


def _read_anchor(described: dict[str, Any]) -> Anchor:
    previous = described["previous_hash"]
    return Anchor(**{**described, "previous_hash": bytes.fromhex(previous) if previous else None})


def _to_parquet(rows: Any) -> bytes:
    import pyarrow.parquet as pq

    target = io.BytesIO()
    pq.write_table(rows, target, compression="zstd", write_page_checksum=True)
    return target.getvalue()


def _from_parquet(content: bytes, name: str) -> Any:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        return pq.read_table(io.BytesIO(content), page_checksum_verification=True)
    except (pa.ArrowException, OSError):
        raise StoreError(
            f"{name} is no whole Parquet file. Nothing was restored.", file=name
        ) from None


def back_up(
    store_path: str | Path,
    out: str | Path,
    *,
    by: str,
    at: datetime,
    key_file: Path | None = None,
    make_key_file: bool = False,
) -> Manifest:
    """Write a registry into a new backup folder, whole or not at all.

    Parameters
    ----------
    store_path, out
        The registry (its chain is checked first), and the folder to make.
    by, at
        Who makes it and when (UTC when without zone).
    key_file, make_key_file
        File of the key to seal it with, outside ``out``; whether to draw a key if there is none.

    Raises
    ------
    StoreError
        When ``out`` exists, the chain does not hold, the registry is encrypted and no key is
        given, or the library for sealing is missing.
    """
    by = check_recorder(by)
    store_path, out = Path(store_path), Path(out).absolute()
    if key_file is not None and out in Path(key_file).absolute().parents:
        raise StoreError("Keep the key out of the backup that it opens.", file=str(key_file))
    sealer = make_sealer(key_file, make=make_key_file) if key_file else None
    with open_store(store_path) as store:
        if store.data_lock is not None:
            raise StoreError(
                f"{store_path.name} is a data lock: one file that never changes. Copy it.",
                file=str(store_path),
            )
        if store.storage.is_encrypted and sealer is None:
            raise StoreError(
                "The registry is encrypted, so its backup is sealed as well: give --key-file.",
                option="--key-file",
            )
        check_filled(store.storage, store_path)
        with new_folder(out) as write:

            def put(name: str, content: bytes) -> None:
                sealed = sealer.seal(name, content) if sealer else content
                write(name + (ENDING if sealer else ""), sealed)

            return _write_backup(store, put, by=by, at=at)


def _write_backup(
    store: Store, put: Callable[[str, bytes], None], *, by: str, at: datetime
) -> Manifest:
    counts = {}
    for name in store.storage.filled_in_order():
        rows = store.storage.read_rows(name)
        counts[name] = rows.num_rows
        put(f"{name}.parquet", _to_parquet(rows))
    head = store.head()
    made_at = at.astimezone(UTC) if at.tzinfo else at.replace(tzinfo=UTC)
    manifest = Manifest(
        format=FORMAT,
        schema=store.storage.applied_migrations()[-1].number,
        centre=str(store.settings().get("centre_id", "")),
        made_at=made_at.isoformat(timespec="seconds"),
        made_by=by,
        batches=head.batch_no,
        entries=head.entry_no,
        content_hash=store.storage.content_hash(),
        chain_hash=head.chain_hash.hex(),
        rows=counts,
        anchors=[_describe_anchor(anchor) for anchor, _ in store.storage.anchors()],
    )
    put(MANIFEST, json.dumps(asdict(manifest), indent=1, ensure_ascii=False).encode())
    return manifest


# --- restoring ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Backup:
    """A backup folder that is read: its checksums, and the key if it is sealed."""

    folder: Path
    sums: dict[str, str]
    sealer: Sealer | None

    def read(self, name: str) -> bytes:
        """Read a file, checked and opened."""
        stored = name + (ENDING if self.sealer else "")
        content = read_checked(self.folder, stored, self.sums)
        return self.sealer.open(name, content) if self.sealer else content


def _open_backup(folder: Path, key_file: Path | None) -> _Backup:
    sums = read_sums(folder)
    is_sealed = MANIFEST + ENDING in sums
    if is_sealed and key_file is None:
        raise StoreError(
            "The backup is sealed: name its key's file with --key-file.", option="--key-file"
        )
    sealer = make_sealer(key_file, make=False) if is_sealed and key_file else None
    return _Backup(folder, sums, sealer)


def _read_manifest(backup: _Backup) -> Manifest:
    path = str(backup.folder / MANIFEST)
    try:
        described = json.loads(backup.read(MANIFEST))
        if described.get("format") != FORMAT:
            raise StoreError(
                f"{path} is of form {described.get('format')}, and this program reads {FORMAT}.",
                file=path,
            )
        manifest = Manifest(**described)
        names_are_plain = all(re.fullmatch(r"[a-z_]+", name) for name in manifest.rows)
    except (ValueError, TypeError, AttributeError):
        names_are_plain = False
    if not names_are_plain:
        raise StoreError(f"{path} is not the manifest of a backup.", file=path)
    return manifest


def restore(
    backup: str | Path,
    store_path: str | Path,
    *,
    at: datetime,
    key_file: Path | None = None,
    encrypt: bool = False,
) -> Manifest:
    """Make a new registry from a backup, and prove it before it gets its name.

    The new registry is plain, also where the backup is sealed or the registry that it was made of
    was encrypted, unless ``encrypt`` is given.

    Parameters
    ----------
    backup, store_path
        The backup's folder, and the registry to make, which must not exist.
    at
        The time, for the ledger of migrations.
    key_file
        File of the key of a sealed backup.
    encrypt
        Whether the engine encrypts the new registry, with the key in the registry's key file
        (:func:`registry.engine.encryption.key_path`), which is drawn when there is none.

    Raises
    ------
    StoreError
        When a file is missing, cut short or changed (naming it), the schema is newer than this
        program, the restored content hash or chain differ, ``store_path`` exists, or encryption is
        not to be had.
    """
    folder, path = Path(backup), Path(store_path).absolute()
    source = _open_backup(folder, key_file)
    manifest = _read_manifest(source)
    newest = read_migrations()[-1].number
    if manifest.schema > newest:
        raise StoreError(
            f"The backup has schema {manifest.schema}, and this program knows {newest} at most. "
            "Install the newer program; nothing was restored.",
            file=str(folder),
        )
    for name in source.sums:
        read_checked(folder, name, source.sums)
    at = at.astimezone(UTC).replace(tzinfo=None) if at.tzinfo else at
    with _registry_key(path, encrypt=encrypt) as key:
        make_file(path, lambda storage: _fill(storage, path, source, manifest, at), key=key)
    return manifest


@contextmanager
def _registry_key(path: Path, *, encrypt: bool) -> Iterator[str | None]:
    """Give the key of the registry to make; one that was drawn goes when the block fails."""
    if not encrypt:
        yield None
        return
    check_absent(path)
    check_cryptography()
    kept = read_key(path)
    key = kept or make_key(key_path(path))
    try:
        yield key
    except BaseException:
        if kept is None:
            key_path(path).unlink(missing_ok=True)
        raise


def _fill(storage: Storage, path: Path, source: _Backup, manifest: Manifest, at: datetime) -> None:
    """Fill the new file at the backup's schema, bring it up to date, and compare."""
    apply_schema(storage, path.name, at=at, until=manifest.schema)
    for described in manifest.anchors:
        storage.add_anchor(_read_anchor(described))
    for name in storage.filled_in_order():
        if name in manifest.rows:
            file = f"{name}.parquet"
            rows = _from_parquet(source.read(file), file)
            if rows.num_rows != manifest.rows[name]:
                raise StoreError(
                    f"{file} holds {rows.num_rows} rows, and {manifest.rows[name]} were written. "
                    "Nothing was restored.",
                    file=str(source.folder / file),
                )
            storage.fill(name, rows)
    storage.checkpoint()
    migrate(storage, read_migrations(), store=path.name, by="afterplaque", at=at)
    check_filled(storage, path)
    _compare(storage, source.folder, manifest)


def _compare(storage: Storage, folder: Path, manifest: Manifest) -> None:
    head = storage.head()
    found = {
        "content hash": (storage.content_hash(), manifest.content_hash),
        "chain hash": (head.chain_hash.hex(), manifest.chain_hash),
        "number of entries": (head.entry_no, manifest.entries),
        "number of batches": (head.batch_no, manifest.batches),
    }
    for what, (restored, written) in found.items():
        if restored != written:
            raise StoreError(
                f"The {what} of the restored records is {restored}, and the backup's manifest says "
                f"{written}: the backup was changed. Nothing was restored.",
                file=str(folder / MANIFEST),
            )
