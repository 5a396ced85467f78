"""Draws :class:`reports.figures.specs.SurvivalFigure`: one or two curves, or a panel each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from reports.figures import canvas, palette
from reports.figures.axis_range import axis_marks, axis_top
from reports.figures.canvas import PLAIN, SMALL, Drawing, Point
from reports.figures.label_places import spread
from reports.figures.specs import CurveSeries, RiskRow, SurvivalFigure
from reports.words.values import Count
from reports.words.wording import (
    NO_BREAK,
    decimal,
    in_years,
    percent_with_interval,
    say,
    shown_side,
)

ROW_IN = 0.15
TICK_IN = 0.3
LEFT_IN = 0.78
COUNTED = (("At risk", "at_risk"), ("Censored", "censored"), ("Events", "events"))
OVERLAID = 2


@dataclass(frozen=True, slots=True)
class _Look:
    colour: str
    dash: tuple[float, ...]
    marker: str


@dataclass(frozen=True, slots=True)
class _Box:
    left: float
    bottom: float
    width: float
    height: float


def draw(spec: SurvivalFigure, prefix: str, *, narrow: bool = False) -> Drawing:
    """The figure as SVG, for a page's full width or for a narrow screen."""
    if len(spec.series) <= OVERLAID:
        return _draw_overlaid(spec, prefix, narrow)
    return _draw_panels(spec, prefix, narrow)


def _look(place: int) -> _Look:
    kinds = len(palette.SERIES)
    return _Look(
        palette.SERIES[place % kinds],
        palette.DASHES[place % kinds],
        palette.MARKERS[place % kinds],
    )


def _draw_overlaid(spec: SurvivalFigure, prefix: str, narrow: bool) -> Drawing:
    width = canvas.NARROW_IN if narrow else canvas.WIDE_IN
    plot_height = 2.2 if narrow else 2.7
    table = _table_height(spec.series)
    with canvas.page(width, 1.0) as measure:
        head = 0.165 * len(_statement_lines(measure, spec, width, narrow)) + 0.2
    height = table + 0.45 + plot_height + head
    with canvas.page(width, height) as figure:
        labels = len(spec.series) > 1
        right = max((_label_width(figure, s.name) for s in spec.series), default=0.0)
        right = min(right, 1.3) + 0.2 if labels and not narrow else 0.2
        left = LEFT_IN
        box = _Box(left, table + 0.45, width - left - right, plot_height)
        axes = _axes(figure, spec, box)
        points: list[Point] = []
        for place, series in enumerate(spec.series):
            points += _curve(axes, spec, series, _look(place))
        if labels and not narrow:
            _end_labels(figure, axes, spec, box)
        _statements(figure, spec, height, width, narrow)
        y = table - 0.02
        for place, series in enumerate(spec.series):
            colour = _look(place).colour if labels else palette.INK
            y = _risk_table(figure, axes, series, box, y, colour, titled=labels)
        return canvas.finished(figure, prefix, tuple(points))


def _table_height(series: tuple[CurveSeries, ...]) -> float:
    rows = sum(_rows_shown(one) + (len(series) > 1) for one in series)
    return rows * ROW_IN + 0.08 * len(series) + 0.08


def _rows_shown(series: CurveSeries) -> int:
    return 2 if all(row.censored is None for row in series.risk) else 3


def _label_width(figure: Figure, name: str) -> float:
    lines = canvas.wrapped(figure, name, 1.3, fontsize=PLAIN, fontweight=600)
    return max(canvas.text_width_in(figure, x, fontsize=PLAIN, fontweight=600) for x in lines)


def _axes(figure: Figure, spec: SurvivalFigure, box: _Box) -> Axes:
    axes = canvas.axes_at(figure, box.left, box.bottom, box.width, box.height)
    ticks = [row.time_years for row in spec.series[0].risk]
    end = max(ticks[-1], 1e-9)
    axes.set_xlim(0, end)
    axes.set_xticks(_thinned(ticks, box.width))
    axes.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
    top = axis_top(spec)
    axes.set_ylim(0, top)
    marks = axis_marks(top)
    axes.set_yticks(marks, [_share(mark) for mark in marks])
    axes.grid(axis="y", color=palette.RULE, linewidth=0.5)
    axes.set_axisbelow(True)
    axes.set_xlabel("Years since insertion", labelpad=3)
    axes.set_ylabel(f"{spec.failure_name} (%)", labelpad=4)
    return axes


def _share(fraction: float) -> str:
    text = decimal(fraction * 100, 1)
    return text.removesuffix(".0")


def _thinned(ticks: list[float], width_in: float) -> list[float]:
    step = next(k for k in range(1, 50) if (len(ticks) / k) * TICK_IN <= width_in or k == 49)
    return ticks[::step]


