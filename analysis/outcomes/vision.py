"""How many eyes lost their vision: the main estimate, and what papers print beside it.

The main estimate is the cumulative incidence of a confirmed loss with death competing, from the
interval-censored illness-death model: loss happens between visits, and some patients lose vision
unseen before they die. Beside it stand the nonparametric estimate "if no one died", Kaplan-Meier
with the loss dated at the visit that found it, and the share alive with eye and level kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.estimators.competing_risks import CumulativeIncidence, aalen_johansen_own_clocks
from analysis.estimators.group_tests import GroupTest, log_rank
from analysis.estimators.illness_death import (
    IllnessDeath,
    OccupationLimits,
    StateOccupation,
    VisitedToDeath,
    fit_illness_death,
)
from analysis.estimators.illness_death_limits import (
    FEW_LOSSES,
    CountLimits,
    limit_by_count,
    widen_at_few_losses,
)
from analysis.estimators.interval_censored import (
    BootstrapLimits,
    Npmle,
    interval_censored_log_rank,
    npmle,
)
from analysis.outcomes import cohort
from analysis.outcomes.cohort import CohortRules, DataCut, FlowStep
from analysis.outcomes.end_points import DAYS_PER_YEAR, EndPoint, Variant
from analysis.outcomes.grouping import Grouping, group_units
from analysis.outcomes.outcome import (
    ALL,
    Estimation,
    GroupOutcome,
    OutcomeTable,
    analyse_group,
    examination_clock,
    own_clock_causes,
)
from analysis.outcomes.vision_definition import READINGS, end_point_of
from analysis.outcomes.vision_history import (
    NOT_AT_RISK,
    Bools,
    Floats,
    Losses,
    Reading,
    VisionHistories,
    VisionRules,
    compile_contradictions,
    date_losses,
    read_histories,
)
from analysis.outcomes.vision_knots import choose_vision_knots
from analysis.outcomes.vision_levels import VisionLevel
from analysis.outcomes.vision_limits import bootstrap_if_no_one_died, bootstrap_loss, size_of_draw
from registry.errors import RefusedEstimateError

if TYPE_CHECKING:
    import duckdb

WIDENED = (
    f"Under {FEW_LOSSES} losses were seen: the limits of their incidence are the wider of the"
    " bootstrap and of the exact limits of their number."
)
DRAWN_IN_PART = (
    "A bootstrap sample holds {size:,} of the {n:,} patients; its spread is brought to that of all."
)
YEARS = (1.0, 2.0, 5.0, 10.0)
GRID_YEARS = 0.25
RESAMPLES = 300


@dataclass(frozen=True, slots=True)
class VisionGroup:
    """The figures of one group of eyes at risk.

    ``outcome`` holds counts, Kaplan-Meier and the incidence on own clocks with the loss dated at
    the visit. ``times_years`` are the times of ``occupation``, ``limits`` and ``npmle_limits``, in
    years; figures are NaN past ``last_reading_years``. Limits are None where they were not asked
    for or cannot be drawn (``notes`` say why); with too few losses ``exact`` has the incidence on
    own clocks, loss dated at the visit, with beta product limits.
    """

    outcome: GroupOutcome
    seen: VisitedToDeath | None
    illness_death: IllnessDeath | None
    times_years: Floats
    occupation: StateOccupation | None
    limits: OccupationLimits | None
    npmle: Npmle | None
    npmle_limits: BootstrapLimits | None
    last_reading_years: float
    notes: tuple[str, ...]
    exact: CumulativeIncidence | None = None

    @property
    def group(self) -> str:
        """Name of the group."""
        return self.outcome.group


@dataclass(frozen=True, slots=True)
class VisionSensitivity:
    """Another reading of unconfirmed visits, and the figures under it (limits of the main one)."""

    name: str
    words: str
    groups: tuple[VisionGroup, ...]


@dataclass(frozen=True)
class Vision:
    """One level of vision, analysed. ``histories`` holds every eye of the cohort."""

    level: VisionLevel
    cut: DataCut
    rules: CohortRules
    vision_rules: VisionRules
    end_point: EndPoint
    histories: VisionHistories
    grouping: Grouping | None
    flow: tuple[FlowStep, ...]
    whole: VisionGroup
    groups: tuple[VisionGroup, ...]
    tests: tuple[GroupTest, ...]
    sensitivity: tuple[VisionSensitivity, ...]
    contradictions: tuple[str, ...]
    warnings: tuple[str, ...]


def to_outcome_table(
    eyes: VisionHistories, losses: Losses, end_point: EndPoint, variant: Variant
) -> OutcomeTable:
    """Give eyes at risk as the table that the estimators of every end point read."""
    is_loss = losses.is_loss
    return OutcomeTable(
        end_point=end_point,
        variant=variant,
        unit_id=eyes.unit_id,
        patient_id=eyes.patient_id,
        tumour_id=eyes.tumour_id,
        first_implant_id=eyes.first_implant_id,
        zero_date=eyes.zero_date,
        entry_days=np.zeros(eyes.n, np.int64),
        time_days=losses.time_days.astype(np.int64),
        status=is_loss.astype(np.int64),
        last_known_free_days=losses.last_above.astype(np.int64),
        first_known_event_days=np.where(is_loss, losses.first_below, np.nan),
        death_days=eyes.death_days,
        vital_known_days=eyes.vital_days.astype(np.int64),
        seen=eyes.n_readings > 0,
    )


def to_visited(table: OutcomeTable) -> VisitedToDeath:
    """Give the intervals and vital status in years, as the illness-death model reads them."""
    return VisitedToDeath.of(
        table.last_known_free_days / DAYS_PER_YEAR,
        table.first_known_event_days / DAYS_PER_YEAR,
        np.maximum(table.vital_known_days, 0) / DAYS_PER_YEAR,
        ~np.isnan(table.death_days),
    )


def _times(table: OutcomeTable, at_years: Sequence[float]) -> tuple[Floats, float]:
    last = float(table.time_days.max()) / DAYS_PER_YEAR if table.n else 0.0
    grid = np.arange(0.0, last, GRID_YEARS)
    return np.unique(np.concatenate([grid, [last], np.asarray(at_years, np.float64)])), last


def _cut_off(occupation: StateOccupation, last: float) -> StateOccupation:
    """Take away what lies past the last reading: the model would only carry its last rate on."""
    beyond = occupation.time > last
    names = [name for name in StateOccupation.__dataclass_fields__ if name != "time"]
    kept = {name: np.where(beyond, np.nan, getattr(occupation, name)) for name in names}
    return StateOccupation(time=occupation.time, **kept)


def _widen(limits: OccupationLimits, by_count: CountLimits) -> OccupationLimits:
    lower, upper = widen_at_few_losses(limits, by_count)
    return replace(limits, loss_lower=lower, loss_upper=upper)


def analyse_vision_group(
    name: str,
    table: OutcomeTable,
    how: Estimation,
    *,
    resamples: int = RESAMPLES,
    at_years: Sequence[float] = YEARS,
    only_main: bool = False,
) -> VisionGroup:
    """Estimate one group of eyes at risk.

    ``resamples`` 0 leaves the bootstrap limits out, ``only_main`` those of the estimate if no one
    died.
    """
    replicates = how.replicates if resamples else 100
    outcome = analyse_group(name, table, replace(how, replicates=replicates))
    times, last = _times(table, at_years)
    empty = VisionGroup(outcome, None, None, times, None, None, None, None, last, ())
    if not table.n or last == 0:
        return replace(empty, notes=("Nobody was followed: there is no rate to give.",))
    seen = to_visited(table)
    fit = fit_illness_death(seen, choose_vision_knots(seen))
    limits, free_limits, exact, notes = None, None, None, fit.notes
    rng = np.random.default_rng(how.seed)
    if resamples:
        try:
            limits = bootstrap_loss(
                seen, fit, table.patient_id, times, rng, resamples=resamples, level=how.level
            )
            patients = len(set(table.patient_id))
            if size_of_draw(patients) < patients:
                notes = (*notes, DRAWN_IN_PART.format(size=size_of_draw(patients), n=patients))
            if fit.losses_seen < FEW_LOSSES:
                limits = _widen(limits, limit_by_count(seen, fit, times, level=how.level))
                notes = (*notes, WIDENED)
            if not only_main:
                free_limits = bootstrap_if_no_one_died(
                    seen, table.patient_id, times, rng, resamples=resamples, level=how.level
                )
        except RefusedEstimateError as refusal:
            notes = (*notes, refusal.message)
            exact = aalen_johansen_own_clocks(
                own_clock_causes(table), interval="beta-product", level=how.level
            )
    return VisionGroup(
        outcome=outcome,
        seen=seen,
        illness_death=fit,
        times_years=times,
        occupation=_cut_off(fit.at(times), last),
        limits=limits,
        npmle=npmle(seen.last_above, seen.first_below),
        npmle_limits=free_limits,
        last_reading_years=last,
        notes=notes if fit.is_converged else (*notes, "The search for the best fit did not end."),
        exact=exact,
    )


def _flow(
    connection: duckdb.DuckDBPyConnection,
    eyes: VisionHistories,
    level: VisionLevel,
    cut: DataCut,
    rules: CohortRules,
    vision: VisionRules,
) -> tuple[FlowStep, ...]:
    steps = list(cohort.flow(connection, "eye", cut, rules))
    kept = eyes.n
    for place, words in enumerate(NOT_AT_RISK, start=1):
        left = int((eyes.reason == place).sum())
        is_possible = place != 3 or level.kind == "loss"
        is_possible &= place != 4 or level.kind != "loss"
        kept -= left
        if left or (is_possible and place > 1):
            said = words.format(window=vision.baseline_window_days, level=level.level_words)
            steps.append(FlowStep(said, left, kept))
    return tuple(steps)


def _group(
    connection: duckdb.DuckDBPyConnection,
    eyes: VisionHistories,
    cut: DataCut,
    rules: CohortRules,
    by: tuple[str | None, Sequence[float], int],
) -> Grouping | None:
    name, cuts, window = by
    if name is None or not eyes.n:
        return None
    keys = {
        "units": list(eyes.unit_id),
        "tumours": list(eyes.tumour_id),
        "implants": list(eyes.first_implant_id),
    }
    days = {"course_gap_days": rules.course_gap_days, "baseline_window_days": window}
    return group_units(connection, cut, keys, name, cuts, **days)


def _members(eyes: VisionHistories, grouping: Grouping | None) -> dict[str, Bools]:
    """Say who is in each group; everyone is in the only one without a grouping."""
    if grouping is None:
        return {ALL: np.ones(eyes.n, np.bool_)}
    of_eye = np.asarray([grouping.of_unit[unit] for unit in eyes.unit_id], dtype=object)
    return {level: np.asarray(of_eye == level, np.bool_) for level in grouping.levels}


@dataclass(frozen=True, slots=True)
class _Asked:
    """What is asked of every group."""

    end_point: EndPoint
    how: Estimation
    at_years: tuple[float, ...]
    only_main: bool

    def analyse(
        self, eyes: VisionHistories, members: dict[str, Bools], reading: Reading, resamples: int
    ) -> tuple[VisionGroup, ...]:
        """Estimate each group under one reading of unconfirmed visits."""
        losses = date_losses(eyes, reading)
        table = to_outcome_table(eyes, losses, self.end_point, READINGS[reading])
        return tuple(
            analyse_vision_group(
                name,
                table.select(chosen),
                self.how,
                resamples=resamples,
                at_years=self.at_years,
                only_main=self.only_main or reading != "confirmed",
            )
            for name, chosen in members.items()
        )


def _tests(table: OutcomeTable, grouping: Grouping | None) -> tuple[GroupTest, ...]:
    if grouping is None or len(grouping.levels) < 2 or not (table.status == 1).any():
        return ()
    group = [grouping.of_unit[unit] for unit in table.unit_id]
    found = []
    try:
        found.append(log_rank(examination_clock(table), list(group)))
        seen = to_visited(table)
        test = interval_censored_log_rank(seen.last_above, seen.first_below, list(group))
        found.append(GroupTest(test.name, test.statistic, test.df, test.p))
    except RefusedEstimateError:
        pass
    return tuple(found)


def _warnings(whole: VisionGroup, eyes: VisionHistories) -> tuple[str, ...]:
    if not eyes.n:
        return ("no eye is in the cohort at this data cut",)
    if not whole.outcome.n:
        return ("no eye is at risk of this loss at this data cut",)
    said = list(whole.notes)
    if whole.outcome.never_assessed:
        said.append(
            f"{whole.outcome.never_assessed} × no acuity after treatment: kept, with no time at"
            " risk"
        )
    return tuple(said)


def analyse_vision(
    connection: duckdb.DuckDBPyConnection,
    level: VisionLevel,
    cut: DataCut,
    *,
    rules: CohortRules | None = None,
    vision: VisionRules | None = None,
    by: str | None = None,
    cuts: Sequence[float] = (),
    how: Estimation | None = None,
    resamples: int = RESAMPLES,
    at_years: Sequence[float] = YEARS,
    with_sensitivity: bool = True,
    only_main: bool = False,
) -> Vision:
    """Analyse the loss of one level of vision.

    Parameters
    ----------
    connection
        A connection whose current schema is the registry's.
    by, cuts
        A baseline field or derived category to group by, with cut-points for a number.
    resamples
        Bootstrap draws of patients for the limits; 0 for none.
    at_years
        Times at which figures will be read, in years, beside a quarterly grid.
    only_main
        Draw limits for the main estimate of each group only: none for the whole cohort of a grouped
        analysis, none for the estimate if no one died.

    Returns
    -------
    Vision
        With no eye at risk the figures are absent and a warning says so.
    """
    rules, vision, how = rules or CohortRules(), vision or VisionRules(), how or Estimation()
    eyes = read_histories(connection, level, cut, rules, vision)
    at_risk = eyes.select(eyes.reason == 0)
    days = vision.baseline_window_days
    grouping = _group(connection, at_risk, cut, rules, (by, cuts, days))
    members = _members(at_risk, grouping)
    asked = _Asked(end_point_of(level), how, tuple(at_years), only_main)
    groups = asked.analyse(at_risk, members, "confirmed", resamples)
    whole = groups[0]
    if grouping is not None:
        draws = 0 if only_main else resamples
        whole = asked.analyse(at_risk, _members(at_risk, None), "confirmed", draws)[0]
    sensitivity = tuple(
        VisionSensitivity(
            variant.name, variant.words, asked.analyse(at_risk, members, reading, resamples)
        )
        for reading, variant in READINGS.items()
        if reading != "confirmed" and with_sensitivity
    )
    contradictions = _contradictions(connection, cut, rules, vision)
    return Vision(
        level=level,
        cut=cut,
        rules=rules,
        vision_rules=vision,
        end_point=asked.end_point,
        histories=eyes,
        grouping=grouping,
        flow=_flow(connection, eyes, level, cut, rules, vision),
        whole=whole,
        groups=groups,
        tests=_tests(whole.outcome.table, grouping),
        sensitivity=sensitivity,
        contradictions=contradictions,
        warnings=(*_warnings(whole, eyes), *contradictions),
    )


def _contradictions(
    connection: duckdb.DuckDBPyConnection, cut: DataCut, rules: CohortRules, vision: VisionRules
) -> tuple[str, ...]:
    sql = compile_contradictions(rules, vision)
    found = cohort.fetch_columns(connection, sql, cut.parameters())
    return tuple(f"{int(n[0])} × {words}" for words, n in found.items() if n[0])
