"""Like with like: which rule judges, and what it says."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pytest
from benchmark_tables import rate

from analysis.benchmarking.benchmark import compare, judge
from analysis.benchmarking.benchmark_results import describe_population, run_benchmarks
from analysis.benchmarking.between_series import place_among, poolable
from analysis.benchmarking.expected_events import integrated_limits
from analysis.benchmarking.margins import Margin, Margins
from analysis.benchmarking.own_estimates import TAIL, Estimate, OwnEstimates
from analysis.benchmarking.published_rates import PublishedRate, PublishedSeries, Stratum
from analysis.benchmarking.standardisation import standardise
from analysis.counts.exact_counts import poisson_mid_p_limits
from analysis.counts.meta_analysis import pool, predict_estimate
from analysis.estimators.competing_risks import aalen_johansen_own_clocks
from analysis.estimators.survival import kaplan_meier
from analysis.outcomes.end_points import LOCAL_FAILURE
from analysis.outcomes.outcome_table import examination_clock, own_clock_causes
from reports.audience.published_numbers import publish_value, round_to_five
from reports.audience.suppression import publish
from reports.benchmark_blocks import comparison_blocks
from reports.benchmark_report import build_benchmark_report
from reports.page.document import (
    BulletList,
    Paragraph,
    Provenance,
    Report,
    Section,
    Table,
    blocks,
)
from reports.words.benchmark_wording import board_sentence, ratio_value
from reports.words.values import ObservedExpected
from reports.words.wording import say

Make = Callable[..., Any]
MARGIN = Margin("eye_loss", 1.5, "invented", date(2015, 1, 1))


def series(*rates: PublishedRate) -> PublishedSeries:
    return PublishedSeries(rates)


def department(n: int, yearly: float, seed: int = 1) -> tuple[Any, Any]:
    """Eyes of constant hazard with 2 to 12 years of follow-up."""
    rng = np.random.default_rng(seed)
    event, end = rng.exponential(1 / yearly, n), rng.uniform(2, 12, n)
    time = np.ceil(np.minimum(event, end) * 365.25)
    return time, (event <= end).astype(int)


FIVE_AND_TEN = series(rate(5.0, 1 - math.exp(-0.1)), rate(10.0, 1 - math.exp(-0.2)))


def test_two_times_are_judged_by_observed_over_expected(outcome_of: Make) -> None:
    time, status = department(800, 0.04)
    found = compare(outcome_of(time, status), FIVE_AND_TEN)
    assert (found.rule, found.verdict) == ("observed over expected", "worse")
    even = next(one for one in found.over_expected if one.expectation.early_shape == 1.0)
    # written out again: hazard 0.02 a year over the first ten years
    days = np.minimum(time, 3652.5)
    assert even.expectation.expected == pytest.approx(0.02 * days.sum() / 365.25)
    assert even.expectation.observed == int(((status == 1) & (time <= 3652.5)).sum())


def test_without_published_uncertainty_the_verdicts_limits_would_be_mid_p(outcome_of: Make) -> None:
    sure = [
        replace(one, lower=one.failure * (1 - 1e-9), upper=one.failure * (1 + 1e-9))
        for one in FIVE_AND_TEN.rates
    ]
    found = compare(outcome_of(*department(300, 0.02)), series(*sure))
    for one in found.over_expected:
        plain = poisson_mid_p_limits(one.expectation.observed, 1 - 2 * TAIL)
        assert one.lower == pytest.approx(plain.lower / one.expectation.expected, rel=1e-6)
        assert one.upper == pytest.approx(plain.upper / one.expectation.expected, rel=1e-6)


def test_published_uncertainty_widens_and_can_take_the_verdict_away(outcome_of: Make) -> None:
    outcome = outcome_of(*department(300, 0.03))
    small = [replace(one, n=80, lower=None, upper=None) for one in FIVE_AND_TEN.rates]
    sure, unsure = compare(outcome, FIVE_AND_TEN), compare(outcome, series(*small))
    assert (sure.verdict, unsure.verdict) == ("worse", "not shown")
    for narrow, wide in zip(sure.over_expected, unsure.over_expected, strict=True):
        assert wide.lower < narrow.lower < narrow.upper < wide.upper
        assert narrow.given == wide.given


def test_one_time_is_judged_at_that_time_only(outcome_of: Make) -> None:
    found = compare(outcome_of(*department(600, 0.04)), series(rate(5.0, 0.08)))
    assert (found.rule, found.verdict) == ("difference at one time", "worse")
    assert found.over_expected  # beside it, for information
    sentence = say(board_sentence(found, outcome_of([9], [0])))
    assert sentence.startswith("Loss of the eye was more frequent here than in Own2020: at 5 years")
    assert "against 8.0\xa0% there" in sentence


def test_less_frequent_is_said_and_stays_no_verdict(outcome_of: Make) -> None:
    outcome = outcome_of(*department(900, 0.01))
    for made in (FIVE_AND_TEN, series(rate(5.0, 0.1))):
        found = compare(outcome, made)
        assert found.verdict == "not shown"
        assert "was less frequent here than in" in say(board_sentence(found, outcome))
    close = compare(outcome, series(rate(5.0, found.at_times[0].here.value)))
    assert "was not shown to be more frequent" in say(board_sentence(close, outcome))


def test_a_figure_about_something_else_is_refused_in_its_own_words(outcome_of: Make) -> None:
    odd = series(rate(unlike="its eyes were all blind"))
    found = compare(outcome_of(*department(300, 0.02)), odd)
    assert (found.verdict, found.rule) == ("cannot tell", "none")
    assert found.reason == "nothing here means the same: its eyes were all blind"
    three = [rate(key=f"S{k}", unlike="other eyes" if k else "") for k in range(3)]
    assert not poolable(three[1:], "eye_loss", 5.0)


@pytest.mark.parametrize("estimator", ["kaplan-meier", "cumulative incidence"])
def test_limits_of_a_verdict_are_worked_out_at_their_level(
    outcome_of: Make, estimator: str
) -> None:
    """The 90 % limits against the estimators themselves, drawn anew at 90 %, not scaled."""
    time, status = department(300, 0.03)
    other = np.where((np.arange(300) % 3 == 0) & (status == 1), 2, status)
    table = outcome_of(time, other, end_point=LOCAL_FAILURE).table
    read = OwnEstimates(table).read(estimator, 5.0)
    days = [5 * 365.25]
    for level, found in ((0.95, read.wide), (0.90, read.narrow)):
        if estimator == "kaplan-meier":
            curve = kaplan_meier(examination_clock(table), interval="beta-product", level=level)
            at = curve.at(days)
            limits = (1 - at.upper[0], 1 - at.lower[0])
        else:
            own = aalen_johansen_own_clocks(own_clock_causes(table), level=level)
            at = own.cause(1).at(days)
            limits = (at.lower[0], at.upper[0])
        assert (found.lower, found.upper) == pytest.approx(limits, rel=1e-12)
    share = 1.6448536269514722 / 1.959963984540054
    scaled = read.wide.value - share * (read.wide.value - read.wide.lower)
    assert abs(read.narrow.lower - scaled) > 1e-5


def test_incidence_of_a_stratum_is_compared_too(outcome_of: Make) -> None:
    time, status = department(400, 0.04)
    other = np.where((np.arange(400) % 3 == 0) & (status == 1), 2, status)
    outcome = outcome_of(time, other, end_point=LOCAL_FAILURE)
    rows = [
        {"unit_id": unit, "thickness_mm": 3.0 + row % 6, "year": 2018}
        for row, unit in enumerate(outcome.table.unit_id)
    ]
    how = {"compares_with": "local_failure", "estimator": "cumulative incidence"}
    thin = rate(5.0, 0.1, stratum=Stratum("thickness_mm", high=6.0), **how)
    thick = rate(5.0, 0.2, stratum=Stratum("thickness_mm", low=6.0), **how)
    results = run_benchmarks(outcome, [thin, thick], rows)
    assert [one.verdict != "cannot tell" for one in results.comparisons] == [True, True]
    mixed = results.standardised[0]
    assert mixed.there.value == pytest.approx((201 * 0.1 + 199 * 0.2) / 400)
    overlapping = replace(thick, stratum=Stratum("thickness_mm", low=5.0))
    assert not run_benchmarks(outcome, [thin, overlapping], rows).standardised


def test_a_margin_answers_first(outcome_of: Make) -> None:
    outcome = outcome_of(*department(4000, 0.023))
    assert compare(outcome, FIVE_AND_TEN).verdict in ("worse", "not shown")
    assert compare(outcome, FIVE_AND_TEN, MARGIN).verdict == "within the margin"
    assert compare(outcome, series(rate(5.0, 0.1)), MARGIN).verdict == "within the margin"


def test_the_three_outcomes_by_hand() -> None:
    assert judge([0.1, 0.01], None) == "worse"
    assert judge([0.1, -0.01], None) == "not shown"
    assert judge([-0.5], [0.2]) == "not shown"
    assert judge([0.1], [-0.01]) == "within the margin"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"estimator": "crude", "years": None}, "crude proportion"),
        ({"estimator": "pooled crude", "years": None}, "crude proportion"),
        ({"verified": "from memory"}, "from memory"),
        ({"compares_with": "death"}, "no end point here"),
        ({"failure": 0.0, "lower": None, "upper": None}, "no interval"),
        ({"years": 40.0}, "fewer than 10"),
    ],
)
def test_unlike_figures_give_no_verdict(
    outcome_of: Make, changes: dict[str, Any], said: str
) -> None:
    outcome = outcome_of(*department(300, 0.02))
    found = compare(outcome, series(rate(**changes)), MARGIN)
    assert found.verdict == "cannot tell"
    assert said in found.reason
    sentence = say(board_sentence(found, outcome))
    assert sentence.startswith("Whether loss of the eye was more frequent here")


def test_incidence_is_set_against_incidence(outcome_of: Make) -> None:
    time, status = department(600, 0.04)
    other = np.where((np.arange(600) % 3 == 0) & (status == 1), 2, status)
    outcome = outcome_of(time, other, end_point=LOCAL_FAILURE)
    kinds = [
        rate(5.0, 0.1, compares_with="local_failure", estimator=estimator)
        for estimator in ("kaplan-meier", "cumulative incidence")
    ]
    km, ci = (compare(outcome, series(one)).at_times[0].here.value for one in kinds)
    group = outcome.groups[0]
    days = [5 * 365.25]
    assert km == pytest.approx(1 - group.kaplan_meier.at(days).estimate[0])
    assert ci == pytest.approx(group.cumulative_incidence.cause(1).at(days).estimate[0])
    assert ci < km
    assert not compare(outcome, series(kinds[1])).over_expected


def test_a_stratum_is_compared_with_its_own_units(outcome_of: Make) -> None:
    outcome = outcome_of(*department(400, 0.03))
    rows = [
        {"unit_id": unit, "thickness_mm": 3.0 + row % 6, "year": 2018, "isotope": "Ru-106"}
        for row, unit in enumerate(outcome.table.unit_id)
    ]
    thin, thick = Stratum("thickness_mm", high=6.0), Stratum("thickness_mm", low=6.0)
    rates = [rate(5.0, 0.1, stratum=thin), rate(5.0, 0.2, stratum=thick)]
    results = run_benchmarks(outcome, rates, rows)
    assert [one.n for one in results.comparisons] == [201, 199]
    mixed = results.standardised[0]
    assert mixed.weights == pytest.approx((201 / 400, 199 / 400))
    assert mixed.there.value == pytest.approx((201 * 0.1 + 199 * 0.2) / 400)
    missing = {row["unit_id"]: None for row in rows[:10]}
    values = {row["unit_id"]: row["thickness_mm"] for row in rows} | missing
    partly = standardise(outcome, rates, values)
    assert partly is not None
    assert (partly.n, partly.unplaced) == (390, 10)


def test_the_place_among_series_adds_the_departments_own_variance(outcome_of: Make) -> None:
    rates = [rate(5.0, p, key=f"S{p}", n=300, lower=None, upper=None) for p in (0.05, 0.1, 0.2)]
    curve = outcome_of(*department(100, 0.02)).groups[0].kaplan_meier.at([1826.25])
    survival, se = float(curve.estimate[0]), float(curve.se[0])
    sd = se / (survival * -math.log(survival))

    here = Estimate(1 - survival, 0.0, 1.0)
    found = place_among(rates, "eye_loss", 5.0, here, sd)
    assert found is not None
    effects = [math.log(-math.log1p(-one.failure)) for one in rates]
    pooled = pool(effects, [one.log_hazard_sd() ** 2 for one in rates])
    low, high = predict_estimate(pooled, sd**2)
    assert found.expected.lower == pytest.approx(1 - math.exp(-math.exp(low)))
    assert found.expected.upper == pytest.approx(1 - math.exp(-math.exp(high)))
    assert found.place == "not unusual"
    far = Estimate(0.99, 0.9, 1.0)
    tight = [replace(one, failure=0.1 + k / 1000) for k, one in enumerate(rates)]
    placed = place_among(tight, "eye_loss", 5.0, far, sd)
    assert placed is not None
    assert placed.place == "more failures than expected"
    assert place_among(rates[:2], "eye_loss", 5.0, here, sd) is None
    unknown = place_among(rates, "eye_loss", 5.0, Estimate(0.0, 0.0, 0.1), math.nan)
    assert unknown is not None
    assert unknown.place == "cannot tell"


def test_no_unit_and_no_event_are_answered(outcome_of: Make) -> None:
    quiet = compare(outcome_of([3000] * 60, [0] * 60), FIVE_AND_TEN)
    assert quiet.verdict == "not shown"
    assert quiet.over_expected[0].lower == 0.0
    results = run_benchmarks(outcome_of([3000] * 60, [0] * 60), FIVE_AND_TEN.rates, [])
    assert results.population == describe_population([])


def test_the_published_form_hides_a_stratum_of_few_events(outcome_of: Make) -> None:
    time, status = department(400, 0.02)
    few = np.where(np.arange(400) % 8 == 0, status, status * (np.arange(400) % 2))
    outcome = outcome_of(time, few)
    rows = [
        {"unit_id": unit, "thickness_mm": 9.0 if row % 8 == 0 else 3.0, "year": 2018}
        for row, unit in enumerate(outcome.table.unit_id)
    ]
    thick = Stratum("thickness_mm", low=6.0)
    results = run_benchmarks(
        outcome, [rate(5.0, 0.2, stratum=thick), rate(5.0, 0.1, key="W")], rows
    )
    narrow, whole = results.comparisons
    assert narrow.at_times[0].events < 8 <= whole.at_times[0].events
    report = Report(
        "x", "", Provenance("A", "", ""), (Section("x", tuple(comparison_blocks(results))),)
    )
    table = next(block for block in blocks(publish(report)) if isinstance(block, Table))
    worded = {say(row.cells[0]): [say(cell) for cell in row.cells[3:5]] for row in table.rows}
    assert worded["Own2020 (thickness from 6 mm), n = 5000"] == ["*", "*"]
    assert "*" not in worded["W, n = 5000"]
    # the published ratio is worked out anew from the rounded count
    two = run_benchmarks(outcome, FIVE_AND_TEN.rates, rows).comparisons[0]
    value = publish_value(ratio_value(two.over_expected[1]))
    seen = round_to_five(two.over_expected[1].expectation.observed)
    assert isinstance(value, ObservedExpected)
    assert value.observed == seen
    expected = two.over_expected[1].expectation.expected
    assert value.upper == pytest.approx(
        integrated_limits(seen, expected, two.over_expected[1].log_sd, TAIL).upper
    )


def test_the_report_begins_with_what_was_found(outcome_of: Make) -> None:
    outcome = outcome_of(*department(800, 0.04))
    rates = [rate(5.0, 0.1, key="Low"), rate(5.0, 0.5, key="High"), rate(verified="from memory")]
    results = run_benchmarks(outcome, rates, [])
    report = build_benchmark_report(
        [results], [], centre="A", content_hash="x", made_at="2025-01-31T00:00:00+00:00",
        margins=Margins(),
    )  # fmt: skip
    first = report.sections[0]
    said, table, _, worse = first.blocks
    assert isinstance(said, Paragraph)
    assert say(said.text).startswith("1 of 2 comparisons with published series shows more failures")
    assert isinstance(table, Table)
    # worse, within the margin, not shown, of these less frequent, cannot tell
    assert [say(cell) for cell in table.rows[0].cells[1:6]] == ["1", "0", "1", "1", "1"]
    assert isinstance(worse, BulletList)
    assert [say(item).split(":")[0] for item in worse.items] == [
        "Loss of the eye was more frequent here than in Low"
    ]
