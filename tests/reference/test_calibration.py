"""Calibration at a horizon against rms::calibrate (r/calibration.R) and against new patients."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from public_data import read

from analysis.models.calibration import calibrate_cox, failed_by, risk_at
from analysis.models.cox import cox
from registry.errors import RefusedEstimateError

R = json.loads((Path(__file__).parent / "r" / "calibration.json").read_text())
Array = NDArray[np.float64]


def lung() -> tuple[Array, Array, NDArray[np.bool_]]:
    data = read("survival", "cancer")[["time", "status", "age", "sex", "ph.ecog"]].dropna()
    matrix = data[["age", "sex", "ph.ecog"]].to_numpy(float)
    return matrix, data.time.to_numpy(float), (data.status == 2).to_numpy()


def test_predicted_and_observed_are_those_of_rms() -> None:
    expected = R["lung"]
    found = calibrate_cox(
        *lung(), expected["horizon"], groups=4, resamples=300, rng=np.random.default_rng(1)
    )
    assert len(found) == 4
    # rms orders by survival, from high to low risk; its baseline has Efron's ties, ours Breslow's
    by_rms = found[::-1]
    observed = [one.observed for one in by_rms]
    np.testing.assert_allclose(observed, expected["observed"], atol=1e-12)
    predicted = [one.predicted for one in by_rms]
    np.testing.assert_allclose(predicted, expected["predicted"], atol=2e-3)
    # rms gives optimism on the survival scale; 1,000 and 300 resamples, SD of a gap near 0.06
    optimism = [-one.optimism for one in by_rms]
    np.testing.assert_allclose(optimism, expected["optimism"], atol=0.012)


def test_risks_are_those_of_coxph() -> None:
    matrix, time, event = lung()
    coef = cox(matrix, time, event).coefficients.coef
    risk = risk_at(matrix, time, event, coef, 365.0, matrix[:6])
    np.testing.assert_allclose(risk, R["lung_risk"], atol=2e-3)


def test_optimism_is_what_new_patients_take_off() -> None:
    """Fifteen columns of noise: the spread of risks that the model claims is not there."""
    rng = np.random.default_rng(5)
    n, horizon = 240, 2.0
    matrix = rng.normal(size=(n, 15))
    time, end = rng.exponential(5, n), rng.uniform(2.0, 6, n)
    found = calibrate_cox(
        matrix, np.minimum(time, end), time <= end, horizon, groups=3, resamples=120, rng=rng
    )
    truth = 1 - np.exp(-horizon / 5)
    low, high = found[0], found[-1]
    assert high.predicted - low.predicted > 0.2
    assert high.observed - low.observed > 0.1
    # everyone's true risk is the same: hardly any of the spread is left
    assert abs(high.corrected - low.corrected) < 0.06
    assert low.optimism < 0 < high.optimism
    assert found[1].corrected == pytest.approx(truth, abs=0.1)


def test_a_horizon_beyond_follow_up_is_refused() -> None:
    matrix, time, event = lung()
    assert np.isnan(failed_by(np.array([1.0, 2.0]), np.array([True, False]), 3.0))
    with pytest.raises(RefusedEstimateError, match="earlier horizon"):
        calibrate_cox(
            matrix, np.minimum(time, 400.0), event & (time <= 400), 500.0,
            resamples=0, rng=np.random.default_rng(1),
        )  # fmt: skip


def test_few_events_make_one_group() -> None:
    matrix, time, event = lung()
    few = event & (np.cumsum(event) <= 12)
    (one,) = calibrate_cox(
        matrix[:, :1], time, few, 700.0, penalised=True, resamples=0, rng=np.random.default_rng(1)
    )
    assert one.n == len(time)
    assert np.isnan(one.optimism)
    # Breslow's baseline makes predicted events those seen: in the large the two nearly agree
    assert one.predicted == pytest.approx(one.observed, abs=0.02)
