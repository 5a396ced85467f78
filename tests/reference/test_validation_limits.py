"""Optimism and its limits against coxph, concordance and glm on the same resamples.

The values come from r/validation_limits.R, which works the optimism and the limits by hand; both
sides draw with Park and Miller's generator, so that the resamples are the same to the row.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray
from public_data import read
from scipy.stats import norm

from analysis.models.cox import cox
from analysis.models.discrimination import (
    Validation,
    concordance,
    linear_predictor,
    validate_cox,
    validate_logistic,
)

R = json.loads((Path(__file__).parent / "r" / "validation_limits.json").read_text())
Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


class ParkMiller:
    """x ← 16807 x mod (2³¹ − 1), exact in R's doubles, from the seed of the R script."""

    def __init__(self) -> None:
        self.state = 20261125

    def integers(self, low: int, high: int, size: int) -> NDArray[np.int64]:
        found = np.empty(size, dtype=np.int64)
        for place in range(size):
            self.state = self.state * 16807 % 2147483647
            found[place] = low + int(self.state / 2147483647 * (high - low))
        return found


def drawn_alike() -> np.random.Generator:
    return cast(np.random.Generator, ParkMiller())


def lung() -> tuple[Array, Array, BoolArray]:
    data = read("survival", "cancer")[["time", "status", "age", "sex", "ph.ecog"]].dropna()
    columns = data[["age", "sex", "ph.ecog"]].to_numpy(float)
    return columns, data.time.to_numpy(float), (data.status == 2).to_numpy()


def melanoma() -> tuple[Array, Array, BoolArray]:
    data = read("MASS", "Melanoma")
    columns = data[["thickness", "ulcer", "sex"]].to_numpy(float)
    return columns, data.time.to_numpy(float), (data.status == 1).to_numpy()


def retinopathy() -> tuple[Array, Array, BoolArray, NDArray[np.int64]]:
    """Two eyes a patient."""
    data = read("survival", "retinopathy")
    columns = data[["age", "trt", "risk"]].to_numpy(float)
    event = (data.status == 1).to_numpy()
    return columns, data.futime.to_numpy(float), event, data.id.to_numpy(np.int64)


def validated(name: str) -> Validation:
    draws: Any = {"resamples": R["samples"], "rng": drawn_alike()}
    if name == "lung":
        return validate_cox(*lung(), **draws)
    if name == "lung_breslow":
        columns, time, event = lung()
        return validate_cox(columns, np.round(time / 60), event, ties="breslow", **draws)
    if name == "melanoma":
        return validate_cox(*melanoma(), **draws)
    if name == "birthwt":
        data = read("MASS", "birthwt")
        columns = data[["age", "lwt", "smoke", "ht", "ui"]].to_numpy(float)
        return validate_logistic(columns, data.low.to_numpy() == 1, **draws)
    eyes, time, event, patient = retinopathy()
    if name == "retinopathy":
        return validate_cox(eyes, time, event, cluster=patient, **draws)
    return validate_logistic(eyes, event, cluster=patient, **draws)


NAMES = [
    "lung", "lung_breslow", "melanoma", "retinopathy", "birthwt", "retinopathy_logistic",
]  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_optimism_and_limits_are_those_worked_by_hand_in_r(name: str) -> None:
    found, expected = validated(name), R[name]
    assert found.fitted == R["samples"]
    for measure, by_hand in ((found.c, expected["c"]), (found.slope, expected["slope"])):
        assert measure.apparent == pytest.approx(by_hand["apparent"], rel=1e-9)
        assert measure.optimism == pytest.approx(by_hand["optimism"], abs=1e-8)
        limits = [measure.corrected_lower, measure.corrected_upper]
        assert limits == pytest.approx(by_hand["limits"], abs=1e-8)


def test_people_with_the_same_covariates_are_tied() -> None:
    """A matrix product parts some of them in the last bit; concordance counts 23,009 ties."""
    data = read("survival", "colon")
    names = ["sex", "obstruct", "adhere", "differ", "node4"]
    data = data[data.etype == 2][["time", "status", *names]].dropna()
    time, event = data.time.to_numpy(float), data.status.to_numpy() == 1
    columns = data[names].to_numpy(float)
    predictor = linear_predictor(columns, cox(columns, time, event).coefficients.coef)
    assert len(np.unique(predictor)) == len(np.unique(columns, axis=0))
    found = concordance(time, event, predictor)
    expected = R["colon"]
    assert found.concordant == expected["concordant"]
    assert found.discordant == expected["discordant"]
    assert found.tied == expected["tied"]


@pytest.mark.parametrize("name", ["melanoma_thickness", "veteran_karno", "lung_age"])
def test_spread_of_c_is_that_of_the_jackknife(name: str) -> None:
    """One covariate ranks alike in every sample: the limits are then those of C alone.

    survival::concordance gives the infinitesimal jackknife; 400 samples give a standard deviation
    with an error of 3.5 %, and percentiles with one of 0.13 standard deviations.
    """
    if name == "melanoma_thickness":
        columns, time, event = melanoma()
    elif name == "lung_age":
        columns, time, event = lung()
    else:
        data = read("survival", "veteran")
        columns, time = -data[["karno"]].to_numpy(float), data.time.to_numpy(float)
        event = data.status.to_numpy() == 1
    found = validate_cox(
        columns[:, :1], time, event, resamples=400, rng=np.random.default_rng(5)
    ).c  # fmt: skip
    expected = R["jackknife"][name]
    assert found.apparent == pytest.approx(expected["c"], rel=1e-12)
    reach = norm.isf(0.025) * expected["se"]
    width = found.corrected_upper - found.corrected_lower
    assert width == pytest.approx(2 * reach, rel=0.13)
    middle = (found.corrected_lower + found.corrected_upper) / 2
    assert middle == pytest.approx(expected["c"], abs=0.3 * expected["se"])
