"""The PDF: tagged, with fonts and alternative text inside, the same bytes, no missing glyph."""

from __future__ import annotations

import hashlib
import re
import subprocess
import sys
import zlib
from dataclasses import replace
from pathlib import Path

import matplotlib
import pytest
from sample_report import sample_report

from registry.errors import RefusedInputError
from reports.audience.suppression import publish
from reports.commands.audit import write_report
from reports.page.document import Paragraph, Provenance, Report, Section
from reports.render.pdf import made_at, render_pdf


def opened(pdf: bytes) -> bytes:
    """The file's bytes with its packed streams unpacked, to look for names in."""
    parts = [pdf]
    for found in re.finditer(rb"stream\r?\n(.*?)\r?\nendstream", pdf, flags=re.DOTALL):
        try:
            parts.append(zlib.decompress(found.group(1)))
        except zlib.error:
            continue
    return b"\n".join(parts)


@pytest.fixture(scope="module")
def pdf() -> bytes:
    return render_pdf(sample_report())


def small_report(words: str) -> Report:
    source = Provenance("dept", "2025-01-01", "2025-01-02T03:04:05+00:00")
    return Report("Title", "", source, (Section("First", (Paragraph(words),)),))


def test_it_is_tagged_and_says_what_it_was_made_to(pdf):
    inside = opened(pdf)
    assert pdf.startswith(b"%PDF-1.7")
    for name in (b"/MarkInfo", b"/StructTreeRoot", b"/Lang", b"/Table", b"/TH", b"/Figure", b"/H1"):
        assert name in inside
    # ISO 14289-1 clause 5 and ISO 19005-2 clause 6.6.4: the identification in the metadata
    assert re.search(rb"pdfuaid:part>1<", inside)
    assert re.search(rb"pdfaid:part>2<", inside)
    assert re.search(rb"pdfaid:conformance>A<", inside)


def test_every_figure_has_alternative_text(pdf):
    inside = opened(pdf)
    figures = len(re.findall(rb"/S\s*/Figure", inside))
    assert figures == 11
    assert len(re.findall(rb"/Alt\s*[(<]", inside)) >= figures


def test_only_our_font_is_used_and_it_is_inside(pdf):
    names = set(re.findall(rb"/FontName\s*/[A-Z]{6}\+([A-Za-z-]+)", opened(pdf)))
    assert names == {b"AfterplaqueSans-Regular", b"AfterplaqueSans-SemiBold"}
    assert len(re.findall(rb"/FontFile3", opened(pdf))) == 2


def test_the_same_report_gives_the_same_bytes_in_another_process(pdf):
    code = (
        "import sys, hashlib; sys.path.insert(0, sys.argv[1]);"
        "from sample_report import sample_report; from reports.render.pdf import render_pdf;"
        "from reports.render.html import render_html;"
        "print(hashlib.sha256(render_pdf(sample_report())).hexdigest())"
    )
    here = str(Path(__file__).parent)
    run = subprocess.run(
        [sys.executable, "-c", code, here], capture_output=True, text=True, check=True
    )
    assert run.stdout.strip() == hashlib.sha256(pdf).hexdigest()


def test_the_published_form_renders_and_says_so():
    inside = render_pdf(publish(sample_report()))
    assert inside != render_pdf(sample_report())


def test_the_clock_is_the_report_s_own():
    report = small_report("x")
    assert b"D:20250102030405" in opened(render_pdf(report))
    later = replace(report, provenance=replace(report.provenance, made_at="2025-01-02T03:04:06"))
    assert made_at(later).utcoffset().total_seconds() == 0
    assert render_pdf(later) != render_pdf(report)


def test_a_character_without_a_glyph_is_refused_with_its_place():
    with pytest.raises(RefusedInputError, match=r"U\+6F22.*blocks 1, text") as caught:
        render_pdf(small_report("see 漢 here"))
    assert caught.value.where["character"] == "漢"


@pytest.mark.parametrize(
    "words",
    [
        "Größe ≥ 12 mm, ≤ 3, ± 0.5 − 1 × 2 – 3 — “quoted” · † ‡ … ‰ µ α/β γ₅₀ D₅₀ ½ → 10⁻³ ²",
        "Łódź, Đorđe, Çağrı, Ţăranu, Øster, Ñandú, ẞ",
        "Отдел офтальмологии, Київ, Ћирилица",
    ],
)
def test_the_font_has_what_reports_need(words):
    assert render_pdf(small_report(words)).startswith(b"%PDF")


def test_another_font_folder_fills_the_gap():
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    made = render_pdf(small_report("ქართული"), font_dir=folder)
    assert b"DejaVu" in opened(made)


def test_the_commands_take_the_font_folder_from_the_environment(tmp_path, monkeypatch):
    out = tmp_path / "page.pdf"
    monkeypatch.delenv("AFTERPLAQUE_FONT_DIR", raising=False)
    with pytest.raises(RefusedInputError, match="AFTERPLAQUE_FONT_DIR name a folder"):
        write_report(small_report("ქართული"), {"pdf": out})
    assert not out.exists()
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    monkeypatch.setenv("AFTERPLAQUE_FONT_DIR", str(folder))
    write_report(small_report("ქართული"), {"pdf": out})
    assert b"DejaVu" in opened(out.read_bytes())


def test_a_font_folder_without_fonts_is_refused(tmp_path):
    with pytest.raises(RefusedInputError, match=r"No \.otf or \.ttf"):
        render_pdf(small_report("x"), font_dir=tmp_path)


def test_text_is_never_read_as_markup():
    assert render_pdf(small_report("#panic() $x$ *bold* @ref \\ ` <label>")).startswith(b"%PDF")
