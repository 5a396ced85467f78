"""Draws :class:`reports.figures.specs.IncidenceFigure`: outcomes stacked, at risk below."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from numpy.typing import NDArray

from reports.figures import canvas, palette
from reports.figures.canvas import PLAIN, SMALL, Drawing, Point
from reports.figures.label_places import spread
from reports.figures.specs import IncidenceFigure
from reports.words.wording import in_years, say

HATCHES = ("", "////", "\\\\\\\\", "----", "xxxx")
FILL_SHARE = 0.3
TICK_IN = 0.3
LEFT_IN = 0.78


def draw(spec: IncidenceFigure, prefix: str, *, narrow: bool = False) -> Drawing:
    """The figure as SVG, for a page's full width or for a narrow screen."""
    width = canvas.NARROW_IN if narrow else canvas.WIDE_IN
    plot_height, below = (2.3, 0.78) if narrow else (2.8, 0.78)
    head = 0.12 + (0.19 * (len(spec.outcomes) + 1) if narrow else 0.05)
    with canvas.page(width, below + plot_height + head) as figure:
        right = 0.2 if narrow else 1.95
        plot_width = width - LEFT_IN - right
        axes = canvas.axes_at(figure, LEFT_IN, below, plot_width, plot_height)
        _frame(axes, spec, plot_width)
        times, tops = stacked(spec)
        _areas(axes, times, tops)
        if narrow:
            _key(figure, spec, below + plot_height + head)
        else:
            _labels_at_end(figure, spec, tops, (LEFT_IN + plot_width + 0.1, below, plot_height))
        _at_risk(figure, axes, spec, plot_width)
        return canvas.finished(figure, prefix, _points(axes, spec, times, tops))


def stacked(spec: IncidenceFigure) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Common times (m,) and the tops of the bands (causes, m), steps carried forward."""
    end = min(spec.stop_years, spec.ticks_years[-1])
    every = sorted({0.0, end, *(t for band in spec.outcomes for t in band.time_years if t <= end)})
    times = np.asarray(every)
    heights = []
    for band in spec.outcomes:
        own = np.asarray(band.time_years, float)
        values = np.asarray([np.nan if v is None else v for v in band.incidence], float)
        place = np.searchsorted(own, times, side="right") - 1
        heights.append(np.where(place >= 0, values[np.maximum(place, 0)], 0.0))
    return times, np.cumsum(heights, axis=0)


def _frame(axes: Axes, spec: IncidenceFigure, width_in: float) -> None:
    ticks = list(spec.ticks_years)
    step = next(k for k in range(1, 50) if len(ticks) / k * TICK_IN <= width_in or k == 49)
    axes.set_xlim(0, max(ticks[-1], 1e-9))
    axes.set_xticks(ticks[::step])
    axes.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
    axes.set_ylim(0, 1)
    marks = [0, 0.2, 0.4, 0.6, 0.8, 1.0]
    axes.set_yticks(marks, [f"{mark * 100:.0f}" for mark in marks])
    axes.set_xlabel("Years since insertion", labelpad=3)
    axes.set_ylabel(f"Share of {spec.unit} (%)", labelpad=4)


def _areas(axes: Axes, times: NDArray[np.float64], tops: NDArray[np.float64]) -> None:
    floor = np.zeros(times.size)
    for place, top in enumerate(tops):
        colour = palette.SERIES[place % len(palette.SERIES)]
        look: dict[str, Any] = {
            "step": "post",
            "facecolor": palette.blended(colour, FILL_SHARE),
            "edgecolor": palette.blended(colour, 0.75),
            "hatch": HATCHES[place % len(HATCHES)],
            "linewidth": 0,
        }
        axes.fill_between(times, floor, top, **look)
        axes.plot(times, top, drawstyle="steps-post", color=colour, linewidth=1.3)
        floor = top


def _band_middles(spec: IncidenceFigure, tops: NDArray[np.float64]) -> list[float]:
    finite = tops[:, np.isfinite(tops).all(axis=0)]
    last = finite[:, -1] if finite.size else np.zeros(len(spec.outcomes))
    edges = [0.0, *last.tolist(), 1.0]
    return [(low + high) / 2 for low, high in itertools.pairwise(edges)]


def _labels_at_end(
    figure: Figure,
    spec: IncidenceFigure,
    tops: NDArray[np.float64],
    place_in: tuple[float, float, float],
) -> None:
    x, bottom, height = place_in
    middles = [bottom + height * share for share in _band_middles(spec, tops)]
    names = [band.name for band in spec.outcomes] + [spec.remaining_name]
    lines = [canvas.wrapped(figure, name, 1.55, fontsize=PLAIN, fontweight=600) for name in names]
    gap = 0.09 + 0.135 * max(len(part) for part in lines)
    heights = spread(middles, gap, lowest=bottom + gap / 2)
    for place, (y, part) in enumerate(zip(heights, lines, strict=True)):
        inside = place < len(spec.outcomes)
        colour = palette.SERIES[place % len(palette.SERIES)] if inside else palette.INK
        if inside:
            _swatch(figure, x, y, place)
        settings: dict[str, Any] = {"color": colour, "fontweight": 600, "va": "center"}
        canvas.write(figure, x + 0.26 * inside, y, "\n".join(part), linespacing=1.1, **settings)


def _swatch(figure: Figure, x: float, y: float, place: int) -> None:
    across, up = figure.get_size_inches()
    colour = palette.SERIES[place % len(palette.SERIES)]
    figure.add_artist(
        Rectangle(
            (x / across, (y - 0.055) / up),
            0.18 / across,
            0.11 / up,
            facecolor=palette.blended(colour, FILL_SHARE),
            edgecolor=colour,
            hatch=HATCHES[place % len(HATCHES)],
            linewidth=0.8,
        )
    )


def _key(figure: Figure, spec: IncidenceFigure, top: float) -> None:
    y = top - 0.13
    canvas.write(figure, 0.12, y, f"Above the bands: {spec.remaining_name}", va="center")
    for place in reversed(range(len(spec.outcomes))):
        y -= 0.19
        _swatch(figure, 0.12, y, place)
        colour = palette.SERIES[place % len(palette.SERIES)]
        canvas.write(figure, 0.38, y, spec.outcomes[place].name, color=colour, va="center")


def _at_risk(figure: Figure, axes: Axes, spec: IncidenceFigure, width_in: float) -> None:
    shown = set(axes.get_xticks())
    canvas.write(figure, 0.05, 0.12, "At risk", fontsize=SMALL, va="bottom")
    for tick, count in zip(spec.ticks_years, spec.at_risk, strict=True):
        if tick in shown:
            x = LEFT_IN + width_in * tick / axes.get_xlim()[1]
            canvas.write(figure, x, 0.12, say(count), fontsize=SMALL, va="bottom", ha="center")


def _points(
    axes: Axes, spec: IncidenceFigure, times: NDArray[np.float64], tops: NDArray[np.float64]
) -> tuple[Point, ...]:
    points = []
    for place, band in enumerate(spec.outcomes):
        for tick, estimate in zip(spec.ticks_years, band.at_ticks, strict=True):
            column = int(np.searchsorted(times, tick, side="right")) - 1
            if tick <= 0 or tick > times[-1] or not np.isfinite(tops[place, column]):
                continue
            label = f"{in_years(tick)}: {band.name} {say(estimate)}"
            points.append(canvas.point_at(axes, tick, float(tops[place, column]), label))
    return tuple(points)
