"""All published series of one end point at one time together, and where the department lies.

The log cumulative hazards of the series are pooled by random effects (REML, Hartung and Knapp);
the department is set against the interval in which one more centre's *estimate* is expected, its
own sampling variance added. Inside means "not unusual", never "good".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.benchmarking.own_estimates import Estimate
from analysis.benchmarking.published_rates import PublishedRate
from analysis.counts.meta_analysis import Pooled, pool, predict_estimate

FEWEST_SERIES = 3
"""Between two series a spread cannot be told from chance."""


@dataclass(frozen=True, slots=True)
class AmongSeries:
    """The pooled series at one time and the department's place; values are failure probabilities.

    ``expected`` is where one more centre's estimate is expected; ``place`` is "not unusual", "more
    failures than expected", "fewer failures than expected" or "cannot tell".
    """

    end_point: str
    years: float
    rates: tuple[PublishedRate, ...]
    pooled: Pooled
    mean: Estimate
    expected: Estimate
    here: Estimate
    place: str


def poolable(rates: Sequence[PublishedRate], end_point: str, years: float) -> list[PublishedRate]:
    """Choose the whole-series Kaplan–Meier figures at a time that were read in their source."""
    return [
        rate
        for rate in rates
        if rate.compares_with == end_point
        and rate.estimator == "kaplan-meier"
        and rate.years == years
        and rate.stratum is None
        and rate.verified == "read"
        and not rate.unlike
        and not math.isnan(rate.log_hazard_sd())
    ]


def place_among(
    rates: Sequence[PublishedRate], end_point: str, years: float, here: Estimate, here_sd: float
) -> AmongSeries | None:
    """Pool the series of one end point and time, and place the department among them.

    Parameters
    ----------
    here, here_sd
        The department's failure with 95 % limits, and the standard deviation of its log cumulative
        hazard (NaN without events: then its place cannot be told).

    Returns
    -------
    AmongSeries or None
        None with fewer than three series.
    """
    chosen = poolable(rates, end_point, years)
    if len(chosen) < FEWEST_SERIES:
        return None
    effects = [math.log(-math.log1p(-rate.failure)) for rate in chosen]
    pooled = pool(effects, [rate.log_hazard_sd() ** 2 for rate in chosen])
    is_known = math.isfinite(here_sd) and 0 < here.value < 1
    low, high = predict_estimate(pooled, here_sd**2 if is_known else 0.0)
    expected = Estimate(*(_failure(value) for value in (pooled.estimate, low, high)))
    mean = Estimate(*(_failure(value) for value in (pooled.estimate, pooled.lower, pooled.upper)))
    place = "not unusual"
    if not is_known:
        place = "cannot tell"
    elif here.value > expected.upper:
        place = "more failures than expected"
    elif here.value < expected.lower:
        place = "fewer failures than expected"
    return AmongSeries(end_point, years, tuple(chosen), pooled, mean, expected, here, place)


def _failure(log_hazard: float) -> float:
    return -math.expm1(-math.exp(log_hazard))
