"""Cox models and proportional-hazards tests against R's survival; values printed by r/cox.R."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from public_data import COX, Rows, lung, read

from analysis.models.cox import CoxFit, cox
from analysis.models.proportional_hazards import GLOBAL, proportional_hazards_tests

R = json.loads((Path(__file__).parent / "r" / "cox.json").read_text())
MODELS = {(m["model"], m["ties"]): m for m in R["models"]}


def as_list(value: Any) -> list[float]:
    return value if isinstance(value, list) else [value]


def fitted(rows: Rows, ties: str) -> CoxFit:
    return cox(
        rows.matrix,
        rows.time,
        rows.status == 1,
        terms=list(rows.covariates.columns),
        entry=rows.entry,
        strata=rows.strata,
        cluster=rows.cluster,
        ties=ties,
    )


@pytest.mark.parametrize(("model", "ties"), list(MODELS))
def test_coefficients_errors_and_likelihoods_are_coxph(model: str, ties: str) -> None:
    expected = MODELS[model, ties]
    fit = fitted(COX[model](), ties)
    table = fit.coefficients
    assert (fit.n, fit.events) == (expected["n"], expected["events"])
    se = np.array(as_list(expected["se"]))
    assert np.max(np.abs(table.coef - as_list(expected["coef"])) / se) < 1e-9
    assert table.se == pytest.approx(as_list(expected["se"]), rel=1e-9)
    if expected["robust_se"]:
        assert table.robust_se == pytest.approx(as_list(expected["robust_se"]), rel=1e-9)
        assert table.interval == "robust wald"
    else:
        assert table.robust_se is None
    assert fit.log_likelihood == pytest.approx(expected["log_likelihood"], rel=1e-12)
    assert fit.log_likelihood_null == pytest.approx(expected["log_likelihood_null"], rel=1e-12)


ZPH = [(m, t, tr) for (m, t), v in MODELS.items() for tr in ("km", "rank", "identity", "log")
       if f"zph_{tr}" in v]  # fmt: skip


@pytest.mark.parametrize(("model", "ties", "transform"), ZPH)
def test_proportional_hazards_tests_are_cox_zph(model: str, ties: str, transform: str) -> None:
    expected = MODELS[model, ties][f"zph_{transform}"]
    found = proportional_hazards_tests(fitted(COX[model](), ties), transform=transform)
    assert found[-1].term == GLOBAL
    assert [t.statistic for t in found] == pytest.approx(expected["chisq"], rel=1e-8, abs=1e-10)
    assert [t.df for t in found] == expected["df"]
    assert [t.p for t in found] == pytest.approx(expected["p"], rel=1e-8)


@pytest.mark.parametrize("model", ["veteran_celltype", "colon_death"])
def test_indicators_of_one_column_are_tested_together(model: str) -> None:
    rows = COX[model]()
    columns = [name.split("[")[0] for name in rows.covariates.columns]
    found = proportional_hazards_tests(fitted(rows, "efron"), columns=columns)
    expected = MODELS[model, "efron"]["zph_terms"]
    assert [t.term for t in found] == expected["term"]
    assert [t.statistic for t in found] == pytest.approx(expected["chisq"], rel=1e-8)
    assert [t.df for t in found] == expected["df"]


def test_todays_test_is_not_the_old_approximation() -> None:
    # libraries' trap: veteran, trt stratified by cell type, rank transform: R 0.005, old form 0.35.
    fit = fitted(COX["veteran_strata"](), "efron")
    trt = proportional_hazards_tests(fit, transform="rank")[0]
    assert trt.statistic == pytest.approx(0.005, abs=5e-4)


def test_baseline_predictions_and_residuals_are_survfits() -> None:
    expected = R["lung_efron"]
    fit = fitted(COX["lung"](), "efron")
    times, hazard, _ = fit.baseline_hazard()
    at = np.concatenate(([0.0], hazard))[np.searchsorted(times, expected["time"], side="right")]
    assert at == pytest.approx(expected["cumulative_hazard"], rel=1e-9)
    covariates = np.array([[60.0, 1.0, 1.0]])
    survival = fit.survival(covariates, np.array(expected["at"], dtype=float))
    assert survival[0] == pytest.approx(expected["survival"], rel=1e-9)
    assert fit.martingale_residuals() == pytest.approx(expected["martingale"], abs=1e-9)
    dfbeta = fit.score_residuals() @ fit.covariance
    assert dfbeta == pytest.approx(np.array(expected["dfbeta"]), abs=1e-11)


def test_nothing_is_predicted_beyond_the_last_follow_up() -> None:
    fit = fitted(COX["lung"](), "efron")
    beyond = fit.survival(np.array([[60.0, 1.0, 1.0]]), np.array([0.0, 1022.0, 1023.0]))[0]
    assert beyond[0] == 1.0
    assert np.isnan(beyond[2])
    assert not np.isnan(beyond[1])


def test_textbook_leukaemia_remission() -> None:
    # Freireich 1963 in most textbooks: log hazard ratio 1.572 (Efron), 1.509 (Breslow); SE from R.
    for ties, coef, se in (("efron", 1.57213, 0.41240), ("breslow", 1.50919, 0.40956)):
        table = fitted(COX["gehan"](), ties).coefficients
        assert table.coef[0] == pytest.approx(coef, abs=5e-6)
        assert table.se[0] == pytest.approx(se, abs=5e-6)


def test_rossi_as_lifelines_documents_it() -> None:
    # lifelines documentation: -0.38 -0.06 0.31 -0.15 -0.43 -0.08 0.09.
    table = fitted(COX["rossi"](), "efron").coefficients
    expected = [-0.38, -0.06, 0.31, -0.15, -0.43, -0.08, 0.09]
    assert table.coef == pytest.approx(expected, abs=5e-3)


def test_statsmodels_agrees_where_no_rows_enter_late() -> None:
    # A second program; it counts entry == t as at risk, so only without delayed entry.
    from statsmodels.duration.hazard_regression import PHReg

    data = lung()
    columns = data[["age", "sex", "ph.ecog"]].to_numpy(float)
    other = PHReg(data.time.to_numpy(float), columns, (data.status == 2).to_numpy(), ties="efron")
    table = fitted(COX["lung"](), "efron").coefficients
    assert table.coef == pytest.approx(other.fit().params, rel=1e-9)


def test_entry_equal_to_an_event_time_is_not_at_risk() -> None:
    # Trap: statsmodels counts it (0.14 standard errors off on heart). entry < t is what R has;
    # moving such entries on by a millionth changes nothing here.
    data = read("survival", "heart")
    columns = data[["age", "year"]].to_numpy(float)
    time, event = data.stop.to_numpy(float), data.event.to_numpy() == 1
    entry = data.start.to_numpy(float)
    assert np.isin(entry, time[event]).any()
    plain = cox(columns, time, event, entry=entry).coefficients.coef
    moved = cox(columns, time, event, entry=np.where(entry > 0, entry + 1e-6, 0.0))
    assert moved.coefficients.coef == pytest.approx(plain, rel=1e-12)


def test_times_equal_up_to_rounding_are_ties() -> None:
    # Trap: 0.1 + 0.2 against 0.3; R merges them.
    x = np.array([[1.0], [3.0], [2.0], [5.0], [4.0], [2.0], [6.0], [1.0]])
    exact = np.array([0.3, 0.3, 0.3, 0.5, 0.5, 0.7, 0.9, 1.1])
    noisy = np.array([0.3, 0.1 + 0.2, 0.3, 0.5, 0.4 + 0.1, 0.7, 0.9, 1.1])
    event = np.array([1, 1, 0, 1, 1, 1, 1, 0], dtype=bool)
    noisy[3] = np.nextafter(0.5, 1)
    assert cox(x, noisy, event).log_likelihood == cox(x, exact, event).log_likelihood
