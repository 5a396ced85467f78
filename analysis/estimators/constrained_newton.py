"""Masses of a nonparametric estimate by constrained Newton steps.

Maximises the sum of weight_i log(P_i) over non-negative masses that sum to 1, where P_i is the mass
of a run of neighbouring intervals. Every step adds the places between two supporting ones where the
gradient is largest, solves the second-order model over them with non-negative masses, drops what
falls to 0 and searches along the way (Wang, Comput Stat Data Anal 2008;52:2388; the subproblem by
support reduction, Groeneboom, Jongbloed, Wellner, Scand J Stat 2008;35:385). Because observations
cover runs, the gradient is a cumulative sum, and in the cumulative masses the Hessian is a graph's:
a band for visits with limited gaps, two diagonals for exact times. No dense matrix is factored, so
many small threaded calls, which stall on a busy machine, are avoided.

The largest gradient bounds how far the log-likelihood is from its maximum; the search stops there,
not where the steps become small.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import lapack

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.intp]

_MOST_STEPS = 500
# Once the gap is small, this many steps that do not halve it show that rounding holds it there.
_SMALL_GAP, _MOST_IDLE_STEPS = 1e-6, 5
# Below this share of the log-likelihood a change cannot be told from rounding.
_ROUNDING = 1e-13


@dataclass(frozen=True, slots=True)
class Masses:
    """Masses, the log-likelihood, and the most by which it can be below the maximum (``gap``)."""

    mass: Floats
    log_likelihood: float
    gap: float
    steps: int


def maximise_masses(
    first: Integers, stop: Integers, weight: Floats, places: int, tolerance: float = 1e-9
) -> Masses:
    """Find the masses of greatest likelihood.

    Parameters
    ----------
    first, stop
        Pattern i covers the places from ``first[i]`` up to but not including ``stop[i]``.
    weight
        Weight of each pattern, above 0.
    places
        How many places there are.
    tolerance
        Wanted gap in log-likelihood; one more step is taken after it is reached. Rounding can end
        the search above it; ``gap`` says where.

    Returns
    -------
    Masses
        Masses of shape (places,), zero off the support.

    Examples
    --------
    >>> import numpy as np
    >>> fit = maximise_masses(np.array([0, 0]), np.array([1, 2]), np.array([1.0, 3.0]), 2)
    >>> fit.mass.tolist(), round(fit.gap, 9)
    ([1.0, 0.0], 0.0)
    """
    mass = _start(first, stop, places)
    best, idle = Masses(mass, -np.inf, np.inf, 0), 0
    for step in range(_MOST_STEPS):
        log_likelihood, gap, gradient = _measure(mass, first, stop, weight)
        is_polished = best.gap <= tolerance
        is_idle = best.gap < _SMALL_GAP and gap > best.gap / 2
        idle = idle + 1 if is_idle else 0
        if gap < best.gap:
            best = Masses(mass, log_likelihood, max(gap, 0.0), step)
        if is_polished or gap <= 0 or idle > _MOST_IDLE_STEPS:
            break
        support = _extend_support(mass, gradient, tolerance)
        moved = _step(mass, support, first, stop, weight)
        if moved is None:
            break
        mass = moved
    return best


def _probability(mass: Floats, first: Integers, stop: Integers) -> Floats:
    reached = np.concatenate([[0.0], np.cumsum(mass)])
    return np.asarray(reached[stop] - reached[first], np.float64)


def _measure(
    mass: Floats, first: Integers, stop: Integers, weight: Floats
) -> tuple[float, float, Floats]:
    """Give the log-likelihood, the largest gradient and the gradient at every place."""
    probability = _probability(mass, first, stop)
    share = weight / probability
    ends = len(mass) + 1
    change = np.bincount(first, share, ends) - np.bincount(stop, share, ends)
    gradient = np.cumsum(change)[:-1] - weight.sum()
    return float(weight @ np.log(probability)), float(gradient.max()), gradient


def _start(first: Integers, stop: Integers, places: int) -> Floats:
    """Put equal masses on a smallest set of places that every pattern covers."""
    chosen: list[int] = []
    latest = -1
    order = np.argsort(stop, kind="stable")
    for begin, end in zip(first[order].tolist(), stop[order].tolist(), strict=True):
        if begin > latest:
            latest = end - 1
            chosen.append(latest)
    mass = np.zeros(places)
    mass[chosen] = 1 / len(chosen)
    return mass


def _extend_support(mass: Floats, gradient: Floats, tolerance: float) -> Integers:
    """Add to the support the steepest place between each two neighbours, where it would help."""
    support = np.flatnonzero(mass)
    bounds = np.concatenate([[0], support + 1])
    bounds = np.unique(bounds[bounds < len(mass)])
    highest = np.maximum.reduceat(gradient, bounds)
    owner = np.repeat(highest, np.diff(np.append(bounds, len(mass))))
    added = np.flatnonzero((gradient >= owner) & (gradient > tolerance / 2))
    return np.union1d(support, added)


def _step(
    mass: Floats, support: Integers, first: Integers, stop: Integers, weight: Floats
) -> Floats | None:
    """Take one constrained Newton step; None when rounding leaves nothing to gain."""
    now = mass[support]
    begin, end = np.searchsorted(support, first), np.searchsorted(support, stop)
    probability = _probability(now, begin, end)
    direction = _aim(now, begin, end, weight / probability, probability) - now
    slope = float((weight / probability) @ _probability(direction, begin, end))
    before = float(weight @ np.log(probability))
    rounding = _ROUNDING * (abs(before) + float(weight.sum()))
    if not slope > -rounding:
        return None
    length = 1.0
    while length > 1e-10:
        then = now + length * direction
        reached = _probability(then, begin, end)
        if reached.min() > 0:
            after = float(weight @ np.log(reached))
            if after >= before + length * slope / 3 - rounding:
                moved = np.zeros_like(mass)
                moved[support] = then / then.sum()
                return moved
        length /= 2
    return None


def _aim(
    start: Floats, begin: Integers, end: Integers, pull: Floats, probability: Floats
) -> Floats:
    """Improve the second-order model over masses >= 0 that sum to 1.

    The model asks every pattern's mass to come near twice its present ``probability``, with weight
    ``pull / probability``. All masses that would fall below 0 are dropped at once; where that does
    not improve the model they are dropped one by one on the way.
    """
    quick = np.zeros_like(start)
    active = np.ones(len(start), dtype=np.bool_)
    while True:
        node = np.concatenate([[0], np.cumsum(active)])
        aim = _solve_nodes(node[begin], node[end], pull, probability, int(node[-1]))
        if aim.min() > 0:
            break
        active[active] = aim > 0
    quick[active] = aim

    def misfit(mass: Floats) -> float:
        miss = _probability(mass, begin, end) - 2 * probability
        return float((pull / probability) @ miss**2)

    if misfit(quick) < misfit(start):
        return quick
    return _drop_one_by_one(start, begin, end, pull, probability)


def _drop_one_by_one(
    start: Floats, begin: Integers, end: Integers, pull: Floats, probability: Floats
) -> Floats:
    """Go towards the model's best until the first mass reaches 0, drop it, and aim again."""
    now, active = start.copy(), np.ones(len(start), dtype=np.bool_)
    while active.any():
        node = np.concatenate([[0], np.cumsum(active)])
        aim = _solve_nodes(node[begin], node[end], pull, probability, int(node[-1]))
        here = now[active]
        if aim.min() > 0:
            now[active] = aim
            break
        is_down = aim <= 0
        reach = float(np.min(here[is_down] / (here[is_down] - aim[is_down] + 1e-300)))
        here = here + reach * (aim - here)
        leaves = is_down & (here <= 1e-15)
        leaves[is_down] |= here[is_down] == here[is_down].min()
        now[active] = np.where(leaves, 0.0, np.maximum(here, 0.0))
        active[active] = ~leaves
    return now


