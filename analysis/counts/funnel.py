"""Funnel plot limits: proportions against n, and observed over expected against expected.

Spiegelhalter, Stat Med 2005;24:1185-1202, appendix A.1: with r the smallest count whose cumulative
probability reaches the tail, the limit is (r - a)/n, where a interpolates between the probabilities
at r - 1 and r. The cumulative probabilities are taken through the incomplete beta and gamma
functions, so that n and the expected number may be any number above 0 and the curve is continuous.
``interpolation="beta"`` inverts those functions directly (no step inside one count); choices of
interpolation differ, so the answer names the one it used.

A binomial funnel is only for end points where everyone reached the horizon; with censoring, set
observed over expected against the expected number.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import special

from registry.errors import RefusedEstimateError

Interpolation = Literal["linear", "beta"]
Floats = npt.NDArray[np.float64]

TAILS = (0.001, 0.025, 0.975, 0.999)
"""Cumulative probabilities of the usual limits: 95 % and 99.8 % two-sided."""

FEWEST_UNITS = 10
"""Overdispersion is not estimated from fewer units (statistics.md, section 8)."""


@dataclass(frozen=True, slots=True)
class Funnel:
    """Limits of a funnel: ``limits[i, j]`` at ``size[i]`` for ``tails[j]``, in the target's unit.

    ``size`` is n for a proportion and the expected number for observed over expected. Lower limits
    below 0 are 0 and upper ones of a proportion above 1 are 1: there no unit can lie outside.
    """

    target: float
    size: Floats
    tails: tuple[float, ...]
    limits: Floats
    interpolation: Interpolation


@dataclass(frozen=True, slots=True)
class Overdispersion:
    """Spread of units beyond chance: ``ratio`` (phi), and the winsorised z it came from."""

    units: int
    ratio: float
    winsorised_fraction: float
    z: Floats
    is_beyond_chance: bool


def binomial_funnel(
    target: float,
    n: npt.ArrayLike,
    tails: tuple[float, ...] = TAILS,
    interpolation: Interpolation = "linear",
) -> Funnel:
    """Give the exact binomial limits around a target proportion.

    Parameters
    ----------
    target
        Proportion between 0 and 1, both excluded.
    n
        Unit sizes, above 0; not necessarily whole, for drawing a curve.
    tails
        Cumulative probabilities of the limits.
    interpolation
        ``"linear"`` as printed by Spiegelhalter, or ``"beta"``.

    Returns
    -------
    Funnel
        Limits of shape (sizes, tails).

    Examples
    --------
    >>> binomial_funnel(0.05, 100).limits.round(5).tolist()
    [[0.0, 0.00612, 0.09191, 0.12464]]
    """
    if not 0 < target < 1:
        raise ValueError(f"target must lie between 0 and 1, not {target!r}")
    size, tail = _grid(n, tails)

    def at_most(count: Floats) -> Floats:
        left = np.maximum(size - count, 0.0)
        below = np.clip(count, -1.0, None)
        inside = (count > -1) & (left > 0)
        value = special.betainc(
            np.where(inside, left, 1.0), np.where(inside, below, 0) + 1, 1 - target
        )
        return np.where(inside, value, np.where(left > 0, 0.0, 1.0))

    if interpolation == "linear":
        start = np.floor(special.bdtrik(tail, np.ceil(size), target))
        counts = _interpolate(at_most, np.maximum(np.nan_to_num(start) - 1, 0.0), tail)
    else:
        counts = _invert_by_bisection(at_most, size, tail)
    return Funnel(target, size[:, 0], tails, np.clip(counts / size, 0.0, 1.0), interpolation)


def poisson_funnel(
    expected: npt.ArrayLike,
    target: float = 1.0,
    tails: tuple[float, ...] = TAILS,
    interpolation: Interpolation = "linear",
) -> Funnel:
    """Give the exact Poisson limits of observed over expected around a target ratio.

    Parameters
    ----------
    expected
        Expected events of the units, above 0.
    target
        Ratio the funnel is drawn around, above 0.
    tails, interpolation
        As in :func:`binomial_funnel`.

    Examples
    --------
    >>> poisson_funnel([2.0, 20.0], tails=(0.025, 0.975)).limits.round(4).tolist()
    [[0.0, 2.3831], [0.5603, 1.4373]]
    """
    if not (np.isfinite(target) and target > 0):
        raise ValueError(f"target must be a ratio above 0, not {target!r}")
    size, tail = _grid(expected, tails)
    mean = size * target

    def at_most(count: Floats) -> Floats:
        inside = count > -1
        value = special.gammaincc(np.where(inside, count, 0.0) + 1, mean)
        return np.where(inside, value, 0.0)

    if interpolation == "linear":
        spread = np.floor(mean + special.ndtri(tail) * np.sqrt(mean)) - 3
        counts = _interpolate(at_most, np.maximum(spread, 0.0), tail)
    else:
        counts = _invert_by_bisection(at_most, mean * 20 + 50, tail)
    limits = np.maximum(counts / size, 0.0)
    return Funnel(target, size[:, 0], tails, limits, interpolation)


def overdispersion(
    observed: npt.ArrayLike, expected: npt.ArrayLike, winsorised_fraction: float = 0.1
) -> Overdispersion:
    """Estimate by how much units differ beyond chance (Spiegelhalter 2005, section 5).

    Square-root z scores 2(sqrt(observed) - sqrt(expected)) are winsorised at both ends and their
    mean square is the ratio; it is beyond chance when above 1 + 2 sqrt(2/units).

    Raises
    ------
    RefusedEstimateError
        For fewer than 10 units.

    Examples
    --------
    >>> overdispersion([9, 11] * 6, [10] * 12).is_beyond_chance
    False
    """
    seen, due = np.asarray(observed, float), np.asarray(expected, float)
    if seen.shape != due.shape or seen.ndim != 1 or not (np.all(seen >= 0) and np.all(due > 0)):
        raise ValueError("observed (>= 0) and expected (> 0) must be lists of one length")
    if len(seen) < FEWEST_UNITS:
        raise RefusedEstimateError(
            f"Overdispersion needs at least {FEWEST_UNITS} units and there are {len(seen)}; "
            "show the funnel without it.",
            units=len(seen),
        )
    if not 0 <= winsorised_fraction < 0.5:
        raise ValueError(f"winsorised_fraction must lie in [0, 0.5), not {winsorised_fraction!r}")
    z = 2 * (np.sqrt(seen) - np.sqrt(due))
    low, high = np.quantile(z, [winsorised_fraction, 1 - winsorised_fraction])
    ratio = float(np.mean(np.clip(z, low, high) ** 2))
    is_beyond = ratio > 1 + 2 * np.sqrt(2 / len(z))
    return Overdispersion(len(z), ratio, winsorised_fraction, z, bool(is_beyond))


def _grid(size: npt.ArrayLike, tails: tuple[float, ...]) -> tuple[Floats, Floats]:
    sizes = np.atleast_1d(np.asarray(size, dtype=np.float64))
    if sizes.ndim != 1 or not np.all(np.isfinite(sizes) & (sizes > 0)):
        raise ValueError(f"every unit's size must be a number above 0, not {size!r}")
    wanted = np.asarray(tails, dtype=np.float64)
    if wanted.ndim != 1 or not np.all((wanted > 0) & (wanted < 1)):
        raise ValueError(f"tails must lie between 0 and 1, not {tails!r}")
    return np.broadcast_to(sizes[:, None], (len(sizes), len(wanted))), wanted[None, :]


def _interpolate(at_most: Callable[[Floats], Floats], start: Floats, tail: Floats) -> Floats:
    """Find the smallest count reaching the tail, and interpolate (r - a) in the mass at r."""
    count = np.broadcast_arrays(start, tail)[0].copy()
    while np.any(too_high := (count > 0) & (at_most(count - 1) >= tail)):
        count[too_high] -= 1
    while np.any(too_low := at_most(count) < tail):
        count[too_low] += 1
    reached, before = at_most(count), at_most(count - 1)
    return count - (reached - tail) / (reached - before)


def _invert_by_bisection(
    at_most: Callable[[Floats], Floats], highest: Floats, tail: Floats
) -> Floats:
    """Solve F(count) = tail for a count above -1 that need not be whole."""
    low = np.full(np.broadcast_shapes(highest.shape, tail.shape), -1.0)
    high = np.broadcast_to(highest, low.shape).astype(np.float64)
    for _ in range(80):
        middle = (low + high) / 2
        is_below = at_most(middle) < tail
        low, high = np.where(is_below, middle, low), np.where(is_below, high, middle)
    return (low + high) / 2
