"""Files that a command writes: whole or not at all, and never over another without being asked."""

from __future__ import annotations

import os
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from registry.errors import RefusedInputError


def refuse_overwriting(paths: Iterable[Path], *, force: bool) -> None:
    """Refuse when a file exists already and overwriting was not asked for.

    Raises
    ------
    RefusedInputError
        Naming the file, and ``--force``.
    """
    for path in paths:
        if path.exists() and not force:
            raise RefusedInputError(
                f"{path} exists already; nothing was written. Choose another place, or --force.",
                file=str(path),
            )


def write_whole(path: Path, content: bytes) -> None:
    """Write a file whole: beside its place first, then moved there; 0600, as it may hold patients.

    Raises
    ------
    RefusedInputError
        When the folder cannot be made or written.
    """
    draft = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as file:
            file.write(content)
        draft.replace(path)
    except OSError as error:
        with suppress(OSError):  # a medium that is read only refuses this too
            draft.unlink(missing_ok=True)
        raise RefusedInputError(
            f"{path} could not be written: {error.strerror}.", file=str(path)
        ) from None
