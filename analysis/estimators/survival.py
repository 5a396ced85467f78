"""Kaplan–Meier and what is read off it: values, quantiles, restricted means, follow-up.

Curves stop at the last follow-up of the group: beyond it nothing is reported.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from analysis.estimators.counting import (
    RiskCounter,
    count_at_times,
    count_events,
    count_risk,
    refuse_empty_risk_set,
    tabulate_events,
)
from analysis.estimators.curves import (
    AtTimes,
    Quantile,
    RestrictedMean,
    StepCurve,
    StepCurveWithLateLimits,
    check_times,
    crossing_time,
)
from analysis.estimators.intervals import (
    BETA_PRODUCTS,
    check_interval,
    normal_quantile,
    transform_limits,
)
from analysis.estimators.observations import FloatArray, RightCensored, as_groups
from analysis.estimators.product_limit import (
    Factors,
    beta_products,
    limits_from_products,
    put_first,
)
from analysis.estimators.robust_variance import survival_variance
from registry.errors import RefusedEstimateError

__all__ = [
    "AtTimes",
    "KaplanMeier",
    "Quantile",
    "RestrictedMean",
    "StepCurve",
    "kaplan_meier",
    "kaplan_meier_by",
    "reverse_kaplan_meier",
]


@dataclass(frozen=True, slots=True, eq=False)
class KaplanMeier:
    """A Kaplan–Meier curve with pointwise limits.

    Attributes
    ----------
    n, events
        People and events of code 1 (frequencies counted).
    person_time
        Time under observation, in the unit of the times.
    interval, level
        How the limits were made.
    last_time
        End of the last follow-up; beyond it every value is NaN.
    curve
        Row 0 at time 0 with estimate 1, then one row an event time.
    effective_n
        (Σw)²/Σw² with probability weights, else None or the number of people.
    """

    n: int
    events: int
    person_time: float
    interval: str
    level: float
    last_time: float
    curve: StepCurve
    effective_n: float | None
    _people: RiskCounter = field(repr=False)
    _factors: Factors = field(repr=False)
    _relative_variance: FloatArray | None = field(repr=False)
    """Variance of S / S² at the event times when it is robust, else None (Greenwood)."""

    def at(self, times: Any) -> AtTimes:
        """Read survival at fixed times, shape (m,).

        At an event time the events of that time count. Beyond the last follow-up at_risk is 0 and
        everything else NaN. Beta product limits are those of the very time.
        """
        asked = check_times(times)
        wanted = self._people.snap(asked)
        row = np.searchsorted(self.curve.time, wanted, side="right") - 1
        beyond = wanted > self.last_time
        if self.interval in BETA_PRODUCTS:
            lower, upper = self._beta_limits(wanted, row - 1)
        else:
            lower, upper = self.curve.lower[row], self.curve.upper[row]

        def known(values: FloatArray) -> FloatArray:
            return np.where(beyond, np.nan, values)

        return AtTimes(
            asked,
            np.where(beyond, 0, self._people.shown(wanted)).astype(np.int64),
            known(self.curve.estimate[row]),
            known(self.curve.se[row]),
            known(lower),
            known(upper),
        )

    def _beta_limits(
        self, times: FloatArray, last_event: Any, first_event: int = 0
    ) -> tuple[FloatArray, FloatArray]:
        factors = self._factors
        products = beta_products(factors.at_risk[first_event:], factors.events[first_event:]).take(
            np.maximum(last_event - first_event, -1)
        )
        after = self._people.just_after(times)
        return limits_from_products(products, after, self.interval, self.level)

    def median(self) -> Quantile:
        """Return the median; see :meth:`quantile`."""
        return self.quantile(0.5)

    def quantile(self, p: float) -> Quantile:
        """Return the time by which a fraction p had the event, with limits.

        The limits are where the pointwise limits of the curve cross 1 − p (Brookmeyer & Crowley
        1982, Biometrics 38:29–41), in the interval of the curve. Where the curve (or a limit) runs
        exactly at 1 − p the midpoint of that step is taken. NaN where it is not reached. With
        delayed entry, and in the last rows of log and logit limits, a limit may fall and rise
        again: its first crossing counts.

        Raises
        ------
        ValueError
            When p is not between 0 and 1.
        """
        if not 0 < p < 1:
            raise ValueError(f"a fraction lies between 0 and 1, not {p!r}")
        time = np.append(self.curve.time, self.last_time)
        value = crossing_time(time, 1 - _with_last(self.curve.estimate), p)
        lower_curve, upper_curve = _with_last(self.curve.lower), _with_last(self.curve.upper)
        if self.interval in BETA_PRODUCTS:
            time = count_at_times(np.append(self._people.exits, 0.0))[0]
            band = self.at(time)
            lower_curve, upper_curve = band.lower, band.upper
        return Quantile(
            value, crossing_time(time, 1 - lower_curve, p), crossing_time(time, 1 - upper_curve, p)
        )

    def restricted_mean(self, until: float) -> RestrictedMean:
        """Return the mean time free of the event up to ``until``: the area under the curve.

        Its variance is Σ A(t)²·d/(Y(Y − d)) over the event times, A(t) the area from t to
        ``until`` (Klein & Moeschberger 2003, section 4.5; R's ``se(rmean)``).

        Raises
        ------
        RefusedEstimateError
            When ``until`` lies beyond the last follow-up of the group, or with probability
            weights, for which no standard error is offered.
        """
        if not np.isfinite(until) or until <= 0:
            raise ValueError(f"the end of a restricted mean is a finite time > 0, not {until!r}")
        until = float(self._people.snap(np.array([until]))[0])
        if until > self.last_time:
            raise RefusedEstimateError(
                f"A restricted mean up to {until:g} is asked for, but the last follow-up of the "
                f"group ends at {self.last_time:g}. Choose an earlier end.",
                until=until,
                last_time=self.last_time,
            )
        if self._relative_variance is not None:
            raise RefusedEstimateError(
                "No standard error of a restricted mean is offered with probability weights."
            )
        within = self.curve.time < until
        time = np.append(self.curve.time[within], until)
        pieces = np.diff(time) * self.curve.estimate[within]
        area_from = np.cumsum(pieces[::-1])[::-1]  # from each row to the end
        terms = self._factors.greenwood_terms()[: area_from.size - 1]
        share = area_from[1:] / until  # of a size whose square can be written
        se = until * float(np.sqrt((share**2 * terms).sum()))
        value, reach = float(area_from[0]), normal_quantile(self.level) * se
        return RestrictedMean(
            float(until), value, se, max(value - reach, 0.0), min(value + reach, float(until))
        )

    def conditional(self, times: Any, given: float) -> AtTimes:
        """Return S(t | free of the event at ``given``) = S(t)/S(given) with limits.

        Only factors after ``given`` enter, so the limits are those of the curve that starts there.
        NaN before ``given`` and beyond the last follow-up.

        Raises
        ------
        RefusedEstimateError
            When ``given`` lies beyond the last follow-up or nobody is free of the event then, or
            with probability weights, for which no standard error is offered.
        """
        asked = check_times(times)
        wanted = self._people.snap(asked)
        start = float(self._people.snap(check_times(given))[0])
        first = int(np.searchsorted(self._factors.time, start, side="right"))
        survival = self._factors.survival()
        if start > self.last_time or survival[first] <= 0:
            raise RefusedEstimateError(
                f"Nobody is known to be free of the event at {start:g}; follow-up ends at "
                f"{self.last_time:g}.",
                given=start,
            )
        if self._relative_variance is not None:
            raise RefusedEstimateError(
                "Conditional survival has no standard error with probability weights."
            )
        row = np.maximum(np.searchsorted(self._factors.time, wanted, side="right"), first)
        estimate = survival[row] / survival[first]
        variance = self._factors.greenwood()
        se = np.where(estimate > 0, estimate * np.sqrt(variance[row] - variance[first]), np.nan)
        if self.interval in BETA_PRODUCTS:
            lower, upper = self._beta_limits(wanted, row - 1, first)
        else:
            lower, upper = transform_limits(estimate, se, self.interval, self.level)
        unknown = (wanted < start) | (wanted > self.last_time)
        at_risk = np.where(unknown, 0, self._people.shown(wanted)).astype(np.int64)
        columns = [np.where(unknown, np.nan, column) for column in (estimate, se, lower, upper)]
        return AtTimes(asked, at_risk, *columns)


def _with_last(values: FloatArray) -> FloatArray:
    return np.append(values, values[-1])


def kaplan_meier(
    observed: RightCensored, *, interval: str = "log-log", level: float = 0.95
) -> KaplanMeier:
    """Estimate survival free of event 1 (Kaplan & Meier 1958, JASA 53:457–481).

    Other codes censor: with competing events 1 − S is no probability of the event (see
    :func:`analysis.estimators.competing_risks.aalen_johansen`). At one time events come before
    censorings.

    Parameters
    ----------
    observed
        Observations; delayed entry means at risk when entry < t ≤ time.
    interval
        ``"log-log"``, ``"log"``, ``"plain"``, ``"logit"`` with Greenwood's (1926) standard error,
        or ``"beta-product"``, ``"beta-product-mid-p"`` (Fay, Brittain & Proschan 2013), which give
        real limits at zero events. With delayed entry the beta product is used by analogy: its
        paper treats right censoring only.
    level
        Confidence level, at least 0.5 and below 1.

    Returns
    -------
    KaplanMeier
        Where the estimate is 0 the standard error does not exist (NaN), nor do the limits of the
        transforms; where it is 1 (no event yet) log–log and logit limits are NaN and those of
        plain and log are 1, a false certainty that the beta product does not have.

    Raises
    ------
    RefusedEstimateError
        With delayed entry, when the risk set is empty for a while after an event; with probability
        weights for the beta product.
    ValueError
        For an unknown interval or level.

    Notes
    -----
    Frequencies count as people. With probability weights the standard error is the infinitesimal
    jackknife's (sandwich), and ``at_risk``, ``events``, ``censored`` stay people.

    Examples
    --------
    >>> km = kaplan_meier(RightCensored.of([1, 2, 2, 3], [1, 1, 0, 0]))
    >>> km.curve.estimate.tolist()
    [1.0, 0.75, 0.5]
    >>> kaplan_meier(RightCensored.of([5] * 20, [0] * 20), interval="beta-product").at(4).lower
    array([0.8315...])
    """
    check_interval(interval, level)
    counter = count_risk(observed)
    table = tabulate_events(observed, (1,), counter)
    time, events = table.time, table.events
    factors = Factors.of(observed, time, table.at_risk, events)
    refuse_empty_risk_set(time, factors.at_risk, factors.events, counter)
    people, rows = counter, (factors.at_risk, events)
    relative = None
    if observed.weight_kind == "probability":
        people = count_risk(observed, weighted=False)
        seen = tabulate_events(observed, (1,), people, weighted=False)
        rows = (seen.at_risk, seen.events)
        relative = survival_variance(observed, time, factors.at_risk, factors.events)
    return _assemble(observed, interval, level, factors, relative, people, rows)


def reverse_kaplan_meier(
    observed: RightCensored, *, interval: str = "log-log", level: float = 0.95
) -> KaplanMeier:
    """Estimate the distribution of follow-up had nobody had an event.

    Its median is the median follow-up (Schemper & Smith 1996, Control Clin Trials 17:343–346). The
    roles of censoring (code 0) and of any event are exchanged with their order kept: at one time
    events come first and those who had one are no longer at risk of being censored, which
    flipping the indicator gets wrong at ties. In the rows of its curve ``events`` are censorings,
    ``at_risk`` leaves out those with an event at that time, and ``censored`` are the events after
    this time up to the next row's, that one included (in row 0 those at time 0 too).

    Raises
    ------
    RefusedEstimateError
        As for :func:`kaplan_meier`.
    """
    check_interval(interval, level)
    is_censored = observed.status == 0
    time, censored = count_events(observed, is_censored)
    counter = count_risk(observed)
    event_time, events = count_events(observed, ~is_censored)
    tied = _counts_at(time, event_time, events)
    factors = Factors.of(observed, time, counter.just_before(time) - tied, censored)
    refuse_empty_risk_set(time, factors.at_risk, censored, counter)
    people, rows = counter, (factors.at_risk, censored)
    relative = None
    if observed.weight_kind == "probability":
        people = count_risk(observed, weighted=False)
        people_events = count_events(observed, ~is_censored, weighted=False)[1]
        people_tied = _counts_at(time, event_time, people_events)
        people_censored = count_events(observed, is_censored, weighted=False)[1]
        rows = (people.just_before(time) - people_tied, people_censored)
        swapped = _events_leave_first(observed)
        relative = survival_variance(swapped, time, factors.at_risk, factors.events)
    return _assemble(observed, interval, level, factors, relative, people, rows)


def _events_leave_first(observed: RightCensored) -> RightCensored:
    """Exchange censoring and event, with those who had an event gone just before their time."""
    is_event = observed.status != 0
    time = np.where(is_event, np.nextafter(observed.time, -np.inf), observed.time)
    return RightCensored(
        time, (~is_event).astype(np.int64), observed.entry, observed.weight, observed.weight_kind
    )


def _counts_at(time: FloatArray, event_time: FloatArray, events: FloatArray) -> FloatArray:
    """Look up counts at given times, 0 where there is none."""
    if event_time.size == 0:
        return np.zeros(time.shape)
    place = np.minimum(np.searchsorted(event_time, time), event_time.size - 1)
    return np.where(event_time[place] == time, events[place], 0.0)


def _assemble(
    observed: RightCensored,
    interval: str,
    level: float,
    factors: Factors,
    relative: FloatArray | None,
    people: RiskCounter,
    rows: tuple[FloatArray, FloatArray],
) -> KaplanMeier:
    if relative is not None and interval in BETA_PRODUCTS:
        raise RefusedEstimateError(
            "The beta product interval is not defined for probability weights; choose log-log, "
            "log, plain or logit (robust standard errors).",
            interval=interval,
        )
    survival = factors.survival()
    variance = factors.greenwood() if relative is None else put_first(0.0, relative)
    se: FloatArray = np.sqrt(variance, out=variance)
    se *= survival
    np.copyto(se, np.nan, where=survival <= 0)
    time = put_first(0.0, factors.time)
    at_risk, events = put_first(people.at_zero(), rows[0]), put_first(0.0, rows[1])
    left = people.left_between(time, at_risk, rows[1])
    columns = (time, at_risk.astype(np.int64), events.astype(np.int64), left, survival, se)
    if interval in BETA_PRODUCTS:

        def draw_limits() -> tuple[FloatArray, FloatArray]:
            products = beta_products(factors.at_risk, factors.events)
            products = products.take(np.arange(-1, factors.time.size))
            return limits_from_products(products, people.just_after(time), interval, level)

        curve: StepCurve = StepCurveWithLateLimits(*columns, draw_limits)
    else:
        curve = StepCurve(*columns, *transform_limits(survival, se, interval, level))
    return KaplanMeier(
        n=observed.people,
        events=int(np.add.reduce(rows[1])),
        person_time=observed.person_time,
        interval=interval,
        level=level,
        last_time=float(people.exits[-1]),
        curve=curve,
        effective_n=observed.effective_n,
        _people=people,
        _factors=factors,
        _relative_variance=relative,
    )


def kaplan_meier_by(
    observed: RightCensored,
    groups: Sequence[object],
    *,
    interval: str = "log-log",
    level: float = 0.95,
) -> dict[str, KaplanMeier]:
    """Estimate one curve a group, keyed by the group's name in sorted order.

    Examples
    --------
    >>> by = kaplan_meier_by(RightCensored.of([1, 2, 3, 4], [1, 1, 1, 0]), ["b", "a", "b", "a"])
    >>> {name: km.events for name, km in by.items()}
    {'a': 1, 'b': 2}
    """
    names, of_row = as_groups(groups, observed.n)
    return {
        name: kaplan_meier(observed.select(of_row == number), interval=interval, level=level)
        for number, name in enumerate(names)
    }
