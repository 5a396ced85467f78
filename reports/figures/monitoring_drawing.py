"""Draws :class:`reports.figures.specs.MonitoringFigure`: O − E above, risk-adjusted CUSUM below."""

from __future__ import annotations

import math
from typing import Any

from matplotlib.axes import Axes

from reports.figures import canvas, palette
from reports.figures.canvas import SMALL, Drawing, Point
from reports.figures.specs import MonitoringFigure
from reports.words.wording import decimal

LEFT_IN = 0.78
BELOW_IN = 0.5
GAP_IN = 0.32


def draw(spec: MonitoringFigure, prefix: str, *, narrow: bool = False) -> Drawing:
    """The figure as SVG, for a page's full width or for a narrow screen."""
    width = canvas.NARROW_IN if narrow else canvas.WIDE_IN
    high, low = (1.5, 1.1) if narrow else (1.8, 1.3)
    across = width - LEFT_IN - 0.25
    with canvas.page(width, BELOW_IN + low + GAP_IN + high + 0.25) as figure:
        lower = canvas.axes_at(figure, LEFT_IN, BELOW_IN, across, low)
        upper = canvas.axes_at(figure, LEFT_IN, BELOW_IN + low + GAP_IN, across, high)
        for axes in (upper, lower):
            _time_axis(axes, spec)
        upper.set_xticklabels([])
        lower.set_xlabel("Calendar year", labelpad=3)
        points = _excess(upper, spec)
        _cusum(lower, spec)
        return canvas.finished(figure, prefix, tuple(points))


def _time_axis(axes: Axes, spec: MonitoringFigure) -> None:
    first, last = math.floor(min(spec.time_years)), math.ceil(max(spec.time_years))
    axes.set_xlim(first, max(last, first + 1))
    step = max(1, math.ceil((last - first) / 6))
    years = list(range(first, last + 1, step))
    axes.set_xticks(years, [str(year) for year in years])


def _excess(axes: Axes, spec: MonitoringFigure) -> list[Point]:
    colour = palette.SERIES[0]
    axes.axhline(0, color=palette.QUIET_INK, linewidth=0.8)
    look: dict[str, Any] = {"drawstyle": "steps-post", "color": colour, "linewidth": 1.4}
    axes.plot(spec.time_years, spec.observed_minus_expected, **look)
    reach = max(1.0, *(abs(value) for value in spec.observed_minus_expected)) * 1.15
    axes.set_ylim(-reach, reach)
    axes.set_ylabel("Observed −\nexpected", labelpad=4)
    axes.yaxis.set_major_formatter(lambda value, _: decimal(value, 1).removesuffix(".0"))
    small: dict[str, Any] = {"fontsize": SMALL, "color": palette.QUIET_INK}
    left = axes.get_xlim()[0] + 0.01 * (axes.get_xlim()[1] - axes.get_xlim()[0])
    axes.text(left, reach * 0.98, "more than expected", va="top", **small)
    axes.text(left, -reach * 0.98, "fewer than expected", va="bottom", **small)
    points = []
    for time, excess, event in zip(
        spec.time_years, spec.observed_minus_expected, spec.is_event, strict=True
    ):
        if event:
            axes.plot([time], [excess], "o", color=colour, markersize=3)
            label = f"{decimal(time, 2)}: event; observed − expected {decimal(excess, 1)}"
            points.append(canvas.point_at(axes, time, excess, label))
    return points


def _cusum(axes: Axes, spec: MonitoringFigure) -> None:
    top = max(spec.limit, *spec.cusum) * 1.15
    axes.set_ylim(0, top)
    axes.set_ylabel("CUSUM", labelpad=4)
    axes.yaxis.set_major_formatter(lambda value, _: decimal(value, 1).removesuffix(".0"))
    axes.axhline(spec.limit, color=palette.SERIES[1], linewidth=1.2, dashes=palette.DASHES[1])
    small: dict[str, Any] = {"fontsize": SMALL, "color": palette.SERIES[1], "va": "bottom"}
    first, last = axes.get_xlim()
    label = f"limit {decimal(spec.limit, 1)}"
    axes.text(first + 0.01 * (last - first), spec.limit, label, ha="left", **small)
    look: dict[str, Any] = {"drawstyle": "steps-post", "color": palette.SERIES[0]}
    axes.plot(spec.time_years, spec.cusum, linewidth=1.4, **look)
    ticks = [t for t, event in zip(spec.time_years, spec.is_event, strict=True) if event]
    axes.vlines(ticks, 0, top * 0.06, color=palette.INK, linewidth=0.8)
