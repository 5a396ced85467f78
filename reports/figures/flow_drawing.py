"""Draws :class:`reports.figures.specs.FlowFigure`: boxes down the page, who left beside them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from matplotlib.figure import Figure
from matplotlib.patches import FancyArrowPatch, Rectangle

from reports.figures import canvas, palette
from reports.figures.canvas import PLAIN, SMALL, Drawing, Point
from reports.figures.specs import FlowFigure, FlowStep
from reports.words.values import Count
from reports.words.wording import say

LINE_IN = 0.155
PAD_IN = 0.1
GAP_IN = 0.17


@dataclass(frozen=True, slots=True)
class _Layout:
    box_left: float
    box_width: float
    side_left: float
    side_width: float


WIDE = _Layout(0.1, 2.75, 3.35, 3.25)
NARROW = _Layout(0.1, 3.4, 0.75, 2.75)


def draw(spec: FlowFigure, prefix: str, *, narrow: bool = False) -> Drawing:
    """The figure as SVG, for a page's full width or for a narrow screen."""
    layout = NARROW if narrow else WIDE
    width = canvas.NARROW_IN if narrow else canvas.WIDE_IN
    with canvas.page(width, 1.0) as measure:
        boxes = [_box_lines(measure, spec, step, layout) for step in spec.steps]
        sides = [_side_lines(measure, step, layout) for step in spec.steps]
    height = 0.1 + sum(_height(lines) for lines in boxes)
    height += sum(_height(side) + 2 * GAP_IN if side else 2 * GAP_IN for side in sides[1:])
    with canvas.page(width, height + 0.05) as figure:
        points: list[Point] = []
        y = height
        for place, step in enumerate(spec.steps):
            if place:
                y = _passage(figure, layout, sides[place], y)
            y -= _height(boxes[place])
            _box(figure, boxes[place], (layout.box_left, y, layout.box_width), PLAIN, True)
            label = f"{step.label}: {_with_unit(step, spec)}"
            points.append(_point(figure, layout.box_left + 0.08, y + _height(boxes[place]), label))
        return canvas.finished(figure, prefix, tuple(points))


def _with_unit(step: FlowStep, spec: FlowFigure) -> str:
    is_one = isinstance(step.kept, Count) and step.kept.value == 1
    return f"{say(step.kept)} {spec.unit.removesuffix('s') if is_one else spec.unit}"


def _box_lines(figure: Figure, spec: FlowFigure, step: FlowStep, layout: _Layout) -> list[str]:
    room = layout.box_width - 2 * PAD_IN
    lines = canvas.wrapped(figure, step.label, room, fontsize=PLAIN)
    return [*lines, f"{_with_unit(step, spec)}"]


def _side_lines(figure: Figure, step: FlowStep, layout: _Layout) -> list[str]:
    lines: list[str] = []
    for left in step.left_out:
        text = f"{say(left.count)}  {left.reason}"
        lines += canvas.wrapped(figure, text, layout.side_width - 2 * PAD_IN, fontsize=SMALL)
    return ["Left out:", *lines] if lines else []


def _height(lines: list[str]) -> float:
    return len(lines) * LINE_IN + 2 * PAD_IN


def _box(
    figure: Figure, lines: list[str], place: tuple[float, float, float], size: float, main: bool
) -> None:
    x, y, width = place
    across, up = figure.get_size_inches()
    figure.add_artist(
        Rectangle(
            (x / across, y / up),
            width / across,
            _height(lines) / up,
            facecolor=palette.PAPER if main else palette.PANEL,
            edgecolor=palette.SERIES[0] if main else palette.QUIET_INK,
            linewidth=1.1 if main else 0.7,
        )
    )
    for place_in_box, line in enumerate(lines):
        bold = main and place_in_box == len(lines) - 1
        baseline = y + _height(lines) - PAD_IN - (place_in_box + 0.78) * LINE_IN
        weight: dict[str, Any] = {"fontweight": 600 if bold else 400, "fontsize": size}
        canvas.write(figure, x + PAD_IN, baseline, line, va="baseline", **weight)


def _passage(figure: Figure, layout: _Layout, side: list[str], y: float) -> float:
    """The arrow down and the box of those left out; returns where the next box starts."""
    depth = _height(side) + 2 * GAP_IN if side else 2 * GAP_IN
    x = layout.box_left + (0.35 if layout is NARROW else layout.box_width / 2)
    _arrow(figure, (x, y), (x, y - depth))
    if side:
        middle = y - GAP_IN - _height(side) / 2
        _arrow(figure, (x, middle), (layout.side_left, middle))
        spot = (layout.side_left, y - GAP_IN - _height(side), layout.side_width)
        _box(figure, side, spot, SMALL, False)
    return y - depth


def _arrow(figure: Figure, start: tuple[float, float], end: tuple[float, float]) -> None:
    across, up = figure.get_size_inches()
    figure.add_artist(
        FancyArrowPatch(
            (start[0] / across, start[1] / up),
            (end[0] / across, end[1] / up),
            arrowstyle="-|>",
            mutation_scale=7,
            linewidth=0.9,
            color=palette.QUIET_INK,
            shrinkA=0,
            shrinkB=0,
        )
    )


def _point(figure: Figure, x: float, y: float, label: str) -> Point:
    height = float(figure.get_size_inches()[1])
    dots = canvas.POINTS_PER_INCH
    return Point(round(x * dots, 2), round((height - y + 0.08) * dots, 2), label)
