"""What the comparison with published rates and the charts do over simulated departments.

Run: python benchmarks/simulated_departments.py [--runs 20000] [--departments 2000]; writes
simulated_departments.md. Everything is drawn from numbers; no registry is needed.
"""

from __future__ import annotations

import argparse
import math
import time
from datetime import date, timedelta
from pathlib import Path

import numpy as np
from scipy.stats import poisson

from analysis.benchmarking.benchmark import compare
from analysis.benchmarking.bundles import (
    GRID_DAYS,
    coarsen,
    expect_from_bundle,
    make_bundle,
    on_grid,
    pool_bundles,
)
from analysis.benchmarking.expected_events import ReferenceHazard, expect_events, integrated_limits
from analysis.benchmarking.monitoring import find_limit, own_hazard, simulate_alarm
from analysis.benchmarking.own_estimates import TAIL
from analysis.benchmarking.published_rates import PublishedRate, PublishedSeries
from analysis.benchmarking.risk_adjusted_cusum import find_steiner_limit, simulate_steiner
from analysis.benchmarking.unit_comparison import compare_first_cases, over_expected_by
from analysis.counts.exact_counts import poisson_limits, poisson_mid_p_limits
from analysis.estimators.group_tests import log_rank
from analysis.estimators.observations import RightCensored
from analysis.estimators.survival import kaplan_meier
from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.end_points import EYE_LOSS, MAIN
from analysis.outcomes.outcome import Outcome, OutcomeTable
from reports.audience.bundle_bounds import bound_curve
from reports.audience.bundle_suppression import pool_suppressed, suppress
from reports.results.monitoring_results import STEINER_RUNS

OUT = Path(__file__).with_suffix(".md")
CUT = date(2024, 12, 31)
LEVEL = 1 - 2 * TAIL
EXPECTED = np.arange(1.0, 40.01, 0.05)
MOST = 140


def smallest_worse(expected: np.ndarray, kind: str) -> np.ndarray:
    """Smallest count whose lower limit lies above the expected number, one an expectation."""
    limits = poisson_limits if kind == "exact" else poisson_mid_p_limits
    lower = np.asarray([limits(count, LEVEL).lower for count in range(MOST)])
    return np.searchsorted(lower, expected, side="right")


def verdict_rows() -> list[str]:
    """How often a department is called worse by counts alone, exactly and not by simulation."""
    rows = []
    for kind in ("exact", "mid-P"):
        least = smallest_worse(EXPECTED, kind)
        at_one, at_two = (poisson.sf(least - 1, ratio * EXPECTED) for ratio in (1, 2))
        power = [f"{at_two[np.argmin(abs(EXPECTED - e))]:.1%}" for e in (2, 5, 10, 20)]
        rows.append(f"| {kind} | {at_one.mean():.2%} | {at_one.max():.2%} | {' | '.join(power)} |")
    return rows


def uncertain_rows(rng: np.random.Generator, runs: int) -> list[str]:
    """The same when the published value is itself drawn around the truth with its own error."""
    rows = []
    for expected in (5.0, 10.0, 25.0):
        for sd in (0.1, 0.2, 0.4):
            published = expected * np.exp(sd * rng.normal(size=runs))
            observed = rng.poisson(expected, runs)
            lower: dict[int, float] = {}
            for count in set(observed.tolist()):
                lower[count] = integrated_limits(count, 1.0, sd, TAIL).lower
            bound = np.asarray([lower[count] for count in observed])
            least = smallest_worse(published, "mid-P")
            rows.append(
                f"| {expected:g} | {sd:g} | {(bound > published).mean():.2%} |"
                f" {(observed >= least).mean():.2%} |"
            )
    return rows


def build(
    time_days: np.ndarray, status: np.ndarray, death_days: np.ndarray | None = None
) -> OutcomeTable:
    """A department in which nobody died, or with the days of the deaths (NaN: none)."""
    names = tuple(f"U{row}" for row in range(time_days.size))
    return OutcomeTable(
        EYE_LOSS,
        MAIN,
        names,
        names,
        names,
        names,
        tuple(CUT - timedelta(days=int(day)) for day in time_days),
        np.zeros(time_days.size, np.int64),
        time_days,
        status,
        time_days,
        np.where(status == 1, time_days, np.nan),
        np.full(time_days.size, np.nan) if death_days is None else death_days,
        time_days,
        np.ones(time_days.size, bool),
    )


