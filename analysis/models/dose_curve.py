"""Dose–response curve of a binary outcome: D50, γ50 and their profile limits.

P(d) = F(intercept + slope · x), with x the dose or its natural logarithm and F logistic or normal.
D50 is the dose with P = 0.5; γ50 the normalised slope there, D50 · dP/dD: on the linear scale
slope · D50/4 (logit) or slope · D50/√(2π) (probit), on the log scale slope/4 or slope/√(2π).

A D50 is given only where it lies within the 1st–99th percentile of the doses given and its profile
interval is bounded: outside, it says more about F than about the patients.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import chi2, norm

from analysis.models.binomial_likelihood import BinomialFit, fit_binomial, inverse_link
from analysis.models.coefficients import FEWEST_EVENTS, check_level, require_events
from analysis.models.logistic import refuse_separated
from registry.errors import RefusedInputError

Array = NDArray[np.float64]

SCALES = ("linear", "log")
LOW_PERCENTILE, HIGH_PERCENTILE = 1.0, 99.0
#: Beyond so many standard errors (or this change of the odds) a limit counts as infinite.
FARTHEST = 60.0


@dataclass(frozen=True, slots=True)
class Quantity:
    """A figure with standard error and profile limits.

    A limit that does not exist is infinite. ``reason`` says why a quantity is not estimable, and is
    None when it is; its ``value`` and limits are then NaN.
    """

    value: float
    se: float
    lower: float
    upper: float
    reason: str | None = None

    @property
    def is_estimable(self) -> bool:
        """Whether the data support the figure."""
        return self.reason is None


@dataclass(frozen=True, slots=True)
class DoseCurve:
    """A fitted dose–response curve.

    Attributes
    ----------
    d50, gamma50
        See the module's text; D50 in the unit of dose.
    slope, intercept
        Per unit of dose, or per natural-log unit.
    deviance, log_likelihood
        The deviance is that of the rows given (grouped rows against their own proportions); the
        log-likelihood is the sum over single patients.
    n, events
        Patients and events.
    dose_low, dose_high
        1st and 99th percentile of the patients' doses.
    other_doses
        (probability, dose) for 0.90 and 0.95, same rule of estimability as D50.
    risk_difference
        Fitted risk at the third quartile of dose minus that at the first, delta-method limits.
    scale, link, level
        As asked.
    """

    d50: Quantity
    gamma50: Quantity
    slope: Quantity
    intercept: Quantity
    deviance: float
    log_likelihood: float
    n: int
    events: int
    dose_low: float
    dose_high: float
    other_doses: tuple[tuple[float, Quantity], ...]
    risk_difference: Quantity
    scale: str
    link: str
    level: float

    def risk(self, dose: Array) -> Array:
        """Fitted risk at doses of any shape."""
        x = np.log(dose) if self.scale == "log" else np.asarray(dose, dtype=float)
        eta = self.intercept.value + self.slope.value * x
        return _distribution(self.link, eta)


@dataclass(frozen=True, slots=True)
class _Rows:
    """x (dose on the curve's scale), events and patients of each row, with the fit."""

    x: Array
    events: Array
    patients: Array
    link: str
    fit: BinomialFit
    fall: float

    def log_likelihood(self, matrix: Array, offset: Array) -> float:
        """Maximised log-likelihood with something held.

        It has a maximum wherever the whole likelihood has one, which the fit has made sure of.
        """
        return fit_binomial(
            matrix,
            self.events,
            self.patients,
            link=self.link,
            offset=offset,
            may_run_away=False,
        ).log_likelihood


def dose_curve(
    dose: Array,
    events: Array,
    patients: Array | None = None,
    *,
    scale: str = "linear",
    link: str = "logit",
    level: float = 0.95,
    fewest_events: int = FEWEST_EVENTS,
) -> DoseCurve:
    """Fit a dose–response curve.

    Parameters
    ----------
    dose
        Shape (n,), any unit; above 0 on the log scale.
    events
        Shape (n,): events in each row (0 or 1 for single patients).
    patients
        Shape (n,): patients in each row; default 1.
    scale
        ``"linear"`` or ``"log"`` (natural logarithm).
    link
        ``"logit"`` or ``"probit"``.
    level
        Confidence level of the profile limits.
    fewest_events
        With fewer events, or fewer patients without, the curve is refused.

    Returns
    -------
    DoseCurve

    Raises
    ------
    RefusedEstimateError
        Too few events; the doses separate the events.
    RefusedInputError
        One dose only; more events than patients; a dose of 0 on the log scale.

    Examples
    --------
    >>> dose = np.array([60., 70., 80., 90., 100.])
    >>> curve = dose_curve(dose, np.array([2., 5., 9., 14., 18.]), np.full(5, 20.))
    >>> round(curve.d50.value, 3), round(curve.gamma50.value, 3)
    (81.147, 2.145)
    """
    dose, events = np.asarray(dose, dtype=float), np.asarray(events, dtype=float)
    patients = np.ones_like(events) if patients is None else np.asarray(patients, dtype=float)
    _check_rows(dose, events, patients, scale, link)
    check_level(level)
    require_events(int(events.sum()), model="dose–response", fewest=fewest_events)
    require_events(
        int((patients - events).sum()),
        model="dose–response", fewest=fewest_events, counted="patient without event",
    )  # fmt: skip
    x = np.log(dose) if scale == "log" else dose
    fit = fit_on(x, events, patients, link)
    rows = _Rows(x, events, patients, link, fit, float(chi2.ppf(level, 1)) / 2)
    given = np.repeat(dose, patients.astype(int))
    low, high = np.percentile(given, [LOW_PERCENTILE, HIGH_PERCENTILE])
    doses = [_dose_for(rows, p, scale, float(low), float(high)) for p in (0.5, 0.9, 0.95)]
    return DoseCurve(
        d50=doses[0],
        gamma50=_gamma50(rows, scale, doses[0]),
        slope=_coefficient(rows, 1),
        intercept=_coefficient(rows, 0),
        deviance=fit.deviance,
        log_likelihood=fit.log_likelihood,
        n=int(patients.sum()),
        events=int(events.sum()),
        dose_low=float(low),
        dose_high=float(high),
        other_doses=((0.9, doses[1]), (0.95, doses[2])),
        risk_difference=_risk_difference(rows, given, scale, level),
        scale=scale,
        link=link,
        level=level,
    )


def _check_rows(dose: Array, events: Array, patients: Array, scale: str, link: str) -> None:
    if scale not in SCALES:
        raise ValueError(f"scale must be one of {', '.join(SCALES)}, not {scale!r}")
    if dose.shape != events.shape or dose.shape != patients.shape or dose.ndim != 1:
        raise ValueError(f"dose {dose.shape}, events {events.shape}, patients {patients.shape}")
    if dose.size == 0:
        raise RefusedInputError("There is no row with a dose and an outcome, so there is no curve.")
    if not np.all(np.isfinite(dose)) or np.any(dose < 0):
        raise RefusedInputError("A dose must be a number, not negative.")
    if scale == "log" and np.any(dose == 0):
        raise RefusedInputError("A dose of 0 has no logarithm. Use the linear scale.")
    whole = np.all(events == np.round(events)) and np.all(patients == np.round(patients))
    if not whole or np.any(events < 0) or np.any(patients < 1) or np.any(events > patients):
        bad = int(np.argmax((events < 0) | (patients < 1) | (events > patients)))
        raise RefusedInputError(
            f"Events must be whole numbers between 0 and the patients of the row; row {bad + 1} has"
            f" {events[bad]:g} events in {patients[bad]:g}.",
            row=bad + 1,
        )
    if np.ptp(dose) == 0:
        raise RefusedInputError(f"Every row has the dose {dose[0]:g}; a curve needs several.")


def fit_on(x: Array, events: Array, patients: Array, link: str) -> BinomialFit:
    """Fit intercept and slope on x, standardised for the arithmetic; refuse separation."""
    centre, width = float(x.mean()), float(x.std())
    columns = np.column_stack([np.ones(len(x)), (x - centre) / width])
    fit = fit_binomial(columns, events, patients, link=link)
    refuse_separated(columns, events, patients, fit, ("dose",))
    back = np.array([[1.0, -centre / width], [0.0, 1.0 / width]])
    return BinomialFit(
        back @ fit.coef, back @ fit.covariance @ back.T, fit.risk,
        fit.log_likelihood, fit.deviance, fit.ended,
    )  # fmt: skip


def _distribution(link: str, eta: Array) -> Array:
    return inverse_link(link, eta)


def _density_at_half(link: str) -> float:
    return 0.25 if link == "logit" else float(norm.pdf(0.0))


def _quantile(link: str, probability: float) -> float:
    if link == "logit":
        return float(np.log(probability / (1 - probability)))
    return float(norm.ppf(probability))


def _coefficient(rows: _Rows, position: int) -> Quantity:
    """Intercept or slope with profile limits: the other is refitted at each value."""
    value, se = (
        float(rows.fit.coef[position]),
        float(np.sqrt(rows.fit.covariance[position, position])),
    )
    columns = np.column_stack([np.ones(len(rows.x)), rows.x])
    # Scaled, so that the inner fit starts well whatever the unit of dose.
    other = columns[:, [1 - position]] / np.max(np.abs(columns[:, 1 - position]))

    def fall(held: float) -> float:
        at = rows.log_likelihood(other, held * columns[:, position])
        return rows.fit.log_likelihood - at

    return Quantity(value, se, *profile_limits(fall, value, se, rows.fall))


def profile_limits(
    fall: Callable[[float], float], value: float, se: float, allowed: float
) -> tuple[float, float]:
    """Where a fall of the log-likelihood reaches ``allowed`` below and above ``value``."""
    limits = []
    for side in (-1.0, 1.0):
        inner, step, limit = value, side * se * np.sqrt(2 * allowed), side * np.inf
        while abs(inner + step - value) < FARTHEST * se:
            outer = inner + step
            if fall(outer) >= allowed:
                low, high = sorted((inner, outer))
                limit = float(
                    brentq(lambda v: fall(v) - allowed, low, high, xtol=1e-11 * se, rtol=1e-14)
                )
                break
            inner, step = outer, 1.5 * step
        limits.append(limit)
    return limits[0], limits[1]


def _dose_for(rows: _Rows, probability: float, scale: str, low: float, high: float) -> Quantity:
    """Dose with a given risk: profile limits from P = F(q + slope · (x − x_p))."""
    intercept, slope = (float(c) for c in rows.fit.coef)
    target = _quantile(rows.link, probability)
    if slope == 0:
        return _not_estimable("the fitted curve is flat")
    at = (target - intercept) / slope
    gradient = np.array([-1.0 / slope, -at / slope])
    se = float(np.sqrt(gradient @ rows.fit.covariance @ gradient))
    with np.errstate(over="ignore"):
        dose = float(np.exp(at)) if scale == "log" else at
    if not low <= dose <= high:
        return _not_estimable(
            f"the fitted curve reaches {100 * probability:.0f} % at {dose:.4g}, outside the doses"
            f" given (1st to 99th percentile {low:.4g} to {high:.4g})"
        )
    width = float(rows.x.std())

    def fall(held: float) -> float:
        column = ((rows.x - held) / width)[:, None]
        at_held = rows.log_likelihood(column, np.full(len(rows.x), target))
        return rows.fit.log_likelihood - at_held

    lower, upper = profile_limits(fall, at, se, rows.fall)
    if not (np.isfinite(lower) and np.isfinite(upper)):
        return _not_estimable(
            f"the interval of the dose for {100 * probability:.0f} % is unbounded"
        )
    if scale == "log":
        return Quantity(dose, dose * se, float(np.exp(lower)), float(np.exp(upper)))
    return Quantity(at, se, lower, upper)


def _not_estimable(reason: str) -> Quantity:
    return Quantity(np.nan, np.nan, np.nan, np.nan, reason)


def _gamma50(rows: _Rows, scale: str, d50: Quantity) -> Quantity:
    """On the log scale the slope, on the linear one −intercept, times the density at one half."""
    density = _density_at_half(rows.link)
    if not d50.is_estimable:
        return _not_estimable(f"D50 is not estimable: {d50.reason}")
    if scale == "log":
        slope = _coefficient(rows, 1)
        return Quantity(
            density * slope.value, density * slope.se, density * slope.lower, density * slope.upper
        )
    held = _coefficient(rows, 0)
    return Quantity(
        -density * held.value, density * held.se, -density * held.upper, -density * held.lower
    )


def _risk_difference(rows: _Rows, given: Array, scale: str, level: float) -> Quantity:
    quartiles = np.percentile(given, [25, 75])
    x = np.log(quartiles) if scale == "log" else quartiles
    design = np.column_stack([np.ones(2), x])
    eta = design @ rows.fit.coef
    risk = _distribution(rows.link, eta)
    slope = risk * (1 - risk) if rows.link == "logit" else norm.pdf(eta)
    gradient = slope[1] * design[1] - slope[0] * design[0]
    se = float(np.sqrt(gradient @ rows.fit.covariance @ gradient))
    value, reach = float(risk[1] - risk[0]), float(norm.isf((1 - level) / 2)) * se
    return Quantity(value, se, value - reach, value + reach)