def _solve_nodes(
    begin: Integers, end: Integers, pull: Floats, probability: Floats, size: int
) -> Floats:
    """Minimise sum pull/probability (mass of the run - 2 probability)^2 over masses that sum to 1.

    In the cumulative masses C_0 = 0, ..., C_size = 1 a pattern is an edge between two nodes, and
    the equations are those of a weighted graph whose two end nodes are held: right-censored
    patterns end there, so the matrix is banded as wide as the longest bounded interval.
    """
    if size == 1:
        return np.ones(1)
    stiffness = pull / probability
    diagonal = np.bincount(begin, stiffness, size + 1) + np.bincount(end, stiffness, size + 1)
    right = np.zeros(size + 1)
    right += 2 * (np.bincount(end, pull, size + 1) - np.bincount(begin, pull, size + 1))
    right += np.bincount(begin, np.where(end == size, stiffness, 0.0), size + 1)
    is_empty = begin == end
    diagonal -= 2 * np.bincount(begin, np.where(is_empty, stiffness, 0.0), size + 1)
    inner = (begin > 0) & (end < size) & ~is_empty
    reach = (end - begin)[inner]
    width = int(reach.max()) if len(reach) else 0
    place = reach * (size - 1) + begin[inner] - 1
    band = np.zeros((width + 1, size - 1))
    band -= np.bincount(place, stiffness[inner], band.size).reshape(band.shape)
    band[0] = np.maximum(diagonal[1:-1], 0.0)
    inside = _solve_band(band, right[1:-1])
    return np.diff(np.concatenate([[0.0], inside, [1.0]]))


def _solve_band(band: Floats, right: Floats) -> Floats:
    """Solve by banded Cholesky, with the least ridge that lets it through.

    The lower form is used because its inner updates run over neighbouring memory, which the
    linear algebra library does at once instead of waking threads for.
    """
    ridge, scale = 0.0, float(band[0].max())
    while True:
        lifted = band.copy()
        lifted[0] += ridge
        _, solution, info = lapack.dpbsv(lifted, right, lower=1)
        if info == 0:
            return np.asarray(solution, np.float64)
        ridge = 10 * ridge if ridge else 1e-13 * scale
