"""Frozen results that every step curve shares: rows, values at times, quantiles."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields

import numpy as np

from analysis.estimators.observations import FloatArray, IntArray

QUANTILE_TOLERANCE = float(np.sqrt(np.finfo(np.float64).eps))
"""A level of the curve this near to the wanted one counts as equal to it (as in R)."""


@dataclass(frozen=True, slots=True, eq=False)
class StepCurve:
    """A step function, one row at time 0 and one at each event time; arrays of one shape (m,).

    Attributes
    ----------
    time
        Ascending; an event at time 0 makes a second row with time 0.
    at_risk
        People at risk just before the time; in the first row those there from time 0.
    events
        Events at the time; in a curve of one cause, events of that cause.
    censored
        Censorings in [this time, next row's time).
    estimate, se, lower, upper
        The probability from this time up to the next row's, its standard error and pointwise
        limits; NaN where it does not exist. Beta product limits hold at the time itself: between
        two rows they widen as people leave.
    """

    time: FloatArray
    at_risk: IntArray
    events: IntArray
    censored: IntArray
    estimate: FloatArray
    se: FloatArray
    lower: FloatArray
    upper: FloatArray

    def rows(self) -> list[dict[str, float | int]]:
        """Return the curve as one mapping a row, plain numbers only."""
        return _as_rows(self)


class StepCurveWithLateLimits(StepCurve):
    """A step curve whose limits are computed when they are first looked at, once.

    Beta product limits take far longer than everything else, and most readers ask for them at a
    few times of their own choice, not at every event time.
    """

    __slots__ = ("_draw_limits", "_limits")
    _draw_limits: Callable[[], tuple[FloatArray, FloatArray]]
    _limits: tuple[FloatArray, FloatArray] | None

    def __init__(
        self,
        time: FloatArray,
        at_risk: IntArray,
        events: IntArray,
        censored: IntArray,
        estimate: FloatArray,
        se: FloatArray,
        draw_limits: Callable[[], tuple[FloatArray, FloatArray]],
    ) -> None:
        columns = (time, at_risk, events, censored, estimate, se)
        for name, column in zip(_DRAWN_AT_ONCE, columns, strict=True):
            object.__setattr__(self, name, column)
        object.__setattr__(self, "_draw_limits", draw_limits)
        object.__setattr__(self, "_limits", None)

    def _both(self) -> tuple[FloatArray, FloatArray]:
        if self._limits is None:
            object.__setattr__(self, "_limits", self._draw_limits())
        assert self._limits is not None
        return self._limits

    @property
    def lower(self) -> FloatArray:
        """Lower limits."""
        return self._both()[0]

    @property
    def upper(self) -> FloatArray:
        """Upper limits."""
        return self._both()[1]


_DRAWN_AT_ONCE = ("time", "at_risk", "events", "censored", "estimate", "se")


@dataclass(frozen=True, slots=True, eq=False)
class AtTimes:
    """Values read off a curve; arrays of one shape (m,).

    Beyond the last follow-up ``at_risk`` is 0 and everything else NaN.
    """

    time: FloatArray
    at_risk: IntArray
    estimate: FloatArray
    se: FloatArray
    lower: FloatArray
    upper: FloatArray

    def rows(self) -> list[dict[str, float | int]]:
        """Return the values as one mapping a time, plain numbers only."""
        return _as_rows(self)


def _as_rows(arrays: StepCurve | AtTimes) -> list[dict[str, float | int]]:
    names = [field.name for field in fields(arrays)]
    columns = [getattr(arrays, name).tolist() for name in names]
    return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]


@dataclass(frozen=True, slots=True)
class Quantile:
    """A time at which a curve crosses a level, with limits; NaN for what is not reached."""

    value: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class RestrictedMean:
    """Mean time free of the event up to ``until``, its standard error and Wald limits."""

    until: float
    value: float
    se: float
    lower: float
    upper: float


def check_times(times: object) -> FloatArray:
    """Return times as a flat array.

    Raises
    ------
    ValueError
        When a time is not finite or is negative.
    """
    array = np.atleast_1d(np.asarray(times, dtype=np.float64))
    if array.ndim != 1 or not np.isfinite(array).all() or (array < 0).any():
        raise ValueError(f"times are finite and ≥ 0, not {array.tolist()}")
    return array


def crossing_time(time: FloatArray, fallen: FloatArray, p: float) -> float:
    """Return the time at which a rising step function crosses p.

    The first time at which ``fallen`` reaches p; where it equals p (within √ε) on a whole step, the
    midpoint of that step, its end being the next rise or, for the last step, the last time. NaN
    when p is never reached.

    Parameters
    ----------
    time, fallen
        Shape (m,): ascending times and the function from each on; NaN rows are passed over.
    """
    is_known = ~np.isnan(fallen)
    known_time, level = time[is_known], fallen[is_known]
    if level.size == 0 or level.max() < p - QUANTILE_TOLERANCE:
        return float("nan")
    reaches = int(np.argmax(level >= p - QUANTILE_TOLERANCE))
    if level[reaches] > p + QUANTILE_TOLERANCE:
        return float(known_time[reaches])
    beyond = level > p + QUANTILE_TOLERANCE
    if beyond.any():
        return float(known_time[reaches] + known_time[int(np.argmax(beyond))]) / 2
    if not is_known[-1]:
        return float("nan")
    return float(known_time[reaches] + time[-1]) / 2
