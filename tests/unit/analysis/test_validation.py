"""Optimism of validated models: penalised slopes, clusters, few samples, risks that many share."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.models.calibration import calibrate_cox
from analysis.models.cox import cox
from analysis.models.discrimination import concordance, linear_predictor, validate_cox
from analysis.models.firth import firth_cox
from analysis.models.optimism import (
    OF_OPTIMISM,
    SHIFTED,
    draw_samples,
    take_off_optimism,
    too_narrow,
)
from registry.errors import RefusedEstimateError

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


def few_months(n: int, seed: int) -> tuple[Array, Array, BoolArray]:
    """Two covariates, times that tie."""
    rng = np.random.default_rng(seed)
    matrix = np.column_stack([rng.normal(size=n), rng.random(n) < 0.4])
    time = np.ceil(4 * rng.exponential(np.exp(-matrix @ [0.6, 0.5])))
    return matrix, np.minimum(time, 6.0), time <= 6


@pytest.mark.parametrize(("asked", "used"), [(None, "breslow"), ("efron", "efron")])
def test_optimism_of_a_firth_slope_is_counted_from_the_samples_own_slope(
    asked: str | None, used: str
) -> None:
    """Read literally, with the models that have their own reference values; a penalised model has
    not slope 1 in the rows that made it.
    """
    matrix, time, event = few_months(70, 3)
    found = validate_cox(
        matrix, time, event, penalised=True, ties=asked, resamples=40, rng=np.random.default_rng(8)
    )
    rng, gains = np.random.default_rng(8), []
    for _ in range(40):
        rows = rng.integers(0, 70, 70)
        coef = firth_cox(matrix[rows], time[rows], event[rows], ties=used).coefficients.coef
        score = linear_predictor(matrix, coef)
        there = cox(score[rows, None], time[rows], event[rows], ties=used).coefficients.coef[0]
        gains.append(there - cox(score[:, None], time, event, ties=used).coefficients.coef[0])
    assert found.fitted == 40
    assert found.slope.optimism == pytest.approx(np.mean(gains), abs=1e-6)
    assert found.slope.apparent > 1


def test_whole_clusters_are_drawn() -> None:
    labels = np.array(["b", "a", "b", "c", "a", "b"])
    for rows in draw_samples(6, labels, 50, np.random.default_rng(1)):
        counts = np.bincount(rows, minlength=6)
        # by hand: rows of one label are drawn equally often, three labels a sample
        assert counts[0] == counts[2] == counts[5]
        assert counts[1] == counts[4]
        assert counts[0] + counts[1] + counts[3] == 3


def test_people_of_their_own_are_drawn_as_rows_are() -> None:
    alone = draw_samples(9, np.arange(9), 5, np.random.default_rng(2))
    for one, other in zip(draw_samples(9, None, 5, np.random.default_rng(2)), alone, strict=True):
        np.testing.assert_array_equal(one, other)


def test_copies_of_people_make_the_limits_no_narrower_when_clustered() -> None:
    """Every row three times, as three tumours of a patient: as drawn without the copies."""
    matrix, time, event = few_months(60, 5)
    time = time + np.arange(60) / 1000
    patient = np.arange(60)
    thrice = (np.repeat(matrix, 3, axis=0), np.repeat(time, 3), np.repeat(event, 3))
    once = validate_cox(
        matrix, time, event, ties="breslow", resamples=60, rng=np.random.default_rng(4)
    )
    copied = validate_cox(
        *thrice, ties="breslow", cluster=np.repeat(patient, 3),
        resamples=60, rng=np.random.default_rng(4),
    )  # fmt: skip
    for part in ("corrected", "corrected_lower", "corrected_upper"):
        assert getattr(copied.c, part) == pytest.approx(getattr(once.c, part), abs=1e-9)
        assert getattr(copied.slope, part) == pytest.approx(getattr(once.slope, part), abs=1e-6)


def test_limits_are_percentiles_moved_by_the_optimism() -> None:
    there, here = np.linspace(0.601, 0.799, 199), np.full(199, 0.66)
    found = take_off_optimism(0.71, there, here, level=0.9, interval=SHIFTED)
    # by hand: optimism 0.70 - 0.66; the (B + 1)p-th draws of 199 are the 10th and the 190th
    assert found.corrected == pytest.approx(0.67)
    assert [found.corrected_lower, found.corrected_upper] == pytest.approx([0.57, 0.75])
    other = take_off_optimism(1.0, np.ones(199), there, level=0.9, interval=OF_OPTIMISM)
    # by hand: 1 - (1 - 0.61), 1 - (1 - 0.79)
    assert [other.corrected_lower, other.corrected_upper] == pytest.approx([0.61, 0.79])


@pytest.mark.parametrize(("samples", "level", "given"), [
    (38, 0.95, False), (39, 0.95, True), (39, 0.99, False), (199, 0.99, True), (0, 0.95, False),
])  # fmt: skip
def test_too_few_samples_have_no_limits(samples: int, level: float, given: bool) -> None:
    there = np.linspace(0.6, 0.8, samples)
    found = take_off_optimism(0.7, there, there - 0.01, level=level, interval=SHIFTED)
    assert math.isnan(found.corrected_lower) is not given
    assert found.interval.startswith("none: ") is not given


def test_limits_are_called_too_narrow_under_twenty_events_a_column() -> None:
    # by hand: 99 events, 5 columns
    assert "With under 20 events a column" in too_narrow(99, 5)
    assert too_narrow(100, 5) == ""


def test_one_yes_or_no_makes_two_groups() -> None:
    """Two risks, forty events: five groups by quantiles cannot be had. It ended in a fault."""
    rng = np.random.default_rng(6)
    matrix = (np.arange(120) % 3 == 0)[:, None].astype(float)
    time = rng.exponential(np.exp(-matrix[:, 0]))
    found = calibrate_cox(
        matrix, np.minimum(time, 2), time <= 2, 1.0, resamples=60, rng=np.random.default_rng(7)
    )
    assert [one.n for one in found] == [80, 40]
    for one in found:
        # by hand: a model with one parameter and its own risk for each group has little optimism
        assert abs(one.optimism) < 0.02
        assert one.corrected_lower == pytest.approx(one.lower - one.optimism)
        assert one.corrected_upper == pytest.approx(one.upper - one.optimism)


def test_a_risk_less_optimism_stays_a_risk() -> None:
    matrix, time, event = few_months(150, 9)
    noise = np.random.default_rng(10).normal(size=(150, 12))
    found = calibrate_cox(
        np.hstack([matrix, noise]), time, event, 1.0, groups=6,
        resamples=40, rng=np.random.default_rng(11),
    )  # fmt: skip
    for one in found:
        assert 0 <= one.corrected_lower <= one.corrected <= one.corrected_upper <= 1


def test_a_predictor_that_orders_all_events_is_refused_in_its_own_words() -> None:
    matrix, time = np.repeat([1.0, 0.0], 10)[:, None], np.arange(1.0, 21.0)
    event = time <= 8
    assert concordance(time, event, matrix[:, 0]).discordant == 0
    with pytest.raises(RefusedEstimateError, match="no finite calibration slope") as refusal:
        validate_cox(
            matrix, time, event, penalised=True, resamples=10, rng=np.random.default_rng(1)
        )
    assert "--model" not in refusal.value.message
