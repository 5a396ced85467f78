"""The report as one HTML file that needs nothing else and may run nothing else.

The style, the script and the fonts are inside; the Content-Security-Policy allows exactly those by
their hashes. Everything the script offers (hover, arrow keys) is also in "show the numbers".
"""

from __future__ import annotations

import base64
import functools
import hashlib
import json
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any
from urllib.parse import quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from reports.figures import palette
from reports.figures.canvas import FAMILY, FONT_FOLDER, SVG_SPACE
from reports.page.document import Report
from reports.render.laid_out import lay_out

TEMPLATES = Path(__file__).parent / "templates"
_WEIGHTS = ((400, "regular"), (600, "semibold"))


def render_html(report: Report) -> str:
    """One self-contained HTML page; the same text each time for the same report."""
    style, script = style_text(), (TEMPLATES / "report.js").read_text(encoding="utf-8")
    page = _environment().get_template("report.html.jinja")
    return page.render(
        report=lay_out(report, narrow=True),
        style=Markup(style),
        script=Markup(script),
        policy=content_security_policy(style, script),
    )


def content_security_policy(style: str, script: str) -> str:
    """Nothing but our own style and script, by hash, and fonts from inside the file."""
    return (
        f"default-src 'none'; style-src '{_hash(style)}'; script-src '{_hash(script)}'; "
        "font-src data:; base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


@functools.cache
def style_text() -> str:
    """The style sheet with the fonts inside and the palette's colours filled in."""
    sheet = (TEMPLATES / "report.css").read_text(encoding="utf-8")
    for name in ("INK", "QUIET_INK", "RULE", "PANEL", "PAPER", "WARNING"):
        sheet = sheet.replace(f"@{name}@", getattr(palette, name))
    sheet = sheet.replace("@ACCENT@", palette.SERIES[0])
    return "".join(_font_face(weight, name) for weight, name in _WEIGHTS) + sheet


def _font_face(weight: int, name: str) -> str:
    data = (FONT_FOLDER / f"afterplaque-sans-{name}.woff").read_bytes()
    source = f"data:font/woff;base64,{base64.b64encode(data).decode()}"
    return (
        f"@font-face{{font-family:'{FAMILY}';font-weight:{weight};"
        f"src:url({source}) format('woff')}}\n"
    )


@functools.cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["inline_svg"] = _inline_svg
    environment.filters["csv_address"] = lambda text: "data:text/csv;charset=utf-8," + quote(text)
    return environment


def _inline_svg(drawing: dict[str, Any], name: str, alternative: str, title_id: str) -> Markup:
    """The drawing's SVG made an accessible image that carries its points as data."""
    root = ET.fromstring(drawing["svg"])
    root.set("class", f"drawing {name}")
    root.set("role", "img")
    root.set("aria-labelledby", title_id)
    root.set("data-points", json.dumps(drawing["points"], ensure_ascii=False))
    title = ET.Element(f"{{{SVG_SPACE}}}desc", {"id": title_id})
    title.text = alternative
    root.insert(0, title)
    return Markup(ET.tostring(root, encoding="unicode"))
