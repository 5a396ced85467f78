"""Draws :class:`reports.figures.specs.DoseResponseFigure`: risk by dose within the doses given."""

from __future__ import annotations

from typing import Any

from matplotlib.axes import Axes

from reports.figures import canvas, palette
from reports.figures.axis_range import axis_marks, round_top
from reports.figures.canvas import Drawing, Point
from reports.figures.specs import DoseGroup, DoseResponseFigure
from reports.words.wording import decimal, percent_with_interval, say

LEFT_IN = 0.78
RUG_SHARE = 0.045


def draw(spec: DoseResponseFigure, prefix: str, *, narrow: bool = False) -> Drawing:
    """The figure as SVG, for a page's full width or for a narrow screen."""
    width = canvas.NARROW_IN if narrow else canvas.WIDE_IN
    height = 2.3 if narrow else 2.9
    with canvas.page(width, height + 0.85) as figure:
        axes = canvas.axes_at(figure, LEFT_IN, 0.55, width - LEFT_IN - 0.25, height)
        top = _frame(axes, spec)
        colour = palette.SERIES[0]
        band: dict[str, Any] = {"color": colour, "alpha": 0.16, "linewidth": 0}
        axes.fill_between(spec.dose, spec.lower, spec.upper, **band)
        axes.plot(spec.dose, spec.risk, color=colour, linewidth=1.6)
        points = [point for group in spec.groups for point in _group(axes, group, spec)]
        _rugs(axes, spec, top)
        y = height + 0.55 + 0.14
        canvas.write(figure, LEFT_IN, y, spec.adjustment.capitalize(), va="center", color=colour)
        return canvas.finished(figure, prefix, tuple(_curve_points(axes, spec) + points))


def _frame(axes: Axes, spec: DoseResponseFigure) -> float:
    limits = [g.risk.upper for g in spec.groups if g.risk.upper is not None]
    top = round_top(max([*spec.upper, *limits]))
    first, last = spec.dose[0], spec.dose[-1]
    margin = 0.03 * (last - first)
    axes.set_xlim(first - margin, last + margin)
    axes.set_ylim(0, top)
    marks = axis_marks(top)
    axes.set_yticks(marks, [decimal(mark * 100, 1).removesuffix(".0") for mark in marks])
    axes.set_xlabel(f"{spec.dose_name} ({spec.dose_unit})", labelpad=3)
    axes.set_ylabel(f"{spec.outcome} (%)", labelpad=4)
    axes.grid(axis="y", color=palette.RULE, linewidth=0.5)
    axes.set_axisbelow(True)
    return top


def _group(axes: Axes, group: DoseGroup, spec: DoseResponseFigure) -> list[Point]:
    risk = group.risk
    if risk.hidden or risk.failure is None:
        return []
    share = risk.failure
    if risk.lower is not None and risk.upper is not None:
        axes.vlines([group.dose_middle], risk.lower, risk.upper, color=palette.INK, linewidth=1.0)
    edge: dict[str, Any] = {"markeredgecolor": palette.PAPER, "markeredgewidth": 0.6}
    axes.plot([group.dose_middle], [share], "s", color=palette.INK, markersize=5, **edge)
    ends = f"{decimal(group.dose_from, 0)} to {decimal(group.dose_to, 0)} {spec.dose_unit}"
    return [canvas.point_at(axes, group.dose_middle, share, f"Observed, {ends}: {say(risk)}")]


def _curve_points(axes: Axes, spec: DoseResponseFigure) -> list[Point]:
    places = sorted({round(k * (len(spec.dose) - 1) / 8) for k in range(9)})
    points = []
    for k in places:
        said = percent_with_interval(spec.risk[k], spec.lower[k], spec.upper[k], spec.level)
        label = f"{decimal(spec.dose[k], 1)} {spec.dose_unit}: {said}"
        points.append(canvas.point_at(axes, spec.dose[k], spec.risk[k], label))
    return points


def _rugs(axes: Axes, spec: DoseResponseFigure, top: float) -> None:
    low, high = axes.get_xlim()
    look: dict[str, Any] = {"linewidth": 0.5, "alpha": 0.7}
    without = [d for d in spec.doses_without_event if low <= d <= high]
    with_event = [d for d in spec.doses_with_event if low <= d <= high]
    axes.vlines(without, 0, RUG_SHARE * top, color=palette.QUIET_INK, **look)
    axes.vlines(with_event, top, top * (1 - RUG_SHARE), color=palette.SERIES[1], **look)
