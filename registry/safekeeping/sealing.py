"""Sealing files of a backup: AES-256-GCM by the library ``cryptography``, an optional extra.

A sealed file is 12 random bytes (the nonce) and the ciphertext with its tag. The file's name is
authenticated with it, so one sealed file cannot stand in for another.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import Any

from registry.engine.encryption import make_key
from registry.errors import StoreError

ENDING = ".sealed"
_NONCE_BYTES = 12


def _load_cipher() -> Any:
    try:
        from cryptography.hazmat.primitives.ciphers.aead import AESGCM
    except ImportError:
        raise StoreError(
            "Sealed backups need the library cryptography, which is not installed: "
            "python3 -m pip install 'afterplaque[encrypt]'. Nothing was made. Without it, keep "
            "backups on a disk that the operating system encrypts.",
            option="--key-file",
        ) from None
    return AESGCM


def read_or_make_key(path: Path, *, make: bool) -> bytes:
    """Read a 256-bit key from its file, or draw one into a new file readable by its owner alone.

    Raises
    ------
    StoreError
        When there is none and ``make`` is false, when others may read it, or it is no such key.
    """
    if make and not path.exists():
        return bytes.fromhex(make_key(path))
    try:
        is_open = bool(stat.S_IMODE(path.stat().st_mode) & 0o077)
        text = path.read_text(encoding="ascii").strip()
        key = bytes.fromhex(text)
    except OSError as failure:
        raise StoreError(
            f"The key file {path} cannot be read ({failure.strerror}).", file=str(path)
        ) from None
    except ValueError:
        key = b""
    if len(key) != 32:
        raise StoreError(
            f"The key file {path} should hold one line of 64 hexadecimal digits.", file=str(path)
        )
    if is_open:
        raise StoreError(
            f"The key file {path} can be read by others. Make it yours alone: chmod 600.",
            file=str(path),
        )
    return key


def make_sealer(key_file: Path, *, make: bool) -> Sealer:
    """Make a sealer from a key's file; a missing library is told before any key is drawn."""
    _load_cipher()
    return Sealer(read_or_make_key(key_file, make=make))


class Sealer:
    """Seals and opens the files of one backup with one key.

    Raises
    ------
    StoreError
        When the library is not installed.
    """

    def __init__(self, key: bytes) -> None:
        self._cipher = _load_cipher()(key)

    def seal(self, name: str, content: bytes) -> bytes:
        """Encrypt a file's content under its name."""
        nonce = os.urandom(_NONCE_BYTES)
        sealed: bytes = self._cipher.encrypt(nonce, content, name.encode())
        return nonce + sealed

    def open(self, name: str, sealed: bytes) -> bytes:
        """Decrypt a file's content; StoreError when the key is another or a byte was changed."""
        from cryptography.exceptions import InvalidTag

        try:
            content: bytes = self._cipher.decrypt(
                sealed[:_NONCE_BYTES], sealed[_NONCE_BYTES:], name.encode()
            )
        except (InvalidTag, ValueError):
            raise StoreError(
                f"{name} cannot be opened with this key: it is another key, or the file was "
                "changed. Nothing was restored.",
                file=name,
            ) from None
        return content
