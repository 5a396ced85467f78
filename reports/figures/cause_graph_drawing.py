"""Draws :class:`reports.figures.dose_specs.CauseGraphFigure`: boxes in columns, with arrows."""

from __future__ import annotations

from typing import Any

from matplotlib.figure import Figure
from matplotlib.patches import FancyArrowPatch, Rectangle

from reports.figures import canvas, palette
from reports.figures.canvas import SMALL, Drawing, Point
from reports.figures.dose_specs import CauseArrow, CauseGraphFigure

BOX_IN, LINE_IN, PAD_IN, GAP_IN = 1.75, 0.155, 0.06, 0.16
NARROW_BOX_IN = 0.98
EDGE_IN = 0.12


def draw(spec: CauseGraphFigure, prefix: str, *, narrow: bool = False) -> Drawing:
    """The figure as SVG: what drives dose on the left, dose in the middle, the outcome right."""
    width = canvas.NARROW_IN if narrow else canvas.WIDE_IN
    box = NARROW_BOX_IN if narrow else BOX_IN
    left, middle, right = _columns(spec)
    with canvas.page(width, 1.0) as figure:
        lines = {
            name: canvas.wrapped(figure, name, box - 2 * PAD_IN, fontsize=SMALL)
            for name in (*left, *middle, *right)
        }
        heights = {name: len(rows) * LINE_IN + 2 * PAD_IN for name, rows in lines.items()}
        tall = sum(heights[name] + GAP_IN for name in left) + GAP_IN
        tall = max(tall, 1.3)
        figure.set_size_inches(width, tall + 0.1)
        places: dict[str, tuple[float, float]] = {}
        edges = (EDGE_IN, (width - box) / 2, width - box - EDGE_IN)
        # dose low and outcome high, so that arrows past dose do not cross its box
        for names, x, drop in zip((left, middle, right), edges, (0.5, 1.0, 0.0), strict=True):
            used = sum(heights[name] + GAP_IN for name in names) - GAP_IN
            y = tall - GAP_IN / 2 - drop * (tall - GAP_IN - used)
            for name in names:
                places[name] = (x, y - heights[name])
                y -= heights[name] + GAP_IN
        for arrow in spec.arrows:
            _arrow(figure, arrow, places, heights, box, spec)
        points = [
            _box(figure, name, lines[name], places[name], box, heights[name], spec)
            for name in (*left, *middle, *right)
        ]
        return canvas.finished(figure, prefix, tuple(points))


def _columns(spec: CauseGraphFigure) -> tuple[list[str], list[str], list[str]]:
    names = list(dict.fromkeys(n for a in spec.arrows for n in (a.source, a.target)))
    right = [spec.outcome, *(a.target for a in spec.arrows if a.source == spec.outcome)]
    left = [name for name in names if name not in right and name != spec.dose]
    return left, [spec.dose], list(dict.fromkeys(right))


def _box(
    figure: Figure,
    name: str,
    lines: list[str],
    place: tuple[float, float],
    width: float,
    height: float,
    spec: CauseGraphFigure,
) -> Point:
    across, up = figure.get_size_inches()
    x, y = place
    main = name in (spec.dose, spec.outcome)
    figure.add_artist(
        Rectangle(
            (x / across, y / up),
            width / across,
            height / up,
            facecolor=palette.PAPER if main else palette.PANEL,
            edgecolor=palette.SERIES[0] if main else palette.QUIET_INK,
            linewidth=1.1 if main else 0.7,
            zorder=3,
        )
    )
    weight: dict[str, Any] = {"fontsize": SMALL, "fontweight": 600 if main else 400, "zorder": 4}
    for row, line in enumerate(lines):
        baseline = y + height - PAD_IN - (row + 0.76) * LINE_IN
        canvas.write(figure, x + PAD_IN, baseline, line, va="baseline", **weight)
    said = [
        f"{name} → {arrow.target}: {arrow.dealt_with}"
        for arrow in spec.arrows
        if arrow.source == name
    ]
    dots = canvas.POINTS_PER_INCH
    label = "; ".join(said) or name
    return Point(round((x + width / 2) * dots, 2), round((up - y - height / 2) * dots, 2), label)


def _arrow(
    figure: Figure,
    arrow: CauseArrow,
    places: dict[str, tuple[float, float]],
    heights: dict[str, float],
    width: float,
    spec: CauseGraphFigure,
) -> None:
    across, up = figure.get_size_inches()
    (x0, y0), (x1, y1) = places[arrow.source], places[arrow.target]
    same = abs(x0 - x1) < 1e-9
    start = (x0 + width / 2, y0) if same else (x0 + width, y0 + heights[arrow.source] / 2)
    end = (
        (x1 + width / 2, y1 + heights[arrow.target])
        if same
        else (x1, y1 + heights[arrow.target] / 2)
    )
    asked = arrow.source == spec.dose
    figure.add_artist(
        FancyArrowPatch(
            (start[0] / across, start[1] / up),
            (end[0] / across, end[1] / up),
            arrowstyle="-|>",
            mutation_scale=7,
            linewidth=1.5 if asked else 0.8,
            linestyle="-" if arrow.is_dealt_with or asked else (0, (3, 2)),
            color=palette.SERIES[0] if asked else palette.QUIET_INK,
            connectionstyle="arc3,rad=0" if same or asked else "arc3,rad=-0.06",
            shrinkA=0,
            shrinkB=1,
            zorder=2,
        )
    )
