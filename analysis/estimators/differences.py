"""Differences between two groups at a time fixed beforehand: survival, incidence, means."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from analysis.estimators.curves import AtTimes
from analysis.estimators.incidence_curves import Cause
from analysis.estimators.intervals import combine_limits, normal_quantile
from analysis.estimators.survival import KaplanMeier


@dataclass(frozen=True, slots=True)
class Difference:
    """First minus second, with standard error, limits and a two-sided Wald p value.

    NaN where either does not exist; p is NaN where the standard error is 0.
    """

    value: float
    se: float
    lower: float
    upper: float
    p: float


def _difference(value: float, se: float, limits: tuple[float, float]) -> Difference:
    p = float(2 * ndtr(-abs(value) / se)) if se > 0 else float("nan")
    return Difference(value, se, *limits, p)


def survival_difference(first: KaplanMeier, second: KaplanMeier, time: float) -> Difference:
    """Compare two independent curves at one time fixed beforehand.

    The limits combine those of the two curves
    (:func:`analysis.estimators.intervals.combine_limits`), so with
    beta product curves they exist at zero events; with plain ones they are the Wald limits, unless
    these were cut off at 0 or 1.
    """
    return _compare(first.at(time), second.at(time))


def incidence_difference(first: Cause, second: Cause, time: float) -> Difference:
    """Compare the cumulative incidence of a cause in two groups at one time fixed beforehand.

    Limits as in :func:`survival_difference`.
    """
    return _compare(first.at(time), second.at(time))


def _compare(one: AtTimes, two: AtTimes) -> Difference:
    def read(values: AtTimes) -> tuple[float, float, float]:
        return float(values.estimate[0]), float(values.lower[0]), float(values.upper[0])

    limits = combine_limits(read(one), read(two))
    value = float(one.estimate[0] - two.estimate[0])
    return _difference(value, float(np.hypot(one.se[0], two.se[0])), limits)


def restricted_mean_difference(first: KaplanMeier, second: KaplanMeier, until: float) -> Difference:
    """Compare two independent restricted means, with Wald limits.

    Raises
    ------
    RefusedEstimateError
        When ``until`` lies beyond the last follow-up of either group.
    """
    one, two = first.restricted_mean(until), second.restricted_mean(until)
    value, se = one.value - two.value, float(np.hypot(one.se, two.se))
    reach = normal_quantile(first.level) * se
    return _difference(value, se, (value - reach, value + reach))
