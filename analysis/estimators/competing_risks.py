"""Cumulative incidence with competing events: Aalen–Johansen.

Curves stop at the last follow-up of the group: beyond it nothing is reported. Where the causes are
known until different dates see :func:`aalen_johansen_own_clocks`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.estimators.counting import (
    RiskCounter,
    all_who_fail,
    count_at_times,
    count_events,
    count_risk,
    refuse_empty_risk_set,
    spread_counts,
)
from analysis.estimators.curves import StepCurve
from analysis.estimators.incidence_curves import Cause, CumulativeIncidence
from analysis.estimators.incidence_moments import IncidenceMoments, dirichlet_steps
from analysis.estimators.intervals import BETA_PRODUCTS, check_interval, transform_limits
from analysis.estimators.observations import FloatArray, IntArray, RightCensored
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
class _Grid:
    """Counts at the m times with an event of any cause, and what all causes share.

    ``by_cause`` has shape (causes, m); ``before`` is the probability of no event just before each
    time, ``event_free`` (m + 1,) that from each row on.
    """

    time: FloatArray
    at_risk: FloatArray
    events: FloatArray
    by_cause: FloatArray
    event_free: FloatArray

    @property
    def before(self) -> FloatArray:
        """Probability of no event just before each time."""
        return self.event_free[:-1]

    def greenwood_before(self) -> FloatArray:
        """Greenwood's sum just before each time, without the times at which everyone fails."""
        survivors = self.at_risk - self.events
        with np.errstate(divide="ignore"):
            share = self.events / (self.at_risk * survivors)
        share[survivors <= 0] = 0.0
        return _run_up(share)[:-1]


@dataclass(frozen=True, slots=True, eq=False)
class _SharedColumns:
    """Columns that the curves of all causes have in common, shape (m + 1,) each."""

    time: FloatArray
    at_risk: IntArray
    left: IntArray

    @classmethod
    def of(cls, people: RiskCounter, grid: _Grid) -> _SharedColumns:
        time = np.concatenate([[0.0], grid.time])
        at_risk = np.concatenate([[people.at_zero()], grid.at_risk])
        left = people.left_between(time, at_risk, grid.events)
        return cls(time, at_risk.astype(np.int64), left)


def _tabulate(
    observed: RightCensored, codes: Sequence[int], counter: RiskCounter, *, weighted: bool
) -> _Grid:
    counts = [count_events(observed, observed.status == code, weighted=weighted) for code in codes]
    filled = [time for time, _ in counts if time.size]
    grid = filled[0] if len(filled) == 1 else np.empty(0)
    if len(filled) > 1:
        grid = count_at_times(np.concatenate(filled))[0]
    by_cause = np.stack([spread_counts(grid, time, count) for time, count in counts])
    at_risk = counter.just_before(grid)
    events: FloatArray = by_cause.sum(axis=0)
    if observed.weight_kind == "probability":
        events = all_who_fail(at_risk, events)
    event_free = np.ones(grid.size + 1)
    np.cumprod(1 - events / at_risk, out=event_free[1:])
    return _Grid(grid, at_risk, events, by_cause, event_free)


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
    codes = _codes(observed.status, causes)
    counter = count_risk(observed)
    grid = _tabulate(observed, codes, counter, weighted=True)
    refuse_empty_risk_set(grid.time, grid.at_risk, grid.events, counter)
    people, people_grid = counter, grid
    if is_robust:
        people = count_risk(observed, weighted=False)
        people_grid = _tabulate(observed, codes, people, weighted=False)
    shared = _SharedColumns.of(people, people_grid)
    spread = grid.greenwood_before() if observed.entry is None and not is_robust else None
    drawn = [
        _draw_cause(
            observed, code, place, (grid, people_grid), people, (interval, level), shared, spread
        )
        for place, code in enumerate(codes)
    ]
    return CumulativeIncidence(
        n=observed.people,
        causes=tuple(drawn),
        event_free=grid.event_free,
        person_time=observed.person_time,
        interval=interval,
        level=level,
        last_time=float(people.exits[-1]),
        effective_n=observed.effective_n,
    )


def _codes(status: IntArray, causes: Sequence[int]) -> list[int]:
    found = np.unique(status) if status.max() > 50 else np.flatnonzero(np.bincount(status))
    return sorted({1, *(int(code) for code in found if code > 0), *causes})


def _draw_cause(
    observed: RightCensored,
    code: int,
    place: int,
    grids: tuple[_Grid, _Grid],
    people: RiskCounter,
    how: tuple[str, float],
    shared: _SharedColumns,
    spread: FloatArray | None,
) -> Cause:
    grid, people_grid = grids
    interval, level = how
    hazard = grid.by_cause[place] / grid.at_risk
    step = grid.before * hazard
    estimate = _run_up(step)
    if spread is not None:
        variance = _delta_variance(grid, hazard, step, spread)
    else:
        variance = incidence_variance(
            observed, code, grid.time, grid.at_risk, grid.events, grid.by_cause[place]
        )
    se = np.zeros(estimate.size)
    np.sqrt(variance, out=se[1:])
    time = shared.time
    is_mid_p = interval == "beta-product-mid-p"
    moments = None
    if interval in BETA_PRODUCTS:
        steps = dirichlet_steps(grid.at_risk, grid.events, grid.by_cause[place])
        moments = IncidenceMoments.along(steps)
        after = people.just_after(time)
        limits = moments.limits(np.arange(time.size), after, level, mid_p=is_mid_p)
    else:
        limits = transform_limits(estimate, se, interval, level)
    events = np.zeros(time.size, dtype=np.int64)
    events[1:] = people_grid.by_cause[place]
    return Cause(
        cause=code,
        events=int(events.sum()),
        curve=StepCurve(time, shared.at_risk, events, shared.left, estimate, se, *limits),
        last_time=float(people.exits[-1]),
        level=level,
        _people=people,
        _moments=moments,
        _is_mid_p=is_mid_p,
    )


def _run_up(values: FloatArray) -> FloatArray:
    """Cumulative sums with a leading 0."""
    total = np.zeros(values.size + 1)
    np.cumsum(values, out=total[1:])
    return total


def _delta_variance(
    grid: _Grid, hazard: FloatArray, step: FloatArray, spread: FloatArray
) -> FloatArray:
    """Multinomial (Greenwood) variance of an incidence, shape (m,).

    Σ (F(t) − F_j)² h/(Y(1 − h)) − 2 Σ (F(t) − F_j) S₋h_k/Y + Σ S₋² h_k(1 − h_k)/Y over the event
    times j up to t. The sums move with F by adding non-negative terms only, so that nothing
    cancels but in the last step; a time at which everyone left fails adds nothing later.
    """
    cross = step / grid.at_risk
    leverage = step * spread
    change = _run_up(leverage)[:-1]
    change -= _run_up(cross)[:-1]
    change *= 2
    change += leverage
    change *= step
    own = 1 - hazard
    own *= grid.before
    own *= cross
    change += own
    variance: FloatArray = np.cumsum(change, out=change)
    np.cumsum(own, out=own)
    own *= 1e-13
    variance[variance <= own] = 0.0
    return variance
