"""What the regression models refuse, by name: the awkward tables."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from analysis.estimators.observations import RightCensored
from analysis.models.coefficients import few_events_warning, wald_coefficients
from analysis.models.cox import cox
from analysis.models.design_matrix import check_columns, to_model_frame
from analysis.models.dose_curve import dose_curve
from analysis.models.fine_gray import fine_gray
from analysis.models.firth import firth_cox, firth_logistic
from analysis.models.flac import flac
from analysis.models.imputation import impute, outcome_columns
from analysis.models.logistic import logistic
from analysis.models.regression import RegressionRows, regress
from analysis.models.separation import separating_columns
from analysis.models.splines import harrell_knots
from analysis.models.standardised import standardise
from registry.errors import RefusedEstimateError, RefusedInputError

N = 60
TIMED: dict[str, Callable[..., Any]] = {
    "Cox": cox,
    "Firth Cox": firth_cox,
    "Fine–Gray": lambda x, t, e, **k: fine_gray(x, t, e.astype(int), **k),
}
BINARY: dict[str, Callable[..., Any]] = {
    "logistic": logistic,
    "Firth logistic": firth_logistic,
    "FLAC": flac,
}


def table(seed: int = 1, events: int = 30) -> tuple[Any, Any, Any]:
    rng = np.random.default_rng(seed)
    event = np.zeros(N, dtype=bool)
    event[:events] = True
    return rng.normal(size=(N, 2)), rng.permutation(np.arange(1.0, N + 1)), event


@pytest.mark.parametrize("events", [0, 1, 4])
@pytest.mark.parametrize("model", TIMED)
def test_under_five_events_no_model(model: str, events: int) -> None:
    x, time, event = table(events=events)
    with pytest.raises(RefusedEstimateError, match=rf"{events} event.*under 5 events no {model}"):
        TIMED[model](x, time, event)


@pytest.mark.parametrize("events", [0, 1, 4, N - 3])
@pytest.mark.parametrize("model", BINARY)
def test_under_five_events_or_non_events_no_binary_model(model: str, events: int) -> None:
    x, _, event = table(events=events)
    with pytest.raises(RefusedEstimateError, match="under 5"):
        BINARY[model](x, event)


def test_five_events_are_enough_for_firth_and_limits_are_finite() -> None:
    x, time, event = table(events=5)
    assert np.isfinite(firth_cox(x, time, event).coefficients.upper).all()


@pytest.mark.parametrize("model", TIMED)
def test_a_constant_column_is_named(model: str) -> None:
    x, time, event = table()
    x[:, 1] = 3.0
    with pytest.raises(RefusedInputError, match=r"^thickness has one value only \(3\)"):
        TIMED[model](x, time, event, terms=["dose", "thickness"])


@pytest.mark.parametrize("model", TIMED)
def test_collinear_columns_are_named(model: str) -> None:
    x, time, event = table()
    x = np.column_stack([x, 2 * x[:, 0] - 3 * x[:, 1] + 7])
    with pytest.raises(RefusedInputError, match=r"^c can be computed from a, b"):
        TIMED[model](x, time, event, terms=["a", "b", "c"])


def test_only_the_columns_that_repeat_are_named() -> None:
    x, _, _ = table()
    matrix = np.column_stack([x, 0.1 * x[:, 0] + 4])
    with pytest.raises(RefusedInputError, match=r"^c can be computed from a, so"):
        check_columns(matrix, ["a", "b", "c"])


def test_a_column_that_only_differs_between_strata_is_named() -> None:
    x, time, event = table()
    strata = np.arange(N) % 2
    x[:, 1] = strata
    with pytest.raises(RefusedInputError, match=r"^b does not vary within any stratum"):
        cox(x, time, event, terms=["a", "b"], strata=strata)


@pytest.mark.parametrize("model", ["Cox", "Fine–Gray"])
@pytest.mark.parametrize("seed", range(4))
def test_a_separating_column_is_named_and_firth_advised(model: str, seed: int) -> None:
    x, time, event = table(seed)
    x = np.column_stack([x, np.where(event, 1.0, np.arange(N) % 2)])
    with pytest.raises(RefusedEstimateError, match=r"separated by marker \(.*firth-cox") as caught:
        TIMED[model](x, time, event, terms=["a", "b", "marker"])
    assert caught.value.where["columns"] == ["marker"]
    firth = firth_cox(x, time, event, terms=["a", "b", "marker"])
    assert np.isfinite(firth.coefficients.coef).all()


def test_a_combination_that_separates_is_named_whole() -> None:
    # a + b orders the events perfectly; neither does alone.
    rng = np.random.default_rng(5)
    a = rng.normal(size=N)
    total = np.arange(N, dtype=float)[::-1] / 10
    time = np.arange(1.0, N + 1)
    matrix = np.column_stack([a, total - a, rng.normal(size=N)])
    with pytest.raises(RefusedEstimateError, match="separated by a, b") as caught:
        cox(matrix, time, time < 40, terms=["a", "b", "c"])
    assert caught.value.where["columns"] == ["a", "b"]


@pytest.mark.parametrize("quasi", [False, True])
def test_logistic_separation_is_named(quasi: bool) -> None:
    x, _, event = table()
    marker = event.astype(float)
    if quasi:
        marker[-5:] = 1.0
    x = np.column_stack([x, marker])
    with pytest.raises(RefusedEstimateError, match=r"separated by marker \(.*firth-logistic"):
        logistic(x, event, terms=["a", "b", "marker"])
    assert np.isfinite(firth_logistic(x, event).coefficients.coef).all()


def test_separation_by_two_columns_together() -> None:
    x = np.array([[1, 0, 3], [1, 3, 0], [1, 1, 1], [1, 0, 5], [1, 5, 0], [1, 2, 4.0]])
    event = np.array([0, 0, 0, 1, 1, 1.0])
    assert separating_columns(x, event, np.ones(6)) == (1, 2)


def test_overlap_is_no_separation() -> None:
    x = np.column_stack([np.ones(6), np.arange(6.0)])
    assert separating_columns(x, np.array([0, 1, 0, 1, 0, 1.0]), np.ones(6)) == ()


def test_a_large_genuine_effect_is_not_taken_for_separation() -> None:
    rng = np.random.default_rng(8)
    x = rng.normal(size=(400, 1))
    waiting = -6 * x[:, 0] + np.log(rng.exponential(size=400))
    time = np.argsort(np.argsort(waiting)) + 1.0  # only the order counts
    fit = cox(x, time, np.ones(400, dtype=bool))
    assert fit.coefficients.coef[0] == pytest.approx(6, abs=0.8)


def test_a_column_without_variation_at_any_event_is_refused() -> None:
    # The only row that differs leaves before the first event.
    x, time, event = table()
    x[:, 1] = 0.0
    first = int(np.argmin(time))
    x[first, 1], event[first] = 1.0, False
    with pytest.raises(RefusedEstimateError, match=r"^b does not vary among those at risk"):
        cox(x, time, event, terms=["a", "b"])


@pytest.mark.parametrize("ties", ["efron", "breslow"])
def test_half_of_the_events_tied_and_events_at_time_zero(ties: str) -> None:
    x, time, event = table()
    coarse = np.floor(time / 8)
    assert (coarse[event] == 0).any()
    fit = cox(x, coarse, event, ties=ties)
    assert fit.gradient < 1e-9
    assert np.isfinite(fit.coefficients.se).all()


def test_entry_not_below_time_is_misuse() -> None:
    x, time, event = table()
    with pytest.raises(ValueError, match="entry must be below time"):
        cox(x, time, event, entry=time)


def test_unknown_ties_level_and_knots_are_misuse() -> None:
    x, time, event = table()
    with pytest.raises(ValueError, match="'exact'"):
        cox(x, time, event, ties="exact")
    with pytest.raises(ValueError, match="95"):
        wald_coefficients(("a",), np.zeros(1), np.eye(1), level=95)
    with pytest.raises(ValueError, match="2"):
        harrell_knots(x[:, 0], 2)


def test_too_few_distinct_values_for_the_knots() -> None:
    with pytest.raises(RefusedInputError, match="lines has too few distinct values for 5 knots"):
        harrell_knots(np.repeat([0.0, 1.0, 2.0], 50), 5, column="lines")


def test_missing_rows_are_counted_by_column_with_their_events() -> None:
    frame = to_model_frame(
        {"a": np.array([1.0, np.nan, 2.0, 4.0]), "b": ["x", "y", None, "y"]},
        needed={"time": np.array([1.0, 2.0, 3.0, 4.0])},
        event=np.array([True, True, False, False]),
    )
    assert [(x.column, x.rows, x.events) for x in frame.lost] == [("a", 1, 1), ("b", 1, 0)]
    assert frame.kept.tolist() == [True, False, False, True]
    assert frame.terms == ("a", "b[y]")
    assert frame.references == {"b": "x"}


def test_no_complete_row_is_a_refusal_that_says_where() -> None:
    with pytest.raises(RefusedInputError, match="a is empty in 2; b is empty in 1"):
        to_model_frame({"a": np.full(2, np.nan), "b": ["x", None]})


def test_a_text_column_with_one_level_is_refused() -> None:
    with pytest.raises(RefusedInputError, match=r"^side has one value only \(left\)"):
        to_model_frame({"side": ["left", "left"]})


def test_few_events_are_warned_about() -> None:
    said = few_events_warning(25, 3, advised="firth-cox")
    assert said is not None
    assert "25 events for 3 parameters" in said
    assert "--model firth-cox" in said
    assert few_events_warning(30, 3, advised="firth-cox") is None


def test_dose_curve_refusals() -> None:
    dose = np.linspace(50, 100, 20)
    with pytest.raises(RefusedEstimateError, match="under 5 events"):
        dose_curve(dose, (dose > 95).astype(float))
    with pytest.raises(RefusedEstimateError, match="separated by dose"):
        dose_curve(dose, (dose > 75).astype(float))
    with pytest.raises(RefusedInputError, match="row 1 has 7 events in 5"):
        dose_curve(np.array([50.0, 60.0]), np.array([7.0, 3.0]), np.array([5.0, 20.0]))
    with pytest.raises(RefusedInputError, match="several"):
        dose_curve(np.full(20, 80.0), np.tile([0.0, 1.0], 10))
    with pytest.raises(RefusedInputError, match="logarithm"):
        dose_curve(np.arange(20.0), np.tile([0.0, 1.0], 10), scale="log")


def test_d50_outside_the_doses_or_unbounded_is_not_estimable() -> None:
    rng = np.random.default_rng(3)
    dose = rng.uniform(60, 100, 300)
    rare = (rng.random(300) < 1 / (1 + np.exp(-0.12 * (dose - 110)))).astype(float)
    outside = dose_curve(dose, rare)
    assert not outside.d50.is_estimable
    assert "outside the doses given" in str(outside.d50.reason)
    assert np.isnan(outside.d50.value)
    assert not outside.gamma50.is_estimable
    assert outside.risk_difference.value > 0
    flat = dose_curve(dose, (rng.random(300) < 0.5).astype(float))
    assert not flat.d50.is_estimable


def test_d50_needs_both_of_its_limits() -> None:
    # A weak slope: the point estimate lies inside the doses, the interval does not close.
    dose = np.repeat([60.0, 70.0, 80.0, 90.0], 10)
    events = np.tile([1.0, 0.0], 20)
    events[[0, 31]] = [0.0, 1.0]
    curve = dose_curve(dose, events)
    assert curve.slope.lower < 0 < curve.slope.upper
    assert "unbounded" in str(curve.d50.reason)


@pytest.mark.parametrize("size", [1e160, 1e-160])
@pytest.mark.parametrize("model", TIMED)
def test_a_column_whose_squares_are_no_numbers_is_named(model: str, size: float) -> None:
    x, time, event = table()
    with pytest.raises(RefusedInputError, match="thickness holds values of the size of"):
        TIMED[model](x * [1.0, size], time, event, terms=["dose", "thickness"])


def test_a_spline_of_values_without_cubes_is_refused() -> None:
    with pytest.raises(RefusedInputError, match="dose holds values of the size of 5e\\+102"):
        harrell_knots(np.arange(6.0) * 1e102, 3, column="dose")


@pytest.mark.parametrize("status", [[0, 0, 0, 0], [2, 0, 2, 2]])
def test_standardised_incidence_of_what_nobody_has_is_refused(status: list[int]) -> None:
    observed = RightCensored.of([1, 2, 3, 4], status)
    x = np.array([[1.0], [3.0], [2.0], [5.0]])
    with pytest.raises(RefusedEstimateError, match="0 events: under 5 events"):
        standardise(
            observed, x, list("abab"), [2.0],
            terms=["x"], is_incidence=True, rng=np.random.default_rng(1),
        )  # fmt: skip


@pytest.mark.parametrize("model", ["firth-cox", "firth-logistic", "firth-discrete-time"])
def test_a_firth_model_with_more_coefficients_than_events_is_refused(model: str) -> None:
    # such a fit took minutes (a column of percentages as text) and could tell nothing
    shares = [f"{k} %" for k in range(10, 30)]
    status, time = np.array([1] * 6 + [0] * 14), np.arange(1.0, 21.0)
    rows = RegressionRows(
        to_model_frame({"share": shares}), status, None if "logistic" in model else time
    )
    with pytest.raises(RefusedEstimateError, match=r"^19 coefficients \(share\[11 %\].* 6 events"):
        regress(rows, model, edges=[5, 10, 20])


def test_texts_that_repeat_each_other_cannot_be_imputed_from() -> None:
    shares = [f"{k} %" for k in range(10, 34)]
    words = ["1", "2", "x", None] * 6
    time, status = np.arange(1.0, 25.0), np.array([0, 1] * 12)
    with pytest.raises(RefusedEstimateError, match="repeat each other"):
        impute(
            {"x": shares, "size": words, "z": shares}, outcome_columns(time, status),
            imputations=2, rng=np.random.default_rng(1),
        )  # fmt: skip
