"""The parts of an XLSX file: its sheets, shared texts and number formats, within bounds.

The package is read by the standard library's zip and XML readers, bounded: a part that unpacks to
more than is sensible is refused before it fills the memory, and no document type is accepted, so
no entity can expand. What spreadsheet libraries turn into a blank without a word (an error in a
cell, a formula whose value was never worked out) stays visible here.
"""

from __future__ import annotations

import re
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import IO
from xml.parsers import expat

from registry.errors import RefusedInputError

MOST_SHEET_BYTES = 1_500_000_000
"""Unpacked bytes of one sheet, read piece by piece."""

MOST_PART_BYTES = 100_000_000
"""Unpacked bytes of a part that is kept whole (texts, formats)."""

MOST_SHEETS = 200
PIECE_BYTES = 1 << 16

_WORKBOOK = "xl/workbook.xml"
_OLD_FILE = b"\xd0\xcf\x11\xe0"
_ESCAPED = re.compile(r"_x([0-9A-Fa-f]{4})_")
_BUILT_IN = {
    **dict.fromkeys((9, 10), "%"),
    **dict.fromkeys((14, 15, 16, 17), "date"),
    **dict.fromkeys((18, 19, 20, 21, 45, 46, 47), "time"),
    22: "datetime",
}

Attributes = dict[str, str]


def local_name(name: str) -> str:
    """Leave out the prefix of an element's or attribute's name."""
    return name.rpartition(":")[2]


def unescape(text: str) -> str:
    """Read the escapes of characters that XML cannot hold.

    Examples
    --------
    >>> unescape("a_x000A_b")
    'a\\nb'
    """
    return _ESCAPED.sub(lambda m: chr(int(m[1], 16)) if int(m[1], 16) else m[0], text)


def classify_format(code: str) -> str:
    """Tell what a number format shows: "date", "time", "datetime", "%", "000" or "".

    Examples
    --------
    >>> [classify_format(code) for code in ("dd/mm/yyyy", "hh:mm", "d.m.yy h:mm", "0.00", "0000")]
    ['date', 'time', 'datetime', '', '0000']
    """
    bare = re.sub(r'"[^"]*"|\\.|_.|\*.', "", code.split(";", maxsplit=1)[0])
    lasting = bool(re.search(r"\[(h+|m+|s+)\]", bare, re.IGNORECASE))
    bare = re.sub(r"\[[^\]]*\]", "", bare).lower()
    if re.fullmatch(r"0{2,}", bare):
        return bare
    if "%" in bare:
        return "%"
    if bare == "general" or "e+" in bare or "e-" in bare:
        return ""
    has_day = bool(re.search("[yd]", bare)) or ("m" in bare and not re.search("[hs]", bare))
    has_time = lasting or bool(re.search("[hs]", bare))
    return {(True, True): "datetime", (True, False): "date", (False, True): "time"}.get(
        (has_day, has_time), ""
    )


@dataclass(frozen=True, slots=True)
class SheetPart:
    """One worksheet of the workbook."""

    name: str
    part: str
    is_hidden: bool


