"""What a chart in time order is held against: a published curve, or standards decided beforehand.

Either is a curve known at a few times. Up to its first time the cumulative hazard goes evenly
(shape 1); how much hangs on that is worked out with the other shapes of
:mod:`analysis.benchmarking.expected_events`. After its last time it says nothing, so neither events
nor time count there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.benchmarking.benchmark import reference_hazard
from analysis.benchmarking.expected_events import ReferenceHazard
from analysis.benchmarking.published_rates import PublishedRate, group_series
from analysis.outcomes.end_points import DAYS_PER_YEAR


@dataclass(frozen=True, slots=True)
class MonitoringReference:
    """A reference curve in days, and in words where it comes from."""

    words: str
    hazard: ReferenceHazard

    def share_at(self, years: float) -> float | None:
        """Share with the event by then; None outside the times that the curve knows.

        Examples
        --------
        >>> found = from_standards([(2.0, 0.95), (5.0, 0.9)])
        >>> found.share_at(1.0), round(found.share_at(2.0), 3), found.share_at(6.0)
        (None, 0.05, None)
        """
        days = years * DAYS_PER_YEAR
        if not self.hazard.time[0] <= days <= self.hazard.window:
            return None
        return -math.expm1(-float(self.hazard.at(days)))


def from_published(
    rates: Sequence[PublishedRate], key: str, end_point: str
) -> MonitoringReference | None:
    """Return the whole Kaplan–Meier series of that key, read in its source; None where none is."""
    for series in group_series(rates):
        first = series.first
        if first.key == key and is_reference(first, end_point):
            shares = ", ".join(
                f"{100 * one.failure:.1f} % at {_say_years(one.years or 0)}" for one in series.rates
            )
            hazard = reference_hazard(series)
            return MonitoringReference(f"the published curve {key} ({shares})", hazard)
    return None


def is_reference(rate: PublishedRate, end_point: str) -> bool:
    """Whether a figure may be part of a reference curve for an end point."""
    return (
        rate.compares_with == end_point
        and rate.estimator == "kaplan-meier"
        and rate.verified == "read"
        and rate.stratum is None
        and not rate.unlike
        and 0 < rate.failure < 1
    )


def from_standards(standards: Sequence[tuple[float, float]]) -> MonitoringReference:
    """Return the curve through standards, each (years, least share free of the event).

    Raises
    ------
    ValueError
        Without any, at one time twice, or for a share of 0 or 1 or one that rises with time.
    """
    ordered = sorted(standards)
    years, free = [year for year, _ in ordered], [share for _, share in ordered]
    hazard = -np.log(np.asarray(free, dtype=np.float64))
    if not ordered or len(set(years)) < len(years) or not all(0 < share < 1 for share in free):
        raise ValueError(f"standards need different times and shares inside 0 and 1: {ordered!r}")
    if np.any(np.diff(hazard) < 0):
        raise ValueError(f"the share free of an event cannot rise with time: {ordered!r}")
    words = ", ".join(f"{100 * share:.1f} % free at {_say_years(year)}" for year, share in ordered)
    days = tuple(year * DAYS_PER_YEAR for year in years)
    curve = ReferenceHazard(days, tuple(hazard.tolist()))
    return MonitoringReference(f"the standard decided beforehand ({words})", curve)


def _say_years(years: float) -> str:
    return f"{years:g} year{'s' * (years != 1)}"
