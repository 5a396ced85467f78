"""Limits of interval-censored survival: where they must be exact, they are."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binomtest

from analysis.estimators.interval_censored import npmle
from analysis.estimators.interval_limits import EndLimits, limit_by_ends
from analysis.estimators.observations import RightCensored
from analysis.estimators.survival import kaplan_meier

NONE = np.inf


def limits_of(
    lower: list[float], upper: list[float], times: list[float], **more: object
) -> EndLimits:
    estimate = npmle(lower, upper, more.get("weight"))  # type: ignore[arg-type]
    return limit_by_ends(estimate, lower, upper, times, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize("events", [0, 1, 4, 20])
def test_with_everybody_examined_at_the_time_they_are_clopper_and_pearsons(events: int) -> None:
    # Everybody was examined at 2 (free or found): scipy's exact binomial limits are the reference.
    lower, upper = [0.0] * events + [2.0] * (20 - events), [2.0] * events + [NONE] * (20 - events)
    exact = binomtest(20 - events, 20).proportion_ci(method="exact")
    found = limits_of(lower, upper, [2.0])
    assert float(found.lower[0]) == pytest.approx(exact.low, rel=1e-9)
    assert float(found.upper[0]) == pytest.approx(exact.high, rel=1e-9)


def test_with_exact_times_they_are_the_beta_product_of_kaplan_meier() -> None:
    # Fay, Brittain and Proschan 2013, held to its worked examples in the tests of Kaplan-Meier.
    # Events and censorings tie; whoever is censored at a time counts as free at it, which the
    # curve's limits leave open: a quarter later nothing is left open.
    rng = np.random.default_rng(4)
    time = rng.integers(1, 12, 60).astype(float)
    status = (rng.random(60) < 0.4).astype(int)
    seen = RightCensored.of(np.where(status, time, time + 0.25), status)
    curve = kaplan_meier(seen, interval="beta-product")
    times = [0.5, 1.0, 3.0, 6.5, float(time.max())]
    found = limits_of(time.tolist(), np.where(status, time, NONE).tolist(), times)
    assert found.lower == pytest.approx(curve.at(times).lower, rel=1e-12)
    assert found.upper == pytest.approx(curve.at(times).upper, rel=1e-12)


def test_without_an_event_only_those_known_to_be_free_count() -> None:
    # Rule for 0 of m: 1 - 0.025 ** (1/m), whatever the number not seen again (Clopper-Pearson).
    lower = [6.0] * 9 + [1.0] * 40
    found = limits_of(lower, [NONE] * 49, [2.0, 6.0, 7.0])
    assert found.lower[:2] == pytest.approx(0.025 ** (1 / 9), rel=1e-12)
    assert found.upper[:2] == pytest.approx(1.0)
    assert found.known_free.tolist() == [9, 9, 0]
    assert np.isnan([found.lower[2], found.upper[2]]).all()  # beyond the last examination


def test_an_interval_that_holds_the_time_counts_against_both_limits() -> None:
    lower, upper = [0.0] * 3 + [1.0] + [9.0] * 16, [0.5] * 3 + [5.0] + [NONE] * 16
    found = limits_of(lower, upper, [2.0])
    low = binomtest(16, 20).proportion_ci(method="exact").low
    high = binomtest(17, 20).proportion_ci(method="exact").high
    assert (found.lower[0], found.upper[0]) == (pytest.approx(low), pytest.approx(high))
    assert (found.known_free[0], found.events[0], found.perhaps[0]) == (16, 3, 1)


def test_weights_are_repeated_rows_and_mid_p_is_shorter() -> None:
    lower, upper = [0.0, 1, 2, 2, 5], [1.0, 3, NONE, 4, NONE]
    weight = [2, 1, 3, 1, 4]
    weighted = limits_of(lower, upper, [1.0, 2.5, 4.0], weight=weight)
    again = limits_of(
        np.repeat(lower, weight).tolist(), np.repeat(upper, weight).tolist(), [1, 2.5, 4]
    )
    assert weighted.lower == pytest.approx(again.lower)
    assert weighted.upper == pytest.approx(again.upper)
    short = limits_of(lower, upper, [1.0, 2.5, 4.0], weight=weight, mid_p=True)
    assert ((short.upper - short.lower) < (weighted.upper - weighted.lower)).all()


def test_a_level_outside_its_range_is_refused() -> None:
    with pytest.raises(ValueError, match=r"1\.5"):
        limits_of([1.0], [2.0], [1.0], level=1.5)
