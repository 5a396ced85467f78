"""The department's own failure at a time, by the estimator of the published figure beside it.

Limits stand at two levels, each worked out at that level: 95 % for reading, and 90 %, whose ends
are the one-sided 95 % limits of a verdict.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.estimators.competing_risks import (
    CumulativeIncidence,
    aalen_johansen,
    aalen_johansen_own_clocks,
)
from analysis.estimators.survival import kaplan_meier
from analysis.outcomes.end_points import DAYS_PER_YEAR
from analysis.outcomes.outcome_table import OutcomeTable, examination_clock, own_clock_causes

TAIL = 0.05
"""Left out on one side of a verdict's limit: one-sided 95 %, the ends of a 90 % interval."""
LEVELS = (0.95, 1 - 2 * TAIL)


@dataclass(frozen=True, slots=True)
class Estimate:
    """A failure probability with its limits; NaN where there is none."""

    value: float
    lower: float
    upper: float


NOTHING = Estimate(math.nan, math.nan, math.nan)


@dataclass(frozen=True, slots=True)
class OwnEstimate:
    """Failure here at a time: how many are at risk, with 95 % and with 90 % limits."""

    at_risk: int
    wide: Estimate
    narrow: Estimate


class OwnEstimates:
    """Reads the failure of one outcome table at any time by either estimator.

    Curves are drawn when they are first asked for. Both use the beta product limits. Cumulative
    incidence takes each cause on its own clock; with delayed entry it is there only where death
    does not compete (as in the analysis of outcomes), and NaN otherwise.
    """

    def __init__(self, table: OutcomeTable) -> None:
        self._table = table
        self._kaplan_meier = [
            kaplan_meier(examination_clock(table), interval="beta-product", level=level)
            for level in LEVELS
        ]
        self._incidence: list[CumulativeIncidence | None] | None = None

    def read(self, estimator: str, years: float) -> OwnEstimate:
        """Read failure at ``years`` as "kaplan-meier" or as "cumulative incidence"."""
        if estimator == "kaplan-meier" or len(self._table.end_point.cause_names) == 1:
            return self._read_kaplan_meier(years)
        return self._read_incidence(years)

    def _read_kaplan_meier(self, years: float) -> OwnEstimate:
        made = []
        for curve in self._kaplan_meier:
            read = curve.at([years * DAYS_PER_YEAR])
            values = (read.estimate[0], read.upper[0], read.lower[0])
            made.append(Estimate(*(1.0 - float(value) for value in values)))
        return OwnEstimate(int(read.at_risk[0]), made[0], made[1])

    def _read_incidence(self, years: float) -> OwnEstimate:
        if self._incidence is None:
            self._incidence = [_draw_incidence(self._table, level) for level in LEVELS]
        at_risk = int((self._table.time_days >= years * DAYS_PER_YEAR).sum())
        made = []
        for curve in self._incidence:
            if curve is None:
                made.append(NOTHING)
                continue
            read = curve.cause(1).at([years * DAYS_PER_YEAR])
            values = (read.estimate[0], read.lower[0], read.upper[0])
            made.append(Estimate(*(float(value) for value in values)))
        return OwnEstimate(at_risk, made[0], made[1])


def read_own(table: OutcomeTable) -> OwnEstimates | None:
    """Make a table's estimates; None where nobody was under observation."""
    observed = (table.time_days > table.entry_days) | (table.entry_days <= 0)
    return OwnEstimates(table) if table.n and observed.any() else None


def _draw_incidence(table: OutcomeTable, level: float) -> CumulativeIncidence | None:
    if (table.entry_days > 0).any():
        if table.end_point.death_competes:
            return None
        return aalen_johansen(examination_clock(table), interval="beta-product", level=level)
    return aalen_johansen_own_clocks(own_clock_causes(table), level=level)
