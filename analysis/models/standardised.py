"""Curves of groups as they would be if all had the same covariates: direct standardisation.

A Cox model stratified by the groups lets every group keep its own course over time; what the
covariates do is taken to be the same in all. A group's standardised curve is the mean, over the
covariates of everybody, of what the model predicts in that group (g-formula; Makuch 1982, J Chronic
Dis 35:437–443; Gail & Byar 1986, Biom J 28:587–599). With competing events each cause has its own
model and the incidences are put together from all hazards.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.estimators.intervals import transform_limits
from analysis.estimators.observations import RightCensored
from analysis.models.coefficients import FEWEST_EVENTS, Coefficients
from analysis.models.cox import CoxFit, cox
from registry.errors import MendableError, RefusedEstimateError

Array = NDArray[np.float64]
IntArray = NDArray[np.int64]

Hazard = tuple[Array, Array, Array]
"""Event times, hazard steps at covariate means, and the relative hazard of each row."""

FEWEST_FITTED = 0.9
"""Under this share of bootstrap samples that could be fitted no standard error is given."""
LARGEST_BLOCK = 2_000_000


@dataclass(frozen=True, slots=True)
class StandardisedGroup:
    """One group's standardised curve at the times asked for; arrays of shape (m,).

    ``estimate`` is survival, or the incidence of event 1 with competing events; it is NaN beyond
    the group's last follow-up. ``at_risk`` and ``events`` are people as seen, not standardised:
    under observation just before the time, and with event 1 up to it.
    """

    group: str
    n: int
    time: Array
    at_risk: IntArray
    events: IntArray
    estimate: Array
    se: Array
    lower: Array
    upper: Array


@dataclass(frozen=True, slots=True)
class Standardised:
    """Standardised curves, the model of event 1 behind them, and its bootstrap."""

    groups: tuple[StandardisedGroup, ...]
    coefficients: Coefficients
    replicates: int
    fitted: int
    without_model: tuple[int, ...]


def standardise(
    observed: RightCensored,
    matrix: Array,
    groups: Sequence[str],
    times: Sequence[float],
    *,
    terms: Sequence[str],
    is_incidence: bool,
    rng: np.random.Generator,
    replicates: int = 200,
    interval: str = "log-log",
    level: float = 0.95,
) -> Standardised:
    """Standardise the curves of groups over covariates.

    Parameters
    ----------
    observed
        Observations, without weights; delayed entry is allowed.
    matrix
        Covariates, shape (n, p), complete; :func:`analysis.models.design_matrix.to_model_frame`
        makes it.
    groups
        Group of each row, at least two different.
    times
        Times to read, in the unit of the observations.
    terms
        p names.
    is_incidence
        Whether the incidence of event 1 with the other codes competing is wanted; otherwise they
        count as censored and the figure is survival free of event 1.
    rng, replicates
        Source and number of bootstrap samples of the rows, for the standard errors.
    interval, level
        One of the transforms of :mod:`analysis.estimators.intervals`, with the bootstrap standard
        error.

    Returns
    -------
    Standardised
        A competing cause with under five events has no model: its hazard is the group's own
        (Nelson–Aalen). Standard errors are NaN when under nine tenths of the samples can be fitted.

    Raises
    ------
    RefusedEstimateError
        Under five events of code 1, separation, one group, or weights.
    RefusedInputError
        A covariate is constant, repeats others, or does not vary within any group.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> x = rng.normal(size=(80, 1))
    >>> seen = RightCensored.of(rng.exponential(np.exp(-x[:, 0])), np.ones(80))
    >>> arms = ["a", "b"] * 40
    >>> both = standardise(seen, x, arms, [0.5], terms=["x"], is_incidence=False, rng=rng)
    >>> [one.group for one in both.groups], both.fitted
    (['a', 'b'], 200)
    """
    if observed.weight is not None:
        raise RefusedEstimateError("Standardised curves take no weights.")
    names, codes = np.unique(np.asarray(groups).astype(str), return_inverse=True)
    if len(names) < 2:
        raise RefusedEstimateError("Standardised curves compare two groups or more.")
    at = np.asarray(times, dtype=float)
    found = observed.status.tolist() if is_incidence else []
    causes = sorted({1, *found} - {0})  # 1 even where nobody has it: its model then says so
    whole = _Model.fit(observed, matrix, codes, causes, terms)
    estimate = whole.read(matrix, len(names), at, is_incidence=is_incidence)
    draws, n = [], observed.n
    for _ in range(replicates):
        rows = rng.integers(n, size=n)
        try:
            model = _Model.fit(observed.select(rows), matrix[rows], codes[rows], causes, terms)
        except MendableError:
            continue
        draws.append(model.read(matrix[rows], len(names), at, is_incidence=is_incidence))
    se = np.full(estimate.shape, np.nan)
    if len(draws) >= FEWEST_FITTED * replicates:
        se = _spread(np.array(draws), estimate)
    lower, upper = transform_limits(estimate, se, interval, level)
    described = []
    for place, name in enumerate(names):
        mine = observed.select(codes == place)
        seen = _count(mine, at)
        described.append(
            StandardisedGroup(
                str(name), mine.n, at, *seen, estimate[place], se[place], lower[place], upper[place]
            )
        )
    return Standardised(
        tuple(described), whole.fits[1].coefficients, replicates, len(draws), whole.without_model
    )


def _spread(draws: Array, estimate: Array) -> Array:
    """Standard deviation over the samples that reach each time; NaN where few do."""
    known = ~np.isnan(draws)
    count = known.sum(axis=0)
    mean = np.where(known, draws, 0.0).sum(axis=0) / np.maximum(count, 1)
    squares = np.where(known, (draws - mean) ** 2, 0.0).sum(axis=0)
    enough = (count >= FEWEST_FITTED * len(draws)) & ~np.isnan(estimate)
    return np.where(enough, np.sqrt(squares / np.maximum(count - 1, 1)), np.nan)


def _count(observed: RightCensored, at: Array) -> tuple[IntArray, IntArray]:
    entered = np.ones((observed.n, 1), dtype=bool)
    if observed.entry is not None:
        entered = observed.entry[:, None] < at[None, :]
    there = (observed.time[:, None] >= at[None, :]) & entered
    failed = (observed.status == 1)[:, None] & (observed.time[:, None] <= at[None, :])
    return there.sum(axis=0), failed.sum(axis=0)


@dataclass(frozen=True, slots=True)
class _Model:
    """A stratified Cox model a cause; ``bare`` holds (times, hazard, group) of causes without."""

    fits: dict[int, CoxFit]
    bare: dict[int, tuple[Array, Array, IntArray]]
    last: Array

    @property
    def without_model(self) -> tuple[int, ...]:
        return tuple(self.bare)

    @classmethod
    def fit(
        cls,
        observed: RightCensored,
        matrix: Array,
        codes: IntArray,
        causes: Sequence[int],
        terms: Sequence[str],
    ) -> _Model:
        fits, bare = {}, {}
        for cause in causes:
            event = observed.status == cause
            if cause != 1 and event.sum() < FEWEST_EVENTS:
                bare[cause] = nelson_aalen(observed.time, observed.entry, event, codes)
                continue
            fits[cause] = cox(
                matrix, observed.time, event, terms=terms, entry=observed.entry, strata=codes
            )
        last = np.full(int(codes.max()) + 1, -np.inf)
        np.maximum.at(last, codes, observed.time)
        return cls(fits, bare, last)

    def read(self, matrix: Array, groups: int, at: Array, *, is_incidence: bool) -> Array:
        """Mean prediction over the rows of ``matrix`` in every group: shape (groups, m)."""
        found = np.full((groups, at.size), np.nan)
        for group in range(min(groups, self.last.size)):
            hazards = self._hazards(matrix, group)
            values = mean_incidence(hazards, at) if is_incidence else mean_survival(hazards, at)
            found[group] = np.where(at <= self.last[group], values, np.nan)
        return found

    def _hazards(self, matrix: Array, group: int) -> list[Hazard]:
        """Event times, baseline steps and each row's relative hazard; event 1 first."""
        hazards = []
        for fit in self.fits.values():
            centre = fit.data.centre
            time, hazard, stratum = fit.baseline_hazard(centre)
            label = np.array(fit.data.strata)[stratum] == group
            relative = np.exp((matrix - centre) @ fit.coefficients.coef)
            hazards.append((time[label], np.diff(hazard[label], prepend=0.0), relative))
        for time, hazard, code in self.bare.values():
            mine = code == group
            hazards.append((time[mine], hazard[mine], np.ones(len(matrix))))
        return hazards


