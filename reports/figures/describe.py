"""A figure in words and in numbers: alternative text, notes beneath, the table behind it.

All of it is worked out from the spec, so what suppression did to the spec shows here too.
"""

from __future__ import annotations

from reports.document import Column, Figure, Row, Table
from reports.figures.axis_range import axis_top
from reports.figures.specs import (
    AcuityFigure,
    CompletenessFigure,
    FigureSpec,
    FlowFigure,
    ForestFigure,
    IncidenceFigure,
    RiskRow,
    SurvivalFigure,
)
from reports.values import Content, Count, SingleRecord, Words
from reports.wording import decimal, joined, percent, say

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
            return (
                f"Stacked cumulative incidence among {say(spec.n)} {spec.unit}; at {end} years: "
                + ("; ".join(parts) + ".")
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
        case AcuityFigure():
            return (
                f"Scatter of visual acuity before treatment against {spec.latest_name.lower()}, "
                f"{len(spec.eyes)} eyes, with a line of no change; points above it got worse."
            )


def _survival_text(spec: SurvivalFigure) -> str:
    parts = []
    for series in spec.series:
        last = [r for r in series.risk if r.time_years <= series.stop_years or spec.stepped]
        row = last[-1] if last else series.risk[0]
        parts.append(
            f"{series.name}, {say(series.n)} {spec.unit}: {say(row.estimate)} "
            f"at {row.time_years:g} years"
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
        case ForestFigure() if spec.log_axis:
            return ("The axis is logarithmic. Bars are the intervals printed beside them.",)
        case _:
            return ()


def _survival_notes(spec: SurvivalFigure) -> tuple[str, ...]:
    top = axis_top(spec)
    limit = "the whole range" if top == 1 else f"0 to {percent(top, 0)}, not to 100"
    head = f"{spec.method}; band: {spec.level * 100:g}\u00a0% interval ({spec.interval}). "
    stop = f"Curves stop when fewer than {spec.minimum_at_risk} {spec.unit} remain at risk. "
    said = f"{head}{stop}The axis shows {limit}. "
    if spec.stepped:
        counts = "Below: at risk just before each tick, and events before it."
        return (said + counts, PUBLISHED_CURVE)
    counts = (
        "Below: at risk just before each tick, and censored and events before it; the three add "
        "up to the number at the start."
    )
    return (said + counts,)


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


def _level_text(logmar: float | None, off_chart: str | None) -> str:
    return off_chart or decimal(logmar or 0.0, 2)


def _survival_numbers(spec: SurvivalFigure) -> tuple[_Headings, _Rows]:
    shown = spec.series[0].risk[0].estimate.shown_as
    name = spec.control_name if shown == "control" else spec.failure_name
    counted = ("At risk", "Events") if spec.stepped else ("At risk", "Censored", "Events")
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
