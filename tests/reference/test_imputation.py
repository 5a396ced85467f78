"""Imputation: Rubin's rules against mice, Nelson–Aalen against survfit, and the known truth."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from public_data import read

from analysis.cox import cox
from analysis.imputation import impute, nelson_aalen_at, outcome_columns, pool
from registry.errors import RefusedEstimateError, RefusedInputError

R = json.loads((Path(__file__).parent / "r" / "imputation.json").read_text())


@pytest.mark.parametrize("expected", R["pooled"], ids=lambda e: str(e["n"]))
def test_rubins_rules_are_mices(expected: dict[str, Any]) -> None:
    complete = np.inf if expected["n"] == "Inf" else expected["n"] - expected["k"]
    coefs = [np.array([q]) for q in R["estimates"]]
    variances = [np.array([[u]]) for u in R["variances"]]
    found = pool(coefs, variances, complete_df=complete)
    assert found.coef[0] == pytest.approx(expected["qbar"], rel=1e-12)
    assert found.covariance[0, 0] == pytest.approx(expected["t"], rel=1e-12)
    assert found.df[0] == pytest.approx(expected["df"], rel=1e-10)
    assert found.missing_information[0] == pytest.approx(expected["fmi"], rel=1e-10)


def test_nelson_aalen_is_survfits() -> None:
    data = read("survival", "cancer")[["time", "status"]].dropna()
    found = nelson_aalen_at(data.time.to_numpy(float), (data.status == 2).to_numpy())
    assert found == pytest.approx(R["nelson_aalen_lung"], rel=1e-12)


def gappy(seed: int, n: int) -> tuple[dict[str, Any], Any, Any, Any]:
    """x (numeric) and side (text), missing at random given the other covariate and the outcome."""
    rng = np.random.default_rng(seed)
    z = rng.normal(size=n)
    x = 0.6 * z + rng.normal(size=n) * 0.8
    left = rng.random(n) < 1 / (1 + np.exp(-z))
    time = rng.exponential(np.exp(-(0.7 * x + 0.5 * left)))
    end = rng.uniform(0.2, 3, n)
    event = time <= end
    gone_x = rng.random(n) < 1 / (1 + np.exp(1.3 - 1.2 * z - 0.8 * event))
    gone_side = rng.random(n) < 0.15
    columns = {
        "z": z,
        "x": np.where(gone_x, np.nan, x),
        "side": [
            None if g else ("left" if s else "right") for g, s in zip(gone_side, left, strict=True)
        ],
    }
    return columns, np.minimum(time, end), event, np.column_stack([x, left])


def test_known_cells_stay_and_gaps_are_filled() -> None:
    columns, time, event, _ = gappy(1, 300)
    outcome = outcome_columns(time, event.astype(int))
    done = impute(columns, outcome, imputations=3, rng=np.random.default_rng(2), rounds=3)
    for table in done:
        known = ~np.isnan(columns["x"])
        assert np.array_equal(table["x"][known], columns["x"][known])
        assert set(table["x"]) <= set(columns["x"][known])
        assert set(table["side"]) == {"left", "right"}
        assert all(c is None or c == t for c, t in zip(columns["side"], table["side"], strict=True))
    assert not np.array_equal(done[0]["x"], done[1]["x"])


def test_the_same_generator_gives_the_same_tables() -> None:
    columns, time, event, _ = gappy(1, 200)
    outcome = outcome_columns(time, event.astype(int))
    one, two = (
        impute(columns, outcome, imputations=2, rng=np.random.default_rng(9), rounds=2)
        for _ in range(2)
    )
    assert np.array_equal(one[1]["x"], two[1]["x"])
    assert one[0]["side"] == two[0]["side"]


def fit(columns: dict[str, Any], time: Any, event: Any) -> Any:
    left = np.array([s == "left" for s in columns["side"]], dtype=float)
    return cox(np.column_stack([columns["x"], left]), time, event)


def test_the_truth_comes_back_and_leaving_out_the_outcome_pulls_towards_nought() -> None:
    # White & Royston 2009: without the outcome in the imputation model log hazard ratios shrink.
    columns, time, event, _ = gappy(11, 3000)
    with_outcome = outcome_columns(time, event.astype(int))
    pooled = []
    for outcome in (with_outcome, np.zeros((len(time), 0))):
        done = impute(columns, outcome, imputations=5, rng=np.random.default_rng(3), rounds=4)
        fits = [fit(table, time, event) for table in done]
        pooled.append(pool([f.coefficients.coef for f in fits], [f.covariance for f in fits]))
    right, wrong = pooled
    assert np.all(np.abs(right.coef - [0.7, 0.5]) < 3 * right.se)
    assert wrong.coef[0] < right.coef[0] - 1.5 * right.se[0]
    assert np.all(right.missing_information > 0)


def test_what_cannot_be_imputed_is_refused() -> None:
    columns, time, event, _ = gappy(1, 40)
    columns["x"][8:] = np.nan
    outcome = outcome_columns(time, event.astype(int))
    with pytest.raises(RefusedInputError, match="x is known in"):
        impute(columns, outcome, imputations=2, rng=np.random.default_rng(1))
    with pytest.raises(RefusedEstimateError, match="No row has an event"):
        outcome_columns(time, np.zeros(40, dtype=int))
    with pytest.raises(ValueError, match="at least two"):
        pool([np.zeros(1)], [np.eye(1)])
