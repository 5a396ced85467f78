"""Results in time order, gathered: the chart, its limit, what it could have seen, years, cases."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.benchmarking.monitoring import (
    Cusum,
    CusumLimit,
    Detection,
    Hazard,
    TimeOrder,
    continuous_cusum,
    detect,
    find_limit,
    order_in_time,
    own_hazard,
)
from analysis.benchmarking.risk_adjusted_cusum import find_steiner_limit, steiner_cusum
from analysis.benchmarking.unit_comparison import (
    UnitOverExpected,
    all_reached,
    case_bands,
    over_expected_by,
)
from analysis.counts.funnel import Overdispersion, overdispersion
from analysis.outcomes.end_points import DAYS_PER_YEAR
from analysis.outcomes.outcome import Outcome

YEARS_PER_FALSE_ALARM = 20.0
LOOKED_FOR = 2.0
TRUE_RATIOS = (1.5, 2.0, 3.0)
HORIZON_YEARS = 5.0
SEED = 20240229


@dataclass(frozen=True)
class ShortHorizon:
    """A yes-or-no outcome at a short horizon, in order of treatment, or why there is none."""

    years: float
    n: int
    events: int
    reason: str
    chart: Cusum | None = None
    limit: CusumLimit | None = None


@dataclass(frozen=True)
class MonitoringResults:
    """The time order of one end point, or ``reason`` why there is none.

    ``reference`` says in words where the expected numbers come from.
    """

    outcome: Outcome
    reference: str
    reason: str
    order: TimeOrder | None = None
    chart: Cusum | None = None
    limit: CusumLimit | None = None
    detections: tuple[Detection, ...] = ()
    by_year: tuple[UnitOverExpected, ...] = ()
    by_case: tuple[UnitOverExpected, ...] = ()
    spread: Overdispersion | None = None
    short: ShortHorizon | None = None


OWN_REFERENCE = (
    "the department’s own experience over all years, so that the chart shows drift, not the level"
)


def gather_monitoring(
    outcome: Outcome,
    *,
    hazard: Hazard | None = None,
    reference: str = OWN_REFERENCE,
    seed: int = SEED,
) -> MonitoringResults:
    """Put one end point in time order, against its own curve or a given hazard.

    Needs at least 5 events: below that no limit means anything (our choice).
    """
    table = outcome.table
    if int((table.status == 1).sum()) < 5:
        return MonitoringResults(outcome, reference, "there are fewer than 5 events")
    hazard = hazard or own_hazard(table)
    order = order_in_time(table, hazard, outcome.cut.event_date)
    volume = order.expected_per_year()
    if volume <= 0:
        return MonitoringResults(outcome, reference, "nothing was expected in the last 3 years")
    rng = np.random.default_rng(seed)
    limit = find_limit(volume, YEARS_PER_FALSE_ALARM, rng, ratio=LOOKED_FOR)
    years = [str(zero.year) for zero in table.zero_date]
    by_year = over_expected_by(table, hazard, years)
    return MonitoringResults(
        outcome,
        reference,
        "",
        order,
        continuous_cusum(order.expected, order.is_event, LOOKED_FOR, limit.limit),
        limit,
        tuple(detect(limit, ratio, HORIZON_YEARS, rng) for ratio in TRUE_RATIOS),
        by_year,
        over_expected_by(table, hazard, case_bands(table)),
        spread_of(by_year),
        gather_short_horizon(outcome, rng),
    )


def gather_short_horizon(
    outcome: Outcome, rng: np.random.Generator, years: float = 1.0
) -> ShortHorizon:
    """Chart the outcome by a short horizon, of units treated that long before the data cut.

    A yes-or-no chart needs everyone at the horizon (Steiner et al. 2000); with one patient lost it
    is not drawn and the chart in continuous time is the one to read. The risk is the department's
    own share.
    """
    horizon, cut = years * DAYS_PER_YEAR, outcome.cut.event_date
    old = np.asarray([(cut - zero).days >= horizon for zero in outcome.table.zero_date], dtype=bool)
    table = outcome.table.select(old)
    had = (table.status == 1) & (table.time_days <= horizon)
    n, events = table.n, int(had.sum())
    if not n or not all_reached(table, horizon):
        return ShortHorizon(years, n, events, "not everyone was followed to the horizon")
    if events < 5:
        return ShortHorizon(years, n, events, "there are fewer than 5 events")
    order = np.argsort([zero.toordinal() for zero in table.zero_date], kind="stable")
    risks = np.full(n, events / n)
    span = max((max(table.zero_date) - min(table.zero_date)).days / DAYS_PER_YEAR, 1.0)
    limit = find_steiner_limit(risks, n / span, YEARS_PER_FALSE_ALARM, rng, runs=500)
    chart = steiner_cusum(had[order], risks, limit.limit)
    return ShortHorizon(years, n, events, "", chart, limit)


def spread_of(units: tuple[UnitOverExpected, ...]) -> Overdispersion | None:
    """Estimate overdispersion from 10 units on; None below."""
    if len(units) < 10:
        return None
    return overdispersion(
        [unit.against.observed for unit in units], [unit.against.expected for unit in units]
    )
