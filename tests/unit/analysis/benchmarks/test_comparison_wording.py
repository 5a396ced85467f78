"""What is printed of a comparison never says more, or less, than its verdict."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from benchmark_tables import CUT, build_outcome, build_table

from analysis.benchmarking.benchmark import Comparison, compare
from analysis.benchmarking.benchmark_results import run_benchmarks
from analysis.benchmarking.own_estimates import Estimate
from analysis.benchmarking.published_rates import PublishedRate, PublishedSeries
from reports.benchmark_blocks import comparison_figures
from reports.figures.forest_drawing import estimate_text
from reports.figures.specs import ForestFigure
from reports.page.document import Figure, Note
from reports.results.monitoring_results import gather_monitoring
from reports.sections.time_order import time_order_blocks
from reports.words.benchmark_wording import board_sentence
from reports.words.wording import NO_BREAK, percent, say

Make = Callable[..., Any]


def rate(years: float, failure: float) -> PublishedRate:
    """An invented Kaplan-Meier figure of a large series."""
    return PublishedRate(
        key="Own2020", citation="Invented", end_point="eye_retention", definition="eye kept",
        compares_with="eye_loss", estimator="kaplan-meier", n=5000, years=years, failure=failure,
        lower=failure * 0.95, upper=failure * 1.05, interval_from="printed", isotope="Ru-106",
        population="", stratum=None, verified="read", note="",
    )  # fmt: skip


def department(n: int, hazard: float) -> tuple[Any, Any]:
    rng = np.random.default_rng(3)
    event, end = rng.exponential(1 / hazard, n), rng.uniform(2, 12, n)
    return np.ceil(np.minimum(event, end) * 365.25), (event <= end).astype(int)


def sentence(found: Comparison, outcome: Any) -> str:
    return say(board_sentence(found, outcome)).replace(NO_BREAK, " ")


def test_shapes_that_read_the_same_are_said_once(outcome_of: Make) -> None:
    """One person followed past the first published time: every shape expects the same."""
    outcome = outcome_of([3000], [0])
    found = compare(outcome, PublishedSeries((rate(5.0, 0.1), rate(10.0, 0.15))))
    said = sentence(found, outcome)
    assert "0.1 expected over 10 years at its rate, a ratio of 0.00 (90 % CI 0.00–" in said
    assert said.count("0.00–") == 1


def test_a_worse_verdict_whose_limit_rounds_to_nothing_says_where_it_lies(outcome_of: Make) -> None:
    outcome = outcome_of(*department(400, 0.03))
    found = compare(outcome, PublishedSeries((rate(5.0, 0.05),)))
    assert found.verdict == "worse"
    assert "lower limit" not in sentence(found, outcome)
    at = found.at_times[0]
    close = replace(at, difference=Estimate(at.difference.value, 0.003, at.difference.upper))
    said = sentence(replace(found, at_times=(close,)), outcome)
    assert "points (90 % CI 0–" in said
    assert said.endswith("whose lower limit lies above 0.")


def test_a_ratio_limit_that_rounds_to_one_is_said_and_is_not_called_less(outcome_of: Make) -> None:
    outcome = outcome_of(*department(400, 0.03))
    found = compare(outcome, PublishedSeries((rate(5.0, 0.1), rate(10.0, 0.2))))
    near = tuple(replace(one, lower=1.002) for one in found.over_expected)
    said = sentence(replace(found, over_expected=near, verdict="worse"), outcome)
    assert said.endswith("or more, whose lower limit lies above 1.")
    below = tuple(replace(one, upper=0.998) for one in found.over_expected)
    assert "was not shown" in sentence(
        replace(found, over_expected=below, verdict="not shown"), outcome
    )


def test_the_departments_place_in_the_figure_is_in_whole_per_cent(outcome_of: Make) -> None:
    """Rounded to hide counts, it was printed with a decimal: 18.0 where the table had 17.6."""
    outcome = outcome_of(*department(400, 0.04))
    results = run_benchmarks(outcome, [rate(5.0, 0.1)], [])
    (figure,) = comparison_figures(results)
    assert isinstance(figure, Figure)
    assert isinstance(figure.spec, ForestFigure)
    here = results.comparisons[0].at_times[0].here
    shown = estimate_text(figure.spec.rows[-1])
    whole = [percent(x, 0).removesuffix(NO_BREAK + "%") for x in (here.value, here.lower)]
    assert shown.startswith(f"{whole[0]} ({whole[1]}–")
    assert "." not in shown


@pytest.mark.parametrize("years_late", [0, 2])
def test_alarms_stand_beside_what_chance_gives_and_years_without_follow_up_are_said(
    years_late: int,
) -> None:
    rng = np.random.default_rng(5)
    event, end = rng.exponential(20, 400), rng.uniform(0.5, 9, 400)
    time = np.ceil(np.minimum(event, end) * 365.25).astype(int)
    zero = [CUT - timedelta(days=int(365.25 * (x + years_late)) + 1) for x in end]
    outcome = build_outcome(build_table(time, (event <= end).astype(int), zero=zero))
    results = gather_monitoring(outcome)
    assert results.order is not None
    assert results.limit is not None
    assert results.chart is not None
    notes = [say(b.text) for b in time_order_blocks(results) if isinstance(b, Note)]
    quiet = [words for words in notes if words.startswith("Nobody was under observation after")]
    assert len(quiet) == (years_late > 0)
    if quiet:
        last = date.fromisoformat(quiet[0].split()[5].rstrip(":"))
        assert last == max(z + timedelta(days=int(t)) for z, t in zip(zero, time, strict=True))
    years = results.order.expected[-1] / results.limit.expected_per_year
    last_row = results.order.day.size - 1
    for attained, words in ((years / 2, "about 2 would"), (years / 0.4, "fewer than one would")):
        alarmed = replace(
            results,
            chart=replace(results.chart, alarms=(last_row,)),
            limit=replace(results.limit, attained_years=attained),
        )
        notes = [say(b.text) for b in time_order_blocks(alarmed) if isinstance(b, Note)]
        (said,) = (note for note in notes if "passed its limit" in note)
        assert f"by chance alone {words} be expected over the events of this chart" in said
