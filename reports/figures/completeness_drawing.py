"""Draws :class:`reports.figures.specs.CompletenessFigure`: a grid with a number in every cell."""

from __future__ import annotations

from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from reports.figures import canvas, palette
from reports.figures.canvas import PLAIN, SMALL, Drawing, Point
from reports.figures.specs import CompletenessFigure
from reports.words.values import Missing, Rate
from reports.words.wording import decimal, say

ROW_IN = 0.3
LINE_IN = 0.14
INK_TURNS_AT = 0.55


def draw(spec: CompletenessFigure, prefix: str, *, narrow: bool = False) -> Drawing:
    """The figure as SVG, for a page's full width or for a narrow screen."""
    width = canvas.NARROW_IN if narrow else canvas.WIDE_IN
    left = 1.2 if narrow else 2.2
    cell = (width - left - 0.08) / max(len(spec.column_names), 1)
    with canvas.page(width, 1.0) as measure:
        names = [canvas.wrapped(measure, n, left - 0.15, fontsize=PLAIN) for n in spec.row_names]
        widest = max(
            (canvas.text_width_in(measure, n, fontsize=PLAIN) for n in spec.column_names), default=0
        )
    turned = widest > cell - 0.04
    head = 0.34 + (widest + 0.05 if turned else 0.16)
    heights = [max(ROW_IN, LINE_IN * len(lines) + 0.1) for lines in names]
    with canvas.page(width, head + sum(heights) + 0.08) as figure:
        y = head + sum(heights) + 0.08
        _headings(figure, spec, (left, cell, y, head), turned)
        y -= head
        points: list[Point] = []
        for row, lines in enumerate(names):
            y -= heights[row]
            middle = y + heights[row] / 2
            canvas.write(figure, 0.05, middle, "\n".join(lines), va="center", linespacing=1.15)
            for column, content in enumerate(spec.cells[row]):
                box = (left + column * cell, y, cell, heights[row])
                _cell(figure, content, box, narrow)
                label = f"{spec.row_names[row]}, {spec.column_names[column]}: {say(content)}"
                points.append(_point(figure, box, label))
        return canvas.finished(figure, prefix, tuple(points))


def _headings(
    figure: Figure,
    spec: CompletenessFigure,
    place: tuple[float, float, float, float],
    turned: bool,
) -> None:
    left, cell, top, head = place
    canvas.write(figure, left, top - 0.14, f"{spec.column_heading} (share known, %)", va="center")
    canvas.write(figure, 0.05, top - head + 0.06, spec.row_heading, va="bottom", fontweight=600)
    for column, name in enumerate(spec.column_names):
        x = left + (column + 0.5) * cell
        canvas.write(
            figure,
            x,
            top - head + 0.06,
            name,
            ha="center",
            va="bottom",
            rotation=90 if turned else 0,
        )


def _cell(
    figure: Figure, content: Rate | Missing, box: tuple[float, float, float, float], narrow: bool
) -> None:
    share = rounded_share(content)
    fill, ink = palette.PANEL, palette.INK
    if share is not None:
        depth = 0.05 + 0.85 * share / 100
        fill = palette.blended(palette.SERIES[0], depth)
        ink = palette.PAPER if depth > INK_TURNS_AT else palette.INK
    across, up = figure.get_size_inches()
    x, y, width, height = box
    figure.add_artist(
        Rectangle(
            (x / across, y / up),
            width / across,
            height / up,
            facecolor=palette.PAPER if isinstance(content, Missing) else fill,
            edgecolor=palette.OTHERS if isinstance(content, Missing) else palette.PAPER,
            hatch="////" if isinstance(content, Missing) else "",
            linewidth=1.0 if share is not None else 0.5,
        )
    )
    text = "" if isinstance(content, Missing) else cell_text(content)
    size = SMALL if narrow else PLAIN
    canvas.write(
        figure,
        x + width / 2,
        y + height / 2,
        text,
        color=ink,
        ha="center",
        va="center",
        fontsize=size,
    )


def rounded_share(content: Rate | Missing) -> int | None:
    """The whole per cent that is printed in the cell and gives its colour; None if there is none.

    >>> rounded_share(Rate(2, 3)), rounded_share(Missing("not yet due"))
    (67, None)
    """
    if isinstance(content, Missing) or content.hidden:
        return None
    if not content.denominator or content.numerator is None:
        return None
    return int(decimal(100 * content.numerator / content.denominator, 0))


def cell_text(content: Rate) -> str:
    """What stands in the cell: whole per cent, ``*`` when suppressed, a dash with nobody to count.

    >>> cell_text(Rate(2, 3)), cell_text(Rate(None, None, hidden=True)), cell_text(Rate(0, 0))
    ('67', '*', '–')
    """
    share = rounded_share(content)
    if share is not None:
        return str(share)
    return "*" if content.hidden else "–"


def _point(figure: Figure, box: tuple[float, float, float, float], label: str) -> Point:
    x, y, width, height = box
    up = float(figure.get_size_inches()[1])
    dots = canvas.POINTS_PER_INCH
    return Point(round((x + width / 2) * dots, 2), round((up - y - height / 2) * dots, 2), label)
