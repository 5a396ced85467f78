"""Cumulative incidence with competing events: Aalen–Johansen.

Curves stop at the last follow-up of the group: beyond it nothing is reported. Where the causes are
known until different dates see :func:`aalen_johansen_own_clocks`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from analysis.estimators.counting import (
    EventTable,
    RiskCounter,
    all_who_fail,
    count_risk,
    refuse_empty_risk_set,
    tabulate_events,
)
from analysis.estimators.curves import StepCurve, StepCurveWithLateLimits
from analysis.estimators.incidence_curves import Cause, CumulativeIncidence, Moves
from analysis.estimators.incidence_moments import IncidenceMoments, dirichlet_steps
from analysis.estimators.intervals import BETA_PRODUCTS, check_interval, transform_limits
from analysis.estimators.observations import FloatArray, RightCensored
from analysis.estimators.own_clocks import Clock, aalen_johansen_own_clocks
from analysis.estimators.robust_variance import incidence_variance
from registry.errors import RefusedEstimateError

__all__ = [
    "Cause",
    "Clock",
    "CumulativeIncidence",
    "aalen_johansen",
    "aalen_johansen_own_clocks",
]


@dataclass(frozen=True, slots=True, eq=False)
class _Hazards:
    """What all causes share at the m times with an event of any cause.

    Attributes
    ----------
    table
        The counts, weighted where weights are.
    event_free
        Shape (m + 1,): probability of no event of any cause from each row on.
    share
        Shape (r,): that just before each time, per person at risk; cause after cause, each at the
        times of its own events.
    pull
        Shape (r,): the share times Greenwood's sum just before each time (without the times at
        which everyone fails), less 1 per person at risk.
    """

    table: EventTable
    event_free: FloatArray
    share: FloatArray
    pull: FloatArray

    @classmethod
    def of(cls, table: EventTable) -> _Hazards:
        event_free, pull = np.empty(table.time.size + 1), np.empty(table.time.size)
        pull[:1] = 0.0
        event_free[0], stay = 1.0, event_free[1:]
        left = table.at_risk - table.events
        np.divide(left, table.at_risk, out=stay)
        np.multiply.accumulate(stay, out=stay)
        nobody_left = left <= 0
        if np.count_nonzero(nobody_left):
            np.copyto(left, np.inf, where=nobody_left)
        each = 1 / table.at_risk
        np.divide(table.events, left, out=left)
        left *= each
        np.add.accumulate(left[:-1], out=pull[1:])
        pull -= each
        each *= event_free[:-1]
        pull *= each
        every = np.concatenate(table.own)  # so that most is done for all causes at once
        return cls(table, event_free, each[every], pull[every])


def aalen_johansen(
    observed: RightCensored,
    *,
    interval: str = "log-log",
    level: float = 0.95,
    causes: Sequence[int] = (),
) -> CumulativeIncidence:
    """Estimate the cumulative incidence of every cause (Aalen & Johansen 1978, Scand J Stat 5:141).

    Exact at ties, no jitter: events of all causes at one time share one risk set.

    Parameters
    ----------
    observed
        Observations with status 0 censored, 1, 2, ... the causes.
    interval
        ``"log-log"`` on log(−log F), ``"log"``, ``"plain"``, ``"logit"``, or ``"beta-product"`` and
        ``"beta-product-mid-p"`` (:mod:`analysis.estimators.incidence_moments`), which give real
        limits where the cause has no event yet.
    level
        Confidence level, at least 0.5 and below 1.
    causes
        Codes to report even if nobody has them; those found, and 1, always are.

    Returns
    -------
    CumulativeIncidence
        The standard error is the delta-method one (Marubini & Valsecchi 1995, section 10.3;
        survfit's, not cuminc's), with delayed entry or probability weights the infinitesimal
        jackknife's, as in R. At zero events log–log, logit and log limits are NaN.

    Raises
    ------
    RefusedEstimateError
        With delayed entry, when the risk set is empty for a while after an event; with probability
        weights for the beta product.

    Examples
    --------
    >>> both = aalen_johansen(RightCensored.of([1, 2, 3, 4], [1, 2, 0, 1]))
    >>> both.cause(1).curve.estimate.tolist(), both.cause(2).at(3).estimate.tolist()
    ([0.0, 0.25, 0.25, 0.75], [0.25])
    """
    check_interval(interval, level)
    is_robust = observed.weight_kind == "probability"
    if is_robust and interval in BETA_PRODUCTS:
        raise RefusedEstimateError(
            "The beta product interval is not defined for probability weights; choose log-log, "
            "log, plain or logit (robust standard errors).",
            interval=interval,
        )
    codes = _codes(observed, causes)
    counter = count_risk(observed)
    table = tabulate_events(observed, codes, counter)
    if is_robust:
        table = replace(table, events=all_who_fail(table.at_risk, table.events))
    refuse_empty_risk_set(table.time, table.at_risk, table.events, counter)
    hazards = _Hazards.of(table)
    people, counted = counter, table
    if is_robust:
        people = count_risk(observed, weighted=False)
        counted = tabulate_events(observed, codes, people, weighted=False)
    moves = _estimate(observed, codes, hazards, (interval, level))
    rows = _Rows(people, counted, hazards.table)
    return CumulativeIncidence(
        n=observed.people,
        causes=tuple(
            _make_cause(code, number, rows, moves[number], (interval, level))
            for number, code in enumerate(codes)
        ),
        event_free=hazards.event_free,
        person_time=observed.person_time,
        interval=interval,
        level=level,
        last_time=float(people.exits[-1]),
        effective_n=observed.effective_n,
    )


def _codes(observed: RightCensored, causes: Sequence[int]) -> list[int]:
    highest = observed.in_order().highest
    found = {1, highest}
    if highest > 2:
        found.update(np.unique(observed.status).tolist())
    return sorted({*found, *causes} - {0})


def _estimate(
    observed: RightCensored, codes: Sequence[int], hazards: _Hazards, how: tuple[str, float]
) -> list[Moves]:
    """Return each cause's incidence with its standard error and limits, where it moves.

    The delta-method (multinomial, Greenwood) variance is

    Σ (F(t) − F_j)² h/(Y(1 − h)) − 2 Σ (F(t) − F_j) s_j/Y + Σ s_j (S₋ − s_j)/Y over the event times
    j up to t, with steps s of F; h, Y and S₋ are the hazard of all causes, those at risk and the
    event-free just before. With w = Σ h/(Y(1 − h)) before j, less 1/Y, a step moves it by
    s (2 Σ s w before j + s w + S₋/Y), and nothing else does: no large numbers cancel. A time at
    which everyone left fails adds nothing later.
    """
    table = hazards.table
    share, move = hazards.share, hazards.pull
    step = share
    if np.add.reduce(table.events) != share.size:
        step = np.concatenate(table.counts)
        move = move * step
        step *= share
    change = np.empty(share.size)
    estimate, variance = (np.empty(share.size + len(codes)) for _ in range(2))
    parts = _parts(table)
    for part, rows in parts:
        estimate[rows.start - 1] = variance[rows.start - 1] = 0.0
        np.add.accumulate(step[part], out=estimate[rows])
        np.add.accumulate(move[part], out=change[part])
    change *= 2
    change -= move
    change += share
    change *= step
    is_plain = observed.entry is None and observed.weight_kind != "probability"
    for number, (part, rows) in enumerate(parts):
        if is_plain:
            np.add.accumulate(change[part], out=variance[rows])
            noise = 1e-13 * float(np.einsum("i,i->", step[part], share[part]))  # @ starts threads
            np.copyto(variance[rows], 0.0, where=variance[rows] <= noise)
        else:
            counts = (table.time, table.at_risk, table.events, table.of_cause(number))
            whole = incidence_variance(observed, codes[number], *counts)
            variance[rows] = whole[table.own[number]]
    del change  # less memory at once: what is given back to the system has to be cleared again
    se: FloatArray = np.sqrt(variance, out=variance)
    limits = None if how[0] in BETA_PRODUCTS else transform_limits(estimate, se, *how)
    found = []
    for own, (_, rows) in zip(table.own, parts, strict=True):
        rows = slice(rows.start - 1, rows.stop)
        own_limits = limits and (limits[0][rows], limits[1][rows])
        found.append(Moves(table.time, own, estimate[rows], se[rows], own_limits))
    return found


def _parts(table: EventTable) -> list[tuple[slice, slice]]:
    """Where each cause's events stand among all causes', without and with a row 0 before them."""
    parts, first = [], 0
    for number, own in enumerate(table.own):
        end = first + own.size
        parts.append((slice(first, end), slice(first + number + 1, end + number + 1)))
        first = end
    return parts


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """What the rows of the curves are written from: counts of people, and the weighted ones."""

    people: RiskCounter
    counted: EventTable
    weighted: EventTable

    def draw(
        self,
        number: int,
        moves: Moves,
        draw_limits: Callable[[], tuple[FloatArray, FloatArray]] | None,
    ) -> StepCurve:
        """Write out the curve of one cause."""
        table, own = self.counted, self.counted.own[number]
        time, at_risk = np.zeros(table.time.size + 1), np.empty(table.time.size + 1)
        time[1:], at_risk[0], at_risk[1:] = table.time, self.people.at_zero(), table.at_risk
        left = self.people.left_between(time, at_risk, table.events)
        events, place = (np.zeros(time.size, dtype=np.int64) for _ in range(2))
        events[1:][own] = table.counts[number]
        place[1:][own] = 1
        np.add.accumulate(place, out=place)
        columns = (time, at_risk.astype(np.int64), events, left)
        estimate, se = moves.estimate[place], moves.se[place]
        if draw_limits is not None:
            return StepCurveWithLateLimits(*columns, estimate, se, draw_limits)
        assert moves.limits is not None
        return StepCurve(*columns, estimate, se, *(limit[place] for limit in moves.limits))

    def moments(self, number: int) -> IncidenceMoments:
        """Return the moments of one cause."""
        table = self.weighted
        steps = dirichlet_steps(table.at_risk, table.events, table.of_cause(number))
        return IncidenceMoments.along(steps)


def _make_cause(code: int, number: int, rows: _Rows, moves: Moves, how: tuple[str, float]) -> Cause:
    interval, level = how
    is_mid_p = interval == "beta-product-mid-p"
    moments, draw_limits = None, None
    if moves.limits is None:
        moments = rows.moments(number)
        every = np.arange(moves.grid.size + 1)
        after = rows.people.just_after(np.concatenate([[0.0], moves.grid]))
        draw_limits = partial(moments.limits, every, after, level, mid_p=is_mid_p)
    return Cause(
        cause=code,
        events=int(np.add.reduce(rows.counted.counts[number])),
        last_time=float(rows.people.exits[-1]),
        level=level,
        _people=rows.people,
        _moves=moves,
        _draw_curve=partial(rows.draw, number, moves, draw_limits),
        _moments=moments,
        _is_mid_p=is_mid_p,
    )
