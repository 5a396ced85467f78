"""Cumulative incidence when each cause is known until a date of its own.

A status seen by examination is known until the last visit, death until the vital-status date. With
both on one clock — the dead at death, the living at their last visit — the incidence of death comes
out far too high. Here each cause's hazard is estimated on its own risk set.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.estimators.counting import (
    RiskCounter,
    count_at_times,
    count_events,
    count_risk,
    spread_counts,
)
from analysis.estimators.curves import StepCurve
from analysis.estimators.incidence_curves import Cause, CumulativeIncidence, Moves
from analysis.estimators.incidence_moments import IncidenceMoments, independent_steps
from analysis.estimators.intervals import BETA_PRODUCTS, check_interval
from analysis.estimators.observations import (
    FloatArray,
    IntArray,
    RightCensored,
    merge_rounded_times,
)
from analysis.estimators.resampling import WeightedCounts, as_patients, draw_weights, percentile

BOOTSTRAP = "bootstrap"


@dataclass(frozen=True, slots=True, eq=False)
class Clock:
    """One cause and how long each unit was watched for it.

    Attributes
    ----------
    cause
        Its code, 1 for the event.
    time
        Shape (n,): time of the cause, of a competing event that ends the watch, or of the last day
        on which the cause is known not to have happened.
    status
        Shape (n,): 1 where the cause happened at ``time``, else 0.
    """

    cause: int
    time: FloatArray | IntArray
    status: IntArray


@dataclass(frozen=True, slots=True, eq=False)
class _Counts:
    """Counts on the common grid, shape (causes, m)."""

    grid: FloatArray
    at_risk: FloatArray
    events: FloatArray


def aalen_johansen_own_clocks(
    clocks: Sequence[Clock],
    *,
    cluster: Any = None,
    interval: str = "beta-product",
    level: float = 0.95,
    replicates: int = 1000,
    rng: np.random.Generator | None = None,
) -> CumulativeIncidence:
    """Estimate F_k(t) = Σ S(u−) dΛ_k(u), each dΛ_k on the risk set of its own clock.

    S is the product of 1 − Σ dΛ_k over the times of any event. With the same clock for every cause
    it is Aalen–Johansen. Where the causes' hazards at one time add up to more than 1 (tiny risk
    sets) they are scaled down to 1.

    Parameters
    ----------
    clocks
        One a cause, over the same n units in the same order.
    cluster
        Shape (n,): the patient of each unit, drawn as a whole; None: units are drawn.
    interval
        ``"beta-product"`` or ``"beta-product-mid-p"``:
        :mod:`analysis.estimators.incidence_moments`, hazards
        of the clocks taken as independent; clusters are not allowed for in the limits.
        ``"bootstrap"``: percentile limits over patients; where a cause has no event yet they are
        replaced by the beta product limits, since every replicate is 0 there. The bootstrap ran
        at 91–94 % where the beta product covered 97–99 % (``benchmarks/coverage_study.md``).
    level
        Confidence level, at least 0.5 and below 1.
    replicates, rng
        Bootstrap replicates and the generator that draws them; the standard errors are the
        replicates' standard deviations. Without a generator they are NaN.

    Returns
    -------
    CumulativeIncidence
        Reported up to the end of the clock that ends first. ``at_risk`` and ``censored`` are those
        of the cause's own clock.

    Raises
    ------
    RefusedEstimateError, RefusedInputError
        As :meth:`analysis.estimators.observations.RightCensored.of`.
    ValueError
        For clocks of different lengths, a repeated cause, or bootstrap limits without a generator.
    """
    is_bootstrap = interval == BOOTSTRAP
    if not is_bootstrap and interval not in BETA_PRODUCTS:
        raise ValueError(f"the interval is bootstrap or beta-product, not {interval!r}")
    check_interval("beta-product", level)
    if is_bootstrap and (rng is None or replicates < 2):
        raise ValueError("bootstrap limits need a generator and at least 2 replicates")
    watched = _check_clocks(clocks)
    codes = [clock.cause for clock in clocks]
    last_time = min(float(one.time.max()) for one in watched)
    counters = [count_risk(one) for one in watched]
    counts = _count(watched, counters, last_time)
    survival, incidence = _combine(counts.at_risk[:, None], counts.events[:, None])
    drawn = None
    if rng is not None:
        drawn = _replicate(watched, counts.grid, cluster, replicates, rng)
    causes = tuple(
        _draw_cause(
            place,
            code,
            counts,
            incidence[place, 0],
            drawn,
            counters[place],
            (interval, level, last_time),
        )
        for place, code in enumerate(codes)
    )
    return CumulativeIncidence(
        n=watched[0].n,
        causes=causes,
        event_free=survival[0],
        person_time=watched[0].person_time,
        interval=interval,
        level=level,
        last_time=last_time,
    )


def _check_clocks(clocks: Sequence[Clock]) -> list[RightCensored]:
    codes = [clock.cause for clock in clocks]
    if not clocks or len(set(codes)) != len(codes):
        raise ValueError(f"one clock a cause is needed, not causes {codes}")
    watched = [RightCensored.of(clock.time, clock.status) for clock in clocks]
    if len({one.n for one in watched}) > 1:
        raise ValueError(f"clocks of different lengths: {[one.n for one in watched]}")
    if any(int(one.status.max()) > 1 for one in watched):
        raise ValueError("the status of a clock is 0 or 1")
    together = merge_rounded_times(np.concatenate([one.time for one in watched]))[0]
    times = np.split(together, len(watched))
    return [RightCensored(time, one.status) for time, one in zip(times, watched, strict=True)]


def _count(watched: list[RightCensored], counters: list[RiskCounter], last_time: float) -> _Counts:
    counted = [count_events(one, (one.status == 1) & (one.time <= last_time)) for one in watched]
    grid = count_at_times(np.concatenate([time for time, _ in counted]))[0]
    at_risk = np.stack([counter.just_before(grid) for counter in counters])
    return _Counts(grid, at_risk, np.stack([spread_counts(grid, *one) for one in counted]))


def _combine(at_risk: FloatArray, events: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return S (B, m + 1) and F (causes, B, m + 1) from counts of shape (causes, B, m)."""
    hazard = events / np.maximum(at_risk, 1.0)
    hazard /= np.maximum(hazard.sum(axis=0), 1.0)
    survival = np.ones((hazard.shape[1], hazard.shape[2] + 1))
    np.cumprod(1 - hazard.sum(axis=0), axis=1, out=survival[:, 1:])
    incidence = np.zeros((hazard.shape[0], *survival.shape))
    np.cumsum(survival[:, :-1] * hazard, axis=2, out=incidence[:, :, 1:])
    return survival, incidence


