"""Hostile texts in every text field, through every command that writes a page or a file.

Formulas, mark-up, SQL, template and typesetting commands, paths and very long words stand as
identifiers, versions, operators and centres of an invented department. What comes out must show
them as text: no element, formula cell or action of theirs, and every file opens.
"""

from __future__ import annotations

import csv
import io
import json
import os
import re
import subprocess
import sys
import zlib
from collections.abc import Iterator, Mapping
from datetime import date
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from urllib.parse import unquote

import numpy as np
import openpyxl
import pandas as pd
import pyarrow.parquet as pq
import pytest

from registry.records import TABLES
from registry.store import open_store
from reports.app import app
from reports.command_frame import run_in_frame
from reports.figures import palette
from reports.render.html import TEMPLATES, style_text
from synthetic_cohort.cohort import draw_department, write_files
from synthetic_cohort.truth import TRUTH

PROGRAM = [sys.executable, "-c", "from reports.app import main; main()"]
WIDE = "W" * 180
HOSTILE = (
    '=HYPERLINK("x","y")',
    "=cmd|' /C calc'!A0",
    "+1+1",
    "-2+3",
    "@SUM(1,2)",
    "|pipe",
    "＝1+1",
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    '"><svg onload=alert(1)>',
    "</title></style></script><b>",
    "javascript:alert(1)",
    "&lt;i&gt;&amp;",
    "<!--",
    "]]>",
    "{{7*7}}",
    "{% raw %}",
    "'; DROP TABLE patient; --",
    '" OR 1=1 --',
    "a''b",
    "$1 ? :name",
    '#eval("1")',
    '#include "x.typ"',
    "$x^2$ *bold* _it_",
    "$\\frac{a}{b}$ $",
    "$unclosed",
    "@label <label>",
    "../../up/and/away",
    "a/b\\c",
    "NULL",
    "nan",
    WIDE,
    "x " * 90 + "x",
)
CENTRE = "<script>alert('c')</script> =1+1 " + "V" * 60
_OWN_TAGS = (
    "html head meta title style body a header p h1 h2 h3 nav ol ul li main section div b table "
    "caption thead tbody tr th td span dl dt dd figure figcaption details summary footer script "
    "svg g path rect use defs clippath text tspan desc pattern circle line polygon style"
)
OWN_TAGS = frozenset(_OWN_TAGS.split())
"""The elements of our own template and drawings."""


def _name(number: int, mark: str) -> str:
    return f"{HOSTILE[number % len(HOSTILE)]} {mark}{number}"


