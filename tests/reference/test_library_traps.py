"""Faults and conventions measured in public libraries, and that our code does not fall into them.

Each test names its trap: ``trap 1`` to ``trap 13`` of the list kept with the measurements, and
``row 3`` to ``row 12`` for those in the table of libraries. Where the library is at hand (lifelines
0.30.3, statsmodels 0.15.0) its fault is shown beside our answer, so that a mended library shows up
as a failing test; otherwise the right value is R's or worked by hand.
"""

from __future__ import annotations

import ast
import math
import re
import warnings
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from public_data import COX, FINE_GRAY, own, read
from scipy import stats

from analysis.counts.exact_counts import poisson_limits
from analysis.counts.meta_analysis import pool
from analysis.estimators.competing_risks import aalen_johansen
from analysis.estimators.group_tests import log_rank, trend
from analysis.estimators.interval_censored import npmle
from analysis.estimators.interval_parametric import fit_interval_parametric
from analysis.estimators.observations import RightCensored
from analysis.estimators.survival import kaplan_meier, reverse_kaplan_meier
from analysis.models.cox import cox
from analysis.models.design_matrix import to_model_frame
from analysis.models.fine_gray import fine_gray
from analysis.models.firth import firth_cox
from analysis.models.logistic import logistic
from analysis.models.proportional_hazards import proportional_hazards_tests
from analysis.models.regression import RegressionRows, regress
from analysis.models.splines import harrell_knots
from registry.errors import RefusedEstimateError

ROOT = Path(__file__).parents[2]
INFINITE = float("inf")


@pytest.fixture(autouse=True)
def _quiet_libraries() -> Iterator[None]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def their_incidence(time: list[float], event: list[int], seed: int = 1) -> object:
    from lifelines import AalenJohansenFitter

    fitter = AalenJohansenFitter(seed=seed)
    return fitter.fit(np.array(time, float), np.array(event), event_of_interest=1)


def test_limits_of_an_incidence_are_not_swapped() -> None:
    # trap 1 (a): lifelines names the lower limit "upper"
    theirs = their_incidence([1, 2, 3, 4, 5], [1, 2, 1, 0, 0]).confidence_interval_  # type: ignore[attr-defined]
    last = theirs.iloc[-1]
    assert last["AJ_estimate_upper_0.95"] < last["AJ_estimate_lower_0.95"]
    curve = aalen_johansen(RightCensored.of([1, 2, 3, 4, 5], [1, 2, 1, 0, 0])).cause(1).curve
    drawn = curve.estimate > 0
    assert (curve.lower[drawn] < curve.estimate[drawn]).all()
    assert (curve.estimate[drawn] < curve.upper[drawn]).all()


def test_tied_causes_are_not_jittered_and_the_generator_is_left_alone() -> None:
    # trap 1 (b) and (c): tied times are moved at random, and numpy's global generator is reseeded
    time, event = [1, 2, 2, 3, 3, 4, 4, 5], [1, 1, 2, 2, 0, 0, 0, 0]
    before = np.random.get_state()  # noqa: NPY002 - to put it back
    theirs = {
        float(their_incidence(time, event, seed).cumulative_density_.loc[:2].iloc[-1, 0])  # type: ignore[attr-defined]
        for seed in range(8)
    }
    assert (np.random.get_state()[1] != before[1]).any()  # type: ignore[index]  # noqa: NPY002
    np.random.set_state(before)  # noqa: NPY002
    assert len(theirs) > 1
    ours = {aalen_johansen(RightCensored.of(time, event)).cause(1).at(2).estimate[0] for _ in "ab"}
    assert ours == {0.25}  # by hand: 1/8 + 7/8 · 1/7
    assert (np.random.get_state()[1] == before[1]).all()  # type: ignore[index]  # noqa: NPY002


def test_an_event_at_time_zero_counts() -> None:
    # trap 1 (d): lifelines misses it
    time, event = [0.0, 0, 2, 3, 4, 5, 6], [1, 0, 2, 1, 0, 0, 0]
    assert their_incidence(time, event).cumulative_density_.iloc[0, 0] == 0  # type: ignore[attr-defined]
    cause = aalen_johansen(RightCensored.of(time, event)).cause(1)
    assert cause.at(0).estimate[0] == pytest.approx(1 / 7)


