"""Erasing a person: the registry is rebuilt without them, and only the fact of it is kept.

Deleting rows in place would leave them readable in the file, so a new file is made of everything
else and takes the old one's place. Removed are the patient, every record that hangs on them, in
every version, and mentions of their identifiers in reasons and file names. A version that named the
patient by mistake goes too, and the record's other versions are numbered anew. The chain starts
again at a further anchor, which carries the old chain's last hash, who, when, why and how many.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from registry.engine.chain import HASH_BYTES, Anchor, extend_chain, sync_folder
from registry.engine.encryption import read_key
from registry.engine.lock import hold_lock
from registry.engine.opening import attach, prepare_writing, word_any_damage
from registry.engine.storage import Storage
from registry.engine.store_files import check_there, note_closed_file, note_head
from registry.errors import RefusedInputError
from registry.free_text import check_reason, check_recorder
from registry.records import TABLES, RecordTable
from registry.safekeeping.new_files import apply_schema, check_filled, draft_file, draft_path

ERASED = "[erased]"
_SCRUBBED = ("recorded_why", "why", "name")


@dataclass(frozen=True, slots=True)
class Erasure:
    """What was erased; holds no identifier.

    ``versions`` and ``records`` count by table; ``previous_hash`` is the old chain's last hash and
    ``chain_hash`` the new one's.
    """

    versions: Mapping[str, int]
    records: Mapping[str, int]
    previous_hash: str
    chain_hash: str


@dataclass(frozen=True, slots=True)
class _Plan:
    """What goes: entries by version table, and the keys of records that go entirely."""

    entries: Mapping[str, list[int]]
    keys: Mapping[str, list[str]]

    def words(self) -> list[str]:
        """Return every identifier that must not be left in a text, longest first."""
        words = {key for keys in self.keys.values() for key in keys}
        return sorted(words, key=lambda word: (-len(word), word))

    def pattern(self) -> re.Pattern[str]:
        """Match any of the identifiers, whatever its case; an underscore ends a word too."""
        words = "|".join(re.escape(word) for word in self.words())
        return re.compile(rf"(?<![^\W_])(?:{words})(?![^\W_])", re.IGNORECASE)


def _plan(storage: Storage, patient_id: str) -> _Plan:
    """Follow the declared references from the patient downwards."""
    entries: dict[str, list[int]] = {}
    keys: dict[str, list[str]] = {}
    for table in TABLES.values():
        conditions, parameters = _condition(table, patient_id, keys)
        if not conditions:
            continue
        source, goes = f"{table.name}_version", f"coalesce({' OR '.join(conditions)}, false)"
        found = storage.connection.execute(
            f"SELECT entry_no FROM {source} WHERE {goes} ORDER BY entry_no", parameters
        ).fetchall()
        entries[table.name] = [row[0] for row in found]
        key = ", ".join(field.name for field in table.key)
        shown = f"CAST({table.key[0].name} AS VARCHAR)"
        gone = storage.connection.execute(
            f"SELECT DISTINCT {shown} FROM (SELECT {key} FROM {source} GROUP BY {key} "
            f"HAVING bool_and({goes}))",
            parameters,
        ).fetchall()
        keys[table.name] = [row[0] for row in gone]
    return _Plan(entries, keys)


def _condition(
    table: RecordTable, patient_id: str, keys: Mapping[str, list[str]]
) -> tuple[list[str], list[object]]:
    """Write which versions of a table go: the patient's own, and those that refer to what goes."""
    if table.name == "patient":
        return ["patient_id = ?"], [patient_id]
    references = [field for field in table.references if keys.get(str(field.references))]
    conditions = [f"list_contains(?, {field.name})" for field in references]
    return conditions, [keys[str(field.references)] for field in references]


# --- what is left ---------------------------------------------------------------------------------


def _scrub(rows: Any, pattern: re.Pattern[str]) -> Any:
    """Take identifiers out of reasons and file names."""
    import pyarrow as pa

    for name in _SCRUBBED:
        if name in rows.column_names and not (name == "name" and "value" in rows.column_names):
            texts = rows[name].to_pylist()
            clean = [text and pattern.sub(ERASED, text) for text in texts]
            if clean != texts:
                place = rows.column_names.index(name)
                rows = rows.set_column(place, name, pa.array(clean, rows.schema.field(name).type))
    return rows


def _without(rows: Any, entries: list[int]) -> Any:
    import pyarrow as pa
    import pyarrow.compute as pc

    gone = pc.is_in(rows["entry_no"], value_set=pa.array(entries, pa.int64()))
    return rows.filter(pc.invert(gone))


def _recount(rows: Any, removed: Mapping[int, int]) -> Any:
    """Give each batch the number of versions that it still holds."""
    import pyarrow as pa

    counts = [
        count - removed.get(number, 0)
        for number, count in zip(
            rows["batch_no"].to_pylist(), rows["n_versions"].to_pylist(), strict=True
        )
    ]
    place = rows.column_names.index("n_versions")
    return rows.set_column(place, "n_versions", pa.array(counts, pa.int64()))


def _gather(storage: Storage, draft: Storage, plan: _Plan) -> dict[str, Any]:
    """Read what is left of every table, its contents hashed anew by the draft."""
    pattern = plan.pattern()
    removed: dict[int, int] = {}
    left = {}
    for name in storage.filled_in_order():
        rows = storage.read_rows(name)
        entries = plan.entries.get(name.removesuffix("_version"), [])
        if entries and name.endswith("_version"):
            kept = _without(rows, entries)
            for batch_no in rows["batch_no"].to_pylist():
                removed[batch_no] = removed.get(batch_no, 0) + 1
            for batch_no in kept["batch_no"].to_pylist():
                removed[batch_no] -= 1
            rows = kept
        left[name] = _scrub(rows, pattern)
    left["batch"] = _recount(left["batch"], removed)
    return {name: draft.rehash(name, rows) for name, rows in left.items()}


