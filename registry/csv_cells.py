"""Cells of CSV files that a spreadsheet program will open.

A spreadsheet takes a cell that begins with ``=``, ``+``, ``-`` or ``@`` for a formula, and may run
it; such a text, unless it is a plain number, gets an apostrophe before it. Every CSV file of this
program that can hold a registry's texts is written through :func:`defuse`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

_FORMULA = re.compile(r"[\s\x00]*[=+\-@＝＋－＠|%]|[\t\r\n]")
_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?")


def defuse(text: str) -> str:
    """Put an apostrophe before a text that a spreadsheet would take for a formula.

    Examples
    --------
    >>> defuse("=1+1"), defuse("-0.1"), defuse("6/9")
    ("'=1+1", '-0.1', '6/9')
    """
    return "'" + text if _FORMULA.match(text) and not _NUMBER.fullmatch(text) else text


def defuse_row(cells: Iterable[object]) -> list[object]:
    """Defuse the texts of a row; anything else stays as it is.

    Examples
    --------
    >>> defuse_row(["@x", -1.5, None])
    ["'@x", -1.5, None]
    """
    return [defuse(cell) if isinstance(cell, str) else cell for cell in cells]
