"""Everybody's mean risk under a fitted model, as a function of the covariates.

Each function fits one model to the rows and returns what gives the mean risk at each time from
other covariates of the same rows. Where each risk comes from:

- logistic: the model's own. Firth logistic: with the FLIC intercept, so that the risks sum to the
  events (plain Firth risks are pulled towards one half).
- Cox, and Firth Cox with Breslow's baseline at its coefficients: 1 − exp(−Λ₀(t) e^{x'β}), each row
  in its own stratum. With competing events every cause has such a model, and the incidence of event
  1 is put together from all hazards; a cause with under five events has its own hazard, Nelson's
  and Aalen's, without covariates.
- Fine–Gray: 1 − exp(−Λ₀(t) e^{x'β}) of the subdistribution, which is the incidence itself.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from analysis.models.binomial_likelihood import BinomialData, inverse_link, penalised_binomial
from analysis.models.centred_columns import CentredColumns
from analysis.models.coefficients import FEWEST_EVENTS, wald_coefficients
from analysis.models.cox import CoxFit, cox, prepare_cox
from analysis.models.design_matrix import check_columns
from analysis.models.fine_gray import fine_gray
from analysis.models.firth import flic_intercept, penalised_partial
from analysis.models.logistic import logistic
from analysis.models.profile_likelihood import maximise_penalised
from analysis.models.regression import RegressionRows
from analysis.models.risk_sets import partial_likelihood
from analysis.models.standardised import Hazard, mean_incidence, mean_survival, nelson_aalen
from registry.errors import RefusedEstimateError

Array = NDArray[np.float64]
Risks = Callable[[Array], Array]
"""From covariates (n, p) of the model's rows to their mean risk at each time, (k,)."""


def predict_risks(
    rows: RegressionRows, model: str, at: Array, ties: str | None, *, fewest: int
) -> Risks:
    """Fit a model and return the mean risks it predicts.

    Parameters
    ----------
    rows, model, ties
        As for :func:`analysis.models.regression.regress`.
    at
        Times, shape (k,); of no meaning for a logistic model, whose result has shape (1,).
    fewest
        Under so many events the model is refused.

    Returns
    -------
    callable
        NaN at a time beyond the last follow-up of a stratum that somebody is in.
    """
    if model == "logistic":
        return _logistic(rows, fewest)
    if model == "firth-logistic":
        return _firth_logistic(rows, fewest)
    if model == "fine-gray":
        return _fine_gray(rows, at, fewest)
    return _hazard_models(rows, at, model == "firth-cox", ties, fewest)


def _logistic(rows: RegressionRows, fewest: int) -> Risks:
    fit = logistic(
        rows.frame.matrix, rows.status == 1, terms=rows.frame.terms, fewest_events=fewest
    )
    coef = fit.coefficients.coef
    return lambda matrix: inverse_link("logit", matrix @ coef[1:] + coef[0]).mean(keepdims=True)


def _firth_logistic(rows: RegressionRows, fewest: int) -> Risks:
    matrix, event = rows.frame.matrix, (rows.status == 1).astype(float)
    if not fewest <= event.sum() <= len(event) - fewest:
        raise RefusedEstimateError("Too few events or rows without one.", events=int(event.sum()))
    check_columns(matrix, rows.frame.terms)
    ones = np.ones(len(event))
    centred = CentredColumns.of(np.column_stack([ones, matrix]))
    data = BinomialData(centred.matrix, event, ones, 0.0 * ones, "logit")
    start = np.zeros(matrix.shape[1] + 1)
    top = maximise_penalised(lambda beta: penalised_binomial(data, beta), start).coefficients
    coef = centred.back() @ np.concatenate(([flic_intercept(data, top)], top[1:]))
    return lambda set_to: inverse_link("logit", set_to @ coef[1:] + coef[0]).mean(keepdims=True)