def test_the_variance_of_an_incidence_is_survfits() -> None:
    # trap 2: cuminc's blows up as survival reaches 0: mgus2 men, last time, 0.097 against 0.016
    data = read("survival", "mgus2")
    first = np.where(data.pstat == 1, data.ptime, data.futime)
    event = np.where(data.pstat == 1, 1, 2 * data.death)
    men = np.asarray(data.sex == "M")
    found = aalen_johansen(RightCensored.of(first[men], event[men])).cause(1)
    assert found.curve.se[-1] == pytest.approx(0.016, abs=5e-4)


def test_no_failure_is_no_certainty() -> None:
    # trap 3: lifelines gives [1, 1] for 20 people without an event
    from lifelines import KaplanMeierFitter

    theirs = KaplanMeierFitter().fit([5] * 20, [0] * 20).confidence_interval_
    assert theirs.iloc[-1].tolist() == [1, 1]
    none = RightCensored.of([5] * 20, [0] * 20)
    assert np.isnan(kaplan_meier(none).at(4).lower[0])
    exact = kaplan_meier(none, interval="beta-product").at(4).lower[0]
    assert exact == pytest.approx(0.025 ** (1 / 20))
    all_fail = kaplan_meier(RightCensored.of([1, 2], [1, 1])).at(2)
    assert np.isnan([all_fail.lower[0], all_fail.upper[0]]).all()


def test_times_equal_up_to_rounding_are_one_time() -> None:
    # trap 4: R merges 0.1 + 0.2 and 0.3; lifelines makes two steps
    from lifelines import KaplanMeierFitter

    time, event = [0.3, 0.1 + 0.2, 1, 2], [0, 1, 1, 0]
    theirs = KaplanMeierFitter().fit(time, event).survival_function_.iloc[:, 0]
    assert theirs.loc[:0.31].iloc[-1] == pytest.approx(2 / 3)
    assert kaplan_meier(RightCensored.of(time, event)).at(0.3).estimate[0] == 0.75


def test_entry_at_an_event_time_is_not_at_risk() -> None:
    # trap 5: statsmodels' PHReg counts it; R, and entries moved on by a millionth, do not
    from statsmodels.duration.hazard_regression import PHReg

    data = read("survival", "heart")
    matrix, time = data[["age", "year"]].to_numpy(float), data.stop.to_numpy(float)
    event, entry = data.event.to_numpy() == 1, data.start.to_numpy(float)
    moved = np.where(entry > 0, entry + 1e-6, 0)
    ours = cox(matrix, time, event, entry=entry).coefficients
    theirs = PHReg(time, matrix, event, entry=entry, ties="efron").fit().params
    assert np.max(np.abs(theirs / ours.coef - 1)) > 1e-3
    mended = PHReg(time, matrix, event, entry=moved, ties="efron").fit().params
    assert ours.coef == pytest.approx(mended, rel=1e-6)


def test_an_emptied_early_risk_set_is_a_refusal() -> None:
    # trap 5: others carry S = 0 for ever
    late = RightCensored.of([1, 5, 6], [1, 1, 0], entry=[0, 2, 2])
    with pytest.raises(RefusedEstimateError, match="risk set is empty"):
        kaplan_meier(late)


def test_the_median_on_an_exact_flat_step_is_its_midpoint() -> None:
    # trap 6: S = 1/2 from 24 to 25: R 24.5, lifelines 24, statsmodels 25
    from lifelines import KaplanMeierFitter
    from statsmodels.duration.survfunc import SurvfuncRight

    observed = RightCensored.of([24, 25], [1, 1])
    assert kaplan_meier(observed).median().value == 24.5
    assert KaplanMeierFitter().fit([24, 25], [1, 1]).median_survival_time_ == 24
    assert SurvfuncRight([24, 25], [1, 1]).quantile(0.5) == 25
    # once S reaches 0 an upper limit that the band never meets does not exist (R: NA)
    assert math.isnan(kaplan_meier(RightCensored.of([1, 2], [1, 1])).median().upper)


def test_follow_up_is_not_a_flipped_indicator() -> None:
    # trap 7: mgus2, R prodlim reverse = TRUE says 184 months, flipping 185
    data = read("survival", "mgus2")
    observed = RightCensored.of(data.futime, data.death)
    flipped = kaplan_meier(RightCensored.of(data.futime, 1 - data.death))
    assert flipped.median().value == 185
    assert reverse_kaplan_meier(observed).median().value == 184


