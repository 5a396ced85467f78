"""Interval-censored estimates against published tables, npsurv, survreg and lifelines.

The rows of ``data/cosmesis.csv`` are those printed in Finkelstein and Wolfe, Biometrics
1985;41:933-945 (94 women, months to breast retraction), written from memory and accepted because
they give every published figure below. The copy in KMsurv (``bcdeter``) differs in some rows.
Values of npsurv and survreg are printed by ``r/interval_censored.R``.
"""

from __future__ import annotations

import csv
import json
import math
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.estimators.interval_censored import bootstrap_npmle, interval_censored_log_rank, npmle
from analysis.estimators.interval_parametric import fit_interval_parametric
from analysis.estimators.interval_score_test import interval_censored_score_test
from registry.errors import RefusedEstimateError, RefusedInputError

HERE = Path(__file__).parent
R = json.loads((HERE / "r" / "interval_censored.json").read_text())
DISTRIBUTIONS: Any = {
    "weibull": "weibull",
    "loglogistic": "log-logistic",
    "lognormal": "log-normal",
}


def read_rows(name: str) -> list[list[str]]:
    with (HERE / "data" / name).open(newline="") as lines:
        return list(csv.reader(lines))[1:]


def load(name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    if name == "mixed":
        mixed = R["mixed"]
        upper = np.array([float(end) for end in mixed["upper"]])
        return np.array(mixed["lower"], float), upper, np.array(mixed["x"], float)
    rows = read_rows(f"{name}.csv")
    lower = np.array([float(row[0]) for row in rows])
    upper = np.array([float(row[1] or "inf") for row in rows])
    if name == "cosmesis":
        return lower, upper, np.array([float("chemo" in row[2]) for row in rows])
    return lower, upper, np.array([float(row[2]) for row in rows])


LOWER, UPPER, chemotherapy = load("cosmesis")


@pytest.mark.parametrize(
    ("arm", "intervals", "mass"),
    [
        # Fay and Shaw, J Stat Softw 2010;36(2), summary of the fit by treatment.
        (
            0,
            [(4, 5), (6, 7), (7, 8), (11, 12), (24, 25), (33, 34), (38, 40), (46, 48)],
            [0.0463, 0.0334, 0.0887, 0.0708, 0.0926, 0.0818, 0.1209, 0.4656],
        ),
        (
            1,
            [
                *[(4, 5), (5, 8), (11, 12), (16, 17), (18, 19), (19, 20), (24, 25), (30, 31)],
                *[(35, 36), (44, 48), (48, 60)],
            ],
            [
                *[0.0433, 0.0433, 0.0692, 0.1454, 0.1411, 0.1157, 0.0999, 0.0709, 0.1608],
                *[0.0552, 0.0552],
            ],
        ),
    ],
)
def test_masses_are_the_published_ones(
    arm: int, intervals: list[tuple[float, float]], mass: list[float]
) -> None:
    mine = chemotherapy == arm
    estimate = npmle(LOWER[mine], UPPER[mine])
    found = list(zip(estimate.lower.tolist(), estimate.upper.tolist(), strict=True))
    assert found == intervals
    assert estimate.mass == pytest.approx(mass, abs=5e-5)


def test_log_likelihoods_are_the_published_ones() -> None:
    # npsurv on the same rows: -58.06002 and -65.63696.
    fits = [npmle(LOWER[chemotherapy == arm], UPPER[chemotherapy == arm]) for arm in (0, 1)]
    found = [fit.log_likelihood for fit in fits]
    assert found == pytest.approx([-58.06002, -65.63696], abs=5e-6)


def test_survival_in_months_is_klein_and_moeschbergers() -> None:
    # Klein and Moeschberger, section 5.2, radiotherapy only (from memory).
    read = npmle(LOWER[chemotherapy == 0], UPPER[chemotherapy == 0]).at([5, 7, 8, 12, 25, 34, 40])
    expected = [0.954, 0.920, 0.832, 0.761, 0.668, 0.586, 0.467]
    assert read.estimate == pytest.approx(expected, abs=2e-3)


@pytest.mark.parametrize(
    ("scores", "z", "p"), [("sun", 2.6684, 0.007622), ("finkelstein", 2.6839, 0.007277)]
)
def test_log_rank_is_the_published_one(scores: Any, z: float, p: float) -> None:
    # Fay and Shaw, J Stat Softw 2010;36(2): Z = -2.6684 and -2.6839 in the other group's sign.
    test = interval_censored_log_rank(LOWER, UPPER, chemotherapy, scores)
    assert test.z == pytest.approx(z, abs=5e-5)
    assert test.p == pytest.approx(p, abs=5e-7)
    assert test.statistic == pytest.approx(test.z**2)
    assert sum(test.score) == pytest.approx(0, abs=1e-10)


def test_score_test_is_the_published_one() -> None:
    # Fay and Shaw, J Stat Softw 2010;36(2), score form: chi-squared 7.8749, p 0.005012.
    test = interval_censored_score_test(LOWER, UPPER, chemotherapy)
    assert test.statistic == pytest.approx(7.8749, abs=5e-5)
    assert test.p == pytest.approx(0.005012, abs=5e-7)
    assert test.z > 0
    assert sum(test.score) == pytest.approx(0, abs=1e-8)


def test_score_test_is_the_slope_of_a_profile_and_knows_no_order() -> None:
    # On exact and right-censored times without ties it nears Cox's score test (Breslow's ties).
    from analysis.models.cox import prepare_cox
    from analysis.models.risk_sets import partial_likelihood

    rng = np.random.default_rng(5)
    time, arm = rng.exponential(1.0, 400), np.arange(400) % 2
    time = np.where(arm == 1, time / 1.5, time)
    event = rng.random(400) < 0.7
    upper = np.where(event, time, np.inf)
    test = interval_censored_score_test(time, upper, arm)
    data = prepare_cox(arm[:, None], time, event)
    point = partial_likelihood(data.sets, data.matrix, np.zeros(1))
    by_cox = float(point.score[0] ** 2 / point.information[0, 0])
    assert test.statistic == pytest.approx(by_cox, rel=0.05)
    order = rng.permutation(400)
    again = interval_censored_score_test(time[order], upper[order], arm[order])
    assert again.statistic == pytest.approx(test.statistic, rel=1e-9)


@pytest.mark.parametrize(
    ("lower", "upper", "group", "said"),
    [
        ([0, 1], [1, 2], ["a", "a"], "two groups"),
        ([1, 2], [math.inf, math.inf], ["a", "b"], "no step"),
    ],
)
def test_score_test_refusals(
    lower: list[float], upper: list[float], group: list[str], said: str
) -> None:
    with pytest.raises(RefusedEstimateError, match=said):
        interval_censored_score_test(lower, upper, group)


@pytest.mark.parametrize("reference", R["npmle"], ids=lambda reference: reference["data"])
def test_masses_are_npsurvs(reference: dict[str, Any]) -> None:
    name, _, arm = reference["data"].partition(": ")
    lower, upper, group = load(name)
    if arm:
        mine = group == float("chemo" in arm)
        lower, upper = lower[mine], upper[mine]
    estimate = npmle(lower, upper)
    assert estimate.log_likelihood == pytest.approx(reference["log_likelihood"], abs=1e-10)
    assert estimate.gap < 1e-9
    assert estimate.lower.tolist() == reference["lower"]
    assert estimate.upper.tolist() == [float(end) for end in reference["mass_upper"]]
    assert estimate.mass == pytest.approx(reference["mass"], abs=1e-10)


@pytest.mark.parametrize(
    "reference", R["parametric"], ids=lambda fit: f"{fit['data']}-{fit['distribution']}"
)
def test_parametric_fits_are_survregs(reference: dict[str, Any]) -> None:
    lower, upper, x = load(reference["data"])
    fit = fit_interval_parametric(
        lower, upper, x, terms=("x",), distribution=DISTRIBUTIONS[reference["distribution"]]
    )
    assert fit.terms == ("intercept", "x", "log_scale")
    assert fit.coef == pytest.approx(reference["coef"], rel=1e-8, abs=1e-8)
    assert fit.se == pytest.approx(reference["se"], rel=1e-7)
    assert fit.log_likelihood == pytest.approx(reference["log_likelihood"], abs=1e-9)


def test_where_lifelines_log_normal_does_not_converge_ours_does() -> None:
    # libraries.md row 7: LogNormalAFTFitter converges on none of three interval-censored sets. The
    # value it misses is survreg's, tested above; here that it is the library and not the data.
    import pandas as pd
    from lifelines import LogNormalAFTFitter
    from lifelines.exceptions import ConvergenceError

    lower, upper, x = load("interval500")
    frame = pd.DataFrame({"lower": lower, "upper": upper, "x": x})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with pytest.raises(ConvergenceError):
            LogNormalAFTFitter().fit_interval_censoring(
                frame, "lower", "upper", show_progress=False
            )
    assert fit_interval_parametric(lower, upper, x, distribution="log-normal").is_converged


def test_where_lifelines_closes_intervals_ours_stay_half_open() -> None:
    # libraries.md row 7: with scheduled visits one patient's end is another's start. Of (2, 5] and
    # (5, 8] the first cannot have failed with the second: the mass is one half each, by hand.
    from lifelines import KaplanMeierFitter

    estimate = npmle([2, 5], [5, 8])
    assert estimate.at([5]).estimate == pytest.approx(0.5)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        closed = KaplanMeierFitter().fit_interval_censoring([2, 5], [5, 8])
    assert closed.survival_function_.loc[5.0, "NPMLE_estimate_upper"] != pytest.approx(0.5)


def test_weibull_is_lifelines_weibull() -> None:
    import pandas as pd
    from lifelines import WeibullAFTFitter

    lower, upper, x = load("interval500")
    frame = pd.DataFrame({"lower": lower, "upper": upper, "x": x})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = WeibullAFTFitter().fit_interval_censoring(frame, "lower", "upper")
    ours = fit_interval_parametric(lower, upper, x, terms=("x",))
    parameters = theirs.params_
    se = theirs.standard_errors_
    for place, name in (("x", 1), ("Intercept", 0)):
        difference = abs(parameters["lambda_", place] - ours.coef[name])
        assert difference < 1e-3 * se["lambda_", place]


def test_weibull_curve_and_its_limits() -> None:
    # Without covariates S(t) = exp(-(t/exp(b))^(1/s)); limits by hand from survreg's formula.
    lower, upper, _ = load("interval500")
    fit = fit_interval_parametric(lower, upper)
    shape = 1 / math.exp(fit.coef[1])
    read = fit.at([0.0, 24.0])
    assert read.estimate[0] == read.lower[0] == read.upper[0] == 1
    by_hand = math.exp(-((24 / math.exp(fit.coef[0])) ** shape))
    assert read.estimate[1] == pytest.approx(by_hand, rel=1e-12)
    nonparametric = npmle(lower, upper).at([24.0])
    assert read.estimate[1] == pytest.approx(nonparametric.lowest[0], abs=0.05)


def test_parametric_fit_does_not_depend_on_those_of_whom_nothing_is_known() -> None:
    # (0, ∞) adds the likelihood 1, whatever the curve
    low, high = [0.0, 2, 3, 5], [2.0, 4, 6, np.inf]
    with_them = fit_interval_parametric([*low, 0, 0], [*high, np.inf, np.inf])
    without = fit_interval_parametric(low, high)
    assert with_them.coef == pytest.approx(without.coef, rel=1e-6)
    assert with_them.log_likelihood == pytest.approx(without.log_likelihood, rel=1e-9)


def test_an_interval_too_long_to_compute_with_is_refused() -> None:
    with pytest.raises(RefusedInputError, match=r"2e.303 is too long"):
        npmle([0, 2e303], [1, np.inf])


def test_parametric_refusals() -> None:
    with pytest.raises(RefusedEstimateError, match="there are 1"):
        fit_interval_parametric([0, 5], [2, math.inf])
    with pytest.raises(RefusedEstimateError, match="no maximum"):
        fit_interval_parametric([0, 1, 5, 5], [1, 2, math.inf, math.inf], [1, 1, 0, 0])
    with pytest.raises(ValueError, match="exact time of 0"):
        fit_interval_parametric([0, 1], [0, 2])


def test_bootstrap_without_an_event_has_no_limits_rather_than_no_width() -> None:
    rng = np.random.default_rng(3)
    limits = bootstrap_npmle([5.0] * 20, [np.inf] * 20, [2.0], rng, resamples=20)
    assert np.isnan([limits.lower[0], limits.upper[0]]).all()


def test_bootstrap_interval_is_the_binomials_where_visits_are_shared() -> None:
    # Everyone examined at 12 months only: survival there is a proportion, here 15 of 50 failed, and
    # the percentile limits are near the binomial ones (exact: 0.179 to 0.446 for the failed).
    lower, upper = [0] * 15 + [12] * 35, [12] * 15 + [math.inf] * 35
    rng = np.random.default_rng(3)
    limits = bootstrap_npmle(lower, upper, [12.0], rng, resamples=400)
    assert limits.lower[0] == pytest.approx(1 - 0.446, abs=0.04)
    assert limits.upper[0] == pytest.approx(1 - 0.179, abs=0.04)
    again = bootstrap_npmle(lower, upper, [12.0], np.random.default_rng(3), resamples=400)
    assert again.lower[0] == limits.lower[0]
