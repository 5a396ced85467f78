"""Texts that people give beside records: who records, why, which centre.

They stand in every report, history and manifest, so they hold no line break and no character that
cannot be seen: a direction mark or an escape sequence would make a page show something else.
"""

from __future__ import annotations

import unicodedata

from registry.errors import RefusedInputError

LONGEST_NAME = 200
LONGEST_REASON = 1000
_UNSEEN = ("Cc", "Cf", "Cs", "Zl", "Zp")
"""Control, format, broken (not UTF-8) and line separator characters, as in text fields."""


def find_unseen(text: str) -> str | None:
    """Find the first character that cannot be seen, shown by its code.

    Examples
    --------
    >>> find_unseen("Our department"), find_unseen("a\\nb"), find_unseen("x\\u202ey")
    (None, 'U+000A', 'U+202E')
    """
    for letter in text:
        if unicodedata.category(letter) in _UNSEEN:
            return f"U+{ord(letter):04X}"
    return None


def check_free_text(text: str, *, what: str, option: str, longest: int = LONGEST_NAME) -> str:
    """Return the text without blanks around it.

    Raises
    ------
    RefusedInputError
        When it holds a line break or another character that cannot be seen, or is too long.

    Examples
    --------
    >>> check_free_text(" ana ", what="The name", option="--by")
    'ana'
    """
    trimmed = text.strip()
    unseen = find_unseen(trimmed)
    if unseen is not None:
        raise RefusedInputError(
            f"{what} holds a line break or a character that cannot be seen ({unseen}). Write it in "
            "one line, by hand.",
            option=option,
            character=unseen,
        )
    if len(trimmed) > longest:
        raise RefusedInputError(
            f"{what} has {len(trimmed)} characters; {longest} are allowed. Shorten it.",
            option=option,
        )
    return trimmed


def check_recorder(by: str) -> str:
    """Return the name of who records, checked."""
    return check_free_text(by, what="The name of who records this", option="--by")


def check_reason(why: str) -> str:
    """Return the reason, checked."""
    return check_free_text(why, what="The reason", option="--why", longest=LONGEST_REASON)
