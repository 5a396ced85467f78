"""The failure curve: drawn upward from zero, with at risk / censored / events under the ticks.

Pocock, Clayton, Altman 2002, Lancet 359:1686 (plot failures upward where they are few, say how far
the axis runs, stop when few remain); Morris et al. 2019, BMJ Open 9:e030215 (the extended table of
at risk, censored and events, rows adding up to the number at the start).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from reports.figures.specs import CurveSeries, RiskRow
from reports.words.values import Count, CurveEstimate

MINIMUM_AT_RISK = 10
Floats = NDArray[np.float64]


def survival_series(
    name: str,
    *,
    time_years: Sequence[float] | Floats,
    survival: Sequence[float] | Floats,
    lower: Sequence[float] | Floats,
    upper: Sequence[float] | Floats,
    exit_years: Sequence[float] | Floats,
    is_event: Sequence[bool] | NDArray[np.bool_],
    ticks_years: Sequence[float],
    shown_as: str = "failure",
    level: float = 0.95,
    minimum_at_risk: int = MINIMUM_AT_RISK,
) -> CurveSeries:
    """A curve of survival (or of freedom from failure) turned into a failure series.

    Parameters
    ----------
    time_years, survival, lower, upper
        The step curve, first row time 0 and survival 1; NaN limits where there are none.
    exit_years, is_event
        Every subject's time of event or censoring, shape (n,): the risk table is counted here.
    ticks_years
        Where the risk table stands, starting with 0.

    Notes
    -----
    Risk-table counts are those strictly before a tick, at risk those with exit at or after it, so
    that each row adds up to n. The curve stops at the last time with ``minimum_at_risk`` at risk.
    With no event the curve is a flat line at 0. A tick beyond the last follow-up has no estimate.

    >>> s = survival_series("all", time_years=[0, 1], survival=[1, 0.5], lower=[1, 0.1],
    ...     upper=[1, 0.9], exit_years=[1, 2], is_event=[True, False], ticks_years=[0, 2],
    ...     minimum_at_risk=1)
    >>> s.failure, s.risk[1].at_risk.value, s.risk[1].events.value, s.risk[1].censored.value
    ((0.0, 0.5), 1, 1, 0)
    """
    exits, events = np.asarray(exit_years, float), np.asarray(is_event, bool)
    if exits.shape != events.shape:
        raise ValueError(f"exit_years and is_event differ in shape: {exits.shape}, {events.shape}")
    times = np.asarray(time_years, float)
    failed = 1 - np.asarray(survival, float)
    low, high = 1 - np.asarray(upper, float), 1 - np.asarray(lower, float)
    stop = stop_time(exits, minimum_at_risk)
    rows = tuple(
        _risk_row(tick, exits, events, (times, failed, low, high), level, shown_as)
        for tick in ticks_years
    )
    kept = times <= stop
    return CurveSeries(
        name=name,
        n=Count(exits.size),
        time_years=tuple(times[kept].tolist()),
        failure=_plain(failed[kept]),
        lower=_plain(low[kept]),
        upper=_plain(high[kept]),
        stop_years=stop,
        risk=rows,
    )


def stop_time(exit_years: Floats, minimum_at_risk: int) -> float:
    """The last time at which ``minimum_at_risk`` were still at risk; 0 when there never were.

    >>> stop_time(np.array([1.0, 2.0, 3.0]), 2)
    2.0
    """
    if exit_years.size < minimum_at_risk:
        return 0.0
    return float(np.sort(exit_years)[exit_years.size - minimum_at_risk])


def _plain(values: Floats) -> tuple[float | None, ...]:
    return tuple(None if math.isnan(v) else abs(float(v)) for v in values)


def _risk_row(
    tick: float,
    exits: Floats,
    events: NDArray[np.bool_],
    curve: tuple[Floats, Floats, Floats, Floats],
    level: float,
    shown_as: str,
) -> RiskRow:
    at_risk = int(np.sum(exits >= tick))
    times, *heights = curve
    place = int(np.searchsorted(times, tick, side="right")) - 1
    failed, low, high = (_plain(h[place : place + 1])[0] for h in heights)
    gone = at_risk == 0
    if tick == 0:
        low, high = None, None
    estimate = CurveEstimate(
        failure=None if gone else failed,
        lower=None if gone else low,
        upper=None if gone else high,
        n=int(exits.size),
        events=int(np.sum(events & (exits <= tick))),
        at_risk=at_risk,
        level=level,
        shown_as=shown_as,
        reason="beyond the last follow-up" if gone else "",
    )
    return RiskRow(
        time_years=float(tick),
        at_risk=Count(at_risk),
        censored=Count(int(np.sum(~events & (exits < tick)))),
        events=Count(int(np.sum(events & (exits < tick)))),
        estimate=estimate,
    )
