"""How tumours shrink after treatment: an exponential fall to a plateau that differs by tumour.

The height of tumour i at time t over its height at baseline is ``a_i + (1 - a_i) exp(-t / T) + e``
with a plateau ``a_i`` drawn from a normal distribution over tumours and one time constant T for
all. The random plateau enters linearly: for a given T the model is a linear mixed model with a
random slope in ``1 - exp(-t / T)`` whose likelihood is exact; it is maximised over T and the
variances, and intervals are profiles of it.

What the model leaves out: readings are taken as independent given the plateau, with one error for
all ratios, though the error in millimetres weighs more in thin tumours; one time constant for all;
and the tumours seen late are those that were kept, did not fail and lived, so that the plateau
describes them, not everybody. Readings count up to the first failure, second treatment or removal
of the eye.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq, minimize_scalar
from scipy.stats import chi2

from analysis.outcomes.cohort import CohortRules, DataCut, unit_relations
from registry.entry_rules.record_rules import REMOVES_THE_EYE, list_codes
from registry.errors import RefusedEstimateError

if TYPE_CHECKING:
    import duckdb

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

DAYS_PER_YEAR = 365.25
LEAST_TUMOURS = 10
TIMES_YEARS = (0.5, 1.0, 2.0, 5.0)
_LOG_TIME = (float(np.log(0.02)), float(np.log(20.0)))
_LOG_RATIO = (-12.0, 12.0)


@dataclass(frozen=True, slots=True)
class Heights:
    """Readings after treatment: tumour, years since insertion, height over that at baseline.

    Arrays of one shape, in order of tumour and time.
    """

    tumour_id: NDArray[np.object_]
    years: FloatArray
    ratio: FloatArray

    @property
    def n_tumours(self) -> int:
        """Number of tumours with a reading."""
        return len(set(self.tumour_id.tolist()))


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with its profile-likelihood limits; NaN where the profile has no limit."""

    value: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class Regression:
    """The fitted fall to a plateau.

    ``plateau`` is the mean share of the height that stays, ``plateau_sd`` its spread over tumours,
    ``time_constant_years`` the time in which the rest falls to 1/e, ``residual_sd`` the spread of
    single ratios. ``at_bound`` says that the time constant ran to the edge of what is looked for
    (a week to 20 years): the data then show no fall that this model describes.
    """

    n_tumours: int
    n_readings: int
    plateau: Interval
    plateau_sd: float
    time_constant_years: Interval
    residual_sd: float
    log_likelihood: float
    level: float
    at_bound: bool

    def ratio_at(self, years: ArrayLike) -> FloatArray:
        """Mean height over baseline at times in years.

        Examples
        --------
        >>> half = Interval(0.5, 0.4, 0.6)
        >>> fit = Regression(9, 9, half, 0.1, Interval(1.0, 0.9, 1.1), 0.1, 0.0, 0.95, False)
        >>> fit.ratio_at([0.0, 1.0]).round(4).tolist()
        [1.0, 0.6839]
        """
        left = np.exp(-np.asarray(years, dtype=float) / self.time_constant_years.value)
        return np.asarray(self.plateau.value + (1 - self.plateau.value) * left)


@dataclass(frozen=True, slots=True)
class RatioAt:
    """Observed ratios about a time, one a tumour: the reading nearest to it within three months."""

    years: float
    n: int
    median: float
    lower_quartile: float
    upper_quartile: float


_SQL = """
, stop AS (
    SELECT u.tumour_id, min(on_date) AS stop_date FROM unit u LEFT JOIN (
        SELECT unit_id, event_date AS on_date FROM unit_event
        WHERE is_own AND kind IN ('local_failure', 'orbital_recurrence', 'retreatment')
            OR kind IN ({removals})
        UNION ALL SELECT unit_id, visit_date FROM unit_visit WHERE local_status = 'failed'
        UNION ALL SELECT i.tumour_id, i.inserted_date FROM cut_implant i
            JOIN unit u USING (tumour_id) WHERE i.inserted_date - u.zero_date > {gap})
        e ON e.unit_id = u.unit_id AND e.on_date > u.zero_date
    GROUP BY u.tumour_id)
SELECT u.tumour_id, v.visit_date - u.zero_date AS days,
    CAST(v.thickness_mm AS DOUBLE) / CAST(t.thickness_mm AS DOUBLE) AS ratio
FROM unit u JOIN treated_tumour t USING (tumour_id) JOIN stop s USING (tumour_id)
JOIN unit_visit v ON v.unit_id = u.unit_id
WHERE v.visit_date > u.zero_date AND v.thickness_mm IS NOT NULL AND t.thickness_mm IS NOT NULL
    AND (s.stop_date IS NULL OR v.visit_date < s.stop_date)
    AND (t.tumours_in_eye = 1 OR v.tumour_id IS NOT NULL)
ORDER BY u.tumour_id, days"""


