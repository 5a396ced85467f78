"""Runs every comparison with published rates and every chart on one open registry."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.benchmarking.benchmark_results import (
    BenchmarkResults,
    describe_population,
    run_benchmarks,
)
from analysis.benchmarking.margins import Margins, read_margins
from analysis.benchmarking.published_rates import PublishedRate
from analysis.benchmarking.vision_comparison import (
    compare_vision,
    levels_of,
    read_vision_outcomes,
)
from analysis.outcomes.baseline import read_baseline
from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.end_points import END_POINTS, EndPoint, find_end_point
from analysis.outcomes.outcome import analyse
from analysis.outcomes.vision_history import VisionRules
from analysis.outcomes.vision_levels import VisionLevel, level_named
from registry.errors import RefusedInputError
from reports.results.monitoring_references import find_reference
from reports.results.monitoring_results import MonitoringResults, gather_monitoring
from reports.results.standards import Standards

if TYPE_CHECKING:
    from registry.store import Store


@dataclass(frozen=True)
class Benchmarks:
    """Comparisons one an end point or level of vision; charts one an end point."""

    benchmarks: tuple[BenchmarkResults, ...]
    monitoring: tuple[MonitoringResults, ...]


def published_levels(rates: Sequence[PublishedRate]) -> tuple[VisionLevel, ...]:
    """Return the levels of vision of which some figure could be compared, not crude ones only."""
    return levels_of([rate for rate in rates if rate.is_actuarial and not rate.unlike])


def name_end_points(
    names: Sequence[str], rates: Sequence[PublishedRate]
) -> list[EndPoint | VisionLevel]:
    """Find what is asked for; without names the main end points and the published levels.

    Raises
    ------
    UsageError
        For a name that is none.
    """
    if not names:
        return [*END_POINTS.values(), *published_levels(rates)]
    return [level_named(name) or find_end_point(name) for name in names]


def read_margins_file(file: Path | None, cut: date) -> Margins:
    """Read a margins file; no margins without one."""
    if file is None:
        return Margins()
    try:
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise RefusedInputError(
            f"{file.name} cannot be read: {type(error).__name__}.", file=file.name
        ) from None
    return read_margins(text, file.name, cut)


def gather_benchmarks(
    store: Store,
    wanted: Sequence[EndPoint | VisionLevel],
    published: Sequence[PublishedRate],
    margins: Margins,
    standards: Standards,
    cut: date,
) -> Benchmarks:
    """Run them on an open store."""
    settings, connection = store.settings(), store.connection
    rules, data_cut = CohortRules(int(settings["course_gap_days"])), DataCut(cut)
    window = int(settings["baseline_window_days"])
    baseline = read_baseline(connection, data_cut, rules, baseline_window_days=window)
    benchmarks, monitoring = [], []
    for end_point in (one for one in wanted if isinstance(one, EndPoint)):
        reference = find_reference(standards, end_point.name, published, cut)
        outcome = analyse(connection, end_point, data_cut, rules=rules, with_sensitivity=False)
        margin = margins.find(end_point.name)
        benchmarks.append(run_benchmarks(outcome, published, baseline, margin))
        monitoring.append(gather_monitoring(outcome, reference=reference))
    levels = [one for one in wanted if isinstance(one, VisionLevel)]
    vision = compare_levels(connection, levels, published, baseline, margins, data_cut, settings)
    return Benchmarks((*benchmarks, *vision), tuple(monitoring))


def compare_levels(
    connection: Any,
    levels: Sequence[VisionLevel],
    published: Sequence[PublishedRate],
    baseline: Sequence[dict[str, Any]],
    margins: Margins,
    cut: DataCut,
    settings: Any,
) -> tuple[BenchmarkResults, ...]:
    """Compare levels of vision with their published rates."""
    rules, vision = CohortRules(int(settings["course_gap_days"])), VisionRules.of(settings)
    rows = {str(row["unit_id"]): row for row in baseline}
    population = describe_population(baseline)
    made = []
    for level in levels:
        outcomes = read_vision_outcomes(connection, level, cut, rules, vision)
        margin = margins.find(level.name)
        made.append(compare_vision(outcomes, published, rows, population, margin))
    return tuple(made)
