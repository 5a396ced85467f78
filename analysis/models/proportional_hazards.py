"""Test of proportional hazards: today's form, a score test (Therneau & Grambsch 2000, §6.2).

Each column is given a coefficient that changes with time as β + θ·(g(t) − ḡ), and θ = 0 is tested
by the score test with the full information of β and θ. This is what R's ``cox.zph`` does since
survival 3.0; the older approximation, which assumes that the covariates' variance does not change
over time, is still what many programs print and can be far off under stratification.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from analysis.models.cox import CoxData, CoxFit
from analysis.models.risk_sets import risk_sets, weighted_information
from registry.errors import RefusedEstimateError

Array = NDArray[np.float64]

TRANSFORMS = ("km", "rank", "identity", "log")
GLOBAL = "GLOBAL"


@dataclass(frozen=True, slots=True)
class ProportionalHazardsTest:
    """Score test of one column, or of all (``GLOBAL``)."""

    term: str
    statistic: float
    df: int
    p: float


def proportional_hazards_tests(
    fit: CoxFit, *, transform: str = "km", columns: Sequence[str] | None = None
) -> tuple[ProportionalHazardsTest, ...]:
    """Test whether each hazard ratio is constant in time.

    Parameters
    ----------
    fit
        From :func:`analysis.models.cox.cox`.
    transform
        g(t): ``"km"`` is 1 − S(t−) of all rows together (left-continuous, strata ignored),
        ``"rank"`` the rank among all rows' times, ``"identity"``, ``"log"``.
    columns
        For each term the table column that it comes from: the indicator terms of a text column, or
        the terms of a spline, are tested together with as many degrees of freedom. Default: each
        term alone.

    Returns
    -------
    tuple of ProportionalHazardsTest
        One a column in order, then ``GLOBAL``.

    Raises
    ------
    RefusedEstimateError
        When events fall at one time, or at too few for so many columns.

    Examples
    --------
    >>> from analysis.models.cox import cox
    >>> time = np.arange(1.0, 9.0)
    >>> fit = cox(np.array([[9.], [7.], [8.], [4.], [6.], [3.], [5.], [1.]]), time, time < 7)
    >>> [(t.term, t.df, round(t.statistic, 4)) for t in proportional_hazards_tests(fit)]
    [('x0', 1, 1.4371), ('GLOBAL', 1, 1.4371)]
    """
    data, point = fit.data, fit.point
    moment = _event_transform(data, transform)
    moment = moment - moment.mean()
    if np.ptp(moment) <= 1e-12:
        raise RefusedEstimateError(
            "All events fall at one time, so that proportional hazards cannot be tested."
        )
    residual = data.matrix[data.sets.event_rows] - point.mean
    score = moment @ residual
    plain = point.information
    crossed = weighted_information(data.sets, data.matrix, point, moment)
    squared = weighted_information(data.sets, data.matrix, point, moment**2)
    left = squared - crossed @ np.linalg.solve(plain, crossed)
    names = tuple(columns) if columns is not None else data.terms
    wanted = dict.fromkeys(names)
    if np.linalg.cond(left) > 1e14:
        raise RefusedEstimateError(
            "The events are at too few times for a test of proportional hazards of every column."
        )
    tests = [
        _score_test(name, score, plain, crossed, squared, np.flatnonzero(np.array(names) == name))
        for name in wanted
    ]
    statistic = float(score @ np.linalg.solve(left, score))
    df = len(score)
    return (*tests, ProportionalHazardsTest(GLOBAL, statistic, df, float(chi2.sf(statistic, df))))


def _score_test(
    name: str, score: Array, plain: Array, crossed: Array, squared: Array, own: NDArray[np.int64]
) -> ProportionalHazardsTest:
    """Score test of the θ of one column, every β being estimated."""
    part = crossed[own]
    left = squared[np.ix_(own, own)] - part @ np.linalg.solve(plain, part.T)
    statistic = float(score[own] @ np.linalg.solve(left, score[own]))
    return ProportionalHazardsTest(name, statistic, len(own), float(chi2.sf(statistic, len(own))))


def _event_transform(data: CoxData, transform: str) -> Array:
    """g at each event, shape (E,)."""
    times = data.time[data.sets.event_rows]
    if transform == "km":
        return _failed_before(data, times)
    if transform == "rank":
        from scipy.stats import rankdata

        return np.asarray(rankdata(data.time), dtype=float)[data.sets.event_rows]
    if transform == "identity":
        return times
    if transform == "log":
        if np.any(times <= 0):
            raise ValueError("the log transform needs event times above 0")
        return np.log(times)
    raise ValueError(f"transform must be one of {', '.join(TRANSFORMS)}, not {transform!r}")


def _failed_before(data: CoxData, times: Array) -> Array:
    """1 − S(t−), Kaplan–Meier over all rows with their delayed entry."""
    sets = risk_sets(data.time, data.event, entry=data.entry)
    step = 1.0 - np.bincount(sets.event_time) / sets.at_risk_sums(np.ones(len(data.time)))
    survival = np.concatenate(([1.0], np.cumprod(step)))
    failed: Array = 1.0 - survival[np.searchsorted(sets.times, times, side="left")]
    return failed
