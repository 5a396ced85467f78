"""Dose–response questions: which dose, which rows, what is refused, what simulation gives."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pytest

from analysis.dose_effect.bed_sensitivity import vary_bed
from analysis.dose_effect.censoring_weights import outcome_at
from analysis.dose_effect.dose_confounding import face_confounding
from analysis.dose_effect.dose_error import ErrorModel, draw_true_doses, simulate_dose_error
from analysis.dose_effect.dose_fields import check_one_kind, find_dose, read_courses, read_doses
from analysis.dose_effect.dose_horizon import curve_at_horizon
from analysis.dose_effect.dose_models import (
    choose_method,
    compare_imputed,
    complete_rows,
    fit_discrete_time,
)
from analysis.dose_effect.dose_power import smallest_effect
from analysis.dose_effect.dose_response import (
    DoseResponse,
    HowToAnswer,
    Refused,
    answer_question,
    make_cohort,
)
from analysis.dose_effect.dose_rows import DoseQuestion, DoseRows, read_dose_rows
from analysis.dose_effect.dose_validation import validate_rows
from analysis.models.calibration import failed_by
from analysis.models.cox import cox
from analysis.models.design_matrix import to_model_frame
from analysis.models.discrimination import concordance, validate_cox
from analysis.outcomes.cohort import DataCut
from registry.errors import RefusedEstimateError, UsageError
from synthetic_cohort.cohort import TRUTH, draw_department
from synthetic_cohort.in_memory import hold_in_memory

CUT = DataCut(date(2024, 12, 31))
ONE_ISOTOPE = (("isotope", "I-125"),)


@pytest.fixture(scope="module")
def department() -> Iterator[Any]:
    connection = hold_in_memory(draw_department(TRUTH, 500, np.random.default_rng(7)))
    yield connection
    connection.close()


@pytest.fixture(scope="module")
def rows(department: Any) -> DoseRows:
    return read_dose_rows(department, DoseQuestion("local_failure", "apex"), CUT)


@pytest.fixture(scope="module")
def answer(department: Any) -> DoseResponse:
    question = DoseQuestion("local_failure", "apex", exclude=ONE_ISOTOPE)
    return answer_question(
        department, question, CUT, against="vision:6/60", how=HowToAnswer(imputations=3)
    )


def two_courses(in_memory_of: Any, **second: Any) -> Any:
    """One tumour with a staged course of two implants, then a plaque after failure."""
    implants = []
    days = ("2015-01-05", "2015-02-05", "2017-06-01")
    for place, (day, dose) in enumerate(zip(days, (60, 40, 100), strict=True)):
        implants.append(
            {
                "implant_id": f"I{place}",
                "tumour_id": "T1",
                "applicator_id": f"A{place}",
                "inserted_at": f"{day} 10:00:00",
                "removed_at": f"{day} 22:00:00",
                "dose_apex_gy": dose,
                "dose_model": "homogeneous_water",
            }
        )
    implants[1] |= second
    return in_memory_of({"implant": implants})


def test_only_the_first_course_counts_and_its_doses_add_up(in_memory_of: Any) -> None:
    courses = read_courses(two_courses(in_memory_of), CUT, 90)
    # by hand: 60 + 40; the plaque of 2017 is another course
    assert courses["T1"].doses["apex"] == 100
    assert courses["T1"].implants == 2
    assert courses["T1"].applicators == ("A0", "A1")


def test_a_course_of_two_dose_models_has_no_dose(in_memory_of: Any) -> None:
    connection = two_courses(in_memory_of, dose_model="monte_carlo")
    course = read_courses(connection, CUT, 90)["T1"]
    assert np.isnan(course.doses["apex"])
    assert "several dose models" in course.reason


def test_a_missing_dose_of_one_implant_leaves_the_course_without(in_memory_of: Any) -> None:
    course = read_courses(two_courses(in_memory_of, dose_apex_gy=None), CUT, 90)["T1"]
    assert np.isnan(course.doses["apex"])


def test_dose_models_are_not_pooled_silently(department: Any) -> None:
    field, source = find_dose("apex")
    tumours = [f[0] for f in department.execute("SELECT tumour_id FROM implant").fetchall()]
    doses = read_doses(department, CUT, sorted(set(tumours)), field, source)
    n = len(doses.dose)
    mixed = replace(
        doses, dose_model=tuple("monte_carlo" if k % 2 else "homogeneous_water" for k in range(n))
    )
    with pytest.raises(RefusedEstimateError, match="several dose models"):
        check_one_kind(mixed)
    kept, said = check_one_kind(mixed, pool_dose_models=True)
    assert kept.sum() == n - np.isnan(doses.dose).sum()
    assert "pooled" in said[0]
    with pytest.raises(UsageError, match="recorded are homogeneous_water, monte_carlo"):
        check_one_kind(mixed, dose_model="tg43")
    kept, _ = check_one_kind(mixed, dose_model="monte_carlo")
    assert kept.sum() <= n // 2


def test_recorded_and_recomputed_are_different_fields() -> None:
    assert find_dose("apex")[1] == "recorded"
    assert find_dose("apex:recomputed")[1] == "recomputed"
    with pytest.raises(UsageError, match="recomputed only"):
        find_dose("bed:recorded")
    with pytest.raises(UsageError, match="no dose 'lens'"):
        find_dose("lens")


def test_bed_of_two_isotopes_is_refused_and_of_one_given(department: Any) -> None:
    with pytest.raises(RefusedEstimateError, match="relative biological effectiveness"):
        read_dose_rows(department, DoseQuestion("local_failure", "bed"), CUT)
    question = DoseQuestion("local_failure", "bed", exclude=ONE_ISOTOPE)
    bed = read_dose_rows(department, question, CUT)
    apex = read_dose_rows(department, replace(question, dose="apex:recomputed"), CUT)
    assert set(bed.isotope) == {"Ru-106"}
    # the BED exceeds the physical dose (Dale 1985: relative effectiveness above 1)
    assert np.all(bed.dose > apex.dose)


def test_a_stated_rbe_brings_isotopes_together(department: Any) -> None:
    """By hand: an RBE multiplies the linear term, so BED rises by (RBE − 1) · D for I-125."""
    question = DoseQuestion("local_failure", "bed", rbe=(("I-125", 1.3), ("Ru-106", 1.0)))
    bed = read_dose_rows(department, question, CUT)
    assert set(bed.isotope) == {"I-125", "Ru-106"}
    assert any("brought together by a stated" in note for note in bed.notes)
    plain = replace(question, rbe=(("I-125", 1.0), ("Ru-106", 1.0)))
    without = read_dose_rows(department, plain, CUT)
    dose = read_dose_rows(department, replace(question, dose="apex:recomputed"), CUT)
    iodine = np.array(bed.isotope) == "I-125"
    np.testing.assert_allclose(
        bed.dose - without.dose, np.where(iodine, 0.3 * dose.dose, 0), atol=1e-9
    )
    with pytest.raises(RefusedEstimateError, match="--rbe"):
        read_dose_rows(department, replace(question, rbe=(("I-125", 1.3),)), CUT)
    assert "RBE I-125=1.3" in question.words()
    assert "RBE" not in replace(question, dose="apex").words()


def test_bed_is_varied_over_its_stated_parameters(department: Any) -> None:
    def read(asked: DoseQuestion) -> DoseRows:
        return read_dose_rows(department, asked, CUT)

    question = DoseQuestion(
        "local_failure", "bed", ("thickness_mm",), rbe=(("I-125", 1.2), ("Ru-106", 1.0))
    )
    lines = {(one.parameter, one.value): one for one in vary_bed(read, question)}
    stated = lines["as stated", ""]
    assert stated.is_stated
    assert stated.ratio is not None
    # a smaller α/β makes every BED larger (Dale 1985), so a step of 10 Gy means less
    assert lines["α/β", "2.5 Gy"].median_bed_gy > stated.median_bed_gy
    # a longer repair half-time leaves more damage to add up
    assert lines["repair half-time", "4 h"].median_bed_gy > stated.median_bed_gy
    assert {name for name, _ in lines} >= {"RBE of I-125", "RBE of Ru-106"}
    first, third = np.percentile(read(question).dose, [25, 75])
    apart = (third - first) / 10
    assert stated.quartile_ratio == pytest.approx(stated.ratio.ratio**apart, rel=0.02)


def test_flow_adds_up(rows: DoseRows) -> None:
    kept = [step.kept for step in rows.flow]
    for before, step in zip(kept, rows.flow[1:], strict=False):
        assert before == step.kept + step.left_out
    assert kept[-1] == rows.n


def test_one_clock_keeps_every_event(rows: DoseRows) -> None:
    np.testing.assert_array_equal(rows.status == 1, rows.end_status == 1)
    assert np.all(rows.end >= rows.time)


def test_few_events_are_refused(department: Any) -> None:
    few = DataCut(date(2015, 9, 30))
    with pytest.raises(RefusedEstimateError, match="That is the result"):
        answer_question(department, DoseQuestion("local_failure", "apex"), few)


def test_unknown_fields_name_the_known(department: Any) -> None:
    with pytest.raises(UsageError, match="known at time zero"):
        read_dose_rows(department, DoseQuestion("local_failure", "apex", ("acuity",)), CUT)


def test_net_and_crude_by_hand() -> None:
    """Four fail, two die, two are lost before the horizon of 5; ten stay to 6."""
    time = np.concatenate([[1, 2, 3, 4], [2.5, 4.5], [1.5, 3.5], np.full(10, 6.0)])
    status = np.concatenate([[1] * 4, [2, 2], [0, 0], [0] * 10]).astype(np.int64)
    crude = outcome_at(time, status, 5.0, reading="crude")
    # censored at 1.5 of 17 at risk and at 3.5 of 13 at risk
    at_end = (1 - 1 / 17) * (1 - 1 / 13)
    assert crude.weight[-1] == pytest.approx(1 / at_end)
    assert crude.weight[5] == pytest.approx(1 / at_end)
    assert crude.weight.sum() == pytest.approx(len(time))
    assert int(crude.known.sum()) == 16
    net = outcome_at(time, status, 5.0, reading="net")
    assert not net.known[4]
    assert net.weight[-1] == pytest.approx(1 / (at_end * (1 - 1 / 15) * (1 - 1 / 11)))


def test_a_horizon_beyond_follow_up_is_refused(rows: DoseRows) -> None:
    with pytest.raises(RefusedEstimateError, match="earlier horizon"):
        outcome_at(rows.time, rows.status, 40.0)


def test_d50_outside_the_doses_is_not_given(answer: DoseResponse) -> None:
    curve = answer.curves["unadjusted", "net"]
    assert not isinstance(curve, Refused)
    assert not curve.d50.is_estimable
    assert "outside the doses given" in str(curve.d50.reason)
    assert not curve.gamma50.is_estimable
    assert curve.risk_difference.lower < curve.risk_difference.value < curve.risk_difference.upper


def test_bootstrap_and_sandwich_agree(rows: DoseRows) -> None:
    bare = np.empty((rows.n, 0))
    given: tuple[Any, ...] = (rows.dose, bare, (), rows.end, rows.end_status, 5.0)
    plain = curve_at_horizon(*given, reading="crude")
    drawn = curve_at_horizon(*given, reading="crude", resamples=300, rng=np.random.default_rng(1))
    assert drawn.interval == "bootstrap"
    assert drawn.risk_difference.se == pytest.approx(plain.risk_difference.se, rel=0.2)


def test_answer_has_every_part(answer: DoseResponse) -> None:
    assert {(r.measure, bool(r.adjusted_for), r.rows) for r in answer.models} == {
        (measure, adjusted, which)
        for measure in ("hazard ratio", "subdistribution hazard ratio")
        for adjusted, which in ((False, "all with a dose"), (False, "complete"), (True, "complete"))
    }
    assert answer.imputed is not None
    assert answer.imputed.n > answer.main.n
    assert not isinstance(answer.e_value, Refused)
    assert answer.power is None
    assert isinstance(answer.against, tuple)
    names = [name for name, _ in answer.other_doses]
    assert names == ["apex:recomputed", "bed:recomputed"]


def test_firth_is_chosen_under_ten_events_a_parameter() -> None:
    assert choose_method("auto", 29, 3) == "firth-cox"
    assert choose_method("auto", 30, 3) == "cox"
    assert choose_method("cox", 5, 3) == "cox"


def test_discrete_time_tells_nearly_the_hazard_ratio(rows: DoseRows) -> None:
    """Prentice and Gloeckler (1978): the same hazard ratio, here up to the horizon."""
    from analysis.dose_effect.dose_models import hazard_answer, ratio_of

    cut = replace(
        rows,
        time=np.minimum(rows.time, 5.0),
        status=np.where(rows.time <= 5.0, rows.status, 0),
        covariates={},
    )
    rare = fit_discrete_time(replace(rows, covariates={}), 5.0)
    hazard = ratio_of(hazard_answer(cut, {}, "firth-cox", 0.95), "hazard ratio", (), "all")
    assert rare.ratio.events == hazard.events
    assert rare.ratio.ratio == pytest.approx(hazard.ratio, rel=0.02)


def test_nothing_is_imputed_where_nothing_is_missing(rows: DoseRows) -> None:
    bare = replace(rows, covariates={"one": np.arange(rows.n, dtype=float)})
    rng = np.random.default_rng(1)
    assert compare_imputed(bare, method="auto", level=0.95, imputations=2, rng=rng) is None


def test_imputed_firth_fits_pool_their_profiles(rows: DoseRows) -> None:
    """Heinze, Ploner and Beyea 2013: the limit is where the mean of the profiles' normal
    distributions is 2.5 %; so it lies between the limits of the single completed tables.
    """
    from analysis.dose_effect.dose_models import hazard_answer
    from analysis.models.imputation import impute, outcome_columns

    some = rows.select(np.arange(rows.n) % 2 == 0)
    height = some.thickness_mm.copy()
    height[::3] = np.nan
    some = replace(some, covariates={"thickness_mm": height})
    found = compare_imputed(
        some, method="firth-cox", level=0.95, imputations=4, rng=np.random.default_rng(3)
    )
    assert found is not None
    assert found.interval == "pooled profile penalised likelihoods"
    limits = []
    columns = {"dose": some.dose, "thickness_mm": height}
    outcome = outcome_columns(some.time, some.status)
    for filled in impute(columns, outcome, imputations=4, rng=np.random.default_rng(3)):
        fit = hazard_answer(some, {"thickness_mm": filled["thickness_mm"]}, "firth-cox", 0.95)
        limits.append((fit.coefficients.lower[0], fit.coefficients.upper[0]))
    low, high = np.log(found.lower), np.log(found.upper)
    assert min(x[0] for x in limits) < low < max(x[0] for x in limits)
    assert min(x[1] for x in limits) < high < max(x[1] for x in limits)
    by_rubin = compare_imputed(
        some, method="cox", level=0.95, imputations=4, rng=np.random.default_rng(3)
    )
    assert by_rubin is not None
    assert by_rubin.interval == "Rubin's rules, t"


def test_confounding_is_seen_and_a_function_refused(rows: DoseRows) -> None:
    found = face_confounding(rows, 5.0)
    # the invented department lowers the dose of thick tumours by 4 Gy a mm
    assert 0.2 < found.r2_thickness < 0.6
    assert found.thirds[0].dose_median > found.thirds[-1].dose_median
    straight = replace(rows, dose=150 - 8 * np.nan_to_num(rows.thickness_mm, nan=5.0))
    refused = face_confounding(straight, 5.0)
    assert "nearly a function" in refused.propensity.refused
    assert refused.propensity.ratio is None
    loose = replace(rows, dose=np.random.default_rng(2).normal(100, 10, rows.n))
    balanced = face_confounding(loose, 5.0)
    assert balanced.propensity.refused == ""
    assert balanced.propensity.ratio is not None
    assert balanced.propensity.effective_share > 0.9


def test_validation_is_of_the_model_that_is_reported(rows: DoseRows) -> None:
    found = validate_rows(rows, "cox", 5.0, level=0.95, samples=20, seed=1)
    whole = complete_rows(rows)
    matrix = to_model_frame({"dose": whole.dose / 10, **whole.covariates}).matrix
    fit = cox(matrix, whole.time, whole.status == 1).coefficients
    ranked = concordance(whole.time, whole.status == 1, matrix @ fit.coef)
    assert found.discrimination.c.apparent == pytest.approx(ranked.c)
    assert found.discrimination.c.optimism > 0
    assert sum(one.n for one in found.calibration) == whole.n
    # by hand: what the groups predict, weighted by their size, is what Kaplan–Meier sees in all
    predicted = sum(one.n * one.predicted for one in found.calibration) / whole.n
    seen = failed_by(whole.time, whole.status == 1, 5.0)
    assert predicted == pytest.approx(seen, abs=0.01)
    assert (found.n, found.events) == (whole.n, whole.events)
    late = validate_rows(
        replace(rows, entry=np.where(np.arange(rows.n) < 60, 0.01, rows.entry)),
        "cox", 5.0, level=0.95, samples=5, seed=1,
    )  # fmt: skip
    assert late.n < found.n
    firth = validate_rows(rows, "firth-cox", 5.0, level=0.95, samples=5, seed=1)
    assert firth.model == "firth-cox"
    beyond = validate_rows(rows, "cox", 45.0, level=0.95, samples=5, seed=1)
    assert "earlier horizon" in beyond.refused


def test_validation_draws_patients_and_has_limits(rows: DoseRows) -> None:
    """As if everybody had two tumours; rows were drawn before."""
    pairs = replace(rows, patient_id=tuple(f"P{place // 2}" for place in range(rows.n)))
    found = validate_rows(pairs, "cox", 5.0, level=0.9, samples=40, seed=3).discrimination
    whole = complete_rows(pairs)
    matrix = to_model_frame({"dose": whole.dose / 10, **whole.covariates}).matrix
    expected = validate_cox(
        matrix, whole.time, whole.status == 1, cluster=whole.cluster, level=0.9,
        resamples=40, rng=np.random.default_rng(3),
    )  # fmt: skip
    drawn_by_rows = validate_rows(rows, "cox", 5.0, level=0.9, samples=40, seed=3).discrimination
    assert found.c.apparent == drawn_by_rows.c.apparent
    assert found.c.optimism != drawn_by_rows.c.optimism
    assert found.c.corrected_lower < found.c.corrected < found.c.corrected_upper
    assert found == expected


def test_simulations_are_the_same_for_any_number_of_workers(rows: DoseRows) -> None:
    cohort, whole = make_cohort(rows)
    one = smallest_effect(cohort, replicates=20, seed=4)
    two = smallest_effect(cohort, replicates=20, seed=4, workers=2)
    assert one == two
    assert one != smallest_effect(cohort, replicates=20, seed=5)
    assert one.coef == pytest.approx(one.formula, rel=0.4)
    assert whole.n == cohort.n


def test_drawn_cohorts_have_the_events_that_were_seen(rows: DoseRows) -> None:
    cohort, _ = make_cohort(rows)
    rng = np.random.default_rng(9)
    for coef in (0.0, 0.5):
        counts = [cohort.draw(coef, rng)[1].sum() for _ in range(200)]
        noise = np.std(counts) / np.sqrt(200)
        assert np.mean(counts) == pytest.approx(cohort.events, abs=3.5 * noise + 0.01 * len(counts))


def test_classical_error_shrinks_and_berkson_does_not(rows: DoseRows) -> None:
    """Reliability theory: a classical share leaves λ = Var(true)/Var(recorded) of the slope."""
    cohort, whole = make_cohort(replace(rows, covariates={}))
    cohort = replace(cohort, dose_coef=-0.4)
    log_dose = np.log(whole.dose)
    own = 0.6 * float(log_dose.std())
    kept = 1 - 0.6**2
    classical = simulate_dose_error(
        cohort, whole.applicator, 10.0, model=ErrorModel(0.0, own, 0.0), outer=30, seed=1
    )
    assert classical.with_error / classical.without_error == pytest.approx(kept, abs=0.1)
    berkson = simulate_dose_error(
        cohort, whole.applicator, 10.0, model=ErrorModel(0.0, own, 1.0), outer=30, seed=1
    )
    assert abs(berkson.shift) < 0.35 * abs(classical.shift)
    nothing = simulate_dose_error(
        cohort, whole.applicator, 10.0, model=ErrorModel(0.0, 0.0, 1.0), outer=3, seed=1
    )
    assert nothing.shift == 0


def test_a_recorded_dose_of_zero_stays_zero(rows: DoseRows) -> None:
    """ln 0 is no number: such units keep their 0, and the others are drawn as if alone."""
    recorded = rows.dose.copy()
    recorded[::10] = 0.0
    plaque = np.unique(np.array(rows.applicator), return_inverse=True)[1]
    model = ErrorModel(0.05, 0.0, 0.5)

    def draw(dose: Any, codes: Any) -> Any:
        one, two = np.random.default_rng(1), np.random.default_rng(2)
        return draw_true_doses(dose, codes, model, one, two)

    true = draw(recorded, plaque)
    given = recorded > 0
    np.testing.assert_array_equal(true[~given], 0.0)
    np.testing.assert_allclose(true[given], draw(recorded[given], plaque[given]), rtol=1e-12)
    cohort, whole = make_cohort(replace(rows, dose=recorded, covariates={}))
    found = simulate_dose_error(cohort, whole.applicator, 10.0, model=model, outer=4, seed=1)
    assert found.at_zero == int(np.sum(~given))
    assert np.isfinite(found.shift)
    nothing = replace(cohort, dose=np.zeros(cohort.n))
    with pytest.raises(RefusedEstimateError, match="Every dose is 0"):
        simulate_dose_error(nothing, whole.applicator, 10.0, outer=2, seed=1)


def test_shared_errors_are_shared_by_a_plaque() -> None:
    recorded = np.full(6, 100.0) * np.exp(np.linspace(-0.5, 0.5, 6))
    plaque = np.array([0, 0, 0, 1, 1, 1])
    one, two = np.random.default_rng(1), np.random.default_rng(2)
    true = draw_true_doses(recorded, plaque, ErrorModel(0.2, 0.0, 1.0), one, two)
    ratio = true / recorded
    np.testing.assert_allclose(ratio[:3], ratio[0])
    np.testing.assert_allclose(ratio[3:], ratio[3])
    assert ratio[0] != pytest.approx(ratio[3])


def test_all_error_is_refused(rows: DoseRows) -> None:
    cohort, whole = make_cohort(rows)
    with pytest.raises(RefusedEstimateError, match="nothing but error"):
        simulate_dose_error(
            cohort, whole.applicator, 10.0, model=ErrorModel(0.5, 0.5, 0.0), outer=2, seed=1
        )


def test_a_mistyped_exclusion_is_not_passed_over(department: Any) -> None:
    def asked(field: str, value: str) -> DoseQuestion:
        return DoseQuestion("local_failure", "apex", exclude=((field, value),))

    with pytest.raises(UsageError, match="isotope is one of Ru-106, I-125"):
        read_dose_rows(department, asked("isotope", "I125"), CUT)
    rows = read_dose_rows(department, asked("size_category", "T9"), CUT)
    (said,) = (note for note in rows.notes if note.startswith("Nobody has"))
    assert "size_category T9" in said
    assert "found are T1, T2, T3" in said


def test_a_warning_of_several_isotopes_knows_what_is_adjusted_for(
    department: Any, rows: DoseRows
) -> None:
    question = DoseQuestion("local_failure", "apex", adjust=("isotope",))
    plain, adjusted = (
        [note for note in one.notes if note.startswith("Doses of several isotopes")]
        for one in (rows, read_dose_rows(department, question, CUT))
    )
    assert plain[0].endswith("Adjust for isotope, or exclude all but one.")
    assert adjusted[0].endswith("the ratio of dose is taken to be the same in each.")


def test_many_without_a_dose_are_warned_of_with_their_events(department: Any) -> None:
    """Recounted from the registry's own table: half of the doses are taken away, then few."""
    question = DoseQuestion("local_failure", "apex", adjust=())
    whole = read_dose_rows(department, question, CUT)
    assert not [note for note in whole.notes if "left out. The event" in note]
    failed = {u for u, s in zip(whole.unit_id, whole.status, strict=True) if s == 1}
    gone = set(whole.unit_id[::2])
    department.execute("BEGIN")
    try:
        tumours = ", ".join(f"'{unit}'" for unit in sorted(gone))
        department.execute(
            "UPDATE implant SET dose_apex_gy = NULL WHERE tumour_id IN (" + tumours + ")"
        )
        rows = read_dose_rows(department, question, CUT)
    finally:
        department.execute("ROLLBACK")
    (said,) = (note for note in rows.notes if "left out. The event" in note)
    assert rows.n == whole.n - len(gone)
    assert said.startswith(f"{len(gone)} of {whole.n} have no such dose")
    with_dose = f"{len(failed - gone)} of {rows.n} with a dose"
    assert f"seen in {with_dose} and in {len(failed & gone)} of {len(gone)} without" in said
