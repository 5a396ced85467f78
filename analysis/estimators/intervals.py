"""Pointwise confidence limits for a probability read off a curve.

Two families. The *transforms* (plain, log, log–log, logit) take an estimate and its standard error
and keep the edge conventions of R's ``survfit``. The *beta product* procedure (Fay, Brittain &
Proschan 2013, Biostatistics 14:723–736) needs no standard error and gives real limits where nobody
or everybody had the event; without censoring it is Clopper–Pearson.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, betaincinv, betaln, ndtri

FloatArray = NDArray[np.float64]

TRANSFORMS = ("log-log", "log", "plain", "logit")
BETA_PRODUCTS = ("beta-product", "beta-product-mid-p")
INTERVALS = TRANSFORMS + BETA_PRODUCTS

_BLOCK = 16_384
"""Limits are made for so many rows at a time: what they need then stays in the cache."""


def check_interval(interval: str, level: float) -> None:
    """Refuse an unknown interval, or a level that is a percentage or an error rate.

    Raises
    ------
    ValueError
        Showing the value; for a level such as 95 or 0.05 with what was probably meant.
    """
    if interval not in INTERVALS:
        raise ValueError(f"the interval is one of {', '.join(INTERVALS)}, not {interval!r}")
    if 0.5 <= level < 1:
        return
    meant = level / 100 if 50 <= level < 100 else 1 - level if 0 < level < 0.5 else None
    hint = "" if meant is None else f"; did you mean {meant:g}?"
    raise ValueError(f"a confidence level is at least 0.5 and below 1, not {level!r}{hint}")


def normal_quantile(level: float) -> float:
    """Return the two-sided standard normal quantile of a level (0.95 gives 1.96)."""
    return float(ndtri(1 - (1 - level) / 2))


def transform_limits(
    estimate: FloatArray, se: FloatArray, interval: str, level: float
) -> tuple[FloatArray, FloatArray]:
    """Return limits on a transformed scale, with R's edge conventions.

    Parameters
    ----------
    estimate, se
        Shape (m,): probabilities and their standard errors.
    interval
        ``"plain"`` estimate ± z·se; ``"log"`` on log p; ``"log-log"`` on log(−log p) (Kalbfleisch &
        Prentice 1980); ``"logit"`` on log(p/(1−p)).

    Returns
    -------
    tuple
        Lower and upper limits, shape (m,). Limits of plain and log are cut off at 0 and 1. NaN:
        log–log and logit where the estimate is 0 or 1, log where it is 0, all where se is NaN.

    Examples
    --------
    >>> low, high = transform_limits(np.array([0.8571]), np.array([0.0764]), "log-log", 0.95)
    >>> round(low[0], 3), round(high[0], 3)
    (np.float64(0.62), np.float64(0.952))
    """
    if interval not in TRANSFORMS:
        raise ValueError(f"the interval is one of {', '.join(TRANSFORMS)}, not {interval!r}")
    z = normal_quantile(level)
    if interval == "plain":
        return np.maximum(estimate - z * se, 0.0), np.minimum(estimate + z * se, 1.0)
    lower, upper = np.empty(estimate.shape), np.empty(estimate.shape)
    make = {"log": _log_limits, "log-log": _log_log_limits, "logit": _logit_limits}[interval]
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        for start in range(0, estimate.size, _BLOCK):
            part = slice(start, start + _BLOCK)
            make(estimate[part], z * se[part], lower[part], upper[part])
            outside = estimate[part] <= 0
            if interval != "log":
                outside |= estimate[part] >= 1
            np.copyto(lower[part], np.nan, where=outside)
            np.copyto(upper[part], np.nan, where=outside)
    return lower, upper


def _log_limits(p: FloatArray, reach: FloatArray, lower: FloatArray, upper: FloatArray) -> None:
    reach /= p
    width = np.exp(reach, out=reach)
    np.divide(p, width, out=lower)
    np.minimum(np.multiply(p, width, out=upper), 1.0, out=upper)


def _log_log_limits(p: FloatArray, reach: FloatArray, lower: FloatArray, upper: FloatArray) -> None:
    """Write p^(1/w) and p^w with w = exp(z·se/(p·log p)) ≤ 1, since log p < 0."""
    log_p = np.log(p)
    np.multiply(p, log_p, out=upper)
    reach /= upper
    width = np.exp(reach, out=reach)
    np.exp(np.divide(log_p, width, out=lower), out=lower)
    np.exp(np.multiply(log_p, width, out=upper), out=upper)


def _logit_limits(p: FloatArray, reach: FloatArray, lower: FloatArray, upper: FloatArray) -> None:
    odds = p / (1 - p)
    width = np.exp(reach / (p * (1 - p)))
    lower[:] = odds / width / (1 + odds / width)
    upper[:] = 1 - 1 / (1 + odds * width)


@dataclass(frozen=True, slots=True, eq=False)
class BetaProduct:
    """A product of independent beta variables, kept as sums of logarithms.

    Attributes
    ----------
    log_mean
        log E[W].
    log_growth
        log(E[W²]/E[W]) ≤ 0.
    log_spread
        log(E[W²]/E[W]²) ≥ 0.
    """

    log_mean: FloatArray
    log_growth: FloatArray
    log_spread: FloatArray

    @classmethod
    def of_factors(cls, a: FloatArray, b: FloatArray) -> BetaProduct:
        """Return the single factors Beta(a, b), one each."""
        return cls(
            np.log1p(-b / (a + b)),
            np.log1p(-b / (a + b + 1)),
            np.log1p(b / (a * (a + b + 1))),
        )

    def accumulate(self) -> BetaProduct:
        """Return the running products along the factors."""
        return BetaProduct(
            np.cumsum(self.log_mean), np.cumsum(self.log_growth), np.cumsum(self.log_spread)
        )

    def take(self, place: NDArray[np.intp]) -> BetaProduct:
        """Return the products at the given places; −1 is the empty product, 1."""

        def pick(values: FloatArray) -> FloatArray:
            return np.concatenate([values, [0.0]])[place]

        return BetaProduct(pick(self.log_mean), pick(self.log_growth), pick(self.log_spread))

    def times(self, other: BetaProduct) -> BetaProduct:
        """Multiply by independent variables."""
        return BetaProduct(
            self.log_mean + other.log_mean,
            self.log_growth + other.log_growth,
            self.log_spread + other.log_spread,
        )

    def divided_by(self, other: BetaProduct) -> BetaProduct:
        """Take factors out again."""
        return BetaProduct(
            self.log_mean - other.log_mean,
            self.log_growth - other.log_growth,
            self.log_spread - other.log_spread,
        )

    def as_beta(self) -> tuple[FloatArray, FloatArray]:
        """Return the parameters of the beta variable with the same first two moments.

        Exact where the product is itself a beta variable, as it is without censoring. The empty
        product, the constant 1, has a = inf, b = 0.
        """
        with np.errstate(divide="ignore", invalid="ignore"):
            a = -np.expm1(self.log_growth) / np.expm1(self.log_spread)
            b = a * (-np.expm1(self.log_mean) / np.exp(self.log_mean))
        is_one = self.log_spread <= 0
        return np.where(is_one, np.inf, a), np.where(is_one, 0.0, b)


def beta_product_limits(
    lower_product: BetaProduct,
    upper_product: BetaProduct,
    at_risk_after: FloatArray,
    level: float,
    *,
    mid_p: bool = False,
) -> tuple[FloatArray, FloatArray]:
    """Return the beta product limits for survival (Fay, Brittain & Proschan 2013, section 3).

    Parameters
    ----------
    upper_product
        W⁺: for each event time up to t a factor Beta(Y − d + 1, d), with Y at risk and d events.
    lower_product
        W⁻: the same with one more factor Beta(Y(t+), 1) — the next person to fail fails right
        after t. Its values are not used where nobody is left.
    at_risk_after
        Y(t+), shape (m,): still at risk right after t; 0 makes the lower limit 0.
    mid_p
        Limits from the even mixture of W⁻ and W⁺ (Fay & Brittain 2016, Stat Med 35:2726–2740):
        shorter, the level is then met on average and not always.

    Returns
    -------
    tuple
        Lower and upper limits, shape (m,); the products are approximated by beta variables with
        the same two moments, which is exact without censoring.
    """
    nobody_left = at_risk_after <= 0
    a_low, b_low = lower_product.as_beta()
    low = np.where(nobody_left, 1.0, a_low), np.where(nobody_left, 1.0, b_low)
    return limits_from_betas(low, upper_product.as_beta(), nobody_left, level, mid_p=mid_p)


def limits_from_betas(
    low: tuple[FloatArray, FloatArray],
    high: tuple[FloatArray, FloatArray],
    low_is_zero: NDArray[np.bool_],
    level: float,
    *,
    mid_p: bool,
) -> tuple[FloatArray, FloatArray]:
    """Return the limits that belong to W⁻ ~ Beta(*low) (0 where flagged) and W⁺ ~ Beta(*high)."""
    tail = (1 - level) / 2
    if mid_p:
        return _mixture_limits(low, high, low_is_zero, tail)
    lower = np.where(low_is_zero, 0.0, beta_quantile(tail, *low))
    return lower, beta_quantile(1 - tail, *high)


def beta_quantile(p: float, a: FloatArray, b: FloatArray) -> FloatArray:
    """Return the p quantile of Beta(a, b); 1 where b is 0, 0 where a is 0."""
    is_proper = (a > 0) & (b > 0) & np.isfinite(a) & np.isfinite(b)
    quantile = betaincinv(np.where(is_proper, a, 1.0), np.where(is_proper, b, 1.0), p)
    return np.where(is_proper, quantile, np.where(a > b, 1.0, 0.0))


def _mixture_limits(
    low: tuple[FloatArray, FloatArray],
    high: tuple[FloatArray, FloatArray],
    low_is_zero: NDArray[np.bool_],
    tail: float,
) -> tuple[FloatArray, FloatArray]:
    """Quantiles of the even mixture of two beta variables, of which one may be 0, the other 1.

    With a constant the quantile is one of the other variable's; else it lies between those of both
    and is found by Newton's method, kept between them.
    """
    low_is_zero, high_is_one = np.broadcast_arrays(low_is_zero, ~np.isfinite(high[0]))
    rows = (~low_is_zero & ~high_is_one).nonzero()
    betas = low[0][rows], low[1][rows], high[0][rows], high[1][rows]

    def quantile(p: float) -> FloatArray:
        found = np.where(low_is_zero & high_is_one, float(p > 0.5), 0.0)
        for is_constant, other, rest in (
            (low_is_zero & ~high_is_one, high, 2 * p - 1),
            (high_is_one & ~low_is_zero, low, 2 * p),
        ):
            if is_constant.any():
                inside = min(max(rest, 0.0), 1.0)
                found[is_constant] = beta_quantile(
                    inside, other[0][is_constant], other[1][is_constant]
                )
        if betas[0].size:
            found[rows] = _quantile_of_two(p, betas)
        return found

    return quantile(tail), quantile(1 - tail)


def _quantile_of_two(
    p: float, betas: tuple[FloatArray, FloatArray, FloatArray, FloatArray]
) -> FloatArray:
    """Quantile of the even mixture of Beta(a, b) and Beta(c, d), shape (m,).

    Newton's steps are taken where they stay between what is known to be too low and too high, half
    of the way where they do not. A step below 1e-10 of the distance to 0 and 1 leaves an error of
    the order of its square, and is the last.
    """
    a, b, c, d = betas
    ends = beta_quantile(p, a, b), beta_quantile(p, c, d)
    left, right = np.minimum(*ends), np.maximum(*ends)
    x = (left + right) / 2
    found, rows = x.copy(), np.arange(x.size)
    columns = np.stack([a, b, c, d, betaln(a, b), betaln(c, d), left, right])
    for _ in range(100):
        a, b, c, d, scale_ab, scale_cd, left, right = columns
        excess = (betainc(a, b, x) + betainc(c, d, x)) / 2 - p
        np.copyto(right, x, where=excess > 0)
        np.copyto(left, x, where=excess <= 0)
        with np.errstate(all="ignore"):
            log_x, log_rest = np.log(x), np.log1p(-x)
            density = np.exp((a - 1) * log_x + (b - 1) * log_rest - scale_ab)
            density += np.exp((c - 1) * log_x + (d - 1) * log_rest - scale_cd)
            new = x - 2 * excess / density
        np.copyto(new, (left + right) / 2, where=~((new >= left) & (new <= right)))
        found[rows] = new
        going = np.abs(new - x) > 1e-10 * np.minimum(x, 1 - x) + 1e-17
        going &= right - left > 4e-16 * right
        if not going.any():
            break
        rows, x, columns = rows[going], new[going], columns[:, going]
    return found


def beta_of_moments(mean: FloatArray, second: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the parameters of the beta variable with given E[X] and E[X²].

    A mean of 0 gives (0, inf), of 1 (inf, 0).
    """
    is_proper = (mean > 0) & (mean < 1)
    inner = np.where(is_proper, mean, 0.5)
    variance = np.where(is_proper, second - mean * mean, 0.05)
    size = inner * (1 - inner) / np.maximum(variance, 1e-300) - 1
    a = np.where(is_proper, inner * size, np.where(mean <= 0, 0.0, np.inf))
    b = np.where(is_proper, (1 - inner) * size, np.where(mean <= 0, np.inf, 0.0))
    return a, b


