"""The report with every number worded and every figure drawn: what both templates read.

The result is plain (dicts, lists, text), so a template decides looks only and never wording.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import asdict
from typing import Any

from registry.csv_cells import defuse
from reports.audience.suppression import publish
from reports.figures.canvas import Drawing
from reports.figures.describe import alternative_text, notes
from reports.figures.draw import draw
from reports.page.document import (
    Block,
    BulletList,
    Figure,
    Heading,
    KeyFigures,
    Note,
    Paragraph,
    Report,
    Row,
    Section,
    Table,
    numbered,
)
from reports.page.numbers_behind import numbers_table
from reports.words.values import Content
from reports.words.wording import MINUS, NO_BREAK, say

Plain = dict[str, Any]
WORD_JOINER = "\u2060"
LINE_IN_CHARACTERS = 100
GAP_IN_CHARACTERS = 2
WIDEST_COLUMN = 24
BEYOND_FOLLOW_UP = "not estimable: beyond the last follow-up"
ROWS_KEPT_TOGETHER = 12
CHARACTERS_KEPT_TOGETHER = 1500
"""The most of a table that is moved to the next page whole."""
BOLD_WIDER = 8
"""One character in so many is added to a word in bold."""
LONGEST_WHOLE_WORD = 39
"""Characters of the longest word that the PDF keeps in one piece."""
_LEVEL = re.compile(r"\d+ % CI|quartiles|limits of agreement")
_LEVEL_IN_CELL = re.compile(
    "(\\(|, )(\\d+[ \u00a0]%[ \u00a0]CI|quartiles|limits of agreement)[ \u00a0]"
)
_SPAN = re.compile("(?<=\\d)\u2013(?=[\\d\u2212])")


def lay_out(report: Report, *, narrow: bool) -> Plain:
    """Word, number and draw a report; ``narrow`` adds the drawings for narrow screens.

    A report for publication is put into its published form here, whatever was done before.
    """
    report = numbered(publish(report) if report.audience == "published" else report)
    return {
        "title": report.title,
        "subtitle": report.subtitle,
        "audience": report.audience,
        "language": report.language,
        "provenance": _provenance(report),
        "made_at": report.provenance.made_at,
        "centre": report.provenance.centre,
        "notices": [_said(notice) for notice in report.notices],
        "sections": [_section(section, narrow) for section in report.sections],
    }


def _provenance(report: Report) -> list[list[str]]:
    source = report.provenance
    pairs = [
        ("Department", source.centre),
        ("Data cut", source.data_cut),
        ("Recorded until", source.recorded_until),
        ("Made at", source.made_at),
        ("Plan", source.plan),
        ("Content hash", source.content_hash),
        *source.versions,
    ]
    return [[name, value] for name, value in pairs if value]


def _section(section: Section, narrow: bool) -> Plain:
    return {
        "title": section.title,
        "number": section.number,
        "anchor": f"section-{section.number}",
        "new_page": section.new_page,
        "blocks": [_block(block, narrow) for block in section.blocks],
    }


def _block(block: Block, narrow: bool) -> Plain:
    match block:
        case Paragraph():
            return {"kind": "paragraph", "lead": block.lead, "text": _said(block.text)}
        case Heading():
            return {"kind": "heading", "text": block.text}
        case BulletList():
            items = [_said(item) for item in block.items]
            return {"kind": "list", "ordered": block.ordered, "items": items}
        case Note():
            return {
                "kind": "note",
                "tone": block.tone,
                "title": block.title,
                "text": _said(block.text),
            }
        case KeyFigures():
            return {"kind": "key_figures", "cards": _cards(block)}
        case Table():
            return {"kind": "table", **table_plain(block)}
        case Figure():
            return {"kind": "figure", **_figure(block, narrow)}


def _cards(block: KeyFigures) -> list[Plain]:
    return [
        {
            "label": card.label,
            "value": _head_and_rest(card.value)[0],
            "interval": _head_and_rest(card.value)[1],
            "detail": _said(card.detail),
            "verdict": card.verdict,
        }
        for card in block.cards
    ]


def _head_and_rest(content: Content) -> tuple[str, str]:
    """A worded value parted from its interval: large figure, small print."""
    head, opened, rest = _said(content).partition(" (")
    return head, rest.removesuffix(")") if opened else ""


def table_plain(table: Table) -> Plain:
    """A table with its cells worded; a level named by the table is not said in every cell."""
    named = _named_levels(table)
    rows = [_row(row, named) for row in table.rows]
    return {
        "number": table.number,
        "caption": _said(table.caption),
        "columns": [asdict(column) for column in table.columns],
        "widths": column_widths(
            [[column.heading for column in table.columns]]
            + [row["cells"] for row in rows if not row["header"]]
        ),
        "rows": rows,
        "is_short": is_short(rows),
        "notes": [_said(note) for note in table.notes],
    }


def _named_levels(table: Table) -> tuple[str, ...]:
    """The intervals ("95 % CI", "quartiles") that the caption, headings or notes name."""
    around = [table.caption, *table.notes, *(column.heading for column in table.columns)]
    said = " ".join(_said(words) for words in around).replace(NO_BREAK, " ")
    return tuple(sorted(set(_LEVEL.findall(said))))


def _row(row: Row, named: tuple[str, ...]) -> Plain:
    cells = [_in_short(_without_level(_said(cell), named)) for cell in row.cells]
    return {"cells": cells, "header": row.header, "level": row.level}


def _without_level(text: str, named: tuple[str, ...]) -> str:
    """Take a named interval out of a cell: ``92.4 % (95 % CI 88.1–95.3)`` → ``92.4 % (88.1–95.3)``.

    >>> _without_level("92.4 % (95 % CI 88.1–95.3)", ("95 % CI",))
    '92.4 % (88.1–95.3)'
    >>> _without_level("2 of 40 (5.0 %, 95 % CI 0.6–16.9)", ("95 % CI",))
    '2 of 40 (5.0 %, 0.6–16.9)'
    >>> _without_level("61 (quartiles 52–69)", ("95 % CI",))
    '61 (quartiles 52–69)'
    """

    def shorten(found: re.Match[str]) -> str:
        level = found.group(2).replace(NO_BREAK, " ")
        return found.group(1) if level in named else found.group(0)

    return _LEVEL_IN_CELL.sub(shorten, text)


def _in_short(text: str) -> str:
    """Shorten what many cells of a table say; a CSV file has it in full.

    >>> _in_short("not estimable: beyond the last follow-up").replace(WORD_JOINER, "")
    'beyond follow-up'
    """
    return f"beyond follow-{WORD_JOINER}up" if text.startswith(BEYOND_FOLLOW_UP) else text


def is_short(rows: list[Plain]) -> bool:
    """Whether a table is short enough to be printed on one page, rather than over two.

    >>> is_short([{"cells": ["a", "b"]}] * 12), is_short([{"cells": ["a", "b"]}] * 13)
    (True, False)
    >>> is_short([{"cells": ["a" * 1000, "b"]}] * 2)
    False
    """
    characters = sum(len(cell) for row in rows for cell in row["cells"])
    return len(rows) <= ROWS_KEPT_TOGETHER and characters <= CHARACTERS_KEPT_TOGETHER


def column_widths(rows: list[list[str]]) -> list[int] | None:
    """Shares of a printed line for the columns of a crowded table; None when all fits in one line.

    A column asks for its longest text, but no more than makes two or three lines of it, and never
    gets less than its longest word, as far as the word is kept in one piece. The first row is the
    heading; it is set in bold, and counted as wider by that.

    >>> column_widths([["a", "b"], ["short", "12"]]) is None
    True
    >>> column_widths([["Outcome", "At 5 years"], ["x" * 90, "y" * 20]])
    [41, 22]
    >>> column_widths([["n", "Metastases", "Group"], ["9", "9", "two words " * 12]])
    [5, 14, 26]
    """
    heading, *body = rows
    columns = list(zip([_as_wide_as_bold(cell) for cell in heading], *body, strict=True))
    longest = [max(len(cell) for cell in column) for column in columns]
    if sum(longest) + GAP_IN_CHARACTERS * len(columns) <= LINE_IN_CHARACTERS:
        return None
    words = [
        min(max(len(w) for cell in column for w in cell.split(" ")), LONGEST_WHOLE_WORD)
        for column in columns
    ]
    least = [max(word, 3) + GAP_IN_CHARACTERS for word in words]
    wished = [
        max(low, min(whole, WIDEST_COLUMN) + GAP_IN_CHARACTERS)
        for low, whole in zip(least, longest, strict=True)
    ]
    room, asked = LINE_IN_CHARACTERS - sum(least), sum(wished) - sum(least)
    share = min(max(room, 0) / asked, 1.0) if asked else 1.0
    return [low + round(share * (wish - low)) for low, wish in zip(least, wished, strict=True)]


def _as_wide_as_bold(heading: str) -> str:
    """Stand-in of a heading whose words are as long as they look in bold."""
    return " ".join(word + "m" * -(-len(word) // BOLD_WIDER) for word in heading.split(" "))


def _said(content: Content) -> str:
    """Worded, with spans of numbers kept on one line."""
    return _SPAN.sub("\u2013" + WORD_JOINER, say(content))


def csv_text(table: Table) -> str:
    """A table as CSV, as worded (so suppressed where it is), safe to open in a spreadsheet.

    A header row becomes a first column, ``Group``, of the rows below it.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    grouped = any(row.header for row in table.rows)
    heads = [_csv_cell(column.heading) for column in table.columns]
    writer.writerow([*(["Group"] if grouped else []), *heads])
    group: list[str] = []
    for row in table.rows:
        cells = [_csv_cell(say(cell)) for cell in row.cells]
        group = cells if row.header else group
        if not row.header:
            writer.writerow([*(group if grouped else []), *cells])
    return stream.getvalue()


def _csv_cell(text: str) -> str:
    plain = text.replace(NO_BREAK, " ").replace("\u202f", "").replace(MINUS, "-")
    return defuse(plain)


def _figure(figure: Figure, narrow: bool) -> Plain:
    behind = numbers_table(figure)
    anchor = f"figure-{figure.number}"
    drawings = {"wide": draw(figure.spec, f"{anchor}-wide")}
    if narrow:
        drawings["narrow"] = draw(figure.spec, f"{anchor}-narrow", narrow=True)
    return {
        "number": figure.number,
        "anchor": anchor,
        "caption": _said(figure.caption),
        "alternative": alternative_text(figure.spec),
        "notes": [*notes(figure.spec), *(_said(note) for note in figure.notes)],
        "drawings": {name: _drawing(drawing) for name, drawing in drawings.items()},
        "numbers": table_plain(behind),
        "csv": csv_text(behind),
    }


def _drawing(drawing: Drawing) -> Plain:
    return {
        "svg": drawing.svg,
        "width": drawing.width,
        "height": drawing.height,
        "points": [[point.x, point.y, point.label] for point in drawing.points],
    }