def _make_hostile(drawn: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Put a hostile text into every text field that is not an acuity."""
    tables = {name: frame.copy() for name, frame in drawn.items()}
    for table in TABLES.values():
        for field in table.key:
            if field.type != "text" or field.references:
                continue
            known = dict.fromkeys(tables[table.name][field.name])
            names = {one: _name(number, table.name[0]) for number, one in enumerate(known)}
            for frame in tables.values():
                if field.name in frame.columns:
                    frame[field.name] = [names.get(text, text) for text in frame[field.name]]
    for table_name, field_name in (
        ("patient", "centre_id"),
        ("implant", "operator_code"),
        ("implant", "dose_model_version"),
    ):
        rows = len(tables[table_name])
        texts = [HOSTILE[number // 2 % len(HOSTILE)] for number in range(rows)]
        tables[table_name][field_name] = texts
    return tables


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the registry ``ours.registry`` of 40 people, and its data lock."""
    folder = tmp_path_factory.mktemp("hostile")
    drawn = draw_department(
        TRUTH,
        40,
        np.random.default_rng(5),
        first_implant_date=date(2016, 1, 1),
        last_implant_date=date(2021, 12, 31),
        data_cut=date(2022, 12, 31),
    )
    write_files(_make_hostile(drawn), folder / "files")
    store, by = str(folder / "ours.registry"), ["--by", "=1+1<script>"]
    assert run_in_frame(app, ["init", store, "--centre", CENTRE, *by]) == 0
    files = str(folder / "files")
    assert run_in_frame(app, ["intake", store, files, "--why", "=1+1 <b>why</b>", *by]) == 0
    lock = [str(folder / "2022.lock"), "--data-cut", "2022-12-31"]
    assert run_in_frame(app, ["snapshot", store, *lock, *by]) == 0
    return folder


def _tumours(folder: Path) -> list[str]:
    with open_store(folder / "ours.registry") as store:
        rows = store.connection.execute("SELECT tumour_id FROM tumour ORDER BY 1").fetchall()
    return [str(row[0]) for row in rows]


# --- what a page may hold -------------------------------------------------------------------------


class Page(HTMLParser):
    """A page read by a parser that knows nothing of the templates."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.inside: dict[str, list[str]] = {}
        self.text: list[str] = []
        self._open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in ("meta", "path", "rect", "use", "circle", "line"):
            self._open.append(tag)
            self.inside.setdefault(tag, []).append("")

    def handle_endtag(self, tag: str) -> None:
        if tag in self._open:
            while self._open.pop() != tag:
                pass

    def handle_data(self, data: str) -> None:
        if self._open:
            self.inside[self._open[-1]][-1] += data
        if not {"script", "style"}.intersection(self._open):
            self.text.append(data)

    def of(self, *tags: str) -> Iterator[dict[str, str | None]]:
        for tag, attributes in self.elements:
            if tag in tags:
                yield attributes


def _check_page(text: str) -> Page:
    page = Page(text)
    assert {tag for tag, _ in page.elements} <= OWN_TAGS
    assert page.inside["script"] == [(TEMPLATES / "report.js").read_text(encoding="utf-8")]
    assert page.inside["style"][0] == style_text()
    for tag, attributes in page.elements:
        assert not [name for name in attributes if name.startswith("on")], tag
        for name in ("href", "xlink:href", "src", "action", "formaction", "srcdoc"):
            address = attributes.get(name) or "#"
            assert address.startswith(("#", "data:text/csv;charset=utf-8,")), address[:50]
    for attributes in page.of("a"):
        address = attributes["href"] or ""
        if address.startswith("data:"):
            _check_csv(unquote(address.partition(",")[2]))
    _check_headings(page)
    _check_tables_and_figures(page)
    _check_reach(page)
    return page


# --- whom a page must not shut out ----------------------------------------------------------------


def _check_headings(page: Page) -> None:
    """WCAG 2.2: 3.1.1 language of page, 2.4.2 page titled, 1.3.1 and 2.4.6 headings."""
    assert next(page.of("html"))["lang"] == "en"
    assert page.inside["title"][0].strip()
    levels = [int(tag[1]) for tag, _ in page.elements if re.fullmatch("h[1-6]", tag)]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    assert all(text.strip() for level in levels for text in page.inside[f"h{level}"])


def _check_tables_and_figures(page: Page) -> None:
    """WCAG 2.2: 1.1.1 non-text content, 1.3.1 info and relationships."""
    n_tables = sum(1 for _ in page.of("table"))
    assert n_tables == sum(1 for _ in page.of("caption")) > 0
    assert {one.get("scope") for one in page.of("th")} <= {"row", "col", "colgroup"}
    drawings = [one for one in page.of("svg") if one.get("role") == "img"]
    described = {one["id"] for one in page.of("desc")}
    assert {one["aria-labelledby"] for one in drawings} == described
    assert all(len(text) > 40 for text in page.inside.get("desc", []))
    figures = sum(1 for _ in page.of("figure"))
    assert sum(1 for _ in page.of("details")) == sum(1 for _ in page.of("summary")) == figures
    assert sum(1 for _ in page.of("figcaption")) == figures


def _check_reach(page: Page) -> None:
    """WCAG 2.2: 2.1.1 keyboard, 2.4.1 bypass blocks, 2.4.3 focus order, 4.1.2 name."""
    ids = [one["id"] for _, one in page.elements if one.get("id")]
    assert len(ids) == len(set(ids))
    for link in page.of("a"):
        address = link["href"] or ""
        assert address.startswith("data:") or address[1:] in ids
    assert next(page.of("a"))["class"] == "skip"
    reached = [one for _, one in page.elements if "tabindex" in one]
    assert {one["tabindex"] for one in reached} == {"0"}
    assert all(one.get("aria-label") for one in reached)


def _check_csv(text: str) -> int:
    """Count the cells, none of which a spreadsheet takes for a formula."""
    count = 0
    for row in csv.reader(io.StringIO(text)):
        for cell in row:
            count += 1
            is_number = re.fullmatch(r"[+-]?\d+(\.\d+)?(e[+-]\d+)?", cell)
            assert is_number or not re.match(r"[\s\x00]*[=+\-@＝＋－＠]", cell), cell
    return count


def _check_pdf(content: bytes) -> None:
    assert content.startswith(b"%PDF-")
    assert content.rstrip().endswith(b"%%EOF")
    whole = [content]
    for found in re.finditer(rb"stream\r?\n(.*?)\r?\nendstream", content, re.DOTALL):
        try:
            whole.append(zlib.decompress(found[1]))
        except zlib.error:
            continue
    for action in (b"/JavaScript", b"/Launch", b"/URI", b"/SubmitForm", b"/EmbeddedFile"):
        assert not any(action in part for part in whole), action


def _check_folder(out: Path) -> dict[str, Page]:
    """Check every file that a command wrote; return its pages by name."""
    pages = {}
    for file in sorted(out.iterdir()):
        content = file.read_bytes()
        assert content
        assert file.stat().st_mode & 0o077 == 0
        if file.suffix == ".html":
            pages[file.name] = _check_page(content.decode("utf-8"))
        elif file.suffix == ".pdf":
            _check_pdf(content)
        elif file.suffix == ".csv":
            assert _check_csv(content.decode("utf-8-sig"))
    assert pages or any(out.glob("*.csv"))
    return pages


# --- the commands ---------------------------------------------------------------------------------


def _audit_elsewhere(folder: Path, where: Path, **environment: str) -> dict[str, bytes]:
    """Audit a copy of the lock in a process, folder, time zone and language of its own."""
    where.mkdir()
    lock = where / "copied under another name.lock"
    lock.write_bytes((folder / "2022.lock").read_bytes())
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("AFTERPLAQUE_", "LC_"))}
    # PYTHONPATH keeps the project importable from another folder where it is not installed.
    root = {"PYTHONPATH": os.pathsep.join([str(TEMPLATES.parents[2]), kept.get("PYTHONPATH", "")])}
    ran = subprocess.run(
        [*PROGRAM, "audit", lock.name, "--year", "2022", "--out", "made here", "--json"],
        capture_output=True,
        text=True,
        check=False,
        cwd=where,
        env=kept | root | environment,
    )
    assert ran.returncode == 0, ran.stderr
    assert json.loads(ran.stdout)["data_cut"] == "2022-12-31"
    return {file.name: file.read_bytes() for file in sorted((where / "made here").iterdir())}


def test_the_same_lock_gives_the_same_bytes_in_any_place_zone_and_language(
    folder: Path, tmp_path: Path
) -> None:
    surroundings = (
        {"TZ": "Pacific/Kiritimati", "LANG": "C", "PYTHONHASHSEED": "1"},
        {"TZ": "America/St_Johns", "LANG": "de_DE.UTF-8", "PYTHONHASHSEED": "77", "COLUMNS": "40"},
    )
    first, second = (
        _audit_elsewhere(folder, tmp_path / f"place {number}", **environment)
        for number, environment in enumerate(surroundings)
    )
    assert {Path(name).suffix for name in first} == {".html", ".pdf"}
    assert first == second
    [page] = _check_folder(tmp_path / "place 0" / "made here").values()
    assert CENTRE in "".join(page.text)
    assert sum(1 for _ in page.of("table")) > 20
    assert sum(1 for _ in page.of("figure")) > 5


def test_published_pages_name_no_one(folder: Path, tmp_path: Path) -> None:
    arguments = ["benchmark", str(folder / "2022.lock"), "--audience", "published"]
    assert run_in_frame(app, [*arguments, "--out", str(tmp_path)]) == 0
    pages = _check_folder(tmp_path)
    text = "".join(next(iter(pages.values())).text)
    assert CENTRE in text
    with open_store(folder / "ours.registry") as store:
        for table, name in (
            ("patient", "patient_id"),
            ("tumour", "tumour_id"),
            ("visit", "visit_id"),
        ):
            rows = store.connection.execute(f"SELECT {name} FROM {table}").fetchall()
            assert rows
            assert not [row[0] for row in rows if row[0] in text]


def test_case_pages_show_them_as_text(folder: Path, tmp_path: Path) -> None:
    tumours = _tumours(folder)
    wanted = ("<img", WIDE, "$unclosed", "../", "=cmd")
    shown = [next(one for one in tumours if one.startswith(start)) for start in wanted]
    for number, tumour in enumerate(shown):
        out = tmp_path / str(number)
        arguments = ["case", str(folder / "2022.lock"), "--out", str(out), "--", tumour]
        assert run_in_frame(app, arguments) == 0
        [page] = _check_folder(out).values()
        assert f"Case review: tumour {tumour}" in page.inside["h1"]
        assert {file.parent for file in out.rglob("*")} == {out}
    assert len(list(tmp_path.iterdir())) == len(shown)


def test_a_study_and_its_tables_show_them_as_text(folder: Path, tmp_path: Path) -> None:
    lock = str(folder / "2022.lock")
    study = ["dose-response", lock, "--end-point", "vision:6/60", "--dose", "apex:recorded"]
    few = ["--simulations", "0", "--imputations", "2", "--pool-dose-models", "--against", "none"]
    out, rows = tmp_path / "study", tmp_path / "rows"
    rows.mkdir()
    assert run_in_frame(app, [*study, *few, "--out", str(out), "--export", str(rows)]) == 0
    pages = _check_folder(out)
    assert CENTRE in "".join(next(iter(pages.values())).text)
    outcome = ["outcome", lock, "--end-point", "death", "--rows", str(rows / "outcome.csv")]
    assert run_in_frame(app, outcome) == 0
    assert run_in_frame(app, ["check", lock, "--out", str(rows / "check.csv")]) in (0, 3)
    _check_folder(rows)
    read = list(csv.DictReader(io.StringIO((rows / "outcome.csv").read_text(encoding="utf-8"))))
    assert {"'=cmd|' /C calc'!A0 p1", "<script>alert(1)</script> p7"} <= {
        row["patient_id"] for row in read
    }


def test_exports_and_workbooks_run_nothing_and_change_nothing(folder: Path, tmp_path: Path) -> None:
    store, out, book = folder / "ours.registry", tmp_path / "tables", tmp_path / "book.xlsx"
    assert run_in_frame(app, ["export", str(store), str(out)]) == 0
    assert run_in_frame(app, ["workbook", str(book), "--from", str(store)]) == 0
    _check_folder(out)
    read = openpyxl.load_workbook(book)
    with open_store(store) as opened:
        for name, table in TABLES.items():
            key = table.key[0].name
            query = f"SELECT {key} FROM {name} ORDER BY ALL"
            held = [str(row[0]) for row in opened.connection.execute(query).fetchall()]
            parquet = pq.read_table(out / f"{name}.parquet")
            assert sorted(map(str, parquet[key].to_pylist())) == sorted(held)
            cells = [cell for row in read[name].iter_rows() for cell in row]
            assert not [cell for cell in cells if cell.data_type == "f" or cell.hyperlink]
            shown = [str(row[0]) for row in read[name].iter_rows(min_row=2, values_only=True)]
            assert sorted(shown) == sorted(held)
    assert run_in_frame(app, ["intake", str(store), str(book), "--by", "ana"]) == 0


@pytest.mark.parametrize("unseen", ["\u202e", "\u200b", "\x07", "\x1b[31m", "\u2028"])
def test_what_cannot_be_seen_does_not_come_in(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], unseen: str
) -> None:
    lines = {
        "patient": f"patient_id\nP{unseen}1\n",
        "applicator": f"applicator_id,isotope,diameter_mm\nA{unseen}1,Ru-106,20\n",
    }
    for name, text in lines.items():
        (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
    store = str(folder / "ours.registry")
    assert run_in_frame(app, ["intake", store, str(tmp_path), "--check-only", "--json"]) == 3
    said = capsys.readouterr()
    found = json.loads(said.out)["findings"]
    assert {one["field"] for one in found} >= {"patient_id", "applicator_id"}
    assert unseen not in said.out + said.err


# --- contrast -------------------------------------------------------------------------------------


def test_words_stand_out_from_their_ground() -> None:
    """WCAG 2.2, 1.4.3: 4.5 to 1 for every colour of the style sheet on the ground it stands on."""
    sheet = (TEMPLATES / "report.css").read_text(encoding="utf-8")
    rules = re.findall(r"([^{}]+)\{([^{}]*)\}", sheet)
    colours = {
        name: getattr(palette, name)
        for name in ("INK", "QUIET_INK", "RULE", "PANEL", "PAPER", "WARNING")
    } | {"ACCENT": palette.SERIES[0]}
    checked = 0
    for selector, body in rules:
        ink = re.search(r"(?:^|;)color:@(\w+)@", body)
        ground = re.search(r"background:@(\w+)@", body)
        if not ink and not ground:
            continue
        inside_note = ".note" in selector
        grounds = [ground[1]] if ground else ["PANEL", "PAPER"] if inside_note else ["PAPER"]
        for on in grounds:
            ratio = palette.contrast(colours[ink[1] if ink else "INK"], colours[on])
            assert ratio >= 4.5, (selector, ratio)
            checked += 1
    assert checked >= 10
    for line in ("ACCENT", "INK", "QUIET_INK", "WARNING"):  # 1.4.11: lines that mean something
        assert palette.contrast(colours[line], colours["PAPER"]) >= 3
