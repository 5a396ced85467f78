"""E-value: how strong an unmeasured confounder would have to be to explain an association away."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

Scale = Literal["risk ratio", "hazard ratio", "odds ratio"]


@dataclass(frozen=True, slots=True)
class EValue:
    """E-value of the estimate and of the limit nearer to 1 (1 when the interval holds 1).

    Both are risk ratios: the least association that an unmeasured confounder needs with the
    exposure and with the outcome, above the measured ones.
    """

    estimate: float
    limit: float
    scale: Scale
    is_outcome_common: bool


def e_value(
    ratio: float,
    lower: float,
    upper: float,
    *,
    scale: Scale = "risk ratio",
    is_outcome_common: bool = False,
) -> EValue:
    """Compute the E-value (VanderWeele and Ding, Ann Intern Med 2017;167:268-274).

    E = RR + sqrt(RR (RR - 1)) for RR above 1 and of 1/RR below it. Ratios on other scales are
    first turned into risk ratios when the outcome is common (above about 15 % at the end of
    follow-up): sqrt(OR), and (1 - 0.5^sqrt(HR))/(1 - 0.5^sqrt(1/HR)); otherwise they are taken as
    risk ratios.

    Raises
    ------
    ValueError
        Unless 0 < lower <= ratio <= upper.

    Examples
    --------
    >>> value = e_value(3.9, 1.8, 8.7)
    >>> round(value.estimate, 2), round(value.limit, 2)
    (7.26, 3.0)
    """
    if not (0 < lower <= ratio <= upper < math.inf):
        raise ValueError(f"need 0 < lower <= ratio <= upper, not {lower!r}, {ratio!r}, {upper!r}")
    nearer = lower if ratio >= 1 else upper
    crosses = lower <= 1 <= upper
    return EValue(
        estimate=_inflate(_as_risk_ratio(ratio, scale, is_outcome_common)),
        limit=1.0 if crosses else _inflate(_as_risk_ratio(nearer, scale, is_outcome_common)),
        scale=scale,
        is_outcome_common=is_outcome_common,
    )


def _as_risk_ratio(ratio: float, scale: Scale, is_outcome_common: bool) -> float:
    if scale == "risk ratio" or not is_outcome_common:
        return ratio
    if scale == "odds ratio":
        return math.sqrt(ratio)
    return math.expm1(-math.log(2) * math.sqrt(ratio)) / math.expm1(
        -math.log(2) * math.sqrt(1 / ratio)
    )


def _inflate(risk_ratio: float) -> float:
    above = max(risk_ratio, 1 / risk_ratio)
    return above + math.sqrt(above * (above - 1))
