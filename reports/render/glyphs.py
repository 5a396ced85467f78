"""Refuses a text that the fonts cannot show, naming the place and the character."""

from __future__ import annotations

import html
import re
import unicodedata
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from matplotlib.ft2font import FT2Font

from registry.errors import RefusedInputError

_SVG_TEXT = re.compile(r"<(?:text|tspan)[^>]*>([^<]*)<")
_NEEDS_NO_GLYPH = frozenset("\n\u2060")
FONT_FOLDER_VARIABLE = "AFTERPLAQUE_FONT_DIR"
"""Environment variable that names a folder with more fonts for the PDF."""

FONT_FILES = ("*.otf", "*.ttf")


def font_paths(folder: Path) -> list[Path]:
    """The OpenType and TrueType files of a folder, in order of name."""
    return sorted(path for pattern in FONT_FILES for path in folder.glob(pattern))


def covered_characters(paths: list[Path]) -> frozenset[str]:
    """Every character that at least one of the fonts has a glyph for.

    A font that misses what another one has is completed by it, as a renderer would.
    """
    covered: set[int] = set()
    for path in paths:
        covered |= set(FT2Font(str(path)).get_charmap())
    return frozenset(map(chr, covered))


def family_names(paths: list[Path]) -> list[str]:
    """The families of the fonts, each once, in order."""
    return list(dict.fromkeys(FT2Font(str(path)).family_name for path in paths))


def texts(plain: Any, where: tuple[str, ...] = ()) -> Iterator[tuple[str, str]]:
    """Every text of a laid-out report with its place, those inside drawings too.

    >>> list(texts({"title": "A", "notes": ["b"]}))
    [('title', 'A'), ('notes 1', 'b')]
    """
    if isinstance(plain, str):
        if where and where[-1].endswith("svg"):
            for found in _SVG_TEXT.findall(plain):
                yield ", ".join(where), html.unescape(found)
        else:
            yield ", ".join(where), plain
    elif isinstance(plain, dict):
        for name, part in plain.items():
            yield from texts(part, (*where, str(name)))
    elif isinstance(plain, list):
        for place, part in enumerate(plain, start=1):
            head, last = where[:-1], where[-1] if where else ""
            yield from texts(part, (*head, f"{last} {place}".strip()))


def refuse_missing_glyphs(plain: Any, covered: frozenset[str]) -> None:
    """Raise :class:`RefusedInputError` for the first character that no font has.

    >>> refuse_missing_glyphs({"title": "abc"}, frozenset("abc"))
    """
    for place, words in texts(plain):
        for letter in words:
            if letter not in covered and letter not in _NEEDS_NO_GLYPH:
                name = unicodedata.name(letter, "no name")
                raise RefusedInputError(
                    f"The report's font has no {letter!r} (U+{ord(letter):04X}, {name}), found in "
                    f"{place}. Write it otherwise, or let the environment variable "
                    f"{FONT_FOLDER_VARIABLE} name a folder with a font (OTF or TTF) that has it. "
                    "The HTML form alone shows any character (--format html, where offered).",
                    field=place,
                    character=letter,
                )
