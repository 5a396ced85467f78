"""Draws :class:`reports.figures.specs.ForestFigure`: estimates in rows, their text beside them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from reports.figures import canvas, palette
from reports.figures.canvas import SMALL, Drawing, Point
from reports.figures.specs import ForestFigure, ForestRow
from reports.words.wording import DASH, decimal, say

DOUBLINGS = tuple(2.0**k for k in range(-7, 8))
TENS = tuple(10.0**k for k in range(-5, 6))
WIDEST_DOUBLING_RANGE = 64
#: Ratios all so near to each other are marked in even steps: a doubling would crowd them.
NARROW_RANGE = 1.5


@dataclass(frozen=True, slots=True)
class _Layout:
    counts_right: float
    plot_left: float
    plot_width: float
    text_left: float
    row: float


WIDE = _Layout(2.75, 2.95, 2.1, 5.2, 0.225)
NARROW = _Layout(0.0, 1.85, 1.65, 0.0, 0.4)


def draw(spec: ForestFigure, prefix: str, *, narrow: bool = False) -> Drawing:
    """The figure as SVG, for a page's full width or for a narrow screen."""
    layout = NARROW if narrow else WIDE
    width = canvas.NARROW_IN if narrow else canvas.WIDE_IN
    below, head = 0.62, 0.1 if narrow else 0.3
    rows = sum(_row_height(row, layout) for row in spec.rows)
    with canvas.page(width, below + rows + head) as figure:
        axes = canvas.axes_at(figure, layout.plot_left, below, layout.plot_width, rows)
        _frame(axes, spec, rows)
        if not narrow:
            _headings(figure, spec, layout, below + rows + 0.1)
        _directions(figure, spec, layout)
        points: list[Point] = []
        y = rows
        for row in spec.rows:
            y -= _row_height(row, layout)
            middle = y + _row_height(row, layout) / 2
            _words(figure, row, layout, below + middle, narrow)
            points += _mark(axes, spec, row, middle)
        return canvas.finished(figure, prefix, tuple(points))


def _row_height(row: ForestRow, layout: _Layout) -> float:
    return 0.24 if row.is_heading else layout.row


def _frame(axes: Axes, spec: ForestFigure, rows: float) -> None:
    axes.set_ylim(0, rows)
    axes.yaxis.set_visible(False)
    axes.spines["left"].set_visible(False)
    if spec.log_axis:
        axes.set_xscale("log")
    low, high, marks = axis_range(spec)
    axes.set_xlim(low, high)
    axes.set_xticks(marks, [_mark_text(mark) for mark in marks])
    axes.minorticks_off()
    axes.axvline(spec.null_value, color=palette.QUIET_INK, linewidth=0.8, zorder=0)
    axes.set_xlabel(spec.measure, labelpad=2)


def _mark_text(mark: float) -> str:
    digits = 0 if mark == int(mark) else max(1, -math.floor(math.log10(abs(mark))))
    text = decimal(mark, min(digits + 1, 4))
    return text.rstrip("0").rstrip(".") if "." in text else text


def axis_range(spec: ForestFigure) -> tuple[float, float, list[float]]:
    """Ends of the axis and its marks: round values around all estimates, the null among them.

    Limits far beyond the estimates are cut at the ends and drawn as arrows.
    """
    shown = [r.estimate for r in spec.rows if r.estimate is not None and not r.estimate.hidden]
    values = [q.value for q in shown if q.value is not None]
    limits = [x for q in shown for x in (q.lower, q.upper) if x is not None]
    every = [*values, *limits, spec.null_value]
    if not spec.log_axis:
        return _linear_range(every)
    positive = [x for x in every if x > 0]
    middle = [x for x in (*values, spec.null_value) if x > 0]
    low = max(min(positive), min(middle) / 8)
    high = min(max(positive), max(middle) * 8)
    if high / low <= NARROW_RANGE:
        return _linear_range([low, high, spec.null_value], least_step=0.01)
    ladder = DOUBLINGS if high / low <= WIDEST_DOUBLING_RANGE else TENS
    start = max((x for x in ladder if x <= low), default=ladder[0])
    end = min((x for x in ladder if x >= high), default=ladder[-1])
    if start == end:
        start, end = start / 2, end * 2
    return start, end, [x for x in ladder if start <= x <= end]


