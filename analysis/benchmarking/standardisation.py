"""Indirect standardisation: what the strata of a published series would give this department's mix.

A series with figures by thickness, say, is weighted by how the department's own tumours fall into
its strata, so that a department with larger tumours is not held to the whole series' figure.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.benchmarking.benchmark import (
    FEWEST_AT_RISK,
    Z_90,
    Z_95,
    count_events,
    judge,
    published_limits,
    subtract,
)
from analysis.benchmarking.margins import Margin
from analysis.benchmarking.own_estimates import Estimate, read_own
from analysis.benchmarking.published_rates import PublishedRate
from analysis.outcomes.outcome import Outcome


@dataclass(frozen=True, slots=True)
class Standardised:
    """Failure at one time against strata of one series, weighted by the department's own mix.

    ``weights`` are the department's shares of the strata; ``unplaced`` units lack the field.
    """

    key: str
    field: str
    years: float
    n: int
    events: int
    unplaced: int
    weights: tuple[float, ...]
    here: Estimate
    there: Estimate
    difference: Estimate
    verdict: str


def standardise(
    outcome: Outcome,
    strata: Sequence[PublishedRate],
    values: Mapping[str, float | None],
    margin: Margin | None = None,
) -> Standardised | None:
    """Indirect standardisation at one time: what the published strata would give this mix.

    Parameters
    ----------
    strata
        Figures of one series and estimator at one time, whose strata do not overlap.
    values
        The stratum's field by tumour identifier.

    Returns
    -------
    Standardised or None
        None when a stratum has no interval, or fewer than 10 are at risk at that time.
    """
    table, years = outcome.table, strata[0].years
    place = np.full(table.n, -1)
    for number, rate in enumerate(strata):
        if rate.stratum is not None:
            holds = [rate.stratum.holds(values.get(unit)) for unit in table.tumour_id]
            place[np.asarray(holds, dtype=bool)] = number
    kept = table.select(place >= 0)
    own = read_own(kept)
    if own is None or years is None or any(rate.verified != "read" for rate in strata):
        return None
    weights = (np.bincount(place[place >= 0], minlength=len(strata)) / kept.n).tolist()
    read = own.read(strata[0].estimator, years)
    there = [_weigh(strata, weights, z) for z in (Z_95, Z_90)]
    if read.at_risk < FEWEST_AT_RISK or math.isnan(there[0].lower):
        return None
    difference = subtract(read.narrow, there[1])
    over = None if margin is None else [subtract(read.narrow, there[1], margin.ratio).upper]
    return Standardised(
        strata[0].key,
        strata[0].stratum.field if strata[0].stratum else "",
        years,
        kept.n,
        count_events(kept, years),
        table.n - kept.n,
        tuple(weights),
        read.wide,
        there[0],
        difference,
        judge([difference.lower], over),
    )


def _weigh(strata: Sequence[PublishedRate], weights: Sequence[float], z: float) -> Estimate:
    """Weighted mean of independent estimates; halves of their intervals add in squares."""
    parts = [published_limits(rate, z) for rate in strata]
    value = sum(w * part.value for w, part in zip(weights, parts, strict=True))
    below = math.hypot(*(w * (p.value - p.lower) for w, p in zip(weights, parts, strict=True)))
    above = math.hypot(*(w * (p.upper - p.value) for w, p in zip(weights, parts, strict=True)))
    return Estimate(value, value - below, value + above)
