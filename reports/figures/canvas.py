"""A blank page for a figure, and its SVG with real text, made the same way each time.

matplotlib draws without pyplot, inside its own settings, at 72 dots an inch (an SVG unit is a
point). The SVG is then cleaned: style attributes become presentation attributes (a page's
Content-Security-Policy forbids the former), every id gets the figure's prefix, metadata go.
"""

from __future__ import annotations

import functools
import io
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import matplotlib as mpl
from matplotlib import font_manager
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from reports.figures import palette

FAMILY = "Afterplaque Sans"
FONT_FOLDER = Path(__file__).parent.parent / "fonts"
WIDE_IN = 6.7
NARROW_IN = 3.6
POINTS_PER_INCH = 72.0
SMALL = 7.5
PLAIN = 8.0
SVG_SPACE = "http://www.w3.org/2000/svg"
_XLINK = "{http://www.w3.org/1999/xlink}href"
_SETTINGS: dict[str, Any] = {
    "svg.fonttype": "none",
    "font.family": FAMILY,
    "font.size": PLAIN,
    "font.weight": 400,
    "axes.unicode_minus": True,
    "axes.edgecolor": palette.QUIET_INK,
    "axes.labelcolor": palette.INK,
    "axes.linewidth": 0.7,
    "axes.labelsize": PLAIN,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "text.color": palette.INK,
    "text.parse_math": False,
    "text.hinting": "none",
    "xtick.color": palette.QUIET_INK,
    "ytick.color": palette.QUIET_INK,
    "xtick.labelcolor": palette.INK,
    "ytick.labelcolor": palette.INK,
    "xtick.labelsize": PLAIN,
    "ytick.labelsize": PLAIN,
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "xtick.major.size": 3,
    "ytick.major.size": 3,
    "lines.linewidth": 1.5,
    "lines.solid_capstyle": "butt",
    "lines.dash_capstyle": "butt",
    "hatch.linewidth": 0.5,
    "figure.dpi": POINTS_PER_INCH,
    "path.simplify": False,
}


@dataclass(frozen=True, slots=True)
class Point:
    """A place in the drawing that can be hovered or reached by keyboard, and what it says."""

    x: float
    y: float
    label: str


@dataclass(frozen=True, slots=True)
class Drawing:
    """A finished SVG (no XML head), its size in points and the points on it."""

    svg: str
    width: float
    height: float
    points: tuple[Point, ...] = ()


@functools.cache
def _register_fonts() -> None:
    for path in sorted(FONT_FOLDER.glob("*.otf")):
        font_manager.fontManager.addfont(str(path))


@contextmanager
def page(width_in: float, height_in: float) -> Iterator[Figure]:
    """A figure to draw on, with our settings in force and no trace left afterwards."""
    _register_fonts()
    with mpl.rc_context():
        mpl.rcdefaults()
        settings: dict[Any, Any] = mpl.rcParams
        settings.update(_SETTINGS)
        figure = Figure(figsize=(width_in, height_in), dpi=POINTS_PER_INCH)
        FigureCanvasAgg(figure)
        yield figure


def axes_at(
    figure: Figure, left: float, bottom: float, width: float, height: float, **settings: Any
) -> Axes:
    """Axes placed in inches from the lower left corner."""
    across, up = figure.get_size_inches()
    box = (left / across, bottom / up, width / across, height / up)
    return figure.add_axes(box, **settings)


def write(
    figure: Figure, x_in: float, y_in: float, text: str, **settings: Any
) -> tuple[float, float]:
    """Put text at a place in inches; returns its width and height in inches."""
    across, up = figure.get_size_inches()
    artist = figure.text(x_in / across, y_in / up, text, **settings)
    box = artist.get_window_extent()
    return box.width / POINTS_PER_INCH, box.height / POINTS_PER_INCH


def text_width_in(figure: Figure, text: str, **settings: Any) -> float:
    """The width that a text would take, in inches."""
    artist = figure.text(0, 0, text, **settings)
    width = artist.get_window_extent().width
    artist.remove()
    return float(width) / POINTS_PER_INCH


def wrapped(figure: Figure, text: str, width_in: float, **settings: Any) -> list[str]:
    """Break a text into lines no wider than a width, at spaces."""
    lines: list[str] = []
    for word in text.split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width_in(figure, longer, **settings) <= width_in:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def point_at(axes: Axes, x: float, y: float, label: str) -> Point:
    """A data point of axes as a place in the drawing."""
    figure = axes.figure
    across, up = axes.transData.transform((x, y))
    return Point(round(float(across), 2), round(float(figure.bbox.height - up), 2), label)


def finished(figure: Figure, prefix: str, points: tuple[Point, ...] = ()) -> Drawing:
    """Write the figure as a clean SVG whose ids start with ``prefix``."""
    mpl.rcParams["svg.hashsalt"] = prefix
    stream = io.StringIO()
    figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    width, height = (float(side) * POINTS_PER_INCH for side in figure.get_size_inches())
    return Drawing(_clean(stream.getvalue(), prefix), width, height, points)


def _clean(svg: str, prefix: str) -> str:
    ET.register_namespace("", SVG_SPACE)
    ET.register_namespace("xlink", "http://www.w3.org/1999/xlink")
    root = ET.fromstring(svg.encode())
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag.endswith(("}metadata", "}style")):
                parent.remove(child)
    for element in root.iter():
        _style_to_attributes(element)
        _prefix_ids(element, prefix)
    for name in ("width", "height", "version"):
        root.attrib.pop(name, None)
    root.attrib |= {"stroke-linejoin": "round", "stroke-linecap": "butt"}
    return re.sub(r">\s*\n\s*<", ">\n<", ET.tostring(root, encoding="unicode"))


def _style_to_attributes(element: ET.Element) -> None:
    declared = element.attrib.pop("style", "")
    for declaration in filter(None, (part.strip() for part in declared.split(";"))):
        name, _, value = declaration.partition(":")
        element.set(name.strip(), value.strip())


def _prefix_ids(element: ET.Element, prefix: str) -> None:
    if "id" in element.attrib:
        if element.tag.endswith("}g"):
            del element.attrib["id"]
        else:
            element.set("id", f"{prefix}-{element.attrib['id']}")
    for name, value in element.attrib.items():
        if "url(#" in value:
            element.set(name, value.replace("url(#", f"url(#{prefix}-"))
    if element.attrib.get(_XLINK, "").startswith("#"):
        element.set(_XLINK, f"#{prefix}-{element.attrib[_XLINK][1:]}")