def _linear_range(
    values: list[float], *, least_step: float = 1e-9
) -> tuple[float, float, list[float]]:
    low, high = min(values), max(values)
    rough = max((high - low) / 4, least_step)
    size = 10.0 ** math.floor(math.log10(rough))
    step = next(size * k for k in (1, 2, 5, 10) if size * k >= rough)
    first, last = math.floor(low / step), math.ceil(high / step)
    marks = [round(k * step, 10) for k in range(first, last + 1)]
    return marks[0], marks[-1], marks


def _headings(figure: Figure, spec: ForestFigure, layout: _Layout, y: float) -> None:
    bold: dict[str, Any] = {"fontweight": 600, "va": "center"}
    canvas.write(figure, layout.counts_right, y, spec.counts_heading, ha="right", **bold)
    canvas.write(figure, layout.text_left, y, _estimate_heading(spec), **bold)


def _estimate_heading(spec: ForestFigure) -> str:
    known = [r.estimate for r in spec.rows if r.estimate is not None]
    level = f" ({known[0].level * 100:g}\u00a0% CI)" if known else ""
    return spec.short_measure + level


def _directions(figure: Figure, spec: ForestFigure, layout: _Layout) -> None:
    y, edge = 0.09, layout.plot_left + layout.plot_width
    small: dict[str, Any] = {"fontsize": SMALL, "va": "center", "color": palette.QUIET_INK}
    if spec.lower_means:
        canvas.write(figure, layout.plot_left, y, f"← {spec.lower_means}", ha="left", **small)
    if spec.higher_means:
        canvas.write(figure, edge, y, f"{spec.higher_means} →", ha="right", **small)


def _words(figure: Figure, row: ForestRow, layout: _Layout, y: float, narrow: bool) -> None:
    weight: dict[str, Any] = {"fontweight": 600 if row.is_heading else 400, "va": "center"}
    indent = 0.05 if row.is_heading else 0.17
    said = estimate_text(row)
    if narrow and not row.is_heading:
        canvas.write(figure, indent, y + 0.075, row.label, **weight)
        small: dict[str, Any] = {"fontsize": SMALL, "va": "center", "color": palette.QUIET_INK}
        counted = say(row.counts)
        both = "; ".join(part for part in (counted, said) if part)
        fits = canvas.text_width_in(figure, both, fontsize=SMALL) <= layout.plot_left - indent
        canvas.write(figure, indent, y - 0.075, both if fits else said, **small)
        return
    canvas.write(figure, indent, y, row.label, **weight)
    if not row.is_heading:
        canvas.write(figure, layout.counts_right, y, say(row.counts), ha="right", va="center")
        canvas.write(figure, layout.text_left, y, said, va="center")


def estimate_text(row: ForestRow) -> str:
    """What stands beside a row: the estimate and its limits, "reference", or the reason.

    >>> from reports.words.values import Quantity
    >>> estimate_text(ForestRow("T2", estimate=Quantity(1.5, 0.8, 2.9)))
    '1.50 (0.80–2.90)'
    """
    if row.is_reference:
        return "reference"
    known = row.estimate
    if known is None:
        return ""
    if known.hidden or known.value is None or known.lower is None or known.upper is None:
        return say(known)
    low, high = decimal(known.lower, known.digits), decimal(known.upper, known.digits)
    between = " to " if low.startswith("−") or high.startswith("−") else DASH
    return f"{decimal(known.value, known.digits)} ({low}{between}{high})"


def _mark(axes: Axes, spec: ForestFigure, row: ForestRow, y: float) -> list[Point]:
    colour = palette.SERIES[0]
    if row.is_reference:
        look: dict[str, Any] = {"color": palette.PAPER, "markeredgecolor": palette.QUIET_INK}
        axes.plot([spec.null_value], [y], "s", markersize=4.5, **look)
        return []
    known = row.estimate
    if known is None or known.hidden or known.value is None:
        return []
    if known.lower is not None and known.upper is not None:
        _interval(axes, known.lower, known.upper, y, colour)
    axes.plot([known.value], [y], "s", color=colour, markersize=5, zorder=3)
    return [canvas.point_at(axes, known.value, y, f"{row.label}: {say(known)}")]


def _interval(axes: Axes, lower: float, upper: float, y: float, colour: str) -> None:
    start, end = axes.get_xlim()
    axes.plot([max(lower, start), min(upper, end)], [y, y], color=colour, linewidth=1.4)
    look: dict[str, Any] = {"color": colour, "markersize": 4.5, "clip_on": False}
    if lower < start:
        axes.plot([start], [y], "<", **look)
    if upper > end:
        axes.plot([end], [y], ">", **look)
