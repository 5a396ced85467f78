"""How often counts alone call a department worse that is not, summed exactly over outcomes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import poisson

from analysis.benchmarking.own_estimates import TAIL
from analysis.counts.exact_counts import poisson_limits, poisson_mid_p_limits

EXPECTED = np.arange(1.0, 40.01, 0.05)


def chance_of_worse(kind: str, ratio: float) -> np.ndarray:
    """Probability that the lower limit lies above the expected number."""
    limits = poisson_limits if kind == "exact" else poisson_mid_p_limits
    lower = np.asarray([limits(count, 1 - 2 * TAIL).lower for count in range(130)])
    least = np.searchsorted(lower, EXPECTED, side="right")
    return poisson.sf(least - 1, ratio * EXPECTED)


def test_exact_limits_never_pass_five_per_cent() -> None:
    assert chance_of_worse("exact", 1.0).max() <= 0.05


def test_mid_p_limits_hold_five_per_cent_on_average() -> None:
    size = chance_of_worse("mid-p", 1.0)
    assert 0.045 <= size.mean() <= 0.055
    assert size.max() <= 0.085


@pytest.mark.parametrize("kind", ["exact", "mid-p"])
def test_a_doubled_rate_is_seen_more_often_the_more_is_expected(kind: str) -> None:
    power = chance_of_worse(kind, 2.0)
    at = {e: float(power[np.argmin(abs(EXPECTED - e))]) for e in (2, 10, 20)}
    assert at[2] < 0.4
    assert at[10] > 0.8
    assert at[20] > 0.95
