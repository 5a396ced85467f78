"""Published rates of kept or lost vision, set against the same level and form here.

"At least 6/60" and "better than 6/60" are different end points and never meet; a loss in logMAR
meets the same loss only. Papers print life tables with the loss dated at the visit that found it,
so that is what stands beside them, never the estimate of the illness-death model. Whether a loss
had to be confirmed changes the figure: where the publication says, that reading is taken; where it
does not, both are, and a verdict needs both.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from analysis.benchmarking.benchmark import Comparison, compare
from analysis.benchmarking.benchmark_results import (
    BenchmarkResults,
    Population,
    choose_units,
    list_differences,
)
from analysis.benchmarking.margins import Margin
from analysis.benchmarking.published_rates import PublishedRate, PublishedSeries, group_series
from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.outcome import ALL, Estimation, Outcome, analyse_group
from analysis.outcomes.vision import to_outcome_table
from analysis.outcomes.vision_definition import READINGS, end_point_of
from analysis.outcomes.vision_history import Reading, VisionRules, date_losses, read_histories
from analysis.outcomes.vision_levels import VisionLevel, level_named

if TYPE_CHECKING:
    import duckdb

COUNTED: dict[str, Reading] = {"confirmed": "confirmed", "first seen": "first_observed"}
"""How a publication counts a loss, and the reading here that counts it so."""

WORDS: dict[Reading, str] = {
    "confirmed": "a loss counts when confirmed, there and here",
    "first_observed": "a loss counts when first seen, there and here",
}
NOT_STATED = (
    "whether a loss had to be confirmed is not stated there; here it counts when first seen, and"
    " counted when confirmed the verdict is the same"
)
TURNS_ON_IT = (
    "the verdict turns on whether a loss had to be confirmed, which the publication does not state"
)


@dataclass(frozen=True, slots=True)
class VisionOutcomes:
    """One level of vision, its losses counted when confirmed and when first seen."""

    level: VisionLevel
    by_reading: Mapping[Reading, Outcome]


def levels_of(rates: Sequence[PublishedRate]) -> tuple[VisionLevel, ...]:
    """List the levels of vision that some published rates are about, each once, in their order.

    Examples
    --------
    >>> from analysis.benchmarking.published_rates import builtin_rates
    >>> [level.name for level in levels_of(builtin_rates())][:2]
    ['vision_better_than_6_60', 'vision_loss_0_6']
    """
    found = (level_named(rate.compares_with or "") for rate in rates)
    return tuple(dict.fromkeys(level for level in found if level is not None))


def read_vision_outcomes(
    connection: duckdb.DuckDBPyConnection,
    level: VisionLevel,
    cut: DataCut,
    rules: CohortRules,
    vision: VisionRules,
) -> VisionOutcomes:
    """Read one level of vision from an open store, eyes at risk of its loss only."""
    eyes = read_histories(connection, level, cut, rules, vision)
    at_risk = eyes.select(eyes.reason == 0)
    end_point, how = end_point_of(level), Estimation(replicates=2)
    made: dict[Reading, Outcome] = {}
    for reading in COUNTED.values():
        losses = date_losses(at_risk, reading)
        table = to_outcome_table(at_risk, losses, end_point, READINGS[reading])
        groups = (analyse_group(ALL, table, how),)
        made[reading] = Outcome(end_point, cut, rules, table, None, (), groups, (), ())
    return VisionOutcomes(level, made)


def compare_vision(
    outcomes: VisionOutcomes,
    rates: Sequence[PublishedRate],
    rows: Mapping[str, Mapping[str, Any]],
    population: Population,
    margin: Margin | None = None,
) -> BenchmarkResults:
    """Compare one level of vision with every published series of it.

    Parameters
    ----------
    rows, population
        Rows of :func:`analysis.outcomes.baseline.read_baseline` by tumour, and their summary.

    Notes
    -----
    Series are not pooled: too few say how they counted a loss.
    """
    made = []
    for series in group_series(rates):
        if series.first.compares_with == outcomes.level.name:
            made.append(_compare_series(outcomes, series, rows, population, margin))
    return BenchmarkResults(
        outcomes.by_reading["confirmed"], population, tuple(made), (), (), margin
    )


def _compare_series(
    outcomes: VisionOutcomes,
    series: PublishedSeries,
    rows: Mapping[str, Mapping[str, Any]],
    population: Population,
    margin: Margin | None,
) -> Comparison:
    differences = list_differences(population, series.first)
    chosen = choose_units(series, rows)

    def by(reading: Reading) -> Comparison:
        return compare(outcomes.by_reading[reading], series, margin, differences, chosen)

    counted = series.first.loss_counted
    if counted:
        reading = COUNTED[counted]
        return _say(by(reading), WORDS[reading])
    seen, confirmed = by("first_observed"), by("confirmed")
    if seen.verdict == confirmed.verdict:
        return _say(seen, NOT_STATED) if seen.verdict != "cannot tell" else seen
    if "cannot tell" in (seen.verdict, confirmed.verdict):
        return seen if seen.verdict == "cannot tell" else confirmed
    return replace(seen, verdict="cannot tell", reason=TURNS_ON_IT)


def _say(found: Comparison, words: str) -> Comparison:
    return replace(found, reading=words, differences=(*found.differences, words))
