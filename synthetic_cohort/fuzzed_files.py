"""Real exports, damaged at random: what a file can suffer between one program and another.

Each mutation takes bytes and a Generator and gives bytes; nothing else decides what happens, so a
seed names a file for good.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable, Sequence

import numpy as np

INJECTIONS = (
    '=HYPERLINK("x","y")',
    "=cmd|' /C calc'!A0",
    "@SUM(1+1)*cmd|' /C calc'!A0",
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "'; DROP TABLE patient_version; --",
    "' OR '1'='1",
    "P1'); DELETE FROM visit_version; --",
    "{{7*7}}",
    "${jndi:ldap}",
    "../../../etc/passwd",
)
"""Texts that a spreadsheet, a browser, a database or a template would run."""

_ODD_CELLS = (
    *INJECTIONS,
    *("1e5", "0x10", "1_000", "inf", "-inf", "nan", "NaN", "1 000", "−5", "+5", "5.", ".5", "05"),
    *("1,5", "1.234,5", "1,234.5", "97.5", "١٢", "²", "½", "1e-400", "9" * 40, "-0", "0", "00"),
    *("2024-02-30", "24-05-06", "2024-5-6", "05/06/2024", "06.05.24", "2024-05-06T00:00", "today"),
    *("epoch", "infinity", "2024-05-06Z", "9999-12-31", "0001-01-01", "45418", "2024-13-01"),
    *(
        "OD",
        "Right",
        "right ",
        " right",
        "RIGHT",
        "rıght",
        "left\u200b",
        "right\u00a0",
        "r\u0456ght",
    ),
    *("\ufeff", "\u202edlog", "\x07", "\x1b[2J", "é" * 300, "a" * 5000, '"', '""', "'", ",", ";"),
    *("NULL", "None", "n/a", "-", "?", "#N/A", "#REF!", "TRUE", "6/0", "20/0", "1.0", "6/9-99"),
)

Mutation = Callable[[bytes, np.random.Generator], bytes]


def _pick(rng: np.random.Generator, n: int) -> int:
    return int(rng.integers(max(1, n)))


def change_byte(data: bytes, rng: np.random.Generator) -> bytes:
    """Change up to five bytes."""
    changed = bytearray(data)
    for _ in range(1 + _pick(rng, 5)):
        changed[_pick(rng, len(changed))] = _pick(rng, 256)
    return bytes(changed)


def drop_piece(data: bytes, rng: np.random.Generator) -> bytes:
    """Leave a piece out."""
    start = _pick(rng, len(data))
    return data[:start] + data[start + 1 + _pick(rng, 60) :]


def cut_short(data: bytes, rng: np.random.Generator) -> bytes:
    """Cut the end off."""
    return data[: _pick(rng, len(data))]


def _edit_lines(
    data: bytes, rng: np.random.Generator, edit: Callable[[list[bytes], int], None]
) -> bytes:
    lines = data.split(b"\n")
    edit(lines, _pick(rng, len(lines)))
    return b"\n".join(lines)


def repeat_line(data: bytes, rng: np.random.Generator) -> bytes:
    """Write a line twice, or the heading again."""

    def edit(lines: list[bytes], at: int) -> None:
        lines.insert(at, lines[0] if rng.random() < 0.4 else lines[at])

    return _edit_lines(data, rng, edit)


def swap_lines(data: bytes, rng: np.random.Generator) -> bytes:
    """Exchange two lines; the heading may go astray."""
    other = int(rng.integers(1_000_000))

    def edit(lines: list[bytes], at: int) -> None:
        place = other % len(lines)
        lines[at], lines[place] = lines[place], lines[at]

    return _edit_lines(data, rng, edit)


def replace_cells(data: bytes, rng: np.random.Generator) -> bytes:
    """Put an odd text into up to three cells, quoted or not."""

    def edit(lines: list[bytes], at: int) -> None:
        cells = lines[at].split(b",")
        text = _ODD_CELLS[_pick(rng, len(_ODD_CELLS))]
        if rng.random() < 0.5:
            text = '"' + text.replace('"', '""') + '"'
        cells[_pick(rng, len(cells))] = text.encode()
        lines[at] = b",".join(cells)

    for _ in range(1 + _pick(rng, 3)):
        data = _edit_lines(data, rng, edit)
    return data


def insert_marks(data: bytes, rng: np.random.Generator) -> bytes:
    """Put quotes, marks, line ends or NULs in."""
    marks = (b'"', b",", b";", b"\t", b"\r", b"\n", b"\0", b'","', b'\n"', b"\xff", b"\xe2\x80")
    for _ in range(1 + _pick(rng, 4)):
        at = _pick(rng, len(data) + 1)
        data = data[:at] + marks[_pick(rng, len(marks))] + data[at:]
    return data


def change_marks(data: bytes, rng: np.random.Generator) -> bytes:
    """Write other marks, line ends or another encoding."""
    choice = _pick(rng, 7)
    if choice == 0:
        return data.replace(b",", b";")
    if choice == 1:
        return data.replace(b",", b"\t")
    if choice == 2:
        return data.replace(b"\n", b"\r\n" if rng.random() < 0.5 else b"\r")
    text = data.decode("utf-8", errors="replace")
    codec = ("utf-16", "utf-16-le", "utf-8-sig", "cp1252")[choice - 3]
    return text.encode(codec, errors="replace")


def change_heading(data: bytes, rng: np.random.Generator) -> bytes:
    """Rename, repeat, blank or drop a heading; the cells stay."""
    heading, _, rest = data.partition(b"\n")
    names = heading.split(b",")
    at, other = _pick(rng, len(names)), _pick(rng, len(names))
    forms = (names[at].upper(), names[other], b"", b"x", names[at] + b" (mm)", b"sep=;")
    names[at] = forms[_pick(rng, len(forms))]
    return b",".join(names) + b"\n" + rest


TEXT_MUTATIONS: tuple[Mutation, ...] = (
    change_byte,
    drop_piece,
    cut_short,
    repeat_line,
    swap_lines,
    replace_cells,
    replace_cells,
    replace_cells,
    insert_marks,
    change_marks,
    change_heading,
)


def _mutate_sheet(xml: bytes, rng: np.random.Generator) -> bytes:
    """Change values, kinds, styles or references of cells in a sheet's XML."""
    cells = list(re.finditer(rb"<c [^>]*?(?:/>|>.*?</c>)", xml))
    if not cells:
        return xml
    cell = cells[_pick(rng, len(cells))]
    text = _ODD_CELLS[_pick(rng, len(_ODD_CELLS))]
    safe = re.sub(r"[\x00-\x1f]", "", text).replace("&", "&amp;").replace("<", "&lt;")
    place = re.search(rb' r="([A-Z]+\d+)"', cell[0])
    at = place[1] if place else b"A2"
    forms = (
        b'<c r="%s" t="inlineStr"><is><t>%s</t></is></c>' % (at, safe.encode()),
        b'<c r="%s"><v>%s</v></c>' % (at, safe.encode()),
        b'<c r="%s" t="e"><v>#N/A</v></c>' % at,
        b'<c r="%s"><f>1+1</f></c>' % at,
        b'<c r="%s" t="b"><v>1</v></c>' % at,
        b'<c r="%s" s="%d"><v>%d.5</v></c>' % (at, _pick(rng, 9), _pick(rng, 60_000)),
        b'<c r="%s" t="s"><v>%d</v></c>' % (at, _pick(rng, 5_000)),
        b'<c r="XFD9"><v>1</v></c>',
        b"",
    )
    return xml[: cell.start()] + forms[_pick(rng, len(forms))] + xml[cell.end() :]


