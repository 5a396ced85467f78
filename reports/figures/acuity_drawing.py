"""Draws :class:`reports.figures.specs.AcuityFigure`: acuity before against acuity now.

Equal axes, worse outward; past a break the off-chart levels stand in order, without a number.
"""

from __future__ import annotations

import math
from collections import Counter
from typing import Any

from matplotlib.axes import Axes

from reports.figures import canvas, palette
from reports.figures.canvas import SMALL, Drawing, Point
from reports.figures.specs import OFF_CHART, AcuityFigure, AcuityLevel
from reports.words.wording import MINUS, decimal

BREAK = 0.22
CATEGORY_STEP = 0.24
MARGIN = 0.12
SAME_WITHIN = 0.3


def draw(spec: AcuityFigure, prefix: str, *, narrow: bool = False) -> Drawing:
    """The figure as SVG, for a page's full width or for a narrow screen."""
    side = 2.75 if narrow else 4.1
    width = canvas.NARROW_IN if narrow else canvas.WIDE_IN
    left = 0.7 if narrow else 1.3
    with canvas.page(width, side + 0.85) as figure:
        axes = canvas.axes_at(figure, left, 0.6, side, side)
        first, last = chart_range(spec)
        _frame(axes, spec, first, last, narrow)
        _lines(axes, first, last)
        points = _eyes(axes, spec, last)
        return canvas.finished(figure, prefix, points)


def chart_range(spec: AcuityFigure) -> tuple[float, float]:
    """Round ends of the logMAR part of the axis: at least 0 to 1, in steps of 0.2.

    >>> chart_range(AcuityFigure(()))
    (0.0, 1.0)
    """
    known = [x.logmar for e in spec.eyes for x in (e.baseline, e.latest) if x.logmar is not None]
    low, high = min([*known, 0.0]), max([*known, 1.0])
    return round(math.floor(low * 5) / 5, 1), round(math.ceil(high * 5) / 5, 1)


def place_of(level: AcuityLevel, last: float) -> float:
    """Where a level stands on the axis whose chart part ends at ``last``."""
    if level.logmar is not None:
        return level.logmar
    return last + BREAK + CATEGORY_STEP * OFF_CHART.index(level.off_chart or OFF_CHART[0])


def _frame(axes: Axes, spec: AcuityFigure, first: float, last: float, narrow: bool) -> None:
    end = last + BREAK + CATEGORY_STEP * (len(OFF_CHART) - 1) + MARGIN
    step = 0.4 if narrow or last - first > 2 else 0.2
    marks = [first + step * k for k in range(int((last - first) / step + 1e-9) + 1)]
    places = [last + BREAK + CATEGORY_STEP * k for k in range(len(OFF_CHART))]
    names = [decimal(round(mark, 1), 1) for mark in marks]
    names = ["0.0" if name == f"{MINUS}0.0" else name for name in names]
    for axis, limit in ((axes.xaxis, axes.set_xlim), (axes.yaxis, axes.set_ylim)):
        axis.set_ticks([*marks, *places], [*names, *OFF_CHART])
        limit(first - MARGIN, end)
    axes.set_xlabel("Before treatment (logMAR), worse →", labelpad=4)
    axes.set_ylabel(f"{spec.latest_name} (logMAR), worse →", labelpad=4)
    middle = last + BREAK / 2
    for shade in (axes.axvspan, axes.axhspan):
        shade(middle - 0.03, middle + 0.03, facecolor=palette.PANEL, edgecolor="none", zorder=0)
    _break_mark(axes, middle, first - MARGIN)


def _break_mark(axes: Axes, middle: float, edge: float) -> None:
    look: dict[str, Any] = {"color": palette.QUIET_INK, "linewidth": 0.9, "clip_on": False}
    axes.plot([middle - 0.03, middle + 0.03], [edge, edge], **look | {"color": palette.PAPER})
    axes.plot([edge, edge], [middle - 0.03, middle + 0.03], **look | {"color": palette.PAPER})
    for shift in (-0.03, 0.03):
        slant = 0.025
        at = [middle + shift - slant, middle + shift + slant]
        axes.plot(at, [edge - 0.04, edge + 0.04], **look)
        axes.plot([edge - 0.04, edge + 0.04], at, **look)


def _lines(axes: Axes, first: float, last: float) -> None:
    end = last + BREAK + CATEGORY_STEP * (len(OFF_CHART) - 1)
    axes.plot([first, end], [first, end], color=palette.QUIET_INK, linewidth=0.9, zorder=1)
    look: dict[str, Any] = {"color": palette.QUIET_INK, "linewidth": 0.7, "dashes": (4, 3)}
    axes.plot([first, last - SAME_WITHIN], [first + SAME_WITHIN, last], **look)
    axes.plot([first + SAME_WITHIN, last], [first, last - SAME_WITHIN], **look)
    small: dict[str, Any] = {"fontsize": SMALL, "color": palette.QUIET_INK}
    above, beside = end + MARGIN + 0.03, end + MARGIN + 0.03
    axes.text(first - MARGIN, above, "Above the line: worse than before", va="bottom", **small)
    turned: dict[str, Any] = {"rotation": 90, "va": "bottom", "ha": "left"}
    axes.text(beside, first - MARGIN, "Below the line: better than before", **turned, **small)


def _eyes(axes: Axes, spec: AcuityFigure, last: float) -> tuple[Point, ...]:
    stacked = Counter((eye.baseline, eye.latest) for eye in spec.eyes)
    colour = palette.SERIES[0]
    points = []
    for (baseline, latest), count in stacked.items():
        x, y = place_of(baseline, last), place_of(latest, last)
        look: dict[str, Any] = {"color": colour, "alpha": 0.55, "markeredgecolor": colour}
        axes.plot([x], [y], "o", markersize=4 * math.sqrt(count), zorder=3, **look)
        eyes = "1 eye" if count == 1 else f"{count} eyes"
        label = f"{eyes}: {_said(baseline)} before, {_said(latest)} at {spec.latest_name.lower()}"
        points.append(canvas.point_at(axes, x, y, label))
    return tuple(sorted(points, key=lambda point: (point.x, point.y)))


def _said(level: AcuityLevel) -> str:
    return level.off_chart or f"{decimal(level.logmar or 0.0, 2)} logMAR"
