"""Profile limits of Firth models after multiple imputation.

Rubin's rules suppose that each coefficient is about normal, which is just what a Firth model with
few events is not. Here the profile of each completed table is read as a distribution of the
coefficient, F_k(β) = Φ(signed root of twice the fall of its penalised log-likelihood), and the
limits are the quantiles of their mean (Heinze, Ploner & Beyea 2013, Stat Med 32:5062–5076; from
memory, checked against its definition). With nothing imputed they are the ordinary profile limits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr
from scipy.stats import chi2

from analysis.models.coefficients import check_level
from analysis.models.firth import FirthFit
from analysis.models.profile_likelihood import ProfileCurve

Array = NDArray[np.float64]

POOLED_PROFILE = "pooled profile penalised likelihoods"


@dataclass(frozen=True, slots=True)
class PooledProfiles:
    """Limits and two-sided p of every coefficient, each of shape (p,).

    A limit is infinite where that of some completed table is.
    """

    lower: Array
    upper: Array
    p: Array
    level: float


def pool_profiles(
    fits: Sequence[FirthFit], *, level: float = 0.95, positions: Sequence[int] | None = None
) -> PooledProfiles:
    """Pool the profiles of the completed tables.

    Parameters
    ----------
    fits
        The same model fitted to each completed table, at least two, with limits at ``level``.
    level
        Confidence level.
    positions
        The coefficients to pool (default: all); the others are NaN.

    Returns
    -------
    PooledProfiles
        On the scale of the coefficients; p is twice the smaller tail of the mean distribution at 0.

    Raises
    ------
    ValueError
        Fewer than two fits, or limits at another level.

    Examples
    --------
    >>> from analysis.models.firth import firth_logistic
    >>> x = np.arange(12.0)[:, None]
    >>> fit = firth_logistic(x, x[:, 0] > 5.5, terms=["x"])
    >>> pooled = pool_profiles([fit, fit])
    >>> bool(np.allclose(pooled.upper, fit.coefficients.upper))
    True
    """
    check_level(level)
    levels = {fit.coefficients.level for fit in fits}
    if len(fits) < 2 or levels != {level}:
        raise ValueError(f"two or more fits with limits at {level:g}, not {len(fits)} at {levels}")
    tail = (1 - level) / 2
    size = len(fits[0].coefficients.terms)
    lower, upper, p = (np.full(size, np.nan) for _ in range(3))
    for j in range(size) if positions is None else positions:
        share = _MeanDistribution(fits, j, level)
        lower[j] = share.quantile(tail, [float(fit.coefficients.lower[j]) for fit in fits])
        upper[j] = share.quantile(1 - tail, [float(fit.coefficients.upper[j]) for fit in fits])
        at_zero = share(0.0)
        p[j] = min(1.0, 2 * min(at_zero, 1 - at_zero))
    return PooledProfiles(lower, upper, p, level)


class _MeanDistribution:
    """Mean over the completed tables of the distributions that their profiles stand for."""

    def __init__(self, fits: Sequence[FirthFit], position: int, level: float) -> None:
        allowed = float(chi2.ppf(level, 1))
        axes = [fit.axes[position] for fit in fits]
        self.curves = [ProfileCurve(one.evaluate, one.top, one.position, allowed) for one in axes]
        #: Coefficients were standardised for the arithmetic, with another scale in each table.
        self.scales = [1.0 / one.unit for one in axes]

    def __call__(self, value: float) -> float:
        roots = [
            curve.signed_root(value * scale)
            for curve, scale in zip(self.curves, self.scales, strict=True)
        ]
        return float(np.mean(ndtr(roots)))

    def quantile(self, share: float, limits: Sequence[float]) -> float:
        """Value with ``share`` below; it lies between the limits of the single tables."""
        low, high = min(limits), max(limits)
        if not np.isfinite([low, high]).all():
            return low if share < 0.5 else high
        reach = 1e-6 * max(abs(low), abs(high), 1e-12)
        return float(
            brentq(lambda value: self(value) - share, low - reach, high + reach, rtol=1e-12)
        )
