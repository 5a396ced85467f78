"""The table behind a figure, for "show the numbers", its CSV and the appendix."""

from __future__ import annotations

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
    RiskRow,
    SurvivalFigure,
)
from reports.page.document import Column, Figure, Row, Table
from reports.words.values import (
    Content,
    Count,
    CurveEstimate,
    Quantity,
    SingleRecord,
    Text,
    Words,
    text,
)
from reports.words.wording import decimal, percent_with_interval


def numbers_table(figure: Figure) -> Table:
    """The table behind the figure, for "show the numbers" and its CSV."""
    caption: Words = (
        f"Numbers behind figure {figure.number}" if figure.number else "Numbers behind the figure"
    )
    headings, rows = _numbers(figure.spec)
    return Table(caption, tuple(Column(*heading) for heading in headings), rows)


_Headings = tuple[tuple[str, str], ...]
_Rows = tuple[Row, ...]
_FLUSH_LEFT, _FLUSH_RIGHT = "left", "right"


def _numbers(spec: FigureSpec) -> tuple[_Headings, _Rows]:
    match spec:
        case SurvivalFigure():
            return _survival_numbers(spec)
        case IncidenceFigure():
            return _incidence_numbers(spec)
        case FlowFigure():
            return _flow_numbers(spec)
        case CompletenessFigure():
            return _completeness_numbers(spec)
        case ForestFigure():
            return _forest_numbers(spec)
        case AcuityFigure():
            return _acuity_numbers(spec)
        case FunnelFigure():
            if spec.is_ratio:
                return _ratio_numbers(spec)
            names = (("", _FLUSH_LEFT), (spec.size_name, _FLUSH_RIGHT), ("Events", _FLUSH_RIGHT))
            return names, tuple(Row((unit.name, unit.n, unit.events)) for unit in spec.units)
        case MonitoringFigure():
            return _monitoring_numbers(spec)
        case DoseResponseFigure():
            return _dose_numbers(spec)
        case TradeOffFigure():
            return _trade_off_numbers(spec)
        case CauseGraphFigure():
            names = (("From", _FLUSH_LEFT), ("To", _FLUSH_LEFT), ("Dealt with", _FLUSH_LEFT))
            return names, tuple(Row((a.source, a.target, a.dealt_with)) for a in spec.arrows)
        case CaseTimeline():
            return _timeline_numbers(spec)


def _ratio_numbers(spec: FunnelFigure) -> tuple[_Headings, _Rows]:
    heads = (("", _FLUSH_LEFT), ("n", _FLUSH_RIGHT), ("Observed", _FLUSH_RIGHT))
    rows = tuple(
        Row((unit.name, unit.n, unit.events, Quantity(unit.expected, digits=1, n=unit.n.value)))
        for unit in spec.units
    )
    return (*heads, (spec.size_name, _FLUSH_RIGHT)), rows


def _flow_numbers(spec: FlowFigure) -> tuple[_Headings, _Rows]:
    rows: list[Row] = []
    for step in spec.steps:
        rows += [Row((f"left out: {x.reason}", x.count), level=1) for x in step.left_out]
        rows.append(Row((step.label, step.kept)))
    return (("Step", _FLUSH_LEFT), (spec.unit.capitalize(), _FLUSH_RIGHT)), tuple(rows)


def _completeness_numbers(spec: CompletenessFigure) -> tuple[_Headings, _Rows]:
    heads = ((f"{spec.row_heading}, {spec.column_heading.lower()}", _FLUSH_LEFT),)
    rows: list[Row] = []
    for name, cells in zip(spec.row_names, spec.cells, strict=True):
        rows.append(Row((name,), header=True))
        pairs = zip(spec.column_names, cells, strict=True)
        rows += [Row((column, cell), level=1) for column, cell in pairs]
    return (*heads, ("Known", _FLUSH_RIGHT)), tuple(rows)


def _forest_numbers(spec: ForestFigure) -> tuple[_Headings, _Rows]:
    heads = (("", _FLUSH_LEFT), (spec.counts_heading, _FLUSH_RIGHT), (spec.measure, _FLUSH_RIGHT))
    rows: list[Row] = []
    for row in spec.rows:
        said: Content = "reference" if row.is_reference else row.estimate or ""
        if row.is_heading:
            rows.append(Row((row.label,), header=True))
        else:
            rows.append(Row((row.label, row.counts, said), level=1))
    return heads, tuple(rows)


def _acuity_numbers(spec: AcuityFigure) -> tuple[_Headings, _Rows]:
    heads = (("Eye", _FLUSH_LEFT), ("Before", _FLUSH_RIGHT), (spec.latest_name, _FLUSH_RIGHT))
    return heads, tuple(
        Row(
            (
                str(place),
                SingleRecord(_level_text(eye.baseline.logmar, eye.baseline.off_chart)),
                SingleRecord(_level_text(eye.latest.logmar, eye.latest.off_chart)),
            )
        )
        for place, eye in enumerate(spec.eyes, start=1)
    )