def _curve(axes: Axes, spec: SurvivalFigure, series: CurveSeries, look: _Look) -> list[Point]:
    _band(axes, series, look.colour)
    stop = min(series.stop_years, axes.get_xlim()[1])
    times, heights = _steps(series.time_years, series.failure, stop)
    line: dict[str, Any] = {"color": look.colour, "linewidth": 1.6, "clip_on": False, "zorder": 3}
    axes.plot(times, heights, drawstyle="steps-post", dashes=look.dash or (None, None), **line)
    points = []
    for row in series.risk:
        share = row.estimate.failure
        if share is None or row.estimate.hidden or row.time_years > series.stop_years:
            continue
        if row.time_years > 0:
            axes.plot(
                [row.time_years],
                [share],
                look.marker,
                color=look.colour,
                markersize=4,
                markeredgecolor=palette.PAPER,
                markeredgewidth=0.6,
                clip_on=False,
                zorder=4,
            )
            points.append(
                canvas.point_at(axes, row.time_years, share, _point_label(spec, series, row))
            )
    return points


def _band(axes: Axes, series: CurveSeries, colour: str) -> None:
    stop = min(series.stop_years, axes.get_xlim()[1])
    times, low = _steps(series.time_years, series.lower, stop)
    _, high = _steps(series.time_years, series.upper, stop)
    if len(times) > 1:
        look: dict[str, Any] = {"color": colour, "alpha": 0.16, "linewidth": 0, "zorder": 1}
        axes.fill_between(times, low, high, step="post", **look)


def _steps(
    times: tuple[float, ...], heights: tuple[float | None, ...], stop: float
) -> tuple[list[float], list[float]]:
    """The step curve with its last height drawn on to ``stop``; a missing height is a gap."""
    gap = float("nan")
    shown = [(t, gap if h is None else h) for t, h in zip(times, heights, strict=True) if t <= stop]
    if shown and shown[-1][0] < stop:
        shown.append((stop, shown[-1][1]))
    return [t for t, _ in shown], [h for _, h in shown]


def _point_label(spec: SurvivalFigure, series: CurveSeries, row: RiskRow) -> str:
    side = shown_side(row.estimate)
    name = spec.control_name if row.estimate.shown_as == "control" else spec.failure_name
    share = "" if side is None else percent_with_interval(*side, row.estimate.level)
    gone = "" if row.censored is None else f"censored {say(row.censored)}, "
    who = f"{series.name}, " if len(spec.series) > 1 else ""
    return (
        f"{who}{in_years(row.time_years)}: {name} {share}; at risk {say(row.at_risk)}, "
        f"{gone}events {say(row.events)}"
    )


def _end_labels(figure: Figure, axes: Axes, spec: SurvivalFigure, box: _Box) -> None:
    ends = []
    for place, series in enumerate(spec.series):
        _, heights = _steps(series.time_years, series.failure, series.stop_years)
        if heights and heights[-1] == heights[-1]:
            lines = canvas.wrapped(figure, series.name, 1.3, fontsize=PLAIN, fontweight=600)
            up = box.bottom + box.height * heights[-1] / axes.get_ylim()[1]
            ends.append((up, place, lines))
    for (_, place, lines), y in zip(
        sorted(ends), spread([e[0] for e in sorted(ends)], 0.32), strict=True
    ):
        canvas.write(
            figure,
            box.left + box.width + 0.1,
            y,
            "\n".join(lines),
            color=_look(place).colour,
            fontweight=600,
            va="center",
            linespacing=1.1,
        )


def _statement(spec: SurvivalFigure, series: CurveSeries) -> str:
    """ "Local control at 5 years 92.4 % (95 % CI ...)", or why it cannot be said."""
    row = next((r for r in series.risk if r.time_years == spec.stated_at_years), None)
    if row is None or spec.stated_at_years is None:
        return ""
    head = f"{spec.control_name} at {spec.stated_at_years:g}{NO_BREAK}years"
    if row.estimate.hidden:
        return f"{head}: not shown (1 to 7 events or people)"
    estimate = row.estimate
    if estimate.failure is None:
        return f"{head}: {say(estimate)}"
    low = None if estimate.upper is None else 1 - estimate.upper
    high = None if estimate.lower is None else 1 - estimate.lower
    return f"{head}: {percent_with_interval(1 - estimate.failure, low, high, estimate.level)}"


def _statement_lines(
    figure: Figure, spec: SurvivalFigure, width: float, narrow: bool
) -> list[tuple[int, bool, str]]:
    """Each line above the plot with its series, and whether the series' sample precedes it."""
    several = len(spec.series) > 1
    room = width - _statement_left(spec, narrow) - 0.1
    lines: list[tuple[int, bool, str]] = []
    for place, series in enumerate(spec.series):
        said = _statement(spec, series)
        text = (f"{series.name}. {said}" if said else series.name) if several else said
        parts = canvas.wrapped(figure, text, room, fontsize=PLAIN) if text else []
        lines += [(place, several and k == 0, part) for k, part in enumerate(parts)]
    return lines


