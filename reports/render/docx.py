"""The report as a Word document: the copy that a department edits before it goes round.

Headings, lists, captions and tables are Word's own, the heading row of every table is marked as one
and comes again on each page, and figures are pictures with alternative text. The numbers behind the
figures are in the HTML form. The same report gives the same bytes.
"""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape, quoteattr

import typst

from reports.figures.canvas import FONT_FOLDER
from reports.page.document import Report
from reports.render import docx_parts as parts
from reports.render.laid_out import WORD_JOINER, Plain, lay_out
from reports.render.pdf import made_at

_DRAWING = "http://schemas.openxmlformats.org/drawingml/2006"
_TEXT_WIDTH = 9638
"""Width of the text in twentieths of a point: A4 less 20 mm on each side."""
_EMU_PER_POINT = 12_700
_DOTS_PER_INCH = 200
_PICTURE = """#set page(width: auto, height: auto, margin: 0pt)
#image(bytes(sys.inputs.svg), format: "svg", width: eval(sys.inputs.width))"""
_SIDES = {"left": "left", "right": "right", "center": "center"}


def render_docx(report: Report, *, font_dir: Path | None = None) -> bytes:
    """The document's bytes.

    Parameters
    ----------
    font_dir
        A folder with more fonts, for characters in figures that the bundled font does not have.
    """
    plain = lay_out(report, narrow=False)
    body = _Body([FONT_FOLDER, *([font_dir] if font_dir else [])])
    body.add_front(plain)
    for section in plain["sections"]:
        body.add_section(section)
    made = made_at(report).astimezone(dt.UTC)
    published = report.audience == "published"
    who = "Published form" if published else "Internal: contains small counts"
    files: dict[str, str | bytes] = {
        "[Content_Types].xml": parts.CONTENT_TYPES,
        "_rels/.rels": parts.PACKAGE_RELATIONS,
        "docProps/core.xml": parts.properties(
            plain["title"], plain["centre"], plain["language"], f"{made:%Y-%m-%dT%H:%M:%SZ}"
        ),
        "word/_rels/document.xml.rels": parts.document_relations(len(body.pictures)),
        "word/document.xml": body.write(),
        "word/footer1.xml": parts.footer(who),
        "word/numbering.xml": parts.numbering(body.ordered_lists),
        "word/styles.xml": parts.styles(plain["language"]),
    }
    for number, picture in enumerate(body.pictures, start=1):
        files[f"word/media/figure-{number}.png"] = picture
    return _pack(files)


def _pack(files: dict[str, str | bytes]) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as package:
        for name, content in files.items():
            entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            package.writestr(entry, content)
    return stream.getvalue()


def _run(text: str, *, bold: bool = False) -> str:
    look = "<w:rPr><w:b/></w:rPr>" if bold else ""
    text = text.replace(WORD_JOINER, "")  # some fonts of Word show it as a box
    return f'<w:r>{look}<w:t xml:space="preserve">{escape(text)}</w:t></w:r>' if text else ""


def _paragraph(content: str, style: str = "", more: str = "") -> str:
    named = f'<w:pStyle w:val="{style}"/>' if style else ""
    return f"<w:p><w:pPr>{named}{more}</w:pPr>{content}</w:p>"


def _heading_text(column: Plain) -> str:
    return f"{column['heading']} ({column['unit']})" if column["unit"] else str(column["heading"])


def _cell(text: str, width: int, *, side: str = "left", level: int = 0, **look: Any) -> str:
    span = f'<w:gridSpan w:val="{look["span"]}"/>' if look.get("span") else ""
    indent = f'<w:ind w:left="{200 * level}"/>' if level else ""
    keep = "<w:keepNext/>" if look.get("keep") else ""
    content = _paragraph(
        _run(text, bold=bool(look.get("bold"))),
        "TableText",
        f'{keep}{indent}<w:jc w:val="{_SIDES[side]}"/>',
    )
    return f'<w:tc><w:tcPr><w:tcW w:w="{width}" w:type="dxa"/>{span}</w:tcPr>{content}</w:tc>'