def _fine_gray(rows: RegressionRows, at: Array, fewest: int) -> Risks:
    if rows.time is None:
        raise ValueError("fine-gray needs times")
    fit = fine_gray(
        rows.frame.matrix, rows.time, rows.status, terms=rows.frame.terms, fewest_events=fewest
    )
    return lambda matrix: fit.cumulative_incidence(matrix, at).mean(axis=0)


def _hazard_models(
    rows: RegressionRows, at: Array, is_firth: bool, ties: str | None, fewest: int
) -> Risks:
    """A hazard model a cause; rows are read in their own stratum."""
    if rows.time is None:
        raise ValueError("a hazard model needs times")
    time = rows.time
    codes = np.zeros(len(time), dtype=np.int64)
    if rows.strata is not None:
        codes = np.unique(rows.strata, return_inverse=True)[1]
    causes = [1, *(int(code) for code in np.unique(rows.status) if code > 1)]
    fit = _firth_hazard if is_firth else _cox_hazard
    fits: dict[int, CoxFit] = {}
    bare = []
    for cause in causes:
        event = rows.status == cause
        if cause != 1 and event.sum() < FEWEST_EVENTS:
            bare.append(nelson_aalen(time, rows.entry, event, codes))
            continue
        fits[cause] = fit(rows, event, codes, ties, fewest)
    last = np.array([time[codes == code].max() for code in range(int(codes.max()) + 1)])

    def risks(matrix: Array) -> Array:
        total = np.zeros(len(at))
        for code in range(len(last)):
            mine = matrix[codes == code]
            hazards = _hazards(fits, bare, mine, code)
            known = (
                mean_incidence(hazards, at) if len(causes) > 1 else 1 - mean_survival(hazards, at)
            )
            total += np.where(at <= last[code], known, np.nan) * len(mine) / len(matrix)
        return total

    return risks


def _hazards(
    fits: dict[int, CoxFit],
    bare: list[tuple[Array, Array, NDArray[np.int64]]],
    matrix: Array,
    code: int,
) -> list[Hazard]:
    """Event times, baseline steps and each row's relative hazard in one stratum; event 1 first."""
    hazards: list[Hazard] = []
    for fit in fits.values():
        centre = fit.data.centre
        time, hazard, stratum = fit.baseline_hazard(centre)
        label = np.array(fit.data.strata)[stratum] == code
        relative = np.exp((matrix - centre) @ fit.coefficients.coef)
        hazards.append((time[label], np.diff(hazard[label], prepend=0.0), relative))
    for time, step, stratum in bare:
        mine = stratum == code
        hazards.append((time[mine], step[mine], np.ones(len(matrix))))
    return hazards


def _cox_hazard(
    rows: RegressionRows,
    event: NDArray[np.bool_],
    codes: NDArray[np.int64],
    ties: str | None,
    fewest: int,
) -> CoxFit:
    assert rows.time is not None
    return cox(
        rows.frame.matrix, rows.time, event, terms=rows.frame.terms, entry=rows.entry,
        strata=codes, ties=ties or "efron", fewest_events=fewest,
    )  # fmt: skip


def _firth_hazard(
    rows: RegressionRows,
    event: NDArray[np.bool_],
    codes: NDArray[np.int64],
    ties: str | None,
    fewest: int,
) -> CoxFit:
    """The Firth coefficients with the baseline hazard that goes with them."""
    assert rows.time is not None
    data = prepare_cox(
        rows.frame.matrix, rows.time, event, terms=rows.frame.terms, entry=rows.entry,
        strata=codes, ties=ties or "breslow", fewest_events=fewest,
    )  # fmt: skip
    start = np.zeros(len(data.terms))
    top = maximise_penalised(lambda beta: penalised_partial(data, beta), start)
    point = partial_likelihood(data.sets, data.matrix, top.coefficients)
    covariance = np.eye(len(start))  # of no use here, and not always to be had under separation
    return CoxFit(
        wald_coefficients(data.terms, top.coefficients / data.scale, covariance, level=0.95),
        covariance, None, point.log_likelihood, np.nan, len(data.time), data.sets.n_events, None,
        top.iterations, top.gradient, data, point,
    )  # fmt: skip
