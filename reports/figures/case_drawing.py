"""Draws :class:`reports.figures.specs.CaseTimeline`: events, height and acuity on one time axis."""

from __future__ import annotations

import math
from typing import Any

from matplotlib.axes import Axes

from reports.figures import canvas, palette
from reports.figures.acuity_drawing import BREAK, CATEGORY_STEP, place_of
from reports.figures.canvas import SMALL, Drawing, Point
from reports.figures.specs import OFF_CHART, CaseTimeline, TimedAcuity
from reports.words.wording import decimal

ROW_IN = 0.19
GAP_IN = 0.16
BELOW_IN = 0.48
ABOVE_IN = 0.1
YEARS = "years"


def draw(spec: CaseTimeline, prefix: str, *, narrow: bool = False) -> Drawing:
    """The figure as SVG, for a page's full width or for a narrow screen."""
    width = canvas.NARROW_IN if narrow else canvas.WIDE_IN
    left = 1.25 if narrow else 1.75
    height_in, acuity_in = (1.1, 1.5) if narrow else (1.15, 1.6)
    rows = list(dict.fromkeys(event.label for event in spec.events)) or ["no event"]
    events_in = ROW_IN * len(rows) + 0.06
    total = BELOW_IN + acuity_in + GAP_IN + height_in + GAP_IN + events_in + ABOVE_IN
    across = width - left - 0.15
    with canvas.page(width, total) as figure:
        low = canvas.axes_at(figure, left, BELOW_IN, across, acuity_in)
        middle = canvas.axes_at(figure, left, BELOW_IN + acuity_in + GAP_IN, across, height_in)
        bottom = BELOW_IN + acuity_in + height_in + 2 * GAP_IN
        top = canvas.axes_at(figure, left, bottom, across, events_in)
        for axes in (top, middle, low):
            _time_axis(axes, spec, narrow)
        for axes in (top, middle):
            axes.set_xticklabels([])
        low.set_xlabel("Years since the first insertion", labelpad=3)
        points = [*_events(top, spec, rows), *_height(middle, spec), *_acuity(low, spec)]
        return canvas.finished(figure, prefix, tuple(points))


def time_range(spec: CaseTimeline) -> tuple[float, float]:
    """First and last time shown, 0 to 1 year at least.

    >>> time_range(CaseTimeline((), (), ()))
    (0.0, 1.0)
    """
    times = [p.time_years for part in (spec.acuity, spec.height, spec.events) for p in part]
    return min([*times, 0.0]), max([*times, 1.0])


def _time_axis(axes: Axes, spec: CaseTimeline, narrow: bool) -> None:
    first, last = time_range(spec)
    pad = 0.03 * (last - first)
    axes.set_xlim(first - pad, last + pad)
    most = 5 if narrow else 10
    step = next(s for s in (0.25, 0.5, 1, 2, 5, 10, 20, 50) if (last - first) / s <= most)
    marks = [k * step for k in range(math.ceil(first / step), math.floor(last / step) + 1)]
    axes.set_xticks(marks, [f"{mark:g}".replace("-", "\u2212") for mark in marks])
    axes.axvline(0, color=palette.RULE, linewidth=0.9, zorder=0)


def _events(axes: Axes, spec: CaseTimeline, rows: list[str]) -> list[Point]:
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.set_yticks(range(len(rows)), rows, fontsize=SMALL)
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    points = []
    for event in spec.events:
        row = rows.index(event.label)
        colour, mark = (palette.SERIES[4], "D") if event.is_bad else (palette.SERIES[0], "o")
        axes.plot([event.time_years], [row], mark, color=colour, markersize=4, zorder=3)
        label = f"{event.label}, {decimal(event.time_years, 2)} {YEARS}"
        points.append(canvas.point_at(axes, event.time_years, row, label))
    for row in range(len(rows)):
        axes.axhline(row, color=palette.RULE, linewidth=0.4, zorder=0)
    return points


def _height(axes: Axes, spec: CaseTimeline) -> list[Point]:
    heights = [point.height_mm for point in spec.height]
    known = [*heights, *([spec.baseline_height_mm] if spec.baseline_height_mm else [])]
    axes.set_ylim(0, max([*known, 1.0]) * 1.15)
    axes.set_ylabel("Height (mm)", labelpad=4)
    axes.yaxis.set_major_formatter(lambda value, _: decimal(value, 1).removesuffix(".0"))
    if spec.baseline_height_mm:
        look: dict[str, Any] = {"color": palette.QUIET_INK, "linewidth": 0.8, "dashes": (4, 3)}
        axes.axhline(spec.baseline_height_mm, **look)
        small: dict[str, Any] = {"fontsize": SMALL, "color": palette.QUIET_INK}
        end = axes.get_xlim()[1]
        axes.text(end, spec.baseline_height_mm, "baseline", ha="right", va="bottom", **small)
    colour = palette.SERIES[1]
    axes.plot([p.time_years for p in spec.height], heights, "-s", color=colour, markersize=3.5,
              linewidth=1.2)  # fmt: skip
    return [
        canvas.point_at(
            axes,
            p.time_years,
            p.height_mm,
            f"height {decimal(p.height_mm)} mm, {decimal(p.time_years, 2)} {YEARS}",
        )
        for p in spec.height
    ]


def _chart_end(spec: CaseTimeline) -> tuple[float, float]:
    known = [p.level.logmar for p in spec.acuity if p.level.logmar is not None]
    low, high = min([*known, 0.0]), max([*known, 1.0])
    return round(math.floor(low * 5) / 5, 1), round(math.ceil(high * 5) / 5, 1)


def _acuity(axes: Axes, spec: CaseTimeline) -> list[Point]:
    first, last = _chart_end(spec)
    places = [last + BREAK + CATEGORY_STEP * k for k in range(len(OFF_CHART))]
    step = 0.5 if last - first > 1.2 else 0.4
    marks = [round(k * step, 1) for k in range(math.ceil(first / step), int(last / step) + 1)]
    axes.set_yticks([*marks, *places], [*(decimal(mark, 1) for mark in marks), *OFF_CHART])
    axes.set_ylim(places[-1] + 0.12, first - 0.1)
    axes.set_ylabel("Acuity (logMAR), better →", labelpad=4)
    middle = last + BREAK / 2
    axes.axhspan(middle - 0.03, middle + 0.03, facecolor=palette.PANEL, edgecolor="none", zorder=0)
    colour = palette.SERIES[0]
    heights = [place_of(point.level, last) for point in spec.acuity]
    times = [point.time_years for point in spec.acuity]
    axes.plot(times, heights, "-o", color=colour, markersize=3.5, linewidth=1.2)
    return [
        canvas.point_at(axes, time, y, f"{_said(point)}, {decimal(time, 2)} {YEARS}")
        for time, y, point in zip(times, heights, spec.acuity, strict=True)
    ]


def _said(point: TimedAcuity) -> str:
    level = point.level
    return level.off_chart or f"acuity {decimal(level.logmar or 0.0, 2)} logMAR"
