"""One end point of the registry, from its SQL relation to its figures.

:func:`read_outcome_table` is the one door from the store to the estimators: it returns integer days
as arrays. :func:`analyse` runs the estimators of :mod:`analysis.survival` and
:mod:`analysis.competing_risks` per group, and the sensitivity variants beside the main analysis.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis import cohort
from analysis.cohort import CohortRules, DataCut, FlowStep
from analysis.competing_risks import Clock, CumulativeIncidence, aalen_johansen_own_clocks
from analysis.end_points import (
    CONTRADICTIONS_IN_WORDS,
    DAYS_PER_YEAR,
    MAIN,
    EndPoint,
    Variant,
    compile_contradictions,
    compile_end_point,
    compile_not_at_risk,
)
from analysis.group_tests import GroupTest, log_rank
from analysis.grouping import Grouping, group_units
from analysis.observations import RightCensored
from analysis.survival import KaplanMeier, Quantile, kaplan_meier, reverse_kaplan_meier
from registry.errors import RefusedEstimateError

if TYPE_CHECKING:
    import duckdb

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]

ALL = "all"
PLANNED_GAP_DAYS = 183
"""Planned gap between visits that the one-clock sensitivity analysis allows for (6 months)."""


@dataclass(frozen=True)
class OutcomeTable:
    """One row a unit, in integer days from time zero.

    ``status`` is on the examination clock (0 censored, 1 event, 2.. competing there);
    ``first_known_event_days`` and ``death_days`` are NaN where there is none; ``seen`` says whether
    the status was ever assessed after time zero.
    """

    end_point: EndPoint
    variant: Variant
    unit_id: tuple[str, ...]
    patient_id: tuple[str, ...]
    tumour_id: tuple[str, ...]
    first_implant_id: tuple[str, ...]
    zero_date: tuple[date, ...]
    entry_days: IntArray
    time_days: IntArray
    status: IntArray
    last_known_free_days: IntArray
    first_known_event_days: FloatArray
    death_days: FloatArray
    vital_known_days: IntArray
    seen: NDArray[np.bool_]

    @property
    def n(self) -> int:
        """Number of units."""
        return len(self.unit_id)

    def select(self, chosen: NDArray[np.bool_]) -> OutcomeTable:
        """Return the rows where ``chosen`` is true."""
        rows = np.flatnonzero(chosen)
        picked: dict[str, Any] = {}
        for field in fields(self):
            values = getattr(self, field.name)
            if isinstance(values, tuple):
                picked[field.name] = tuple(values[row] for row in rows)
            elif isinstance(values, np.ndarray):
                picked[field.name] = values[rows]
        return replace(self, **picked)


def read_outcome_table(
    connection: duckdb.DuckDBPyConnection,
    end_point: EndPoint,
    cut: DataCut,
    rules: CohortRules,
    variant: Variant = MAIN,
) -> OutcomeTable:
    """Run the compiled end point and return its rows as integer days."""
    sql = compile_end_point(end_point, rules, variant)
    columns = cohort.fetch_columns(connection, sql, cut.parameters())

    def whole(name: str) -> IntArray:
        return np.asarray(columns[name], dtype=np.int64)

    def with_gaps(name: str) -> FloatArray:
        return np.asarray(
            [np.nan if value is None else value for value in columns[name]], dtype=np.float64
        )

    return OutcomeTable(
        end_point=end_point,
        variant=variant,
        unit_id=tuple(columns["unit_id"]),
        patient_id=tuple(columns["patient_id"]),
        tumour_id=tuple(columns["tumour_id"]),
        first_implant_id=tuple(columns["first_implant_id"]),
        zero_date=tuple(columns["zero_date"]),
        entry_days=whole("entry_days"),
        time_days=whole("time_days"),
        status=whole("status"),
        last_known_free_days=whole("last_known_free_days"),
        first_known_event_days=with_gaps("first_known_event_days"),
        death_days=with_gaps("death_days"),
        vital_known_days=whole("vital_known_days"),
        seen=np.asarray(columns["seen"], dtype=np.bool_),
    )


def _observed(time: IntArray, status: IntArray, entry: IntArray) -> RightCensored:
    """Leave out units never under observation after their delayed entry."""
    delayed = entry > 0
    if not delayed.any():
        return RightCensored.of(time, status)
    under = ~delayed | (time > entry)
    # people treated here enter before day 0, so that an event on day 0 counts
    start = np.where(delayed, entry, -1)[under]
    return RightCensored.of(time[under] + 1, status[under], entry=start + 1)


def examination_clock(table: OutcomeTable) -> RightCensored:
    """Return times and statuses as seen by examination: everyone censored at the last visit."""
    return _observed(table.time_days, table.status, table.entry_days)


def death_clock(table: OutcomeTable) -> tuple[IntArray, IntArray]:
    """Return the death clock: days and 1 for death before any event or competing removal.

    A unit leaves it at its event, at removal of the eye, at death or when vital status ends.
    """
    left = np.where(table.status > 0, table.time_days, np.iinfo(np.int64).max)
    days = np.minimum(left, np.maximum(table.vital_known_days, 0))
    died = (~np.isnan(table.death_days)) & (table.death_days <= days) & (table.status == 0)
    return days, died.astype(np.int64)


@dataclass(frozen=True, slots=True)
class GroupOutcome:
    """The figures of one group. ``kaplan_meier`` is None when nobody was under observation."""

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


@dataclass(frozen=True, slots=True)
class SensitivityOutcome:
    """A variant of the definition and the figures under it."""

    name: str
    words: str
    groups: tuple[GroupOutcome, ...]


@dataclass(frozen=True)
class Outcome:
    """One end point, analysed."""

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


def own_clock_causes(table: OutcomeTable) -> list[Clock]:
    """Return each cause on its own clock; the examination clock carries the causes seen there."""
    exam_causes = 1 + len(table.end_point.competing)
    clocks = [
        Clock(cause, table.time_days, (table.status == cause).astype(np.int64))
        for cause in range(1, exam_causes + 1)
    ]
    if table.end_point.death_competes:
        days, died = death_clock(table)
        clocks.append(Clock(exam_causes + 1, days, died))
    return clocks


def one_clock_causes(table: OutcomeTable) -> list[Clock]:
    """Everyone followed to the last assessed visit plus 1.25 planned gaps (sensitivity)."""
    reach = table.time_days + round(1.25 * PLANNED_GAP_DAYS)
    days, died = death_clock(table)
    end = np.where(table.status > 0, table.time_days, np.minimum(reach, days))
    exam_causes = 1 + len(table.end_point.competing)
    clocks = [
        Clock(cause, end, (table.status == cause).astype(np.int64))
        for cause in range(1, exam_causes + 1)
    ]
    return [*clocks, Clock(exam_causes + 1, end, ((died == 1) & (days <= end)).astype(np.int64))]


@dataclass(frozen=True, slots=True)
class Estimation:
    """How the figures are estimated: interval method, level, bootstrap replicates and seed."""

    interval: str = "beta-product"
    level: float = 0.95
    replicates: int = 1000
    seed: int = 20240229


def analyse_group(group: str, table: OutcomeTable, how: Estimation) -> GroupOutcome:
    """Estimate one group of units."""
    _, died = death_clock(table)
    dies = int(died.sum()) if table.end_point.death_competes else 0
    km = follow_up = incidence = None
    if table.n:
        observed = examination_clock(table)
        km = kaplan_meier(observed, interval=how.interval, level=how.level)
        follow_up = reverse_kaplan_meier(observed, level=how.level).median()
        if len(table.end_point.cause_names) > 1 and not (table.entry_days > 0).any():
            one_clock = table.variant.death_by_last_visit
            clocks = one_clock_causes(table) if one_clock else own_clock_causes(table)
            incidence = aalen_johansen_own_clocks(
                clocks,
                cluster=np.unique(table.patient_id, return_inverse=True)[1],
                level=how.level,
                replicates=how.replicates,
                rng=np.random.default_rng(how.seed),
            )
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


def _tests(table: OutcomeTable, grouping: Grouping | None) -> tuple[GroupTest, ...]:
    if grouping is None or len(grouping.levels) < 2 or not (table.status == 1).any():
        return ()
    group = np.asarray([grouping.of_unit[unit] for unit in table.unit_id], dtype=object)
    observed = table.time_days > table.entry_days
    if (table.entry_days > 0).any():
        table, group = table.select(observed), group[observed]
    try:
        return (log_rank(examination_clock(table), [str(name) for name in group]),)
    except RefusedEstimateError:
        return ()


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
            f"{int((table.entry_days > 0).sum())} × delayed entry: Kaplan–Meier counts them from"
            " the day this centre took over; cumulative incidence is not given"
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
) -> Outcome:
    """Analyse one end point of the registry.

    Parameters
    ----------
    connection
        A connection whose current schema is the registry's.
    by, cuts
        A baseline field or derived category to group by, with cut-points for a number.

    Returns
    -------
    Outcome
        Flow, figures per group, tests between groups, sensitivity variants and warnings. With no
        unit in the cohort the figures are absent and a warning says so.
    """
    rules = rules or CohortRules()
    how = how or Estimation()
    table = read_outcome_table(connection, end_point, cut, rules)
    keys = {
        "units": list(table.unit_id),
        "tumours": list(table.tumour_id),
        "implants": list(table.first_implant_id),
    }
    grouping = group_units(connection, cut, keys, by, cuts) if by and table.n else None
    sensitivity = []
    for variant in end_point.variants if with_sensitivity else ():
        other = replace(
            read_outcome_table(connection, end_point, cut, rules, variant), variant=variant
        )
        groups = _analyse_groups(other, grouping, how)
        sensitivity.append(SensitivityOutcome(variant.name, variant.words, groups))
    contradictions = _contradictions(connection, end_point, cut, rules)
    return Outcome(
        end_point=end_point,
        cut=cut,
        rules=rules,
        table=table,
        grouping=grouping,
        flow=_flow(connection, end_point, cut, rules),
        groups=_analyse_groups(table, grouping, how),
        tests=_tests(table, grouping),
        sensitivity=tuple(sensitivity),
        contradictions=contradictions,
        warnings=(*_warnings(table), *contradictions),
    )