def clopper_pearson(
    events: FloatArray, n: FloatArray, level: float
) -> tuple[FloatArray, FloatArray]:
    """Return the exact binomial limits (Clopper & Pearson 1934); ``events`` and n may be fractions.

    Fractions arise where n is an effective sample size.

    Examples
    --------
    >>> low, high = clopper_pearson(np.array([0.0]), np.array([20.0]), 0.95)
    >>> low[0], round(high[0], 4)
    (np.float64(0.0), np.float64(0.1684))
    """
    tail = (1 - level) / 2
    lower = beta_quantile(tail, events, n - events + 1)
    return lower, beta_quantile(1 - tail, events + 1, n - events)


def combine_limits(
    first: tuple[float, float, float], second: tuple[float, float, float]
) -> tuple[float, float]:
    """Return limits for the difference first − second of two independent estimates.

    Each is (estimate, lower, upper). The squared distances of the limits from the estimates are
    added (MOVER: Zou & Donner 2008, Stat Med 27:1693–1702; Newcombe 1998), so that the limits of
    the difference are as good at few events as the limits they come from; with plain limits this
    is the usual estimate ± z·√(se₁² + se₂²).

    Examples
    --------
    >>> low, high = combine_limits((0.9, 0.8, 0.96), (0.7, 0.6, 0.8))
    >>> round(low, 4), round(high, 4)
    (0.0586, 0.3166)
    """
    p1, low1, high1 = first
    p2, low2, high2 = second
    difference = p1 - p2
    below = float(np.hypot(p1 - low1, high2 - p2))
    above = float(np.hypot(high1 - p1, p2 - low2))
    return difference - below, difference + above
