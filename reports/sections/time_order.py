"""Results in time order: observed less expected, CUSUM, years and cases side by side."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import timedelta

import numpy as np

from analysis.benchmarking.monitoring import TimeOrder
from analysis.benchmarking.unit_comparison import UnitOverExpected
from analysis.counts.exact_counts import observed_over_expected
from analysis.counts.funnel import binomial_funnel, poisson_funnel
from reports.figures.specs import FunnelFigure, FunnelLimit, FunnelUnit, MonitoringFigure
from reports.page.document import (
    Block,
    Column,
    Figure,
    Heading,
    Note,
    Paragraph,
    Row,
    Section,
    Table,
)
from reports.results.monitoring_results import MonitoringResults, ShortHorizon
from reports.words.benchmark_wording import first_up
from reports.words.values import Count, ObservedExpected, Quantity, Rate, text
from reports.words.wording import decimal, in_years, percent

TITLE = "Results in time order"
UNWATCHED_DAYS = 183
"""A chart says so when it ends in half a year or more without any follow-up (our choice)."""
LIMITS = (("95 %", (0.025, 0.975)), ("99.8 %", (0.001, 0.999)))


def section(results: MonitoringResults, title: str = TITLE) -> Section:
    """Return the section."""
    if results.reason:
        name = results.outcome.end_point.title
        return Section(title, (Note(f"No chart of {name} is drawn: {results.reason}."),))
    return Section(title, tuple(time_order_blocks(results)), new_page=True)


def time_order_blocks(results: MonitoringResults) -> list[Block]:
    """Return the chart with what it could have seen, then years and cases."""
    blocks = [_held_against(results), _chart(results), *_alarms(results), *_shapes(results)]
    blocks.append(_power(results))
    blocks += unit_blocks("By year of treatment", "year of treatment", results.by_year, results)
    blocks += _short(results)
    blocks += [
        Heading("By number of cases before"),
        _learning(results),
        unit_table("Observed over expected along the department’s cases.", results.by_case),
    ]
    return blocks


def _held_against(results: MonitoringResults) -> Block:
    """Say what the chart is held against, and what it therefore cannot show."""
    if results.is_own:
        return Note(
            "Held against the department’s own experience this chart shows drift only: results that"
            " were poor from the first year to the last would leave it flat. A [[reference]] in the"
            " standards file, a published curve or the department’s own standards, would show the"
            " level."
        )
    order = results.order
    assert order is not None
    seen, due = int(order.observed[-1]), float(order.expected[-1])
    limits = observed_over_expected(seen, due).exact
    return Paragraph(
        text(
            f"Held against {results.reference}, up to its last time: {{seen}} seen and"
            f" {decimal(due, 1)} expected, a ratio of {{ratio}}. The reference is taken as known.",
            seen=Count(seen),
            ratio=ObservedExpected(seen, due, limits.lower, limits.upper),
        ),
        lead="Level.",
    )


def _shapes(results: MonitoringResults) -> list[Block]:
    """Say how much hangs on how early the reference's events come before its first time."""
    if not results.shapes:
        return []
    expected = [one.expected for one in results.shapes]
    alarmed = [one.alarms > 0 for one in results.shapes]
    if all(alarmed) or not any(alarmed):
        same = "the chart passes its limit" if all(alarmed) else "the chart stays below its limit"
        words = f"under every shape {same}"
    else:
        words = "the chart passes its limit under some shapes only, so an alarm turns on this"
    return [
        Paragraph(
            "Before its first time the reference does not say how early its events come. By shape"
            f" (power of time {', '.join(f'{one.early_shape:g}' for one in results.shapes)})"
            f" {decimal(min(expected), 1)} to {decimal(max(expected), 1)} events were expected;"
            f" {words}. The chart is drawn for shape 1.",
            lead="What hangs on the early shape.",
        )
    ]


def _learning(results: MonitoringResults) -> Block:
    words = (
        "A learning curve would show as more failures than expected in the first band. Bands are of"
        " the department’s registry, which may start after its first case."
    )
    found = results.first_cases
    if found is None:
        return Paragraph(words)
    known = math.isfinite(found.upper)
    ratio = Quantity(
        found.ratio if math.isfinite(found.ratio) else None,
        found.lower,
        found.upper if known else None,
        digits=2,
        n=found.n,
        events=found.events,
        reason="" if known else "no event in later cases",
    )
    return Paragraph(
        text(
            f"In {found.band} the rate over what was expected was {{ratio}} times that of later"
            f" cases (exact limits). {words}",
            ratio=ratio,
        ),
        lead="Learning curve.",
    )


