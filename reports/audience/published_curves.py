"""Curves in their published form: steps at the ticks, from rounded counts; see the rule in
:mod:`reports.audience.suppression`.
"""

from __future__ import annotations

from dataclasses import replace

from reports.audience.published_numbers import is_small, publish_estimate, publish_value
from reports.figures.specs import (
    CurveSeries,
    IncidenceFigure,
    OutcomeBand,
    RiskRow,
    SurvivalFigure,
)
from reports.words.values import Count, CurveEstimate

PUBLISHED_INTERVAL = "Clopper–Pearson, from rounded counts"


def publish_survival(spec: SurvivalFigure) -> SurvivalFigure | None:
    """Every series with more than 7 people, stepped at the ticks; None when none is left."""
    series = tuple(_series(s, spec.minimum_at_risk) for s in spec.series if not is_small(s.n.value))
    if not series:
        return None
    return replace(spec, series=series, stepped=True, interval=PUBLISHED_INTERVAL)


def _count(count: Count) -> Count:
    made = publish_value(count)
    assert isinstance(made, Count)
    return made


def _series(series: CurveSeries, minimum_at_risk: int) -> CurveSeries:
    rows = tuple(
        RiskRow(
            time_years=row.time_years,
            at_risk=_count(row.at_risk),
            censored=None,
            events=_count(row.events),
            estimate=publish_estimate(row.estimate),
            competing=None,
        )
        for row in series.risk
    )
    drawn = [row for row in rows if (row.at_risk.value or 0) >= minimum_at_risk]
    if len(drawn) > 1 and _gap(drawn[1].estimate):
        drawn = drawn[1:]  # no flat line at 0 up to a tick where the events are hidden
    return CurveSeries(
        name=series.name,
        n=_count(series.n),
        time_years=tuple(row.time_years for row in drawn),
        failure=tuple(row.estimate.failure for row in drawn),
        lower=tuple(row.estimate.lower for row in drawn),
        upper=tuple(row.estimate.upper for row in drawn),
        stop_years=drawn[-1].time_years if drawn else 0.0,
        risk=rows,
    )


def publish_incidence(spec: IncidenceFigure) -> IncidenceFigure | None:
    """The stack at the ticks; nothing at a tick where any cause is hidden; None when none is left.

    All bands share their ticks, since a gap in one would show in the others.
    """
    at_risk = tuple(_count(count) for count in spec.at_risk)
    ticks = [
        (place, tick)
        for place, tick in enumerate(spec.ticks_years)
        if (at_risk[place].value or 0) >= spec.minimum_at_risk
    ]
    bands = [
        replace(band, at_ticks=tuple(publish_estimate(e) for e in band.at_ticks))
        for band in spec.outcomes
    ]
    hidden = {place for place, _ in ticks if any(_gap(b.at_ticks[place]) for b in bands)}
    hidden |= {0} if 1 in hidden else set()
    if is_small(spec.n.value) or not any(t > 0 and p not in hidden for p, t in ticks):
        return None
    return replace(
        spec,
        n=_count(spec.n),
        outcomes=tuple(_band(band, ticks, hidden) for band in bands),
        at_risk=at_risk,
        stop_years=ticks[-1][1],
        stepped=True,
    )


def _gap(estimate: CurveEstimate) -> bool:
    return estimate.hidden or estimate.failure is None


def _band(band: OutcomeBand, ticks: list[tuple[int, float]], hidden: set[int]) -> OutcomeBand:
    return replace(
        band,
        time_years=tuple(tick for _, tick in ticks),
        incidence=tuple(None if p in hidden else band.at_ticks[p].failure for p, _ in ticks),
    )
