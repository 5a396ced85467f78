"""The report as a PDF made to PDF/UA-1 and PDF/A-2a: tagged, with alternative text, fonts inside.

One static typst template reads the laid-out report as JSON, so no text of the report is ever read
as markup. The same report gives the same bytes: system fonts are ignored, the clock is the
report's own ``made_at``. "Made to" is what can be said: the file is not certified by anybody.
"""

from __future__ import annotations

import datetime as dt
import json
import os
from pathlib import Path

import typst

from registry.errors import RefusedInputError
from reports.figures import palette
from reports.figures.canvas import FAMILY, FONT_FOLDER
from reports.page.document import Report
from reports.render.glyphs import (
    FONT_FOLDER_VARIABLE,
    covered_characters,
    family_names,
    font_paths,
    refuse_missing_glyphs,
)
from reports.render.laid_out import lay_out

TEMPLATE = Path(__file__).parent / "templates" / "report.typ"
STANDARDS: list[typst.PDFStandard] = ["ua-1", "a-2a"]
LONGEST_APPENDED_TABLE = 45
_COLOURS = ("INK", "QUIET_INK", "RULE", "PANEL", "PAPER", "WARNING")


def render_pdf(report: Report, *, font_dir: Path | None = None) -> bytes:
    """The PDF's bytes.

    Parameters
    ----------
    font_dir
        A folder with more fonts, used for characters that the bundled font does not have.

    Raises
    ------
    RefusedInputError
        A character that no font has, named with its place.
    """
    bundled = font_paths(FONT_FOLDER)
    extra = _extra_fonts(font_dir)
    plain = lay_out(report, narrow=False)
    refuse_missing_glyphs(plain, covered_characters(bundled + extra))
    plain["families"] = [FAMILY, *family_names(extra)]
    plain["colours"] = {name.lower(): getattr(palette, name) for name in _COLOURS}
    plain["colours"]["accent"] = palette.SERIES[0]
    plain["longest_appended_table"] = LONGEST_APPENDED_TABLE
    folders = [FONT_FOLDER, *([font_dir] if font_dir else [])]
    made = typst.compile(
        TEMPLATE.read_bytes(),
        format="pdf",
        font_paths=typst.Fonts(
            include_system_fonts=False, include_embedded_fonts=False, font_paths=folders
        ),
        ignore_system_fonts=True,
        sys_inputs={"report": json.dumps(plain, ensure_ascii=False)},
        pdf_standards=STANDARDS,
        timestamp=made_at(report),
    )
    return bytes(made)


def named_font_folder() -> Path | None:
    """The folder of more fonts that the environment variable names; None without one."""
    named = os.environ.get(FONT_FOLDER_VARIABLE)
    return Path(named) if named else None


def made_at(report: Report) -> dt.datetime:
    """When the report was made, as it says itself; without an offset it is taken as UTC."""
    stamp = dt.datetime.fromisoformat(report.provenance.made_at)
    return stamp if stamp.tzinfo else stamp.replace(tzinfo=dt.UTC)


def _extra_fonts(folder: Path | None) -> list[Path]:
    if folder is None:
        return []
    found = font_paths(folder) if folder.is_dir() else []
    if not found:
        raise RefusedInputError(
            f"No .otf or .ttf file in the font folder {str(folder)!r}. Let {FONT_FOLDER_VARIABLE} "
            "name a folder that holds one, or unset it.",
            variable=FONT_FOLDER_VARIABLE,
        )
    return found
