"""Folders of files that are made whole or not at all, with their checksums in ``SHA256SUMS``.

The list is in the form of the tool ``sha256sum``, so that anyone can check a folder with
``sha256sum -c SHA256SUMS``.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from registry.engine.chain import sync_folder
from registry.errors import StoreError

SUMS = "SHA256SUMS"
_LINE = re.compile(r"([0-9a-f]{64})  ([\w.-]+)")


def write_private(path: Path, content: bytes) -> None:
    """Write a new file readable by its owner alone, and force it to the disk."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


@contextmanager
def new_folder(out: Path) -> Iterator[Callable[[str, bytes], None]]:
    """Make a folder from the files that the block writes by the function it is given.

    The folder stands beside its place as ``OUT.draft`` until every file and the list of checksums
    are on the disk; then it is renamed. A draft that a killed process left is removed.

    Raises
    ------
    StoreError
        When ``out`` exists, its parent does not, or the disk is full; nothing is left then.
    """
    if not out.parent.is_dir():
        raise StoreError(f"There is no folder {out.parent}. Make it first.", file=str(out))
    if out.exists():
        raise StoreError(
            f"{out} exists already; nothing was written. Choose another place.", file=str(out)
        )
    draft = out.with_name(out.name + ".draft")
    sums: dict[str, str] = {}

    def write(name: str, content: bytes) -> None:
        write_private(draft / name, content)
        sums[name] = hashlib.sha256(content).hexdigest()

    try:
        shutil.rmtree(draft, ignore_errors=True)
        draft.mkdir(mode=0o700)
        yield write
        lines = "".join(f"{digest}  {name}\n" for name, digest in sorted(sums.items()))
        write_private(draft / SUMS, lines.encode())
        sync_folder(draft)
        draft.rename(out)
        sync_folder(out.parent)
    except OSError as failure:
        shutil.rmtree(draft, ignore_errors=True)
        raise StoreError(
            f"{out} could not be written ({failure.strerror}); nothing of it was kept.",
            file=str(out),
        ) from None
    except BaseException:
        shutil.rmtree(draft, ignore_errors=True)
        raise


def read_sums(folder: Path, what: str = "backup") -> dict[str, str]:
    """Read the list of checksums of a folder.

    Raises
    ------
    StoreError
        When there is no such folder or list, or a line of it is not in the form.
    """
    path = folder / SUMS
    try:
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError as failure:
        raise StoreError(
            f"{path} cannot be read ({failure.strerror}): {folder} is not a whole {what}.",
            file=str(path),
        ) from None
    matches = [_LINE.fullmatch(line) for line in lines]
    if not all(matches) or not matches:
        raise StoreError(f"{path} is damaged: it lists no checksums.", file=str(path))
    return {match[2]: match[1] for match in matches if match}


def read_checked(folder: Path, name: str, sums: dict[str, str], what: str = "backup") -> bytes:
    """Read one file of a folder and check it; StoreError naming the file when it is not whole."""
    taken = "restored" if what == "backup" else "taken"
    path = folder / name
    try:
        content = path.read_bytes()
    except OSError as failure:
        raise StoreError(
            f"{path} cannot be read ({failure.strerror}). Nothing was {taken}.", file=str(path)
        ) from None
    if hashlib.sha256(content).hexdigest() != sums.get(name):
        raise StoreError(
            f"{path} is not the file that was written: its checksum differs. Nothing was {taken}; "
            f"use another copy of this {what}.",
            file=str(path),
        )
    return content