def read_heights(
    connection: duckdb.DuckDBPyConnection, cut: DataCut, rules: CohortRules
) -> Heights:
    """Read the heights after treatment of the cohort's tumours, up to whatever ended them."""
    sql = _SQL.format(removals=list_codes(REMOVES_THE_EYE), gap=int(rules.course_gap_days))
    query = f"WITH {unit_relations('tumour', rules)} {sql}"
    table = connection.sql(query, params=cut.parameters()).to_arrow_table()
    days = np.array(table["days"].to_pylist(), dtype=float)
    return Heights(
        np.array(table["tumour_id"].to_pylist(), dtype=object),
        days / DAYS_PER_YEAR,
        np.array(table["ratio"].to_pylist(), dtype=float),
    )


def summarise_ratios(
    heights: Heights, times_years: Sequence[float] = TIMES_YEARS, within_years: float = 0.25
) -> tuple[RatioAt, ...]:
    """Median and quartiles of the ratio about each time; NaN where no tumour has a reading there.

    Examples
    --------
    >>> seen = Heights(np.array(["T1", "T1", "T2"], dtype=object), np.array([0.9, 1.05, 3.0]),
    ...                np.array([0.8, 0.6, 0.4]))
    >>> summarise_ratios(seen, [1.0])[0].median
    0.6
    """
    found = []
    for time in times_years:
        away = np.abs(heights.years - time)
        nearest: dict[str, int] = {}
        for row in np.flatnonzero(away <= within_years).tolist():
            name = heights.tumour_id[row]
            if name not in nearest or away[row] < away[nearest[name]]:
                nearest[name] = row
        ratios = heights.ratio[list(nearest.values())]
        low, middle, high = (
            np.quantile(ratios, [0.25, 0.5, 0.75]) if len(ratios) else (np.nan, np.nan, np.nan)
        )
        found.append(RatioAt(time, len(ratios), float(middle), float(low), float(high)))
    return tuple(found)


_Sums: TypeAlias = tuple[FloatArray, FloatArray, float]


@dataclass(frozen=True, slots=True)
class _Likelihood:
    """The exact log-likelihood as a function of log T, log variance ratio and plateau.

    Readings stand tumour by tumour; ``first`` is the row of each tumour's first one.
    """

    first: IntArray
    n_groups: int
    years: FloatArray
    ratio: FloatArray

    def sums(self, log_time: float) -> _Sums:
        """Sums of x x, x y by tumour and of y y, with x = 1 - exp(-t/T), y = ratio - exp(-t/T)."""
        left = np.exp(-self.years / np.exp(log_time))
        x, y = 1 - left, self.ratio - left
        return np.add.reduceat(x * x, self.first), np.add.reduceat(x * y, self.first), float(y @ y)

    def at(
        self, sums: _Sums, log_ratio: float, plateau: float | None = None
    ) -> tuple[float, float, float]:
        """Log-likelihood, plateau and residual variance; the plateau is the best one if None."""
        xx, xy, yy = sums
        spread = 1 + np.exp(log_ratio) * xx
        if plateau is None:
            plateau = float((xy / spread).sum() / (xx / spread).sum())
        rest = xy - plateau * xx
        squares = yy - 2 * plateau * xy.sum() + plateau**2 * xx.sum()
        squares -= float((np.exp(log_ratio) * rest**2 / spread).sum())
        n = len(self.years)
        variance = max(squares, 1e-12 * n) / n
        value = -0.5 * (n * np.log(2 * np.pi * variance) + n + np.log(spread).sum())
        return float(value), plateau, float(variance)

    def best_ratio(self, log_time: float, plateau: float | None = None) -> tuple[float, float]:
        """Greatest log-likelihood over the log variance ratio, and where it is."""
        sums = self.sums(log_time)
        found = minimize_scalar(
            lambda log_ratio: -self.at(sums, log_ratio, plateau)[0],
            bounds=_LOG_RATIO,
            method="bounded",
            options={"xatol": 1e-9},
        )
        return -float(found.fun), float(found.x)

    def best_time(self, plateau: float | None = None) -> float:
        """The log time constant of the greatest log-likelihood: on a grid, then within it."""
        grid = np.linspace(*_LOG_TIME, 15)
        values = [self.best_ratio(float(value), plateau)[0] for value in grid]
        place = int(np.argmax(values))
        return self.best_time_near(grid[max(place - 1, 0)], grid[min(place + 1, 14)], plateau)

    def best_time_near(self, low: float, high: float, plateau: float | None = None) -> float:
        """The log time constant of the greatest log-likelihood between two."""
        found = minimize_scalar(
            lambda log_time: -self.best_ratio(log_time, plateau)[0],
            bounds=(low, high),
            method="bounded",
            options={"xatol": 1e-9},
        )
        return float(found.x)


