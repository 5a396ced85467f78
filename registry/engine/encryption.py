"""Encryption of the registry file: the key, and the engine's cryptography.

The database engine encrypts only with a cryptography module that it loads as an extension; without
it a new registry is refused encryption rather than given a weak one. Encryption of the whole disk
by the operating system is the ordinary choice.
"""

from __future__ import annotations

import os
import secrets
from pathlib import Path
from typing import Any

from registry.errors import StoreError

KEY_FILE_VARIABLE = "AFTERPLAQUE_KEY_FILE"
"""Environment variable that names the key's file where it is not beside the registry."""


class EncryptedStoreError(StoreError):
    """The registry is encrypted and no key was given."""


def key_path(store_path: Path) -> Path:
    """Name the file that holds a registry's key."""
    named = os.environ.get(KEY_FILE_VARIABLE)
    return Path(named) if named else store_path.with_name(store_path.name + ".key")


def make_key(path: Path) -> str:
    """Draw a random 256-bit key and write it to a new file readable by its owner alone.

    A pass phrase would be weaker: the engine derives the key without any slowing down, so short
    phrases can be tried by the thousand.
    """
    key = secrets.token_hex(32)
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except OSError as failure:
        raise StoreError(
            f"The key file {path.name} cannot be made ({failure.strerror}). An existing key is "
            "never overwritten: move it away if it belongs to no registry.",
            file=str(path),
        ) from None
    with os.fdopen(handle, "w", encoding="ascii") as file:
        file.write(key + "\n")
        file.flush()
        os.fsync(file.fileno())
    return key


def read_key(store_path: Path) -> str | None:
    """Read the key of a registry; None when there is no key file."""
    try:
        return key_path(store_path).read_text(encoding="ascii").strip() or None
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError):
        raise StoreError(
            f"The key file {key_path(store_path).name} cannot be read. It should hold one line, "
            "readable by you alone.",
            file=str(key_path(store_path)),
        ) from None


def load_cryptography(connection: Any) -> None:
    """Load the engine's cryptography module, or refuse.

    Raises
    ------
    StoreError
        When the module is not installed for this version of the engine; nothing is fetched.
    """
    import duckdb

    try:
        connection.execute("SET autoinstall_known_extensions = false").fetchall()
        connection.execute("LOAD httpfs").fetchall()
    except duckdb.Error:
        raise StoreError(
            "The database engine cannot write encrypted files here: its cryptography module "
            "(the extension httpfs, built for the installed engine) is not installed. Nothing was "
            "made. Keep the registry on a disk that the operating system encrypts, or have the "
            "extension installed and try again.",
            option="--encrypt",
        ) from None


def check_cryptography() -> None:
    """Refuse, as :func:`load_cryptography` does, before anything is made."""
    import duckdb

    connection = duckdb.connect()
    try:
        load_cryptography(connection)
    finally:
        connection.close()
