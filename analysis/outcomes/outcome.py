"""One end point of the registry, from its SQL relation to its figures.

:func:`analyse` runs the estimators of :mod:`analysis.estimators.survival` and
:mod:`analysis.estimators.competing_risks`
per group, the tests between groups, and the sensitivity variants beside the main analysis; from a
landmark on, if one is given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimators.competing_risks import (
    CumulativeIncidence,
    aalen_johansen,
    aalen_johansen_own_clocks,
)
from analysis.estimators.group_tests import GroupTest
from analysis.estimators.survival import KaplanMeier, Quantile, kaplan_meier, reverse_kaplan_meier
from analysis.outcomes import cohort
from analysis.outcomes.cohort import CohortRules, DataCut, FlowStep
from analysis.outcomes.end_points import (
    CONTRADICTIONS_IN_WORDS,
    DAYS_PER_YEAR,
    TOXICITIES,
    EndPoint,
    Variant,
    compile_contradictions,
    compile_not_at_risk,
)
from analysis.outcomes.grouping import Grouping, group_units
from analysis.outcomes.landmark import count_days, from_landmark, group_by_complication
from analysis.outcomes.outcome_table import (
    PLANNED_GAP_DAYS,
    OutcomeTable,
    death_clock,
    examination_clock,
    one_clock_causes,
    own_clock_causes,
    read_outcome_table,
)
from analysis.outcomes.outcome_tests import ClockedTest, compare_curves, compare_incidences

if TYPE_CHECKING:
    import duckdb

__all__ = [
    "ALL",
    "PLANNED_GAP_DAYS",
    "Estimation",
    "GroupOutcome",
    "Outcome",
    "OutcomeTable",
    "SensitivityOutcome",
    "analyse",
    "analyse_group",
    "death_clock",
    "examination_clock",
    "one_clock_causes",
    "own_clock_causes",
    "read_outcome_table",
]

ALL = "all"


@dataclass(frozen=True, slots=True)
class GroupOutcome:
    """The figures of one group.

    ``kaplan_meier`` is None when nobody was under observation; ``delayed_entry`` counts the units
    followed here only from a later day than time zero.
    """

    group: str
    n: int
    never_assessed: int
    events: int
    competing: int
    person_years: float
    kaplan_meier: KaplanMeier | None
    median_follow_up: Quantile | None
    cumulative_incidence: CumulativeIncidence | None
    table: OutcomeTable
    delayed_entry: int = 0


@dataclass(frozen=True, slots=True)
class SensitivityOutcome:
    """A variant of the definition and the figures under it."""

    name: str
    words: str
    groups: tuple[GroupOutcome, ...]


@dataclass(frozen=True)
class Outcome:
    """One end point, analysed.

    ``tests`` compare the curves of the end point itself, ``incidence_tests`` cumulative incidences
    and the hazards of competing causes, each saying on which clock. ``landmark_years`` is None for
    an analysis from time zero.
    """

    end_point: EndPoint
    cut: DataCut
    rules: CohortRules
    table: OutcomeTable
    grouping: Grouping | None
    flow: tuple[FlowStep, ...]
    groups: tuple[GroupOutcome, ...]
    tests: tuple[GroupTest, ...]
    sensitivity: tuple[SensitivityOutcome, ...]
    contradictions: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    incidence_tests: tuple[ClockedTest, ...] = ()
    landmark_years: float | None = None


@dataclass(frozen=True, slots=True)
class Estimation:
    """How the figures are estimated: interval method, level, bootstrap replicates and seed."""

    interval: str = "beta-product"
    level: float = 0.95
    replicates: int = 1000
    seed: int = 20240229


def _incidence(table: OutcomeTable, how: Estimation) -> CumulativeIncidence | None:
    """Estimate every cause; with delayed entry only where all causes share one clock."""
    if len(table.end_point.cause_names) == 1:
        return None
    if (table.entry_days > 0).any():
        if table.end_point.death_competes:
            return None
        observed = examination_clock(table)
        return aalen_johansen(observed, interval=how.interval, level=how.level)
    one_clock = table.variant.death_by_last_visit
    return aalen_johansen_own_clocks(
        one_clock_causes(table) if one_clock else own_clock_causes(table),
        cluster=np.unique(table.patient_id, return_inverse=True)[1],
        level=how.level,
        replicates=how.replicates,
        rng=np.random.default_rng(how.seed),
    )


def analyse_group(group: str, table: OutcomeTable, how: Estimation) -> GroupOutcome:
    """Estimate one group of units."""
    _, died = death_clock(table)
    dies = int(died.sum()) if table.end_point.death_competes else 0
    km = follow_up = incidence = None
    if (table.time_days > table.entry_days).any() or (table.entry_days <= 0).any():
        observed = examination_clock(table)
        km = kaplan_meier(observed, interval=how.interval, level=how.level)
        follow_up = reverse_kaplan_meier(observed, level=how.level).median()
        incidence = _incidence(table, how)
    return GroupOutcome(
        group=group,
        n=table.n,
        never_assessed=int((~table.seen & (table.status == 0)).sum()),
        events=int((table.status == 1).sum()),
        competing=int((table.status > 1).sum()) + dies,
        person_years=float(np.maximum(table.time_days - table.entry_days, 0).sum()) / DAYS_PER_YEAR,
        kaplan_meier=km,
        median_follow_up=follow_up,
        cumulative_incidence=incidence,
        table=table,
        delayed_entry=int((table.entry_days > 0).sum()),
    )


def _split(table: OutcomeTable, grouping: Grouping | None) -> list[tuple[str, OutcomeTable]]:
    if grouping is None:
        return [(ALL, table)]
    of_row = np.asarray([grouping.of_unit[unit] for unit in table.unit_id], dtype=object)
    return [(level, table.select(of_row == level)) for level in grouping.levels]


def _analyse_groups(
    table: OutcomeTable, grouping: Grouping | None, how: Estimation
) -> tuple[GroupOutcome, ...]:
    return tuple(analyse_group(name, part, how) for name, part in _split(table, grouping))


def _contradictions(
    connection: duckdb.DuckDBPyConnection, end_point: EndPoint, cut: DataCut, rules: CohortRules
) -> tuple[str, ...]:
    sql = compile_contradictions(end_point, rules)
    found = cohort.fetch_columns(connection, sql, cut.parameters())
    return tuple(
        f"{int(found[name][0])} × {words}"
        for name, words in CONTRADICTIONS_IN_WORDS.items()
        if found[name][0]
    )


def _warnings(table: OutcomeTable) -> tuple[str, ...]:
    if not table.n:
        return ("no unit is in the cohort at this data cut",)
    said = []
    never = int((~table.seen & (table.status == 0)).sum())
    if never:
        said.append(f"{never} × never assessed after treatment: kept, with no time at risk")
    if (table.entry_days > 0).any():
        said.append(
            f"{int((table.entry_days > 0).sum())} × delayed entry: curves and tests count them from"
            " the day this centre took over"
            + ("; cumulative incidence is not given" if table.end_point.death_competes else "")
        )
    return tuple(said)


def _flow(
    connection: duckdb.DuckDBPyConnection, end_point: EndPoint, cut: DataCut, rules: CohortRules
) -> tuple[FlowStep, ...]:
    steps = cohort.flow(connection, end_point.unit, cut, rules)
    if not end_point.not_at_risk:
        return steps
    sql = compile_not_at_risk(end_point, rules)
    left_out = int(cohort.fetch_columns(connection, sql, cut.parameters())["left_out"][0])
    words = " or ".join(source.words for source in end_point.not_at_risk)
    return (*steps, FlowStep(f"not at risk: {words}", left_out, steps[-1].kept - left_out))


def _grouping(
    connection: duckdb.DuckDBPyConnection,
    cut: DataCut,
    rules: CohortRules,
    table: OutcomeTable,
    by: tuple[str | None, Sequence[float], int],
    landmark: int | None,
) -> Grouping | None:
    name, cuts, window = by
    if name is None or not table.n:
        return None
    if landmark is not None and name in TOXICITIES:
        return group_by_complication(connection, cut, rules, table, name, landmark)
    keys = {
        "units": list(table.unit_id),
        "tumours": list(table.tumour_id),
        "implants": list(table.first_implant_id),
    }
    days = {"course_gap_days": rules.course_gap_days, "baseline_window_days": window}
    return group_units(connection, cut, keys, name, cuts, **days)


def _read_variant(
    connection: duckdb.DuckDBPyConnection,
    end_point: EndPoint,
    cut: DataCut,
    rules: CohortRules,
    variant: Variant,
    landmark: int | None,
) -> OutcomeTable:
    read = read_outcome_table(connection, end_point, cut, rules, variant)
    table = replace(read, variant=variant)
    return table if landmark is None else from_landmark(table, landmark)[0]


def analyse(
    connection: duckdb.DuckDBPyConnection,
    end_point: EndPoint,
    cut: DataCut,
    *,
    rules: CohortRules | None = None,
    by: str | None = None,
    cuts: Sequence[float] = (),
    how: Estimation | None = None,
    with_sensitivity: bool = True,
    landmark_years: float | None = None,
    baseline_window_days: int = 90,
) -> Outcome:
    """Analyse one end point of the registry.

    Parameters
    ----------
    connection
        A connection whose current schema is the registry's.
    by, cuts
        A baseline field or derived category to group by, with cut-points for a number. With a
        landmark also a complication, known or not by then.
    landmark_years
        Time after treatment from which to count: only units then free of the event and still
        followed stay, and their times start there.
    baseline_window_days
        The registry's setting, for groups by acuity at baseline.

    Returns
    -------
    Outcome
        Flow, figures per group, tests between groups, sensitivity variants and warnings. With no
        unit in the cohort the figures are absent and a warning says so.
    """
    rules = rules or CohortRules()
    how = how or Estimation()
    table = read_outcome_table(connection, end_point, cut, rules)
    landmark = None if landmark_years is None else count_days(landmark_years)
    wanted = (by, cuts, baseline_window_days)
    grouping = _grouping(connection, cut, rules, table, wanted, landmark)
    steps = _flow(connection, end_point, cut, rules)
    variants = end_point.variants if with_sensitivity else ()
    if landmark is not None:
        table, left_out = from_landmark(table, landmark)
        steps = (*steps, *left_out)
        variants = tuple(variant for variant in variants if not variant.death_by_last_visit)
    sensitivity = []
    for variant in variants:
        other = _read_variant(connection, end_point, cut, rules, variant, landmark)
        groups = _analyse_groups(other, grouping, how)
        sensitivity.append(SensitivityOutcome(variant.name, variant.words, groups))
    contradictions = _contradictions(connection, end_point, cut, rules)
    later = landmark is not None
    return Outcome(
        end_point,
        cut,
        rules,
        table,
        grouping=grouping,
        flow=steps,
        groups=_analyse_groups(table, grouping, how),
        tests=compare_curves(table, grouping),
        sensitivity=tuple(sensitivity),
        contradictions=contradictions,
        warnings=(*_warnings(table), *contradictions),
        incidence_tests=compare_incidences(table, grouping, from_landmark=later),
        landmark_years=landmark_years,
    )
