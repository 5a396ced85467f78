"""Tests between the groups of an outcome, each on the clock that it is valid for.

The log-rank test compares the event itself on its own clock. Gray's test compares cumulative
incidences and needs one clock for all causes: the end point's own where all causes share it, else
the one-clock data (everyone followed to the last assessed visit plus 1.25 planned gaps). The hazard
of each competing cause is compared by the log-rank test on that cause's own clock.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.estimators.group_tests import GroupTest, gray, log_rank
from analysis.estimators.observations import RightCensored
from analysis.outcomes.grouping import Grouping
from analysis.outcomes.outcome_table import (
    OutcomeTable,
    examination_clock,
    one_clock_causes,
    own_clock_causes,
)
from registry.errors import RefusedEstimateError

ONE_CLOCK = "one clock: the last assessed visit plus 1.25 planned gaps"
VITAL_CLOCK = "the vital-status date"


@dataclass(frozen=True, slots=True)
class ClockedTest:
    """A test with the name of the cause and of the clock. ``test`` is None where it is refused."""

    name: str
    cause: str
    clock: str
    test: GroupTest | None
    reason: str = ""


def _groups_of(table: OutcomeTable, grouping: Grouping) -> NDArray[np.str_]:
    return np.asarray([grouping.of_unit[unit] for unit in table.unit_id], dtype=np.str_)


def compare_curves(table: OutcomeTable, grouping: Grouping | None) -> tuple[GroupTest, ...]:
    """Compare the event between groups by the log-rank test; none where it is not defined."""
    if grouping is None or len(grouping.levels) < 2 or not (table.status == 1).any():
        return ()
    group = _groups_of(table, grouping)
    if (table.entry_days > 0).any():
        observed = (table.entry_days <= 0) | (table.time_days > table.entry_days)
        table, group = table.select(observed), group[observed]
    try:
        return (log_rank(examination_clock(table), group.tolist()),)
    except RefusedEstimateError:
        return ()


def _try(name: str, cause: str, clock: str, run: Callable[[], GroupTest]) -> ClockedTest:
    try:
        return ClockedTest(name, cause, clock, run())
    except RefusedEstimateError as refusal:
        return ClockedTest(name, cause, clock, None, refusal.message)


def _one_clock(table: OutcomeTable) -> tuple[RightCensored, str]:
    """Return all causes on one clock, and which clock that is."""
    if not table.end_point.death_competes:
        return examination_clock(table), table.end_point.known_words
    clocks = one_clock_causes(table)
    status = np.sum([clock.cause * clock.status for clock in clocks], axis=0)
    if (table.entry_days > 0).any():
        raise RefusedEstimateError("Gray's test is not defined with delayed entry.")
    return RightCensored.of(clocks[0].time, status), ONE_CLOCK


def compare_incidences(
    table: OutcomeTable, grouping: Grouping | None, *, from_landmark: bool = False
) -> tuple[ClockedTest, ...]:
    """Compare cumulative incidences (Gray) and the hazards of competing causes (log-rank).

    Parameters
    ----------
    from_landmark
        The table starts at a landmark: the one-clock data are not defined for it.

    Returns
    -------
    tuple
        Gray's test of every cause, then the log-rank test of every competing cause on its own
        clock; a refused test carries the reason.
    """
    names = table.end_point.cause_names
    if grouping is None or len(grouping.levels) < 2 or len(names) < 2 or not table.n:
        return ()
    group = _groups_of(table, grouping).tolist()
    try:
        if from_landmark and table.end_point.death_competes:
            raise RefusedEstimateError("Gray's test is not given from a landmark on two clocks.")
        observed, clock = _one_clock(table)
        if observed.n != table.n:
            raise RefusedEstimateError("Gray's test is not defined with delayed entry.")
    except RefusedEstimateError as refusal:
        return (ClockedTest("gray", names[0], ONE_CLOCK, None, refusal.message),)
    return (*_gray_tests(observed, group, names, clock), *_hazard_tests(table, group))


def _gray_tests(
    observed: RightCensored, group: list[str], names: tuple[str, ...], clock: str
) -> list[ClockedTest]:
    return [
        _try("gray", name, clock, lambda cause=cause: gray(observed, group, cause=cause))  # type: ignore[misc]
        for cause, name in enumerate(names, start=1)
    ]


def _hazard_tests(table: OutcomeTable, group: list[str]) -> list[ClockedTest]:
    names, clocks, found = table.end_point.cause_names, own_clock_causes(table), []
    for own, name in list(zip(clocks, names, strict=True))[1:]:
        is_death = table.end_point.death_competes and name == names[-1]
        words = VITAL_CLOCK if is_death else table.end_point.known_words
        watched = RightCensored.of(own.time, own.status)
        found.append(_try("log-rank", name, words, lambda at=watched: log_rank(at, group)))  # type: ignore[misc]
    return found