def _chart(results: MonitoringResults) -> Figure:
    order, chart, limit = results.order, results.chart, results.limit
    assert order is not None
    assert chart is not None
    assert limit is not None
    name = results.outcome.end_point.title
    return Figure(
        caption=f"{first_up(name)} in calendar order: observed less expected events above, CUSUM"
        " with its limit below.",
        spec=MonitoringFigure(
            outcome=first_up(name),
            time_years=tuple(order.calendar_years.tolist()),
            observed_minus_expected=tuple(order.excess.tolist()),
            cusum=tuple(chart.value.tolist()),
            is_event=tuple(bool(event) for event in order.is_event),
            limit=limit.limit,
            limit_means=_limit_means(results),
        ),
        notes=(
            f"Expected from {results.reference}, taken as known. The CUSUM adds up evidence for a"
            f" hazard {limit.ratio:g} times the expected one and starts again after an alarm.",
        ),
    )


def _limit_means(results: MonitoringResults) -> str:
    limit = results.limit
    assert limit is not None
    return f"set for one false alarm in {decimal(limit.attained_years, 1)} years"


def _alarms(results: MonitoringResults) -> list[Block]:
    order, chart = results.order, results.chart
    assert order is not None
    assert chart is not None
    if not chart.alarms:
        return [Paragraph("The chart stayed below its limit."), *_unwatched(order)]
    when = ", ".join(decimal(float(order.calendar_years[row]), 1) for row in chart.alarms)
    return [
        Note(
            f"The chart passed its limit at {when}. That asks for a look at the cases before it,"
            f" not for a conclusion: {_by_chance(results)} over the events of this chart.",
            "warning",
        ),
        *_unwatched(order),
    ]


def _by_chance(results: MonitoringResults) -> str:
    """Say in whole alarms how many chance alone gives: with a decimal, a count could be undone."""
    order, limit = results.order, results.limit
    assert order is not None
    assert limit is not None
    number = round(limit.false_alarms(float(order.expected[-1])))
    if number == 0:
        return "by chance alone fewer than one would be expected"
    return f"by chance alone about {number} would be expected"


def _unwatched(order: TimeOrder) -> list[Block]:
    """Say where the chart ends in years without anyone under observation."""
    if order.unwatched_days < UNWATCHED_DAYS:
        return []
    last = order.first_date + timedelta(days=order.followed_until)
    return [
        Note(
            f"Nobody was under observation after {last.isoformat()}: a chart that is quiet from"
            " then on has seen nothing, and the limit is set for the three years before.",
            "warning",
        )
    ]


def _power(results: MonitoringResults) -> Block:
    limit = results.limit
    assert limit is not None
    order = results.order
    assert order is not None
    events = int(order.observed[-1])
    attained = (
        ""
        if limit.is_near
        else f" (the nearest that can be had; {limit.wanted_years:g} years were wanted)"
    )
    seen = "; ".join(
        f"a rate {one.true_ratio:g} times the expected one in {decimal(one.mean_years, 1)} years on"
        f" average, and within {one.horizon_years:g} years with probability {percent(one.power, 0)}"
        for one in results.detections
    )
    return Paragraph(
        text(
            "At the present {volume} expected events a year the limit of"
            f" {decimal(limit.limit, 2)} gives one false alarm in"
            f" {decimal(limit.attained_years, 1)} years{attained}. It would notice {seen}. A quiet"
            " chart says no more than that."
            f" ({limit.runs} simulated runs.)",
            volume=Quantity(limit.expected_per_year, digits=1, events=events),
        ),
        lead="What this chart can see.",
    )


