"""Pseudonyms: a keyed hash of a department's own identifiers.

HMAC-SHA-256 (RFC 2104) of the identifier under a random 256-bit key, its first 60 bits written in
the base-32 alphabet without I, L, O and U (Crockford), in groups of four: ``P-7K2M-9QXA-04TD``. The
same identifier and key give the same pseudonym for ever; without the key neither leads to the
other, and trying all hospital numbers is of no use. The key is kept outside the registry; the
identifier is never written anywhere.
"""

from __future__ import annotations

import hashlib
import hmac
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass

from registry.errors import RefusedInputError

ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_SYMBOLS, _GROUP = 12, 4


def normalise(identifier: str) -> str:
    """Bring an identifier to the form that is hashed: NFKC, upper case, no blanks around.

    Blanks, hyphens and leading zeros within it count: ``12-3`` and ``1-23`` are two people.

    Examples
    --------
    >>> normalise(" ab-0012 ")
    'AB-0012'
    """
    return unicodedata.normalize("NFKC", identifier).strip().upper()


def make_pseudonym(identifier: str, key: bytes, *, prefix: str = "P") -> str:
    """Make the pseudonym of one identifier.

    Raises
    ------
    ValueError
        When the identifier is blank (it is not shown) or the key is no 256-bit key.

    Examples
    --------
    >>> make_pseudonym("ab-0012", bytes(32)) == make_pseudonym(" AB-0012", bytes(32))
    True
    """
    text = normalise(identifier)
    if not text or len(key) != 32:
        raise ValueError("a pseudonym takes an identifier that is not blank and a key of 32 bytes")
    digest = hmac.new(key, text.encode(), hashlib.sha256).digest()
    number = int.from_bytes(digest[:8], "big") >> 4
    symbols = "".join(ALPHABET[number >> (5 * place) & 31] for place in reversed(range(_SYMBOLS)))
    groups = [symbols[start : start + _GROUP] for start in range(0, _SYMBOLS, _GROUP)]
    return "-".join([prefix, *groups])


def name_key(key: bytes) -> str:
    """Return a short fingerprint of a key, to tell keys apart; it reveals nothing of the key."""
    return hmac.new(key, b"fingerprint of this key", hashlib.sha256).hexdigest()[:8]


@dataclass(frozen=True, slots=True)
class Pseudonyms:
    """Pseudonyms in the order of the identifiers; None for a blank line."""

    in_order: tuple[str | None, ...]
    distinct: int


def make_pseudonyms(lines: Iterable[str], key: bytes, *, prefix: str = "P") -> Pseudonyms:
    """Make the pseudonyms of many identifiers, and check that no two people share one.

    Among 100 000 people the chance that any two share one is about 4e-9 (birthday bound, 2^60).

    Raises
    ------
    RefusedInputError
        When two different identifiers have the same pseudonym, naming their line numbers alone.
    """
    made: list[str | None] = []
    first_line: dict[str, tuple[int, str]] = {}
    for number, line in enumerate(lines, start=1):
        text = normalise(line)
        if not text:
            made.append(None)
            continue
        pseudonym = make_pseudonym(text, key, prefix=prefix)
        earlier, known = first_line.setdefault(pseudonym, (number, text))
        if known != text:
            raise RefusedInputError(
                f"The identifiers of lines {earlier} and {number} have the same pseudonym. Give "
                "one of the two people a pseudonym by hand.",
                row=number,
            )
        made.append(pseudonym)
    return Pseudonyms(tuple(made), len(first_line))
