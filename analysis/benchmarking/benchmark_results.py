"""Every published series of one end point beside one department, and the populations compared."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from analysis.benchmarking.benchmark import Comparison, compare
from analysis.benchmarking.between_series import AmongSeries, place_among
from analysis.benchmarking.margins import Margin
from analysis.benchmarking.own_estimates import Estimate
from analysis.benchmarking.published_rates import PublishedRate, PublishedSeries, group_series
from analysis.benchmarking.standardisation import Standardised, standardise
from analysis.outcomes.end_points import DAYS_PER_YEAR
from analysis.outcomes.outcome import Outcome


@dataclass(frozen=True, slots=True)
class Population:
    """Who the department's figures are about, for reading beside a series' own words."""

    n: int
    first_year: int | None
    last_year: int | None
    thickness_mm: float | None
    diameter_mm: float | None
    isotopes: tuple[tuple[str, int], ...]
    isotope_known: int

    @property
    def words(self) -> str:
        """One line: numbers, years, medians, isotopes."""
        parts = ["1 tumour" if self.n == 1 else f"{self.n} tumours"]
        if self.first_year is not None:
            parts.append(f"treated {self.first_year} to {self.last_year}")
        for name, value in (("thickness", self.thickness_mm), ("diameter", self.diameter_mm)):
            if value is not None:
                parts.append(f"median {name} {value:.1f} mm")
        parts += [
            f"{name} {100 * count / self.isotope_known:.0f} %" for name, count in self.isotopes
        ]
        return ", ".join(parts)


@dataclass(frozen=True, slots=True)
class BenchmarkResults:
    """The comparisons of one end point, in the order of the list of rates."""

    outcome: Outcome
    population: Population
    comparisons: tuple[Comparison, ...]
    standardised: tuple[Standardised, ...]
    among: tuple[AmongSeries, ...]
    margin: Margin | None


def describe_population(baseline: Sequence[Mapping[str, Any]]) -> Population:
    """Summarise the rows of :func:`analysis.outcomes.baseline.read_baseline`.

    Examples
    --------
    >>> describe_population([{"year": 2019, "thickness_mm": 4.0, "isotope": "Ru-106"}]).words
    '1 tumour, treated 2019 to 2019, median thickness 4.0 mm, Ru-106 100 %'
    """

    def median(name: str) -> float | None:
        values = [row[name] for row in baseline if row.get(name) is not None]
        return float(np.median(values)) if values else None

    years = [int(row["year"]) for row in baseline if row.get("year") is not None]
    known = [str(row["isotope"]) for row in baseline if row.get("isotope")]
    names = sorted(set(known), key=lambda name: (-known.count(name), name))
    return Population(
        len(baseline),
        min(years, default=None),
        max(years, default=None),
        median("thickness_mm"),
        median("largest_basal_diameter_mm"),
        tuple((name, known.count(name)) for name in names),
        len(known),
    )


def list_differences(population: Population, rate: PublishedRate) -> tuple[str, ...]:
    """List what the two populations do not share, as far as the published words allow."""
    differences = [f"published: {rate.population or 'not described'}"]
    own = sum(count for name, count in population.isotopes if name in rate.isotope)
    if population.isotope_known and rate.isotope and own < 0.9 * population.isotope_known:
        here = "mostly other isotopes" if own < population.isotope_known / 2 else "partly others"
        differences.append(f"isotope: {rate.isotope} there, {here} here")
    if rate.definition:
        differences.append(f"definition there: {rate.definition}")
    if rate.lower is None:
        differences.append(
            f"no interval printed: worked out from n = {rate.n}, divided by 1.6 for censoring"
        )
    return tuple(differences)


def run_benchmarks(
    outcome: Outcome,
    rates: Sequence[PublishedRate],
    baseline: Sequence[Mapping[str, Any]],
    margin: Margin | None = None,
) -> BenchmarkResults:
    """Compare an outcome with every published series of its end point.

    Parameters
    ----------
    baseline
        One mapping a tumour, as :func:`analysis.outcomes.baseline.read_baseline` gives: for strata
        and for the description of the population.
    """
    population = describe_population(baseline)
    series = [
        one for one in group_series(rates) if one.first.compares_with == outcome.end_point.name
    ]
    rows = {str(row["unit_id"]): row for row in baseline}
    comparisons = tuple(
        compare(
            outcome,
            one,
            margin,
            list_differences(population, one.first),
            choose_units(one, rows),
        )
        for one in series
    )
    return BenchmarkResults(
        outcome,
        population,
        comparisons,
        _standardise_all(outcome, series, rows, margin),
        _place_all(outcome, rates),
        margin,
    )


def choose_units(
    series: PublishedSeries, rows: Mapping[str, Mapping[str, Any]]
) -> Callable[[str], bool] | None:
    """Say which tumours belong to a series' stratum; None for all of them."""
    stratum = series.first.stratum
    if stratum is None:
        return None
    return lambda tumour: stratum.holds(rows.get(tumour, {}).get(stratum.field))


def _standardise_all(
    outcome: Outcome,
    series: Sequence[PublishedSeries],
    rows: Mapping[str, Mapping[str, Any]],
    margin: Margin | None,
) -> tuple[Standardised, ...]:
    by_key: dict[tuple[str, str, str, float | None], list[PublishedRate]] = {}
    for rate in (rate for one in series for rate in one.rates):
        if rate.stratum is not None and rate.is_actuarial and not rate.unlike:
            key = (rate.key, rate.stratum.field, rate.estimator, rate.years)
            by_key.setdefault(key, []).append(rate)
    made = []
    for (_, field, _, _), strata in by_key.items():
        values = {unit: row.get(field) for unit, row in rows.items()}
        if len(strata) > 1 and _are_apart(strata):
            found = standardise(outcome, strata, values, margin)
            made += [found] if found is not None else []
    return tuple(made)


def _are_apart(strata: Sequence[PublishedRate]) -> bool:
    """Whether no value lies in two of the strata."""
    ends = sorted((one.stratum.low, one.stratum.high) for one in strata if one.stratum)
    return all(high <= low for (_, high), (low, _) in pairwise(ends))


def _place_all(outcome: Outcome, rates: Sequence[PublishedRate]) -> tuple[AmongSeries, ...]:
    curve = outcome.groups[0].kaplan_meier if outcome.groups else None
    if curve is None:
        return ()
    name = outcome.end_point.name
    like = [rate for rate in rates if rate.compares_with == name and not rate.unlike]
    times = {rate.years for rate in like if rate.years is not None}
    made = []
    for years in sorted(times):
        read = curve.at([years * DAYS_PER_YEAR])
        survival, se = float(read.estimate[0]), float(read.se[0])
        here = Estimate(1 - survival, 1 - float(read.upper[0]), 1 - float(read.lower[0]))
        is_inside = 0 < survival < 1
        sd = se / (survival * -math.log(survival)) if is_inside else math.nan
        found = place_among(like, name, years, here, sd)
        if found is not None:
            made.append(found)
    return tuple(made)
