"""How many events a published curve would have expected over the follow-up that was observed.

A published curve is known at a few times only. Between two of them its hazard is taken as constant;
before the first of them, where it rises or falls early, as a power of time: cumulative hazard
H(t1)(t/t1)^k. Spreading a first figure evenly (k = 1) can make the expected number far too small
for short follow-up, so the shapes of ``EARLY_SHAPES`` stand side by side and a verdict needs all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special
from scipy.optimize import brentq

from analysis.counts.exact_counts import Limits, poisson_limits

Floats = npt.NDArray[np.float64]

EARLY_SHAPES = (0.5, 1.0, 1.5)
"""Powers of time before the first published figure: early, even and late events (our choice)."""

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(80)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


@dataclass(frozen=True, slots=True)
class ReferenceHazard:
    """Cumulative hazard of a reference at ascending times (any one unit), shape (times,)."""

    time: tuple[float, ...]
    cumulative: tuple[float, ...]

    def __post_init__(self) -> None:
        time, hazard = np.asarray(self.time), np.asarray(self.cumulative)
        if time.shape != hazard.shape or time.size == 0:
            raise ValueError(f"{time.size} times need as many cumulative hazards: {hazard.size}")
        if time[0] <= 0 or np.any(np.diff(time) <= 0):
            raise ValueError(f"times must ascend from above 0: {self.time!r}")
        if hazard[0] < 0 or np.any(np.diff(hazard) < 0) or not np.all(np.isfinite(hazard)):
            raise ValueError(f"a cumulative hazard never falls: {self.cumulative!r}")

    @property
    def window(self) -> float:
        """The last time that the reference knows."""
        return self.time[-1]

    def at(self, time: npt.ArrayLike, early_shape: float = 1.0) -> Floats:
        """Cumulative hazard at times ≥ 0, constant beyond the window.

        Examples
        --------
        >>> ReferenceHazard((5.0, 10.0), (0.1, 0.15)).at([0.0, 2.5, 7.5, 20.0]).round(4).tolist()
        [0.0, 0.05, 0.125, 0.15]
        """
        asked = np.minimum(np.asarray(time, dtype=np.float64), self.window)
        first = self.time[0]
        early = self.cumulative[0] * (np.maximum(asked, 0.0) / first) ** early_shape
        return np.where(asked < first, early, np.interp(asked, self.time, self.cumulative))


@dataclass(frozen=True, slots=True)
class Expectation:
    """Observed and expected events on the common window, with the people it was counted over."""

    early_shape: float
    window: float
    n: int
    observed: int
    expected: float


def expect_events(
    reference: ReferenceHazard,
    time: npt.ArrayLike,
    status: npt.ArrayLike,
    entry: npt.ArrayLike | None = None,
    early_shape: float = 1.0,
) -> Expectation:
    """Count observed and expected events up to the reference's last time (Breslow 1975).

    Expected is the sum over people of the reference's cumulative hazard over their own time under
    observation; events after the window count neither way, an event at its very end does.

    Parameters
    ----------
    time, status, entry
        Shape (n,): end of observation in the reference's unit, 1 for the event, delayed entry
        (negative or 0: from time zero). Nobody with ``time <= entry`` is counted.

    Examples
    --------
    >>> seen = expect_events(ReferenceHazard((5.0, 10.0), (0.1, 0.15)), [2.5, 12.0], [1, 1])
    >>> seen.observed, round(seen.expected, 4)
    (1, 0.2)
    """
    ends, codes = np.asarray(time, dtype=np.float64), np.asarray(status)
    starts = np.zeros_like(ends) if entry is None else np.maximum(np.asarray(entry, float), 0.0)
    if ends.shape != codes.shape or ends.shape != starts.shape or np.any(ends < 0):
        raise ValueError(f"time, status and entry need one shape (n,), not {ends.shape}")
    counted = (ends > starts) | (starts == 0)
    per_person = reference.at(ends, early_shape) - reference.at(starts, early_shape)
    is_event = counted & (codes == 1) & (ends <= reference.window)
    return Expectation(
        early_shape,
        reference.window,
        int(counted.sum()),
        int(is_event.sum()),
        float(per_person[counted].sum()),
    )


def integrated_limits(observed: int, expected: float, log_sd: float, tail: float) -> Limits:
    """Mid-P limits of O/E when the expected number is itself uncertain.

    E = E0·exp(N(0, log_sd²)): the mid-P tail is averaged over that normal distribution (Gauss and
    Hermite's quadrature, 80 points) before it is inverted. With ``log_sd`` 0 these are the mid-P
    limits of :mod:`analysis.counts.exact_counts`. At 0 observed the lower limit is 0.

    Parameters
    ----------
    tail
        Probability left out on each side: 0.05 gives two one-sided 95 % limits.

    Examples
    --------
    >>> plain, wide = (integrated_limits(12, 8.0, sd, 0.05) for sd in (0.0, 0.2))
    >>> round(plain.lower, 3), round(plain.upper, 3), round(wide.lower, 3), round(wide.upper, 3)
    (0.907, 2.361, 0.825, 2.637)
    """
    if not (expected > 0 and log_sd >= 0 and math.isfinite(log_sd) and 0 < tail < 0.5):
        raise ValueError(f"expected > 0, log_sd >= 0 are needed: {expected!r}, {log_sd!r}")
    exact = poisson_limits(observed, 1 - 2 * tail)
    spread = np.exp(log_sd * _NODES) * expected

    def above(log_ratio: float) -> float:
        mean = math.exp(log_ratio) * spread
        more = special.gammainc(observed + 1, mean)
        mass = np.exp(special.xlogy(observed, mean) - mean - special.gammaln(observed + 1))
        return float(_WEIGHTS @ (more + mass / 2))

    reach = 1.0 + 8 * log_sd
    low = math.log(max(exact.lower, 1e-12) / expected) - reach
    high = math.log(exact.upper / expected) + reach
    upper = math.exp(brentq(lambda x: above(x) - (1 - tail), low - 20, high, xtol=1e-12))
    if observed == 0:
        return Limits(0.0, upper)
    return Limits(math.exp(brentq(lambda x: above(x) - tail, low, high, xtol=1e-12)), upper)


def limits_of_difference(
    here: tuple[float, float, float], there: tuple[float, float, float], times: float = 1.0
) -> tuple[float, float, float]:
    """Difference ``here - times·there`` of two independent estimates with limits for each.

    The limits combine the halves of both intervals (MOVER; Zou and Donner, Stat Med 2008;27:1693),
    which for two proportions with Wilson limits is Newcombe's (1998) method 10. Estimate first,
    then lower and upper limit, in and out.

    Examples
    --------
    >>> from analysis.counts.exact_counts import wilson
    >>> pair = [(x / n, wilson(x, n).lower, wilson(x, n).upper) for x, n in ((56, 70), (48, 80))]
    >>> [round(value, 4) for value in limits_of_difference(*pair)]
    [0.2, 0.0524, 0.3339]
    """
    point = here[0] - times * there[0]
    below = math.hypot(here[0] - here[1], times * (there[2] - there[0]))
    above = math.hypot(here[2] - here[0], times * (there[0] - there[1]))
    return point, point - below, point + above