def draw(rng: np.random.Generator, n: int, ratio: float, shape: float) -> OutcomeTable:
    """Draw times whose cumulative hazard is ratio·0.105·(t/5)^shape, followed for 1 to 9 years."""
    event = 5 * (rng.exponential(size=n) / (0.105 * ratio)) ** (1 / shape)
    end = rng.uniform(1, 9, n)
    days = np.ceil(np.minimum(event, end) * 365.25).astype(np.int64)
    return build(days, (event <= end).astype(np.int64))


def series(rng: np.random.Generator, shape: float, years: tuple[float, ...]) -> PublishedSeries:
    """A published series of 600 patients, whose curve misses the truth by its own chance."""
    miss = 0.125 * rng.normal()
    rates = []
    for year in years:
        hazard = 0.105 * (year / 5) ** shape * math.exp(miss)
        low, high = (-math.expm1(-hazard * math.exp(way * 1.96 * 0.125)) for way in (-1, 1))
        failure = -math.expm1(-hazard)
        rates.append(
            PublishedRate(
                "S", "invented", "eye_retention", "eye kept", "eye_loss", "kaplan-meier", 600,
                year, failure, low, high, "printed", "Ru-106", "", None, "read", "",
            )
        )  # fmt: skip
    return PublishedSeries(tuple(rates))


def outcome_of(table: OutcomeTable) -> Outcome:
    """The outcome as a comparison reads it: from its table it makes its own estimates."""
    return Outcome(EYE_LOSS, DataCut(CUT), CohortRules(), table, None, (), (), (), ())


EVENT_RATE, DEATH_RATE = 0.021, 0.04


def draw_with_death(rng: np.random.Generator, n: int, ratio: float) -> OutcomeTable:
    """Draw constant hazards of event and death, followed for 1 to 9 years."""
    event, death = (rng.exponential(1 / rate, n) for rate in (EVENT_RATE * ratio, DEATH_RATE))
    end = np.minimum(rng.uniform(1, 9, n), death)
    days = np.ceil(np.minimum(event, end) * 365.25).astype(np.int64)
    died = np.where((death <= end) & (event > death), np.ceil(death * 365.25), np.nan)
    return build(days, (event <= end).astype(np.int64), died)


def incidence_series(rng: np.random.Generator, year: float) -> PublishedSeries:
    """A published cumulative incidence at one time, which misses the truth by its own chance."""
    both = EVENT_RATE + DEATH_RATE
    truth = EVENT_RATE / both * -math.expm1(-both * year)
    hazard = -math.log1p(-truth) * math.exp(0.125 * rng.normal())
    low, high = (-math.expm1(-hazard * math.exp(way * 1.96 * 0.125)) for way in (-1, 1))
    rate = PublishedRate(
        "S", "invented", "eye_loss", "eye removed", "eye_loss", "cumulative incidence", 600,
        year, -math.expm1(-hazard), low, high, "printed", "Ru-106", "", None, "read", "",
    )  # fmt: skip
    return PublishedSeries((rate,))


def incidence_rows(rng: np.random.Generator, departments: int) -> list[str]:
    """The same with death competing: cumulative incidence against cumulative incidence."""
    rows = []
    for year in (3.0, 5.0):
        shares = []
        for ratio in (1.0, 2.0):
            worse = sum(
                compare(
                    outcome_of(draw_with_death(rng, 250, ratio)), incidence_series(rng, year)
                ).verdict
                == "worse"
                for _ in range(departments)
            )
            shares.append(f"{worse / departments:.1%}")
        rows.append(f"| {year:g} years, cumulative incidence | 1 | {' | '.join(shares)} |")
    return rows


def path_rows(rng: np.random.Generator, departments: int) -> list[str]:
    """The whole path: patients drawn, compared, judged."""
    rows = []
    for words, years in (("5 and 10 years, by O/E", (5.0, 10.0)), ("5 years alone", (5.0,))):
        for shape in (0.7, 1.0):
            shares = []
            for ratio in (1.0, 2.0):
                worse = 0
                for _ in range(departments):
                    table = draw(rng, 250, ratio, shape)
                    outcome = outcome_of(table)
                    worse += compare(outcome, series(rng, shape, years)).verdict == "worse"
                shares.append(f"{worse / departments:.1%}")
            rows.append(f"| {words} | {shape:g} | {' | '.join(shares)} |")
    return rows


