"""Results in time order, gathered: the chart, its limit, what it could have seen, years, cases."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from analysis.benchmarking.expected_events import EARLY_SHAPES
from analysis.benchmarking.monitoring import (
    Cusum,
    CusumLimit,
    Detection,
    Hazard,
    TimeOrder,
    censor_after,
    continuous_cusum,
    detect,
    expected_of_units,
    find_limit,
    order_in_time,
    own_hazard,
)
from analysis.benchmarking.monitoring_reference import MonitoringReference
from analysis.benchmarking.risk_adjusted_cusum import find_steiner_limit, steiner_cusum
from analysis.benchmarking.unit_comparison import (
    FirstCases,
    UnitOverExpected,
    UnitShare,
    all_reached,
    case_bands,
    compare_first_cases,
    over_expected_by,
    share_by,
)
from analysis.counts.funnel import FEWEST_UNITS, Overdispersion, overdispersion
from analysis.outcomes.end_points import DAYS_PER_YEAR
from analysis.outcomes.outcome import Outcome, OutcomeTable

YEARS_PER_FALSE_ALARM = 20.0
LOOKED_FOR = 2.0
TRUE_RATIOS = (1.5, 2.0, 3.0)
HORIZON_YEARS = 5.0
STEINER_RUNS = 1000
FEWEST_EVENTS = 5
SEED = 20240229


@dataclass(frozen=True)
class ShortHorizon:
    """A yes-or-no outcome at a short horizon, in order of treatment, or why there is none.

    ``risk`` is the share that it is held against, ``risk_words`` where it comes from; ``by_year``
    are the units of a binomial funnel.
    """

    years: float
    n: int
    events: int
    reason: str
    chart: Cusum | None = None
    limit: CusumLimit | None = None
    risk: float = math.nan
    risk_words: str = ""
    by_year: tuple[UnitShare, ...] = ()


@dataclass(frozen=True)
class UnderShape:
    """What a shape of the reference before its first time would have expected, and alarmed."""

    early_shape: float
    expected: float
    alarms: int


@dataclass(frozen=True)
class MonitoringResults:
    """The time order of one end point, or ``reason`` why there is none.

    ``reference`` says in words where the expected numbers come from. ``table`` is what was counted
    (up to the reference's last time) and ``hazard`` what it was held against. ``shapes`` stand for
    a reference that is not the department's own.
    """

    outcome: Outcome
    reference: str
    reason: str
    is_own: bool = True
    table: OutcomeTable | None = None
    hazard: Hazard | None = None
    order: TimeOrder | None = None
    chart: Cusum | None = None
    limit: CusumLimit | None = None
    detections: tuple[Detection, ...] = ()
    by_year: tuple[UnitOverExpected, ...] = ()
    by_case: tuple[UnitOverExpected, ...] = ()
    first_cases: FirstCases | None = None
    spread: Overdispersion | None = None
    short: ShortHorizon | None = None
    shapes: tuple[UnderShape, ...] = ()


OWN_REFERENCE = "the department’s own experience over all years"


def gather_monitoring(
    outcome: Outcome,
    *,
    reference: MonitoringReference | None = None,
    seed: int = SEED,
) -> MonitoringResults:
    """Put one end point in time order, against a reference or else the department's own curve.

    Needs at least 5 events, or expected ones: below that no limit means anything (our choice).
    """
    words = OWN_REFERENCE if reference is None else reference.words
    blank = MonitoringResults(outcome, words, "", is_own=reference is None)
    table = outcome.table
    if reference is not None:
        table = censor_after(table, reference.hazard.window)
    events = int((table.status == 1).sum())
    due = 0.0 if reference is None else expected_of_units(table, reference.hazard.at).sum()
    if max(events, due) < FEWEST_EVENTS:
        return replace(blank, reason=f"there are fewer than {FEWEST_EVENTS} events")
    hazard: Hazard = own_hazard(table) if reference is None else reference.hazard.at
    order = order_in_time(table, hazard, outcome.cut.event_date)
    volume = order.expected_per_year()
    if volume <= 0:
        return replace(blank, reason="nothing was expected in the last 3 years")
    rng = np.random.default_rng(seed)
    limit = find_limit(volume, YEARS_PER_FALSE_ALARM, rng, ratio=LOOKED_FOR)
    charted = replace(
        blank,
        table=table,
        hazard=hazard,
        order=order,
        chart=continuous_cusum(order.expected, order.is_event, LOOKED_FOR, limit.limit),
        limit=limit,
        detections=tuple(detect(limit, ratio, HORIZON_YEARS, rng) for ratio in TRUE_RATIOS),
        short=gather_short_horizon(outcome, rng, reference=reference),
        shapes=() if reference is None else _under_shapes(outcome, table, reference, limit),
    )
    return _side_by_side(charted, table, hazard)


def _side_by_side(
    charted: MonitoringResults, table: OutcomeTable, hazard: Hazard
) -> MonitoringResults:
    """Add years and cases."""
    by_year = over_expected_by(table, hazard, [str(zero.year) for zero in table.zero_date])
    by_case = over_expected_by(table, hazard, case_bands(table))
    return replace(
        charted,
        by_year=by_year,
        by_case=by_case,
        first_cases=compare_first_cases(by_case),
        spread=spread_of(by_year),
    )


def _under_shapes(
    outcome: Outcome, table: OutcomeTable, reference: MonitoringReference, limit: CusumLimit
) -> tuple[UnderShape, ...]:
    """Draw the chart anew under each shape of the reference before its first time."""
    made = []
    for shape in EARLY_SHAPES:
        hazard = partial(reference.hazard.at, early_shape=shape)
        order = order_in_time(table, hazard, outcome.cut.event_date)
        chart = continuous_cusum(order.expected, order.is_event, LOOKED_FOR, limit.limit)
        made.append(UnderShape(shape, float(order.expected[-1]), len(chart.alarms)))
    return tuple(made)


def gather_short_horizon(
    outcome: Outcome,
    rng: np.random.Generator,
    years: float = 1.0,
    *,
    reference: MonitoringReference | None = None,
) -> ShortHorizon:
    """Chart the outcome by a short horizon, of units treated that long before the data cut.

    A yes-or-no chart needs everyone at the horizon (Steiner et al. 2000); with one patient lost it
    is not drawn and the chart in continuous time is the one to read. The risk is the reference's
    share at the horizon where its curve reaches back so far, else the department's own.
    """
    horizon, cut = years * DAYS_PER_YEAR, outcome.cut.event_date
    old = np.asarray([(cut - zero).days >= horizon for zero in outcome.table.zero_date], dtype=bool)
    table = outcome.table.select(old)
    had = (table.status == 1) & (table.time_days <= horizon)
    n, events = table.n, int(had.sum())
    blank = ShortHorizon(years, n, events, "")
    if not n or not all_reached(table, horizon):
        return replace(blank, reason="not everyone was followed to the horizon")
    share = None if reference is None else reference.share_at(years)
    if max(events, (share or 0.0) * n) < FEWEST_EVENTS:
        return replace(blank, reason=f"there are fewer than {FEWEST_EVENTS} events")
    if share is None or reference is None:
        risk, words = events / n, "the department’s own share, so that it shows drift only"
    else:
        risk, words = share, reference.words
    order = np.argsort([zero.toordinal() for zero in table.zero_date], kind="stable")
    risks = np.full(n, risk)
    span = max((max(table.zero_date) - min(table.zero_date)).days / DAYS_PER_YEAR, 1.0)
    limit = find_steiner_limit(risks, n / span, YEARS_PER_FALSE_ALARM, rng, runs=STEINER_RUNS)
    return replace(
        blank,
        chart=steiner_cusum(had[order], risks, limit.limit),
        limit=limit,
        risk=risk,
        risk_words=words,
        by_year=share_by(table, horizon, [str(zero.year) for zero in table.zero_date]),
    )


def spread_of(units: tuple[UnitOverExpected, ...]) -> Overdispersion | None:
    """Estimate overdispersion from 10 units on; None below.

    Around what all units together had: a level other than the reference's is no spread.
    """
    if len(units) < FEWEST_UNITS:
        return None
    observed = [unit.against.observed for unit in units]
    expected = np.asarray([unit.against.expected for unit in units])
    level = sum(observed) / float(expected.sum())
    return overdispersion(observed, expected * level) if level > 0 else None
