"""Observed against expected: R's survdiff with an offset, and integrals done by R."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from public_data import read

from analysis.benchmarking.expected_events import (
    ReferenceHazard,
    expect_events,
    integrated_limits,
    limits_of_difference,
)
from analysis.counts.exact_counts import wilson
from analysis.estimators.group_tests import one_sample_log_rank

# tests/reference/r/one_sample.R: survival's survdiff(... ~ offset(S)), integrate and uniroot
R = json.loads((Path(__file__).parent / "r" / "one_sample.json").read_text())
REFERENCE = ReferenceHazard((365.0, 730.0), (0.5, 1.4))


def test_one_sample_log_rank_is_that_of_survdiff() -> None:
    data = read("survival", "cancer")
    time, status = data["time"].to_numpy(float), (data["status"] == 2).to_numpy()
    found = expect_events(REFERENCE, time, status)
    test = one_sample_log_rank(found.observed, found.expected)
    assert found.observed == R["lung"]["observed"]
    assert found.expected == pytest.approx(R["lung"]["expected"], rel=1e-10)
    assert test.statistic == pytest.approx(R["lung"]["statistic"], rel=1e-10)
    assert test.p == pytest.approx(R["lung"]["p"], rel=1e-9)


def test_expected_is_person_time_times_rate_by_interval() -> None:
    """Person-days in the two intervals from R's pyears."""
    first, second = R["person_time"]
    data = read("survival", "cancer")
    found = expect_events(REFERENCE, data["time"], data["status"] == 2)
    by_interval = first * 0.5 / 365 + second * 0.9 / 365
    assert found.expected == pytest.approx(by_interval, rel=1e-10)


@pytest.mark.parametrize("case", R["limits"], ids=lambda case: f"{case['observed']}-{case['sd']}")
def test_limits_with_an_uncertain_expected_number_are_rs_integrals(case: dict[str, Any]) -> None:
    limits = integrated_limits(case["observed"], case["expected"], case["sd"], 0.05)
    # R's integrate stops at 1e-12 and its roots at 1e-13 on the log scale; the tail of the
    # normal distribution is cut at 9 there.
    assert limits.lower == pytest.approx(case["lower"], rel=1e-8)
    assert limits.upper == pytest.approx(case["upper"], rel=1e-8)


def test_two_proportions_give_newcombes_interval() -> None:
    """Newcombe, Stat Med 1998;17:873, table II, method 10 (from memory); and by formula."""
    published = {
        (56, 70, 48, 80): (0.0524, 0.3339),
        (9, 10, 3, 10): (0.1705, 0.8090),
        (10, 10, 0, 10): (0.6075, 1.0),
    }
    for (x, m, y, n), (low, high) in published.items():
        pair = [(k / t, wilson(k, t).lower, wilson(k, t).upper) for k, t in ((x, m), (y, n))]
        found = limits_of_difference(*pair)
        assert found[1:] == pytest.approx((low, high), abs=6e-5)


def test_a_late_entry_counts_from_its_day() -> None:
    found = expect_events(REFERENCE, [730.0, 100.0], [1, 1], entry=[365.0, 100.0])
    assert (found.n, found.observed) == (1, 1)
    assert found.expected == pytest.approx(0.9)


def test_early_shape_moves_the_hazard_inside_the_first_interval_only() -> None:
    times = np.array([91.25, 365.0, 500.0])
    even, early = REFERENCE.at(times), REFERENCE.at(times, early_shape=0.5)
    assert early[0] == pytest.approx(0.5 * 0.25**0.5)
    assert early[1:] == pytest.approx(even[1:])
