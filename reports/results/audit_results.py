"""Everything an audit says, gathered once from the store before a word is written."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.benchmarking.benchmark_results import BenchmarkResults, run_benchmarks
from analysis.benchmarking.margins import Margins
from analysis.benchmarking.published_rates import PublishedRate, builtin_rates
from analysis.counts.completeness import Completeness as FollowUpCompleteness
from analysis.counts.completeness import completeness_of_follow_up
from analysis.outcomes.baseline import (
    Completeness as RecordCompleteness,
)
from analysis.outcomes.baseline import (
    Summary,
    completeness_by_year,
    read_baseline,
    summarise,
)
from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.end_points import END_POINTS, LOCAL_FAILURE
from analysis.outcomes.outcome import Estimation, Outcome, OutcomeTable, analyse
from reports.results.benchmark_gathering import compare_levels, published_levels
from reports.results.monitoring_references import find_reference
from reports.results.monitoring_results import MonitoringResults, gather_monitoring
from reports.results.outcome_results import OutcomeResults, gather_outcomes
from reports.results.quality_results import QualityResults, gather_quality
from reports.results.standards import Standard, Standards
from reports.results.vision_results import VisionResults, gather_vision

if TYPE_CHECKING:
    from registry.store import Store


MORTALITY = ("metastasis", "melanoma_death", "death")


@dataclass(frozen=True)
class AuditResults:
    """The figures of one audit; ``outcomes`` holds an analysis per end point that is needed."""

    centre: str
    year: int
    cut: DataCut
    rules: CohortRules
    how: Estimation
    standards: Standards
    settings: Mapping[str, Any]
    content_hash: str
    last_recorded_at: str
    treated_in_year: int
    summaries: tuple[Summary, ...]
    completeness: RecordCompleteness
    follow_up: FollowUpCompleteness
    local: Outcome
    local_by_category: Outcome
    by_target: Mapping[str, Outcome]
    vision: VisionResults
    quality: QualityResults
    outcomes: OutcomeResults
    benchmarks: tuple[BenchmarkResults, ...]
    monitoring: MonitoringResults

    def stated_beforehand(self, target: Standard) -> bool:
        """Whether a target was decided no later than the data cut."""
        return target.decided_on <= self.cut.event_date

    @property
    def secondary_end_points(self) -> frozenset[str]:
        """Names of the compared end points that no standard speaks of."""
        named = {*self.by_target, self.standards.primary.end_point}
        return frozenset(one.outcome.end_point.name for one in self.benchmarks) - named


def follow_up_completeness(table: OutcomeTable, cut: DataCut) -> FollowUpCompleteness:
    """Clark's index of local status: potential time runs to the data cut, and ends at death."""
    potential = np.asarray(
        [(cut.event_date - zero).days for zero in table.zero_date], dtype=np.float64
    )
    died = ~np.isnan(table.death_days)
    potential = np.where(died, np.fmin(table.death_days, potential), potential)
    return completeness_of_follow_up(
        np.minimum(table.time_days, potential), table.status > 0, potential
    )


def last_recorded_at(connection: Any) -> str:
    """Return when the last batch was recorded, as ISO text in UTC."""
    last: datetime = connection.execute("SELECT max(recorded_at) FROM batch").fetchall()[0][0]
    return last.replace(microsecond=0, tzinfo=UTC).isoformat()


def _on_control(standards: Standards) -> tuple[float, float] | None:
    """Years and target of the first standard on local control."""
    found = [one for one in standards.targets if one.end_point == LOCAL_FAILURE.name]
    return (found[0].years, found[0].at_least) if found else None


def _targets(standards: Standards) -> tuple[Standard, ...]:
    return tuple(target for target in standards.targets if target.end_point != LOCAL_FAILURE.name)


def _by_target(
    connection: Any,
    standards: Standards,
    cut: DataCut,
    rules: CohortRules,
    how: Estimation,
    local: Outcome,
    progress: Callable[[str], None],
) -> dict[str, Outcome]:
    """Analyse each end point that a standard names, local failure being there already."""
    found = {LOCAL_FAILURE.name: local}
    for target in _targets(standards):
        progress(f"standard: {target.name}")
        if target.end_point not in found:
            end_point = END_POINTS[target.end_point]
            found[target.end_point] = analyse(
                connection, end_point, cut, rules=rules, how=how, with_sensitivity=False
            )
    return found


def gather(
    store: Store,
    *,
    year: int,
    data_cut: date,
    standards: Standards,
    rules: CohortRules | None = None,
    how: Estimation | None = None,
    progress: Callable[[str], None] = lambda step: None,
    published: Sequence[PublishedRate] | None = None,
    margins: Margins | None = None,
) -> AuditResults:
    """Run every analysis of the audit on an open store.

    ``published`` are the rates to compare with, the built-in ones by default.
    """
    connection, settings = store.connection, store.settings()
    rules = rules or CohortRules(course_gap_days=int(settings["course_gap_days"]))
    how, cut = how or Estimation(), DataCut(data_cut)
    progress("patients and data")
    window_days = int(settings["baseline_window_days"])
    baseline = read_baseline(connection, cut, rules, baseline_window_days=window_days)
    progress("local control")
    local = analyse(connection, LOCAL_FAILURE, cut, rules=rules, how=how)
    progress("local control by T category")
    by_category = analyse(
        connection,
        LOCAL_FAILURE,
        cut,
        rules=rules,
        how=how,
        by="size_category",
        with_sensitivity=False,
    )
    by_target = _by_target(connection, standards, cut, rules, how, local, progress)
    progress("comparison with published rates")
    published, margins = published or builtin_rates(), margins or Margins()
    reference = find_reference(standards, LOCAL_FAILURE.name, published, data_cut)
    outcomes = gather_outcomes(
        connection, cut, rules, settings, how, local, _on_control(standards), progress
    )
    compared = (local, outcomes.eye_loss, *(getattr(outcomes.mortality, one) for one in MORTALITY))
    levels = published_levels(published)
    benchmarks = (
        *(
            run_benchmarks(one, published, baseline, margins.find(one.end_point.name))
            for one in compared
        ),
        *compare_levels(connection, levels, published, baseline, margins, cut, settings),
    )
    return AuditResults(
        centre=str(settings["centre_id"]),
        year=year,
        cut=cut,
        rules=rules,
        how=how,
        standards=standards,
        settings=settings,
        content_hash=store.state_hash(),
        last_recorded_at=last_recorded_at(connection),
        treated_in_year=sum(row["year_of_treatment"] == year for row in baseline),
        summaries=summarise(baseline),
        completeness=completeness_by_year(baseline),
        follow_up=follow_up_completeness(local.table, cut),
        local=local,
        local_by_category=by_category,
        by_target=by_target,
        benchmarks=benchmarks,
        monitoring=gather_monitoring(local, reference=reference),
        vision=gather_vision(connection, cut, rules, settings, how, progress),
        quality=gather_quality(connection, cut, rules, settings, year, progress),
        outcomes=outcomes,
    )