def chart_rows(rng: np.random.Generator, runs: int) -> list[str]:
    """False alarms of the CUSUM over fresh runs, at limits found by other draws."""
    rows = []
    for volume in (0.05, 0.1, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0):
        limit = find_limit(volume, 20.0, rng)
        fresh = simulate_alarm(limit.limit, limit.ratio, 1.0, runs, rng) / volume
        doubled = simulate_alarm(limit.limit, limit.ratio, 2.0, runs, rng) / volume
        near = "yes" if abs(fresh.mean() / 20 - 1) <= 0.1 else "nearest attainable"
        rows.append(
            f"| {volume:g} | {limit.limit:.3f} | {fresh.mean():.1f} | {near} |"
            f" {doubled.mean():.1f} | {(doubled <= 5).mean():.0%} |"
        )
    return rows


def steiner_rows(rng: np.random.Generator, runs: int) -> list[str]:
    """False alarms of Steiner's chart at the limits that the report would take."""
    rows = []
    for patients, risk in ((40, 0.03), (40, 0.1), (100, 0.03), (100, 0.1)):
        limit = find_steiner_limit([risk], patients, 20.0, rng, runs=STEINER_RUNS)
        fresh = simulate_steiner(limit.limit, [risk], 2.0, 1.0, runs, rng) / patients
        doubled = simulate_steiner(limit.limit, [risk], 2.0, 2.0, runs, rng) / patients
        near = "yes" if abs(fresh.mean() / 20 - 1) <= 0.1 else "nearest attainable"
        rows.append(
            f"| {patients} | {risk:.0%} | {limit.limit:.3f} | {fresh.mean():.1f} | {near} |"
            f" {doubled.mean():.1f} | {(doubled <= 5).mean():.0%} |"
        )
    return rows


def learning_rows(rng: np.random.Generator, departments: int) -> list[str]:
    """How often the first 20 of 250 cases are told apart from the later ones."""
    rows = []
    for ratio in (1.0, 3.0, 6.0):
        above = 0
        for _ in range(departments):
            times, codes = [], []
            for n, how in ((20, ratio), (230, 1.0)):
                drawn = draw(rng, n, how, 0.8)
                times.append(drawn.time_days)
                codes.append(drawn.status)
            table = build(np.concatenate(times), np.concatenate(codes))
            names = ["cases 1-20"] * 20 + ["cases after 20"] * 230
            found = compare_first_cases(over_expected_by(table, own_hazard(table), names))
            above += found is not None and found.lower > 1
        rows.append(f"| {ratio:g} | {above / departments:.1%} |")
    return rows


def loss_rows(rng: np.random.Generator) -> list[str]:
    """What suppression leaves of the pooled curve of 5 centres, against the patients' own."""
    rows = []
    for patients in (500, 2000, 8000):
        centre = rng.choice(list("ABCDE"), patients)
        table = draw(rng, patients, 1.3, 0.8)
        bundles = []
        for name in "ABCDE":
            chosen = centre == name
            bundles.append(
                make_bundle(
                    table.select(chosen), ["all"] * int(chosen.sum()), centre=name,
                    definition="", data_cut="", strata_by="none",
                )
            )  # fmt: skip
        closed = [suppress(bundle) for bundle in bundles]
        pooled, curve = pool_suppressed(closed), bound_curve(closed)
        tick, status, _ = coarsen(table.time_days, table.status, table.entry_days)
        truth = kaplan_meier(RightCensored.of(np.asarray(GRID_DAYS)[tick], status))
        cells = [patients, f"{pooled.hidden_cells} of {pooled.event_cells}"]
        for year in (2, 5):
            at = curve.at(year) if curve else None
            own = 1 - float(truth.at([year * 365.25]).estimate[0])
            cells.append(f"{own:.1%}")
            cells.append("none" if at is None else f"{1 - at.highest:.1%} to {1 - at.lowest:.1%}")
        rows.append("| " + " | ".join(str(cell) for cell in cells) + " |")
    return rows


