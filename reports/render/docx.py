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

import docx
import typst
from docx.document import Document
from docx.enum.table import WD_TABLE_ALIGNMENT
from docx.enum.text import WD_ALIGN_PARAGRAPH
from docx.oxml import OxmlElement
from docx.oxml.ns import qn
from docx.shared import Mm, Pt, RGBColor
from docx.table import Table, _Cell, _Row
from docx.text.paragraph import Paragraph

from reports.figures import palette
from reports.figures.canvas import FONT_FOLDER
from reports.page.document import Report
from reports.render.laid_out import WORD_JOINER, Plain, lay_out
from reports.render.pdf import made_at

_DOTS_PER_INCH = 200
_PICTURE = """#set page(width: auto, height: auto, margin: 0pt)
#image(bytes(sys.inputs.svg), format: "svg", width: eval(sys.inputs.width))"""
_SIDES = {
    "left": WD_ALIGN_PARAGRAPH.LEFT,
    "right": WD_ALIGN_PARAGRAPH.RIGHT,
    "center": WD_ALIGN_PARAGRAPH.CENTER,
}
_TEXT_WIDTH = Mm(170)
_LOOKS = {
    "Normal": (10, palette.INK),
    "Title": (20, palette.INK),
    "Subtitle": (11, palette.QUIET_INK),
    "Heading 1": (15, palette.INK),
    "Heading 2": (12, palette.INK),
    "Caption": (9, palette.INK),
    "Table text": (8.5, palette.INK),
    "Table note": (8.5, palette.QUIET_INK),
    "Warning": (10, palette.WARNING),
}
"""Size in points and colour of every style that is used; those not in the template are added."""


def render_docx(report: Report, *, font_dir: Path | None = None) -> bytes:
    """The document's bytes.

    Parameters
    ----------
    font_dir
        A folder with more fonts, for characters in figures that the bundled font does not have.
    """
    plain = lay_out(report, narrow=False)
    document = docx.Document()
    _set_up(document, report, plain)
    body = _Body(document, [FONT_FOLDER, *([font_dir] if font_dir else [])])
    body.add_front(plain)
    for section in plain["sections"]:
        body.add_section(section)
    stream = io.BytesIO()
    document.save(stream)
    return _undate(stream)


def _undate(stream: io.BytesIO) -> bytes:
    """Pack the parts again without the time at which they were written."""
    packed = io.BytesIO()
    with zipfile.ZipFile(stream) as written, zipfile.ZipFile(packed, "w") as package:
        for name in written.namelist():
            entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            package.writestr(entry, written.read(name))
    return packed.getvalue()


def _set_up(document: Document, report: Report, plain: Plain) -> None:
    """Page, styles, footer and properties."""
    page = document.sections[0]
    page.page_width, page.page_height = Mm(210), Mm(297)
    page.left_margin = page.right_margin = Mm(20)
    page.top_margin = page.bottom_margin = Mm(22)
    for name, (points, colour) in _LOOKS.items():
        if name not in document.styles:
            document.styles.add_style(name, 1).base_style = document.styles["Normal"]
        font = document.styles[name].font
        font.size, font.name = Pt(points), "Calibri"
        font.color.rgb = RGBColor.from_string(colour.removeprefix("#").upper())
    document.styles["Caption"].paragraph_format.keep_with_next = True
    document.styles["Table text"].paragraph_format.space_after = Pt(1)
    language = OxmlElement("w:lang")
    language.set(qn("w:val"), plain["language"])
    document.styles["Normal"].element.get_or_add_rPr().append(language)
    published = report.audience == "published"
    who = "Published form" if published else "Internal: contains small counts"
    footer = page.footer.paragraphs[0]
    footer.add_run(f"{who}  ·  Page ")
    _add_page_number(footer)
    made = made_at(report).astimezone(dt.UTC).replace(tzinfo=None)
    properties = document.core_properties
    properties.title, properties.author = plain["title"][:255], plain["centre"][:255]
    properties.language, properties.comments = plain["language"], ""
    properties.created = properties.modified = made


def _add_page_number(paragraph: Paragraph) -> None:
    field = OxmlElement("w:fldSimple")
    field.set(qn("w:instr"), " PAGE ")
    paragraph._p.append(field)


def _clean(text: str) -> str:
    return text.replace(WORD_JOINER, "")  # some fonts of Word show it as a box


def _fill(cell: _Cell, text: str, *, bold: bool = False) -> Paragraph:
    paragraph: Paragraph = cell.paragraphs[0]
    paragraph.style = "Table text"
    paragraph.add_run(_clean(text)).bold = bold or None
    return paragraph


def _mark(row: _Row, *names: str) -> None:
    for name in names:
        row._tr.get_or_add_trPr().append(OxmlElement(name))


