"""Innermost intervals: the only places where a nonparametric estimate can put mass.

An observation (L, U] says that the event came after L and not after U; L = U says that it came
exactly then; U = infinity that it had not come by L. Turnbull (J R Stat Soc B 1976;38:290) and Peto
(1973) showed that the maximum likelihood estimate lives on the intersections that begin with a left
end and stop at the next right end. At one and the same time a closed end, an exact time and the
next open start follow each other in this order, so that (2, 5] and (5, 8] do not overlap.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.estimators.row_order import LONGEST_TIME
from registry.errors import RefusedEstimateError, RefusedInputError

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.intp]

# Ends closer than this share of the largest one are the same time, as R's timefix has it
# (0.1 + 0.2 and 0.3 are one visit).
_SAME_TIME = 1e-9


@dataclass(frozen=True, slots=True)
class InnermostIntervals:
    """Innermost intervals and which of them each observation covers.

    ``lower`` and ``upper`` have one entry an interval (equal for an exact time, infinity for the
    last one of right-censored data). Observations that cover the same run of intervals are one
    pattern: pattern i covers ``first[i]`` up to but not including ``stop[i]`` and carries the
    summed ``weight[i]``; ``pattern`` gives the pattern of every observation. ``last_time`` is the
    last finite end.
    """

    lower: Floats
    upper: Floats
    first: Integers
    stop: Integers
    weight: Floats
    pattern: Integers
    last_time: float


def check_intervals(
    lower: npt.ArrayLike, upper: npt.ArrayLike, weight: npt.ArrayLike | None = None
) -> tuple[Floats, Floats, Floats]:
    """Check interval-censored observations and give them as arrays.

    Raises
    ------
    ValueError
        For shapes that differ, a missing end, a lower end that is negative or infinite, an upper
        end before the lower one, or a weight that is not above 0.
    RefusedEstimateError
        For no observation at all.
    RefusedInputError
        For an end too large to be added to others.

    Examples
    --------
    >>> check_intervals([0, 3], [2, float("inf")])[2].tolist()
    [1.0, 1.0]
    """
    low, high = np.asarray(lower, np.float64), np.asarray(upper, np.float64)
    heavy = np.ones(low.shape) if weight is None else np.asarray(weight, np.float64)
    if not low.shape == high.shape == heavy.shape or low.ndim != 1:
        raise ValueError(
            f"lower, upper and weight differ in shape: {low.shape}, {high.shape}, {heavy.shape}"
        )
    if len(low) == 0:
        raise RefusedEstimateError("There is no observation, so there is nothing to estimate.")
    wrong = ~(np.isfinite(low) & (low >= 0))
    if wrong.any():
        raise ValueError(f"a lower end must be finite and not negative, not {float(low[wrong][0])}")
    longest = float(np.where(np.isfinite(high), np.maximum(low, high), low).max())
    if longest > LONGEST_TIME:
        raise RefusedInputError(
            f"A time of {longest:g} is too long to compute with; the longest is {LONGEST_TIME:g}. "
            "Give times in a longer unit."
        )
    wrong = ~(high >= low)
    if wrong.any():
        raise ValueError(
            f"an interval must end at or after its start, not "
            f"({float(low[wrong][0])}, {float(high[wrong][0])}]"
        )
    wrong = ~(np.isfinite(heavy) & (heavy > 0))
    if wrong.any():
        raise ValueError(f"a weight must be finite and above 0, not {float(heavy[wrong][0])}")
    return low, high, heavy


def find_innermost_intervals(lower: Floats, upper: Floats, weight: Floats) -> InnermostIntervals:
    """Find the innermost intervals and the run of them that each observation covers.

    Parameters
    ----------
    lower, upper, weight
        As :func:`check_intervals` returns them.

    Examples
    --------
    >>> found = find_innermost_intervals(*check_intervals([0, 1, 3], [2, 4, float("inf")]))
    >>> found.lower.tolist(), found.upper.tolist()
    ([1.0, 3.0], [2.0, 4.0])
    >>> found.first.tolist(), found.stop.tolist()
    ([0, 0, 1], [1, 2, 2])
    """
    times, left, right = _code_ends(lower, upper)
    ends = np.concatenate([np.unique(left), np.unique(right)])
    ends.sort()
    is_right = ends % 3 == 1
    starts = np.flatnonzero(~is_right[:-1] & is_right[1:])
    inner_left, inner_right = ends[starts], ends[starts + 1]
    first = np.searchsorted(inner_left, left, side="left")
    stop = np.searchsorted(inner_right, right, side="right")
    keys, pattern = np.unique(first * (len(starts) + 1) + stop, return_inverse=True)
    finite = times[np.isfinite(times)]
    return InnermostIntervals(
        lower=times[inner_left // 3],
        upper=times[inner_right // 3],
        first=keys // (len(starts) + 1),
        stop=keys % (len(starts) + 1),
        weight=np.asarray(np.bincount(pattern, weights=weight), np.float64),
        pattern=pattern,
        last_time=float(finite[-1]),
    )


def find_grouped_intervals(
    lower: npt.ArrayLike, upper: npt.ArrayLike, group: npt.ArrayLike
) -> tuple[InnermostIntervals, tuple[str, ...], Integers]:
    """Find the innermost intervals of observations in groups, for a test between the groups.

    Parameters
    ----------
    lower, upper
        Ends of the intervals, shape (n,), in the unit of the data; infinity where right-censored.
    group
        Group of each observation, shape (n,).

    Returns
    -------
    tuple
        The intervals of all together, the sorted names of the groups, and each observation's
        place among them, shape (n,).

    Raises
    ------
    ValueError
        For a group too few or too many, or ends as :func:`check_intervals` refuses them.
    RefusedEstimateError
        For fewer than two groups.

    Examples
    --------
    >>> inner, names, member = find_grouped_intervals([0, 1], [1, 2], ["b", "a"])
    >>> names, member.tolist()
    (('a', 'b'), [1, 0])
    """
    checked = check_intervals(lower, upper)
    names, member = np.unique(np.asarray(group).astype(str), return_inverse=True)
    if member.shape != checked[0].shape:
        raise ValueError(f"{len(member)} groups were given for {len(checked[0])} observations")
    if len(names) < 2:
        raise RefusedEstimateError("A test needs at least two groups.", groups=len(names))
    return find_innermost_intervals(*checked), tuple(names.tolist()), member


def _code_ends(lower: Floats, upper: Floats) -> tuple[Floats, Integers, Integers]:
    """Number the ends: at one time 0 is an exact start, 1 a closed right end, 2 an open start."""
    times, place = np.unique(np.concatenate([lower, upper]), return_inverse=True)
    finite = times[np.isfinite(times)]
    is_new = np.diff(times, prepend=-np.inf) > _SAME_TIME * finite[-1]
    group = np.cumsum(is_new) - 1
    low, high = np.split(group[place], 2)
    return times[is_new], 3 * low + np.where(low == high, 0, 2), 3 * high + 1
