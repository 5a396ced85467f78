"""What must hold of doses and BED whatever the numbers."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.implants.decay import HALF_LIVES, ICRP_107, decay_factor
from analysis.implants.depth_dose import DepthDoseTables
from analysis.implants.radiobiology import (
    RepairModel,
    bed_of_decaying_source,
    dose_of_decaying_source,
    require_one_radiation,
)
from registry.errors import RefusedEstimateError

half_lives = st.sampled_from([one.days for one in HALF_LIVES[ICRP_107].values()])
rates = st.floats(0.01, 50.0)
durations = st.floats(0.01, 1000.0)
ratios = st.floats(1.0, 50.0)
repairs = st.floats(0.05, 50.0)


@given(rates, durations, half_lives)
def test_dose_halves_after_one_half_life(rate: float, hours: float, half_life: float) -> None:
    later = rate * decay_factor(half_life, half_life)
    now = dose_of_decaying_source(rate, hours, half_life)
    assert dose_of_decaying_source(later, hours, half_life) == pytest.approx(now / 2, rel=1e-13)


@given(rates, durations, half_lives, st.floats(0.0, 1.0))
def test_dose_adds_over_a_split_implant(
    rate: float, hours: float, half_life: float, share: float
) -> None:
    first = hours * share
    rest = hours - first
    then = rate * decay_factor(first / 24.0, half_life)
    parts = dose_of_decaying_source(rate, first, half_life) + dose_of_decaying_source(
        then, rest, half_life
    )
    assert parts == pytest.approx(dose_of_decaying_source(rate, hours, half_life), rel=1e-12)


@given(rates, durations, half_lives, ratios, repairs)
def test_bed_lies_between_dose_and_dose_given_at_once(
    rate: float, hours: float, half_life: float, alpha_beta: float, repair: float
) -> None:
    dose = dose_of_decaying_source(rate, hours, half_life)
    at_once = dose * (1 + dose / alpha_beta)
    bed = bed_of_decaying_source(rate, hours, half_life, RepairModel(alpha_beta, repair))
    assert dose <= bed * (1 + 1e-13)
    assert bed <= at_once * (1 + 1e-13)
    unrepaired = bed_of_decaying_source(
        rate, hours, half_life, RepairModel(alpha_beta, float("inf"))
    )
    assert unrepaired == pytest.approx(at_once, rel=1e-12)


@given(rates, durations, half_lives, ratios, repairs)
def test_bed_tends_to_the_dose(
    rate: float, hours: float, half_life: float, alpha_beta: float, repair: float
) -> None:
    dose = dose_of_decaying_source(rate, hours, half_life)

    def bed(model: RepairModel) -> float:
        return float(bed_of_decaying_source(rate, hours, half_life, model))

    # alpha/beta to infinity, or repair to instantaneous
    assert bed(RepairModel(math.inf, repair)) == pytest.approx(dose, rel=1e-14)
    assert bed(RepairModel(alpha_beta, 0.0)) == pytest.approx(dose, rel=1e-14)
    assert bed(RepairModel(alpha_beta * 1e9, repair)) == pytest.approx(dose, rel=1e-4)
    excesses = [bed(RepairModel(alpha_beta, repair / 10**k)) - dose for k in range(6)]
    assert all(later < before for before, later in pairwise(excesses))


@given(rates, st.floats(1e-12, 1e-6), half_lives, repairs)
def test_a_vanishing_time_is_given_at_once(
    rate: float, hours: float, half_life: float, repair: float
) -> None:
    dose = rate * hours
    model = RepairModel(alpha_beta_gy=dose, repair_half_time_hours=repair)
    bed = bed_of_decaying_source(rate, hours, half_life, model)
    assert bed == pytest.approx(2 * dose, rel=1e-4)
    assert bed_of_decaying_source(rate, 0.0, half_life, model) == 0.0


@given(
    st.lists(st.floats(0.05, 2.0), min_size=2, max_size=20),
    st.floats(0.01, 1.0),
    st.floats(0.0, 1.0),
    st.floats(0.0, 1.0),
)
def test_a_falling_table_falls_between_its_depths(
    widths: list[float], per_mm: float, one: float, other: float
) -> None:
    depth = np.concatenate([[0.0], np.cumsum(widths)])
    rate = np.exp(-per_mm * depth**1.3)
    tables = DepthDoseTables.of(np.zeros(len(depth), int), depth, rate, 1)
    near, far = sorted([one * depth[-1], other * depth[-1]])
    at_near, at_far = tables.rate_at([0, 0], [near, far])
    assert at_near >= at_far * (1 - 1e-12)
    assert rate[-1] * (1 - 1e-12) <= at_far <= rate[0] * (1 + 1e-12)


def test_isotopes_need_a_stated_rbe() -> None:
    with pytest.raises(RefusedEstimateError, match="not for I-125"):
        require_one_radiation(["I-125", "Ru-106"], {"Ru-106": 1.0})


@pytest.mark.parametrize(
    ("rate", "hours", "half_life", "message"),
    [(-1.0, 1.0, 1.0, "dose rate"), (1.0, -1.0, 1.0, "duration"), (1.0, 1.0, 0.0, "half-life")],
)
def test_misuse_shows_the_value(rate: float, hours: float, half_life: float, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        dose_of_decaying_source(rate, hours, half_life)
    with pytest.raises(ValueError, match="alpha/beta"):
        RepairModel(alpha_beta_gy=0.0)
