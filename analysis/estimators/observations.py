"""Right-censored observations: the one validated door to every time-to-event estimator."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.estimators.row_order import (
    TIME_TOLERANCE,
    FloatArray,
    IntArray,
    NearTimes,
    RowOrder,
    find_near_times,
)
from registry.errors import RefusedEstimateError, RefusedInputError

__all__ = [
    "TIME_TOLERANCE",
    "WEIGHT_KINDS",
    "BoolArray",
    "FloatArray",
    "IntArray",
    "RightCensored",
    "as_groups",
    "merge_rounded_times",
]

BoolArray = NDArray[np.bool_]

WEIGHT_KINDS = ("frequency", "probability")
LARGEST_WEIGHT = 1e100
"""The squares of larger probability weights, and of smaller ones than 1 by it, are no numbers."""
MOST_PEOPLE = 2**53
"""More are not counted exactly."""
_HIGHEST_STATUS = 2**63 - 1


@dataclass(frozen=True, slots=True, eq=False)
class RightCensored:
    """Times under observation that end in an event or in censoring.

    Build it with :meth:`of`, which checks and converts; the constructor does neither. Arrays that
    need no conversion are kept, not copied, and must not be changed afterwards.

    Attributes
    ----------
    time
        Shape (n,): end of observation from time zero, ≥ 0, any one unit (days, years).
    status
        Shape (n,): 0 censored, 1 the event, 2, 3, ... competing events.
    entry
        Shape (n,) or None: beginning of observation (delayed entry). At risk at t means
        entry < t ≤ time. A negative entry is under observation from time zero, an event at time
        zero included; with ``entry=None`` everyone is.
    weight
        Shape (n,) or None: positive weights.
    weight_kind
        ``"frequency"`` (a row stands for that many people), ``"probability"`` (inverse probability
        of being in the sample; robust standard errors) or None.
    """

    _time: FloatArray
    status: IntArray
    entry: FloatArray | None = None
    weight: FloatArray | None = None
    weight_kind: str | None = None
    _order: RowOrder | None = field(default=None, init=False, repr=False)
    _near: NearTimes | None = field(default=None, init=False, repr=False)

    @classmethod
    def of(
        cls,
        time: Any,
        status: Any,
        entry: Any = None,
        weight: Any = None,
        weight_kind: str | None = None,
    ) -> RightCensored:
        """Check and convert observations.

        Booleans, integers, floats and nullable columns are understood. Times (and entries) that
        differ only by rounding are made equal, as R's ``survfit`` does by default (``timefix``):
        neighbours among the sorted distinct times count as one when they differ by no more than
        √ε ≈ 1.5e-8, absolutely or relative to the mean distinct time; the smallest stands for all.

        Raises
        ------
        RefusedEstimateError
            When there is nobody.
        RefusedInputError
            When a value is missing, not finite or negative, a status is not a whole number ≥ 0,
            a weight is not positive (a frequency not whole), an entry is not before its time, or
            a time or weight is too large to compute with.
            The message names the row, counted from 1.
        ValueError
            For other shapes than (n,), dates or text where numbers belong, or a weight without a
            kind.

        Examples
        --------
        >>> RightCensored.of([0.1 + 0.2, 0.3], [True, False]).time.tolist()
        [0.3, 0.3]
        """
        times, longest = _as_times(time)
        codes, highest = _as_status(status, times.shape)
        weights = _as_weights(weight, weight_kind, times.shape)
        if entry is None and weights is None:
            return cls._sorted(times, codes, longest, highest)
        starts = None if entry is None else _as_entries(entry, times)
        times, starts = merge_rounded_times(times, starts)
        if starts is not None:
            _refuse_where(
                starts >= times,
                "entry",
                "not before the end of observation",
                "entry < time (at risk means entry < t ≤ time)",
            )
        return cls(times, codes, starts, weights, weight_kind)

    @classmethod
    def _sorted(
        cls, times: FloatArray, codes: IntArray, longest: float, highest: int
    ) -> RightCensored:
        """Sort the rows, with which the merging of rounded times begins, and keep their order."""
        order = RowOrder.of(times, codes, longest, highest)
        near = find_near_times(order.time)
        if near is not None:
            order.merge(near)
        observed = cls(times, codes)
        object.__setattr__(observed, "_order", order)
        object.__setattr__(observed, "_near", near)
        return observed

    @property
    def time(self) -> FloatArray:
        """End of observation, row by row; those merged with others are written when asked for."""
        if self._near is not None:
            object.__setattr__(self, "_time", _replace(self._time, self._near))
            object.__setattr__(self, "_near", None)
        return self._time

    def in_order(self) -> RowOrder:
        """Return the rows by time, sorted once; entries and weights are not looked at."""
        if self._order is None:
            object.__setattr__(self, "_order", RowOrder.of(self.time, self.status))
        assert self._order is not None
        return self._order

    @property
    def n(self) -> int:
        """Number of rows."""
        return self._time.size

    @property
    def people(self) -> int:
        """Number of people: rows, or the sum of frequency weights."""
        if self.weight is not None and self.weight_kind == "frequency":
            return round(float(self.weight.sum()))
        return self.n

    @property
    def effective_n(self) -> float | None:
        """(Σw)²/Σw² with probability weights, people with frequencies, None without weights."""
        if self.weight is None:
            return None
        if self.weight_kind == "frequency":
            return float(self.people)
        return float(self.weight.sum() ** 2 / np.square(self.weight).sum())

    @property
    def person_time(self) -> float:
        """Time under observation after time zero, summed over people (frequencies counted)."""
        if self.entry is None and self.weight is None:
            return float(np.add.reduce(self.in_order().time))
        spent = self.time if self.entry is None else self.time - np.maximum(self.entry, 0.0)
        if self.weight is not None and self.weight_kind == "frequency":
            return float((spent * self.weight).sum())
        return float(np.add.reduce(spent))

    def select(self, chosen: BoolArray | IntArray) -> RightCensored:
        """Return the chosen rows.

        Raises
        ------
        RefusedEstimateError
            When none is chosen.
        """
        if self.time[chosen].size == 0:
            raise RefusedEstimateError("There is nobody to estimate from: no row is left.")
        return RightCensored(
            self.time[chosen],
            self.status[chosen],
            None if self.entry is None else self.entry[chosen],
            None if self.weight is None else self.weight[chosen],
            self.weight_kind,
        )

    def after_landmark(self, landmark: float) -> tuple[RightCensored, BoolArray]:
        """Keep those still under observation, free of any event, beyond a landmark.

        Times are counted from the landmark (Anderson, Cain & Gelber 1983, J Clin Oncol 1:710–719).
        An event or a censoring at the landmark itself is left out.

        Returns
        -------
        tuple
            The observations, and which of the rows were kept, shape (n,).
        """
        if not np.isfinite(landmark) or landmark < 0:
            raise ValueError(f"a landmark is a finite time ≥ 0, not {landmark!r}")
        kept = self.time > landmark + TIME_TOLERANCE * max(1.0, landmark)
        chosen = self.select(kept)
        entry = None
        if chosen.entry is not None:
            entry = np.where(chosen.entry > landmark, chosen.entry - landmark, -1.0)
        later = RightCensored.of(
            chosen.time - landmark, chosen.status, entry, chosen.weight, chosen.weight_kind
        )
        return later, kept


def merge_rounded_times(
    time: FloatArray, entry: FloatArray | None = None
) -> tuple[FloatArray, FloatArray | None]:
    """Make times equal that differ only by rounding; see :meth:`RightCensored.of`.

    Examples
    --------
    >>> merge_rounded_times(np.array([0.1 + 0.2, 0.3, 0.4]))[0].tolist()
    [0.3, 0.3, 0.4]
    """
    near = find_near_times(np.sort(time if entry is None else np.concatenate([time, entry])))
    if near is None:
        return time, entry
    return _replace(time, near), None if entry is None else _replace(entry, near)


def _replace(values: FloatArray, near: NearTimes) -> FloatArray:
    """Replace each value that is among the old times by its partner among the new.

    A table of hashed bits tells first which few values can be meant.
    """
    old = near.old
    size = min(max(int(old.size).bit_length() + 6, 12), 20)

    def mark(numbers: FloatArray) -> IntArray:
        bits: NDArray[np.uint64] = numbers.view(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
        bits >>= np.uint64(64 - size)
        return bits.view(np.int64)

    table = np.zeros(2**size, dtype=np.bool_)
    table[mark(old)] = True
    rows = table.take(mark(values)).nonzero()[0]
    place = np.minimum(np.searchsorted(old, values[rows]), old.size - 1)
    is_old = old[place] == values[rows]
    replaced = values.copy()
    replaced[rows[is_old]] = near.new[place[is_old]]
    return replaced


def _is_missing(value: object) -> bool:
    return value is None or type(value).__name__ in ("NAType", "NaTType") or value != value


def _as_numbers(values: Any, name: str) -> FloatArray:
    array = np.asarray(values)
    if array.ndim != 1:
        raise ValueError(f"{name} has shape {array.shape}; a flat sequence (n,) is needed")
    if array.dtype.kind in "mMUSc":
        raise ValueError(f"{name} holds {array.dtype}; numbers in one unit are needed")
    if array.dtype.kind == "O":
        try:
            array = np.array([np.nan if _is_missing(value) else float(value) for value in array])
        except (TypeError, ValueError):
            raise ValueError(f"{name} holds values that are not numbers") from None
    numbers: FloatArray = array.astype(np.float64, copy=False)
    return numbers


def _as_times(time: Any) -> tuple[FloatArray, float]:
    """Return the times and the longest."""
    times = _as_numbers(time, "time")
    if times.size == 0:
        raise RefusedEstimateError("There is nobody to estimate from: no row is left.")
    longest = float(times.max())
    if not (times.min() >= 0 and longest < np.inf):  # a NaN is its own least and greatest
        _refuse_where(~np.isfinite(times), "time", "missing or not finite", "a finite number ≥ 0")
        _refuse_where(times < 0, "time", "negative", "a finite number ≥ 0")
    return times, longest


def _refuse_where(bad: BoolArray, name: str, found: str, allowed: str) -> None:
    if not bad.any():
        return
    rows = np.flatnonzero(bad)
    more = f" and {rows.size - 1} more rows" if rows.size > 1 else ""
    raise RefusedInputError(
        f"{name} is {found} in row {rows[0] + 1}{more}. Allowed: {allowed}.",
        field=name,
        row=int(rows[0]) + 1,
    )


def _as_status(status: Any, shape: tuple[int, ...]) -> tuple[IntArray, int]:
    """Return the codes and the highest."""
    array = np.asarray(status)
    if array.dtype.kind not in "bui":
        numbers = _as_numbers(status, "status")
        whole = np.isfinite(numbers) & (numbers == np.floor(numbers))
        _refuse_where(~whole, "status", "missing or not a whole number", "0, 1, 2, ...")
        array = numbers
    if array.shape != shape:
        raise ValueError(f"status has shape {array.shape}, time has {shape}")
    codes = np.ascontiguousarray(array, dtype=np.int64)
    highest = int(codes.view(np.uint64).max())  # read so, a negative one is highest
    if highest > _HIGHEST_STATUS:
        _refuse_where(codes < 0, "status", "negative", "0, 1, 2, ...")
    return codes, highest


def _as_entries(entry: Any, time: FloatArray) -> FloatArray:
    starts = _as_numbers(entry, "entry")
    if starts.shape != time.shape:
        raise ValueError(f"entry has shape {starts.shape}, time has {time.shape}")
    _refuse_where(~np.isfinite(starts), "entry", "missing or not finite", "a finite number")
    return starts


def _as_weights(weight: Any, kind: str | None, shape: tuple[int, ...]) -> FloatArray | None:
    if (weight is None) != (kind is None):
        raise ValueError(f"weights and their kind go together; the kind is {kind!r}")
    if weight is None:
        return None
    if kind not in WEIGHT_KINDS:
        raise ValueError(f"weight_kind is one of {WEIGHT_KINDS}, not {kind!r}")
    weights = _as_numbers(weight, "weight")
    if weights.shape != shape:
        raise ValueError(f"weight has shape {weights.shape}, time has {shape}")
    bad = ~np.isfinite(weights) | (weights <= 0)
    _refuse_where(bad, "weight", "missing or not positive", "a finite number > 0")
    if kind == "frequency":
        _refuse_frequencies(weights)
    far = (weights > LARGEST_WEIGHT) | (weights < 1 / LARGEST_WEIGHT)
    _refuse_where(far, "weight", "too large or too small", "from 1e-100 to 1e100")
    return weights


def _refuse_frequencies(weights: FloatArray) -> None:
    _refuse_where(
        weights != np.floor(weights), "weight", "not whole", "a count of people (1, 2, ...)"
    )
    many = np.minimum(weights, 2.0 * MOST_PEOPLE).cumsum() > MOST_PEOPLE
    _refuse_where(many, "weight", "too large", f"counts of at most {MOST_PEOPLE} people together")


def as_groups(groups: Sequence[object] | NDArray[Any], n: int) -> tuple[tuple[str, ...], IntArray]:
    """Return the group names as text in sorted order, and each row's group number from 0.

    Numbers sort as numbers, text as text.

    Raises
    ------
    ValueError
        When there are not n group values.

    Examples
    --------
    >>> as_groups([10, 2, 10], 3)
    (('2', '10'), array([1, 0, 1]))
    """
    values = np.asarray(groups)
    if values.dtype.kind == "O":
        values = values.astype(str)
    if values.shape != (n,):
        raise ValueError(f"groups have shape {values.shape}; ({n},) is needed")
    names, of_row = np.unique(values, return_inverse=True)
    return tuple(str(name) for name in names), of_row.astype(np.int64)