def mutate_workbook(data: bytes, rng: np.random.Generator) -> bytes:
    """Damage a workbook: cells of a sheet, bytes of a part, or bytes of the package."""
    if rng.random() < 0.15:
        return change_byte(data, rng) if rng.random() < 0.7 else cut_short(data, rng)
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        sheets = [name for name in old.namelist() if "worksheets/sheet" in name]
        target = sheets[_pick(rng, len(sheets))]
        if rng.random() < 0.15:
            target = old.namelist()[_pick(rng, len(old.namelist()))]
        for name in old.namelist():
            part = old.read(name)
            if name == target and name in sheets:
                for _ in range(1 + _pick(rng, 3)):
                    part = _mutate_sheet(part, rng)
            elif name == target and part:
                part = change_byte(part, rng)
            new.writestr(name, part)
    return out.getvalue()


def mutate_text(data: bytes, rng: np.random.Generator) -> bytes:
    """Damage a text file by one to three mutations."""
    for _ in range(1 + _pick(rng, 3)):
        if data:
            data = TEXT_MUTATIONS[_pick(rng, len(TEXT_MUTATIONS))](data, rng)
    return data


def choose(items: Sequence[str], rng: np.random.Generator) -> str:
    """Choose one."""
    return items[_pick(rng, len(items))]
