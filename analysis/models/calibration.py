"""Calibration of a Cox model at a horizon: predicted against observed risk, optimism taken off.

People are grouped by predicted risk; the observed risk of a group is one less its Kaplan–Meier
estimate at the horizon. In the rows that made the model the two agree too well: the bootstrap
refits the model, measures the gap of each group in the resampled and in the original rows, and
takes the mean difference off (Harrell 1996, Stat Med 15:361–387; groups with limits fixed by the
whole model, as ``rms::calibrate`` does). The limits of an observed risk move with it.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.estimators.observations import RightCensored
from analysis.estimators.survival import kaplan_meier
from analysis.models.discrimination import cox_coefficients, linear_predictor
from analysis.models.optimism import ENOUGH, draw_samples
from registry.errors import MendableError, RefusedEstimateError

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

MOST_GROUPS = 5
#: Events by the horizon that a group should have.
EVENTS_PER_GROUP = 10


@dataclass(frozen=True, slots=True)
class CalibrationGroup:
    """People whose predicted risk lies between two limits.

    Attributes
    ----------
    n, events, at_risk
        People, events by the horizon, and people at risk just before it.
    predicted
        Mean predicted risk.
    observed, lower, upper
        One less Kaplan–Meier, with beta product limits.
    optimism
        Mean optimism of observed − predicted; NaN without resampling.
    corrected_lower, corrected_upper
        Limits of ``corrected``: those of ``observed``, moved by the optimism and kept within 0 and
        1; NaN without resampling.
    """

    n: int
    events: int
    predicted: float
    observed: float
    lower: float
    upper: float
    optimism: float
    at_risk: int

    @property
    def corrected(self) -> float:
        """Observed risk less optimism, within 0 and 1: what new such people would show."""
        return float(np.clip(self.observed - self.optimism, 0.0, 1.0))

    @property
    def corrected_lower(self) -> float:
        """Lower limit of ``corrected``."""
        return float(np.clip(self.lower - self.optimism, 0.0, 1.0))

    @property
    def corrected_upper(self) -> float:
        """Upper limit of ``corrected``."""
        return float(np.clip(self.upper - self.optimism, 0.0, 1.0))


def risk_at(
    matrix: Array, time: Array, event: BoolArray, coef: Array, horizon: float, at: Array
) -> Array:
    """Predicted risk by a horizon at covariates ``at`` (shape (m, p)), Breslow's baseline.

    >>> x, time = np.zeros((4, 1)), np.array([1., 2., 3., 4.])
    >>> risk_at(x, time, time < 3, np.zeros(1), 3.5, x[:1]).round(4)  # 1 - exp(-(1/4 + 1/3))
    array([0.442])
    """
    middle = matrix.mean(axis=0)
    weight = np.exp(linear_predictor(matrix - middle, coef))
    order = np.argsort(time, kind="stable")
    beyond = np.concatenate((np.cumsum(weight[order][::-1])[::-1], [0.0]))
    failed = time[event & (time <= horizon)]
    hazard = float(np.sum(1.0 / beyond[np.searchsorted(time[order], failed, side="left")]))
    risk: Array = -np.expm1(-hazard * np.exp(linear_predictor(at - middle, coef)))
    return risk


def failed_by(time: Array, event: BoolArray, horizon: float) -> float:
    """One less Kaplan–Meier at a horizon; NaN where nobody is followed so far.

    >>> failed_by(np.array([1., 2., 3., 9.]), np.array([True, False, True, False]), 5.0)
    0.625
    """
    if not len(time) or (time.max() < horizon and not event[time == time.max()].all()):
        return float("nan")
    levels, counts = np.unique(time[event & (time <= horizon)], return_counts=True)
    at_risk = len(time) - np.searchsorted(np.sort(time), levels, side="left")
    return 1.0 - float(np.prod(1.0 - counts / at_risk))


def calibrate_cox(
    matrix: Array,
    time: Array,
    event: BoolArray,
    horizon: float,
    *,
    groups: int | None = None,
    penalised: bool = False,
    ties: str | None = None,
    cluster: NDArray[np.generic] | None = None,
    level: float = 0.95,
    resamples: int = 200,
    rng: np.random.Generator,
) -> tuple[CalibrationGroup, ...]:
    """Compare predicted with observed risk at a horizon.

    Parameters
    ----------
    matrix, time, event, penalised, ties, cluster
        As for :func:`analysis.models.discrimination.validate_cox`; competing events censor.
    horizon
        In the unit of ``time``.
    groups
        By quantiles of predicted risk; default up to five with ten events each. Where fewer risks
        differ there are fewer groups.
    level
        Of the observed risks' limits.
    resamples, rng
        Bootstrap samples of rows, and the source of randomness.

    Returns
    -------
    tuple of CalibrationGroup
        From low to high predicted risk.

    Raises
    ------
    RefusedEstimateError
        The model is refused; a group is not followed to the horizon; under four fifths of the
        samples could be fitted.
    """
    early = int(np.sum(event & (time <= horizon)))
    count = groups or int(np.clip(early // EVENTS_PER_GROUP, 1, MOST_GROUPS))
    coef = cox_coefficients(matrix, time, event, penalised=penalised, ties=ties)
    risk = risk_at(matrix, time, event, coef, horizon, matrix)
    inner = group_limits(risk, count)
    place = np.searchsorted(inner, risk, side="left")
    gaps = []
    for rows in draw_samples(len(time), cluster, resamples, rng):
        try:
            again = cox_coefficients(
                matrix[rows], time[rows], event[rows], penalised=penalised, ties=ties
            )
        except MendableError:
            continue
        sample = matrix[rows], time[rows], event[rows]
        there = risk_at(*sample, again, horizon, matrix)
        gaps.append(
            _gaps(there[rows], time[rows], event[rows], inner, horizon)
            - _gaps(there, time, event, inner, horizon)
        )
    if len(gaps) < ENOUGH * resamples:
        raise RefusedEstimateError(
            f"Only {len(gaps)} of {resamples} bootstrap samples could be fitted (too few events):"
            " the optimism of the calibration is not estimable.",
            fitted=len(gaps),
        )
    with warnings.catch_warnings():  # a group that no sample filled has no mean
        warnings.simplefilter("ignore", RuntimeWarning)
        optimism = np.nanmean(gaps, axis=0) if gaps else np.full(len(inner) + 1, np.nan)
    return tuple(
        _group(risk[place == k], time[place == k], event[place == k], horizon, level, optimism[k])
        for k in range(len(inner) + 1)
    )


def group_limits(risk: Array, count: int) -> Array:
    """Limits between groups: quantiles, each moved midway between the risks on its two sides.

    A limit at a risk that many share would put all of them into the next group in every sample that
    predicts a little more for them.

    >>> group_limits(np.array([0.1, 0.1, 0.3, 0.3, 0.3]), 5)  # two risks, two groups
    array([0.2])
    """
    known = np.unique(risk)
    above = np.searchsorted(known, np.quantile(risk, np.arange(1, count) / count), side="right")
    above = np.unique(above[above < len(known)])
    return np.asarray((known[above - 1] + known[above]) / 2)


def _gaps(risk: Array, time: Array, event: BoolArray, inner: Array, horizon: float) -> Array:
    """Observed less predicted risk of each group; NaN where it is empty or not followed."""
    place = np.searchsorted(inner, risk, side="left")
    found = np.full(len(inner) + 1, np.nan)
    for k in np.unique(place):
        own = place == k
        found[k] = failed_by(time[own], event[own], horizon) - float(risk[own].mean())
    return found


def _group(
    risk: Array, time: Array, event: BoolArray, horizon: float, level: float, optimism: float
) -> CalibrationGroup:
    if np.isnan(failed_by(time, event, horizon)):
        raise RefusedEstimateError(
            f"Nobody with a predicted risk of {risk.min():.3f} to {risk.max():.3f} is followed to"
            f" {horizon:g}, so nothing observed stands beside the prediction there. Choose an"
            " earlier horizon.",
            horizon=horizon,
        )
    curve = kaplan_meier(
        RightCensored.of(time, event.astype(np.int64)), interval="beta-product", level=level
    )
    at = curve.at([min(horizon, float(time.max()))])
    return CalibrationGroup(
        n=len(time),
        events=int(np.sum(event & (time <= horizon))),
        predicted=float(risk.mean()),
        observed=1.0 - float(at.estimate[0]),
        lower=1.0 - float(at.upper[0]),
        upper=1.0 - float(at.lower[0]),
        optimism=float(optimism),
        at_risk=int(at.at_risk[0]),
    )