class _Body:
    """The document's body, written block by block."""

    def __init__(self, document: Document, fonts: list[Path]) -> None:
        self._document = document
        self._fonts = fonts

    def _add(self, text: str, style: str = "Normal", *, lead: str = "") -> Paragraph:
        paragraph = self._document.add_paragraph(style=style)
        if lead:
            paragraph.add_run(f"{_clean(lead)} ").bold = True
        paragraph.add_run(_clean(text))
        return paragraph

    def add_front(self, plain: Plain) -> None:
        """Title, where the report comes from, and what is said once at the front."""
        self._add(plain["title"], "Title")
        if plain["subtitle"]:
            self._add(plain["subtitle"], "Subtitle")
        for name, value in plain["provenance"]:
            self._add(value, "Table note", lead=f"{name}:")
        for notice in plain["notices"]:
            self._add(notice, "Warning")

    def add_section(self, section: Plain) -> None:
        """A section under its numbered heading."""
        number = f"{section['number']}  " if section["number"] else ""
        heading = self._add(f"{number}{section['title']}", "Heading 1")
        heading.paragraph_format.page_break_before = bool(section["new_page"]) or None
        for block in section["blocks"]:
            getattr(self, f"_add_{block['kind']}")(block)

    def _add_paragraph(self, block: Plain) -> None:
        self._add(block["text"], lead=block["lead"])

    def _add_heading(self, block: Plain) -> None:
        self._add(block["text"], "Heading 2")

    def _add_list(self, block: Plain) -> None:
        number = self._restart_numbers() if block["ordered"] else None
        for item in block["items"]:
            paragraph = self._add(item, "List Number" if block["ordered"] else "List Bullet")
            if number is not None:
                numbered = paragraph._p.get_or_add_pPr().get_or_add_numPr()
                numbered.get_or_add_ilvl().val = 0
                numbered.get_or_add_numId().val = number

    def _restart_numbers(self) -> int:
        """Begin a numbering of its own, of the kind that the style has."""
        numbering = self._document.part.numbering_part.element
        styled = self._document.styles["List Number"].element.pPr.numPr.numId.val
        begun = numbering.add_num(numbering.num_having_numId(styled).abstractNumId.val)
        begun.add_lvlOverride(ilvl=0).add_startOverride(1)
        return int(begun.numId)

    def _add_note(self, block: Plain) -> None:
        style = "Warning" if block["tone"] == "warning" else "Normal"
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
        table = self._document.add_table(rows=0, cols=len(block["columns"]), style="Table Grid")
        write_rows(table, block)
        for note in block["notes"]:
            self._add(note, "Table note")
        self._add("")  # Word joins tables that touch

    def _add_figure(self, block: Plain) -> None:
        drawing = block["drawings"]["wide"]
        wide = min(Pt(drawing["width"]), _TEXT_WIDTH)
        paragraph = self._document.add_paragraph()
        paragraph.paragraph_format.keep_with_next = True
        picture = io.BytesIO(_draw_picture(drawing, self._fonts))
        shape = paragraph.add_run().add_picture(picture, width=wide)
        described = shape._inline.docPr
        described.set("descr", block["alternative"])
        described.set("name", f"Figure {block['number']}")
        self._add(f"Figure {block['number']}. {block['caption']}", "Caption")
        for note in block["notes"]:
            self._add(note, "Table note")


def write_rows(table: Table, block: Plain) -> None:
    """Fill a table; its first row is flagged as the heading row."""
    columns = block["columns"]
    shares = block["widths"] or [1] * len(columns)
    table.autofit = not block["widths"]
    table.alignment = WD_TABLE_ALIGNMENT.LEFT
    for column, share in zip(table.columns, shares, strict=True):
        column.width = _TEXT_WIDTH * share // sum(shares)
    heading = table.add_row()
    _mark(heading, "w:cantSplit", "w:tblHeader")
    for cell, column in zip(heading.cells, columns, strict=True):
        unit = f" ({column['unit']})" if column["unit"] else ""
        paragraph = _fill(cell, f"{column['heading']}{unit}", bold=True)
        paragraph.alignment = _SIDES[column["align"]]
        paragraph.paragraph_format.keep_with_next = True
    for row in block["rows"]:
        line = table.add_row()
        _mark(line, "w:cantSplit")
        cells = line.cells
        if row["header"]:
            paragraph = _fill(cells[0].merge(cells[-1]), row["cells"][0], bold=True)
            paragraph.paragraph_format.keep_with_next = True
            continue
        for place, (cell, text) in enumerate(zip(cells, row["cells"], strict=True)):
            paragraph = _fill(cell, text)
            paragraph.alignment = _SIDES[columns[place]["align"]]
            if not place and row["level"]:
                paragraph.paragraph_format.left_indent = Pt(10 * row["level"])


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