def test_fine_gray_names_its_ties() -> None:
    # trap 8: crr and finegray() + coxph differ under ties; the value is crr's (R cmprsk, in
    # test_fine_gray.py) and the answer says which convention it has
    rows = FINE_GRAY["mgus2"]()
    frame = to_model_frame(
        {name: rows.covariates[name].to_numpy(float) for name in rows.covariates}
    )
    answer = regress(RegressionRows(frame, rows.status, rows.time), "fine-gray")
    assert answer.ties == "breslow"
    assert any("ties are Breslow's" in said for said in answer.warnings)


def test_a_restricted_mean_beyond_follow_up_is_a_refusal() -> None:
    # trap 9: R and every library extend the curve flat without a word
    from lifelines import KaplanMeierFitter
    from lifelines.utils import restricted_mean_survival_time

    time, event = [1, 2, 3, 4], [1, 0, 1, 0]
    theirs = restricted_mean_survival_time(KaplanMeierFitter().fit(time, event), t=100)
    assert theirs > 4
    with pytest.raises(RefusedEstimateError, match="last follow-up"):
        kaplan_meier(RightCensored.of(time, event)).restricted_mean(100)


def test_influence_of_a_row_is_rs() -> None:
    # trap 10: lifelines' "delta_beta" residuals are right for standardised covariates only. A
    # row's influence is the change of the coefficients when it is left out, to first order.
    import pandas as pd
    from lifelines import CoxPHFitter

    rows = COX["lung"]()
    fit = cox(rows.matrix, rows.time, rows.status == 1)
    ours = fit.score_residuals() @ fit.covariance
    table = pd.DataFrame(rows.matrix, columns=list("abc")).assign(t=rows.time, e=rows.status)
    theirs = CoxPHFitter().fit(table, "t", "e").compute_residuals(table, "delta_beta")
    theirs = theirs.sort_index().to_numpy()
    row = int(np.argmax(np.abs(ours[:, 1])))
    others = np.arange(len(rows.time)) != row
    left_out = cox(rows.matrix[others], rows.time[others], rows.status[others] == 1)
    change = (fit.coefficients.coef - left_out.coefficients.coef)[1]
    assert ours[row, 1] == pytest.approx(change, rel=0.15)
    assert np.corrcoef(ours[:, 1], theirs[:, 1])[0, 1] < 0.9


def test_the_interval_is_named_and_the_curve_starts_at_zero() -> None:
    # trap 11: R's default is "log", lifelines' log-log
    curve = kaplan_meier(RightCensored.of([1, 2, 3], [1, 0, 1]))
    assert curve.interval == "log-log"
    assert (curve.curve.time[0], curve.curve.estimate[0]) == (0, 1)
    assert curve.curve.time.tolist() == [0, 1, 3]


def test_pairs_are_stratified_by_patient() -> None:
    # trap 12: retinopathy, R survdiff 27.25 with strata(id) and 22.25 without
    data = read("survival", "retinopathy")
    observed = RightCensored.of(data.futime, data.status)
    assert log_rank(observed, data.trt, strata=data.id).statistic == pytest.approx(27.25, abs=5e-3)
    assert log_rank(observed, data.trt).statistic == pytest.approx(22.25, abs=5e-3)


def test_a_column_may_have_any_name_and_no_formula_is_read() -> None:
    # trap 13: a variable called C shadows patsy's C()
    C, Q = ["a", "b", "a", "c"], np.array([1.0, 2.0, 3.0, 5.0])  # noqa: N806
    assert to_model_frame({"C": C, "Q": Q}).terms == ("C[b]", "C[c]", "Q")
    used = re.compile(r"\b(patsy|formulaic|from_formula|formula\.api)\b")
    sources = [path for room in ("analysis", "reports") for path in (ROOT / room).rglob("*.py")]
    assert len(sources) > 50
    assert not [path.name for path in sources if used.search(path.read_text(encoding="utf-8"))]


# --- those in the table of libraries --------------------------------------------------------------


def test_trend_over_more_than_two_groups_uses_the_whole_variance() -> None:
    # row 3: pbc by stage, R 57.52; from the diagonal of V alone 15.8 or 7.5
    data = read("survival", "pbc")
    known = np.asarray(data.stage.notna())
    observed = RightCensored.of(data.time[known], data.status[known] == 2)
    assert trend(observed, data.stage[known]).statistic == pytest.approx(57.52, abs=5e-3)


