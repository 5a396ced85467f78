"""The Word document: Word's own headings and tables, heading rows flagged, figures described.

What is expected of the package is ECMA-376 (Office Open XML), parts 1 and 2; the clauses are named
beside the checks.
"""

from __future__ import annotations

import io
import posixpath
import xml.etree.ElementTree as ET
import zipfile
from dataclasses import replace

import pytest
from sample_report import sample_report

from reports.commands.audit import write_report
from reports.page.document import Figure as FigureBlock
from reports.page.document import Paragraph, Provenance, Report, Section, Table, blocks
from reports.render.docx import render_docx
from reports.render.laid_out import WORD_JOINER, lay_out

W = "{http://schemas.openxmlformats.org/wordprocessingml/2006/main}"
WP = "{http://schemas.openxmlformats.org/drawingml/2006/wordprocessingDrawing}"
A = "{http://schemas.openxmlformats.org/drawingml/2006/main}"
R = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}"
RELATION = "{http://schemas.openxmlformats.org/package/2006/relationships}Relationship"
TYPES = "{http://schemas.openxmlformats.org/package/2006/content-types}"


@pytest.fixture(scope="module")
def package() -> zipfile.ZipFile:
    return zipfile.ZipFile(io.BytesIO(render_docx(sample_report())))


@pytest.fixture(scope="module")
def body(package: zipfile.ZipFile) -> ET.Element:
    return ET.fromstring(package.read("word/document.xml"))


def _text(element: ET.Element) -> str:
    return "".join(found.text or "" for found in element.iter(f"{W}t"))


def _small_report(words: str) -> Report:
    source = Provenance("dept", "2025-01-01", "2025-01-02T03:04:05+00:00")
    return Report("Title", "", source, (Section("First", (Paragraph(words),)),))


def test_every_part_is_well_formed_typed_and_found(package):
    names = set(package.namelist())
    # part 2, clause 10.1.2: the content types are the package's own part, and name every other
    types = ET.fromstring(package.read("[Content_Types].xml"))
    endings = {one.get("Extension") for one in types.iter(f"{TYPES}Default")}
    assert {name.rpartition(".")[2] for name in names} <= endings
    overrides = {one.get("PartName", "").lstrip("/") for one in types.iter(f"{TYPES}Override")}
    assert overrides <= names
    for name in names:
        if name.endswith((".xml", ".rels")):
            ET.fromstring(package.read(name))
    for folder, part in (("", "_rels/.rels"), ("word", "word/_rels/document.xml.rels")):
        for relation in ET.fromstring(package.read(part)).iter(RELATION):
            target = posixpath.normpath(posixpath.join(folder, relation.get("Target", "")))
            assert target in names


def test_the_heading_row_of_every_table_is_flagged(body):
    wanted = [block for block in blocks(sample_report()) if isinstance(block, Table)]
    tables = list(body.iter(f"{W}tbl"))
    assert len(tables) == len(wanted) > 0
    for table, block in zip(tables, wanted, strict=True):
        first, *rest = table.iter(f"{W}tr")
        # part 1, clause 17.4.78: the row comes again at the top of each page
        assert first.find(f"{W}trPr/{W}tblHeader") is not None
        assert all(row.find(f"{W}trPr/{W}tblHeader") is None for row in rest)
        assert len(rest) == len(block.rows)
        assert len(list(first.iter(f"{W}tc"))) == len(block.columns)
        for cell in table.iter(f"{W}tc"):
            assert cell[-1].tag == f"{W}p"  # clause 17.4.65: a cell ends with a paragraph


def test_the_words_are_those_of_the_other_forms(body):
    said = {_text(paragraph) for paragraph in body.iter(f"{W}p")}
    plain = lay_out(sample_report(), narrow=False)
    for section in plain["sections"]:
        for block in section["blocks"]:
            texts = [block["text"]] if block["kind"] == "paragraph" and not block["lead"] else []
            if block["kind"] == "table":
                texts = [cell for row in block["rows"] for cell in row["cells"]]
            assert {text.replace(WORD_JOINER, "") for text in texts} <= said


def test_headings_are_word_s_own(body):
    styles = [one.get(f"{W}val") for one in body.iter(f"{W}pStyle")]
    assert styles.count("Heading1") == len(sample_report().sections)
    assert styles[0] == "Title"


def test_every_figure_is_a_picture_with_alternative_text(package, body):
    wanted = [block for block in blocks(sample_report()) if isinstance(block, FigureBlock)]
    described = [one.get("descr") for one in body.iter(f"{WP}docPr")]
    assert len(described) == len(wanted) > 0
    assert all(described)
    pictures = [name for name in package.namelist() if name.startswith("word/media/")]
    assert len(pictures) == len(wanted)
    for name in pictures:
        assert package.read(name).startswith(b"\x89PNG\r\n\x1a\n")
    relations = ET.fromstring(package.read("word/_rels/document.xml.rels"))
    by_id = {one.get("Id"): one.get("Target") for one in relations.iter(RELATION)}
    shown = [by_id[one.get(f"{R}embed")] for one in body.iter(f"{A}blip")]
    assert [f"word/{name}" for name in shown] == sorted(pictures, key=len)


def test_text_is_never_mark_up(tmp_path):
    hostile = 'a </w:t></w:r><w:br/> & "b" <script>'
    made = tmp_path / "small.docx"
    write_report(_small_report(hostile), {"docx": made})
    with zipfile.ZipFile(made) as package:
        body = ET.fromstring(package.read("word/document.xml"))
    assert hostile in {_text(paragraph) for paragraph in body.iter(f"{W}p")}
    assert not list(body.iter(f"{W}br"))


def test_the_same_report_gives_the_same_bytes():
    report = _small_report("words")
    assert render_docx(report) == render_docx(report)


def test_the_published_form_says_so_and_holds_published_numbers_only():
    internal = sample_report()
    published = replace(internal, audience="published")
    package = zipfile.ZipFile(io.BytesIO(render_docx(published)))
    footer = _text(ET.fromstring(package.read("word/footer1.xml")))
    assert footer.startswith("Published form")
    body = ET.fromstring(package.read("word/document.xml"))
    shown = [[_text(cell) for cell in row.iter(f"{W}tc")] for row in body.iter(f"{W}tr")]
    wanted = [
        [cell.replace(WORD_JOINER, "") for cell in row["cells"]]
        for section in lay_out(published, narrow=False)["sections"]
        for block in section["blocks"]
        if block["kind"] == "table"
        for row in block["rows"]
    ]
    assert [row for row in shown if row in wanted] == wanted
    kept = lay_out(internal, narrow=False)
    assert wanted != [
        [cell.replace(WORD_JOINER, "") for cell in row["cells"]]
        for section in kept["sections"]
        for block in section["blocks"]
        if block["kind"] == "table"
        for row in block["rows"]
    ]
