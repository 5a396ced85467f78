"""Biologically effective dose of a decaying source with repair of sublethal damage.

Linear-quadratic model with mono-exponential repair during irradiation (Dale RG, Br J Radiol 1985;
58:515-528; the closed form was derived again from the double integral). There is no single citable
alpha/beta or repair half-time of uveal melanoma, so both are always stated parameters, and
:func:`vary_parameters` shows how much the answer hangs on them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import hyp1f1

from analysis.implants.decay import HOURS_PER_DAY
from registry.errors import RefusedEstimateError

FloatArray = NDArray[np.float64]

SENSITIVITY_ALPHA_BETA_GY = (2.5, 3.0, 10.0, 20.0)
"""Contested textbook value of skin melanoma, late tissue, tumour, and beyond (from memory)."""

SENSITIVITY_REPAIR_HALF_TIME_HOURS = (0.5, 1.5, 4.0)
"""Around the convention of 1.5 h of low-dose-rate gynaecological practice (from memory)."""

FORMULA = (
    "BED = D (1 + G D / (alpha/beta)), D = R (1 - exp(-lambda T)) / lambda, G D^2 = 2 R^2 / "
    "(mu - lambda) [(1 - exp(-2 lambda T)) / (2 lambda) - (1 - exp(-(mu + lambda) T)) / "
    "(mu + lambda)] (Dale 1985)"
)


@dataclass(frozen=True, slots=True)
class RepairModel:
    """Parameters of the linear-quadratic model with repair.

    Parameters
    ----------
    alpha_beta_gy
        Above 0; infinity leaves the physical dose.
    repair_half_time_hours
        From 0 (instantaneous repair: BED = D) to infinity (none: as if given at once).
    rbe_max
        Relative effectiveness at vanishing dose, multiplying the linear term alone (Dale and
        Jones 1999, from memory); 1 unless stated.
    """

    alpha_beta_gy: float = 10.0
    repair_half_time_hours: float = 1.5
    rbe_max: float = 1.0

    def __post_init__(self) -> None:
        """Refuse parameters outside their range."""
        if not self.alpha_beta_gy > 0:
            raise ValueError(f"alpha/beta is above 0 Gy, found {self.alpha_beta_gy!r}")
        if not self.repair_half_time_hours >= 0:
            raise ValueError(f"a repair half-time is 0 h or more: {self.repair_half_time_hours!r}")
        if not 0 < self.rbe_max < np.inf:
            raise ValueError(f"an RBE is above 0, found {self.rbe_max!r}")

    @property
    def repair_constant_per_hour(self) -> float:
        """ln 2 over the repair half-time; infinity when repair is instantaneous."""
        if self.repair_half_time_hours == 0:
            return float("inf")
        return float(np.log(2.0)) / self.repair_half_time_hours


def mean_remaining(x: ArrayLike) -> FloatArray:
    """Return (1 - exp(-x)) / x, the mean of exp(-x u) over 0 <= u <= 1; 1 at 0, 0 at infinity.

    Examples
    --------
    >>> mean_remaining([0.0, np.log(2.0)]).round(6).tolist()
    [1.0, 0.721348]
    """
    x = np.asarray(x, dtype=float)
    safe = np.where(x == 0, 1.0, x)
    return np.where(x == 0, 1.0, -np.expm1(-safe) / safe)


def _series_difference(a: FloatArray, b: FloatArray) -> FloatArray:
    """Divided difference for a, b below 2: integral of u exp(-m u) sinh(h u) / (h u)."""
    middle, half = (a + b) / 2, (b - a) / 2
    total = np.zeros_like(middle)
    weight = np.ones_like(middle)
    for k in range(9):
        moment = np.exp(-middle) * hyp1f1(1.0, 2 * k + 3, middle) / (2 * k + 2)
        total += weight * moment
        weight = weight * half**2 / ((2 * k + 2) * (2 * k + 3))
    return total


def falling_difference(a: ArrayLike, b: ArrayLike) -> FloatArray:
    """Return (E(a) - E(b)) / (b - a) with E = :func:`mean_remaining`, free of cancellation.

    Three forms meet: a series about the middle where both are small and close; the plain
    difference where one is small; and, where neither is, with a the smaller one,
    ``(1 - exp(-a) (1 + a E(b - a))) / (a b)``. It is 1/2 at a = b = 0 and 0 when b is infinite.

    Parameters
    ----------
    a, b
        0 or more, in any order; they are broadcast.

    Examples
    --------
    >>> falling_difference([0.0, 1e-9], [0.0, np.inf]).tolist()
    [0.5, 0.0]
    """
    a, b = np.broadcast_arrays(np.asarray(a, dtype=float), np.asarray(b, dtype=float))
    low, high = np.minimum(a, b), np.maximum(a, b)
    endless = np.isinf(high)
    capped = np.where(endless, 1.0, high)
    low = np.where(endless, np.minimum(low, 1.0), low)
    apart = capped - low
    small, near = low < 1.0, apart < 1.0
    series = _series_difference(
        np.where(small & near, low, 0.0), np.where(small & near, capped, 0.0)
    )
    gap = np.where(near, 1.0, apart)
    plain = (mean_remaining(low) - mean_remaining(capped)) / gap
    product = np.where(small, 1.0, low * capped)
    large = (1.0 - np.exp(-low) * (1.0 + low * mean_remaining(apart))) / product
    finite = np.where(small, np.where(near, series, plain), large)
    return np.where(endless, 0.0, finite)


def dose_of_decaying_source(
    dose_rate_gy_per_hour: ArrayLike, hours: ArrayLike, half_life_days: ArrayLike
) -> Any:
    """Return the dose in Gy of a source that decays while it irradiates.

    ``D = R (1 - exp(-lambda T)) / lambda`` with R the dose rate at the start. Arrays are
    broadcast; scalars give a float. A half-life of infinity gives R T.

    Examples
    --------
    >>> round(dose_of_decaying_source(1.0, 100.0, 373.59), 4)
    99.6145
    """
    rate, hours, half_life = _check(dose_rate_gy_per_hour, hours, half_life_days)
    decayed = np.log(2.0) * hours / (half_life * HOURS_PER_DAY)
    return _plain(rate * hours * mean_remaining(decayed))


def bed_of_decaying_source(
    dose_rate_gy_per_hour: ArrayLike,
    hours: ArrayLike,
    half_life_days: ArrayLike,
    model: RepairModel,
) -> Any:
    """Return the biologically effective dose in Gy of one irradiation (Dale 1985).

    Parameters
    ----------
    dose_rate_gy_per_hour
        At the start of irradiation, 0 or more; NaN stays NaN.
    hours
        Duration, 0 or more and finite.
    half_life_days
        Above 0; infinity is a constant dose rate.
    model
        alpha/beta, repair half-time, RBE.

    Raises
    ------
    ValueError
        When a value is outside its range.

    Examples
    --------
    >>> round(bed_of_decaying_source(1.0, 100.0, 373.59, RepairModel(10.0, 1.5)), 3)
    141.633
    """
    rate, hours, half_life = _check(dose_rate_gy_per_hour, hours, half_life_days)
    decayed = np.log(2.0) * hours / (half_life * HOURS_PER_DAY)
    mu = model.repair_constant_per_hour
    repaired = np.where(hours > 0, mu, 0.0) * np.where(hours > 0, hours, 1.0)
    squared = 2.0 * (rate * hours) ** 2 * falling_difference(2 * decayed, repaired + decayed)
    dose = rate * hours * mean_remaining(decayed)
    return _plain(model.rbe_max * dose + squared / model.alpha_beta_gy)


def _check(
    rate: ArrayLike, hours: ArrayLike, half_life: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    rate, hours, half_life = (np.asarray(one, dtype=float) for one in (rate, hours, half_life))
    if np.any(rate < 0) or np.any(np.isinf(rate)):
        raise ValueError(f"a dose rate is 0 Gy/h or more, and finite; found {rate}")
    if np.any(hours < 0) or np.any(np.isinf(hours)):
        raise ValueError(f"a duration is 0 h or more, and finite; found {hours}")
    if np.any(half_life <= 0):
        raise ValueError(f"a half-life is above 0 days; found {half_life}")
    return rate, hours, half_life


def _plain(value: FloatArray) -> Any:
    return value if np.ndim(value) else float(value)


@dataclass(frozen=True, slots=True)
class VariedBed:
    """One line of the sensitivity table."""

    alpha_beta_gy: float
    repair_half_time_hours: float
    bed_gy: float


def vary_parameters(
    dose_rate_gy_per_hour: float, hours: float, half_life_days: float
) -> tuple[VariedBed, ...]:
    """Return the BED over the sensitivity range of alpha/beta and of the repair half-time."""
    return tuple(
        VariedBed(
            alpha_beta,
            repair,
            bed_of_decaying_source(
                dose_rate_gy_per_hour, hours, half_life_days, RepairModel(alpha_beta, repair)
            ),
        )
        for alpha_beta in SENSITIVITY_ALPHA_BETA_GY
        for repair in SENSITIVITY_REPAIR_HALF_TIME_HOURS
    )


def require_one_radiation(
    isotopes: Iterable[str], rbe_by_isotope: Mapping[str, float] | None = None
) -> None:
    """Refuse to bring BED of several isotopes together without a stated RBE of each.

    Raises
    ------
    RefusedEstimateError
        When there are several isotopes and the RBE of one or more is not stated.

    Examples
    --------
    >>> require_one_radiation(["Ru-106", "Ru-106"])
    >>> require_one_radiation(["Ru-106", "I-125"], {"Ru-106": 1.0, "I-125": 1.3})
    """
    present = sorted(set(isotopes))
    unstated = [name for name in present if name not in (rbe_by_isotope or {})]
    if len(present) > 1 and unstated:
        raise RefusedEstimateError(
            f"BED of {' and '.join(present)} do not go together unless the relative biological "
            f"effectiveness of each is stated; it is not for {', '.join(unstated)}.",
            isotopes=present,
        )
