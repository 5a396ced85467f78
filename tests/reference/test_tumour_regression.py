"""The fall to a plateau against nlme (r/tumour_regression.R), and against a known truth.

For a given time constant the model is linear and ``nlme::lme`` maximises the same likelihood. The
nonlinear ``nlme::nlme`` linearises and stops a little below that maximum; it is met more loosely.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from analysis.checking.tumour_regression import Heights, fit_regression, summarise_ratios
from registry.errors import RefusedEstimateError

R = json.loads((Path(__file__).parent / "r" / "tumour_regression.json").read_text())
HEIGHTS = Heights(
    np.array(R["tumour_id"], dtype=object), np.array(R["years"]), np.array(R["ratio"])
)


def test_the_fit_is_that_of_nlme() -> None:
    found, lme, nlme = fit_regression(HEIGHTS), R["profile"], R["nlme"]
    assert (found.n_tumours, found.n_readings, found.at_bound) == (24, 118, False)
    assert found.log_likelihood == pytest.approx(lme["log_likelihood"], rel=1e-10)
    assert found.time_constant_years.value == pytest.approx(lme["time_constant"], rel=1e-6)
    assert found.plateau.value == pytest.approx(lme["plateau"], rel=1e-6)
    assert found.plateau_sd == pytest.approx(lme["plateau_sd"], rel=1e-5)
    assert found.residual_sd == pytest.approx(lme["residual_sd"], rel=1e-5)
    assert found.time_constant_years.value == pytest.approx(nlme["time_constant"], rel=0.02)
    assert found.plateau.value == pytest.approx(nlme["plateau"], rel=0.02)
    assert found.log_likelihood > nlme["log_likelihood"]


def test_the_interval_of_the_time_constant_is_that_of_the_profile() -> None:
    found = fit_regression(HEIGHTS).time_constant_years
    assert found.lower == pytest.approx(R["profile"]["lower"], rel=1e-6)
    assert found.upper == pytest.approx(R["profile"]["upper"], rel=1e-6)


def draw(rng: np.random.Generator, n: int = 60) -> Heights:
    """Draw by the model: plateau 0.6 (SD 0.1), time constant 0.7 years, error 0.05."""
    years = np.sort(rng.uniform(0.1, 6, (n, 6)), axis=1)
    plateau = rng.normal(0.6, 0.1, (n, 1))
    ratio = plateau + (1 - plateau) * np.exp(-years / 0.7) + rng.normal(0, 0.05, (n, 6))
    names = np.repeat(np.array([f"T{k}" for k in range(n)], dtype=object), 6)
    return Heights(names, years.ravel(), ratio.ravel())


def test_the_truth_is_recovered_and_covered() -> None:
    rng = np.random.default_rng(7)
    fits = [fit_regression(draw(rng)) for _ in range(12)]
    times = np.array([fit.time_constant_years.value for fit in fits])
    plateaus = np.array([fit.plateau.value for fit in fits])
    assert abs(times.mean() - 0.7) < 3 * times.std(ddof=1) / math.sqrt(12)
    assert abs(plateaus.mean() - 0.6) < 3 * plateaus.std(ddof=1) / math.sqrt(12)
    assert np.mean([fit.plateau_sd for fit in fits]) == pytest.approx(0.1, abs=0.02)
    covered = [
        (f.time_constant_years.lower < 0.7 < f.time_constant_years.upper)
        + (f.plateau.lower < 0.6 < f.plateau.upper)
        for f in fits
    ]
    assert sum(covered) >= 19  # of 24 at 95 %: fewer than 19 has a chance under 1 in 1000


def test_ratios_about_a_time_count_each_tumour_once() -> None:
    half, none = summarise_ratios(HEIGHTS, [0.5, 30.0])
    near = {
        name
        for name, year in zip(R["tumour_id"], R["years"], strict=True)
        if abs(year - 0.5) <= 0.25
    }
    assert half.n == len(near)
    assert none.n == 0
    assert math.isnan(none.median)


def test_too_few_tumours_are_refused() -> None:
    few = Heights(HEIGHTS.tumour_id[:20], HEIGHTS.years[:20], HEIGHTS.ratio[:20])
    with pytest.raises(RefusedEstimateError, match="needs 10 tumours"):
        fit_regression(few)
    with pytest.raises(RefusedEstimateError, match="there are 0"):
        fit_regression(Heights(np.array([], dtype=object), np.array([]), np.array([])))
    with pytest.raises(ValueError, match="time above 0"):
        fit_regression(Heights(HEIGHTS.tumour_id, HEIGHTS.years - 1, HEIGHTS.ratio))


def test_no_fall_at_all_runs_to_the_edge_and_says_so() -> None:
    rng = np.random.default_rng(2)
    flat = Heights(HEIGHTS.tumour_id, HEIGHTS.years, 1 + 0.01 * rng.standard_normal(118))
    found = fit_regression(flat)
    assert found.at_bound or math.isnan(
        found.time_constant_years.lower + found.time_constant_years.upper
    )
