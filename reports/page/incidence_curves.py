"""Cumulative incidences of one event, group by group, as a figure: other causes compete."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.outcomes.end_points import DAYS_PER_YEAR
from analysis.outcomes.grouping import NOT_RECORDED
from analysis.outcomes.outcome import GroupOutcome
from reports.figures.specs import CurveSeries, RiskRow, SurvivalFigure
from reports.page.curves import (
    MINIMUM_AT_RISK,
    failure_at,
    incidences_at,
    last_drawn_years,
    whole_years,
)
from reports.words.values import Count

_NOT_SHOWN = (NOT_RECORDED, "unknown")


def _plain(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


def _risk_row(group: GroupOutcome, years: float) -> RiskRow:
    """Count before a tick; who had a competing event is with the censored."""
    table = group.table
    past = table.time_days < years * DAYS_PER_YEAR
    events = past & (table.status == 1)
    return RiskRow(
        years,
        Count(int((~past).sum())),
        Count(int((past & ~events).sum())),
        Count(int(events.sum())),
        incidences_at(group, years)[0] if years else failure_at(group, years),
    )


def _series(group: GroupOutcome, name: str, ticks: Sequence[float]) -> CurveSeries:
    assert group.cumulative_incidence is not None
    curve = group.cumulative_incidence.causes[0].curve
    return CurveSeries(
        name=name,
        n=Count(group.n),
        time_years=tuple(float(time) / DAYS_PER_YEAR for time in curve.time),
        failure=tuple(_plain(value) for value in curve.estimate),
        lower=tuple(_plain(value) for value in curve.lower),
        upper=tuple(_plain(value) for value in curve.upper),
        stop_years=last_drawn_years(group.table),
        risk=tuple(_risk_row(group, tick) for tick in ticks),
    )


def compare_incidences(
    groups: Sequence[tuple[str, GroupOutcome]], title: str, unit: str, competing: str
) -> SurvivalFigure | None:
    """Make the figure of the event of each group, two or more of them large enough to draw.

    Parameters
    ----------
    groups
        Name and group, in the order shown; those not recorded, without incidences or with fewer
        than 10 are left out.
    title, unit, competing
        The event, what is counted, and what competes, in words.

    Returns
    -------
    SurvivalFigure or None
        None where fewer than two groups are left, or nobody is followed for a year.
    """
    shown = [
        (name, group)
        for name, group in groups
        if group.n >= MINIMUM_AT_RISK
        and group.cumulative_incidence is not None
        and name.lower() not in _NOT_SHOWN
    ]
    longest = max((last_drawn_years(group.table) for _, group in shown), default=0.0)
    if len(shown) < 2 or longest < 1:
        return None
    ticks = whole_years(longest)
    return SurvivalFigure(
        failure_name=title,
        control_name=f"Free of {title.lower()}",
        unit=unit,
        method=f"Cumulative incidence, {competing} competing",
        interval="beta product for several causes",
        level=0.95,
        minimum_at_risk=MINIMUM_AT_RISK,
        series=tuple(_series(group, name, ticks) for name, group in shown),
    )
