"""Frozen results of cumulative incidence estimators."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from analysis.estimators.counting import RiskCounter
from analysis.estimators.curves import AtTimes, StepCurve, check_times
from analysis.estimators.incidence_moments import IncidenceMoments
from analysis.estimators.observations import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Cause:
    """The cumulative incidence of one cause.

    Attributes
    ----------
    cause
        Its code.
    events
        People with that event.
    curve
        Row 0 at time 0, then one row at each time with an event of any cause; ``events`` are those
        of this cause, ``estimate`` is incidence.
    last_time
        End of the last follow-up; beyond it every value is NaN.
    """

    cause: int
    events: int
    curve: StepCurve
    last_time: float
    level: float
    _people: RiskCounter = field(repr=False)
    _moments: IncidenceMoments | None = field(repr=False)
    _is_mid_p: bool = field(default=False, repr=False)
    _moments_hold_at_zero_only: bool = field(default=False, repr=False)

    def at(self, times: Any) -> AtTimes:
        """Read incidence at fixed times, shape (m,).

        Events at the time itself count. Beyond the last follow-up at_risk is 0 and everything else
        NaN. Beta product limits are those of the very time.
        """
        asked = check_times(times)
        wanted = self._people.snap(asked)
        row = np.searchsorted(self.curve.time, wanted, side="right") - 1
        beyond = wanted > self.last_time
        lower, upper = self.curve.lower[row], self.curve.upper[row]
        if self._moments is not None:
            after = self._people.just_after(wanted)
            beta = self._moments.limits(row, after, self.level, mid_p=self._is_mid_p)
            holds = (self.curve.estimate[row] <= 0) | (not self._moments_hold_at_zero_only)
            lower, upper = np.where(holds, beta[0], lower), np.where(holds, beta[1], upper)

        def known(values: FloatArray) -> FloatArray:
            return np.where(beyond, np.nan, values)

        return AtTimes(
            asked,
            np.where(beyond, 0, self._people.shown(wanted)).astype(np.int64),
            known(self.curve.estimate[row]),
            known(self.curve.se[row]),
            known(lower),
            known(upper),
        )


@dataclass(frozen=True, slots=True, eq=False)
class CumulativeIncidence:
    """Cumulative incidence of every cause.

    Attributes
    ----------
    n
        People.
    causes
        In the order of their codes.
    event_free
        Shape of the curves: probability of no event of any cause; with the incidences it adds up
        to 1 in every row.
    person_time
        Time under observation; on several clocks that of the first.
    interval, level
        How the limits were made.
    last_time
        End of the last follow-up; on several clocks of the one that ends first.
    effective_n
        (Σw)²/Σw² with probability weights.
    """

    n: int
    causes: tuple[Cause, ...]
    event_free: FloatArray
    person_time: float
    interval: str
    level: float
    last_time: float
    effective_n: float | None = None

    def cause(self, code: int) -> Cause:
        """Return one cause.

        Raises
        ------
        ValueError
            When there is none of that code.
        """
        for cause in self.causes:
            if cause.cause == code:
                return cause
        codes = [cause.cause for cause in self.causes]
        raise ValueError(f"there is no cause {code!r}; the causes are {codes}")
