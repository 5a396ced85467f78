"""Observed risk at a horizon in parts of the dose range, to set beside a fitted curve."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.dose_effect.dose_horizon import CurveAtHorizon
from analysis.dose_effect.dose_rows import DoseRows
from analysis.estimators.competing_risks import aalen_johansen
from analysis.estimators.observations import RightCensored
from analysis.estimators.survival import kaplan_meier

ESTIMATORS = {"net": "Kaplan–Meier", "crude": "Aalen–Johansen on one clock"}
INTERVAL = "beta-product"


@dataclass(frozen=True, slots=True)
class ObservedRisk:
    """Risk of the event by the horizon of those with a dose in one quarter.

    ``risk``, ``lower`` and ``upper`` are NaN where nobody of them was followed so far; ``events``
    counts up to the horizon, ``at_risk`` just before it.
    """

    dose_from: float
    dose_to: float
    dose_middle: float
    n: int
    events: int
    at_risk: int
    risk: float
    lower: float
    upper: float


def observed_risks(rows: DoseRows, curve: CurveAtHorizon) -> tuple[ObservedRisk, ...]:
    """Read the risk at the curve's horizon in quarters of dose, adjusted for nothing.

    Kaplan–Meier for the net reading, Aalen–Johansen on one clock for the crude one, with the beta
    product's limits, of everyone in the quarter. The share of those whose outcome is known would
    stand above the curve: who fails early is always known, who was lost early never.

    Parameters
    ----------
    rows
        Those that the curve was fitted to, followed from time zero.
    """
    edges = np.quantile(rows.dose, [0.25, 0.5, 0.75])
    quarter = np.searchsorted(edges, rows.dose, side="left")
    return tuple(
        _read(rows.select(quarter == place), curve)
        for place in range(4)
        if (quarter == place).any()
    )


def _read(rows: DoseRows, curve: CurveAtHorizon) -> ObservedRisk:
    horizon, is_net = curve.outcome.horizon, curve.outcome.reading == "net"
    time, status = (rows.time, rows.status) if is_net else (rows.end, rows.end_status)
    if is_net:
        seen = RightCensored.of(time, status == 1)
        read = kaplan_meier(seen, interval=INTERVAL, level=curve.level).at([horizon])
        values = [1 - float(x[0]) for x in (read.estimate, read.upper, read.lower)]
    else:
        every = aalen_johansen(RightCensored.of(time, status), interval=INTERVAL, level=curve.level)
        found = every.cause(1).at([horizon])
        values = [float(x[0]) for x in (found.estimate, found.lower, found.upper)]
    return ObservedRisk(
        float(rows.dose.min()),
        float(rows.dose.max()),
        float(np.median(rows.dose)),
        rows.n,
        int(((status == 1) & (time <= horizon)).sum()),
        int((time >= horizon).sum()),
        *values,
    )
