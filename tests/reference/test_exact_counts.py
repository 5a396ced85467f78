"""Exact counts, funnel limits, completeness and E-value against published and R values."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from analysis.counts.completeness import completeness_of_follow_up
from analysis.counts.e_value import e_value
from analysis.counts.exact_counts import (
    binomial_mid_p,
    binomial_p,
    clopper_pearson,
    observed_over_expected,
    poisson_limits,
    poisson_mid_p_limits,
    poisson_p,
    proportion,
    wilson,
)
from analysis.counts.funnel import binomial_funnel, overdispersion, poisson_funnel
from registry.errors import RefusedEstimateError

# Printed by r/exact_counts.R (poisson.test, binom.test, prop.test).
R = json.loads((Path(__file__).parent / "r" / "exact_counts.json").read_text())

# Exact 95 % limits of a Poisson mean: standard table (Ulm, Am J Epidemiol 1990;131:373; Breslow
# and Day, vol. II), four decimals.
POISSON_TABLE = {
    0: (0, 3.6889),
    1: (0.0253, 5.5716),
    2: (0.2422, 7.2247),
    4: (1.0899, 10.2416),
    5: (1.6235, 11.6683),
    10: (4.7954, 18.3904),
    20: (12.2165, 30.8884),
    50: (37.111, 65.9188),
    100: (81.364, 121.6268),
}


@pytest.mark.parametrize("case", R["poisson"], ids=lambda c: f"{c['observed']}/{c['expected']}")
def test_observed_over_expected_is_r_poisson_test(case: dict[str, float]) -> None:
    found = observed_over_expected(int(case["observed"]), case["expected"], case["level"])
    assert found.exact.lower == pytest.approx(case["lower"], rel=1e-12)
    assert found.exact.upper == pytest.approx(case["upper"], rel=1e-12)
    assert found.p == pytest.approx(case["p"], rel=1e-10)


@pytest.mark.parametrize("case", R["binomial"], ids=lambda c: f"{c['events']}/{c['n']}")
def test_proportion_is_r_binom_test_and_prop_test(case: dict[str, float]) -> None:
    events, n = int(case["events"]), int(case["n"])
    found = proportion(events, n, case["level"])
    assert found.exact.lower == pytest.approx(case["exact_lower"], rel=1e-12)
    assert found.exact.upper == pytest.approx(case["exact_upper"], rel=1e-12)
    assert found.wilson.lower == pytest.approx(case["wilson_lower"], rel=1e-12)
    assert found.wilson.upper == pytest.approx(case["wilson_upper"], rel=1e-12)
    assert binomial_p(events, n, 0.5) == pytest.approx(case["p_half"], rel=1e-10)
    assert binomial_p(events, n, 0.95) == pytest.approx(case["p_95"], rel=1e-10)


@pytest.mark.parametrize(("observed", "limits"), POISSON_TABLE.items())
def test_poisson_limits_are_the_printed_table(observed: int, limits: tuple[float, float]) -> None:
    found = poisson_limits(observed)
    assert (found.lower, found.upper) == pytest.approx(limits, abs=5e-5)


def test_mid_p_is_the_openepi_example() -> None:
    # OpenEpi, documentation of the SMR module: 4 observed, SMR 1.212, mid-P p 0.6571.
    found = observed_over_expected(4, 3.3)
    assert found.ratio == pytest.approx(1.212, abs=5e-4)
    assert found.mid_p_value == pytest.approx(0.6570714, abs=5e-8)


@pytest.mark.parametrize(
    ("events", "n", "score", "exact"),
    [
        # Newcombe, Stat Med 1998;17:857-872, table I (from memory; R agrees).
        (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
        (0, 20, (0, 0.1611), (0, 0.1684)),
    ],
)
def test_binomial_limits_are_newcombes(
    events: int, n: int, score: tuple[float, float], exact: tuple[float, float]
) -> None:
    limits = wilson(events, n), clopper_pearson(events, n)
    assert (limits[0].lower, limits[0].upper) == pytest.approx(score, abs=5e-5)
    assert (limits[1].lower, limits[1].upper) == pytest.approx(exact, abs=5e-5)


def test_byars_approximation_is_not_what_is_used() -> None:
    # libraries.md row 9: Byar's lower limit at one event is 48 % off the exact 0.0253.
    byar = 1 * (1 - 1 / 9 - stats.norm.ppf(0.975) / 3) ** 3
    exact = poisson_limits(1).lower
    assert abs(byar / exact - 1) > 0.4
    assert exact == pytest.approx(stats.chi2.ppf(0.025, 2) / 2, rel=1e-12)


def test_two_sided_p_is_not_twice_the_one_sided() -> None:
    # The same row: the two conventions differ by up to 0.39.
    assert 2 * stats.poisson.sf(0, 0.5) - poisson_p(1, 0.5) > 0.39


@given(st.integers(0, 400), st.floats(0.01, 0.99))
def test_mid_p_limits_lie_inside_the_exact_and_solve_their_equation(
    observed: int, level: float
) -> None:
    exact, middle = poisson_limits(observed, level), poisson_mid_p_limits(observed, level)
    assert exact.lower <= middle.lower < middle.upper <= exact.upper
    half = stats.poisson.pmf(observed, middle.upper) / 2
    tail = stats.poisson.cdf(observed, middle.upper) - half
    assert tail == pytest.approx((1 - level) / 2, rel=1e-6)


@given(st.integers(1, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_mirrored_counts_have_mirrored_limits(counts: tuple[int, int]) -> None:
    events, n = counts
    for method in (clopper_pearson, wilson, binomial_mid_p):
        limits, mirrored = method(events, n), method(n - events, n)
        assert limits.lower == pytest.approx(1 - mirrored.upper, abs=1e-9)
        assert limits.lower <= events / n <= limits.upper


@pytest.mark.parametrize(
    ("call", "shown"),
    [
        (lambda: poisson_limits(-1), "-1"),
        (lambda: poisson_limits(1.5), "1.5"),  # type: ignore[arg-type]
        (lambda: observed_over_expected(1, 0.0), r"0\.0"),
        (lambda: proportion(3, 2), "3 of 2"),
        (lambda: proportion(0, 0), "0 of 0"),
        (lambda: wilson(1, 2, 95), "95"),
        (lambda: binomial_funnel(1.0, 10), r"1\.0"),
        (lambda: poisson_funnel([0.0]), r"0\.0"),
        (lambda: e_value(1.2, 1.3, 2.0), r"1\.3"),
        (lambda: completeness_of_follow_up([-1], [True], [2]), "-1"),
    ],
)
def test_misuse_shows_the_value(call: object, shown: str) -> None:
    with pytest.raises(ValueError, match=shown):
        call()  # type: ignore[operator]


@pytest.mark.parametrize(
    ("n", "limits"),
    [
        # Spiegelhalter, Stat Med 2005;24:1185-1202, appendix formula with R's qbinom, target 0.05
        # at 0.1, 2.5, 97.5 and 99.9 %; the negative ones are drawn at 0.
        (50, (-0.01974, -0.0135, 0.10983, 0.15799)),
        (100, (-0.00831, 0.00612, 0.09191, 0.12464)),
    ],
)
def test_binomial_funnel_is_spiegelhalters(n: int, limits: tuple[float, ...]) -> None:
    assert binomial_funnel(0.05, n).limits[0] == pytest.approx(np.maximum(limits, 0), abs=5e-6)


@pytest.mark.parametrize("target", [0.01, 0.5, 0.93, 0.995])
@pytest.mark.parametrize("n", [1, 2, 7, 33, 400])
def test_funnels_are_the_formula_counted_out(target: float, n: int) -> None:
    def count_out(at_most: object, tail: float) -> float:
        r = 0
        while at_most(r) < tail:  # type: ignore[operator]
            r += 1
        reached, before = at_most(r), at_most(r - 1)  # type: ignore[operator]
        return float(r - (reached - tail) / (reached - before))

    binomial, poisson = binomial_funnel(target, n), poisson_funnel(n * target)
    for j, tail in enumerate(binomial.tails):
        by_hand = count_out(lambda r: stats.binom.cdf(r, n, target), tail) / n
        assert binomial.limits[0, j] == pytest.approx(np.clip(by_hand, 0, 1), abs=1e-9)
        by_hand = count_out(lambda r: stats.poisson.cdf(r, n * target), tail) / (n * target)
        assert poisson.limits[0, j] == pytest.approx(max(by_hand, 0), abs=1e-9)


@pytest.mark.parametrize("interpolation", ["linear", "beta"])
def test_funnel_is_continuous_in_n(interpolation: str) -> None:
    n = np.linspace(20, 22, 4001)
    limits = binomial_funnel(0.1, n, interpolation=interpolation).limits  # type: ignore[arg-type]
    assert np.abs(np.diff(limits, axis=0)).max() < 1e-3


def test_beta_interpolation_is_scipys_bdtrik_and_pdtrik() -> None:
    from scipy.special import bdtrik, pdtrik

    upper = (0.975, 0.999)
    binomial = binomial_funnel(0.05, 100, upper, "beta").limits[0]
    assert binomial == pytest.approx(bdtrik(upper, 100, 0.05) / 100, rel=1e-9)
    poisson = poisson_funnel(20.0, 1.0, upper, "beta").limits[0]
    assert poisson == pytest.approx(pdtrik(upper, 20) / 20, rel=1e-9)


def test_overdispersion_by_hand_and_refused_for_few_units() -> None:
    # Twelve units at 16 observed for 9 expected: z = 2 (4 - 3) = 2 each, so the ratio is 4.
    spread = overdispersion([16] * 12, [9] * 12)
    assert spread.ratio == pytest.approx(4)
    assert spread.is_beyond_chance
    with pytest.raises(RefusedEstimateError, match="there are 9"):
        overdispersion([1] * 9, [1] * 9)


def test_completeness_is_the_worked_design() -> None:
    # Design of figure 1, Xue et al., BMC Med Res Methodol 2017;17:155; arithmetic by hand:
    # observed 10*0.5 + 5*1.5 + 5*2.5 + 40*0.5 + 40*3 = 165, potential 25 + 80*3 = 265.
    followed = [0.5] * 10 + [1.5] * 5 + [2.5] * 5 + [0.5] * 40 + [3.0] * 40
    had_event = [True] * 20 + [False] * 80
    found = completeness_of_follow_up(followed, had_event, [3.0] * 100)
    assert (found.observed_person_time, found.potential_person_time) == (165, 265)
    assert found.index == pytest.approx(165 / 265)
    assert found.person_time_fraction == pytest.approx(200 / 300)
    assert found.complete_fraction == pytest.approx(60 / 100)


def test_completeness_counts_nothing_after_the_horizon_and_says_nan_without_time() -> None:
    after = completeness_of_follow_up([5.0], [True], [3.0])
    assert (after.events, after.observed_person_time, after.index) == (0, 3.0, 1.0)
    assert math.isnan(completeness_of_follow_up([], [], []).index)


@given(
    st.lists(
        st.tuples(st.floats(0.01, 20), st.booleans(), st.floats(0.1, 20)), min_size=1, max_size=30
    )
)
def test_completeness_indices_are_fractions_whatever_the_unit(
    people: list[tuple[float, bool, float]],
) -> None:
    followed, event, potential = (list(column) for column in zip(*people, strict=True))
    years = completeness_of_follow_up(followed, event, potential)
    assert 0 <= years.index <= years.person_time_fraction + 1e-12 <= 1 + 2e-12
    days = completeness_of_follow_up(
        np.multiply(followed, 365.25), event, np.multiply(potential, 365.25)
    )
    assert days.index == pytest.approx(years.index, rel=1e-9, abs=1e-12)


def test_e_value_is_the_papers_example() -> None:
    # VanderWeele and Ding, Ann Intern Med 2017;167:268: RR 3.9 (1.8 to 8.7) gives 7.26 and 3.0
    # (from memory; 3.9 + sqrt(3.9 * 2.9) = 7.263).
    value = e_value(3.9, 1.8, 8.7)
    assert (value.estimate, value.limit) == pytest.approx((7.263, 3.0), abs=5e-4)
    mirrored = e_value(1 / 3.9, 1 / 8.7, 1 / 1.8)
    assert (mirrored.estimate, mirrored.limit) == pytest.approx((value.estimate, value.limit))
    assert e_value(1.5, 0.9, 2.5).limit == 1
    common = e_value(4.0, 4.0, 4.0, scale="odds ratio", is_outcome_common=True)
    assert common.estimate == pytest.approx(2 + math.sqrt(2))
    hazard = e_value(1.0, 1.0, 1.0, scale="hazard ratio", is_outcome_common=True)
    assert hazard.estimate == pytest.approx(1)