def _line(name: str) -> str:
    return f'<w:{name} w:val="single" w:sz="4" w:space="0" w:color="auto"/>'


def write_table(table: Plain) -> str:
    """A table of Word's own; its first row is flagged as the heading row."""
    columns = table["columns"]
    shares = table["widths"] or [1] * len(columns)
    widths = [_TEXT_WIDTH * share // sum(shares) for share in shares]
    sides = [column["align"] for column in columns]
    layout = "fixed" if table["widths"] else "autofit"
    heading = "".join(
        _cell(_heading_text(column), width, side=side, bold=True, keep=True)
        for column, width, side in zip(columns, widths, sides, strict=True)
    )
    rows = [f"<w:tr><w:trPr><w:cantSplit/><w:tblHeader/></w:trPr>{heading}</w:tr>"]
    for row in table["rows"]:
        if row["header"]:
            cells = _cell(row["cells"][0], sum(widths), bold=True, keep=True, span=len(columns))
        else:
            cells = "".join(
                _cell(text, width, side=side, level=0 if place else row["level"])
                for place, (text, width, side) in enumerate(
                    zip(row["cells"], widths, sides, strict=True)
                )
            )
        rows.append(f"<w:tr><w:trPr><w:cantSplit/></w:trPr>{cells}</w:tr>")
    grid = "".join(f'<w:gridCol w:w="{width}"/>' for width in widths)
    lines = f"{_line('top')}{_line('bottom')}{_line('insideH')}"
    return (
        f'<w:tbl><w:tblPr><w:tblW w:w="{sum(widths)}" w:type="dxa"/>'
        f'<w:tblBorders>{lines}</w:tblBorders><w:tblLayout w:type="{layout}"/>'
        f'<w:tblLook w:firstRow="1"/></w:tblPr><w:tblGrid>{grid}</w:tblGrid>{"".join(rows)}</w:tbl>'
    )


class _Body:
    """The document's body, written block by block."""

    def __init__(self, fonts: list[Path]) -> None:
        self._fonts = fonts
        self.pictures: list[bytes] = []
        self.ordered_lists = 0
        self._written: list[str] = []

    def write(self) -> str:
        """The whole of ``word/document.xml``."""
        page = (
            f'<w:sectPr><w:footerReference w:type="default" r:id="{parts.FOOTER_RELATION}"/>'
            '<w:pgSz w:w="11906" w:h="16838"/><w:pgMar w:top="1247" w:right="1134" '
            'w:bottom="1247" w:left="1134" w:header="567" w:footer="567" w:gutter="0"/></w:sectPr>'
        )
        return (
            '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
            f'<w:document xmlns:w="{parts.WORD}" xmlns:r="{parts.RELATIONS}" '
            f'xmlns:wp="{_DRAWING}/wordprocessingDrawing" xmlns:a="{_DRAWING}/main" '
            f'xmlns:pic="{_DRAWING}/picture"><w:body>{"".join(self._written)}{page}</w:body>'
            "</w:document>"
        )

    def _add(self, text: str, style: str = "", *, lead: str = "", more: str = "") -> None:
        start = _run(f"{lead} ", bold=True) if lead else ""
        self._written.append(_paragraph(start + _run(text), style, more))

    def add_front(self, plain: Plain) -> None:
        """Title, where the report comes from, and what is said once at the front."""
        self._add(plain["title"], "Title")
        if plain["subtitle"]:
            self._add(plain["subtitle"], "Subtitle")
        for name, value in plain["provenance"]:
            self._add(value, "TableNote", lead=f"{name}:")
        for notice in plain["notices"]:
            self._add(notice, "Warning")

    def add_section(self, section: Plain) -> None:
        """A section under its numbered heading."""
        page = "<w:pageBreakBefore/>" if section["new_page"] else ""
        number = f"{section['number']}  " if section["number"] else ""
        self._add(f"{number}{section['title']}", "Heading1", more=page)
        for block in section["blocks"]:
            getattr(self, f"_add_{block['kind']}")(block)

    def _add_paragraph(self, block: Plain) -> None:
        self._add(block["text"], lead=block["lead"])

    def _add_heading(self, block: Plain) -> None:
        self._add(block["text"], "Heading2")

    def _add_list(self, block: Plain) -> None:
        number = parts.BULLETS
        if block["ordered"]:
            number = parts.NUMBERS + self.ordered_lists
            self.ordered_lists += 1
        marked = f'<w:numPr><w:ilvl w:val="0"/><w:numId w:val="{number}"/></w:numPr>'
        for item in block["items"]:
            self._add(item, more=marked)

    def _add_note(self, block: Plain) -> None:
        style = "Warning" if block["tone"] == "warning" else ""
        lead = block["title"] or {"warning": "Warning:"}.get(block["tone"], "Note:")
        self._add(block["text"], style, lead=lead)

    def _add_key_figures(self, block: Plain) -> None:
        for card in block["cards"]:
            interval = f" ({card['interval']})" if card["interval"] else ""
            said = ", ".join(filter(None, [card["detail"], card["verdict"]]))
            rest = f" – {said}" if said else ""
            self._add(f"{card['value']}{interval}{rest}", lead=f"{card['label']}:")

    def _add_table(self, block: Plain) -> None:
        number = f"Table {block['number']}. " if block["number"] else ""
        self._add(f"{number}{block['caption']}", "Caption")
        self._written.append(write_table(block))
        for note in block["notes"]:
            self._add(note, "TableNote")
        self._add("")  # Word joins tables that touch

    def _add_figure(self, block: Plain) -> None:
        drawing = block["drawings"]["wide"]
        self.pictures.append(_draw_picture(drawing, self._fonts))
        self._written.append(
            _paragraph(_picture(len(self.pictures), drawing, block), "", "<w:keepNext/>")
        )
        self._add(f"Figure {block['number']}. {block['caption']}", "Caption")
        for note in block["notes"]:
            self._add(note, "TableNote")


def _draw_picture(drawing: Plain, fonts: list[Path]) -> bytes:
    made = typst.compile(
        _PICTURE.encode(),
        format="png",
        ppi=_DOTS_PER_INCH,
        font_paths=typst.Fonts(
            include_system_fonts=False, include_embedded_fonts=False, font_paths=fonts
        ),
        ignore_system_fonts=True,
        sys_inputs={"svg": drawing["svg"], "width": f"{drawing['width']}pt"},
    )
    return bytes(made)


def _picture(number: int, drawing: Plain, block: Plain) -> str:
    shrink = min(1.0, _TEXT_WIDTH / 20 / drawing["width"])
    wide, high = (round(drawing[side] * shrink * _EMU_PER_POINT) for side in ("width", "height"))
    name = f'id="{number}" name="Figure {block["number"]}" descr={quoteattr(block["alternative"])}'
    shape = (
        f"<pic:pic><pic:nvPicPr><pic:cNvPr {name}/><pic:cNvPicPr/></pic:nvPicPr><pic:blipFill>"
        f'<a:blip r:embed="{parts.image_relation(number)}"/><a:stretch><a:fillRect/></a:stretch>'
        f'</pic:blipFill><pic:spPr><a:xfrm><a:off x="0" y="0"/><a:ext cx="{wide}" cy="{high}"/>'
        '</a:xfrm><a:prstGeom prst="rect"><a:avLst/></a:prstGeom></pic:spPr></pic:pic>'
    )
    return (
        f'<w:r><w:drawing><wp:inline><wp:extent cx="{wide}" cy="{high}"/><wp:docPr {name}/>'
        f'<a:graphic><a:graphicData uri="{_DRAWING}/picture">{shape}</a:graphicData></a:graphic>'
        "</wp:inline></w:drawing></w:r>"
    )