class XlsxPackage:
    """An open XLSX file.

    Raises
    ------
    RefusedInputError
        When it is no XLSX file, is protected by a password, or is larger than is sensible.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            with path.open("rb") as stream:
                start = stream.read(4)
            if start == _OLD_FILE:
                raise self.refuse(
                    "is an old XLS workbook or protected by a password. Save it as XLSX without one"
                )
            self._zip = zipfile.ZipFile(path)
        except (OSError, zipfile.BadZipFile, ValueError):
            raise self.refuse("cannot be read as an XLSX workbook. Save it anew as XLSX") from None

    def __enter__(self) -> XlsxPackage:
        return self

    def __exit__(self, *_: object) -> None:
        self._zip.close()

    def refuse(self, what: str) -> RefusedInputError:
        """Make the refusal of this file; ``what`` follows its name."""
        return RefusedInputError(f"{self.path.name} {what}.", file=self.path.name)

    def _read_pieces(self, part: str, most: int) -> Iterator[bytes]:
        try:
            with self._zip.open(part) as stream:
                yield from self._bounded(stream, part, most)
        except (OSError, EOFError, zipfile.BadZipFile, zlib.error, RuntimeError):
            raise self.refuse(f"is damaged in {part}. Save it anew as XLSX") from None
        except KeyError:
            raise self.refuse(f"lacks the part {part}. Save it anew as XLSX") from None

    def _bounded(self, stream: IO[bytes], part: str, most: int) -> Iterator[bytes]:
        size = 0
        while piece := stream.read(PIECE_BYTES):
            size += len(piece)
            if size > most:
                raise self.refuse(
                    f"unpacks to more than {most // 1_000_000} MB in {part}. Split the table, or "
                    "save it as CSV UTF-8"
                )
            yield piece

    def parse(
        self,
        part: str,
        *,
        start: Callable[[str, Attributes], None],
        end: Callable[[str], None] | None = None,
        text: Callable[[str], None] | None = None,
        most: int | None = None,
    ) -> Iterator[None]:
        """Parse one part piece by piece; yields after each piece.

        The handlers get local names.
        """
        parser = expat.ParserCreate()
        parser.buffer_text = True

        def refuse_type(*_: object) -> None:
            raise self.refuse(f"declares a document type in {part}, which no workbook does")

        parser.StartDoctypeDeclHandler = refuse_type
        parser.StartElementHandler = lambda name, attributes: start(
            name if ":" not in name else local_name(name), attributes
        )
        if end is not None:
            close = end
            parser.EndElementHandler = lambda name: close(
                name if ":" not in name else local_name(name)
            )
        if text is not None:
            parser.CharacterDataHandler = text
        try:
            for piece in self._read_pieces(part, most or MOST_PART_BYTES):
                parser.Parse(piece, False)
                yield
            parser.Parse(b"", True)
            yield
        except expat.ExpatError:
            raise self.refuse(f"is damaged in {part}. Save it anew as XLSX") from None

    def _parse_whole(self, part: str, start: Callable[[str, Attributes], None]) -> None:
        for _ in self.parse(part, start=start):
            pass

    @cached_property
    def _has(self) -> frozenset[str]:
        return frozenset(self._zip.namelist())

    @cached_property
    def _workbook(self) -> tuple[list[SheetPart], bool]:
        targets: dict[str, str] = {}

        def note_target(name: str, attributes: Attributes) -> None:
            if name == "Relationship" and attributes.get("TargetMode") != "External":
                target = attributes.get("Target", "")
                absolute = target.startswith("/")
                targets[attributes.get("Id", "")] = target[1:] if absolute else f"xl/{target}"

        self._parse_whole("xl/_rels/workbook.xml.rels", note_target)
        sheets: list[SheetPart] = []
        epochs: list[str] = []

        def note_sheet(name: str, attributes: Attributes) -> None:
            if name == "workbookPr":
                epochs.append(attributes.get("date1904", "0"))
            if name == "sheet":
                where = next((v for k, v in attributes.items() if local_name(k) == "id"), "")
                hidden = attributes.get("state", "visible") != "visible"
                part = targets.get(where, "")
                if "worksheets" in part or part in self._has:
                    sheets.append(SheetPart(attributes.get("name", ""), part, hidden))

        self._parse_whole(_WORKBOOK, note_sheet)
        if len(sheets) > MOST_SHEETS:
            raise self.refuse(f"has more than {MOST_SHEETS} sheets")
        return sheets, any(epoch in ("1", "true") for epoch in epochs)

    @property
    def sheets(self) -> list[SheetPart]:
        """The worksheets in order, the hidden ones too."""
        return [s for s in self._workbook[0] if "chartsheets" not in s.part]

    @property
    def counts_from_1904(self) -> bool:
        """Whether day numbers count from 1904-01-01."""
        return self._workbook[1]

    @cached_property
    def texts(self) -> list[str]:
        """The shared texts; formatting inside a text and phonetic guides are left out."""
        if "xl/sharedStrings.xml" not in self._has:
            return []
        texts: list[str] = []
        parts: list[str] = []
        state = {"in_text": False, "in_guide": False}

        def start(name: str, _: Attributes) -> None:
            if name == "si":
                parts.clear()
            elif name == "rPh":
                state["in_guide"] = True
            elif name == "t":
                state["in_text"] = not state["in_guide"]

        def end(name: str) -> None:
            if name == "si":
                texts.append(unescape("".join(parts)))
            elif name == "rPh":
                state["in_guide"] = False
            elif name == "t":
                state["in_text"] = False

        def add(text: str) -> None:
            if state["in_text"]:
                parts.append(text)

        for _ in self.parse("xl/sharedStrings.xml", start=start, end=end, text=add):
            pass
        return texts

    @cached_property
    def formats(self) -> list[str]:
        """What each cell style shows, see :func:`classify_format`."""
        if "xl/styles.xml" not in self._has:
            return []
        own: dict[int, str] = {}
        shown: list[str] = []
        inside: list[str] = []

        def start(name: str, attributes: Attributes) -> None:
            if name in ("cellXfs", "cellStyleXfs"):
                inside.append(name)
            if name == "numFmt":
                number = int(attributes.get("numFmtId", "0") or 0)
                own[number] = classify_format(attributes.get("formatCode", ""))
            if name == "xf" and inside[-1:] == ["cellXfs"]:
                number = int(attributes.get("numFmtId", "0") or 0)
                shown.append(own.get(number, _BUILT_IN.get(number, "")))

        try:
            self._parse_whole("xl/styles.xml", start)
        except ValueError:
            raise self.refuse("is damaged in xl/styles.xml. Save it anew as XLSX") from None
        return shown
