"""The stand-alone report of a comparison with published rates, with the results in time order."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.benchmarking.benchmark_results import BenchmarkResults
from analysis.benchmarking.margins import Margins
from analysis.outcomes.end_points import EndPoint, definition_in_words
from analysis.outcomes.vision_levels import level_named
from reports.audit import NOTICE, versions
from reports.benchmark_blocks import judged_of
from reports.benchmark_verdicts import in_one_sentence, told_blocks
from reports.page.document import (
    BulletList,
    Column,
    Paragraph,
    Provenance,
    Report,
    Row,
    Section,
    Table,
    numbered,
)
from reports.results.monitoring_results import MonitoringResults
from reports.sections import published_comparison, time_order
from reports.words.benchmark_wording import NOT_AS_GOOD, first_up, is_less
from reports.words.values import Words

JUDGED = ("worse", "within the margin", "not shown")


def build_benchmark_report(
    benchmarks: Sequence[BenchmarkResults],
    monitoring: Sequence[MonitoringResults],
    *,
    centre: str,
    content_hash: str,
    made_at: str,
    margins: Margins,
    unit_sections: Sequence[Section] = (),
) -> Report:
    """Make the report.

    Parameters
    ----------
    benchmarks, monitoring
        One an end point; at least one benchmark.
    unit_sections
        Sections of units side by side, such as operators, that were asked for.
    """
    cut = benchmarks[0].outcome.cut.event_date.isoformat()
    report = Report(
        title="Comparison with published rates",
        subtitle=f"{centre}, data cut {cut}",
        provenance=Provenance(
            centre=centre,
            data_cut=cut,
            made_at=made_at,
            content_hash=content_hash,
            plan=f"margins file, SHA-256 {margins.sha256}" if margins.sha256 else "",
            versions=versions(),
        ),
        sections=(
            _summary(benchmarks, monitoring),
            published_comparison.section(benchmarks, is_summarised=True),
            *(
                time_order.section(one, f"{time_order.TITLE}: {one.outcome.end_point.title}")
                for one in monitoring
            ),
            *unit_sections,
            _methods(benchmarks),
            published_comparison.detail(benchmarks),
            Section("References", (BulletList(_references(benchmarks), ordered=True),)),
        ),
        notices=(NOTICE,),
    )
    return numbered(report)


def _summary(
    benchmarks: Sequence[BenchmarkResults], monitoring: Sequence[MonitoringResults]
) -> Section:
    """Put what was found on one page: series counted by verdict, and those that were worse."""
    charts = {one.outcome.end_point.name: one for one in monitoring}
    rows = []
    for results in benchmarks:
        end_point, judged = results.outcome.end_point, judged_of(results)
        counts = [sum(one.verdict == verdict for one in judged) for verdict in JUDGED]
        less = sum(is_less(one) for one in judged)
        untold = len(results.comparisons) - len(judged)
        chart = _chart_words(charts.get(end_point.name))
        cells = (first_up(end_point.title), *(f"{k}" for k in (*counts, less, untold)), chart)
        rows.append(Row(cells))
    table = Table(
        caption="Published series by what the comparison with them shows, and the charts.",
        columns=(
            Column("End point"),
            Column("Worse", "right"),
            Column("Within the margin", "right"),
            Column("Not shown to be worse", "right"),
            Column("of these, less frequent here", "right"),
            Column("Cannot tell", "right"),
            Column("In time order"),
        ),
        rows=tuple(rows),
        notes=(NOT_AS_GOOD,),
    )
    said = Paragraph(in_one_sentence(benchmarks))
    return Section("What was found", (said, table, *told_blocks(benchmarks)))


def _chart_words(chart: MonitoringResults | None) -> str:
    if chart is None:
        return "no chart"
    if chart.chart is None:
        return f"no chart: {chart.reason}"
    against = "own curve" if chart.is_own else "reference"
    return f"{'alarm' if chart.chart.alarms else 'no alarm'} (against {against})"


def _methods(benchmarks: Sequence[BenchmarkResults]) -> Section:
    definitions = [
        Paragraph(
            _definition(one.outcome.end_point),
            lead=f"{first_up(one.outcome.end_point.title)}.",
        )
        for one in benchmarks
    ]
    return Section("Methods and definitions", (*definitions, *published_comparison.methods()))


def _definition(end_point: EndPoint) -> str:
    level = level_named(end_point.name)
    if level is None:
        return definition_in_words(end_point)
    return (
        f"{first_up(level.loss_words)} as in the analysis of vision, by Kaplan–Meier with the loss"
        " dated at the visit that found it, as papers print it; eyes that did not have it at"
        " baseline are not at risk, and removal of the eye is a loss."
    )


def _references(benchmarks: Sequence[BenchmarkResults]) -> tuple[Words, ...]:
    cited = {
        found.series.first.citation
        for results in benchmarks
        for found in results.comparisons
        if found.verdict != "cannot tell"
    }
    return (*published_comparison.REFERENCES, *sorted(cited))
