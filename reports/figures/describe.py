"""A figure in words: alternative text and the notes beneath it.

All of it is worked out from the spec, so what suppression did to the spec shows here too.
"""

from __future__ import annotations

from reports.figures.axis_range import axis_top
from reports.figures.dose_specs import CauseGraphFigure, TradeOffFigure
from reports.figures.specs import (
    AcuityFigure,
    CaseTimeline,
    CompletenessFigure,
    DoseResponseFigure,
    FigureSpec,
    FlowFigure,
    ForestFigure,
    FunnelFigure,
    IncidenceFigure,
    MonitoringFigure,
    SurvivalFigure,
)
from reports.words.wording import decimal, in_years, joined, percent, say

PUBLISHED_CURVE = (
    "Published form: the curve steps at the ticks only, each share being a count rounded to 5 over "
    "a count rounded to 5, its interval worked out from those; nothing is drawn where 1 to 7 "
    "events had happened or 1 to 7 people were left."
)


def alternative_text(spec: FigureSpec) -> str:
    """What a person who cannot see the figure needs to know of it."""
    match spec:
        case SurvivalFigure():
            return _survival_text(spec)
        case IncidenceFigure():
            parts = [
                f"{band.name} {say(band.at_ticks[-1])}" for band in spec.outcomes if band.at_ticks
            ]
            end = f"{spec.ticks_years[-1]:g}"
            return f"Stacked {spec.measure} among {say(spec.n)} {spec.unit}; at {end} years: " + (
                "; ".join(parts) + "."
            )
        case FlowFigure():
            steps = [f"{step.label}: {say(step.kept)}" for step in spec.steps]
            return "Flow diagram. " + "; ".join(steps) + "."
        case CompletenessFigure():
            return (
                f"Grid of the share known, {len(spec.row_names)} rows by "
                f"{spec.column_heading.lower()}: {joined(list(spec.column_names))}."
            )
        case ForestFigure():
            said = [
                f"{row.label}: {say(row.estimate)}" for row in spec.rows if row.estimate is not None
            ]
            return f"Forest plot of {spec.measure.lower()}. " + "; ".join(said) + "."
        case FunnelFigure():
            return _funnel_text(spec)
        case MonitoringFigure():
            return _monitoring_text(spec)
        case DoseResponseFigure():
            ends = f"{decimal(spec.dose[0], 0)} to {decimal(spec.dose[-1], 0)} {spec.dose_unit}"
            return (
                f"{spec.outcome} by {spec.dose_name}, {spec.adjustment}: from "
                f"{percent(spec.risk[0])} to {percent(spec.risk[-1])} over {ends}."
            )
        case TradeOffFigure():
            said = [
                f"{curve.name} from {percent(curve.free[0])} to {percent(curve.free[-1])}"
                for curve in spec.curves
            ]
            return f"{spec.measure} by {spec.dose_name}, {spec.adjustment}: {joined(said)}."
        case CauseGraphFigure():
            said = [f"{a.source} causes {a.target} ({a.dealt_with})" for a in spec.arrows]
            return "Graph of assumed causes. " + "; ".join(said) + "."
        case AcuityFigure():
            return (
                f"Scatter of visual acuity before treatment against {spec.latest_name.lower()}, "
                f"{len(spec.eyes)} eyes, with a line of no change; points above it got worse."
            )
        case CaseTimeline():
            return _timeline_text(spec)


def _timeline_text(spec: CaseTimeline) -> str:
    said = [f"{event.label} at {decimal(event.time_years, 1)} years" for event in spec.events]
    heights = [point.height_mm for point in spec.height]
    ends = f", from {decimal(heights[0])} to {decimal(heights[-1])} mm" if heights else ""
    return (
        f"One patient over time: {len(spec.acuity)} readings of acuity, {len(heights)} heights"
        f"{ends}. Events: {'; '.join(said) or 'none'}."
    )


def _funnel_text(spec: FunnelFigure) -> str:
    said = [
        f"{unit.name}: {say(unit.events)} of {say(unit.n)}" for unit in spec.units if unit.is_named
    ]
    return (
        f"Funnel plot of {spec.measure} against {spec.size_name}, {len(spec.units)} points around "
        f"{spec.benchmark_name} {_centre(spec)}. " + "; ".join(said)
    ).strip()


def _centre(spec: FunnelFigure) -> str:
    return decimal(spec.benchmark, 1) if spec.is_ratio else percent(spec.benchmark)


