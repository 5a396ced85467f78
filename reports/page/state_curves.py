"""From the states of the eyes over time to a stacked figure and figures at named times."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.counts.exact_counts import clopper_pearson
from analysis.estimators.multistate import Occupation
from analysis.outcomes.end_points import DAYS_PER_YEAR
from analysis.outcomes.eye_states import (
    DEAD,
    EYE_LOST,
    FAILED,
    POOR,
    STATES,
    EyeStates,
    count_at_risk,
)
from reports.figures.specs import IncidenceFigure, OutcomeBand
from reports.page.curves import BEYOND, MINIMUM_AT_RISK
from reports.words.values import Count, CurveEstimate

BANDS = (DEAD, EYE_LOST, FAILED, POOR)
"""States from the bottom of the stack up; useful vision is what is left above."""


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]


@dataclass(frozen=True, slots=True)
class StatesOverTime:
    """The occupation with its limits at hand by year, and the numbers at risk."""

    states: EyeStates
    occupation: Occupation

    def at(self, state: int, years: float) -> CurveEstimate:
        """Read the share in a state at a time for which limits were drawn."""
        found = self.occupation
        days = years * DAYS_PER_YEAR
        place = int(np.argmin(np.abs(found.limit_times - days)))
        if abs(float(found.limit_times[place]) - days) > 1e-6:
            raise ValueError(f"{years:g} years was not among the times asked for")
        at_risk = count_at_risk(self.states, days)
        share = float(found.at([days])[0, state])
        if math.isnan(share) or not at_risk:
            return CurveEstimate(None, None, None, found.n, 0, at_risk, reason=BEYOND)
        low, high = (float(limit[place, state]) for limit in found.limits())
        if share == 0:  # every bootstrap sample is 0 too
            high = clopper_pearson(0, at_risk).upper
        known = years > 0
        return CurveEstimate(
            share,
            low if known else None,
            high if known else None,
            found.n,
            round(share * found.n),
            at_risk,
        )


def state_figure(over_time: StatesOverTime) -> IncidenceFigure | None:
    """Make the stacked figure; None with too few eyes or under a year of follow-up."""
    found = over_time.occupation
    years = [y for y in range(1, 41) if y * DAYS_PER_YEAR <= found.last_time]
    known = [y for y in years if count_at_risk(over_time.states, y * DAYS_PER_YEAR) >= 10]
    if found.n < MINIMUM_AT_RISK or not known:
        return None
    ticks = tuple(float(year) for year in range(known[-1] + 1))
    bands = tuple(
        OutcomeBand(
            name=_capital(STATES[state]),
            time_years=tuple(float(t) / DAYS_PER_YEAR for t in found.time),
            incidence=tuple(float(share) for share in found.probability[:, state]),
            at_ticks=tuple(over_time.at(state, tick) for tick in ticks),
        )
        for state in BANDS
    )
    at_risk = [count_at_risk(over_time.states, tick * DAYS_PER_YEAR) for tick in ticks]
    return IncidenceFigure(
        remaining_name=_capital(STATES[0]),
        unit="eyes",
        n=Count(found.n),
        outcomes=bands,
        ticks_years=ticks,
        at_risk=tuple(Count(count) for count in at_risk),
        stop_years=ticks[-1],
        minimum_at_risk=MINIMUM_AT_RISK,
        measure="state at each time",
    )
