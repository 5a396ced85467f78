"""What ``afterplaque benchmark`` answers: comparisons as plain values."""

from __future__ import annotations

from dataclasses import asdict
from datetime import timedelta
from typing import Any

from analysis.benchmarking.benchmark import AtOneTime, Comparison, OverExpected
from analysis.benchmarking.benchmark_results import BenchmarkResults
from analysis.benchmarking.between_series import AmongSeries
from analysis.benchmarking.standardisation import Standardised
from analysis.benchmarking.unit_comparison import UnitOverExpected
from reports.results.monitoring_results import MonitoringResults, ShortHorizon
from reports.words.benchmark_wording import board_sentence
from reports.words.wording import say


def describe_benchmarks(results: BenchmarkResults) -> dict[str, Any]:
    """Describe the comparisons of one end point."""
    outcome, margin = results.outcome, results.margin
    return {
        "end_point": outcome.end_point.name,
        "unit": outcome.end_point.unit,
        "data_cut": outcome.cut.event_date,
        "n": outcome.table.n,
        "population": results.population.words,
        "margin": None if margin is None else asdict(margin),
        "comparisons": [_describe(found, results) for found in results.comparisons],
        "standardised": [_describe_standardised(one) for one in results.standardised],
        "among_series": [_describe_among(one) for one in results.among],
    }


def _describe(found: Comparison, results: BenchmarkResults) -> dict[str, Any]:
    first = found.series.first
    return {
        "key": first.key,
        "citation": first.citation,
        "published_end_point": first.end_point,
        "definition": first.definition,
        "estimator": first.estimator,
        "published_n": first.n,
        "verified": first.verified,
        "years": list(found.series.years),
        "n": found.n,
        "rule": found.rule,
        "verdict": found.verdict,
        "reason": found.reason or None,
        "reading": found.reading or None,
        "sentence": say(board_sentence(found, results.outcome)),
        "at": [_describe_time(one) for one in found.at_times],
        "observed_expected": [_describe_ratio(one) for one in found.over_expected],
        "differences": list(found.differences),
    }


def _describe_time(one: AtOneTime) -> dict[str, Any]:
    return {
        "years": one.years,
        "at_risk": one.at_risk,
        "events": one.events,
        "here": asdict(one.here),
        "published": asdict(one.there),
        "difference": asdict(one.difference),
        "above_margin": None if one.above_margin is None else asdict(one.above_margin),
    }


def _describe_ratio(one: OverExpected) -> dict[str, Any]:
    seen, given = one.expectation, one.given
    return {
        "early_shape": seen.early_shape,
        "window_years": seen.window / 365.25,
        "observed": seen.observed,
        "expected": seen.expected,
        "ratio": given.ratio,
        "given_the_published_value": {
            "level": given.level,
            "exact": asdict(given.exact),
            "mid_p": asdict(given.mid_p),
        },
        "with_published_uncertainty": {
            "one_sided_level": 0.95,
            "log_sd": one.log_sd,
            "lower": one.lower,
            "upper": one.upper,
        },
        "one_sample_log_rank": {"statistic": one.test.statistic, "df": 1, "p": one.test.p},
    }


def _describe_standardised(one: Standardised) -> dict[str, Any]:
    return asdict(one)


def _describe_among(one: AmongSeries) -> dict[str, Any]:
    return {
        "years": one.years,
        "series": [rate.key for rate in one.rates],
        "tau2": one.pooled.tau2,
        "i2": one.pooled.i2,
        "mean": asdict(one.mean),
        "expected_estimate": asdict(one.expected),
        "here": asdict(one.here),
        "place": one.place,
    }


def describe_monitoring(results: MonitoringResults) -> dict[str, Any]:
    """Describe the results in time order of one end point."""
    order, chart, limit = results.order, results.chart, results.limit
    payload: dict[str, Any] = {
        "end_point": results.outcome.end_point.name,
        "reference": results.reference,
        "reference_is_own": results.is_own,
        "reason": results.reason or None,
    }
    if order is None or chart is None or limit is None:
        return payload
    events = [row for row in range(order.day.size) if order.is_event[row]]
    return payload | {
        "observed": int(order.observed[-1]),
        "expected": float(order.expected[-1]),
        "limit": asdict(limit),
        "alarms": [float(order.calendar_years[row]) for row in chart.alarms],
        "false_alarms_expected": limit.false_alarms(float(order.expected[-1])),
        "followed_until": order.first_date + timedelta(days=order.followed_until),
        "detection": [asdict(one) for one in results.detections],
        "events": [
            {
                "calendar_year": float(order.calendar_years[row]),
                "observed": int(order.observed[row]),
                "expected": float(order.expected[row]),
                "cusum": float(chart.value[row]),
            }
            for row in events
        ],
        "by_year": [_describe_unit(unit) for unit in results.by_year],
        "by_case": [_describe_unit(unit) for unit in results.by_case],
        "first_cases": None if results.first_cases is None else asdict(results.first_cases),
        "shapes": [asdict(one) for one in results.shapes],
        "short_horizon": _describe_short(results.short),
    }


def _describe_short(short: ShortHorizon | None) -> dict[str, Any] | None:
    if short is None:
        return None
    return {
        "years": short.years,
        "n": short.n,
        "events": short.events,
        "reason": short.reason or None,
        "limit": None if short.limit is None else asdict(short.limit),
        "alarms": None if short.chart is None else len(short.chart.alarms),
        "held_against": None if short.chart is None else short.risk,
        "held_against_words": short.risk_words or None,
        "by_year": [asdict(one) for one in short.by_year],
    }


def _describe_unit(unit: UnitOverExpected) -> dict[str, Any]:
    return {
        "name": unit.name,
        "n": unit.n,
        "observed": unit.against.observed,
        "expected": unit.against.expected,
        "ratio": unit.against.ratio,
        "exact": asdict(unit.against.exact),
    }
