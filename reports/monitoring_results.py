"""Results in time order, gathered: the chart, its limit, what it could have seen, years, cases."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.funnel import Overdispersion, overdispersion
from analysis.monitoring import (
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
from analysis.outcome import Outcome
from analysis.unit_comparison import UnitOverExpected, case_bands, over_expected_by

YEARS_PER_FALSE_ALARM = 20.0
LOOKED_FOR = 2.0
TRUE_RATIOS = (1.5, 2.0, 3.0)
HORIZON_YEARS = 5.0
SEED = 20240229


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
    )


def spread_of(units: tuple[UnitOverExpected, ...]) -> Overdispersion | None:
    """Estimate overdispersion from 10 units on; None below."""
    if len(units) < 10:
        return None
    return overdispersion(
        [unit.against.observed for unit in units], [unit.against.expected for unit in units]
    )
