"""Score test of groups of interval-censored times under proportional hazards.

The permutation form (:func:`analysis.estimators.interval_censored.interval_censored_log_rank`)
asks that
examinations are timed alike in all groups; the score form asks instead that there are few distinct
ends beside the number of patients, since every step of the common curve is a parameter.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

from analysis.estimators.constrained_newton import maximise_masses
from analysis.estimators.innermost_intervals import (
    Floats,
    find_grouped_intervals,
)
from analysis.estimators.interval_censored import IntervalLogRank
from registry.errors import RefusedEstimateError


def interval_censored_score_test(
    lower: npt.ArrayLike, upper: npt.ArrayLike, group: npt.ArrayLike
) -> IntervalLogRank:
    """Compare groups by the efficient score (Finkelstein 1986, Biometrics 42:845–854).

    S(t | z) = S₀(t)^exp(zβ), with ln(−ln S₀) free at every step of the pooled estimate; the score
    of β at 0 is set against its observed information less what the steps take away.

    Parameters
    ----------
    lower, upper
        As in :func:`analysis.estimators.interval_censored.npmle`.
    group
        Group of each observation, at least two different; any labels.

    Returns
    -------
    IntervalLogRank
        Named ``interval-censored score test``; ``score`` sums to 0 over the groups.

    Raises
    ------
    RefusedEstimateError
        When all observations are in one group, nobody had the event, or the information is not
        positive.

    Examples
    --------
    >>> inf = float("inf")
    >>> low, high = [0, 0, 1, 2, 2, 1, 0, 2], [1, 2, 2, inf, inf, 2, 1, inf]
    >>> test = interval_censored_score_test(low, high, list("ababbaab"))
    >>> test.df, round(test.z, 3), round(test.p, 3)
    (1, -2.414, 0.016)
    """
    inner, names, member = find_grouped_intervals(lower, upper, group)
    fit = maximise_masses(inner.first, inner.stop, inner.weight, len(inner.lower))
    kept = fit.mass > 0
    if kept.sum() < 2:
        raise RefusedEstimateError("The pooled curve has no step, so there is nothing to test.")
    place = np.concatenate([[0], np.cumsum(kept)])
    ends = np.stack([place[inner.first], place[inner.stop]])[:, inner.pattern]
    survival = np.append(np.cumsum(fit.mass[kept][::-1])[::-1], 0.0)
    survival[0] = 1.0
    score, information = _derivatives(survival, ends, member, len(names))
    variance = _efficient(information, len(survival) - 2)
    total = np.bincount(member, score, minlength=len(names))
    statistic = float(total[1:] @ np.linalg.solve(variance, total[1:]))
    df = len(names) - 1
    return IntervalLogRank(
        name="interval-censored score test",
        scores="finkelstein",
        groups=names,
        score=tuple(total.tolist()),
        statistic=statistic,
        df=df,
        p=float(special.chdtrc(df, statistic)),
        z=float(np.copysign(np.sqrt(statistic), total[1])) if df == 1 else np.nan,
    )


def _derivatives(
    survival: Floats, ends: npt.NDArray[np.intp], member: npt.NDArray[np.intp], groups: int
) -> tuple[Floats, Floats]:
    """Each row's score of its own log hazard, (n,), and the information of steps and groups.

    Parameters
    ----------
    survival
        Shape (K + 1,): 1, the levels after each step, 0.
    ends
        Shape (2, n): place in ``survival`` of both ends of each interval.
    member
        Shape (n,): group from 0; the first is the reference.
    groups
        Number of groups; the information has shape (K − 1 + groups − 1, same).
    """
    steps = len(survival) - 2
    hazard = np.zeros(len(survival))
    hazard[1:-1] = -np.log(survival[1:-1])
    slope = -survival * hazard
    bend = survival * (hazard**2 - hazard)
    mass = survival[ends[0]] - survival[ends[1]]
    first = slope[ends] / mass * np.array([[1.0], [-1.0]])
    second = bend[ends] / mass * np.array([[1.0], [-1.0]])
    size = steps + groups - 1
    design = np.zeros((2, len(member), size))
    rows = np.arange(len(member))
    for end in (0, 1):
        inside = (ends[end] > 0) & (ends[end] <= steps)
        design[end, rows[inside], ends[end][inside] - 1] = 1.0
        in_group = inside & (member > 0)
        design[end, rows[in_group], steps + member[in_group] - 1] = 1.0
    score = np.einsum("en,enp->np", first, design)
    curvature = np.einsum("en,enp,enq->pq", second, design, design)
    return first.sum(axis=0), score.T @ score - curvature


def _efficient(information: Floats, steps: int) -> Floats:
    """Information on the groups less what the steps of the curve take away."""
    cross = information[:steps, steps:]
    taken = cross.T @ np.linalg.lstsq(information[:steps, :steps], cross)[0]
    left: Floats = information[steps:, steps:] - taken
    if np.linalg.eigvalsh(left).min() <= 1e-10:
        raise RefusedEstimateError("The data hold no information on a difference between groups.")
    return left
