"""Times drawn from piecewise-constant and Gompertz hazards."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from synthetic_cohort.truth import DAYS_PER_YEAR, Hazard

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

NEVER_DAYS = 10**6
"""Stands for a time that does not come (about 2,700 years)."""

_LAST_KNOT_YEARS = 400.0


def _knots(hazard: Hazard) -> tuple[Floats, Floats]:
    breaks = np.append(np.asarray(hazard.breaks_years, dtype=float), _LAST_KNOT_YEARS)
    steps = np.diff(breaks) * np.asarray(hazard.rates_per_year, dtype=float)
    return breaks, np.concatenate([[0.0], np.cumsum(steps)])


def cumulative_hazard(hazard: Hazard, years: Floats | float) -> Floats:
    """Integrate the hazard from 0 to ``years``.

    Examples
    --------
    >>> round(float(cumulative_hazard(Hazard((0, 2), (0.1, 0.05)), 5.0)), 4)
    0.35
    """
    breaks, cumulative = _knots(hazard)
    return np.asarray(np.interp(years, breaks, cumulative))


def draw_days(
    hazard: Hazard, ratio: Floats, rng: np.random.Generator, *, after_years: Floats | float = 0.0
) -> Floats:
    """Draw one time in days for each hazard ratio, by inversion.

    Parameters
    ----------
    hazard
        Baseline hazard.
    ratio
        Hazard ratio of each unit, shape (n,); 0 gives ``NEVER_DAYS``.
    rng
        Source of randomness.
    after_years
        Time already survived; the answer is later than it.
    """
    breaks, cumulative = _knots(hazard)
    spent = np.interp(after_years, breaks, cumulative)
    with np.errstate(divide="ignore"):
        level = spent + rng.exponential(size=ratio.shape) / ratio
    years = np.interp(level, cumulative, breaks)
    days: Floats = np.where(level >= cumulative[-1], NEVER_DAYS, years * DAYS_PER_YEAR)
    return days


def gompertz_survival(
    log_rate_at_60: Floats | float, per_year: float, age_years: Floats, years: Floats | float
) -> Floats:
    """Survive ``years`` from ``age_years`` under a Gompertz hazard, as a probability."""
    rate = np.exp(log_rate_at_60 + per_year * (age_years - 60.0))
    return np.asarray(np.exp(-rate * np.expm1(per_year * np.asarray(years)) / per_year))


def draw_gompertz_days(
    log_rate_at_60: Floats, per_year: float, age_years: Floats, rng: np.random.Generator
) -> Floats:
    """Draw days to death under a Gompertz hazard, by inversion of ``gompertz_survival``."""
    rate = np.exp(log_rate_at_60 + per_year * (age_years - 60.0))
    years = np.log1p(per_year * rng.exponential(size=age_years.shape) / rate) / per_year
    return np.asarray(years * DAYS_PER_YEAR)


def draw_codes(shares: tuple[float, ...], n: int, rng: np.random.Generator) -> Ints:
    """Draw ``n`` indices with the given shares (they are scaled to sum to 1)."""
    edges = np.cumsum(np.asarray(shares, dtype=float))
    return np.asarray(np.searchsorted(edges / edges[-1], rng.random(n), side="right"))
