"""Fine–Gray models against cmprsk::crr; values printed by r/fine_gray.R."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from public_data import FINE_GRAY

from analysis.models.cox import cox
from analysis.models.fine_gray import FineGrayFit, fine_gray

R = json.loads((Path(__file__).parent / "r" / "fine_gray.json").read_text())
MODELS = {(m["model"], m["cause"]): m for m in R["models"]}
PREDICTIONS = {(m["model"], m["cause"]): m for m in R["predictions"]}


def fitted(model: str, cause: int) -> FineGrayFit:
    if model == "tied_months":
        drawn = {key: np.array(value, dtype=float) for key, value in R[model].items()}
        columns = np.column_stack([drawn["x"], drawn["z"]])
        return fine_gray(columns, drawn["time"], drawn["status"], cause=cause)
    rows = FINE_GRAY[model]()
    return fine_gray(rows.matrix, rows.time, rows.status, cause=cause)


@pytest.mark.parametrize(("model", "cause"), list(MODELS))
def test_coefficients_and_published_sandwich_are_crr(model: str, cause: int) -> None:
    expected = MODELS[model, cause]
    assert expected["converged"]
    fit = fitted(model, cause)
    table = fit.coefficients
    assert (fit.n, fit.events) == (expected["n"], expected["events"])
    # crr ends Newton's method early (gtol 1e-10 on the score): 1e-7 standard errors on one model.
    se = np.array(expected["se"])
    assert np.max(np.abs(table.coef - expected["coef"]) / se) < 1e-7
    assert table.se == pytest.approx(expected["se"], rel=1e-7)
    assert fit.log_likelihood == pytest.approx(expected["log_likelihood"], rel=1e-10)
    assert fit.log_likelihood_null == pytest.approx(expected["log_likelihood_null"], rel=1e-10)


@pytest.mark.parametrize(("model", "cause"), list(PREDICTIONS))
def test_predicted_incidence_is_crrs(model: str, cause: int) -> None:
    expected = PREDICTIONS[model, cause]
    fit = fitted(model, cause)
    found = fit.cumulative_incidence(
        np.array([expected["covariates"]]), np.array(expected["time"], dtype=float)
    )
    assert found[0] == pytest.approx(expected["incidence"], rel=1e-7)


def test_the_naive_error_is_not_reported() -> None:
    # Trap: naive errors of weighted fits are 4-34 % off; crr's for mgus2 age, R 4.2, is 0.005737.
    table = fitted("mgus2", 1).coefficients
    assert table.se[0] == pytest.approx(0.00573710324167716, rel=1e-9)
    assert abs(0.0070224496517342 / table.se[0] - 1) > 0.2


def test_without_competing_events_it_is_cox_with_breslow_ties() -> None:
    # Without competing events the weights are 1 and the pseudo-likelihood is Cox's; the sandwich is
    # the robust one of Lin and Wei with a cluster a row, as no row depends on the censoring.
    rows = FINE_GRAY["melanoma"]()
    event = rows.status == 1
    fit = fine_gray(rows.matrix, rows.time, event.astype(int))
    other = cox(rows.matrix, rows.time, event, ties="breslow", cluster=np.arange(len(event)))
    assert fit.coefficients.coef == pytest.approx(other.coefficients.coef, rel=1e-10)
    assert fit.log_likelihood == pytest.approx(other.log_likelihood, rel=1e-12)
    assert fit.coefficients.se == pytest.approx(other.coefficients.robust_se, rel=1e-10)


def test_without_censoring_competing_rows_stay_for_ever() -> None:
    # Then the model is Cox's with competing times moved beyond the last event (Fine & Gray 1999).
    rows = FINE_GRAY["melanoma"]()
    seen = rows.status > 0
    matrix, time, status = rows.matrix[seen], rows.time[seen], rows.status[seen]
    fit = fine_gray(matrix, time, status)
    moved = np.where(status == 2, time.max() + 1, time)
    other = cox(matrix, moved, status == 1, ties="breslow")
    assert fit.coefficients.coef == pytest.approx(other.coefficients.coef, rel=1e-10)


def test_nothing_is_predicted_beyond_the_last_follow_up() -> None:
    fit = fitted("melanoma", 1)
    found = fit.cumulative_incidence(np.zeros((1, 4)), np.array([0.0, 1e6]))[0]
    assert found[0] == 0.0
    assert np.isnan(found[1])
