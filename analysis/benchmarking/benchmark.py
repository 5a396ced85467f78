"""A department's results against published ones: like with like, or not at all.

Kaplan–Meier figures are set against the department's Kaplan–Meier (competing events censored),
cumulative incidences against its cumulative incidence, crude proportions against nothing. Rules:

- One published time: only the difference at that time is judged; observed over expected stands
  beside it under a stated range of hazard shapes, as information.
- Two or more times of a Kaplan–Meier: observed over expected on the common window, with the
  one-sample log-rank test; the verdict needs every shape of the hazard before the first time.
- Two intervals, named: "given the published value" (exact and mid-P, as if it were known) and "with
  the published uncertainty". Only the second gives a verdict, by one-sided 95 % limits.
- A margin decided beforehand answers whether it is good enough; without one only "worse" and "not
  shown" can be said. Not shown to differ is never as good as.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.benchmarking.expected_events import (
    EARLY_SHAPES,
    Expectation,
    ReferenceHazard,
    expect_events,
    integrated_limits,
    limits_of_difference,
)
from analysis.benchmarking.margins import Margin
from analysis.benchmarking.own_estimates import TAIL, Estimate, OwnEstimates, read_own
from analysis.benchmarking.published_rates import PublishedRate, PublishedSeries, cumulative_hazards
from analysis.counts.exact_counts import ObservedExpected, observed_over_expected
from analysis.estimators.group_tests import GroupTest, one_sample_log_rank
from analysis.outcomes.end_points import DAYS_PER_YEAR
from analysis.outcomes.outcome import Outcome
from analysis.outcomes.outcome_table import OutcomeTable

VERDICTS = ("within the margin", "not shown", "worse", "cannot tell")
FEWEST_AT_RISK = 10
Z_95, Z_90 = 1.959963984540054, 1.6448536269514722


@dataclass(frozen=True, slots=True)
class AtOneTime:
    """Failure here and there at one published time, and their difference (here − there).

    ``here`` and ``there`` carry 95 % limits; ``events`` counts those here by then. ``difference``
    is with the published uncertainty, its limits are one-sided 95 % ones. ``above_margin`` is
    failure here less the margin times failure there, so limits too; None without a margin.
    """

    years: float
    at_risk: int
    events: int
    here: Estimate
    there: Estimate
    difference: Estimate
    above_margin: Estimate | None


@dataclass(frozen=True, slots=True)
class OverExpected:
    """Observed over expected under one shape of the early hazard.

    ``given`` holds exact and mid-P limits as if the published rate were known; ``lower`` and
    ``upper`` are one-sided 95 % limits with its uncertainty ``log_sd``, which the verdict uses.
    """

    expectation: Expectation
    given: ObservedExpected
    lower: float
    upper: float
    log_sd: float
    test: GroupTest


@dataclass(frozen=True, slots=True)
class Comparison:
    """One published series beside the department.

    ``rule`` is "observed over expected", "difference at one time" or "none"; ``reason`` says why
    there is no verdict; ``differences`` lists what the two populations do not share. ``reading``
    says of a level of vision which losses were counted here.
    """

    series: PublishedSeries
    rule: str
    n: int
    verdict: str
    reason: str
    at_times: tuple[AtOneTime, ...]
    over_expected: tuple[OverExpected, ...]
    margin: Margin | None
    differences: tuple[str, ...]
    reading: str = ""


def judge(
    worse_by: Sequence[float], above_margin_by: Sequence[float] | None, null: float = 0.0
) -> str:
    """Give a verdict from one-sided limits, one a hazard shape.

    Parameters
    ----------
    worse_by
        Lower limits of the excess over the published value; all above ``null`` is worse.
    above_margin_by
        Upper limits of the excess over the margin; all at or below 0 is within it. The margin comes
        first: it was set to answer whether a result is good enough.

    Examples
    --------
    >>> judge([0.02], None), judge([-0.1], [-0.01]), judge([-0.1, 0.1], [0.1, -0.1])
    ('worse', 'within the margin', 'not shown')
    """
    if above_margin_by is not None and max(above_margin_by) <= 0:
        return "within the margin"
    return "worse" if min(worse_by) > null else "not shown"


def compare(
    outcome: Outcome,
    series: PublishedSeries,
    margin: Margin | None = None,
    differences: Sequence[str] = (),
    chosen: Callable[[str], bool] | None = None,
) -> Comparison:
    """Set one published series against the department's outcome of the same end point.

    Parameters
    ----------
    outcome
        The analysed end point; its first group is the whole cohort.
    chosen
        Which tumours (by identifier) belong to the series' stratum; all by default.
    """
    table = outcome.table
    if chosen is not None:
        table = table.select(np.asarray([chosen(unit) for unit in table.tumour_id], dtype=bool))
    blank = Comparison(series, "none", table.n, "cannot tell", "", (), (), margin, (*differences,))
    reason = _why_not(series.first, table)
    if reason:
        return replace(blank, reason=reason)
    own = read_own(table)
    if own is None:
        return replace(blank, reason="nobody here was followed in that group")
    at_times = tuple(_at_one_time(rate, own, table, margin) for rate in series.rates)
    over: tuple[OverExpected, ...] = ()
    if series.first.estimator == "kaplan-meier":
        over = tuple(one for shape in EARLY_SHAPES if (one := _over_expected(series, table, shape)))
    made = replace(blank, at_times=at_times, over_expected=over)
    if series.first.verified != "read":
        return replace(made, reason="the published figure is from memory, not read in its source")
    if len(series.rates) > 1 and over:
        return _judged_over_expected(made)
    return _judged_at_last_time(made)


def _why_not(rate: PublishedRate, table: OutcomeTable) -> str:
    if not rate.is_actuarial:
        return (
            "a crude proportion depends on how long its patients were followed and is not compared"
            " with an estimate at a time"
        )
    if rate.compares_with != table.end_point.name:
        return "no end point here means the same"
    if rate.unlike:
        return f"nothing here means the same: {rate.unlike}"
    return "" if table.n else "no unit here belongs to that group"


def published_limits(rate: PublishedRate, z: float) -> Estimate:
    """Limits of a published failure at z standard deviations of its log cumulative hazard."""
    sd = rate.log_hazard_sd()
    if math.isnan(sd):
        return Estimate(rate.failure, math.nan, math.nan)
    hazard = -math.log1p(-rate.failure)
    low, high = (-math.expm1(-hazard * math.exp(way * z * sd)) for way in (-1, 1))
    return Estimate(rate.failure, low, high)


def count_events(table: OutcomeTable, years: float) -> int:
    """Count the events by a time."""
    return int(((table.status == 1) & (table.time_days <= years * DAYS_PER_YEAR)).sum())


def subtract(here: Estimate, there: Estimate, times: float = 1.0) -> Estimate:
    """Return ``here - times * there`` with limits from those of both."""
    pair = [(one.value, one.lower, one.upper) for one in (here, there)]
    return Estimate(*limits_of_difference(pair[0], pair[1], times))


def _at_one_time(
    rate: PublishedRate,
    own: OwnEstimates,
    table: OutcomeTable,
    margin: Margin | None,
) -> AtOneTime:
    assert rate.years is not None
    read = own.read(rate.estimator, rate.years)
    there = published_limits(rate, Z_90)
    return AtOneTime(
        rate.years,
        read.at_risk,
        count_events(table, rate.years),
        read.wide,
        published_limits(rate, Z_95),
        subtract(read.narrow, there),
        None if margin is None else subtract(read.narrow, there, margin.ratio),
    )


def reference_hazard(series: PublishedSeries) -> ReferenceHazard:
    """Return the reference of a Kaplan–Meier series, with times in days.

    A published curve that falls between two times (other patients at the later one) is kept flat.
    """
    days = tuple(years * DAYS_PER_YEAR for years in series.years)
    hazard = np.maximum.accumulate(cumulative_hazards(series))
    return ReferenceHazard(days, tuple(hazard.tolist()))


def _over_expected(
    series: PublishedSeries, table: OutcomeTable, early_shape: float
) -> OverExpected | None:
    sd = max(rate.log_hazard_sd() for rate in series.rates)
    if any(not 0 < rate.failure < 1 for rate in series.rates):
        return None
    entry = np.where(table.entry_days > 0, table.entry_days, 0)
    found = expect_events(
        reference_hazard(series), table.time_days, table.status, entry, early_shape
    )
    if found.expected <= 0:
        return None
    limits = integrated_limits(found.observed, found.expected, sd, TAIL)
    return OverExpected(
        found,
        observed_over_expected(found.observed, found.expected),
        limits.lower,
        limits.upper,
        sd,
        one_sample_log_rank(found.observed, found.expected),
    )


def _judged_over_expected(made: Comparison) -> Comparison:
    margin = None if made.margin is None else made.margin.ratio
    verdict = judge(
        [one.lower - 1 for one in made.over_expected],
        None if margin is None else [one.upper - margin for one in made.over_expected],
    )
    return replace(made, rule="observed over expected", verdict=verdict)


def _judged_at_last_time(made: Comparison) -> Comparison:
    """Judge at the last published time with enough people still at risk here."""
    rule = "difference at one time"
    enough = [one for one in made.at_times if one.at_risk >= FEWEST_AT_RISK]
    if not enough:
        words = f"fewer than {FEWEST_AT_RISK} are still at risk here at the published time"
        return replace(made, rule=rule, reason=words)
    one = enough[-1]
    if math.isnan(one.difference.lower):
        words = "one of the two estimates has no interval, or a figure of none or all"
        return replace(made, rule=rule, reason=words)
    over = None if one.above_margin is None else [one.above_margin.upper]
    return replace(made, rule=rule, verdict=judge([one.difference.lower], over))