def _monitoring_numbers(spec: MonitoringFigure) -> tuple[_Headings, _Rows]:
    names = ("Calendar year", "Event", "Observed − expected", "CUSUM")
    heads = tuple((name, _FLUSH_RIGHT if k else _FLUSH_LEFT) for k, name in enumerate(names))
    columns = (spec.time_years, spec.is_event, spec.observed_minus_expected, spec.cusum)
    return heads, tuple(
        Row(
            (
                SingleRecord(decimal(time, 2)),
                SingleRecord("yes" if event else "no"),
                SingleRecord(decimal(excess, 2)),
                SingleRecord(decimal(score, 2)),
            )
        )
        for time, event, excess, score in zip(*columns, strict=True)
    )


def _timeline_numbers(spec: CaseTimeline) -> tuple[_Headings, _Rows]:
    heads = (("Years since insertion", _FLUSH_RIGHT), ("What", _FLUSH_LEFT), ("Value", _FLUSH_LEFT))
    found = [(event.time_years, "event", event.label) for event in spec.events]
    found += [(p.time_years, "height", f"{decimal(p.height_mm)} mm") for p in spec.height]
    found += [
        (p.time_years, "acuity", _level_text(p.level.logmar, p.level.off_chart))
        for p in spec.acuity
    ]
    return heads, tuple(
        Row((SingleRecord(decimal(time, 2)), what, SingleRecord(said)))
        for time, what, said in sorted(found)
    )


def _dose_numbers(spec: DoseResponseFigure) -> tuple[_Headings, _Rows]:
    heads = ((f"{spec.dose_name} ({spec.dose_unit})", _FLUSH_LEFT), (spec.outcome, _FLUSH_RIGHT))
    groups = [
        Row((f"observed, {decimal(g.dose_from, 0)} to {decimal(g.dose_to, 0)}", _observed(g.risk)))
        for g in spec.groups
    ]
    places = sorted({round(k * (len(spec.dose) - 1) / 8) for k in range(9)})
    curve = [
        Row(
            (
                f"curve at {decimal(spec.dose[k], 1)}",
                percent_with_interval(spec.risk[k], spec.lower[k], spec.upper[k], spec.level),
            )
        )
        for k in places
    ]
    return heads, (*groups, *curve)


def _observed(risk: CurveEstimate) -> Text:
    """Word an observed risk with the events and people behind it."""
    return text("{events} of {n}: {risk}", events=Count(risk.events), n=Count(risk.n), risk=risk)


def _trade_off_numbers(spec: TradeOffFigure) -> tuple[_Headings, _Rows]:
    heads = ((f"{spec.dose_name} ({spec.dose_unit})", _FLUSH_LEFT), (spec.measure, _FLUSH_RIGHT))
    rows: list[Row] = []
    for curve in spec.curves:
        rows.append(Row((curve.name,), header=True))
        for k in sorted({round(j * (len(curve.dose) - 1) / 6) for j in range(7)}):
            limits = (curve.free[k], curve.lower[k], curve.upper[k])
            said = percent_with_interval(*limits, spec.level)
            rows.append(Row((decimal(curve.dose[k], 1), said), level=1))
    return heads, tuple(rows)


def _level_text(logmar: float | None, off_chart: str | None) -> str:
    return off_chart or decimal(logmar or 0.0, 2)


def _survival_numbers(spec: SurvivalFigure) -> tuple[_Headings, _Rows]:
    shown = spec.series[0].risk[0].estimate.shown_as
    name = spec.control_name if shown == "control" else spec.failure_name
    is_uncensored = all(row.censored is None for series in spec.series for row in series.risk)
    counted = ("At risk", "Events") if is_uncensored else ("At risk", "Censored", "Events")
    heads = ("Years", *counted, name)
    rows: list[Row] = []
    for series in spec.series:
        rows.append(Row((series.name,), header=True))
        rows += [
            Row((f"{row.time_years:g}", *_counts(row), row.estimate), level=1)
            for row in series.risk
        ]
    aligned = tuple((head, _FLUSH_RIGHT if k else _FLUSH_LEFT) for k, head in enumerate(heads))
    return aligned, tuple(rows)


def _counts(row: RiskRow) -> tuple[Count, ...]:
    every = (row.at_risk, row.censored, row.events)
    return tuple(count for count in every if count is not None)


def _incidence_numbers(spec: IncidenceFigure) -> tuple[_Headings, _Rows]:
    names = ("Years", "At risk", *(band.name for band in spec.outcomes))
    heads = tuple((name, _FLUSH_RIGHT if k else _FLUSH_LEFT) for k, name in enumerate(names))
    return heads, tuple(
        Row((f"{tick:g}", spec.at_risk[k], *(band.at_ticks[k] for band in spec.outcomes)))
        for k, tick in enumerate(spec.ticks_years)
    )
