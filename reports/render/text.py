"""Plain text for a terminal: tables in columns, and text made safe to print."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence

_NUMBER = re.compile(r"[-−+]?\d[\d,\u2009\u202f]*(\.\d+)?\s?%?$")
_GAP = "  "


def make_printable(text: str) -> str:
    """Show control characters as escapes, so that a cell cannot move the cursor or break a line.

    Examples
    --------
    >>> make_printable("6/9\\x1b[2J")
    '6/9\\\\x1b[2J'
    """
    return "".join(
        repr(letter)[1:-1] if unicodedata.category(letter) in ("Cc", "Cf", "Zl", "Zp") else letter
        for letter in text
    )


def measure_width(text: str) -> int:
    """Count the terminal columns of a text: wide letters take two, combining marks none.

    Examples
    --------
    >>> measure_width("Größe"), measure_width("視力"), measure_width("e\\u0301")
    (5, 4, 1)
    """
    return sum(_letter_width(letter) for letter in text)


def _letter_width(letter: str) -> int:
    if unicodedata.category(letter) in ("Mn", "Me"):
        return 0
    return 2 if unicodedata.east_asian_width(letter) in ("W", "F") else 1


def _is_numeric(cells: Iterable[str]) -> bool:
    filled = [cell for cell in cells if cell not in ("", "-", "–")]
    return bool(filled) and all(_NUMBER.match(cell) for cell in filled)


def _pad(cell: str, width: int, *, to_the_right: bool) -> str:
    blanks = " " * (width - measure_width(cell))
    return blanks + cell if to_the_right else cell + blanks


def lay_out_table(headings: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Lay rows out in aligned columns under their headings.

    A column of numbers is set to the right, any other to the left. None is an empty cell; other
    values are shown by ``str``, with control characters escaped.

    Parameters
    ----------
    headings
        One heading a column.
    rows
        Rows of as many cells as there are headings.

    Returns
    -------
    str
        Lines without trailing blanks and without a newline at the end. Without rows: the headings
        and their rule.

    Raises
    ------
    ValueError
        When a row has more or fewer cells than there are headings.

    Examples
    --------
    >>> print(lay_out_table(["eye", "n"], [["right", 9], ["left", 12]]))
    eye     n
    -----  --
    right   9
    left   12
    """
    cells = [["" if cell is None else make_printable(str(cell)) for cell in row] for row in rows]
    for row in cells:
        if len(row) != len(headings):
            raise ValueError(f"a row of {len(row)} cells under {len(headings)} headings")
    columns = [[row[place] for row in cells] for place in range(len(headings))]
    titles = [make_printable(heading) for heading in headings]
    widths = [
        max(map(measure_width, [title, *column]))
        for title, column in zip(titles, columns, strict=True)
    ]
    to_the_right = [_is_numeric(column) for column in columns]
    rules = ["-" * width for width in widths]
    return "\n".join(
        _GAP.join(
            _pad(cell, width, to_the_right=right)
            for cell, width, right in zip(line, widths, to_the_right, strict=True)
        ).rstrip()
        for line in [titles, rules, *cells]
    )
