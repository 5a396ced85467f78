"""Rows in the order of their times, sorted once: every count of people is read off that order.

A non-negative float sorts as its bits do. Its sign bit is spare, and a scaling by a power of two
(exact) frees more: a row's time and status fit into one whole number. Sorting such numbers needs no
index and nothing gathered afterwards, several times faster than ``argsort`` and a look-up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from registry.errors import RefusedInputError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
KeyArray = NDArray[np.uint64]
PlaceArray = NDArray[np.unsignedinteger[Any]]

TIME_TOLERANCE = float(np.sqrt(np.finfo(np.float64).eps))
"""Times closer than this, absolutely or relative to the mean distinct time, are one time."""
LONGEST_TIME = 1e303
"""Sums of longer times are no numbers any more."""

_MOST_BITS = 6
"""Bits for the status in a key; more causes than fit are sorted by two keys."""
_SMALLEST_NORMAL = float(np.finfo(np.float64).smallest_normal)


@dataclass(frozen=True, slots=True, eq=False)
class RowOrder:
    """Rows by time; at one time event 1, then 2, 3, ..., then the censored.

    Attributes
    ----------
    time
        Shape (n,): ascending.
    key
        Shape (n,): ``key & mask`` is status − 1, and ``mask`` itself where censored. Equal keys are
        equal times and statuses.
    highest
        The highest status.
    """

    time: FloatArray
    key: KeyArray
    highest: int

    @property
    def bits(self) -> int:
        """Bits of a key that hold the status."""
        return max(1, self.highest.bit_length())

    def places(self) -> PlaceArray:
        """Return status − 1, ``mask`` where censored, shape (n,)."""
        mask = self.mask
        if mask <= 255:
            return self.key.astype(np.uint8) & np.uint8(mask)
        return self.key & np.uint64(mask)

    @property
    def mask(self) -> int:
        """One less than a power of two: the place of the censored."""
        return (1 << self.bits) - 1

    @classmethod
    def of(
        cls,
        time: FloatArray,
        status: IntArray,
        longest: float | None = None,
        highest: int | None = None,
    ) -> RowOrder:
        """Sort n ≥ 1 finite times ≥ 0 with statuses ≥ 0; their greatest may be known already.

        Examples
        --------
        >>> order = RowOrder.of(np.array([2.0, 1.0, 1.0]), np.array([1, 0, 1]))
        >>> order.time.tolist(), order.places().tolist()
        ([1.0, 1.0, 2.0], [0, 1, 0])
        """
        highest = int(status.max()) if highest is None else highest
        longest = float(time.max()) if longest is None else longest
        bits = max(1, highest.bit_length())
        place = status - 1
        place &= (1 << bits) - 1
        scale = _scale(longest, bits)
        if scale is None:
            return cls._by_two_keys(time, place, highest)
        key = (time * scale).view(np.uint64)
        key <<= np.uint64(bits)  # the sign of −0 falls off
        key |= place.view(np.uint64)
        key.sort()
        ordered = place.view(np.float64)  # its memory is free now: fresh memory costs time
        np.right_shift(key, np.uint64(bits), out=place.view(np.uint64))
        if scale != 1:
            if _loses_digits(ordered, time):
                return cls._by_two_keys(time, status - 1 & (1 << bits) - 1, highest)
            ordered *= 1 / scale  # exact: a power of two
        return cls(ordered, key, highest)

    @classmethod
    def _by_two_keys(cls, time: FloatArray, place: IntArray, highest: int) -> RowOrder:
        order = np.lexsort((place, time))
        ordered = time[order] + 0.0
        number = np.zeros(time.size, dtype=np.int64)
        number[1:] = ordered[1:] != ordered[:-1]
        key = np.cumsum(number) << max(1, highest.bit_length()) | place[order]
        return cls(ordered, key.view(np.uint64), highest)

    def merge(self, near: NearTimes) -> None:
        """Replace the times of ``near`` in place, before anyone else sees the order."""
        starts = np.flatnonzero(np.concatenate([[True], near.new[1:] != near.new[:-1]]))
        first = np.searchsorted(self.time, near.new[starts], side="left")
        ends = near.old[np.append(starts[1:], near.new.size) - 1]
        beyond = np.searchsorted(self.time, ends, side="right")
        size = beyond - first
        rows = np.arange(size.sum()) + np.repeat(first - np.cumsum(size) + size, size)
        mask = np.uint64(self.mask)
        chosen = (np.repeat(self.key[first], size) & ~mask) | (self.key[rows] & mask)
        self.key[rows] = np.sort(chosen)  # whole times, each in its own place: censored last again
        self.time[rows] = np.repeat(near.new[starts], size)


def _scale(longest: float, bits: int) -> float | None:
    """Power of two that leaves ``bits`` spare bits in every time; None when there is none."""
    if bits == 1:
        return 1.0
    if bits > _MOST_BITS:
        return None
    power = 2 ** (12 - bits) - 1023 - math.frexp(longest)[1]
    return math.ldexp(1.0, power) if -1022 <= power <= 1023 else None


def _loses_digits(scaled: FloatArray, time: FloatArray) -> bool:
    """Whether a time above 0 became too small for all its digits, or 0."""
    zeros = int(np.searchsorted(scaled, 0.0, side="right"))
    if zeros > 0 and zeros > np.count_nonzero(time == 0):
        return True
    return zeros < scaled.size and float(scaled[zeros]) < _SMALLEST_NORMAL


@dataclass(frozen=True, slots=True, eq=False)
class NearTimes:
    """Times that differ only by rounding from one before: ``old`` ascending, and what stands in."""

    old: FloatArray
    new: FloatArray


def find_near_times(ordered: FloatArray) -> NearTimes | None:
    """Find neighbours among ascending times that differ only by rounding; None: there are none.

    The rule is that of :meth:`analysis.estimators.observations.RightCensored.of`.

    Raises
    ------
    RefusedInputError
        When a time is too long to be added to others.
    """
    longest = max(float(ordered[-1]), float(-ordered[0]))
    if longest > LONGEST_TIME:
        raise RefusedInputError(
            f"A time of {longest:g} is too long to compute with; the longest is {LONGEST_TIME:g}. "
            "Give times in a longer unit."
        )
    gap = ordered[1:] - ordered[:-1]
    # Most data hold no such pair: decide that cheaply, with a bound on the mean distinct time.
    widest = TIME_TOLERANCE * max(1.0, longest)
    is_near = gap <= widest
    is_later = gap > 0
    is_near &= is_later
    if np.count_nonzero(is_near) == 0:
        return None
    near = is_near.nonzero()[0]
    distinct = ordered if is_later.all() else ordered[np.append(True, is_later)]
    distinct = distinct if distinct[0] >= 0 else np.abs(distinct)
    tolerance = TIME_TOLERANCE * max(1.0, float(distinct.mean()))
    near = near[gap[near] <= tolerance]
    if near.size == 0:
        return None
    moved, before = ordered[near + 1], ordered[near]
    begins = np.concatenate([[True], before[1:] != moved[:-1]])  # else a chain goes on
    return NearTimes(moved, before[begins][np.cumsum(begins) - 1])
