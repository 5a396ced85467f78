"""Recorded against recomputed dose: ratio, limits of agreement, and who lies beyond tolerance.

Doses of different models are never put together: there is one result for each dose model that the
records name, and one for records that name none. Limits of agreement after Bland and Altman (Lancet
1986;i:307 and Stat Methods Med Res 1999;8:135), on the log scale (as ratios) and in Gy.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import norm

from analysis.implants.dosimetry import DoseTable, PointDoses
from registry.errors import RefusedEstimateError

FloatArray = NDArray[np.float64]

NOT_STATED = "not stated"
TOLERANCE_FRACTION = 0.05
"""Departure of recomputed from recorded dose beyond which an implant is listed; our choice."""


@dataclass(frozen=True, slots=True)
class LimitsOfAgreement:
    """Mean difference of pairs and the limits that hold most differences.

    ``sd`` is the standard deviation of the differences; ``coverage`` the share of differences
    that the limits hold under normality; the ``_interval`` tuples are confidence intervals of bias
    and limits at ``level``, approximate (Bland and Altman 1999, section 2.1.2).
    """

    n: int
    bias: float
    sd: float
    lower: float
    upper: float
    coverage: float
    level: float
    bias_interval: tuple[float, float]
    lower_interval: tuple[float, float]
    upper_interval: tuple[float, float]

    def exponentiated(self) -> LimitsOfAgreement:
        """Turn limits of log differences into limits of ratios; ``sd`` stays on the log scale."""

        def pair(limits: tuple[float, float]) -> tuple[float, float]:
            return float(np.exp(limits[0])), float(np.exp(limits[1]))

        return LimitsOfAgreement(
            self.n,
            float(np.exp(self.bias)),
            self.sd,
            float(np.exp(self.lower)),
            float(np.exp(self.upper)),
            self.coverage,
            self.level,
            pair(self.bias_interval),
            pair(self.lower_interval),
            pair(self.upper_interval),
        )


def limits_of_agreement(
    difference: ArrayLike, *, coverage: float = 0.95, level: float = 0.95
) -> LimitsOfAgreement:
    """Return Bland and Altman's limits of agreement of paired differences.

    Parameters
    ----------
    difference
        One difference a pair, shape (n,), without NaN; pairs are taken as independent.
    coverage, level
        Share of differences within the limits; confidence level of the intervals.

    Raises
    ------
    RefusedEstimateError
        For fewer than three pairs.

    Examples
    --------
    >>> found = limits_of_agreement([1.0, -1.0, 2.0, -2.0, 0.0])
    >>> found.bias, round(found.sd, 4), round(found.upper, 4)
    (0.0, 1.5811, 3.099)
    """
    difference = np.asarray(difference, dtype=float)
    n = difference.size
    if np.any(np.isnan(difference)):
        raise ValueError("a difference is NaN")
    if n < 3:
        raise RefusedEstimateError(f"Limits of agreement need 3 pairs or more; there are {n}.", n=n)
    bias, sd = float(difference.mean()), float(difference.std(ddof=1))
    z, quantile = float(norm.ppf((1 + coverage) / 2)), float(norm.ppf((1 + level) / 2))
    width = quantile * sd * np.sqrt(1 / n)
    limit_width = quantile * sd * np.sqrt(1 / n + z**2 / (2 * (n - 1)))
    lower, upper = bias - z * sd, bias + z * sd

    def around(value: float, half: float) -> tuple[float, float]:
        return float(value - half), float(value + half)

    return LimitsOfAgreement(
        n,
        bias,
        sd,
        lower,
        upper,
        coverage,
        level,
        around(bias, width),
        around(lower, limit_width),
        around(upper, limit_width),
    )


@dataclass(frozen=True, slots=True)
class BeyondTolerance:
    """One implant whose recorded and recomputed dose differ by more than the tolerance."""

    implant_id: str
    recorded_gy: float
    recomputed_gy: float
    ratio: float


@dataclass(frozen=True, slots=True)
class DoseAgreement:
    """Recorded against recomputed dose at one point, for one model of the recorded doses.

    ``n_recorded`` implants have a recorded dose there; ``n_both`` have both and one depth, and
    enter the limits. ``ratio`` (recomputed over recorded) and ``difference_gy`` (recomputed minus
    recorded) are None under three pairs. ``n_ambiguous`` counts implants whose record leaves two
    depths open: they are left out of the limits and listed only where neither depth comes within
    the tolerance. ``missing`` counts, by reason, recorded doses that could not be recomputed.
    """

    dose_model: str
    point: str
    n_recorded: int
    n_both: int
    n_ambiguous: int
    tolerance_fraction: float
    ratio: LimitsOfAgreement | None
    difference_gy: LimitsOfAgreement | None
    beyond: tuple[BeyondTolerance, ...]
    missing: Mapping[str, int]


def _nearer_reading(doses: PointDoses) -> FloatArray:
    """The dose that agrees better with the recorded one, where a record leaves two depths open."""
    with np.errstate(divide="ignore", invalid="ignore"):
        first = np.abs(np.log(doses.dose_gy / doses.recorded_gy))
        other = np.abs(np.log(doses.alternative_gy / doses.recorded_gy))
    return np.where(other < first, doses.alternative_gy, doses.dose_gy)


def compare_with_recorded(
    table: DoseTable, point: str, *, tolerance_fraction: float = TOLERANCE_FRACTION
) -> tuple[DoseAgreement, ...]:
    """Compare recorded with recomputed doses at a point, one result for each dose model.

    Parameters
    ----------
    table
        Of :func:`analysis.implants.dosimetry.recompute_doses`.
    point
        A point of the table at which a dose is recorded.
    tolerance_fraction
        An implant is listed where ``abs(ratio - 1)`` exceeds it; an ambiguous record only where
        neither reading comes within it.

    Raises
    ------
    ValueError
        When the table has no such point.
    """
    if point not in table.points:
        raise ValueError(f"the table has no point {point!r}; it has {', '.join(table.points)}")
    if not tolerance_fraction >= 0:
        raise ValueError(f"a tolerance is 0 or more, found {tolerance_fraction!r}")
    named = [model or NOT_STATED for model in table.records.dose_model]
    models = np.array(named, dtype=object)
    recorded = table.points[point].recorded_gy > 0
    present = sorted(set(models[recorded]))
    return tuple(
        _compare(table, point, model, recorded & (models == model), tolerance_fraction)
        for model in present
    )


def _compare(
    table: DoseTable, point: str, model: str, rows: NDArray[np.bool_], tolerance: float
) -> DoseAgreement:
    doses = table.points[point]
    recomputed = _nearer_reading(doses)
    known, ambiguous = rows & ~np.isnan(recomputed), ~np.isnan(doses.alternative_gy)
    ratio = recomputed / np.where(known, doses.recorded_gy, np.nan)
    names = table.records.implant_id
    listed = [
        BeyondTolerance(
            str(names[k]), float(doses.recorded_gy[k]), float(recomputed[k]), float(ratio[k])
        )
        for k in np.flatnonzero(known & (np.abs(ratio - 1) > tolerance)).tolist()
    ]
    both = known & ~ambiguous
    enough = both.sum() >= 3
    difference = recomputed[both] - doses.recorded_gy[both]
    missing = Counter(str(code) for code in doses.reason[rows & np.isnan(recomputed)])
    return DoseAgreement(
        dose_model=model,
        point=point,
        n_recorded=int(rows.sum()),
        n_both=int(both.sum()),
        n_ambiguous=int((known & ambiguous).sum()),
        tolerance_fraction=tolerance,
        ratio=limits_of_agreement(np.log(ratio[both])).exponentiated() if enough else None,
        difference_gy=limits_of_agreement(difference) if enough else None,
        beyond=tuple(sorted(listed, key=lambda one: -abs(np.log(one.ratio)))),
        missing=MappingProxyType(dict(sorted(missing.items()))),
    )