def _monitoring_text(spec: MonitoringFigure) -> str:
    top = decimal(max(spec.cusum, default=0.0), 2)
    end = decimal([0.0, *spec.observed_minus_expected][-1], 1)
    return (
        f"{spec.outcome} in time order, {sum(spec.is_event)} events: observed minus expected "
        f"ends at {end}; the CUSUM reaches {top}, its limit is {decimal(spec.limit, 2)}."
    )


def _survival_text(spec: SurvivalFigure) -> str:
    parts = []
    for series in spec.series:
        last = [r for r in series.risk if r.time_years <= series.stop_years or spec.stepped]
        row = last[-1] if last else series.risk[0]
        parts.append(
            f"{series.name}, {say(series.n)} {spec.unit}: {say(row.estimate)} "
            f"at {in_years(row.time_years)}"
        )
    return f"Curve of {spec.failure_name.lower()} rising from zero. " + "; ".join(parts) + "."


def notes(spec: FigureSpec) -> tuple[str, ...]:
    """What has to stand beneath the figure: method, band, where it stops, how the axis runs."""
    match spec:
        case SurvivalFigure():
            return _survival_notes(spec)
        case IncidenceFigure():
            said = (
                f"Drawn until fewer than {spec.minimum_at_risk} remain at risk. Intervals are in "
                "the table behind the figure.",
            )
            return (*said, PUBLISHED_CURVE) if spec.stepped else said
        case CompletenessFigure():
            return ("Hatched: not yet due. Colour follows the rounded number.",)
        case AcuityFigure():
            return (
                "Higher is worse on both axes. Dashed lines: 0.3 logMAR (15 letters) either side "
                "of no change. Past the break: counting fingers (CF), hand movements (HM), light "
                "perception (LP), no light perception (NLP), in order, without a number.",
            )
        case FunnelFigure():
            names = joined([limit.name for limit in spec.limits])
            return (
                f"Limits ({names}) are exact and continuous in size, around {spec.benchmark_name} "
                f"{_centre(spec)}. A point outside asks for a look at the data first; "
                "one inside is not shown to differ, which is not “as good as”.",
            )
        case CaseTimeline():
            return (
                "Time runs from the first insertion. Acuity: logMAR, better upward; below the break"
                " counting fingers (CF), hand movements (HM), light perception (LP) and no light"
                " perception (NLP) in order, without a number.",
            )
        case MonitoringFigure():
            return (
                "Above: the running sum of observed minus expected; up is worse. Below: the "
                f"risk-adjusted CUSUM and its limit ({spec.limit_means}). Each tick is an event.",
            )
        case DoseResponseFigure():
            return _dose_notes(spec)
        case TradeOffFigure():
            band = f"{spec.level * 100:g}\u00a0%"
            return (
                f"Lines and bands ({band}): {spec.adjustment}, each drawn from the 1st to the 99th "
                "percentile of the doses given. Associations in past patients; no dose is advised.",
            )
        case CauseGraphFigure():
            return (
                "Assumed, not shown by the data. Solid: dealt with in the adjusted analysis. "
                "Dashed: not. The heavy arrow is the effect asked about.",
            )
        case ForestFigure() if spec.log_axis:
            return ("The axis is logarithmic. Bars are the intervals printed beside them.",)
        case _:
            return ()


def _dose_notes(spec: DoseResponseFigure) -> tuple[str, ...]:
    band = f"{spec.level * 100:g}\u00a0%"
    rug = " Ticks: single doses, those with an event above." if spec.doses_without_event else ""
    return (
        f"Line and band ({band}): {spec.adjustment}, drawn from the 1st to the 99th percentile of "
        f"dose. Points: observed risk in groups by dose with {band} intervals, not adjusted.{rug}"
        " An association, not a cause.",
    )


def _survival_notes(spec: SurvivalFigure) -> tuple[str, ...]:
    top = axis_top(spec)
    limit = "the whole range" if top == 1 else f"0 to {percent(top, 0)}, not to 100"
    head = f"{spec.method}; band: {spec.level * 100:g}\u00a0% interval ({spec.interval}). "
    if not spec.interval:
        head = f"{spec.method}. "
    stop = f"Curves stop when fewer than {spec.minimum_at_risk} {spec.unit} remain at risk. "
    said = f"{head}{stop}The axis shows {limit}. "
    if not spec.interval:
        return (said + "Below: at risk just before each tick, and events before it.",)
    if spec.stepped:
        counts = "Below: at risk just before each tick, and events before it."
        return (said + counts, PUBLISHED_CURVE)
    counts = (
        "Below: at risk just before each tick, and censored and events before it; the three add "
        "up to the number at the start."
    )
    return (said + counts,)