def _rechain(left: dict[str, Any], start: bytes) -> dict[str, Any]:
    """Number and chain the rows of all tables anew, in the order in which they were recorded."""
    import numpy as np
    import pyarrow as pa

    names = list(left)
    old = np.concatenate([left[name]["entry_no"].to_numpy() for name in names])
    content = b"".join(b"".join(left[name]["content_hash"].to_pylist()) for name in names)
    order = np.argsort(old, kind="stable")
    hashes = np.frombuffer(content, np.uint8).reshape(-1, HASH_BYTES)[order]
    links = np.frombuffer(extend_chain(start, hashes.tobytes()), np.uint8)
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order))
    chained = links.reshape(-1, HASH_BYTES)[place]
    rebuilt, first = {}, 0
    for name in names:
        rows = left[name].drop_columns(["entry_no", "chain_hash"])
        last = first + rows.num_rows
        chain = [bytes(link) for link in chained[first:last]]
        rows = rows.append_column("entry_no", pa.array(place[first:last] + 1, pa.int64()))
        rebuilt[name] = rows.append_column("chain_hash", pa.array(chain, pa.binary()))
        first = last
    return rebuilt


# --- the new file ---------------------------------------------------------------------------------


def _tombstone(storage: Storage, plan: _Plan, by: str, why: str, at: datetime) -> Anchor:
    versions = sum(map(len, plan.entries.values()))
    microseconds = (at - datetime(1970, 1, 1)) // timedelta(microseconds=1)
    number = storage.anchors()[-1][0].anchor_no + 1
    reason = f"erasure of 1 person, {versions} versions of records: {why}"
    return Anchor(number, microseconds, by, reason, storage.head().chain_hash)


def _fill(storage: Storage, draft: Storage, path: Path, plan: _Plan, tombstone: Anchor) -> None:
    at = datetime(1970, 1, 1) + timedelta(microseconds=tombstone.recorded_at_us)
    apply_schema(draft, path.name, at=at)
    rebuilt = _rechain(_gather(storage, draft, plan), tombstone.hash())
    pattern = plan.pattern()
    for anchor, _ in storage.anchors():
        draft.add_anchor(replace(anchor, reason=pattern.sub(ERASED, anchor.reason)))
    draft.add_anchor(tombstone)
    for name in draft.filled_in_order():
        draft.fill(name, rebuilt[name])
    check_filled(draft, path)


def _check(patient_id: str, by: str, why: str, plan: _Plan) -> None:
    if not plan.entries["patient"]:
        raise RefusedInputError(
            "The registry holds no patient of that identifier; nothing was changed.",
            table="patient",
        )
    if plan.pattern().search(f"{by} {why}"):
        raise RefusedInputError(
            "The reason is kept for good, so it must not name the person. Word it without any of "
            "their identifiers.",
            option="--why",
        )


def _destroy(path: Path) -> None:
    """Overwrite a file and remove it; what the disk itself keeps is out of reach."""
    with suppress(FileNotFoundError):
        size = path.stat().st_size
        with path.open("r+b") as file:
            for start in range(0, size, 1 << 20):
                file.write(bytes(min(1 << 20, size - start)))
            file.flush()
            os.fsync(file.fileno())
        path.unlink()


def erase_patient(
    store_path: str | Path, patient_id: str, *, by: str, why: str, at: datetime
) -> Erasure:
    """Rebuild a registry without one person.

    Parameters
    ----------
    store_path
        The registry. ``STORE.previous`` is destroyed; backups and locks are the user's to destroy.
    patient_id
        The patient's key. It is written nowhere.
    by, why, at
        Who, why and when (UTC when without zone); kept in the anchor.

    Raises
    ------
    RefusedInputError
        When there is no such patient, or the reason is missing or names them.
    StoreError
        When the registry's chain does not hold, or it is in use.
    """
    if not why.strip() or not by.strip():
        raise RefusedInputError(
            "An erasure needs a reason and someone who does it.", option="--why"
        )
    by, why = check_recorder(by), check_reason(why)
    at = at.astimezone(UTC).replace(tzinfo=None) if at.tzinfo else at
    path = Path(store_path).absolute()
    check_there(path)
    with hold_lock(path, exclusive=True), word_any_damage(path):
        prepare_writing(path).close()
        try:
            return _replace(path, patient_id.strip(), by, why, at)
        finally:
            note_closed_file(path)


def _replace(path: Path, patient_id: str, by: str, why: str, at: datetime) -> Erasure:
    """Build the new file beside the old one, prove it, and put it in its place."""
    storage = attach(path, write=False)
    try:
        check_filled(storage, path)
        plan = _plan(storage, patient_id)
        _check(patient_id, by, why, plan)
        tombstone = _tombstone(storage, plan, by, why, at)
        key = read_key(path) if storage.is_encrypted else None
        with draft_file(path, key=key) as draft:
            _fill(storage, draft, path, plan, tombstone)
            head = draft.head()
    finally:
        storage.close()
    for ending in (".previous", ".previous.new"):
        _destroy(path.with_name(path.name + ending))
    # Between these two steps the side file still names the old chain, as the new anchor does too.
    draft_path(path).replace(path)
    sync_folder(path.parent)
    note_head(path, head)
    return Erasure(
        versions={name: len(found) for name, found in plan.entries.items() if found},
        records={name: len(found) for name, found in plan.keys.items() if found},
        previous_hash=(tombstone.previous_hash or b"").hex(),
        chain_hash=head.chain_hash.hex(),
    )
