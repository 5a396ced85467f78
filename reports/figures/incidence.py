"""From competing-risk curves to the data of a stacked cumulative-incidence figure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from reports.figures.specs import IncidenceFigure, OutcomeBand
from reports.figures.survival import MINIMUM_AT_RISK, Floats, stop_time
from reports.words.values import Count, CurveEstimate


def outcome_band(
    name: str,
    *,
    time_years: Sequence[float] | Floats,
    incidence: Sequence[float] | Floats,
    lower: Sequence[float] | Floats,
    upper: Sequence[float] | Floats,
    exit_years: Sequence[float] | Floats,
    is_event: Sequence[bool] | NDArray[np.bool_],
    ticks_years: Sequence[float],
    level: float = 0.95,
    minimum_at_risk: int = MINIMUM_AT_RISK,
) -> OutcomeBand:
    """One cause's step curve and its estimate at each tick (none beyond the last follow-up).

    >>> band = outcome_band("death", time_years=[0, 1], incidence=[0, 0.5], lower=[0, 0.1],
    ...     upper=[0, 0.9], exit_years=[1, 3], is_event=[True, False], ticks_years=[2],
    ...     minimum_at_risk=1)
    >>> band.at_ticks[0].failure, band.at_ticks[0].events, band.at_ticks[0].at_risk
    (0.5, 1, 1)
    """
    times = np.asarray(time_years, float)
    curves = [np.asarray(curve, float) for curve in (incidence, lower, upper)]
    exits, events = np.asarray(exit_years, float), np.asarray(is_event, bool)
    stop = stop_time(exits, minimum_at_risk)
    kept = times <= stop

    def estimate(tick: float) -> CurveEstimate:
        at_risk = int(np.sum(exits >= tick))
        place = int(np.searchsorted(times, tick, side="right")) - 1
        share, low, high = (
            None if at_risk == 0 or np.isnan(curve[place]) else float(curve[place])
            for curve in curves
        )
        if tick == 0:
            low, high = None, None
        return CurveEstimate(
            failure=share,
            lower=low,
            upper=high,
            n=int(exits.size),
            events=int(np.sum(events & (exits <= tick))),
            at_risk=at_risk,
            level=level,
            reason="" if at_risk else "beyond the last follow-up",
        )

    return OutcomeBand(
        name=name,
        time_years=tuple(times[kept].tolist()),
        incidence=tuple(curves[0][kept].tolist()),
        at_ticks=tuple(estimate(float(tick)) for tick in ticks_years),
    )


def incidence_figure(
    bands: Sequence[OutcomeBand],
    *,
    remaining_name: str,
    unit: str,
    exit_years: Sequence[float] | Floats,
    ticks_years: Sequence[float],
    minimum_at_risk: int = MINIMUM_AT_RISK,
) -> IncidenceFigure:
    """Bands stacked in the order given, with the number at risk at every tick."""
    exits = np.asarray(exit_years, float)
    return IncidenceFigure(
        remaining_name=remaining_name,
        unit=unit,
        n=Count(int(exits.size)),
        outcomes=tuple(bands),
        ticks_years=tuple(float(tick) for tick in ticks_years),
        at_risk=tuple(Count(int(np.sum(exits >= tick))) for tick in ticks_years),
        stop_years=stop_time(exits, minimum_at_risk),
        minimum_at_risk=minimum_at_risk,
    )
