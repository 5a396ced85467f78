"""Frozen results of cumulative incidence estimators."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from analysis.estimators.counting import RiskCounter
from analysis.estimators.curves import AtTimes, StepCurve, check_times
from analysis.estimators.incidence_moments import IncidenceMoments
from analysis.estimators.observations import FloatArray, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class Moves:
    """Where an incidence moves, and its values from there on.

    Attributes
    ----------
    grid
        Shape (m,): ascending times with an event of any cause.
    place
        Shape (r,): ascending places in the grid, at least those of the cause's events.
    estimate, se
        Shape (r + 1,): at time 0, then from each place on.
    limits
        Lower and upper, of that shape; None where they are made at the very times asked for.
    """

    grid: FloatArray
    place: IntArray
    estimate: FloatArray
    se: FloatArray
    limits: tuple[FloatArray, FloatArray] | None


@dataclass(frozen=True, slots=True, eq=False)
class Cause:
    """The cumulative incidence of one cause.

    Attributes
    ----------
    cause
        Its code.
    events
        People with that event.
    last_time
        End of the last follow-up; beyond it every value is NaN.
    """

    cause: int
    events: int
    last_time: float
    level: float
    _people: RiskCounter = field(repr=False)
    _moves: Moves = field(repr=False)
    _draw_curve: Callable[[], StepCurve] = field(repr=False)
    _moments: IncidenceMoments | None = field(repr=False)
    _is_mid_p: bool = field(default=False, repr=False)
    _moments_hold_at_zero_only: bool = field(default=False, repr=False)
    _drawn: StepCurve | None = field(default=None, init=False, repr=False)

    @property
    def curve(self) -> StepCurve:
        """Row 0 at time 0, then one row at each time with an event of any cause.

        ``events`` are those of this cause, ``estimate`` is incidence. The rows are written out when
        they are first asked for.
        """
        if self._drawn is None:
            object.__setattr__(self, "_drawn", self._draw_curve())
        assert self._drawn is not None
        return self._drawn

    def at(self, times: Any) -> AtTimes:
        """Read incidence at fixed times, shape (m,).

        Events at the time itself count. Beyond the last follow-up at_risk is 0 and everything else
        NaN. Beta product limits are those of the very time.
        """
        asked = check_times(times)
        wanted = self._people.snap(asked)
        moves, beyond = self._moves, wanted > self.last_time
        place = np.searchsorted(moves.grid, wanted, side="right")
        row = np.searchsorted(moves.place, place, side="left")
        estimate, limits = moves.estimate[row], (np.empty(0), np.empty(0))
        if moves.limits is not None:
            limits = moves.limits[0][row], moves.limits[1][row]
        if self._moments is not None:
            after = self._people.just_after(wanted)
            beta = self._moments.limits(place, after, self.level, mid_p=self._is_mid_p)
            if self._moments_hold_at_zero_only:
                none = estimate <= 0
                beta = np.where(none, beta[0], limits[0]), np.where(none, beta[1], limits[1])
            limits = beta

        def known(values: FloatArray) -> FloatArray:
            return np.where(beyond, np.nan, values)

        return AtTimes(
            asked,
            np.where(beyond, 0, self._people.shown(wanted)).astype(np.int64),
            known(estimate),
            known(moves.se[row]),
            known(limits[0]),
            known(limits[1]),
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
