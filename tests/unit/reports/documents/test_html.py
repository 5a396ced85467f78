"""The HTML page: well formed, self-contained, locked down, and readable without eyes or mouse."""

from __future__ import annotations

import base64
import hashlib
import itertools
import re
from collections import Counter
from html.parser import HTMLParser

import pytest
from sample_report import sample_report

from reports.audience.suppression import publish
from reports.page.document import Column, Paragraph, Provenance, Report, Row, Section, Table
from reports.render.html import render_html
from reports.render.laid_out import csv_text
from reports.words.values import Quantity

VOID = {"meta", "link", "br", "hr", "img", "input"}


class Page(HTMLParser):
    """Every element with its attributes, parents and text; refuses what is not nested well."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[dict] = []
        self.open: list[dict] = []
        self.feed(text)
        self.close()
        assert not self.open, [e["tag"] for e in self.open]

    def handle_starttag(self, tag, attrs):
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), (tag, names)
        element = {"tag": tag, "attrs": dict(attrs), "text": "", "parents": list(self.open)}
        self.elements.append(element)
        if tag not in VOID:
            self.open.append(element)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        assert self.open, f"</{tag}> closes nothing"
        assert self.open[-1]["tag"] == tag, (tag, self.open[-1]["tag"])
        self.open.pop()

    def handle_data(self, data):
        for element in self.open:
            element["text"] += data

    def all(self, tag):
        return [e for e in self.elements if e["tag"] == tag]


@pytest.fixture(scope="module", params=["internal", "published"])
def text(request) -> str:
    report = sample_report()
    return render_html(publish(report) if request.param == "published" else report)


@pytest.fixture(scope="module")
def page(text) -> Page:
    return Page(text)


def test_ids_are_unique_and_every_reference_is_met(page):
    ids = Counter(e["attrs"]["id"] for e in page.elements if "id" in e["attrs"])
    assert max(ids.values()) == 1
    for element in page.elements:
        for name in ("aria-labelledby", "aria-describedby"):
            for target in (element["attrs"].get(name) or "").split():
                assert target in ids
        for name in ("href", "xlink:href"):
            target = element["attrs"].get(name, "")
            assert target.startswith(("#", "data:text/csv")) or not target
            assert not target.startswith("#") or target[1:] in ids
        for value in element["attrs"].values():
            for target in re.findall(r"url\(#([^)]+)\)", value or ""):
                assert target in ids


def test_nothing_is_fetched_and_nothing_inline_is_needed(page):
    for element in page.elements:
        assert "style" not in element["attrs"]
        assert "src" not in element["attrs"]
        assert not [name for name in element["attrs"] if name.startswith("on")]
    assert not page.all("link")
    assert not page.all("iframe")


def test_the_policy_allows_our_own_style_and_script_and_nothing_else(page, text):
    policy = next(
        e["attrs"]["content"]
        for e in page.all("meta")
        if e["attrs"].get("http-equiv") == "Content-Security-Policy"
    )
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    for tag in ("style", "script"):
        (inside,) = re.findall(rf"<{tag}>(.*?)</{tag}>", text, flags=re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(inside.encode()).digest()).decode()
        assert f"{tag}-src 'sha256-{digest}'" in policy


def test_every_drawing_has_a_name(page):
    drawings = page.all("svg")
    assert len(drawings) >= 10
    names = {e["attrs"]["id"]: e["text"].strip() for e in page.all("desc")}
    for drawing in drawings:
        assert drawing["attrs"]["role"] == "img"
        assert len(names[drawing["attrs"]["aria-labelledby"]]) > 40


def test_every_table_has_a_caption_and_headed_rows_and_columns(page):
    tables = page.all("table")
    assert len(tables) >= 9
    for table in tables:
        inside = [e for e in page.elements if table in e["parents"]]
        assert [e for e in inside if e["tag"] == "caption" and e["text"].strip()]
        assert all("scope" in e["attrs"] and e["text"].strip() for e in inside if e["tag"] == "th")
        assert [e for e in inside if e["tag"] == "th" and e["attrs"]["scope"] == "col"]


def test_landmarks_headings_and_skip_link(page):
    for tag in ("header", "nav", "main", "footer", "h1", "title"):
        assert len(page.all(tag)) == 1
    assert page.all("html")[0]["attrs"]["lang"] == "en"
    levels = [int(e["tag"][1]) for e in page.elements if re.fullmatch("h[1-6]", e["tag"])]
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))
    first = next(e for e in page.elements if e["tag"] == "a")
    assert first["attrs"] == {"class": "skip", "href": "#content"}


def test_points_can_be_reached_by_keyboard_and_the_numbers_be_shown(page):
    charts = [e for e in page.all("div") if e["attrs"].get("class") == "chart"]
    assert charts
    assert all(e["attrs"]["tabindex"] == "0" and e["attrs"]["aria-label"] for e in charts)
    assert len(page.all("details")) == len(charts) == len(page.all("summary"))


def test_the_page_is_the_same_each_time():
    assert render_html(sample_report()) == render_html(sample_report())


def test_text_is_never_read_as_markup():
    evil = '<script>alert(1)</script> & "quotes" {{ braces }} #link'
    report = Report(
        evil,
        evil,
        Provenance(evil, "2025-01-01", "2025-01-01T00:00:00+00:00"),
        (Section(evil, (Paragraph(evil),)),),
    )
    made = render_html(report)
    assert len(Page(made).all("script")) == 1
    assert Page(made).all("h1")[0]["text"] == evil


def test_csv_keeps_groups_and_cannot_start_a_formula():
    table = Table(
        "c",
        (Column("a"), Column("b")),
        (Row(("G",), header=True), Row(("=1+1", Quantity(-1.5, digits=1))), Row(("@x", "-y"))),
    )
    assert csv_text(table) == "Group,a,b\nG,'=1+1,-1.5\nG,'@x,'-y\n"
