"""Imputation: Rubin's rules against mice, Nelson–Aalen against survfit, and the known truth.

Pooled profiles of Firth models are held to their definition with a maximiser that is not ours.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from public_data import read

from analysis.models.cox import cox
from analysis.models.firth import firth_logistic
from analysis.models.imputation import impute, nelson_aalen_at, outcome_columns, pool
from analysis.models.pooled_profiles import pool_profiles
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


def test_hazard_from_entry_on_by_hand() -> None:
    # At risk 2 at 1, 2 at 3, 1 at 4: steps 1/2, 1/2, 1. The third enters at 2.
    entry = np.array([0.0, 0.0, 2.0])
    found = nelson_aalen_at(np.array([1.0, 3.0, 4.0]), np.array([True, True, True]), entry)
    assert found == pytest.approx([0.5, 1.0, 1.5])
    # a row split at 2 has the hazard of both parts
    split = nelson_aalen_at(
        np.array([1.0, 2.0, 3.0, 4.0]),
        np.array([True, False, True, True]),
        np.array([0.0, 0.0, 2.0, 2.0]),
    )
    assert split[1] + split[2] == pytest.approx(1.0)


def test_pooled_profiles_are_quantiles_of_the_mean_distribution() -> None:
    """By the definition of Heinze, Ploner & Beyea 2013, with a maximiser that is not ours."""
    from scipy.optimize import minimize
    from scipy.stats import norm

    rng = np.random.default_rng(8)
    fits, tables = [], []
    z = rng.normal(size=60)
    event = rng.random(60) < 1 / (1 + np.exp(1.6 - z))
    for _ in range(3):
        x = np.where(np.arange(60) % 4 == 0, rng.normal(size=60), z)
        fits.append(firth_logistic(x[:, None], event, terms=["x"]))
        tables.append(np.column_stack([np.ones(60), x]))

    def penalised(beta: Any, table: Any) -> float:
        risk = 1 / (1 + np.exp(-table @ beta))
        information = table.T @ (table * (risk * (1 - risk))[:, None])
        likelihood = np.where(event, np.log(risk), np.log1p(-risk)).sum()
        return float(-likelihood - 0.5 * np.linalg.slogdet(information)[1])

    def distribution(value: float) -> float:
        shares = []
        for table, fit in zip(tables, fits, strict=True):
            top = minimize(penalised, fit.coefficients.coef, args=(table,), tol=1e-12)
            held = minimize(lambda a, t=table: penalised([a[0], value], t), [top.x[0]], tol=1e-12)
            fall = 2 * max(held.fun - top.fun, 0.0)
            shares.append(norm.cdf(np.sign(value - top.x[1]) * np.sqrt(fall)))
        return float(np.mean(shares))

    pooled = pool_profiles(fits)
    assert distribution(pooled.lower[1]) == pytest.approx(0.025, abs=1e-5)
    assert distribution(pooled.upper[1]) == pytest.approx(0.975, abs=1e-5)
    assert pooled.p[1] == pytest.approx(2 * min(distribution(0), 1 - distribution(0)), abs=1e-5)
    assert pooled.lower[1] >= min(fit.coefficients.lower[1] for fit in fits)
    assert pooled.upper[1] <= max(fit.coefficients.upper[1] for fit in fits)


def test_profiles_that_cannot_be_pooled() -> None:
    x = np.arange(12.0)[:, None]
    fit = firth_logistic(x, x[:, 0] > 5.5, terms=["x"])
    with pytest.raises(ValueError, match="two or more fits"):
        pool_profiles([fit])
    with pytest.raises(ValueError, match=r"limits at 0\.9"):
        pool_profiles([fit, fit], level=0.9)
