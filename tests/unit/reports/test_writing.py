"""Files that a command writes: whole or not at all, and a medium that cannot be written is told."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import pytest

from registry.errors import RefusedInputError
from reports.writing import write_whole


def test_a_read_only_medium_is_told_and_is_no_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a read-only file system making a file and removing one fail alike, absent or not."""

    def refuse(*_: Any, **__: Any) -> Any:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(os, "open", refuse)
    monkeypatch.setattr(Path, "unlink", refuse)
    with pytest.raises(RefusedInputError, match=r"w\.xlsx could not be written: Read-only"):
        write_whole(tmp_path / "w.xlsx", b"content")


def test_a_file_is_whole_or_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "new folder" / "rows.csv"
    write_whole(path, b"first")
    assert (path.read_bytes(), path.stat().st_mode & 0o777) == (b"first", 0o600)

    def fill_up(*_: Any) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(Path, "replace", fill_up)
    with pytest.raises(RefusedInputError, match="No space left"):
        write_whole(path, b"second")
    assert path.read_bytes() == b"first"
    assert list(path.parent.iterdir()) == [path]
