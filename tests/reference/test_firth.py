"""Firth models against brglm2 and an R maximiser; values printed by r/firth.R."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from public_data import own, read

from analysis.models.coefficients import Coefficients
from analysis.models.discrete_time import firth_discrete_time, person_periods
from analysis.models.firth import FirthFit, firth_cox, firth_logistic
from analysis.models.flac import flac

R = json.loads((Path(__file__).parent / "r" / "firth.json").read_text())
MAXIMISED = {m["model"]: m for m in R["maximised"]}
DISCRETE = json.loads((Path(__file__).parent / "r" / "firth_discrete_time.json").read_text())
BRGLM2 = {m["model"]: m for m in R["brglm2"]}


def fitted(model: str) -> FirthFit:
    if model == "endometrial":
        data = own("endometrial")
        return firth_logistic(
            data[["NV", "PI", "EH"]].to_numpy(float), data.HG == 1, terms=["NV", "PI", "EH"]
        )
    if model == "birthwt_ht_or_ui":
        data = read("MASS", "birthwt")
        data = data[(data.ht == 1) | (data.ui == 1)]
        terms = ["age", "lwt", "smoke"]
        return firth_logistic(data[terms].to_numpy(float), data.low == 1, terms=terms)
    if model == "rare300":
        data = own("rare300")
        terms = ["x1", "x2", "x3"]
        return firth_logistic(data[terms].to_numpy(float), data.event == 1, terms=terms)
    return fitted_cox(*model.rsplit("_", 1))


def fitted_cox(model: str, ties: str) -> FirthFit:
    how: dict[str, Any] = {"ties": ties}
    if model == "rare300_cox":
        data, terms = own("rare300"), ["x1", "x2", "x3"]
        time, event = data.time, data.event == 1
    elif model == "ovarian_cox":
        data, terms = read("survival", "ovarian"), ["age", "rx"]
        time, event = data.futime, data.fustat == 1
    elif model == "heart_cox":
        data, terms = read("survival", "heart"), ["surgery"]
        time, event = data.stop, data.event == 1
        how |= {
            "entry": data.start.to_numpy(float),
            "strata": data.transplant.astype(str).to_numpy(),
        }
    else:
        data, terms = read("MASS", "Melanoma"), ["sex", "thickness", "ulcer"]
        time, event = data.time, data.status == 3
    return firth_cox(
        data[terms].to_numpy(float), time.to_numpy(float), event.to_numpy(), terms=terms, **how
    )


def column(table: Coefficients, expected: dict[str, Any], name: str) -> Any:
    terms = expected["terms"] if isinstance(expected["terms"], list) else [expected["terms"]]
    return np.asarray(getattr(table, name))[[table.of(term) for term in terms]]


def values(expected: dict[str, Any], name: str) -> Any:
    found = expected[name] if isinstance(expected[name], list) else [expected[name]]
    return np.array([np.nan if v is None else v for v in found], dtype=float)


@pytest.mark.parametrize("model", list(MAXIMISED))
def test_coefficients_limits_and_p_are_those_of_the_maximiser(model: str) -> None:
    expected = MAXIMISED[model]
    fit = fitted(model)
    table = fit.coefficients
    # R's optim() with numerical slopes is good to a few 1e-7; the limits were root-found to 1e-9.
    assert column(table, expected, "coef") == pytest.approx(values(expected, "coef"), abs=2e-6)
    for name in ("lower", "upper"):
        known = ~np.isnan(values(expected, name))
        assert column(table, expected, name)[known] == pytest.approx(
            values(expected, name)[known], abs=1e-6
        )
    known = ~np.isnan(values(expected, "p"))
    assert column(table, expected, "p")[known] == pytest.approx(
        values(expected, "p")[known], rel=1e-7
    )
    assert fit.log_likelihood == pytest.approx(expected["log_likelihood"], rel=1e-10)
    assert table.interval == "profile penalised likelihood"


@pytest.mark.parametrize("model", ["endometrial", "rare300", "birthwt_ht_or_ui"])
def test_logistic_coefficients_are_brglm2s(model: str) -> None:
    assert fitted(model).coefficients.coef == pytest.approx(BRGLM2[model]["coef"], rel=1e-7)


def test_endometrial_as_published() -> None:
    # Heinze & Schemper 2002, Stat Med 21:2409–2419, endometrial cancer (the table equals brglm2's
    # `endometrial`, row by row): NV has no finite estimate; Firth 2.929 with profile limits 0.610
    # to 7.855 (figures from memory, equal to R's here).
    table = fitted("endometrial").coefficients
    nv = table.of("NV")
    assert (table.coef[nv], table.lower[nv], table.upper[nv]) == pytest.approx(
        (2.929, 0.610, 7.855), abs=1e-3
    )


def test_discrete_time_is_the_direct_maximum_of_the_penalised_likelihood() -> None:
    data = own("rare300")
    found = firth_discrete_time(
        data[["x1", "x2", "x3"]].to_numpy(float),
        data.time.to_numpy(float),
        data.event.to_numpy() == 1,
        np.arange(0.0, 121.0, 24.0),
        terms=["x1", "x2", "x3"],
    ).fit
    expected = DISCRETE["parts"]
    assert found.coefficients.coef == pytest.approx(expected["coef"], abs=5e-6)
    assert found.log_likelihood == pytest.approx(expected["log_likelihood"], rel=1e-10)
    assert np.isfinite(found.coefficients.upper[-3:]).all()
    assert np.isnan(found.coefficients.upper[:5]).all()


def test_whole_intervals_are_the_direct_maximum_too() -> None:
    # Censorings moved to the end of the interval before: every piece is then whole.
    data = own("rare300")
    event = data.event.to_numpy() == 1
    time = np.where(event, data.time, data.time // 24 * 24).astype(float)
    followed = time > 0
    found = firth_discrete_time(
        data[["x1", "x2", "x3"]].to_numpy(float)[followed],
        time[followed],
        event[followed],
        np.arange(0.0, 121.0, 24.0),
    )
    assert found.fit.coefficients.coef == pytest.approx(DISCRETE["whole"]["coef"], abs=5e-6)


def test_discrete_time_risks_add_up_with_flic() -> None:
    # Expected events over the pieces, with the FLIC intercept, are the events seen.
    data = own("rare300")
    matrix = data[["x1", "x2", "x3"]].to_numpy(float)
    time, event = data.time.to_numpy(float), data.event.to_numpy() == 1
    edges = np.arange(0.0, 121.0, 24.0)
    found = firth_discrete_time(matrix, time, event, edges)
    pieces = person_periods(time, event, edges)
    coef = found.fit.coefficients.coef
    eta = np.concatenate(([0.0], coef[1:5]))[pieces.interval] + matrix[pieces.row] @ coef[5:]
    assert found.fit.flic_intercept is not None
    hazard = pieces.part * np.exp(found.fit.flic_intercept + eta)
    assert -np.expm1(-hazard).sum() == pytest.approx(8, abs=1e-6)
    assert found.risk(matrix).shape == (300,)


def test_with_many_intervals_discrete_time_nears_cox() -> None:
    data = read("MASS", "Melanoma")
    matrix = data[["sex", "thickness", "ulcer"]].to_numpy(float)
    time, event = data.time.to_numpy(float), (data.status == 1).to_numpy()
    edges = np.concatenate(([0.0], np.unique(np.quantile(time[event], np.linspace(0.1, 1, 10)))))
    discrete = firth_discrete_time(matrix, time, event, edges).fit.coefficients.coef[-3:]
    continuous = firth_cox(matrix, time, event).coefficients
    assert np.all(np.abs(discrete - continuous.coef) < 0.25 * continuous.se)


def test_plain_firth_risks_are_too_high_and_the_corrections_are_not() -> None:
    # Puhr et al. 2017; this project's statistics page measured 28 % at 8 events.
    data = own("rare300")
    matrix, event = data[["x1", "x2", "x3"]].to_numpy(float), data.event.to_numpy() == 1
    fit = firth_logistic(matrix, event)
    coef = fit.coefficients.coef
    plain = 1 / (1 + np.exp(-(coef[0] + matrix @ coef[1:])))
    assert plain.sum() / 8 > 1.1
    assert fit.flic_risk(matrix).sum() == pytest.approx(8, abs=1e-9)
    assert flac(matrix, event).risk(matrix).sum() == pytest.approx(8, abs=1e-7)


def test_testing_one_term_together_is_its_own_test() -> None:
    fit = fitted("rare300_cox_breslow")
    statistic, df, p = fit.test_together([0])
    assert (statistic, df) == (pytest.approx(fit.statistic[0], rel=1e-8), 1)
    assert p == pytest.approx(fit.coefficients.p[0], rel=1e-8)
    everything = fit.test_together([0, 1, 2])
    assert everything[0] == pytest.approx(fit.likelihood_ratio, rel=1e-9)
