"""The stand-alone report of a comparison with published rates, with the results in time order."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.benchmarking.benchmark_results import BenchmarkResults
from analysis.benchmarking.margins import Margins
from analysis.outcomes.end_points import definition_in_words
from reports.audit import NOTICE, versions
from reports.document import BulletList, Paragraph, Provenance, Report, Section, numbered
from reports.monitoring_results import MonitoringResults
from reports.sections import published_comparison, time_order
from reports.values import Words


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
            published_comparison.section(benchmarks),
            *(time_order.section(one) for one in monitoring),
            *unit_sections,
            _methods(benchmarks),
            Section("References", (BulletList(_references(benchmarks), ordered=True),)),
        ),
        notices=(NOTICE,),
    )
    return numbered(report)


def _methods(benchmarks: Sequence[BenchmarkResults]) -> Section:
    definitions = [
        Paragraph(
            definition_in_words(one.outcome.end_point),
            lead=f"{one.outcome.end_point.title.capitalize()}.",
        )
        for one in benchmarks
    ]
    return Section("Methods and definitions", (*definitions, *published_comparison.methods()))


def _references(benchmarks: Sequence[BenchmarkResults]) -> tuple[Words, ...]:
    cited = {
        found.series.first.citation
        for results in benchmarks
        for found in results.comparisons
        if found.verdict != "cannot tell"
    }
    return (*published_comparison.REFERENCES, *sorted(cited))
