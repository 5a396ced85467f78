"""The document model: what a report says, without a word about how it looks.

A :class:`Report` is frozen and plain: sections of blocks, numbers kept as tagged values
(:mod:`reports.words.values`), figures kept as their data (:mod:`reports.figures.specs`) and drawn
only when rendered. So suppression changes data, never pictures. :func:`to_json` and
:func:`from_json` round-trip it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TypeAlias

from reports.figures import dose_specs, specs
from reports.figures.specs import FigureSpec
from reports.words import values
from reports.words.plain_json import Codec
from reports.words.values import Content, Words

SCHEMA_VERSION = 1
AUDIENCES = ("internal", "published")
ALIGNMENTS = ("left", "right", "center")
VERDICTS = ("", "met", "not met", "cannot tell")
TONES = ("note", "warning")


def _one_of(value: str, allowed: tuple[str, ...], what: str) -> None:
    if value not in allowed:
        raise ValueError(f"{what} must be one of {allowed}, found {value!r}")


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Running text, with an optional bold run-in heading ``lead``."""

    text: Words
    lead: str = ""


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading inside a section."""

    text: str


@dataclass(frozen=True, slots=True)
class BulletList:
    """A list; ``ordered`` numbers it."""

    items: tuple[Words, ...]
    ordered: bool = False


@dataclass(frozen=True, slots=True)
class Note:
    """A remark set apart: ``tone`` is "note" or "warning"."""

    text: Words
    tone: str = "note"
    title: str = ""

    def __post_init__(self) -> None:
        _one_of(self.tone, TONES, "tone")


@dataclass(frozen=True, slots=True)
class KeyFigure:
    """One summary card: a label, the figure, what stands beneath it, and the verdict if any."""

    label: str
    value: Content
    detail: Words = ""
    verdict: str = ""

    def __post_init__(self) -> None:
        _one_of(self.verdict, VERDICTS, "verdict")


@dataclass(frozen=True, slots=True)
class KeyFigures:
    """A row of summary cards."""

    cards: tuple[KeyFigure, ...]


@dataclass(frozen=True, slots=True)
class Column:
    """A table column; ``unit`` is printed after the heading; numbers are aligned right."""

    heading: str
    align: str = "left"
    unit: str = ""

    def __post_init__(self) -> None:
        _one_of(self.align, ALIGNMENTS, "align")


@dataclass(frozen=True, slots=True)
class Row:
    """A table row; a ``header`` row has one cell that heads the rows below it.

    The first cell of every other row is its row heading; ``level`` indents it.
    """

    cells: tuple[Content, ...]
    header: bool = False
    level: int = 0


@dataclass(frozen=True, slots=True)
class Table:
    """A numbered table with caption, columns, rows and notes beneath."""

    caption: Words
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    notes: tuple[Words, ...] = ()
    number: int | None = None

    def __post_init__(self) -> None:
        for place, row in enumerate(self.rows):
            wanted = 1 if row.header else len(self.columns)
            if len(row.cells) != wanted:
                raise ValueError(
                    f"table {self.caption!r}, row {place}: {len(row.cells)} cells, not {wanted}"
                )


@dataclass(frozen=True, slots=True)
class Figure:
    """A numbered figure: its data as a spec, drawn at render time.

    Alternative text, hover text and the table behind the figure are worked out from the spec too.
    """

    caption: Words
    spec: FigureSpec
    notes: tuple[Words, ...] = ()
    number: int | None = None


Block: TypeAlias = Paragraph | Heading | BulletList | Note | KeyFigures | Table | Figure


@dataclass(frozen=True, slots=True)
class Section:
    """A titled part of the report; ``new_page`` starts it on a fresh page in print."""

    title: str
    blocks: tuple[Block, ...]
    number: int | None = None
    new_page: bool = False


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where the report comes from. Dates are ISO text; ``made_at`` carries its offset from UTC."""

    centre: str
    data_cut: str
    made_at: str
    recorded_until: str = ""
    content_hash: str = ""
    plan: str = ""
    versions: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Report:
    """A whole report. ``notices`` are said once, at the front."""

    title: str
    subtitle: str
    provenance: Provenance
    sections: tuple[Section, ...]
    audience: str = "internal"
    language: str = "en"
    notices: tuple[Words, ...] = ()
    schema_version: int = SCHEMA_VERSION

    def __post_init__(self) -> None:
        _one_of(self.audience, AUDIENCES, "audience")
        if self.schema_version != SCHEMA_VERSION:
            raise ValueError(f"report of schema {self.schema_version}, known: {SCHEMA_VERSION}")


def blocks(report: Report) -> Iterator[Block]:
    """Every block in reading order."""
    for section in report.sections:
        yield from section.blocks


def numbered(report: Report) -> Report:
    """The same report with sections, tables and figures numbered from 1 in reading order."""
    tables, figures = iter(range(1, 10_000)), iter(range(1, 10_000))

    def number(block: Block) -> Block:
        if isinstance(block, Table):
            return replace(block, number=next(tables))
        if isinstance(block, Figure):
            return replace(block, number=next(figures))
        return block

    sections = tuple(
        replace(section, number=place, blocks=tuple(number(block) for block in section.blocks))
        for place, section in enumerate(report.sections, start=1)
    )
    return replace(report, sections=sections)


_CODEC = Codec.of_modules(
    values,
    specs,
    dose_specs,
    extra=(
        Paragraph,
        Heading,
        BulletList,
        Note,
        KeyFigure,
        KeyFigures,
        Column,
        Row,
        Table,
        Figure,
        Section,
        Provenance,
        Report,
    ),
)


def to_json(report: Report) -> str:
    """The report as JSON text: plain objects with a ``kind`` each, keys in a fixed order."""
    return json.dumps(_CODEC.plain(report), ensure_ascii=False, allow_nan=False, indent=1)


def from_json(text: str) -> Report:
    """Read back what :func:`to_json` wrote; ``ValueError`` when it is not such a report.

    >>> empty = Report("Audit", "", Provenance("A", "2025-01-01", "2025-02-01T00:00:00+00:00"), ())
    >>> from_json(to_json(empty)) == empty
    True
    """
    report = _CODEC.rebuilt(json.loads(text))
    if not isinstance(report, Report):
        raise ValueError(f"not a report but {type(report).__name__}")
    return report
