"""Infinitesimal jackknife variances of Kaplan–Meier and Aalen–Johansen estimates.

Each person's influence is the derivative of the estimate with respect to that person's weight; the
variance is the sum of the squared weighted influences. After a person has left, the influence moves
linearly with the curve, and while at risk it is a linear form in the person's entry, so the sums
over people follow from cumulative sums of a few moments: O(n log n), no n × m matrix.
"""

from __future__ import annotations

import numpy as np

from analysis.estimators.observations import FloatArray, IntArray, RightCensored


def _rows_at_risk(observed: RightCensored, time: FloatArray) -> tuple[IntArray, IntArray, IntArray]:
    """First row at risk, first row at which the person has left, and rows up to the exit."""
    left = np.searchsorted(time, observed.time, side="left")
    up_to_exit = np.searchsorted(time, observed.time, side="right")
    if observed.entry is None:
        return np.zeros_like(left), left, up_to_exit
    return np.searchsorted(time, observed.entry, side="right"), left, up_to_exit


def _weights(observed: RightCensored) -> FloatArray:
    return np.ones(observed.n) if observed.weight is None else observed.weight


def _sum_from(row: IntArray, values: FloatArray, rows: int) -> FloatArray:
    """Sum of values of the people whose row is at or before each row."""
    return np.cumsum(np.bincount(row, values, minlength=rows + 1)[:rows])


def _sum_between(start: IntArray, end: IntArray, values: FloatArray, rows: int) -> FloatArray:
    """Sum of values of the people with start ≤ row < end."""
    change = np.bincount(start, values, minlength=rows + 1)
    change = change - np.bincount(np.maximum(end, start), values, minlength=rows + 1)
    return np.cumsum(change[:rows])


def survival_variance(
    observed: RightCensored, time: FloatArray, at_risk: FloatArray, events: FloatArray
) -> FloatArray:
    """Return the variance of log S at the event times of code 1.

    Parameters
    ----------
    observed
        Observations, weighted or not.
    time, at_risk, events
        Shape (m,): event times with weighted numbers at risk and weighted events.

    Returns
    -------
    ndarray
        Shape (m,). Without weights and delayed entry it equals Greenwood's sum. Rows where
        everyone at risk fails add nothing.
    """
    start, left, up_to_exit = _rows_at_risk(observed, time)
    weight, rows = _weights(observed), time.size
    survivors = at_risk - events
    is_left = survivors > 1e-12 * at_risk
    inverse = np.where(is_left, 1 / np.where(is_left, survivors, 1.0), 0.0)
    cumulative = np.concatenate([[0.0], np.cumsum(events / at_risk * inverse)])
    before = cumulative[start]
    own = np.zeros(observed.n)
    is_event = observed.status == 1
    own[is_event] = inverse[left[is_event]]
    settled = own - (cumulative[up_to_exit] - before)
    moments = [_sum_between(start, left, weight**2 * before**power, rows) for power in range(3)]
    level = cumulative[1:]
    at_work = moments[0] * level**2 - 2 * moments[1] * level + moments[2]
    variance: FloatArray = np.maximum(at_work, 0.0)
    return variance + _sum_from(left, (weight * settled) ** 2, rows)


def incidence_variance(
    observed: RightCensored,
    cause: int,
    time: FloatArray,
    at_risk: FloatArray,
    events: FloatArray,
    cause_events: FloatArray,
) -> FloatArray:
    """Return the variance of the cumulative incidence of a cause at the times of any event.

    Parameters
    ----------
    observed
        Observations, weighted or not.
    time, at_risk, events, cause_events
        Shape (m,): times of any event with weighted numbers at risk, events of any cause and
        events of this cause.

    Returns
    -------
    ndarray
        Shape (m,). Without weights and delayed entry it equals the delta-method variance; with
        delayed entry it is that of R's ``survfit`` with one row a person.
    """
    start, left, up_to_exit = _rows_at_risk(observed, time)
    survivors = at_risk - events
    is_left = survivors > 1e-12 * at_risk
    inverse = np.where(is_left, 1 / np.where(is_left, survivors, 1.0), 0.0)
    survival_before = np.concatenate([[1.0], np.cumprod(survivors / at_risk)[:-1]])
    step = survival_before * cause_events / at_risk
    hazard = np.concatenate([[0.0], np.cumsum(events / at_risk * inverse)])
    incidence = np.concatenate([[0.0], np.cumsum(step)])
    paid = np.concatenate([[0.0], np.cumsum(step * (hazard[:-1] - 1 / at_risk))])

    # while at risk, at row j: paid_j − hazard_start·incidence_j + constant
    slope = -hazard[start]
    constant = -paid[start] + hazard[start] * incidence[start]
    at_exit = paid[up_to_exit] + slope * incidence[up_to_exit] + constant
    own_hazard, own_step = np.zeros(observed.n), np.zeros(observed.n)
    had_any, had_cause = observed.status > 0, observed.status == cause
    own_hazard[had_any] = inverse[left[had_any]]
    own_step[had_cause] = (survival_before / at_risk)[left[had_cause]]
    # after the exit, at row j: settled + drift·incidence_j
    drift = hazard[up_to_exit] - hazard[start] - own_hazard
    settled = at_exit + own_step - drift * incidence[up_to_exit]
    squared = _weights(observed) ** 2
    still = _squares_at_risk((start, left), squared, (slope, constant), paid[1:], incidence[1:])
    gone = _squares_after_exit(left, squared, (settled, drift), incidence[1:])
    # what is left of the sums by rounding alone is 0
    total = still[0] + gone[0]
    return np.where(total > 1e-13 * (still[1] + gone[1]), total, 0.0)


def _squares_at_risk(
    span: tuple[IntArray, IntArray],
    squared: FloatArray,
    form: tuple[FloatArray, FloatArray],
    paid: FloatArray,
    incidence: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Sum of squared influences of those at risk at each row, and the size of its terms."""

    def total(values: FloatArray | float) -> FloatArray:
        return _sum_between(*span, squared * values, paid.size)

    slope, constant = form
    scale = total(constant**2)
    squares = total(1.0) * paid**2 + total(slope**2) * incidence**2 + scale
    squares += 2 * (total(slope) * incidence + total(constant)) * paid
    return squares + 2 * total(slope * constant) * incidence, scale


def _squares_after_exit(
    left: IntArray,
    squared: FloatArray,
    form: tuple[FloatArray, FloatArray],
    incidence: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Sum of squared influences of those gone at each row, and the size of its terms."""
    settled, drift = form
    scale = _sum_from(left, squared * settled**2, incidence.size)
    squares = scale + incidence**2 * _sum_from(left, squared * drift**2, incidence.size)
    crossed = _sum_from(left, squared * settled * drift, incidence.size)
    return squares + 2 * incidence * crossed, scale
