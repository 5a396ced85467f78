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
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq, minimize
from scipy.stats import chi2

from analysis.cohort import CohortRules, DataCut, unit_relations
from registry.errors import RefusedEstimateError
from registry.record_rules import REMOVES_THE_EYE, list_codes

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


@dataclass(frozen=True, slots=True)
class _Likelihood:
    """The exact log-likelihood as a function of log T, log variance ratio and plateau."""

    group: IntArray
    n_groups: int
    years: FloatArray
    ratio: FloatArray

    def sums(self, log_time: float) -> tuple[FloatArray, FloatArray, float]:
        """Sums of x x, x y by tumour and of y y, with x = 1 - exp(-t/T), y = ratio - exp(-t/T)."""
        left = np.exp(-self.years / np.exp(log_time))
        x, y = 1 - left, self.ratio - left
        xx: FloatArray = np.bincount(self.group, x * x, self.n_groups).astype(np.float64)
        xy: FloatArray = np.bincount(self.group, x * y, self.n_groups).astype(np.float64)
        return xx, xy, float(y @ y)

    def at(
        self, log_time: float, log_ratio: float, plateau: float | None = None
    ) -> tuple[float, float, float]:
        """Log-likelihood, plateau and residual variance; the plateau is the best one if None."""
        xx, xy, yy = self.sums(log_time)
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


def _best(objective: Callable[[Any], float], start: Sequence[float], bounds: Any) -> Any:
    return minimize(
        objective, start, bounds=bounds, method="L-BFGS-B", options={"ftol": 1e-13, "gtol": 1e-8}
    )


def _limits(
    profile: Callable[[float], float],
    best: float,
    fall: float,
    low: float,
    high: float,
    step: float,
) -> tuple[float, float]:
    """Where a profile has fallen by ``fall`` on either side; NaN where it has not by the edge."""

    def side(edge: float, direction: float) -> float:
        inside, outside = best, best
        while profile(outside) > -fall:
            if outside == edge:
                return float("nan")
            inside = outside
            outside = max(edge, outside - step) if direction < 0 else min(edge, outside + step)
        return float(brentq(lambda value: profile(value) + fall, inside, outside, xtol=1e-8))

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
    starts = [
        _best(lambda p: -model.at(*p)[0], (np.log(time), 0.0), (_LOG_TIME, _LOG_RATIO))
        for time in (0.3, 1.0, 3.0)
    ]
    best = min(starts, key=lambda one: float(one.fun))
    log_time, log_ratio = (float(value) for value in best.x)
    top, plateau, variance = model.at(log_time, log_ratio)
    earliest, latest = _limits_of_time(model, log_time, log_ratio, level)
    return Regression(
        n_tumours=model.n_groups,
        n_readings=len(heights.years),
        plateau=Interval(plateau, *_limits_of_plateau(model, log_time, log_ratio, level)),
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
    return _Likelihood(group.astype(np.int64), len(names), heights.years, heights.ratio)


def _limits_of_time(
    model: _Likelihood, log_time: float, log_ratio: float, level: float
) -> tuple[float, float]:
    top = model.at(log_time, log_ratio)[0]

    def profile(value: float) -> float:
        inner = _best(lambda p: -model.at(value, p[0])[0], (log_ratio,), (_LOG_RATIO,))
        return -float(inner.fun) - top

    fall = float(chi2.ppf(level, 1)) / 2
    return _limits(profile, log_time, fall, *_LOG_TIME, step=0.1)


def _limits_of_plateau(
    model: _Likelihood, log_time: float, log_ratio: float, level: float
) -> tuple[float, float]:
    top, plateau, _ = model.at(log_time, log_ratio)
    bounds = (_LOG_TIME, _LOG_RATIO)

    def profile(value: float) -> float:
        inner = _best(lambda p: -model.at(p[0], p[1], value)[0], (log_time, log_ratio), bounds)
        return -float(inner.fun) - top

    fall = float(chi2.ppf(level, 1)) / 2
    return _limits(profile, plateau, fall, plateau - 3, plateau + 3, step=0.02)
