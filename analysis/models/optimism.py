"""Optimism of a measure of prediction, taken off by bootstrap, and limits from the same samples.

A model looks better in the rows that made it than in new ones. Each bootstrap sample makes a model;
``there`` is its measure in the sample, ``here`` in the original rows, and the mean of there − here
is the optimism (Harrell 1996, Stat Med 15:361–387). The samples that gave the optimism give limits
for the corrected measure too, without a second loop:

- **Location-shifted**, for discrimination: the percentiles of ``there``, less the optimism (Noma,
  Shinozaki, Iba, Teramukai & Furukawa 2021, Stat Med 40:5691–5701; the abstract was read, the steps
  are from memory). Their two-stage interval, a bootstrap of the whole correction, would need the
  square of the number of fits and is not given.
- **Of the optimism**, for the calibration slope: the apparent value less the percentiles of
  there − here, the bootstrap of apparent less true (the excess error of Efron 1983, J Am Stat Assoc
  78:316–331; from memory). The location-shifted interval cannot serve there: a maximum-likelihood
  model has slope 1 in its own sample, always, so that its limits would coincide.

Both are too narrow where events are few for the columns: ``benchmarks/validation_coverage.md``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from analysis.estimators.resampling import percentile

Array = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Share of bootstrap samples that must be fitted.
ENOUGH = 0.8
#: Events for a column under which the limits of C and slope held clearly less than they should.
EVENTS_FOR_LIMITS = 20
SHIFTED = "location-shifted bootstrap"
OF_OPTIMISM = "percentiles of the bootstrap optimism"


@dataclass(frozen=True, slots=True)
class Corrected:
    """A measure as it appears, its mean optimism, and the difference of the two with limits.

    Attributes
    ----------
    apparent, optimism
        In the rows that made the model, and how much too good that is.
    corrected_lower, corrected_upper
        Limits of ``corrected``; NaN where there are too few samples for them.
    interval
        The method of the limits, or why there are none.
    """

    apparent: float
    optimism: float
    corrected_lower: float = float("nan")
    corrected_upper: float = float("nan")
    interval: str = ""

    @property
    def corrected(self) -> float:
        """Apparent less optimism."""
        return self.apparent - self.optimism


def draw_samples(
    n: int, cluster: NDArray[np.generic] | None, samples: int, rng: np.random.Generator
) -> Iterator[IntArray]:
    """Rows of bootstrap samples; where rows share a cluster (a patient), whole clusters are drawn.

    >>> rng = np.random.default_rng(1)
    >>> [rows.tolist() for rows in draw_samples(3, np.array(["a", "b", "a"]), 2, rng)]
    [[0, 2, 1], [1, 1]]
    """
    if cluster is None:
        for _ in range(samples):
            yield rng.integers(0, n, n)
        return
    codes = np.unique(cluster, return_inverse=True)[1]
    order = np.argsort(codes, kind="stable")
    groups = np.split(order, np.cumsum(np.bincount(codes))[:-1])
    for _ in range(samples):
        yield np.concatenate([groups[k] for k in rng.integers(0, len(groups), len(groups))])


def fewest_samples(level: float) -> int:
    """Bootstrap samples under which no percentile lies within them.

    >>> fewest_samples(0.95), fewest_samples(0.99)
    (39, 199)
    """
    return ceil(round(2 / (1 - level), 6)) - 1


def too_narrow(events: int, columns: int) -> str:
    """What must be said of the limits where events are few; empty where nothing must.

    Parameters
    ----------
    events
        Events, or in a binary model the rarer of events and non-events.
    columns
        Of the model.

    Examples
    --------
    >>> too_narrow(200, 5)
    ''
    """
    if events >= EVENTS_FOR_LIMITS * columns:
        return ""
    return (
        f"With under {EVENTS_FOR_LIMITS} events a column, as here, the limits of C and of the"
        " calibration slope are too narrow, and C less optimism is still a little too high: in"
        " simulated tables with 3 to 16 events a column, 95 % limits held what the model"
        " shows in new people in 80 to 94 %."
    )


def take_off_optimism(
    apparent: float, there: Array, here: Array, *, level: float, interval: str
) -> Corrected:
    """Take the optimism off a measure.

    Parameters
    ----------
    apparent
        The measure of the model in the rows that made it.
    there, here
        Shape (k,): the measure of each bootstrap sample's model in that sample, and in the original
        rows; k = 0 leaves the optimism NaN.
    level
        Of the limits.
    interval
        ``SHIFTED`` or ``OF_OPTIMISM``.

    Examples
    --------
    >>> there, here = np.linspace(0.7, 0.8, 41), np.full(41, 0.73)
    >>> found = take_off_optimism(0.74, there, here, level=0.95, interval=SHIFTED)
    >>> round(found.corrected, 4), round(found.corrected_lower, 4), round(found.corrected_upper, 4)
    (0.72, 0.6801, 0.7799)
    """
    if not len(there):
        return Corrected(apparent, float("nan"), interval="none: no bootstrap samples")
    optimism = float(np.mean(there - here))
    fewest = fewest_samples(level)
    if len(there) < fewest:
        said = f"none: {len(there)} bootstrap samples fitted, {fewest} or more are needed"
        return Corrected(apparent, optimism, interval=said)
    tails = np.array([(1 - level) / 2, (1 + level) / 2])
    if interval == SHIFTED:
        lower, upper = percentile(there, tails) - optimism
    else:
        upper, lower = apparent - percentile(there - here, tails)
    return Corrected(apparent, optimism, float(lower), float(upper), interval)
