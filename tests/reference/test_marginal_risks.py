"""Standardised risks against averaged predictions in R and riskRegression's (marginal_risks.R)."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from public_data import read

from analysis.models.design_matrix import to_model_frame
from analysis.models.marginal_risks import StandardisedColumn, marginal_risks
from analysis.models.regression import RegressionRows

R: dict[str, Any] = json.loads((Path(__file__).parent / "r" / "marginal_risks.json").read_text())


def values(found: StandardisedColumn, level: int = 0) -> list[float]:
    names = list(dict.fromkeys(one.level for one in found.risks))
    return [one.risk.value for one in found.risks if one.level == names[level]]


def standardise(
    rows: RegressionRows, model: str, column: str, at: Any = (), **more: Any
) -> StandardisedColumn:
    rng = np.random.default_rng(1)
    return marginal_risks(rows, model, column, at, rng=rng, **{"replicates": 2, **more})


def births(few: bool = False) -> RegressionRows:
    data = read("MASS", "birthwt").reset_index(drop=True)
    if few:
        data = data[(data.low == 0) | ((data.index + 1) % 8 == 0)]
    columns = {"smoke": data.smoke.to_numpy(float), "lwt": data.lwt.to_numpy(float)}
    if not few:
        columns["race"] = data.race.astype(str).tolist()
    return RegressionRows(to_model_frame(columns), data.low.to_numpy(np.int64))


def lung(*columns: str, rows: int | None = None) -> tuple[Any, RegressionRows]:
    names = ["time", "status", "age", "ph.ecog", "sex", "inst"]
    data = read("survival", "cancer")[names].dropna().iloc[:rows]
    frame = to_model_frame({name: data[name].to_numpy(float) for name in columns})
    return data, RegressionRows(
        frame, (data.status == 2).to_numpy(np.int64), data.time.to_numpy(float)
    )


def mgus(step: int, *columns: str) -> RegressionRows:
    data = read("survival", "mgus2")
    data = data[data.hgb.notna()]
    if "age" in columns:
        data = data[data.age.notna()]
    data = data.iloc[::step]
    first = np.where(data.pstat == 1, data.ptime, data.futime).astype(float)
    event = np.where(data.pstat == 1, 1, 2 * data.death).astype(np.int64)
    parts = {name: data[name].to_numpy(float) for name in columns if name != "sex"}
    frame = to_model_frame({"sex": data.sex.tolist(), **parts})
    return RegressionRows(frame, event, first)


def test_logistic_risks_difference_and_ratio() -> None:
    found, expected = standardise(births(), "logistic", "smoke", replicates=400), R["logistic"]
    assert [one.risk.value for one in found.risks] == pytest.approx(expected["risk"], rel=1e-10)
    contrast = found.contrasts[0]
    assert contrast.difference.value == pytest.approx(expected["difference"], rel=1e-9)
    assert contrast.ratio.value == pytest.approx(expected["ratio"], rel=1e-10)
    # R's delta method holds the covariates of the sample; the bootstrap draws them too.
    assert contrast.difference.se == pytest.approx(expected["difference_se"], rel=0.12)
    low, high = (expected["difference"] + s * 1.96 * expected["difference_se"] for s in (-1, 1))
    assert contrast.difference.lower == pytest.approx(low, abs=0.03)
    assert contrast.difference.upper == pytest.approx(high, abs=0.03)


def test_firth_logistic_risks_have_the_flic_intercept() -> None:
    # brglm2's AS_mean estimates with the intercept refitted by glm
    found = standardise(births(few=True), "firth-logistic", "smoke")
    assert [one.risk.value for one in found.risks] == pytest.approx(
        R["firth_logistic"]["risk"], rel=1e-6
    )


def test_cox_risks_are_the_mean_of_survfits_predictions() -> None:
    _, rows = lung("sex", "age", "ph.ecog")
    found = standardise(rows, "cox", "sex", R["cox"]["at"])
    assert values(found, 0) == pytest.approx(R["cox"]["men"], rel=1e-8)
    assert values(found, 1) == pytest.approx(R["cox"]["women"], rel=1e-8)


def test_cox_risks_and_their_spread_are_riskregressions() -> None:
    # ate() of riskRegression, Breslow's ties as there; its SE is by the influence function
    _, rows = lung("sex", "age", "ph.ecog")
    found = standardise(rows, "cox", "sex", [180, 365], ties="breslow", replicates=300)
    expected = R["ate_cox"]
    assert [*values(found, 0), *values(found, 1)] == pytest.approx(expected["estimate"], rel=1e-6)
    assert [one.difference.value for one in found.contrasts] == pytest.approx(
        expected["difference"], rel=1e-6
    )
    spread = [one.difference.se for one in found.contrasts]
    assert spread == pytest.approx(expected["difference_se"], rel=0.15)


def test_rows_are_read_in_their_own_stratum() -> None:
    data, rows = lung("sex", "age")
    by_half = RegressionRows(rows.frame, rows.status, rows.time, None, (data.inst > 11).to_numpy())
    found = standardise(by_half, "cox", "sex", [180, 365])
    assert values(found, 0) == pytest.approx(R["strata"]["men"], rel=1e-8)
    assert values(found, 1) == pytest.approx(R["strata"]["women"], rel=1e-8)


def test_competing_events_make_it_an_incidence() -> None:
    found = standardise(mgus(4, "sex", "age", "hgb"), "cox", "sex", R["incidence"]["at"])
    assert found.is_incidence
    assert values(found, 0) == pytest.approx(R["incidence"]["F"], rel=1e-8)
    assert values(found, 1) == pytest.approx(R["incidence"]["M"], rel=1e-8)
    # riskRegression adds up S(t-) dL, to first order in the steps of the hazard: half a percent
    assert [*values(found, 0), *values(found, 1)] == pytest.approx(
        R["ate_causes"]["estimate"], rel=6e-3
    )


def test_fine_gray_risks_are_the_mean_of_crrs_predictions() -> None:
    found = standardise(mgus(2, "sex", "hgb"), "fine-gray", "sex", [60, 120])
    assert values(found, 0) == pytest.approx(R["fine_gray"]["women"], rel=1e-6)
    assert values(found, 1) == pytest.approx(R["fine_gray"]["men"], rel=1e-6)


def test_firth_cox_risks_have_breslows_baseline() -> None:
    _, rows = lung("sex", "age", rows=80)
    found = standardise(rows, "firth-cox", "sex", [180, 365])
    assert values(found, 0) == pytest.approx(R["firth_cox"]["men"], rel=1e-5)
    assert values(found, 1) == pytest.approx(R["firth_cox"]["women"], rel=1e-5)


def test_without_confounding_it_is_the_plain_risk_of_each_group() -> None:
    # One binary covariate: the logistic model is saturated, by hand 3/8 and 2/12.
    event = np.array([1] * 3 + [0] * 5 + [1] * 2 + [0] * 10)
    frame = to_model_frame({"arm": ["b"] * 8 + ["a"] * 12})
    found = standardise(RegressionRows(frame, event), "logistic", "arm")
    assert [one.risk.value for one in found.risks] == pytest.approx([2 / 12, 3 / 8])
    assert found.contrasts[0].ratio.value == pytest.approx((3 / 8) / (2 / 12))


def test_samples_draw_whole_patients() -> None:
    # Every row twice under one patient: the spread is that of single rows, not a root two less.
    single = births()
    frame = to_model_frame({"smoke": np.repeat(single.frame.matrix[:, 0], 2)})
    patient = np.repeat(np.arange(len(single.status)), 2)
    twice = RegressionRows(frame, np.repeat(single.status, 2), cluster=patient)
    alone = RegressionRows(to_model_frame({"smoke": single.frame.matrix[:, 0]}), single.status)
    wide = standardise(twice, "logistic", "smoke", replicates=300).contrasts[0].difference.se
    expected = standardise(alone, "logistic", "smoke", replicates=300).contrasts[0].difference.se
    assert wide == pytest.approx(expected, rel=0.15)


def test_nothing_beyond_the_last_follow_up_and_no_limits_from_few_samples() -> None:
    _, rows = lung("sex", "age")
    found = standardise(rows, "cox", "sex", [5000.0])
    assert np.isnan(found.risks[0].risk.value)
    rare = RegressionRows(
        to_model_frame({"arm": ["a"] * 30 + ["b"] * 3, "age": np.arange(33.0)}),
        np.array([1, 0] * 15 + [1, 0, 0]),
    )
    without = standardise(rare, "logistic", "arm", replicates=60)
    assert without.fitted < 54
    assert np.isnan(without.contrasts[0].difference.lower)
    assert not np.isnan(without.contrasts[0].difference.value)
