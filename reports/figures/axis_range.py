"""How far the failure axis of a figure runs."""

from __future__ import annotations

from reports.figures.specs import SurvivalFigure

TOPS = (0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0)
STEPS = {0.15: 3, 0.2: 4, 0.3: 3, 0.4: 4, 0.6: 3, 0.8: 4}
MOST_STEPS = 5


def axis_top(spec: SurvivalFigure) -> float:
    """The end of the axis: the first round share above every curve and its band."""
    tops = [
        value
        for series in spec.series
        for curve in (series.failure, series.upper)
        for time, value in zip(series.time_years, curve, strict=True)
        if value is not None and time <= series.stop_years
    ]
    return round_top(max(tops, default=0.0))


def round_top(highest: float) -> float:
    """The first round share a little above the highest value drawn.

    >>> round_top(0.11), round_top(0.999)
    (0.15, 1.0)
    """
    return next((top for top in TOPS if top >= min(1.0, highest * 1.02)), 1.0)


def axis_marks(top: float) -> list[float]:
    """Round shares from 0 to the end of the axis.

    >>> axis_marks(0.2)
    [0.0, 0.05, 0.1, 0.15, 0.2]
    """
    steps = STEPS.get(top, MOST_STEPS)
    return [round(top * k / steps, 10) for k in range(steps + 1)]
