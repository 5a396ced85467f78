"""Tamper evidence: every recorded row is a link of one hash chain.

A link's hash is ``SHA-256(previous link's hash || SHA-256(row's canonical text))``, both as bytes,
over the rows of all tables in the order in which they were recorded (``entry_no``). The chain
starts at the hash of its anchors. The hash of the last link stands in ``STORE.head`` too, outside
the database, so that lost commits show; copied into a report or a letter, it shows a chain that
was rewritten as a whole.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from registry.errors import StoreError

HASH_BYTES = 32


@dataclass(frozen=True, slots=True)
class Head:
    """Where the chain stands: last batch, last link, and that link's hash."""

    batch_no: int
    entry_no: int
    chain_hash: bytes


@dataclass(frozen=True, slots=True)
class Misfit:
    """The first place where the recorded rows and the chain disagree."""

    entry_no: int
    table: str
    record: str
    what: str


@dataclass(frozen=True, slots=True)
class Anchor:
    """Where a chain starts.

    The first is made with the store. A person's erasure rebuilds the store without that person's
    rows and writes a further anchor that carries the old chain's last hash and the reason.
    ``recorded_at_us`` is in microseconds since 1970, UTC.
    """

    anchor_no: int
    recorded_at_us: int
    recorded_by: str
    reason: str
    previous_hash: bytes | None

    def hash(self) -> bytes:
        """Hash the anchor's length-prefixed text."""
        previous = self.previous_hash.hex() if self.previous_hash else ""
        parts = [str(self.anchor_no), str(self.recorded_at_us), self.recorded_by, self.reason]
        encoded = [part.encode() for part in (*parts, previous)]
        return hashlib.sha256(
            b"".join(str(len(part)).encode() + b":" + part for part in encoded)
        ).digest()


def hash_texts(texts: Any) -> bytes:
    """Hash each text of an Arrow array: SHA-256 of its UTF-8 bytes, 32 bytes each, end to end.

    Raises
    ------
    ValueError
        For an array that is not of strings, or holds a null.

    Examples
    --------
    >>> import pyarrow as pa
    >>> hash_texts(pa.array(["a", "é"])) == b"".join(
    ...     hashlib.sha256(text.encode()).digest() for text in ("a", "é")
    ... )
    True
    """
    if str(texts.type) != "string" or texts.null_count:
        raise ValueError(f"texts are strings without nulls, not {texts.type}")
    if not len(texts):
        return b""
    _, offsets, data = texts.buffers()
    ends = memoryview(offsets).cast("i")[texts.offset : texts.offset + len(texts) + 1].tolist()
    whole, sha256 = memoryview(data or b""), hashlib.sha256
    return b"".join([sha256(whole[start:end]).digest() for start, end in pairwise(ends)])


def extend_chain(previous: bytes, content_hashes: bytes | memoryview) -> bytes:
    """Chain one link after another.

    Parameters
    ----------
    previous
        Hash of the last link (32 bytes).
    content_hashes
        The rows' content hashes, 32 bytes each, end to end.

    Returns
    -------
    bytes
        The links' hashes, 32 bytes each, end to end.

    Examples
    --------
    >>> two = extend_chain(bytes(32), bytes(64))
    >>> two[:32] == hashlib.sha256(bytes(64)).digest()
    True
    >>> two[32:] == hashlib.sha256(two[:32] + bytes(32)).digest()
    True
    """
    if len(previous) != HASH_BYTES or len(content_hashes) % HASH_BYTES:
        raise ValueError(f"hashes have {HASH_BYTES} bytes; got {len(previous)} before the rows'")
    sha256, head, links = hashlib.sha256, previous, bytearray()
    for start in range(0, len(content_hashes), HASH_BYTES):
        head = sha256(head + content_hashes[start : start + HASH_BYTES]).digest()
        links += head
    return bytes(links)


@dataclass(frozen=True, slots=True)
class Link:
    """One recorded row as the chain sees it: what is stored, and what its values give now."""

    entry_no: int
    table: str
    record: str
    stored_content: bytes
    content_now: bytes
    stored_chain: bytes


def find_misfit(start_hash: bytes, links: Iterable[Link]) -> Misfit | None:
    """Walk the links in order and return the first that does not fit, or None.

    Every row's values are hashed anew, so a changed cell shows, and so do rows that were added,
    removed or put in another order. Rows cut off the end show only against ``STORE.head``.
    """
    head, expected_no = start_hash, 1
    for link in links:
        what = ""
        if link.entry_no != expected_no:
            what = f"entry {expected_no} is missing or twice there"
        elif link.content_now != link.stored_content:
            what = "the values are not those that were recorded"
        else:
            head = hashlib.sha256(head + link.stored_content).digest()
            if head != link.stored_chain:
                what = "the row does not follow from the row before it"
        if what:
            return Misfit(link.entry_no, link.table, link.record, what)
        expected_no += 1
    return None


# --- the side file --------------------------------------------------------------------------------


def head_path(store_path: Path) -> Path:
    """Name the side file of a store."""
    return store_path.with_name(store_path.name + ".head")


def write_head(store_path: Path, head: Head, file_sha256: str = "") -> None:
    """Write the side file, whole or not at all, and force it to the disk.

    ``file_sha256`` is the checksum of the closed database file; it is left out while a writer has
    the file open, so that a killed writer leaves no checksum that is out of date.
    """
    path = head_path(store_path)
    draft = path.with_name(path.name + ".new")
    handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    try:
        parts = (str(head.batch_no), str(head.entry_no), head.chain_hash.hex(), file_sha256)
        os.write(handle, (" ".join(parts).rstrip() + "\n").encode())
        os.fsync(handle)
    finally:
        os.close(handle)
    draft.replace(path)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Force a folder's entries to the disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@dataclass(frozen=True, slots=True)
class SideFile:
    """What the side file says: the last commit, and the closed file's checksum where known."""

    head: Head
    file_sha256: str


_SIDE_FILE = re.compile(r"(\d{1,18}) (\d{1,18}) ([0-9a-f]{64})(?: ([0-9a-f]{64}))?\n")


def read_side_file(store_path: Path) -> SideFile | None:
    """Read the side file; None when there is none.

    Raises
    ------
    StoreError
        When it holds anything but a batch number, an entry number, a hash and a checksum.
    """
    path = head_path(store_path)
    try:
        text = path.read_text(encoding="ascii", errors="replace")
    except FileNotFoundError:
        return None
    match = _SIDE_FILE.fullmatch(text)
    if match is None:
        raise StoreError(
            f"{path.name} should hold the number of the last commit and its hash, and does not. "
            "Take it from the backup, or delete it if there is none.",
            file=str(path),
        )
    head = Head(int(match[1]), int(match[2]), bytes.fromhex(match[3]))
    return SideFile(head, match[4] or "")


def read_head(store_path: Path) -> Head | None:
    """Read the last commit that the side file knows; None when there is no side file.

    Raises
    ------
    StoreError
        As :func:`read_side_file`.
    """
    side_file = read_side_file(store_path)
    return side_file.head if side_file else None
