"""Parametric survival from interval-censored times, beside the nonparametric estimate.

Accelerated failure time: log T = x'b + s W, where W has the extreme-value (Weibull), logistic
(log-logistic) or normal (log-normal) distribution, fitted by maximum likelihood with an analytic
gradient (Kalbfleisch and Prentice 2002, chapter 3). Coefficients and the log scale are those of R's
``survreg``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import special
from scipy.optimize import minimize

from analysis.estimators.innermost_intervals import Floats, check_intervals
from registry.errors import RefusedEstimateError

Distribution = Literal["weibull", "log-logistic", "log-normal"]
_Curve = Callable[[Floats], Floats]

FEWEST_EVENTS = 2
"""Below this a scale and a location cannot both be estimated."""


def _extreme_log_density(w: Floats) -> Floats:
    return np.asarray(w - np.exp(w))


def _logistic_log_density(w: Floats) -> Floats:
    return np.asarray(special.log_expit(w) + special.log_expit(-w))


def _normal_log_density(w: Floats) -> Floats:
    return np.asarray(-(w**2 + np.log(2 * np.pi)) / 2)


# Log density, its derivative, and survival of the standard error.
_CURVES: dict[Distribution, tuple[_Curve, _Curve, _Curve]] = {
    "weibull": (
        _extreme_log_density,
        lambda w: 1 - np.exp(w),
        lambda w: np.exp(-np.exp(w)),
    ),
    "log-logistic": (
        _logistic_log_density,
        lambda w: np.asarray(1 - 2 * special.expit(w)),
        lambda w: np.asarray(special.expit(-w)),
    ),
    "log-normal": (
        _normal_log_density,
        lambda w: -w,
        lambda w: np.asarray(special.ndtr(-w)),
    ),
}


@dataclass(frozen=True, slots=True)
class ParametricAt:
    """Parametric survival at ``time`` with pointwise limits, arrays of one shape."""

    time: Floats
    estimate: Floats
    lower: Floats
    upper: Floats


@dataclass(frozen=True, slots=True)
class IntervalParametric:
    """A parametric fit; the last of ``terms`` is ``log_scale``.

    ``covariance`` is the inverse observed information; ``is_converged`` says whether the gradient
    at the end was below 1e-6 of the log-likelihood's unit per standard error.
    """

    distribution: Distribution
    n: int
    events: int
    terms: tuple[str, ...]
    coef: Floats
    se: Floats
    covariance: Floats
    log_likelihood: float
    is_converged: bool

    def at(
        self, times: npt.ArrayLike, row: npt.ArrayLike = (), level: float = 0.95
    ) -> ParametricAt:
        """Read survival at ``times`` for covariates ``row`` (without the intercept).

        Limits are the delta method's for the standardised log time. At time 0 survival is 1.

        Examples
        --------
        >>> fit = fit_interval_parametric([0, 2, 3, 5], [2, 4, 6, float("inf")])
        >>> read = fit.at([0.0, 3.0])
        >>> float(read.estimate[0]), bool(read.lower[1] < read.estimate[1] < read.upper[1])
        (1.0, True)
        """
        when = np.atleast_1d(np.asarray(times, np.float64))
        x = np.concatenate([[1.0], np.asarray(row, np.float64)])
        if len(x) != len(self.coef) - 1 or not np.all(when >= 0):
            raise ValueError(f"need {len(self.coef) - 2} covariates and times of 0 or more")
        scale = float(np.exp(self.coef[-1]))
        with np.errstate(divide="ignore"):
            w = (np.log(when) - x @ self.coef[:-1]) / scale
        finite = np.where(np.isfinite(w), w, 0.0)
        slope = np.column_stack([np.broadcast_to(-x / scale, (len(w), len(x))), -finite])
        se = np.sqrt(np.einsum("ij,jk,ik->i", slope, self.covariance, slope))
        reach = float(special.ndtri((1 + level) / 2))
        survive = _CURVES[self.distribution][2]
        with np.errstate(over="ignore"):  # far out on the scale of log time survival is 0 or 1
            lower, upper = survive(w + reach * se), survive(w - reach * se)
            return ParametricAt(when, survive(w), lower, upper)


@dataclass(frozen=True, slots=True)
class _Data:
    log_lower: Floats
    log_upper: Floats
    design: Floats
    is_exact: npt.NDArray[np.bool_]


def fit_interval_parametric(
    lower: npt.ArrayLike,
    upper: npt.ArrayLike,
    covariates: npt.ArrayLike | None = None,
    *,
    terms: tuple[str, ...] | None = None,
    distribution: Distribution = "weibull",
) -> IntervalParametric:
    """Fit a parametric curve to interval-censored times.

    Parameters
    ----------
    lower, upper
        As in :func:`analysis.estimators.interval_censored.npmle`; an exact time must be above 0.
    covariates
        Array of shape (n, covariates) without an intercept; none gives one curve.
    terms
        Names of the covariates.
    distribution
        Distribution of the time.

    Raises
    ------
    RefusedEstimateError
        With fewer than two events, or where the search does not end at a maximum (separated
        groups).
    ValueError
        For misuse as in :func:`analysis.estimators.innermost_intervals.check_intervals`.

    Examples
    --------
    >>> fit = fit_interval_parametric([0, 2, 3, 5], [2, 4, 6, float("inf")])
    >>> fit.terms, fit.events, fit.is_converged
    (('intercept', 'log_scale'), 3, True)
    """
    low, high, _ = check_intervals(lower, upper)
    data = _arrange(low, high, covariates)
    events = int(np.isfinite(high).sum())
    if events < FEWEST_EVENTS:
        raise RefusedEstimateError(
            f"A parametric curve needs at least {FEWEST_EVENTS} events and there are {events}.",
            events=events,
        )
    start = _start(data)
    found = minimize(
        lambda theta: _objective(theta, data, distribution),
        start,
        jac=True,
        method="BFGS",
        options={"gtol": 1e-6, "maxiter": 1000},
    )
    coef, information, is_converged = _polish(found.x, data, distribution)
    if not is_converged:
        raise RefusedEstimateError(
            f"The {distribution} likelihood has no maximum in reach for these data (perhaps a "
            "covariate separates events from non-events); show the nonparametric estimate alone."
        )
    covariance = np.asarray(np.linalg.inv(information), np.float64)
    names = terms or tuple(f"x{j + 1}" for j in range(data.design.shape[1] - 1))
    if len(names) != data.design.shape[1] - 1:
        raise ValueError(f"{len(names)} names were given for {data.design.shape[1] - 1} covariates")
    return IntervalParametric(
        distribution=distribution,
        n=len(low),
        events=events,
        terms=("intercept", *names, "log_scale"),
        coef=coef,
        se=np.sqrt(np.diagonal(covariance)),
        covariance=covariance,
        log_likelihood=-_objective(coef, data, distribution)[0],
        is_converged=is_converged,
    )


def _arrange(low: Floats, high: Floats, covariates: npt.ArrayLike | None) -> _Data:
    columns = np.empty((len(low), 0)) if covariates is None else np.asarray(covariates, float)
    columns = columns.reshape(len(low), -1) if columns.size else np.empty((len(low), 0))
    if not np.all(np.isfinite(columns)):
        raise ValueError("a covariate holds a missing value")
    is_exact = low == high
    if np.any(is_exact & (low == 0)):
        raise ValueError("an exact time of 0 has no place in a parametric curve")
    with np.errstate(divide="ignore"):
        return _Data(
            np.log(low), np.log(high), np.column_stack([np.ones(len(low)), columns]), is_exact
        )


def _start(data: _Data) -> Floats:
    low, high = data.log_lower, data.log_upper
    has_low, has_high = np.isfinite(low), np.isfinite(high)
    both = has_low & has_high
    middle = np.full(low.shape, np.nan)  # of (0, ∞) nothing is known
    middle[has_high] = high[has_high] - 0.7
    middle[has_low] = low[has_low]
    middle[both] = (low[both] + high[both]) / 2
    middle = np.where(np.isnan(middle), np.nanmean(middle), middle)
    coef = np.linalg.lstsq(data.design, middle, rcond=None)[0]
    spread = max(float(np.std(middle - data.design @ coef)), 0.1)
    return np.append(coef, np.log(spread))


def _objective(theta: Floats, data: _Data, distribution: Distribution) -> tuple[float, Floats]:
    """Minus the log-likelihood and its gradient in (coefficients, log scale)."""
    log_density, log_slope, _ = _CURVES[distribution]
    scale = np.exp(theta[-1])
    centre = data.design @ theta[:-1]
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        from_w, to_w = (data.log_lower - centre) / scale, (data.log_upper - centre) / scale
        mass = _mass_between(from_w, to_w, distribution)
        at_from, at_to = (
            np.where(np.isfinite(w), np.exp(log_density(np.where(np.isfinite(w), w, 0.0))), 0.0)
            for w in (from_w, to_w)
        )
        safe_from, safe_to = (np.where(np.isfinite(w), w, 0.0) for w in (from_w, to_w))
        value = np.where(
            data.is_exact, log_density(safe_from) - theta[-1] - data.log_upper, np.log(mass)
        )
        by_centre = np.where(
            data.is_exact, -log_slope(safe_from) / scale, (at_from - at_to) / mass / scale
        )
        by_scale = np.where(
            data.is_exact,
            -log_slope(safe_from) * safe_from - 1,
            (at_from * safe_from - at_to * safe_to) / mass,
        )
    total = -float(value.sum())
    if not np.isfinite(total):
        return np.inf, np.zeros_like(theta)
    return total, -np.append(data.design.T @ by_centre, by_scale.sum())


def _mass_between(from_w: Floats, to_w: Floats, distribution: Distribution) -> Floats:
    """Probability of (from, to], from the tail on whose side both ends lie."""
    survive = _CURVES[distribution][2]
    if distribution == "weibull":
        return np.asarray(survive(from_w) * -np.expm1(np.exp(from_w) - np.exp(to_w)))
    right = survive(from_w) - survive(to_w)
    left = survive(-to_w) - survive(-from_w)
    return np.where(from_w > 0, right, left)


def _polish(theta: Floats, data: _Data, distribution: Distribution) -> tuple[Floats, Floats, bool]:
    """Newton steps with the information taken from differences of the gradient."""
    value, gradient = _objective(theta, data, distribution)
    for _ in range(20):
        information = _information(theta, data, distribution)
        if not (np.all(np.isfinite(information)) and np.linalg.eigvalsh(information)[0] > 0):
            return theta, information, False
        step = np.linalg.solve(information, gradient)
        if float(step @ gradient) < 1e-16:
            return theta, information, True
        proposed = theta - step
        new_value, new_gradient = _objective(proposed, data, distribution)
        if not new_value <= value + 1e-9 * abs(value):
            return theta, information, float(step @ gradient) < 1e-12
        theta, value, gradient = proposed, new_value, new_gradient
    return theta, information, float(step @ gradient) < 1e-12


def _information(theta: Floats, data: _Data, distribution: Distribution) -> Floats:
    columns = []
    for j in range(len(theta)):
        step = np.zeros_like(theta)
        step[j] = 1e-5 * max(1.0, abs(theta[j]))
        after = _objective(theta + step, data, distribution)[1]
        before = _objective(theta - step, data, distribution)[1]
        columns.append((after - before) / (2 * step[j]))
    information = np.column_stack(columns)
    return np.asarray((information + information.T) / 2, np.float64)
