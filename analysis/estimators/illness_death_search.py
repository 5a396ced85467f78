"""Search for the greatest likelihood of an illness-death model on stated knots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from analysis.estimators.illness_death_paths import Expected, Floats, Paths, expect_events

LARGEST_GRADIENT = 1e-3
"""Slope in a log intensity, in events, at which the search counts as ended."""

# Log intensities stay within this distance of the crude rate; lower is zero in all but name.
_REACH = 18.0
_EM_STEPS = 8

Tied = list[tuple[Floats, slice]]
"""For every transition: its parameters over the pieces (0 or 1), and their place in the vector."""


@dataclass(frozen=True, slots=True)
class Found:
    """Intensities at the end of a search; ``gradient`` is the largest slope there, in events."""

    log_rate: Floats
    rate: Floats
    log_likelihood: float
    gradient: float
    iterations: int


def lay_grid(knots: Sequence[Sequence[float]]) -> Floats:
    """Starts of the pieces on which the intensities of all transitions are constant."""
    inner = [knot for own in knots for knot in own]
    return np.unique(np.array([0.0, *inner]))


def tie_pieces(knots: Sequence[Sequence[float]], grid: Floats) -> Tied:
    """For every transition: which piece of the grid belongs to which of its parameters."""
    tied, begin = [], 0
    for own in knots:
        owner = np.searchsorted(np.asarray(own, np.float64), grid, side="right")
        count = len(own) + 1
        tied.append((np.eye(count)[:, owner], slice(begin, begin + count)))
        begin += count
    return tied


def spread_on_grid(rate: Floats, tied: Tied) -> list[Floats]:
    """Give the intensity of every transition on every piece of the grid."""
    return [member.T @ rate[part] for member, part in tied]


def _collect(expected: Expected, tied: Tied) -> tuple[Floats, Floats]:
    """Sum expected events and time at risk over the grid pieces of each parameter."""
    events = np.concatenate([tied[i][0] @ expected.events[i] for i in range(3)])
    at_risk = np.concatenate([tied[i][0] @ expected.time_at_risk[i] for i in range(3)])
    return events, at_risk


def expect_parameters(paths: Paths, tied: Tied, rate: Floats) -> tuple[float, Floats, Floats]:
    """Log-likelihood, and expected events and time at risk of every intensity, each (p,)."""
    expected = expect_events(paths, *spread_on_grid(rate, tied))
    return expected.log_likelihood, *_collect(expected, tied)


def maximise(paths: Paths, tied: Tied, start: Floats | None = None) -> Found:
    """Climb by a few EM steps, then L-BFGS on the log intensities that any event can inform."""
    total = float(paths.weight @ paths.vital_time)
    count = tied[-1][1].stop
    crude = (float(paths.weight.sum()) / max(total, 1e-300)) * np.ones(count)
    if not (paths.loss_seen @ paths.weight > 0):
        # Unseen losses alone cannot tell loss from death: no loss is the convention, and is noted.
        crude[tied[0][1]] = crude[tied[2][1]] = 0.0
    rate = crude if start is None else np.where((start > 0) & (crude > 0), start, crude)
    for _ in range(_EM_STEPS if start is None else 2):
        _, events, at_risk = expect_parameters(paths, tied, rate)
        unbounded = np.where(events > 0, crude * np.exp(_REACH), 0.0)
        rate = np.divide(events, at_risk, out=unbounded, where=at_risk > 0)
    is_free = rate > crude * np.exp(-_REACH)
    rate = np.where(is_free, rate, 0.0)
    if not is_free.any():
        return Found(np.full(count, -np.inf), rate, expect_parameters(paths, tied, rate)[0], 0.0, 0)

    def objective(log_rate: Floats) -> tuple[float, Floats]:
        trial = np.zeros(count)
        trial[is_free] = np.exp(log_rate)
        log_likelihood, events, at_risk = expect_parameters(paths, tied, trial)
        return -log_likelihood, (trial * at_risk - events)[is_free]

    floor = np.log(crude[is_free]) - _REACH
    found = minimize(
        objective,
        np.log(rate[is_free]),
        jac=True,
        method="L-BFGS-B",
        bounds=[(low, low + 2 * _REACH) for low in floor],
        options={"maxiter": 500, "maxcor": 20, "ftol": 1e-13, "gtol": 1e-6},
    )
    slope = np.where(found.x <= floor + 1e-9, np.minimum(found.jac, 0.0), found.jac)
    log_rate = np.full(count, -np.inf)
    log_rate[is_free] = np.where(found.x <= floor + 1e-9, -np.inf, found.x)
    return Found(
        log_rate, np.exp(log_rate), -float(found.fun), float(np.abs(slope).max()), int(found.nit)
    )


def invert_information(paths: Paths, tied: Tied, rate: Floats) -> Floats | None:
    """Inverse information in the log intensities, from differences of the gradient.

    None where an intensity is 0 or the information is not positive: there is no quadratic to use.
    """
    if not np.all(rate > 0):
        return None
    columns = []
    for j in range(len(rate)):
        slopes = []
        for sign in (1.0, -1.0):
            moved = rate * np.exp(sign * 1e-4 * (np.arange(len(rate)) == j))
            _, events, at_risk = expect_parameters(paths, tied, moved)
            slopes.append(events - moved * at_risk)
        columns.append((slopes[1] - slopes[0]) / 2e-4)
    information = (np.array(columns) + np.array(columns).T) / 2
    if np.linalg.eigvalsh(information)[0] <= 0:
        return None
    return np.asarray(np.linalg.inv(information), np.float64)
