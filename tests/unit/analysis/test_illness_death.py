"""The illness-death model against quadrature, closed forms, hand counts and simulated truth."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import gamma

from analysis.estimators.illness_death import (
    ONE_PIECE,
    TRANSITIONS,
    IllnessDeath,
    VisitedToDeath,
    bootstrap_illness_death,
    choose_knots,
    fit_illness_death,
)
from analysis.estimators.illness_death_draws import leave_out_zeros, refit_draws
from analysis.estimators.illness_death_limits import limit_by_count
from analysis.estimators.illness_death_paths import expect_events, lay_out_paths, occupy_states
from analysis.estimators.illness_death_search import (
    lay_grid,
    maximise,
    spread_on_grid,
    tie_pieces,
)
from registry.errors import RefusedEstimateError

STARTS = np.array([0.0, 1.5, 4.0])
RATES = (np.array([0.3, 0.1, 0.05]), np.array([0.02, 0.08, 0.2]), np.array([0.1, 0.5, 0.03]))
# Every kind of patient: loss seen and alive, seen and dead, over several pieces, at an exact time,
# on a knot, unseen and alive, unseen and dead, lost to follow-up on the first day.
PATIENTS = [
    (0.5, 1.0, 5.0, False),
    (0.5, 4.5, 6.0, True),
    (1.5, 4.0, 4.0, True),
    (2.0, 2.0, 7.0, True),
    (1.5, 1.5, 3.0, False),
    (1.0, math.inf, 1.0, False),
    (1.0, math.inf, 6.5, False),
    (0.0, math.inf, 5.5, True),
    (3.9, math.inf, 4.0, True),
    (0.0, math.inf, 0.0, False),
]


def rate_at(rates: np.ndarray, t: float) -> float:
    return float(rates[np.searchsorted(STARTS[1:], t, side="left")])


def cumulate(rates: np.ndarray, until: float) -> float:
    return float(
        sum(
            r * max(0.0, min(until, e) - s)
            for r, s, e in zip(rates, STARTS, [*STARTS[1:], np.inf], strict=True)
        )
    )


def likelihood_by_quadrature(patient: tuple[float, float, float, bool]) -> float:
    """Write the likelihood of one patient as the integral it is, and integrate numerically."""
    above, below, vital, died = patient
    loss, death, after = RATES

    def through(u: float) -> float:
        stay = math.exp(-cumulate(loss, u) - cumulate(death, u))
        live_on = math.exp(-cumulate(after, vital) + cumulate(after, u))
        return rate_at(loss, u) * stay * live_on * (rate_at(after, vital) if died else 1.0)

    if above == below:
        return through(above)
    until = vital if math.isinf(below) else below
    knots = [float(k) for k in STARTS[1:] if above < k < until]
    ends = [above, *knots, until]
    total: float = sum(
        quad(through, a, b, epsabs=1e-14, epsrel=1e-13)[0] for a, b in itertools.pairwise(ends)
    )
    if math.isinf(below):
        straight = math.exp(-cumulate(loss, vital) - cumulate(death, vital))
        total += straight * (rate_at(death, vital) if died else 1.0)
    return total


def lay_out(patients: list[tuple[float, float, float, bool]]) -> Any:
    above, below, vital, died = (np.array(column) for column in zip(*patients, strict=True))
    return lay_out_paths(above, below, vital, died, STARTS)


@pytest.mark.parametrize("patient", PATIENTS, ids=str)
def test_likelihood_is_the_integral(patient: tuple[float, float, float, bool]) -> None:
    found = expect_events(lay_out([patient]), *RATES).log_likelihood
    assert found == pytest.approx(math.log(likelihood_by_quadrature(patient)), abs=1e-11)


@pytest.mark.parametrize("equal", [False, True])
def test_gradient_is_the_slope_of_the_likelihood(equal: bool) -> None:
    # With death rates that make the exponent vanish (0→1 plus 0→2 equal to 1→2) limits are taken.
    rates = [RATES[0], RATES[1], RATES[0] + RATES[1]] if equal else list(RATES)
    paths = lay_out(PATIENTS)
    expected = expect_events(paths, *rates)
    for i in range(3):
        analytic = expected.events[i] - rates[i] * expected.time_at_risk[i]
        for k in range(3):
            values = []
            for sign in (1, -1):
                moved = [rate.copy() for rate in rates]
                moved[i][k] *= math.exp(sign * 1e-5)
                values.append(expect_events(paths, *moved).log_likelihood)
            assert analytic[k] == pytest.approx((values[0] - values[1]) / 2e-5, abs=1e-7)


def test_constant_intensities_have_the_textbook_probabilities() -> None:
    # Markov closed form: P00 = exp(-(a+b)t), P01 = a/(a+b-c) (exp(-ct) - exp(-(a+b)t)), and the
    # incidence a/(a+b) (1 - exp(-(a+b)t)).
    a, b, c = 0.11, 0.04, 0.23
    t = np.array([0.0, 0.5, 3.0, 20.0])
    starts, rates = np.array([0.0, 2.0]), [np.full(2, rate) for rate in (a, b, c)]
    incidence, above, lost, net = occupy_states(t, starts, *rates)
    gone = np.exp(-(a + b) * t)
    assert above == pytest.approx(gone, abs=1e-14)
    assert lost == pytest.approx(a / (a + b - c) * (np.exp(-c * t) - gone), abs=1e-14)
    assert incidence == pytest.approx(a / (a + b) * (1 - gone), abs=1e-14)
    assert net == pytest.approx(1 - np.exp(-a * t), abs=1e-14)


def test_huge_intensities_do_not_overflow() -> None:
    rates = [np.array([1.0]), np.array([1.0]), np.array([5e4])]
    _, _, lost, _ = occupy_states(np.array([10.0]), np.array([0.0]), *rates)
    assert lost[0] == pytest.approx(math.exp(-20) / (5e4 - 2), rel=1e-6)


def test_pieces_not_yet_reached_add_nothing() -> None:
    # death after loss so likely in the second piece that its factor overflows
    starts = np.array([0.0, 2.0, 4.0])
    loss, death = np.full(3, 0.1), np.full(3, 0.05)
    early = occupy_states(np.array([1.0]), starts, loss, death, np.array([0.2, 600.0, 0.2]))
    plain = occupy_states(np.array([1.0]), starts, loss, death, np.full(3, 0.2))
    for found, wanted in zip(early, plain, strict=True):
        assert found == pytest.approx(wanted, rel=1e-12)


def test_exact_losses_and_full_follow_up_give_events_over_time_at_risk() -> None:
    # Patients whose loss time is exact leave nothing unseen; the estimate is then occurrence over
    # exposure, by hand: 2 losses and 0 deaths in 1 + 2 years above, 1 death in 3 + 2 years after.
    seen = VisitedToDeath.of([1, 2], [1, 2], [4, 4], [True, False])
    fit = fit_illness_death(seen, ONE_PIECE)
    assert fit.is_converged
    assert fit.intensity["loss"][0] == pytest.approx(2 / 3, rel=1e-6)
    assert fit.intensity["death"][0] == pytest.approx(0, abs=1e-6)
    assert fit.intensity["death_after_loss"][0] == pytest.approx(1 / 5, rel=1e-6)


def simulate(
    n: int, rng: np.random.Generator, loss: float, death: float, after: float
) -> VisitedToDeath:
    """Draw constant intensities, half-yearly visits that stop at random, death to 12 years."""
    lost_at = rng.exponential(1 / loss, n)
    dies_at = rng.exponential(1 / death, n)
    dies_at = np.where(lost_at < dies_at, lost_at + rng.exponential(1 / after, n), dies_at)
    vital = np.minimum(dies_at, 12.0)
    last_visit = np.floor(2 * np.minimum(vital, rng.uniform(1, 14, n))) / 2
    below = np.ceil(2 * lost_at) / 2
    is_seen = below <= last_visit
    above = np.where(is_seen, below - 0.5, last_visit)
    return VisitedToDeath.of(above, np.where(is_seen, below, np.inf), vital, dies_at <= 12)


@pytest.fixture(scope="module")
def cohort() -> VisitedToDeath:
    return simulate(3000, np.random.default_rng(11), 0.12, 0.03, 0.09)


@pytest.fixture(scope="module")
def fit(cohort: VisitedToDeath) -> IllnessDeath:
    return fit_illness_death(cohort, {"loss": (2.0, 5.0), "death": (4.0,), "death_after_loss": ()})


def test_recovers_the_truth(fit: IllnessDeath) -> None:
    assert fit.is_converged
    assert fit.gradient < 1e-3
    truth = 0.12 / 0.15 * (1 - math.exp(-0.15 * 10))
    assert fit.at([10]).loss_incidence[0] == pytest.approx(truth, abs=0.03)
    # Three binomial standard errors at n = 3000 are 0.026; the intensities scatter more.
    assert fit.intensity["loss"] == pytest.approx([0.12] * 3, abs=0.02)
    assert fit.intensity["death"] == pytest.approx([0.03] * 2, abs=0.012)
    assert fit.intensity["death_after_loss"] == pytest.approx([0.09], abs=0.02)


def test_nothing_near_the_estimate_is_likelier(cohort: VisitedToDeath, fit: IllnessDeath) -> None:
    starts = np.array([0.0, 2.0, 4.0, 5.0])
    paths = lay_out_paths(
        cohort.last_above, cohort.first_below, cohort.vital_status_time, cohort.died, starts
    )

    def measure(factor: np.ndarray) -> float:
        loss, death = fit.intensity["loss"] * factor[:3], fit.intensity["death"] * factor[3:5]
        after = np.repeat(fit.intensity["death_after_loss"] * factor[5], 4)
        return expect_events(paths, loss[[0, 1, 1, 2]], death[[0, 0, 1, 1]], after).log_likelihood

    best = measure(np.ones(6))
    assert best == pytest.approx(fit.log_likelihood, abs=1e-8)
    rng = np.random.default_rng(2)
    assert all(measure(np.exp(rng.normal(0, 0.02, 6))) < best for _ in range(50))


def test_probabilities_sum_to_one_and_stop_at_the_last_follow_up(fit: IllnessDeath) -> None:
    read = fit.at([0, 1, 7.3, 12, 12.1])
    assert (read.above + read.lost + read.dead)[:4] == pytest.approx(np.ones(4))
    unlost = read.above + read.loss_incidence + read.death_without_loss
    assert unlost[:4] == pytest.approx(np.ones(4))
    assert np.isnan(read.loss_incidence[4])
    assert np.all(read.loss_if_no_one_died[1:4] > read.loss_incidence[1:4])


def test_row_order_does_not_matter(cohort: VisitedToDeath, fit: IllnessDeath) -> None:
    order = np.random.default_rng(5).permutation(fit.n)
    other = fit_illness_death(cohort.draw(order), fit.knots)
    assert other.log_likelihood == pytest.approx(fit.log_likelihood, abs=1e-6)
    assert other.at([5]).loss_incidence[0] == pytest.approx(fit.at([5]).loss_incidence[0], abs=1e-5)


def test_days_and_years_say_the_same(cohort: VisitedToDeath, fit: IllnessDeath) -> None:
    days = VisitedToDeath.of(
        cohort.last_above * 365.25,
        cohort.first_below * 365.25,
        cohort.vital_status_time * 365.25,
        cohort.died,
    )
    knots = {name: tuple(k * 365.25 for k in fit.knots[name]) for name in TRANSITIONS}
    other = fit_illness_death(days, knots)
    assert other.is_converged
    expected = fit.at([8]).loss_incidence
    assert other.at([8 * 365.25]).loss_incidence == pytest.approx(expected, abs=1e-5)


def test_bootstrap_holds_the_estimate_and_repeats(cohort: VisitedToDeath) -> None:
    small = cohort.draw(np.arange(300))
    fitted = fit_illness_death(small, ONE_PIECE)
    runs = [
        bootstrap_illness_death(small, fitted, [5.0, 50.0], np.random.default_rng(8), resamples=60)
        for _ in range(2)
    ]
    incidence = fitted.at([5.0]).loss_incidence[0]
    assert runs[0].failed == 0
    assert runs[0].loss_lower[0] < incidence < runs[0].loss_upper[0]
    assert runs[0].above_lower[0] < fitted.at([5.0]).above[0] < runs[0].above_upper[0]
    assert np.isnan(runs[0].loss_lower[1])
    assert runs[0].loss_lower[0] == runs[1].loss_lower[0]
    # Width near that of a proportion of 300: 2 * 1.96 * sqrt(p (1 - p) / 300), a little wider.
    width = runs[0].loss_upper[0] - runs[0].loss_lower[0]
    binomial = 2 * 1.96 * math.sqrt(incidence * (1 - incidence) / 300)
    assert 0.7 * binomial < width < 1.6 * binomial


def test_no_loss_seen_is_a_number_with_its_reason() -> None:
    seen = VisitedToDeath.of([2, 3, 4], [math.inf] * 3, [2, 5, 6], [False, True, False])
    fitted = fit_illness_death(seen)
    assert fitted.is_converged
    assert fitted.at([4]).loss_incidence[0] == 0
    # One death in 2 + 5 + 6 years, by hand.
    assert fitted.intensity["death"][0] == pytest.approx(1 / 13, rel=1e-6)
    assert any("No loss was seen" in note for note in fitted.notes)
    with pytest.raises(RefusedEstimateError, match="exact limits"):
        bootstrap_illness_death(seen, fitted, [4], np.random.default_rng(1))


def test_no_death_leaves_nothing_competing() -> None:
    # Everyone seen below between 0 and 1, or above at 1 and then alive at 1: 3 of 4 lost by 1.
    seen = VisitedToDeath.of([0, 0, 0, 1], [1, 1, 1, math.inf], [1, 1, 1, 1], [False] * 4)
    fitted = fit_illness_death(seen)
    read = fitted.at([1])
    assert read.loss_incidence[0] == pytest.approx(0.75, abs=1e-6)
    assert read.dead[0] == pytest.approx(0, abs=1e-9)
    assert fitted.intensity["death"].tolist() == [0]
    assert any("No one died" in note for note in fitted.notes)


def test_death_without_any_loss_after_it_is_noted() -> None:
    seen = VisitedToDeath.of([0, 1], [1, math.inf], [3, 2], [False, True])
    assert any("not seen" in note for note in fit_illness_death(seen).notes)


def test_a_draw_without_any_loss_is_a_draw_without_incidence() -> None:
    """One loss among 12: about a third of the draws hold none."""
    lost = [1.0] + [math.inf] * 11
    seen = VisitedToDeath.of([0.5] + [3.0] * 11, lost, [4.0] * 12, [False] * 6 + [True] * 6)
    fitted = fit_illness_death(seen, ONE_PIECE)
    limits = bootstrap_illness_death(seen, fitted, [3.0], np.random.default_rng(3), resamples=60)
    assert limits.failed == 0
    assert limits.loss_lower[0] == 0
    assert 0 < fitted.at([3.0]).loss_incidence[0] < limits.loss_upper[0] < 1


def test_few_losses_are_noted(cohort: VisitedToDeath) -> None:
    few = VisitedToDeath.of([0, 1, 2], [1, 2, math.inf], [3, 3, 3], [False, True, True])
    assert any("Only 2 losses" in note for note in fit_illness_death(few).notes)
    assert fit_illness_death(cohort, ONE_PIECE).notes == ()


def test_one_patient_and_no_time_at_all() -> None:
    one = fit_illness_death(VisitedToDeath.of([1], [math.inf], [4], [False]))
    assert one.at([0, 4]).above.tolist() == [1, 1]
    with pytest.raises(RefusedEstimateError, match="Nobody was followed"):
        fit_illness_death(VisitedToDeath.of([0], [math.inf], [0], [False]))


def test_an_unbounded_rate_is_not_called_converged() -> None:
    # Dead in the moment of an exact loss, the only one: the death rate after loss has no maximum.
    fitted = fit_illness_death(VisitedToDeath.of([2, 3], [2, math.inf], [2, 3], [True, False]))
    assert not fitted.is_converged


def test_knots_are_quantiles_of_the_events(cohort: VisitedToDeath) -> None:
    knots = choose_knots(cohort)
    assert [len(knots[name]) for name in TRANSITIONS] == [5, 5, 1]
    losses = cohort.loss_seen
    middle = (cohort.last_above + cohort.first_below)[losses] / 2
    below = [np.mean(middle <= knot) for knot in knots["loss"]]
    # Visits are half-yearly, so the middles tie and the shares jump.
    assert below == pytest.approx(np.arange(1, 6) / 6, abs=0.1)
    assert choose_knots(cohort.draw(np.arange(5)))["death"] == ()


@pytest.mark.parametrize(
    ("observations", "shown"),
    [
        (([-1], [2], [3], [True]), r"-1\.0"),
        (([2], [1], [3], [True]), r"first below 1\.0"),
        (([2], [4], [3], [True]), r"vital status 3\.0"),
        (([2], [math.inf], [1], [True]), r"vital status 1\.0"),
        (([2], [math.inf], [math.nan], [True]), "vital status nan"),
        (([2, 3], [4], [5], [True]), "shape"),
    ],
)
def test_misuse_shows_the_value(observations: Any, shown: str) -> None:
    with pytest.raises(ValueError, match=shown):
        VisitedToDeath.of(*observations)


def test_refusals() -> None:
    with pytest.raises(RefusedEstimateError, match="no patient"):
        VisitedToDeath.of([], [], [], [])
    seen = VisitedToDeath.of([1], [2], [3], [False])
    with pytest.raises(ValueError, match="increase"):
        fit_illness_death(seen, {"loss": (2.0, 1.0), "death": (), "death_after_loss": ()})
    with pytest.raises(ValueError, match="20 resamples"):
        bootstrap_illness_death(
            seen, fit_illness_death(seen), [1], np.random.default_rng(0), resamples=5
        )


def draw_patient(above: int, gap: int, then: int, kind: str, died: bool) -> tuple[float, ...]:
    below = {"seen": above + gap, "exact": above, "unseen": math.inf}[kind]
    vital = (above if kind == "unseen" else below) + then
    return above, below, vital, died


@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.builds(
            draw_patient,
            st.integers(0, 8),
            st.integers(1, 4),
            st.integers(0, 6),
            st.sampled_from(["seen", "exact", "unseen"]),
            st.booleans(),
        ),
        min_size=1,
        max_size=25,
    )
)
def test_any_cohort_gives_probabilities(patients: list[tuple[float, ...]]) -> None:
    seen = VisitedToDeath.of(*zip(*patients, strict=True))
    if seen.vital_status_time.max() == 0:
        return
    fitted = fit_illness_death(seen)
    read = fitted.at(np.linspace(0, fitted.last_time, 7))
    for share in (read.loss_incidence, read.above, read.lost, read.dead, read.death_without_loss):
        assert np.all((share >= -1e-9) & (share <= 1 + 1e-9))
    assert np.all(np.diff(read.loss_incidence) >= -1e-12)
    assert np.isfinite(fitted.log_likelihood)


def test_draws_climbed_together_arrive_where_each_climbs_alone() -> None:
    # The serial search is the reference; both end within a hundredth of a standard error.
    rng = np.random.default_rng(11)
    above = rng.uniform(0, 6, 120)
    loss = rng.random(120) < 0.4
    below = np.where(loss, above + rng.uniform(0, 0.8, 120) * (rng.random(120) < 0.9), np.inf)
    vital = np.where(loss, below, above) + rng.exponential(2.0, 120)
    seen = VisitedToDeath.of(above, below, vital, rng.random(120) < 0.5)
    knots = [(2.0, 4.0), (3.0,), ()]
    grid = lay_grid(knots)
    tied = tie_pieces(knots, grid)
    paths = lay_out_paths(
        seen.last_above, seen.first_below, seen.vital_status_time, seen.died, grid
    )
    whole = maximise(paths, tied)
    assert whole.gradient < 1e-3
    tied = leave_out_zeros(tied, whole.rate)
    start = whole.rate[whole.rate > 0]
    weight = np.array([np.bincount(rng.integers(120, size=120), minlength=120) for _ in range(12)])
    for row, rate in zip(weight, refit_draws(paths, tied, start, weight), strict=True):
        alone = maximise(paths.draw(row), tied, start).rate
        assert rate is not None
        incidence, slowly = (
            occupy_states(np.array([2.0, 5.0]), grid, *spread_on_grid(one, tied))[0]
            for one in (rate, alone)
        )
        assert incidence == pytest.approx(slowly, abs=1e-3)


def test_limits_by_count_are_the_exact_ones_without_death_or_loss() -> None:
    # 0 of 20 seen free at 5: 1 - exp(-3.6889/20) = 0.1684, Clopper-Pearson's 1 - 0.025**(1/20).
    free = VisitedToDeath.of([5.0] * 20, [np.inf] * 20, [6.0] * 20, [False] * 20)
    found = limit_by_count(free, fit_illness_death(free), [5.0, 7.0])
    assert found.loss_upper[0] == pytest.approx(1 - 0.025 ** (1 / 20), rel=1e-12)
    assert found.loss_lower[0] == 0
    assert np.isnan(found.loss_upper[1])  # past the last follow-up
    nobody = VisitedToDeath.of([0.0] * 3, [np.inf] * 3, [6.0] * 3, [False] * 3)
    assert limit_by_count(nobody, fit_illness_death(nobody), [5.0]).loss_upper[0] == 1


def test_limits_by_count_scale_the_intensity_by_garwoods_limits() -> None:
    # Garwood 1936: 3 events have the limits 0.6187 and 8.7673 (as in R: poisson.test(3)$conf.int).
    seen = VisitedToDeath.of(
        [1.0, 2, 3] + [5.0] * 17, [1.0, 2, 3] + [np.inf] * 17, [6.0] * 20, [False] * 20
    )
    fit = fit_illness_death(seen, ONE_PIECE)
    found = limit_by_count(seen, fit, [5.0])
    rate = fit.intensity["loss"][0]
    assert found.loss_lower[0] == pytest.approx(1 - np.exp(-5 * rate * 0.618672 / 3), rel=1e-5)
    assert found.loss_upper[0] == pytest.approx(1 - np.exp(-5 * rate * 8.767273 / 3), rel=1e-5)


def test_limits_by_count_over_pieces_are_fay_and_feuers() -> None:
    # Nobody dies; losses at exact times, so that intensities are counts over time at risk by hand:
    # piece (0, 2]: 2 losses in 37, piece (2, oo): 1 in 43.5; the cumulative intensity at 4 is
    # 2 * 2/37 + 2 * 1/43.5. Limits by Fay and Feuer's formula (1997, from memory), as R would give:
    # qgamma(0.025, y^2/v, scale = v/y) and
    # qgamma(0.975, (y + w)^2/(v + w^2), scale = (v + w^2)/(y + w)).
    times = [0.5, 0.5, 3.0]
    seen = VisitedToDeath.of(times + [4.5] * 17, times + [np.inf] * 17, [6.0] * 20, [False] * 20)
    knots: Any = {"loss": (2.0,), "death": (), "death_after_loss": ()}
    fit = fit_illness_death(seen, knots)
    at_risk = np.array([2 * 0.5 + 18 * 2, 1 + 17 * 2.5])
    assert fit.intensity["loss"] == pytest.approx([2 / 37, 1 / 43.5], rel=1e-4)
    weight = 2 / at_risk
    y, v, w = weight @ [2, 1], weight**2 @ [2, 1], weight.max()
    lower = gamma.ppf(0.025, y**2 / v, scale=v / y)
    upper = gamma.ppf(0.975, (y + w) ** 2 / (v + w**2), scale=(v + w**2) / (y + w))
    found = limit_by_count(seen, fit, [4.0, 0.0])
    assert found.loss_lower[0] == pytest.approx(1 - np.exp(-lower), rel=1e-3)
    assert found.loss_upper[0] == pytest.approx(1 - np.exp(-upper), rel=1e-3)
    assert (found.loss_lower[1], found.loss_upper[1]) == (0, 0)
    assert found.losses_seen.tolist() == [3, 0]