def _statement_left(spec: SurvivalFigure, narrow: bool) -> float:
    return (0.08 if narrow else LEFT_IN) + (0.36 if len(spec.series) > 1 else 0.0)


def _statements(
    figure: Figure, spec: SurvivalFigure, height: float, width: float, narrow: bool
) -> None:
    y, x = height - 0.12, _statement_left(spec, narrow)
    for place, sampled, line in _statement_lines(figure, spec, width, narrow):
        colour = _look(place).colour if len(spec.series) > 1 else palette.INK
        if sampled:
            _sample(figure, x - 0.36, y, _look(place))
        canvas.write(figure, x, y, line, color=colour, va="center")
        y -= 0.165


def _sample(figure: Figure, x: float, y: float, look: _Look) -> None:
    across, up = figure.get_size_inches()
    for xs, marker in (((x, x + 0.3), "None"), ((x + 0.15,), look.marker)):
        figure.add_artist(
            Line2D(
                [value / across for value in xs],
                [y / up for _ in xs],
                color=look.colour,
                dashes=look.dash or (None, None),
                marker=marker,
                markersize=4,
                markeredgecolor=palette.PAPER,
                markeredgewidth=0.6,
            )
        )


def _risk_table(
    figure: Figure,
    axes: Axes,
    series: CurveSeries,
    box: _Box,
    y: float,
    colour: str,
    *,
    titled: bool,
    labelled: bool = True,
) -> float:
    """Rows under the ticks; returns the height at which the next table starts."""
    shown = set(axes.get_xticks())
    if titled:
        y -= ROW_IN
        canvas.write(
            figure, 0.05, y, series.name, fontsize=SMALL, fontweight=600, color=colour, va="bottom"
        )
    for name, pick in COUNTED:
        if all(getattr(row, pick) is None for row in series.risk):
            continue
        y -= ROW_IN
        if labelled:
            canvas.write(figure, 0.05, y, name, fontsize=SMALL, va="bottom")
        for row in series.risk:
            if row.time_years in shown:
                count: Count = getattr(row, pick)
                x = box.left + box.width * row.time_years / axes.get_xlim()[1]
                canvas.write(figure, x, y, say(count), fontsize=SMALL, va="bottom", ha="center")
    return y - 0.08


def _draw_panels(spec: SurvivalFigure, prefix: str, narrow: bool) -> Drawing:
    width = canvas.NARROW_IN if narrow else canvas.WIDE_IN
    across = 1 if narrow else 2 if len(spec.series) in (2, 4) else 3
    down = -(-len(spec.series) // across)
    left, gap = LEFT_IN, 0.42
    panel_width = (width - left - 0.2 - gap * (across - 1)) / across
    stated = any(_statement(spec, one) for one in spec.series)
    table, head, plot = 3 * ROW_IN + 0.12, 0.62 if stated else 0.32, 1.45
    block = table + 0.42 + plot + head
    with canvas.page(width, block * down) as figure:
        points: list[Point] = []
        for place in range(len(spec.series)):
            column, line = place % across, place // across
            bottom = block * (down - 1 - line)
            box = _Box(
                left + column * (panel_width + gap), bottom + table + 0.42, panel_width, plot
            )
            points += _panel(figure, spec, place, box, bottom + table, first=column == 0)
        return canvas.finished(figure, prefix, tuple(points))


def _panel(
    figure: Figure, spec: SurvivalFigure, place: int, box: _Box, table_top: float, *, first: bool
) -> list[Point]:
    axes = _axes(figure, spec, box)
    if not first:
        axes.set_ylabel("")
        axes.set_yticklabels([])
    for other in spec.series:
        times, heights = _steps(other.time_years, other.failure, other.stop_years)
        axes.plot(times, heights, drawstyle="steps-post", color=palette.OTHERS, linewidth=0.9)
    series, look = spec.series[place], _look(place)
    points = _curve(axes, spec, series, look)
    said = _statement(spec, series).replace(f"{spec.control_name} at ", "")
    y = box.bottom + box.height + (0.46 if any(_statement(spec, s) for s in spec.series) else 0.16)
    canvas.write(figure, box.left, y, series.name, color=look.colour, fontweight=600, va="center")
    lines = canvas.wrapped(figure, said, box.width + 0.15, fontsize=SMALL)
    canvas.write(
        figure, box.left, y - 0.1, "\n".join(lines), fontsize=SMALL, va="top", linespacing=1.15
    )
    _risk_table(figure, axes, series, box, table_top, look.colour, titled=False, labelled=first)
    return points