def nelson_aalen(
    time: Array, entry: Array | None, event: NDArray[np.bool_], codes: IntArray
) -> tuple[Array, Array, IntArray]:
    """Event times, hazard steps and group codes, each group by itself."""
    parts = []
    for group in np.unique(codes):
        mine = codes == group
        when = np.unique(time[mine & event])
        happened = (time[mine & event][:, None] == when).sum(axis=0)
        there = (time[mine][:, None] >= when).sum(axis=0)
        if entry is not None:
            there = there - (entry[mine][:, None] >= when).sum(axis=0)
        parts.append((when, happened / there, np.full(when.size, group)))
    times, hazard, code = (np.concatenate(column) for column in zip(*parts, strict=True))
    return times, hazard, code


def mean_survival(hazards: list[Hazard], at: Array) -> Array:
    """Mean over the rows of survival at ``at`` under the first hazard alone."""
    time, step, relative = hazards[0]
    cumulative = np.concatenate([[0.0], np.cumsum(step)])
    reached = cumulative[np.searchsorted(time, at, side="right")]
    mean: Array = np.exp(-np.outer(relative, reached)).mean(axis=0)
    return mean


def mean_incidence(hazards: list[Hazard], at: Array) -> Array:
    """Incidence of the first cause: in each step the share of its hazard of those who leave."""
    grid = np.unique(np.concatenate([time for time, _, _ in hazards]))
    total = np.zeros(grid.size + 1)
    rows = len(hazards[0][2])
    size = max(1, LARGEST_BLOCK // max(grid.size, 1))
    spread = [(np.searchsorted(grid, time), step) for time, step, _ in hazards]
    for start in range(0, rows, size):
        part = slice(start, start + size)
        steps = [np.zeros((len(hazards[0][2][part]), grid.size)) for _ in hazards]
        for own, (place, step), (_, _, relative) in zip(steps, spread, hazards, strict=True):
            own[:, place] = relative[part, None] * step
        everything = np.sum(steps, axis=0)
        before = np.exp(-np.cumsum(everything, axis=1) + everything)
        share = np.divide(steps[0], everything, out=np.zeros_like(everything), where=everything > 0)
        total[1:] += (before * -np.expm1(-everything) * share).sum(axis=0)
    incidence: Array = np.cumsum(total / rows)
    return incidence[np.searchsorted(grid, at, side="right")]