def bundle_rows(rng: np.random.Generator, patients: int = 2000) -> list[str]:
    """Pooled from open bundles against the patients themselves on the same grid, 5 centres."""
    centre = rng.choice(list("ABCDE"), patients)
    stratum = rng.choice(["T1", "T2", "T3", "T4"], patients)
    table = draw(rng, patients, 1.3, 0.8)
    bundles = []
    for name in "ABCDE":
        rows = centre == name
        bundles.append(
            make_bundle(
                table.select(rows), stratum[rows].tolist(), centre=name, definition="",
                data_cut="", strata_by="size_category",
            )
        )  # fmt: skip
    grid = on_grid(ReferenceHazard((1826.25, 3652.5), (0.105, 0.2)))
    pooled = pool_bundles(bundles)
    tick, status, _ = coarsen(table.time_days, table.status, table.entry_days)
    observed = RightCensored.of(np.asarray(GRID_DAYS)[tick], status)
    curve = kaplan_meier(observed, interval="beta-product").curve
    test = log_rank(observed, centre.tolist(), strata=stratum.tolist())
    ours = pooled.kaplan_meier.curve
    over = 0.0
    for bundle in bundles:
        rows = centre == bundle.centre
        seen = expect_events(grid, table.time_days[rows], table.status[rows])
        over = max(over, abs(expect_from_bundle(bundle, grid)[1] / seen.expected - 1))
    assert pooled.log_rank is not None
    largest = {
        "Kaplan–Meier": np.abs(ours.estimate - curve.estimate).max(),
        "its limits": np.nanmax(np.abs(ours.lower - curve.lower)),
        "stratified log-rank χ²": abs(pooled.log_rank.statistic - test.statistic),
        "expected events (relative)": over,
    }
    return [f"| {name} | {value:.1e} |" for name, value in largest.items()]


def write(runs: int, departments: int) -> str:
    """Run everything and return the page."""
    rng = np.random.default_rng(20240229)
    start = time.process_time()
    parts = [
        "# Simulated departments",
        "",
        "## Called worse by counts alone (published value known)",
        "",
        f"Exact probabilities at {EXPECTED.size} expected numbers from 1 to 40; one-sided 95 %"
        " limits. Last columns: probability at twice the expected rate.",
        "",
        "| limits | mean at no difference | largest | E = 2 | E = 5 | E = 10 | E = 20 |",
        "|---|---|---|---|---|---|---|",
        *verdict_rows(),
        "",
        "## Called worse when the published value has an error of its own",
        "",
        f"{runs} runs each, no true difference. The last column ignores the error.",
        "",
        "| E | SD of log E | with published uncertainty | mid-P given the published value |",
        "|---|---|---|---|",
        *uncertain_rows(rng, runs),
        "",
        "## The whole path: 250 patients, followed 1 to 9 years",
        "",
        f"{departments} departments each; published series of 600 patients. Shape: power of time"
        " of the true cumulative hazard.",
        "",
        "| published | shape | worse at no difference | worse at twice the hazard |",
        "|---|---|---|---|",
        *path_rows(rng, departments),
        *incidence_rows(rng, departments),
        "",
        "## False alarms of the CUSUM: one in 20 years wanted",
        "",
        f"Limits by 4000 runs, the rates below by {runs} fresh ones.",
        "",
        "| expected events a year | limit | years to a false alarm | within 10 % | years to see a"
        " doubled rate | seen within 5 years |",
        "|---|---|---|---|---|---|",
        *chart_rows(rng, runs),
        "",
        "## False alarms of Steiner's chart: one in 20 years wanted",
        "",
        f"Limits by {STEINER_RUNS} runs, as the report takes them; the rates below by {runs} fresh"
        " ones. One risk for everyone, so only some rates can be had.",
        "",
        "| patients a year | risk | limit | years to a false alarm | within 10 % | years to see"
        " doubled odds | seen within 5 years |",
        "|---|---|---|---|---|---|---|",
        *steiner_rows(rng, runs),
        "",
        "## Learning curve: the first 20 of 250 cases against the others",
        "",
        f"{departments} departments each; the lower exact 95 % limit of the ratio lies above 1.",
        "",
        "| true ratio in the first 20 | seen |",
        "|---|---|",
        *learning_rows(rng, departments),
        "",
        "## What suppression leaves of the pooled curve of 5 centres",
        "",
        "Share with the event of all patients, and the bounds from suppressed bundles; no strata.",
        "",
        "| patients | yearly counts of events hidden | at 2 years | bounds | at 5 years | bounds |",
        "|---|---|---|---|---|---|",
        *loss_rows(rng),
        "",
        "## Pooled from open bundles less pooled from 2000 patients of 5 centres",
        "",
        "| figure | largest difference |",
        "|---|---|",
        *bundle_rows(rng),
        "",
        f"{time.process_time() - start:.0f} s of processor time; seed 20240229.",
        "",
    ]
    return "\n".join(parts)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=20_000)
    parser.add_argument("--departments", type=int, default=2000)
    asked = parser.parse_args()
    text = write(asked.runs, asked.departments)
    OUT.write_text(text, encoding="utf-8")
    print(text)