def _short(results: MonitoringResults) -> list[Block]:
    short = results.short
    if short is None:
        return []
    year = in_years(short.years)
    if short.chart is None or short.limit is None:
        words = f"No yes-or-no chart and no binomial funnel at {year} is drawn: {short.reason}."
        return [Paragraph(words, lead="At a short horizon.")]
    alarms = "passed" if short.chart.alarms else "stayed below"
    words = (
        f"By {year} it happened to {{share}}, everyone’s outcome known. Held against"
        f" {percent(short.risk)} ({short.risk_words}), Steiner’s CUSUM for doubled odds {alarms}"
        f" its limit of {decimal(short.limit.limit, 2)} (one false alarm in"
        f" {decimal(short.limit.attained_years, 0)} years)."
    )
    share = Rate(short.events, short.n)
    name = f"{first_up(results.outcome.end_point.title)} by {year}"
    return [
        Heading("At a short horizon"),
        Paragraph(text(words, share=share)),
        Figure(
            caption=f"{name}, by year of treatment.",
            spec=binomial_funnel_of(short, name),
            notes=(
                f"Binomial limits around {percent(short.risk)}, since everyone’s outcome at {year}"
                " is known; a point is named when it lies outside 99.8 %.",
            ),
        ),
    ]


def binomial_funnel_of(short: ShortHorizon, measure: str) -> FunnelFigure:
    """Draw the share with the event against n, with 95 % and 99.8 % binomial limits."""
    end = max(unit.n for unit in short.by_year) * 1.15
    size = np.linspace(max(end / 200, 1.0), end, 200)
    limits = []
    for name, tails in LIMITS:
        both = binomial_funnel(short.risk, size, tails).limits
        limits.append(
            FunnelLimit(name, *(tuple(x.tolist()) for x in (size, both[:, 0], both[:, 1])))
        )
    return FunnelFigure(
        measure=measure,
        size_name="Patients treated in the year",
        benchmark=short.risk,
        benchmark_name="the expected value",
        limits=tuple(limits),
        units=tuple(
            FunnelUnit(unit.name, Count(unit.n), Count(unit.events)) for unit in short.by_year
        ),
    )


def unit_table(caption: str, units: Sequence[UnitOverExpected]) -> Table:
    """Return the table of units with exact limits."""
    rows = [
        Row(
            (
                unit.name,
                Count(unit.n),
                Count(unit.against.observed),
                ObservedExpected(
                    unit.against.observed,
                    unit.against.expected,
                    unit.against.exact.lower,
                    unit.against.exact.upper,
                ),
            )
        )
        for unit in units
    ]
    return Table(
        caption=caption,
        columns=(
            Column("Group"),
            Column("n", "right"),
            Column("Observed", "right"),
            Column("Observed / expected (95 % CI)", "right"),
        ),
        rows=tuple(rows),
        notes=("Exact Poisson limits, the expected number taken as known.",),
    )


def funnel_of(units: Sequence[UnitOverExpected], measure: str) -> FunnelFigure:
    """Draw observed over expected against expected, with 95 % and 99.8 % Poisson limits."""
    end = max(unit.against.expected for unit in units) * 1.15
    size = np.linspace(end / 200, end, 200)
    limits = []
    for name, tails in LIMITS:
        both = poisson_funnel(size, 1.0, tails).limits
        limits.append(
            FunnelLimit(name, *(tuple(x.tolist()) for x in (size, both[:, 0], both[:, 1])))
        )
    return FunnelFigure(
        measure=measure,
        size_name="Expected events",
        benchmark=1.0,
        benchmark_name="the expected value",
        limits=tuple(limits),
        units=tuple(
            FunnelUnit(
                unit.name,
                Count(unit.n),
                Count(unit.against.observed),
                expected=unit.against.expected,
            )
            for unit in units
        ),
        is_ratio=True,
    )


def unit_blocks(
    heading: str, what: str, units: Sequence[UnitOverExpected], results: MonitoringResults
) -> list[Block]:
    """Return funnel and table of units, with what can be said of their spread."""
    if not units:
        return []
    blocks: list[Block] = [Heading(heading)]
    if len(units) > 1:
        blocks.append(
            Figure(
                caption=f"Observed over expected by {what}.",
                spec=funnel_of(units, "Observed / expected"),
                notes=(
                    "Poisson limits around 1, because follow-up is unequal; a point is named when"
                    " it lies outside 99.8 %.",
                ),
            )
        )
    blocks.append(unit_table(f"Observed over expected by {what}.", units))
    spread = results.spread if units is results.by_year else None
    if spread is None:
        words = "With fewer than 10 units no spread beyond chance is estimated."
    else:
        beyond = "more" if spread.is_beyond_chance else "no more"
        words = (
            f"The {spread.units} units differ from one another {beyond} than chance would make"
            " them."
        )
    blocks.append(Paragraph(words))
    return blocks
