"""DuckDB's refusals in the words of someone who keeps a registry, without the values they quote."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import duckdb

from registry.engine.encryption import KEY_FILE_VARIABLE, EncryptedStoreError
from registry.errors import MendableError, RefusedInputError, StoreBusyError, StoreError

_CHECK = re.compile(r"CHECK constraint failed on table \S+ with expression CHECK\((.*)\)", re.S)
_NOT_NULL = re.compile(r"NOT NULL constraint failed: \w+\.(\w+)")

_DAMAGE = (
    "checksum",
    "Corrupt",
    "replaying WAL",
    "Could not read enough bytes",
    "does not match database file",
    "Computed AES tag",
)


_NO_ROOM = ("No space left", "File too large", "Disk quota exceeded")


def _damaged(path: Path) -> StoreError:
    return StoreError(
        f"The registry {path.name} is damaged. Do not delete any of its files, and do not write "
        f"to it. Copy all of {path.name}* to a safe place, then put the copy {path.name}.previous "
        "(made before the last spell of writing) or the newest backup in its place.",
        file=str(path),
    )


def word_damage(error: BaseException, path: Path) -> StoreError | None:
    """Word what DuckDB says when it comes upon a damaged block; None for any other error.

    Damage shows only when the block is read, so any query may meet it.
    """
    is_damage = isinstance(error, duckdb.Error) and any(sign in str(error) for sign in _DAMAGE)
    return _damaged(path) if is_damage else None


def _full(path: Path, *, is_committed: bool) -> StoreError:
    kept = (
        "Everything that was recorded is kept; make room before the next use."
        if is_committed
        else "Nothing of this was recorded. Make room and do it again."
    )
    return StoreError(f"The disk that holds {path.name} is full. {kept}", file=str(path))


_OPENING: tuple[tuple[tuple[str, ...], type[StoreError], str], ...] = (
    (
        # the second: what the engine says of .csv, .json and .parquet, which it reads as tables
        ("not a valid DuckDB database file", "Cannot launch in-memory database"),
        StoreError,
        "{0} is not a registry: it is no database file. Give the path of a file that "
        "`afterplaque init` made.",
    ),
    (
        ("Conflicting lock", "different configuration"),
        StoreBusyError,
        "The registry {0} is held open by another program. Close it there and try again.",
    ),
    (
        ("database file with version number",),
        StoreError,
        "The registry {0} was written by a newer database engine than this program has. Install "
        "the newer program; nothing was changed.",
    ),
    (
        ("without a key",),
        EncryptedStoreError,
        "The registry {0} is encrypted. Put its key into {0}.key, or name the key's file in "
        f"{KEY_FILE_VARIABLE}.",
    ),
    (
        ("encryption key", "valid key"),
        StoreError,
        "The registry {0} is encrypted with another key than the one given.",
    ),
)
"""What the engine says when it does not open a file, and how it is worded."""


def word_open_error(error: Exception, path: Path) -> StoreError:
    """Word what DuckDB says when a file cannot be opened."""
    text = str(error)
    for signs, kind, worded in _OPENING:
        if any(sign in text for sign in signs):
            return kind(worded.format(path.name), file=str(path))
    if any(sign in text for sign in _DAMAGE):
        return _damaged(path)
    if any(sign in text for sign in _NO_ROOM):
        return _full(path, is_committed=True)
    first_line = text.splitlines()[0] if text else type(error).__name__
    return StoreError(
        f"The registry {path.name} cannot be opened: {first_line} Check the path and who may "
        "read and write it.",
        file=str(path),
    )


def word_write_error(
    error: Exception, path: Path, *, table: str | None = None, is_committed: bool = False
) -> MendableError:
    """Word what DuckDB says when rows cannot be written; quotes no value of a row."""
    text = str(error)
    where: dict[str, Any] = {"file": str(path)} | ({"table": table} if table else {})
    if any(sign in text for sign in _NO_ROOM):
        return _full(path, is_committed=is_committed)
    if any(sign in text for sign in _DAMAGE):
        return _damaged(path)
    if "Failed to commit" in text or "write-write conflict" in text:
        return StoreError(
            "Someone else recorded a new version meanwhile, so nothing of this was recorded. "
            "Look at the records again (`afterplaque history`) and repeat what is still needed.",
            **where,
        )
    if table is None:
        return StoreError(
            f"The registry {path.name} could not be written ({type(error).__name__}). Nothing of "
            "this was recorded.",
            **where,
        )
    return RefusedInputError(f"Table {table}: {_word_refused_row(text)}", **where)


def _word_refused_row(text: str) -> str:
    if match := _CHECK.search(text):
        return f"a value breaks the store's check {match[1]}. Nothing was recorded."
    if match := _NOT_NULL.search(text):
        return f"{match[1]} must not be blank. Nothing was recorded."
    if "foreign key" in text:
        return "a row refers to a record that does not exist. Nothing was recorded."
    if "uplicate key" in text:
        return "a record with this key is there already. Nothing was recorded."
    return "a value does not fit its field. Nothing was recorded."
