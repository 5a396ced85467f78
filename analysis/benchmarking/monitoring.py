"""Results in time order: observed less expected events, and CUSUM charts with simulated limits.

Censored end points use a CUSUM in continuous time in the manner of Biswas and Kalbfleisch (2008,
Stat Med 27:3382; named from memory, so derived here). For every unit under observation the
reference gives a cumulative hazard; their sum up to calendar time t is A(t), the events up to then
N(t). The log likelihood ratio of a hazard R times as large against the reference is
log(R)·N(t) − (R − 1)·A(t); the chart is that, kept at 0 or above: it falls by (R − 1) an expected
event and jumps by log R at an event. If the reference holds, N is a Poisson process of rate 1 in A,
whatever the volume and the mix, so a limit depends on R and on the expected events between false
alarms only. Yes-or-no outcomes at a short horizon:
:mod:`analysis.benchmarking.risk_adjusted_cusum`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import numpy.typing as npt

from analysis.outcomes.end_points import DAYS_PER_YEAR
from analysis.outcomes.outcome_table import OutcomeTable

Floats = npt.NDArray[np.float64]
Hazard = Callable[[Floats], Floats]
"""Cumulative hazard at days from time zero."""

SIMULATED_RUNS = 4000


@dataclass(frozen=True, slots=True)
class TimeOrder:
    """Events and month ends in calendar order; arrays of one shape (m,).

    ``expected`` is A(t) and ``observed`` N(t), both after that day's events; ``day`` counts from
    ``first_date``. ``followed_until`` is the last day on which anyone was under observation: after
    it nothing could be seen and nothing was expected.
    """

    first_date: date
    day: npt.NDArray[np.int64]
    is_event: npt.NDArray[np.bool_]
    observed: npt.NDArray[np.int64]
    expected: Floats
    followed_until: int

    @property
    def excess(self) -> Floats:
        """Observed less expected events."""
        return self.observed - self.expected

    @property
    def calendar_years(self) -> Floats:
        """Calendar time as a decimal year."""
        start = self.first_date.year + (self.first_date.timetuple().tm_yday - 1) / DAYS_PER_YEAR
        return start + self.day / DAYS_PER_YEAR

    def expected_per_year(self, over_years: float = 3.0) -> float:
        """Expected events a year over the last years that anyone was under observation.

        The present volume. A data cut long after the last visit adds years without any follow-up;
        they are not counted, or the limit would let false alarms through more often than it says.
        """
        end = self.followed_until
        start = max(0, end - round(over_years * DAYS_PER_YEAR))
        before = float(np.interp(start, self.day, self.expected))
        return (float(self.expected[-1]) - before) * DAYS_PER_YEAR / max(end - start, 1)

    @property
    def unwatched_days(self) -> int:
        """Days from the last one under observation to the end of the chart."""
        return int(self.day[-1]) - self.followed_until


def own_hazard(table: OutcomeTable) -> Hazard:
    """Nelson and Aalen's cumulative hazard of the department itself, as the reference.

    Observed and expected then agree over all (the chart shows drift, never the level).
    """
    start = np.where(table.entry_days > 0, table.entry_days, -1)
    is_event = table.status == 1
    times, events = np.unique(table.time_days[is_event], return_counts=True)
    entered = np.searchsorted(np.sort(start), times, side="left")
    at_risk = entered - np.searchsorted(np.sort(table.time_days), times, side="left")
    hazard = np.concatenate([[0.0], np.cumsum(events / at_risk)])
    return lambda days: hazard[np.searchsorted(times, days, side="right")]


def censor_after(table: OutcomeTable, days: float) -> OutcomeTable:
    """Censor everyone at ``days``: a reference that knows no more counts neither way after it."""
    is_later = table.time_days > days
    return replace(
        table,
        time_days=np.where(is_later, math.floor(days), table.time_days),
        status=np.where(is_later, 0, table.status),
    )


def expected_of_units(
    table: OutcomeTable, hazard: Hazard, until: npt.ArrayLike | None = None
) -> Floats:
    """Expected events of each unit, shape (n,), up to ``until`` days after its time zero."""
    end = table.time_days.astype(np.float64)
    if until is not None:
        end = np.minimum(end, np.maximum(np.asarray(until, dtype=np.float64), -1.0))
    is_late = table.entry_days > 0
    before = np.where(is_late, hazard(table.entry_days.astype(np.float64)), 0.0)
    spent = np.where(end >= 0, hazard(np.maximum(end, 0.0)), 0.0) - before
    expected: Floats = np.where(is_late & (end <= table.entry_days), 0.0, spent)
    return expected


def order_in_time(table: OutcomeTable, hazard: Hazard, last_date: date) -> TimeOrder:
    """Put the events of a department in calendar order beside what was expected by then.

    Parameters
    ----------
    hazard
        The reference, as a function of days since treatment; constant where it knows no more.
    last_date
        The data cut; nothing later is drawn.

    Raises
    ------
    ValueError
        Without any unit.
    """
    if not table.n:
        raise ValueError("there is no unit to put in order")
    zero = np.asarray([one.toordinal() for one in table.zero_date], dtype=np.int64)
    first, last = int(zero.min()), last_date.toordinal()
    counted = (table.status == 1) & (table.time_days > np.where(table.entry_days > 0, 0, -1))
    event_days = np.sort((zero + table.time_days)[counted]) - first
    months = np.arange(1, max(last - first, 1), 30)
    days = np.concatenate([event_days, months, [last - first]])
    is_event = np.concatenate([np.ones(event_days.size, bool), np.zeros(months.size + 1, bool)])
    order = np.lexsort((~is_event, days))
    days, is_event = days[order], is_event[order]
    longest = int(max(table.time_days.max(), table.entry_days.max(), 0))
    known = hazard(np.arange(longest + 1, dtype=np.float64))
    distinct, place = np.unique(days, return_inverse=True)

    def expect_until(day: int) -> float:
        def look_up(since: Floats) -> Floats:
            return known[np.maximum(since, 0.0).astype(np.int64)]

        return float(expected_of_units(table, look_up, first + day - zero).sum())

    expected = np.asarray([expect_until(day) for day in distinct])[place]
    followed_until = min(int((zero + table.time_days).max()), last) - first
    return TimeOrder(
        date.fromordinal(first), days, is_event, np.cumsum(is_event), expected,
        followed_until,
    )  # fmt: skip


# --- the chart in continuous time -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Cusum:
    """The chart at each row of a :class:`TimeOrder`, and the rows at which it passed its limit.

    After an alarm the chart starts again from 0; the row of the alarm shows the value that passed.
    """

    value: Floats
    alarms: tuple[int, ...]


def continuous_cusum(
    expected: npt.ArrayLike, is_event: npt.ArrayLike, ratio: float, limit: float
) -> Cusum:
    """Run the chart for a hazard ``ratio`` times the reference.

    Parameters
    ----------
    expected, is_event
        Shape (m,): expected events so far, ascending, and whether the row is an event.

    Examples
    --------
    >>> chart = continuous_cusum([0.5, 0.6, 2.0], [True, True, False], 2.0, 5.0)
    >>> chart.value.round(4).tolist()
    [0.6931, 1.2863, 0.0]
    """
    if not ratio > 1:
        raise ValueError(f"ratio must be above 1, not {ratio!r}")
    value, last, values, alarms = 0.0, 0.0, [], []
    for row, (now, event) in enumerate(
        zip(np.asarray(expected, float), np.asarray(is_event), strict=True)
    ):
        value = max(0.0, value - (ratio - 1) * (now - last)) + (math.log(ratio) if event else 0.0)
        last = now
        values.append(value)
        if value > limit:
            alarms.append(row)
            value = 0.0
    return Cusum(np.asarray(values), tuple(alarms))


def simulate_alarm(
    limit: float,
    ratio: float,
    true_ratio: float,
    runs: int,
    rng: np.random.Generator,
    until: float = math.inf,
) -> Floats:
    """Draw the expected events until the alarm, from a chart at 0, shape (runs,).

    Parameters
    ----------
    ratio, true_ratio
        The ratio that the chart looks for, and the one that holds (1: every alarm is false).
    until
        Runs without alarm by then give infinity.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> round(float(simulate_alarm(0.1, 2.0, 1.0, 20_000, rng).mean()), 1)
    1.0
    """
    jump, slope = math.log(ratio), ratio - 1
    time, value, alarm = np.zeros(runs), np.zeros(runs), np.full(runs, math.inf)
    place = np.arange(runs)
    while place.size:
        gap = rng.exponential(1 / true_ratio, place.size)
        time, value = time + gap, np.maximum(0.0, value - slope * gap) + jump
        is_over = value > limit
        alarm[place[is_over & (time <= until)]] = time[is_over & (time <= until)]
        stays = ~is_over & (time <= until)
        place, time, value = place[stays], time[stays], value[stays]
    return alarm


@dataclass(frozen=True, slots=True)
class CusumLimit:
    """A limit with what it attains. Times are expected events, and years at the stated volume."""

    ratio: float
    limit: float
    expected_per_year: float
    wanted_years: float
    attained_years: float
    runs: int

    @property
    def is_near(self) -> bool:
        """Whether one false alarm comes within 10 % of the years wanted."""
        return abs(self.attained_years / self.wanted_years - 1) <= 0.1

    def false_alarms(self, expected: float) -> float:
        """Mean number of false alarms in a chart of so many expected events.

        Each begins the chart anew, so there is one in every ``attained_years`` at the stated
        volume, whatever the volume was over the years of the chart. A chart that is short beside
        that has a few per cent fewer, for it begins at 0 (simulated in its test).

        >>> round(CusumLimit(2.0, 1.93, 0.9, 20.0, 20.2, 4000).false_alarms(36.0), 2)
        1.98
        """
        return expected / (self.attained_years * self.expected_per_year)


def find_limit(
    expected_per_year: float,
    years: float,
    rng: np.random.Generator,
    *,
    ratio: float = 2.0,
    runs: int = SIMULATED_RUNS,
) -> CusumLimit:
    """Find the limit with one false alarm in so many years at this volume, by simulation.

    The same draws serve every limit tried. A limit below log(ratio) gives an alarm at every event,
    one just above it two events or more: between the two nothing is attainable, and the one whose
    rate of false alarms is nearer is returned with what it attains.

    Raises
    ------
    ValueError
        Unless volume and years are above 0 and ratio above 1.
    """
    if not (expected_per_year > 0 and years > 0 and ratio > 1):
        raise ValueError(f"volume, years > 0, ratio > 1: {expected_per_year}, {years}, {ratio}")
    wanted, seed = expected_per_year * years, int(rng.integers(2**63))

    def mean(limit: float) -> float:
        drawn = simulate_alarm(limit, ratio, 1.0, runs, np.random.default_rng(seed))
        return float(drawn.mean())

    jump = math.log(ratio)
    low, high = jump, jump + 1.0
    if wanted <= (at_least := mean(low)):
        each = jump / 2
        nearest = each if abs(1 - 1 / wanted) < abs(1 / at_least - 1 / wanted) else low
        attained = 1.0 if nearest == each else at_least
        return CusumLimit(
            ratio, nearest, expected_per_year, years, attained / expected_per_year, runs
        )
    while mean(high) < wanted:
        low, high = high, high + 1.0
    for _ in range(14):
        middle = (low + high) / 2
        low, high = (middle, high) if mean(middle) < wanted else (low, middle)
    limit = (low + high) / 2
    return CusumLimit(ratio, limit, expected_per_year, years, mean(limit) / expected_per_year, runs)


@dataclass(frozen=True, slots=True)
class Detection:
    """How soon a chart notices a true ratio: mean years, and the chance within a horizon."""

    true_ratio: float
    mean_years: float
    horizon_years: float
    power: float


def detect(
    limit: CusumLimit,
    true_ratio: float,
    horizon_years: float,
    rng: np.random.Generator,
    runs: int = SIMULATED_RUNS,
) -> Detection:
    """Simulate how soon the chart, at 0 when the change comes, passes its limit."""
    drawn = simulate_alarm(limit.limit, limit.ratio, true_ratio, runs, rng)
    years = drawn / limit.expected_per_year
    share = float((years <= horizon_years).mean())
    return Detection(true_ratio, float(years.mean()), horizon_years, share)