def test_peto_weights_are_rs_rho_one_and_take_an_event_at_zero() -> None:
    # row 3: lifelines' "peto" is another weight than R's rho = 1 (14.457 on gehan, R survdiff), and
    # raised an error with an event at time 0
    from lifelines.statistics import logrank_test

    data = read("MASS", "gehan")
    observed = RightCensored.of(data.time, data.cens)
    assert log_rank(observed, data.treat, rho=1).statistic == pytest.approx(14.457, abs=5e-4)
    arm = np.asarray(data.treat == "control")
    theirs = logrank_test(
        data.time[arm], data.time[~arm], data.cens[arm], data.cens[~arm], weightings="peto"
    )
    assert theirs.test_statistic != pytest.approx(14.457, abs=1e-3)
    early = RightCensored.of([0, 1, 2, 3], [1, 1, 1, 1])
    assert np.isfinite(log_rank(early, list("abab"), rho=1).statistic)


def test_cluster_errors_allow_for_efrons_ties() -> None:
    # row 4: lifelines' cluster errors ignore ties (9e-5 off), others' are Breslow-style (9e-4).
    # R coxph: values in cox.json, held at 1e-8 in test_cox.py; here that lifelines' differ.
    import pandas as pd
    from lifelines import CoxPHFitter

    rows = COX["lung_strata_sex_cluster"]()
    fit = cox(
        rows.matrix, rows.time, rows.status == 1,
        strata=rows.strata, cluster=rows.cluster,
    )  # fmt: skip
    names = [f"x{place}" for place in range(rows.matrix.shape[1])]
    table = pd.DataFrame(rows.matrix, columns=names).assign(
        t=rows.time, e=rows.status == 1, s=rows.strata, c=rows.cluster
    )
    theirs = CoxPHFitter().fit(
        table, "t", "e", strata=["s"], cluster_col="c", fit_options={"precision": 1e-11}
    )
    off = np.abs(theirs.standard_errors_.to_numpy() / fit.coefficients.robust_se - 1)
    assert 1e-8 < off.max() < 1e-2


def test_the_proportional_hazards_test_is_todays() -> None:
    # row 4: veteran, treatment stratified by cell type, ranks: cox.zph 0.005, before 2020 0.35
    rows = COX["veteran_strata"]()
    fit = cox(rows.matrix, rows.time, rows.status == 1, strata=rows.strata)
    found = proportional_hazards_tests(fit, transform="rank")[0].statistic
    assert found == pytest.approx(0.005, abs=5e-4)


def test_separation_is_named_where_others_answer_minus_sixteen() -> None:
    # row 5: lifelines' coefficient of the separated column is about −16 (SE in the thousands)
    from lifelines import CoxPHFitter

    data = own("rare300")
    theirs = CoxPHFitter().fit(data[["x1", "x2", "x3", "time", "event"]], "time", "event")
    assert theirs.params_["x2"] < -10
    matrix = data[["x1", "x2", "x3"]].to_numpy(float)
    time, event = data.time.to_numpy(float), data.event.to_numpy() == 1
    with pytest.raises(RefusedEstimateError, match="x2"):
        cox(matrix, time, event, terms=["x1", "x2", "x3"])
    firth = firth_cox(matrix, time, event, terms=["x1", "x2", "x3"])
    assert firth.coefficients.interval == "profile penalised likelihood"
    assert np.isfinite([firth.coefficients.lower, firth.coefficients.upper]).all()


def test_firth_cox_says_which_ties() -> None:
    # row 5: Efron's and Breslow's differ by 2e-3 with few ties; the default is the published one
    data = own("rare300")
    frame = to_model_frame({"x1": data.x1.to_numpy(float)})
    rows = RegressionRows(frame, data.event.to_numpy(), data.time.to_numpy(float))
    assert regress(rows, "firth-cox").ties == "breslow"
    assert regress(rows, "firth-cox", ties="efron").ties == "efron"


def test_fine_grays_error_is_not_the_naive_one() -> None:
    # row 6: naive errors are 4-34 % off; crr's for mgus2 age (R cmprsk) is 0.0057371
    rows = FINE_GRAY["mgus2"]()
    table = fine_gray(rows.matrix, rows.time, rows.status).coefficients
    assert table.se[0] == pytest.approx(0.00573710324167716, rel=1e-9)


