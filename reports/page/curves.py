"""From an estimated curve to what a figure or a sentence shows of it.

Analyses run in integer days; figures and sentences are in years of 365.25 days.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.outcomes.end_points import DAYS_PER_YEAR
from analysis.outcomes.grouping import NOT_RECORDED
from analysis.outcomes.outcome import GroupOutcome, Outcome, OutcomeTable, death_clock
from reports.figures.specs import (
    CurveSeries,
    IncidenceFigure,
    OutcomeBand,
    RiskRow,
    SurvivalFigure,
)
from reports.words.values import Count, CurveEstimate

MINIMUM_AT_RISK = 10
"""Curves stop where fewer are at risk; a figure stated there says so."""

BEYOND = "beyond the last follow-up"


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


def _turned(value: float) -> float | None:
    return None if math.isnan(value) else 1.0 - float(value)


def failure_at(group: GroupOutcome, years: float, shown_as: str = "failure") -> CurveEstimate:
    """Read the Kaplan–Meier failure of one group at a time; the reason when there is none."""
    table = group.table
    days = years * DAYS_PER_YEAR
    at_risk = int((table.time_days >= days).sum())
    events = int(((table.status == 1) & (table.time_days <= days)).sum())
    if group.kaplan_meier is None:
        return CurveEstimate(
            None, None, None, group.n, events, at_risk, shown_as=shown_as, reason="nobody at risk"
        )
    read = group.kaplan_meier.at([days])
    failure = _turned(float(read.estimate[0]))
    return CurveEstimate(
        failure,
        _turned(float(read.upper[0])),
        _turned(float(read.lower[0])),
        group.n,
        events,
        at_risk,
        group.kaplan_meier.level,
        shown_as,
        "" if failure is not None else BEYOND,
    )


def last_drawn_years(table: OutcomeTable) -> float:
    """Return the last time at which the least number is still at risk."""
    times = np.sort(table.time_days)[::-1]
    if times.size < MINIMUM_AT_RISK:
        return 0.0
    return float(times[MINIMUM_AT_RISK - 1]) / DAYS_PER_YEAR


def whole_years(years: float) -> tuple[float, ...]:
    """Return the whole years from 0 up to a time: the ticks of a figure."""
    return tuple(float(tick) for tick in range(math.floor(years) + 1))


def _risk_row(group: GroupOutcome, years: float) -> RiskRow:
    table = group.table
    days = years * DAYS_PER_YEAR
    past = table.time_days < days
    return RiskRow(
        years,
        Count(int((~past).sum())),
        Count(int((past & (table.status != 1)).sum())),
        Count(int((past & (table.status == 1)).sum())),
        failure_at(group, years),
    )


def _series(group: GroupOutcome, ticks: tuple[float, ...]) -> CurveSeries:
    curve = group.kaplan_meier.curve if group.kaplan_meier else None
    empty: NDArray[np.float64] = np.zeros(0)
    time, estimate, lower, upper = (
        (curve.time, curve.estimate, curve.lower, curve.upper) if curve else (empty,) * 4
    )
    return CurveSeries(
        name=group.group,
        n=Count(group.n),
        time_years=tuple(float(t) / DAYS_PER_YEAR for t in time),
        failure=tuple(_turned(value) for value in estimate),
        lower=tuple(_turned(value) for value in upper),
        upper=tuple(_turned(value) for value in lower),
        stop_years=last_drawn_years(group.table),
        risk=tuple(_risk_row(group, tick) for tick in ticks),
    )


def survival_figure(outcome: Outcome, stated_at_years: float | None) -> SurvivalFigure:
    """Make the failure figure of an end point; groups too small for a curve are left out."""
    shown = [
        group
        for group in outcome.groups
        if group.n >= MINIMUM_AT_RISK and group.group != NOT_RECORDED
    ]
    longest = max((last_drawn_years(group.table) for group in shown), default=0.0)
    ticks = whole_years(longest)
    return SurvivalFigure(
        failure_name=outcome.end_point.title.capitalize(),
        control_name=outcome.end_point.free_title.capitalize(),
        unit=outcome.end_point.unit + "s",
        method="Kaplan–Meier",
        interval="beta product",
        level=0.95,
        minimum_at_risk=MINIMUM_AT_RISK,
        series=tuple(_series(group, ticks) for group in shown),
        stated_at_years=stated_at_years,
    )


def _incidence_at(
    group: GroupOutcome, cause_place: int, events: int, at_risk: int, years: float
) -> CurveEstimate:
    assert group.cumulative_incidence is not None
    cause = group.cumulative_incidence.causes[cause_place]
    read = cause.at([years * DAYS_PER_YEAR])
    failure = _or_none(float(read.estimate[0]))
    return CurveEstimate(
        failure,
        _or_none(float(read.lower[0])),
        _or_none(float(read.upper[0])),
        group.n,
        events,
        at_risk,
        group.cumulative_incidence.level,
        "failure",
        "" if failure is not None else BEYOND,
    )


def cause_days(table: OutcomeTable) -> list[NDArray[np.int64]]:
    """Return, cause by cause, the days of the units that had it (each on its own clock)."""
    exam = [
        table.time_days[table.status == cause]
        for cause in range(1, 2 + len(table.end_point.competing))
    ]
    if not table.end_point.death_competes:
        return exam
    days, died = death_clock(table)
    return [*exam, days[died == 1]]


def incidences_at(group: GroupOutcome, years: float) -> tuple[CurveEstimate, ...]:
    """Read every cause's cumulative incidence at a time."""
    table = group.table
    at_risk = int((table.time_days >= years * DAYS_PER_YEAR).sum())
    return tuple(
        _incidence_at(group, place, int((days <= years * DAYS_PER_YEAR).sum()), at_risk, years)
        for place, days in enumerate(cause_days(table))
    )


def incidence_figure(
    outcome: Outcome, remaining_name: str = "Alive, eye kept, tumour controlled"
) -> IncidenceFigure | None:
    """Make the stacked cumulative incidences of the whole cohort, or None without them."""
    group = outcome.groups[0]
    if group.cumulative_incidence is None or group.n < MINIMUM_AT_RISK:
        return None
    table, stop = outcome.table, last_drawn_years(outcome.table)
    ticks = whole_years(stop)
    by_tick = [incidences_at(group, tick) for tick in ticks]
    bands = []
    for place, name in enumerate(outcome.end_point.cause_names):
        curve = group.cumulative_incidence.causes[place].curve
        bands.append(
            OutcomeBand(
                name=name.capitalize(),
                time_years=tuple(float(t) / DAYS_PER_YEAR for t in curve.time),
                incidence=tuple(_or_none(value) for value in curve.estimate),
                at_ticks=tuple(estimates[place] for estimates in by_tick),
            )
        )
    return IncidenceFigure(
        remaining_name=remaining_name,
        unit=outcome.end_point.unit + "s",
        n=Count(group.n),
        outcomes=tuple(bands),
        ticks_years=ticks,
        at_risk=tuple(
            Count(int((table.time_days >= tick * DAYS_PER_YEAR).sum())) for tick in ticks
        ),
        stop_years=stop,
        minimum_at_risk=MINIMUM_AT_RISK,
    )
