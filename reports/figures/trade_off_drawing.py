"""Draws :class:`reports.figures.dose_specs.TradeOffFigure`: benefit and harm on the same axes."""

from __future__ import annotations

from typing import Any

from matplotlib.axes import Axes

from reports.figures import canvas, palette
from reports.figures.canvas import Drawing, Point
from reports.figures.dose_specs import TradeOffCurve, TradeOffFigure
from reports.words.wording import decimal, percent_with_interval

LEFT_IN = 0.78


def draw(spec: TradeOffFigure, prefix: str, *, narrow: bool = False) -> Drawing:
    """The figure as SVG, for a page's full width or for a narrow screen."""
    width = canvas.NARROW_IN if narrow else canvas.WIDE_IN
    height = 2.4 if narrow else 3.1
    above = 0.24 * len(spec.curves) + 0.16
    with canvas.page(width, height + 0.55 + above) as figure:
        axes = canvas.axes_at(figure, LEFT_IN, 0.55, width - LEFT_IN - 0.25, height)
        _frame(axes, spec)
        points: list[Point] = []
        for place, curve in enumerate(spec.curves):
            points += _curve(axes, curve, spec, place)
            y = height + 0.55 + above - 0.2 - 0.24 * place
            _key(figure, place, y, curve.name)
        return canvas.finished(figure, prefix, tuple(points))


def _key(figure: Any, place: int, y: float, name: str) -> None:
    from matplotlib.lines import Line2D

    across, up = figure.get_size_inches()
    colour = palette.SERIES[place]
    ends = [LEFT_IN / across, (LEFT_IN + 0.35) / across]
    line = Line2D(ends, [y / up, y / up], color=colour, linewidth=1.6)
    if palette.DASHES[place]:
        line.set_dashes(palette.DASHES[place])
    figure.add_artist(line)
    canvas.write(figure, LEFT_IN + 0.43, y, name, va="center", color=colour)


def _frame(axes: Axes, spec: TradeOffFigure) -> None:
    first = min(curve.dose[0] for curve in spec.curves)
    last = max(curve.dose[-1] for curve in spec.curves)
    margin = 0.03 * (last - first)
    axes.set_xlim(first - margin, last + margin)
    axes.set_ylim(0, 1)
    axes.set_yticks([0, 0.25, 0.5, 0.75, 1.0], ["0", "25", "50", "75", "100"])
    axes.set_xlabel(f"{spec.dose_name} ({spec.dose_unit})", labelpad=3)
    axes.set_ylabel(f"{spec.measure} (%)", labelpad=4)
    axes.grid(axis="y", color=palette.RULE, linewidth=0.5)
    axes.set_axisbelow(True)


def _curve(axes: Axes, curve: TradeOffCurve, spec: TradeOffFigure, place: int) -> list[Point]:
    colour = palette.SERIES[place]
    band: dict[str, Any] = {"color": colour, "alpha": 0.14, "linewidth": 0}
    axes.fill_between(curve.dose, curve.lower, curve.upper, **band)
    look: dict[str, Any] = {"color": colour, "linewidth": 1.6}
    if palette.DASHES[place]:
        look["dashes"] = palette.DASHES[place]
    axes.plot(curve.dose, curve.free, **look)
    points = []
    for k in sorted({round(j * (len(curve.dose) - 1) / 6) for j in range(7)}):
        said = percent_with_interval(curve.free[k], curve.lower[k], curve.upper[k], spec.level)
        label = f"{curve.name}, {decimal(curve.dose[k], 1)} {spec.dose_unit}: {said}"
        points.append(canvas.point_at(axes, curve.dose[k], curve.free[k], label))
    return points