def _replicate(
    watched: list[RightCensored],
    grid: FloatArray,
    cluster: Any,
    replicates: int,
    rng: np.random.Generator,
) -> FloatArray:
    """Return replicates of the incidences, shape (causes, replicates, m + 1)."""
    n = watched[0].n
    patients = as_patients(cluster, n)
    n_patients = n if patients is None else int(patients.max()) + 1
    counters = [WeightedCounts(one.time, one.status == 1, grid) for one in watched]
    blocks = []
    for drawn in draw_weights(n_patients, replicates, rng):
        weight = drawn if patients is None else drawn[:, patients]
        counts = [counter.of(weight) for counter in counters]
        at_risk = np.stack([one[0] for one in counts])
        events = np.stack([one[1] for one in counts])
        blocks.append(_combine(at_risk, events)[1])
    return np.concatenate(blocks, axis=1)


def _draw_cause(
    place: int,
    code: int,
    counts: _Counts,
    estimate: FloatArray,
    drawn: FloatArray | None,
    people: RiskCounter,
    how: tuple[str, float, float],
) -> Cause:
    interval, level, last_time = how
    time = np.concatenate([[0.0], counts.grid])
    is_mid_p = interval == "beta-product-mid-p"
    moments = IncidenceMoments.along(independent_steps(counts.at_risk, counts.events, place))
    lower, upper = moments.limits(
        np.arange(time.size), people.just_after(time), level, mid_p=is_mid_p
    )
    se = np.full(time.size, np.nan)
    if drawn is not None:
        se = drawn[place].std(axis=0, ddof=1)
    if interval == BOOTSTRAP and drawn is not None:
        tail = (1 - level) / 2
        low, high = percentile(drawn[place], [tail, 1 - tail])
        lower, upper = np.where(estimate > 0, low, lower), np.where(estimate > 0, high, upper)
    at_risk = np.concatenate([[people.at_zero()], counts.at_risk[place]])
    events = np.concatenate([[0.0], counts.events[place]]).astype(np.int64)
    left = people.left_between(time, at_risk, counts.events[place])
    columns = (time, at_risk.astype(np.int64), events, left, estimate, se, lower, upper)
    return Cause(
        cause=code,
        events=int(events.sum()),
        last_time=last_time,
        level=level,
        _people=people,
        _moves=Moves(counts.grid, np.arange(counts.grid.size), estimate, se, (lower, upper)),
        _draw_curve=lambda: StepCurve(*columns),
        _moments=moments,
        _is_mid_p=is_mid_p,
        _moments_hold_at_zero_only=interval == BOOTSTRAP,
    )
