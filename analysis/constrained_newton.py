"""Masses of a nonparametric estimate by constrained Newton steps.

Maximises the sum of weight_i log(P_i) over non-negative masses that sum to 1, where P_i is the mass
of a run of neighbouring intervals. Every step adds the places between two supporting ones where the
gradient is largest, solves the second-order model over them with non-negative masses, drops what
falls to 0 and searches along the way (Wang, Comput Stat Data Anal 2008;52:2388; the subproblem by
support reduction, Groeneboom, Jongbloed, Wellner, Scand J Stat 2008;35:385). Because observations
cover runs, gradient and Hessian are cumulative sums and cost no more than the observations.

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
        Wanted gap in log-likelihood. Rounding can end the search above it; ``gap`` says where.

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
    best = Masses(mass, *_measure(mass, first, stop, weight)[:2], 0)
    for step in range(1, _MOST_STEPS + 1):
        log_likelihood, gap, gradient = _measure(mass, first, stop, weight)
        if step == 1 or gap < best.gap:
            best = Masses(mass, log_likelihood, max(gap, 0.0), step - 1)
        if gap <= tolerance:
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
    total = weight.sum()
    size = len(support)
    share = weight / probability
    change = np.bincount(begin, share, size + 1) - np.bincount(end, share, size + 1)
    pull = np.cumsum(change)[:-1]
    curvature = _curvature(begin, end, share / probability, size)
    aim = _solve_non_negative(curvature, 2 * pull - total, now)
    direction = aim - now
    slope = float((pull - total) @ direction)
    if not slope > 0:
        return None
    before = float(weight @ np.log(probability)) - total * now.sum()
    length = 1.0
    while length > 1e-10:
        then = now + length * direction
        reached = _probability(then, begin, end)
        if reached.min() > 0:
            after = float(weight @ np.log(reached)) - total * then.sum()
            if after >= before + length * slope / 3 - 1e-13 * abs(before):
                moved = np.zeros_like(mass)
                moved[support] = then / then.sum()
                return moved
        length /= 2
    return None


def _curvature(begin: Integers, end: Integers, share: Floats, size: int) -> Floats:
    """Minus the Hessian: entry (j, k) sums ``share`` over the patterns that cover both j and k."""
    corner = np.bincount(begin * (size + 1) + end, share, (size + 1) ** 2)
    corner = corner.reshape(size + 1, size + 1)
    covered = corner.cumsum(axis=0)[:, ::-1].cumsum(axis=1)[:, ::-1]
    upper = np.triu(covered[:size, 1:])
    return np.asarray(upper + np.triu(upper, 1).T, np.float64)


def _solve_non_negative(curvature: Floats, pull: Floats, start: Floats) -> Floats:
    """Improve q'pull - q'Hq/2 over q >= 0: full Newton aim, back to the boundary, drop, again."""
    now, active = start.copy(), np.arange(len(start))
    while len(active):
        aim = _solve_positive(curvature[np.ix_(active, active)], pull[active])
        if aim.min() > 0:
            now[active] = aim
            break
        here = now[active]
        is_down = aim <= 0
        reach = float(np.min(here[is_down] / (here[is_down] - aim[is_down] + 1e-300)))
        here = here + reach * (aim - here)
        leaves = is_down & (here <= 1e-15)
        leaves[is_down] |= here[is_down] == here[is_down].min()
        now[active] = np.where(leaves, 0.0, np.maximum(here, 0.0))
        active = active[~leaves]
    return now


def _solve_positive(matrix: Floats, right: Floats) -> Floats:
    """Solve by Cholesky, with the least ridge that lets it through."""
    ridge = 0.0
    scale = matrix.diagonal().max()
    while True:
        lifted = matrix if ridge == 0 else matrix + ridge * np.eye(len(matrix))
        _, solution, info = lapack.dposv(lifted, right)
        if info == 0:
            return np.asarray(solution, dtype=np.float64)
        ridge = 10 * ridge if ridge else 1e-13 * scale
