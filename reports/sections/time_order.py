"""Results in time order: observed less expected, CUSUM, years and cases side by side."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.benchmarking.unit_comparison import UnitOverExpected
from analysis.counts.funnel import poisson_funnel
from reports.document import Block, Column, Figure, Heading, Note, Paragraph, Row, Section, Table
from reports.figures.specs import FunnelFigure, FunnelLimit, FunnelUnit, MonitoringFigure
from reports.monitoring_results import MonitoringResults
from reports.values import Count, ObservedExpected, Quantity, Rate, text
from reports.wording import decimal, percent

TITLE = "Results in time order"


def section(results: MonitoringResults) -> Section:
    """Return the section."""
    if results.reason:
        name = results.outcome.end_point.title
        return Section(TITLE, (Note(f"No chart of {name} is drawn: {results.reason}."),))
    return Section(TITLE, tuple(time_order_blocks(results)), new_page=True)


def time_order_blocks(results: MonitoringResults) -> list[Block]:
    """Return the chart with what it could have seen, then years and cases."""
    blocks = [_chart(results), *_alarms(results), _power(results), *_short(results)]
    blocks += unit_blocks("By year of treatment", "year of treatment", results.by_year, results)
    blocks += [
        Heading("By number of cases before"),
        unit_table("Observed over expected along the department’s cases.", results.by_case),
        Paragraph(
            "A learning curve would show as more failures than expected in the first band. Bands"
            " are of the department’s registry, which may start after its first case."
        ),
    ]
    return blocks


def _chart(results: MonitoringResults) -> Figure:
    order, chart, limit = results.order, results.chart, results.limit
    assert order is not None
    assert chart is not None
    assert limit is not None
    name = results.outcome.end_point.title
    return Figure(
        caption=f"{name.capitalize()} in calendar order: observed less expected events above, CUSUM"
        " with its limit below.",
        spec=MonitoringFigure(
            outcome=name.capitalize(),
            time_years=tuple(order.calendar_years.tolist()),
            observed_minus_expected=tuple(order.excess.tolist()),
            cusum=tuple(chart.value.tolist()),
            is_event=tuple(bool(event) for event in order.is_event),
            limit=limit.limit,
            limit_means="CUSUM limit",
        ),
        notes=(
            f"Expected from {results.reference}. The CUSUM adds up evidence for a hazard"
            f" {limit.ratio:g} times the expected one and starts again after an alarm.",
        ),
    )


def _alarms(results: MonitoringResults) -> list[Block]:
    order, chart = results.order, results.chart
    assert order is not None
    assert chart is not None
    if not chart.alarms:
        return [Paragraph("The chart stayed below its limit.")]
    when = ", ".join(decimal(float(order.calendar_years[row]), 1) for row in chart.alarms)
    return [
        Note(
            f"The chart passed its limit at {when}. That asks for a look at the cases before it,"
            " not for a conclusion: one such alarm in the stated years is expected by chance.",
            "warning",
        )
    ]


def _power(results: MonitoringResults) -> Block:
    limit = results.limit
    assert limit is not None
    events = int((results.outcome.table.status == 1).sum())
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
    year = f"{short.years:g} year{'s' * (short.years != 1)}"
    if short.chart is None or short.limit is None:
        words = f"No yes-or-no chart at {year} is drawn: {short.reason}."
        return [Paragraph(words, lead="At a short horizon.")]
    alarms = "passed" if short.chart.alarms else "stayed below"
    words = (
        f"By {year} it happened to {{share}}, everyone followed. Steiner’s CUSUM {alarms} its limit"
        f" of {decimal(short.limit.limit, 2)} (one false alarm in"
        f" {decimal(short.limit.attained_years, 0)} years)."
    )
    share = Rate(short.events, short.n)
    return [Paragraph(text(words, share=share), lead="At a short horizon.")]


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
            Column(""),
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
    for name, tails in (("95 %", (0.025, 0.975)), ("99.8 %", (0.001, 0.999))):
        both = poisson_funnel(size, 1.0, tails).limits
        limits.append(
            FunnelLimit(name, *(tuple(x.tolist()) for x in (size, both[:, 0], both[:, 1])))
        )
    return FunnelFigure(
        measure=measure,
        size_name="Expected events",
        benchmark=1.0,
        benchmark_name="as expected",
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
        words = f"The {spread.units} units differ {beyond} than chance would make them."
    blocks.append(Paragraph(words))
    return blocks
