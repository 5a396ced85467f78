"""Dose–response against R (values printed by r/dose_response.R) and against published data.

Melanoma (MASS) stands for a cohort: thickness in mm is the dose, 1,826 days the horizon.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from public_data import read

from analysis.dose_effect.censoring_weights import effective_number, outcome_at, weighted_logistic
from analysis.dose_effect.dose_confounding import propensity_weights, r_squared
from analysis.dose_effect.dose_horizon import curve_at_horizon
from analysis.dose_effect.dose_power import (
    find_effect,
    schoenfeld_effect,
    schoenfeld_power,
)
from analysis.dose_effect.fitted_cohort import fit_cohort
from analysis.models.dose_curve import dose_curve

R = json.loads((Path(__file__).parent / "r" / "dose_response.json").read_text())
HORIZON = 1826.0


def melanoma() -> tuple[Any, NDArray[np.float64], NDArray[np.int64]]:
    data = read("MASS", "Melanoma")
    return data, data.time.to_numpy(float), np.array([0, 1, 0, 2])[data.status]


@pytest.mark.parametrize("reading", ["net", "crude"])
@pytest.mark.parametrize("adjusted", [False, True])
def test_weighted_logistic_is_that_of_r(reading: str, adjusted: bool) -> None:
    data, time, status = melanoma()
    expected = R[reading + ("_adjusted" if adjusted else "")]
    columns = ["thickness", "age", "ulcer"] if adjusted else ["thickness"]
    outcome = outcome_at(time, status, HORIZON, reading=reading)
    fit = weighted_logistic(
        data[columns].to_numpy(float), outcome.failed, outcome.weight, terms=tuple(columns)
    )
    assert (fit.n, fit.events) == (expected["n"], expected["events"])
    assert fit.effective_n == pytest.approx(expected["effective_n"], rel=1e-12)
    assert fit.largest_weight == pytest.approx(expected["largest_weight"], rel=1e-12)
    np.testing.assert_allclose(fit.coefficients.coef, expected["coef"], rtol=1e-9)
    np.testing.assert_allclose(fit.coefficients.robust_se, expected["se"], rtol=1e-7)
    by_year = weighted_logistic(
        data[columns].to_numpy(float),
        outcome.failed,
        outcome.weight,
        terms=tuple(columns),
        cluster=data.year.to_numpy(),
    )
    # sandwich::vcovCL(type = "HC0", cadjust = FALSE): no small-sample factor
    np.testing.assert_allclose(by_year.coefficients.robust_se, expected["se_by_year"], rtol=1e-7)


@pytest.mark.parametrize("reading", ["net", "crude"])
def test_d50_and_gamma50_by_fieller_and_by_hand(reading: str) -> None:
    data, time, status = melanoma()
    curve = curve_at_horizon(
        data.thickness.to_numpy(float),
        np.empty((len(data), 0)),
        (),
        time,
        status,
        HORIZON,
        reading=reading,
    )
    value, lower, upper = R[reading]["d50"]
    assert (curve.d50.value, curve.d50.lower, curve.d50.upper) == pytest.approx(
        (value, lower, upper), rel=1e-8
    )
    # γ50 by hand: slope · D50 / 4
    slope = R[reading]["coef"][1]
    assert curve.gamma50.value == pytest.approx(slope * value / 4, rel=1e-8)
    # R puts 10 % at a negative thickness: outside the data, so not given
    at_90 = dict(curve.doses_for_control)[0.9]
    assert R[reading]["d10"][0] < 0
    assert not at_90.is_estimable
    assert "outside the doses given" in str(at_90.reason)


def test_unweighted_curve_is_the_dose_curve() -> None:
    """With nobody censored the two roads to D50 meet."""
    data = read("MASS", "menarche")
    age = np.repeat(data.Age.to_numpy(float), data.Total)
    event = np.concatenate(
        [np.arange(n) < k for n, k in zip(data.Total, data.Menarche, strict=True)]
    )
    time = np.where(event, 1.0, 5.0)
    curve = curve_at_horizon(age, np.empty((len(age), 0)), (), time, event.astype(int), 3.0)
    grouped = dose_curve(
        data.Age.to_numpy(float), data.Menarche.to_numpy(float), data.Total.to_numpy(float)
    )
    assert curve.d50.value == pytest.approx(grouped.d50.value, rel=1e-9)
    assert curve.gamma50.value == pytest.approx(grouped.gamma50.value, rel=1e-9)
    # Menarche (MASS; Milicer & Szczotka 1966, Hum Biol 38:199–203): glm and dose.p of R.
    expected = R["menarche"]
    found = [grouped.intercept.value, grouped.slope.value]
    np.testing.assert_allclose(found, expected["coef"], rtol=1e-9)
    np.testing.assert_allclose([grouped.intercept.se, grouped.slope.se], expected["se"], rtol=1e-6)
    assert grouped.d50.value == pytest.approx(expected["d50"], rel=1e-10)
    assert grouped.d50.se == pytest.approx(expected["d50_se"], rel=1e-6)
    # γ50 by hand: 1.63197 · 13.00662 / 4
    assert grouped.gamma50.value == pytest.approx(5.30665, abs=1e-4)


@pytest.mark.parametrize("link", ["logit", "probit"])
def test_beetle_mortality_of_bliss_1935(link: str) -> None:
    """Bliss CI, Ann Appl Biol 1935;22:134–167: beetles killed by carbon disulphide, 8 doses.

    Published fits (Dobson & Barnett, An Introduction to Generalized Linear Models, logit): −60.717
    (5.181), 34.270 (2.912), deviance 11.23; from memory, and computed by R in r/dose_response.R.
    """
    dose = np.array([1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839])
    beetles = np.array([59, 60, 62, 56, 63, 59, 62, 60], dtype=float)
    killed = np.array([6, 13, 18, 28, 52, 53, 61, 60], dtype=float)
    expected = R[f"beetle_{link}"]
    curve = dose_curve(dose, killed, beetles, link=link)
    found = [curve.intercept.value, curve.slope.value]
    np.testing.assert_allclose(found, expected["coef"], rtol=1e-9)
    assert curve.deviance == pytest.approx(expected["deviance"], rel=1e-9)
    assert curve.d50.value == pytest.approx(expected["d50"], rel=1e-10)
    if link == "logit":
        assert found == pytest.approx([-60.717, 34.270], abs=5e-4)
        np.testing.assert_allclose([curve.intercept.se, curve.slope.se], expected["se"], rtol=1e-6)
        assert curve.gamma50.value == pytest.approx(34.2703 * 1.77172 / 4, rel=1e-4)


def test_models_over_time_are_those_of_r() -> None:
    """The question's own path (step of dose, frame, choice of model) gives coxph and crr."""
    from dataclasses import replace

    from analysis.dose_effect.dose_fields import DOSES
    from analysis.dose_effect.dose_models import compare_models
    from analysis.dose_effect.dose_rows import DoseRows
    from analysis.outcomes.end_points import MELANOMA_DEATH

    data, time, status = melanoma()
    n = len(data)
    rows = DoseRows(
        end_point=MELANOMA_DEATH,
        field=replace(DOSES["apex"], per=1.0),
        source="recorded",
        unit_id=tuple(map(str, range(n))),
        patient_id=tuple(map(str, range(n))),
        applicator=("",) * n,
        isotope=("",) * n,
        dose=data.thickness.to_numpy(float),
        covariates={
            "age": data.age.to_numpy(float),
            "ulcer": [str(u) for u in data.ulcer],
        },
        thickness_mm=np.full(n, np.nan),
        entry=np.full(n, -1.0),
        time=time,
        status=status.astype(np.int64),
        end=time,
        end_status=status.astype(np.int64),
    )
    found = {(r.model, bool(r.adjusted_for)): r for r in compare_models(rows)}
    pairs = (
        (("cox", False), R["cox"]["coef"], R["cox"]["se"]),
        (("cox", True), R["cox_adjusted"]["coef"][0], R["cox_adjusted"]["se"][0]),
        (("fine-gray", True), R["crr_adjusted"]["coef"][0], R["crr_adjusted"]["se"][0]),
    )
    for key, coef, se in pairs:
        # R iterates to its own tolerance
        assert found[key].coef == pytest.approx(coef, rel=2e-6)
        assert found[key].se == pytest.approx(se, rel=2e-6)


