"""Half-lives and BED against ICRP 107, quadrature and the computed cases of the table."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import numpy as np
import pytest
import radioactivedecay
from scipy.integrate import quad
from scipy.interpolate import PchipInterpolator

from analysis.implants.decay import (
    ENSDF,
    HALF_LIVES,
    ICRP_107,
    decay_factor,
    find_half_life,
)
from analysis.implants.depth_dose import DepthDoseTables
from analysis.implants.dose_agreement import limits_of_agreement
from analysis.implants.radiobiology import (
    RepairModel,
    bed_of_decaying_source,
    dose_of_decaying_source,
)
from registry.errors import RefusedInputError

TABLE = Path(__file__).parent / "data" / "physics_constants.csv"
with TABLE.open(encoding="utf-8", newline="") as lines:
    ROWS = list(csv.DictReader(lines))


@pytest.mark.parametrize("isotope", sorted(HALF_LIVES[ICRP_107]))
def test_half_lives_are_those_of_icrp_107(isotope: str) -> None:
    # radioactivedecay's default data set is ICRP Publication 107.
    assert radioactivedecay.DEFAULTDATA.dataset_name.startswith("icrp107")
    expected = radioactivedecay.Nuclide(isotope).half_life("d")
    assert find_half_life(isotope).days == pytest.approx(expected, rel=1e-12)


def test_half_lives_are_those_of_the_table() -> None:
    in_days = {"d": 1.0, "h": 1 / 24, "y": 365.2422}
    seen = 0
    for row in ROWS:
        is_ours = row["source"] in HALF_LIVES and row["item"] in HALF_LIVES[row["source"]]
        if row["quantity"] == "half_life" and is_ours:
            expected = float(row["value"]) * in_days[row["unit"]]
            assert find_half_life(row["item"], row["source"]).days == pytest.approx(expected)
            seen += 1
    assert seen == sum(len(table) for table in HALF_LIVES.values())


def test_the_choice_of_source_shows_after_a_year() -> None:
    rows = [row for row in ROWS if row["quantity"] == "half_life_choice_effect"]
    assert len(rows) == 2
    for row in rows:
        days = float(row["source"].split()[-2])
        assert decay_factor(365.0, days) == pytest.approx(float(row["value"]), abs=5e-6)


def test_what_a_source_does_not_hold_is_refused() -> None:
    with pytest.raises(RefusedInputError, match="Cs-131"):
        find_half_life("Cs-131", ENSDF)
    with pytest.raises(RefusedInputError, match="half_life_source"):
        find_half_life("Ru-106", "the back of an envelope")


def _read_case(text: str) -> tuple[float, float, float, RepairModel]:
    """Read a computed case: dose rate, hours, half-life, parameters."""
    rate = float(re.findall(r"(?:R0=|at )([\d.]+) Gy/h", text)[0])
    model = RepairModel(
        float(re.findall(r"ab ([\d.]+)", text)[0]), float(re.findall(r"rep ([\d.]+) h", text)[0])
    )
    if text.startswith("constant"):
        return rate, float(re.findall(r"constant ([\d.]+) Gy", text)[0]) / rate, np.inf, model
    half_life = float(re.findall(r"\(([\d.]+) d\)", text)[0])
    return rate, float(re.findall(r"for ([\d.]+) h", text)[0]), half_life, model


@pytest.mark.parametrize(
    "row",
    [row for row in ROWS if row["quantity"] == "BED_computed_example" and row["value"]],
    ids=lambda row: row["item"],
)
def test_bed_of_the_computed_cases(row: dict[str, str]) -> None:
    rate, hours, half_life, model = _read_case(row["item"])
    physical = float(re.findall(r"physical dose ([\d.]+)", row["note"])[0])
    assert dose_of_decaying_source(rate, hours, half_life) == pytest.approx(physical, abs=6e-5)
    found = bed_of_decaying_source(rate, hours, half_life, model)
    assert found == pytest.approx(float(row["value"]), abs=6e-5)


def test_the_published_example() -> None:
    # 40 Gy at 0.55 Gy/h, alpha/beta 10, mu 0.46 per hour: the row says 49.565 in the form for long
    # times and 49.279 with the whole formula.
    mu = 0.46
    model = RepairModel(10.0, np.log(2.0) / mu)
    whole = bed_of_decaying_source(0.55, 40 / 0.55, np.inf, model)
    assert whole == pytest.approx(49.279, abs=5e-4)
    ages = bed_of_decaying_source(0.55, 1e7, np.inf, model) / (0.55 * 1e7)
    assert 40 * ages == pytest.approx(49.565, abs=5e-4)


def _bed_by_quadrature(
    rate: float, hours: float, half_life_days: float, model: RepairModel
) -> float:
    """The double integral of Dale 1985, its inner integral by hand, the outer by quadrature."""
    decay = np.log(2.0) / (half_life_days * 24.0)
    mu = model.repair_constant_per_hour

    def inner(t: float) -> float:
        """exp(-lambda t) times the integral over s < t of exp(-lambda s - mu (t - s))."""
        k = mu - decay
        exact = t if abs(k) * t < 1e-14 else -np.expm1(-k * t) / k
        return float(np.exp(-2 * decay * t) * exact)

    knots = np.unique(np.clip([1 / mu, 5 / mu, 20 / mu, 1 / decay], hours * 1e-9, hours * 0.999))
    squared = (
        2 * rate**2 * quad(inner, 0, hours, points=knots, epsabs=0, epsrel=1e-12, limit=500)[0]
    )
    dose = rate * quad(lambda t: np.exp(-decay * t), 0, hours, epsabs=0, epsrel=1e-13)[0]
    return float(dose + squared / model.alpha_beta_gy)


def test_bed_equals_the_double_integral_on_a_thousand_random_cases() -> None:
    rng = np.random.default_rng(1985)
    half_lives = [one.days for one in HALF_LIVES[ICRP_107].values()]
    for case in range(1000):
        rate, hours = np.exp(rng.uniform(np.log([0.05, 0.1]), np.log([20.0, 700.0])))
        half_life = float(rng.choice(half_lives) if case % 2 else np.exp(rng.uniform(-3, 7)))
        repair = float(np.exp(rng.uniform(np.log(0.05), np.log(200.0))))
        if case % 10 == 0:  # repair as fast as decay, or almost
            repair = half_life * 24.0 * (1 + rng.choice([0.0, 1e-14, 1e-9, -1e-5]))
        model = RepairModel(float(rng.uniform(1, 30)), repair)
        expected = _bed_by_quadrature(rate, hours, half_life, model)
        found = bed_of_decaying_source(rate, hours, half_life, model)
        assert found == pytest.approx(expected, rel=1e-9), (rate, hours, half_life, model)


def test_reading_between_depths_is_scipys_monotone_interpolant() -> None:
    rng = np.random.default_rng(1984)
    rows: list[tuple[int, float, float]] = []
    for table in range(200):
        n = int(rng.integers(1, 12))
        falls = -np.cumsum(rng.exponential(1.0, n)) if table % 2 else rng.normal(0.0, 1.0, n)
        depths = np.sort(rng.uniform(0.0, 15.0, n))
        rows += zip([table] * n, depths, np.exp(falls), strict=True)
    order = rng.permutation(len(rows))
    table, depth, rate = (np.array(column) for column in zip(*rows, strict=True))
    tables = DepthDoseTables.of(table[order], depth[order], rate[order], 200)
    for k in range(200):
        own, values = depth[table == k], rate[table == k]
        at = np.concatenate([own, rng.uniform(own[0], own[-1], 15)])
        found = tables.rate_at(np.full(len(at), k), at)
        curve = PchipInterpolator(own, np.log(values)) if len(own) > 1 else None
        expected = np.exp(curve(at)) if curve else np.full(len(at), values[0])
        np.testing.assert_allclose(found, expected, rtol=1e-12)
        outside = tables.rate_at([k, k], [own[0] - 1e-6, own[-1] + 1e-6])
        assert np.isnan(outside).all()


def test_limits_of_agreement_of_bland_and_altman() -> None:
    # Bland and Altman 1986, peak flow by two meters, 17 subjects, first readings: mean difference
    # -2.1 and SD 38.8 l/min (readings from memory; the two figures are the paper's).
    large = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
    mini = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
    found = limits_of_agreement(np.subtract(large, mini))
    assert found.bias == pytest.approx(-2.1, abs=0.05)
    assert found.sd == pytest.approx(38.8, abs=0.05)
    # The paper: standard error of the mean difference 9.4; of a limit 16.3 (with t = 2.12 there).
    assert (found.bias_interval[1] - found.bias) / 1.959964 == pytest.approx(9.4, abs=0.05)
    assert (found.upper_interval[1] - found.upper) / 1.959964 == pytest.approx(16.3, abs=0.4)