def _limits(
    profile: Callable[[float], float], best: float, level: float, low: float, high: float
) -> tuple[float, float]:
    """Where a profile has fallen enough on either side; NaN where it has not by the edge.

    The curvature at the top says where to look first.
    """
    fall = float(chi2.ppf(level, 1)) / 2
    small = 1e-3 * max(1.0, abs(best))
    bend = max(-(profile(best + small) + profile(best - small)) / small**2, 1e-6)
    first = float(np.sqrt(2 * fall / bend))

    def side(edge: float, direction: float) -> float:
        inside, step = best, 0.8 * first
        while True:
            outside = max(edge, inside - step) if direction < 0 else min(edge, inside + step)
            if profile(outside) <= -fall:
                break
            if outside == edge:
                return float("nan")
            inside, step = outside, max(0.5 * first, step / 2) if inside == best else 2 * step
        root = brentq(lambda v: profile(v) + fall, inside, outside, xtol=1e-6 * first)
        return float(root)

    return side(low, -1.0), side(high, 1.0)


def fit_regression(heights: Heights, *, level: float = 0.95) -> Regression:
    """Fit the fall to a plateau by maximum likelihood.

    Parameters
    ----------
    heights
        Ratios after time 0.
    level
        Confidence level of the profile-likelihood intervals.

    Raises
    ------
    RefusedEstimateError
        With fewer than ten tumours that have two readings or more.
    ValueError
        For a reading at or before time 0, or one that is not a number.
    """
    model = _prepare(heights)
    log_time = model.best_time()
    top, log_ratio = model.best_ratio(log_time)
    _, plateau, variance = model.at(model.sums(log_time), log_ratio)

    def over_time(value: float) -> float:
        return model.best_ratio(value)[0] - top

    def over_plateau(value: float) -> float:
        near = model.best_time_near(log_time - 1.5, log_time + 1.5, value)
        return model.best_ratio(near, value)[0] - top

    earliest, latest = _limits(over_time, log_time, level, *_LOG_TIME)
    return Regression(
        n_tumours=model.n_groups,
        n_readings=len(heights.years),
        plateau=Interval(plateau, *_limits(over_plateau, plateau, level, plateau - 3, plateau + 3)),
        plateau_sd=float(np.sqrt(np.exp(log_ratio) * variance)),
        time_constant_years=Interval(*(float(np.exp(v)) for v in (log_time, earliest, latest))),
        residual_sd=float(np.sqrt(variance)),
        log_likelihood=top,
        level=level,
        at_bound=min(abs(log_time - edge) for edge in _LOG_TIME) < 1e-3,
    )


def _prepare(heights: Heights) -> _Likelihood:
    if np.any(~(heights.years > 0)) or np.any(~np.isfinite(heights.ratio)):
        raise ValueError("every reading needs a time above 0 and a number")
    names, group = np.unique(heights.tumour_id.astype(str), return_inverse=True)
    repeated = int((np.bincount(group, minlength=len(names)) >= 2).sum()) if len(names) else 0
    if repeated < LEAST_TUMOURS:
        raise RefusedEstimateError(
            f"A fall to a plateau needs {LEAST_TUMOURS} tumours with two readings or more; there"
            f" are {repeated}.",
            n=repeated,
        )
    order = np.argsort(group, kind="stable")
    first = np.searchsorted(group[order], np.arange(len(names)))
    return _Likelihood(first, len(names), heights.years[order], heights.ratio[order])
