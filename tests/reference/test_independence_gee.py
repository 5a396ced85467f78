"""Shares with a sandwich by patient against R's geeglm: tests/reference/r/independence_gee.R."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.stats import binom, norm

from analysis.counts.exact_counts import clopper_pearson
from analysis.models.logistic import logistic
from analysis.outcomes.vision_shares import median_rank, share_over_patients
from tests.reference.public_data import read


@pytest.fixture(scope="module")
def r() -> dict[str, Any]:
    path = Path(__file__).parent / "r" / "independence_gee.json"
    answer: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return answer


@pytest.mark.parametrize(("name", "factor"), [("by_smoke", "smoke"), ("by_age", "age")])
def test_shares_are_geeglms(r: dict[str, Any], name: str, factor: str) -> None:
    """Up to geeglm's stopping rule, 1e-4 in its coefficients by default."""
    ohio = read("geepack", "ohio")
    levels = sorted(ohio[factor].unique())
    for place, level in enumerate(levels):
        rows = ohio[ohio[factor] == level]
        found = share_over_patients(rows["resp"].to_numpy() == 1, rows["id"].to_numpy())
        assert found.estimate is not None
        log_odds = np.log(found.estimate / (1 - found.estimate))
        assert log_odds == pytest.approx(r[name]["coef"][place], rel=1e-5)
        assert found.se_log_odds == pytest.approx(r[name]["se"][place], rel=1e-5)


def test_one_share_over_children_with_four_readings(r: dict[str, Any]) -> None:
    ohio = read("geepack", "ohio")
    found = share_over_patients(ohio["resp"].to_numpy() == 1, ohio["id"].to_numpy())
    assert (found.n, found.patients) == (2148, 537)
    assert found.se_log_odds == pytest.approx(r["share"]["se"], rel=1e-5)
    # limits at the effective number: wider than the exact ones of independent readings, and near
    # the Wald limits of R's log odds, as the number is large
    exact = clopper_pearson(found.count, found.n)
    assert found.lower is not None
    assert found.upper is not None
    assert found.lower < exact.lower
    assert found.upper > exact.upper
    wald = r["share"]["coef"] + norm.ppf([0.025, 0.975]) * r["share"]["se"]
    assert [found.lower, found.upper] == pytest.approx(1 / (1 + np.exp(-wald)), abs=0.003)


def test_the_clustered_logistic_model_is_geeglms(r: dict[str, Any]) -> None:
    ohio = read("geepack", "ohio")
    fit = logistic(
        ohio[["age", "smoke"]].to_numpy(float),
        ohio["resp"].to_numpy() == 1,
        terms=["age", "smoke"],
        cluster=ohio["id"].to_numpy(),
    )
    assert fit.coefficients.coef == pytest.approx(np.array(r["model"]["coef"]), rel=1e-4)
    assert fit.robust_covariance is not None
    se = np.sqrt(np.diag(fit.robust_covariance))
    assert se == pytest.approx(np.array(r["model"]["se"]), rel=1e-4)


def test_one_eye_a_patient_gives_the_exact_limits() -> None:
    for count in (0, 1, 7, 19, 20):
        hit = np.arange(20) < count
        found, exact = share_over_patients(hit, np.arange(20)), clopper_pearson(count, 20)
        assert found.lower == pytest.approx(exact.lower, abs=1e-12)
        assert found.upper == pytest.approx(exact.upper, abs=1e-12)


def test_none_of_both_eyes_counts_patients() -> None:
    """Ten patients with both eyes, no hit: 1 - 0.025 ** (1 / 10), Clopper and Pearson's for 0."""
    found = share_over_patients(np.zeros(20, np.bool_), np.arange(20) // 2)
    assert (found.lower, found.se_log_odds) == (0.0, None)
    assert found.upper == pytest.approx(1 - 0.025 ** (1 / 10), rel=1e-12)
    nobody = share_over_patients(np.zeros(0, np.bool_), np.zeros(0, np.int64))
    assert (nobody.estimate, nobody.lower, nobody.upper) == (None, None, None)


def test_limits_hold_their_level_when_both_eyes_agree() -> None:
    """Two thousand draws of 60 patients whose eyes are the same: the effective number is theirs.

    Expected: at least 95 % less three Monte Carlo standard errors, for share and median; limits
    that took the eyes as independent hold about 83 % (1.96 / sqrt(2) standard errors).
    """
    rng = np.random.default_rng(8)
    patient, held, held_median, naive = np.repeat(np.arange(60), 2), 0, 0, 0
    for _ in range(2000):
        rank = np.repeat(rng.integers(0, 1000, 60), 2)
        share, exact = share_over_patients(rank < 400, patient), None
        exact = clopper_pearson(share.count, share.n)
        assert share.lower is not None
        assert share.upper is not None
        held += share.lower <= 0.4 <= share.upper
        naive += exact.lower <= 0.4 <= exact.upper
        median = median_rank(rank, patient)
        assert median.lower is not None
        assert median.upper is not None
        held_median += median.lower <= 499.5 <= median.upper
    least = 2000 * 0.95 - 3 * float(binom.std(2000, 0.95))
    assert held >= least
    assert held_median >= least
    assert naive < 2000 * 0.90
