"""Logistic models, splines and dose–response curves against R; values printed by r/logistic.R."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from public_data import own, read

from analysis.models.binomial_likelihood import fit_binomial
from analysis.models.design_matrix import to_model_frame
from analysis.models.dose_curve import dose_curve
from analysis.models.logistic import LogisticFit, logistic
from analysis.models.regression import RegressionRows, regress
from analysis.models.splines import harrell_knots, restricted_cubic_basis

R = json.loads((Path(__file__).parent / "r" / "logistic.json").read_text())
GAMMA50 = json.loads((Path(__file__).parent / "r" / "gamma50.json").read_text())
MODELS = {m["model"]: m for m in R["models"]}
UNGROUPED = [name for name in MODELS if not name.startswith("menarche")]


def columns_of(model: str) -> tuple[pd.DataFrame, Any, Any]:
    """Covariates, event and cluster of a model."""
    if model.startswith("birthwt"):
        data = read("MASS", "birthwt")
        if model == "birthwt":
            return data[["age", "lwt", "smoke", "ht", "ui"]], data.low, None
        race = np.array(["", "white", "black", "other"])[data.race]
        indicators = {f"race[{k}]": (race == k).astype(float) for k in ("other", "white")}
        return pd.DataFrame(indicators).assign(lwt=data.lwt.to_numpy()), data.low, None
    if model.startswith("infert"):
        data = read("datasets", "infert")
        chosen = data[["age", "parity", "induced", "spontaneous"]]
        return chosen, data.case, data.stratum if model.endswith("cluster") else None
    if model == "pima":
        data = read("MASS", "Pima.tr")
        return data[["npreg", "glu", "bp", "bmi", "ped"]], data.type.astype(str) == "Yes", None
    if model == "melanoma_ulcer":
        data = read("MASS", "Melanoma")
        return data[["thickness", "age", "sex"]], data.ulcer, None
    data = own("dose240")
    if model == "dose240":
        return data[["dose"]], data.y, None
    return pd.DataFrame({"ld": np.log(data.dose), "age": data.age}), data.y, None


def fitted(model: str) -> LogisticFit:
    covariates, event, cluster = columns_of(model)
    return logistic(
        covariates.to_numpy(float),
        np.asarray(event) == 1,
        terms=list(covariates.columns),
        cluster=None if cluster is None else np.asarray(cluster),
    )


@pytest.mark.parametrize("model", UNGROUPED)
def test_coefficients_errors_and_likelihoods_are_glms(model: str) -> None:
    expected = MODELS[model]
    fit = fitted(model)
    # R's glm takes its covariance from the step before the last: 1e-8 at its tightest setting.
    assert fit.coefficients.coef == pytest.approx(expected["coef"], rel=1e-9)
    assert fit.coefficients.se == pytest.approx(expected["se"], rel=1e-7)
    assert fit.log_likelihood == pytest.approx(expected["log_likelihood"], rel=1e-12)
    assert fit.deviance == pytest.approx(expected["deviance"], rel=1e-12)
    assert -2 * fit.log_likelihood_null == pytest.approx(expected["null_deviance"], rel=1e-12)
    if expected.get("robust_se"):
        assert fit.coefficients.robust_se == pytest.approx(expected["robust_se"], rel=1e-7)


@pytest.mark.parametrize("model", ["birthwt", "infert"])
def test_statsmodels_agrees(model: str) -> None:
    import statsmodels.api as sm

    covariates, event, _ = columns_of(model)
    other = sm.Logit(np.asarray(event, float), sm.add_constant(covariates.to_numpy(float)))
    result = other.fit(disp=False, method="newton", tol=1e-12)
    fit = fitted(model).coefficients
    assert fit.coef == pytest.approx(result.params, rel=1e-9)
    assert fit.se == pytest.approx(result.bse, rel=1e-9)


@pytest.mark.parametrize("link", ["logit", "probit"])
def test_grouped_rows_are_glms(link: str) -> None:
    data = read("MASS", "menarche")
    expected = MODELS["menarche" if link == "logit" else "menarche_probit"]
    columns = np.column_stack([np.ones(len(data)), data.Age])
    fit = fit_binomial(
        columns, data.Menarche.to_numpy(float), data.Total.to_numpy(float), link=link
    )
    assert fit.coef == pytest.approx(expected["coef"], rel=1e-9)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(expected["se"], rel=1e-6)
    assert fit.deviance == pytest.approx(expected["deviance"], rel=1e-10)


def dose_data(name: str) -> tuple[Any, Any, Any]:
    if name == "menarche":
        data = read("MASS", "menarche")
        return data.Age.to_numpy(float), data.Menarche.to_numpy(float), data.Total.to_numpy(float)
    data = own("dose240")
    return data.dose.to_numpy(float), data.y.to_numpy(float), None


@pytest.mark.parametrize("curve", R["curves"], ids=lambda c: f"{c['id']}-{c['scale']}-{c['link']}")
def test_d50_and_profile_limits_are_those_of_root_finding_in_r(curve: dict[str, Any]) -> None:
    dose, events, patients = dose_data(curve["id"])
    found = dose_curve(dose, events, patients, scale=curve["scale"], link=curve["link"])
    assert found.d50.value == pytest.approx(curve["d50"], rel=1e-9)
    assert found.d50.se == pytest.approx(curve["d50_se"], rel=1e-6)
    assert found.slope.value == pytest.approx(curve["slope"], rel=1e-9)
    assert found.gamma50.value == pytest.approx(curve["gamma50"], rel=1e-9)
    assert found.deviance == pytest.approx(curve["deviance"], rel=1e-9)
    # R's inner maximum comes from optimize(), good to about 1e-8 in the parameter.
    for quantity, limits in (
        (found.d50, curve["d50_limits"]),
        (found.slope, curve["slope_limits"]),
        (found.intercept, curve["intercept_limits"]),
    ):
        assert (quantity.lower, quantity.upper) == pytest.approx(sorted(limits), rel=1e-6)


@pytest.mark.parametrize("expected", GAMMA50["gamma50"], ids=lambda one: one["scale"])
def test_profile_limits_of_gamma50(expected: dict[str, Any]) -> None:
    # r/gamma50.R: the likelihood with gamma50 itself as the parameter, limits by uniroot
    dose, events, _ = dose_data("dose240")
    found = dose_curve(dose, events, scale=expected["scale"]).gamma50
    assert (found.lower, found.value, found.upper) == pytest.approx(
        (expected["lower"], expected["value"], expected["upper"]), rel=1e-9
    )


SPLINED = {
    "dose240": lambda: own("dose240").dose,
    "lwt": lambda: read("MASS", "birthwt").lwt,
    "ovarian_age": lambda: read("survival", "ovarian").age,
    "veteran_age": lambda: read("survival", "veteran").age,
}


@pytest.mark.parametrize("spline", R["splines"], ids=lambda s: f"{s['data']}-{s['k']}")
def test_knots_and_basis_are_those_of_harrells_package(spline: dict[str, Any]) -> None:
    # Hmisc::rcspline.eval with fractied = 0; ovarian has under 100 rows (fifth smallest, largest).
    values = SPLINED[spline["data"]]().to_numpy(float)
    knots = harrell_knots(values, spline["k"])
    assert knots == pytest.approx(spline["knots"], rel=1e-12)
    basis = restricted_cubic_basis(np.array(spline["x"], dtype=float), knots)
    assert basis == pytest.approx(np.array(spline["basis"]), rel=1e-9, abs=1e-9)


def test_a_basis_at_knots_of_ones_own() -> None:
    # r/gamma50.R: Hmisc::rcspline.eval, loaded with rms, at knots 50, 70, 90, 110, 130
    found = restricted_cubic_basis(np.array([60.0, 100.0, 140.0]), np.arange(50.0, 131.0, 20.0))
    assert found == pytest.approx(np.array(GAMMA50["basis"]), rel=1e-12)


def test_non_linearity_is_the_wald_test_of_the_bent_terms() -> None:
    expected = R["non_linearity"]["dose240"]
    data = own("dose240")
    frame = to_model_frame({"dose": data.dose.to_numpy(float)}, splines={"dose": 4})
    found = regress(RegressionRows(frame, data.y.to_numpy(int)), "logistic")
    assert found.coefficients.terms == ("intercept", "dose", "dose'", "dose''")
    assert found.coefficients.coef == pytest.approx(expected["coef"], rel=1e-8)
    (test,) = found.tests
    assert (test.name, test.term, test.df) == ("non-linearity", "dose", 2)
    assert test.statistic == pytest.approx(expected["statistic"], rel=1e-6)


def test_non_linearity_in_cox() -> None:
    expected = R["non_linearity"]["lung_age"]
    data = read("survival", "cancer")[["time", "status", "age"]].dropna()
    frame = to_model_frame({"age": data.age.to_numpy(float)}, splines={"age": 4})
    rows = RegressionRows(frame, (data.status == 2).to_numpy(int), data.time.to_numpy(float))
    found = regress(rows, "cox")
    assert frame.knots["age"] == pytest.approx(expected["knots"])
    assert found.coefficients.coef == pytest.approx(expected["coef"], rel=1e-7)
    assert found.tests[0].statistic == pytest.approx(expected["statistic"], rel=1e-7)
    assert [t.term for t in found.tests] == ["age", "age", "GLOBAL"]
    assert found.tests[1].df == 3