def test_intervals_are_half_open_and_the_maximum_is_reached() -> None:
    # row 7: lifelines closes both ends: (2, 5] and (5, 8] share 5. By hand one half each.
    from lifelines import KaplanMeierFitter

    estimate = npmle([2, 5], [5, 8])
    assert estimate.at([5]).estimate[0] == pytest.approx(0.5)
    assert estimate.gap < 1e-9
    closed = KaplanMeierFitter().fit_interval_censoring([2, 5], [5, 8]).survival_function_
    assert closed.loc[5.0, "NPMLE_estimate_upper"] != pytest.approx(0.5)
    data = own("interval500")
    found = fit_interval_parametric(data.L, data.R.fillna(INFINITE), distribution="log-normal")
    assert found.is_converged  # lifelines' LogNormalAFTFitter: on none of three data sets


def test_the_error_of_a_restricted_mean_is_not_the_spread_of_times() -> None:
    # row 8: lifelines' "variance" is Var(min(T, τ)); its root is 7 to 8 times the standard error
    from lifelines import KaplanMeierFitter
    from lifelines.utils import restricted_mean_survival_time

    data = read("survival", "cancer")
    theirs = restricted_mean_survival_time(
        KaplanMeierFitter().fit(data.time, data.status == 2), t=1000, return_variance=True
    )
    ours = kaplan_meier(RightCensored.of(data.time, data.status == 2)).restricted_mean(1000)
    assert ours.value == pytest.approx(theirs[0], rel=1e-9)
    assert 7 < math.sqrt(theirs[1]) / ours.se < 20


def test_exact_limits_are_not_byars() -> None:
    # row 9: Byar's lower limit at one event is 48 % off
    byar = (1 - 1 / 9 - stats.norm.ppf(0.975) / 3) ** 3
    assert poisson_limits(1).lower == pytest.approx(stats.chi2.ppf(0.025, 2) / 2)
    assert abs(byar / poisson_limits(1).lower - 1) > 0.4


def test_spline_knots_are_harrells_and_logistic_separation_is_named() -> None:
    # row 10: cr(df = 4) places other knots than Harrell's quantiles (0.05, 0.35, 0.65, 0.95)
    ages = read("survival", "veteran").age.to_numpy(float)
    assert harrell_knots(ages, 4) == pytest.approx(np.quantile(ages, [0.05, 0.35, 0.65, 0.95]))
    x = np.arange(20.0)[:, None]
    with pytest.raises(RefusedEstimateError, match="dose"):
        logistic(x, x[:, 0] > 9.5, terms=["dose"])


def test_between_study_variance_is_found_and_i2_belongs_to_it() -> None:
    # row 11: a library's Paule-Mandel fell to 0 silently, and its I² is (Q − df)/Q whatever the
    # method. metafor's: τ²/(τ² + s²), s² the typical sampling variance (Higgins & Thompson 2002).
    estimate = np.array([0.1, 0.9, 0.3, 1.4, -0.2, 0.8])
    variance = np.array([0.02, 0.05, 0.03, 0.08, 0.04, 0.02])
    found = pool(estimate, variance, method="reml")
    weight = 1 / variance
    typical = (len(weight) - 1) * weight.sum() / (weight.sum() ** 2 - (weight**2).sum())
    assert found.tau2 > 0.1
    assert found.i2 == pytest.approx(found.tau2 / (found.tau2 + typical))
    assert found.i2 != pytest.approx((found.q - 5) / found.q, rel=1e-3)


def test_durations_and_dates_are_refused_not_counted_in_some_unit() -> None:
    # row 12: with pandas 3 lifelines counted microseconds where it had counted nanoseconds
    week = np.array([7, 14], dtype="timedelta64[D]")
    with pytest.raises(ValueError, match="numbers in one unit"):
        RightCensored.of(week, [1, 0])


def test_every_trap_has_its_test() -> None:
    # thirteen numbered traps, and rows 3 to 12 of the table (rows 1 and 2 are traps 1 to 4)
    tree = ast.parse(Path(__file__).read_text(encoding="utf-8"))
    source = Path(__file__).read_text(encoding="utf-8").splitlines()
    named: set[str] = set()
    for node in tree.body:
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
            body = "\n".join(source[node.lineno : (node.end_lineno or node.lineno)])
            found = re.findall(r"# (trap \d+|row \d+)", body)
            has_check = any(isinstance(part, ast.Assert | ast.With) for part in ast.walk(node))
            named |= {name for name in found if has_check}
    wanted = {f"trap {k}" for k in range(1, 14)} | {f"row {k}" for k in range(3, 13)}
    assert named == wanted