def test_propensity_is_that_of_r() -> None:
    data, _, _ = melanoma()
    dose, others = data.thickness.to_numpy(float), data[["age", "ulcer"]].to_numpy(float)
    assert r_squared(dose, others) == pytest.approx(R["propensity"]["r2"], rel=1e-10)
    weight = propensity_weights(dose, others)
    np.testing.assert_allclose(weight[:10], R["propensity"]["weight"], rtol=1e-10)
    assert effective_number(weight) == pytest.approx(R["propensity"]["effective_n"], rel=1e-10)


def test_power_by_simulation_is_that_of_schoenfeld() -> None:
    """Two equal groups and a small effect, where the formula of Schoenfeld (1983) is close."""
    rng = np.random.default_rng(20)
    n = 800
    group = np.tile([0.0, 1.0], n // 2)
    time, end = rng.exponential(8, n), rng.uniform(2, 10, n)
    cohort = fit_cohort(group, np.empty((n, 0)), np.minimum(time, end), time <= end)
    effect = schoenfeld_effect(cohort.events, 0.25)
    drawn = [find_effect(cohort, effect, "cox", rng) for _ in range(400)]
    events = np.mean([one[1] for one in drawn])
    assert events == pytest.approx(cohort.events, rel=0.02)
    power = np.mean([one[0] < 0.05 for one in drawn])
    expected = schoenfeld_power(effect, cohort.events, 0.25)
    assert expected == pytest.approx(0.8, abs=1e-6)
    assert power == pytest.approx(expected, abs=3 * np.sqrt(0.8 * 0.2 / 400))
    null = np.mean([find_effect(cohort, 0.0, "cox", rng)[0] < 0.05 for _ in range(400)])
    assert null == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / 400))
