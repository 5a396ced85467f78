"""Draws :class:`reports.figures.specs.FunnelFigure`: shares against size within exact limits."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from reports.figures import canvas, palette
from reports.figures.axis_range import axis_marks, round_top
from reports.figures.canvas import SMALL, Drawing, Point
from reports.figures.specs import FunnelFigure, FunnelLimit, FunnelUnit
from reports.words.wording import decimal, percent, say

RIGHT_IN = 1.0
LEFT_IN = 0.78


def draw(spec: FunnelFigure, prefix: str, *, narrow: bool = False) -> Drawing:
    """The figure as SVG, for a page's full width or for a narrow screen."""
    width = canvas.NARROW_IN if narrow else canvas.WIDE_IN
    height, right = (2.4, 0.75) if narrow else (3.0, RIGHT_IN)
    with canvas.page(width, height + 0.75) as figure:
        axes = canvas.axes_at(figure, LEFT_IN, 0.55, width - LEFT_IN - right, height)
        _frame(axes, spec)
        for place, limit in enumerate(spec.limits):
            _limit(axes, limit, place)
        axes.axhline(spec.benchmark, color=palette.INK, linewidth=1.0)
        end = axes.get_xlim()[1]
        look: dict[str, Any] = {"fontsize": SMALL, "va": "center"}
        worded = decimal(spec.benchmark, 1) if spec.is_ratio else percent(spec.benchmark)
        axes.text(end * 1.01, spec.benchmark, worded, **look)
        points = [point for unit in spec.units for point in _unit(axes, spec, unit)]
        return canvas.finished(figure, prefix, tuple(points))


def _share(unit: FunnelUnit) -> float | None:
    events, size = unit.events.value, _size(unit)
    return None if events is None or not size else events / size


def _size(unit: FunnelUnit) -> float | None:
    return unit.n.value if unit.expected is None else unit.expected


def _frame(axes: Axes, spec: FunnelFigure) -> None:
    end = max(size for limit in spec.limits for size in limit.size)
    shares = [share for share in map(_share, spec.units) if share is not None]
    uppers = [
        high
        for limit in spec.limits
        for size, high in zip(limit.size, limit.upper, strict=True)
        if size >= end / 8
    ]
    highest = max([*shares, *uppers, spec.benchmark])
    axes.set_xlim(0, end)
    axes.set_xlabel(spec.size_name, labelpad=3)
    if spec.is_ratio:
        axes.set_ylim(0, math.ceil(2 * min(highest, 10.0)) / 2)
        axes.set_ylabel(spec.measure, labelpad=4)
        axes.yaxis.set_major_formatter(lambda value, _: decimal(value, 1).removesuffix(".0"))
        return
    top = round_top(highest)
    axes.set_ylim(0, top)
    marks = axis_marks(top)
    axes.set_yticks(marks, [decimal(mark * 100, 1).removesuffix(".0") for mark in marks])
    axes.set_ylabel(f"{spec.measure} (%)", labelpad=4)


def _limit(axes: Axes, limit: FunnelLimit, place: int) -> None:
    dash = palette.DASHES[(place + 1) % len(palette.DASHES)]
    look: dict[str, Any] = {"color": palette.QUIET_INK, "linewidth": 1.0, "dashes": dash}
    for heights in (limit.lower, limit.upper):
        axes.plot(limit.size, np.clip(heights, 0, axes.get_ylim()[1] * 1.02), **look)
    text: dict[str, Any] = {"fontsize": SMALL, "color": palette.QUIET_INK, "va": "center"}
    if limit.upper[-1] <= axes.get_ylim()[1]:
        axes.text(axes.get_xlim()[1] * 1.01, limit.upper[-1], limit.name, **text)


def _outside(spec: FunnelFigure, unit: FunnelUnit, share: float) -> bool:
    widest = spec.limits[-1]
    size = _size(unit) or 0
    low, high = (np.interp(size, widest.size, side) for side in (widest.lower, widest.upper))
    return bool(share < low or share > high)


def _unit(axes: Axes, spec: FunnelFigure, unit: FunnelUnit) -> list[Point]:
    share, at = _share(unit), _size(unit)
    if share is None or at is None:
        return []
    named = unit.is_named or _outside(spec, unit, share)
    colour = (
        palette.SERIES[0] if unit.is_named else palette.SERIES[1] if named else palette.QUIET_INK
    )
    marker = "D" if unit.is_named else "o"
    fill: dict[str, Any] = {"markerfacecolor": colour if named else palette.PAPER}
    size = 6 if named else 4.5
    axes.plot([at], [share], marker, color=colour, markersize=size, zorder=3, clip_on=False, **fill)
    if named:
        shift: dict[str, Any] = {"xytext": (6, 6), "textcoords": "offset points"}
        late = at > axes.get_xlim()[1] * 0.5
        side: dict[str, Any] = {"ha": "right" if late else "left", "color": colour}
        if late:
            shift["xytext"] = (-6, 6)
        axes.annotate(unit.name, (at, share), fontweight=600, **shift, **side)
    label = f"{unit.name}: {say(unit.events)} of {say(unit.n)}, {percent(share)}"
    if spec.is_ratio:
        label = f"{unit.name}: {say(unit.events)} observed, {decimal(at, 1)} expected"
    return [canvas.point_at(axes, at, share, label)]
