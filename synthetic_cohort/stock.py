"""The department's plaques: which one lies on which eye when, their certificates and checks.

A beta plaque is used for about a year, then replaced by the next of its size; another is bought
when all of a size are in use. An iodine plaque is loaded anew for each implant and has a
certificate for each loading. Doses follow from the certificate (design §5), so that a recomputation
from the files agrees with the recorded doses but for rounding.
"""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass, field

import numpy as np

from synthetic_cohort.hazards import Flags, Floats, Ints
from synthetic_cohort.implants import TABLE_DEPTHS_MM, log_relative_rate
from synthetic_cohort.truth import DepthDose, Treatment, Truth

MINUTES_PER_DAY = 1440
RESTING_DAYS = 2
DAY_STARTS, DAY_ENDS = 8 * 60, 17 * 60


@dataclass(slots=True)
class Plaque:
    """One physical plaque and what it was used for; times in minutes from 1970-01-01.

    ``certificates`` holds, in order of time, each reference time and its surface dose rate.
    """

    name: str
    size: int
    with_iodine: bool
    first_used_day: int
    certificates: list[tuple[int, float]] = field(default_factory=list)
    busy_days: list[tuple[int, int]] = field(default_factory=list)

    def is_free(self, first: int, last: int) -> bool:
        """Whether no other use touches these days, resting days included."""
        place = bisect.bisect(self.busy_days, (first, last))
        before = self.busy_days[place - 1][1] if place else -(10**9)
        after = self.busy_days[place][0] if place < len(self.busy_days) else 10**9
        return before + RESTING_DAYS <= first and last + RESTING_DAYS <= after


@dataclass(frozen=True, slots=True)
class Uses:
    """Which plaque each implant used, and when; minutes from 1970-01-01."""

    plaque: Ints
    inserted: Ints
    removed: Ints
    planned_hours: Floats


@dataclass(frozen=True, slots=True)
class Orders:
    """Implants to be carried out, one row each; ``apex_relative`` is the rate there over surface.

    ``delivered_ratio`` is delivered over prescribed dose.
    """

    day: Ints
    size: Ints
    with_iodine: Flags
    prescribed_gy: Floats
    delivered_ratio: Floats
    apex_relative: Floats


def hours_for_dose(dose_gy: float, rate_gy_per_hour: float, half_life_days: float) -> float:
    """Hours that deliver a dose with a decaying source: -ln(1 - lambda D / rate) / lambda.

    Examples
    --------
    >>> round(hours_for_dose(99.6145, 1.0, 373.59), 2)  # the design's worked Ru-106 example
    100.0
    """
    decay = math.log(2.0) / (half_life_days * 24.0)
    return -math.log1p(-decay * dose_gy / rate_gy_per_hour) / decay


def _insertion_minute(hours: float, rng: np.random.Generator) -> int:
    """Minute of the day for insertion, so that removal falls in working hours where it can."""
    spare = round(hours * 60) % MINUTES_PER_DAY
    first, last = DAY_STARTS, DAY_ENDS
    for shift in (0, MINUTES_PER_DAY):
        low, high = max(first, DAY_STARTS - spare + shift), min(last, DAY_ENDS - spare + shift)
        if low <= high:
            return int(rng.integers(low, high + 1))
    return first if spare < 13 * 60 else last


class Stock:
    """All plaques bought so far; ``use`` carries out implants in the order given."""

    def __init__(self, truth: Truth, rng: np.random.Generator) -> None:
        self._how: Treatment = truth.treatment
        self._rng = rng
        self.plaques: list[Plaque] = []
        self._of_kind: dict[tuple[bool, int], list[int]] = {}

    def use(self, orders: Orders) -> Uses:
        """Assign a plaque to each order and work out its times."""
        rows = zip(
            orders.day.tolist(),
            orders.size.tolist(),
            orders.with_iodine.tolist(),
            orders.prescribed_gy.tolist(),
            orders.delivered_ratio.tolist(),
            orders.apex_relative.tolist(),
            strict=True,
        )
        used = [self._carry_out(*row) for row in rows]
        columns = np.array(used, dtype=float).reshape(len(used), 4).T
        plaque, inserted, removed = columns[:3].astype(np.int64)
        return Uses(plaque, inserted, removed, columns[3])

    def _carry_out(
        self, day: int, size: int, iodine: bool, gy: float, ratio: float, relative: float
    ) -> tuple[int, int, int, float]:
        curve = self._how.iodine if iodine else self._how.ruthenium
        index = self._find(day, size, iodine)
        plaque = self.plaques[index]
        if iodine:
            bisect.insort(plaque.certificates, self._load(day, gy / relative))
        minute, hours, planned = self._times(plaque, curve, day, gy, ratio, relative)
        inserted = day * MINUTES_PER_DAY + minute
        removed = inserted + round(hours * 60)
        bisect.insort(plaque.busy_days, (day, removed // MINUTES_PER_DAY))
        return index, inserted, removed, planned

    def _times(
        self, plaque: Plaque, curve: DepthDose, day: int, gy: float, ratio: float, relative: float
    ) -> tuple[int, float, float]:
        """Minute of insertion, hours given and hours planned."""
        place = bisect.bisect(plaque.certificates, (day * MINUTES_PER_DAY, math.inf))
        latest, surface = plaque.certificates[place - 1]

        def hours_at(minute: int, dose_gy: float) -> float:
            age_days = day + (minute - latest) / MINUTES_PER_DAY
            rate = surface * relative * 0.5 ** (age_days / curve.half_life_days)
            return hours_for_dose(dose_gy, rate * 0.06, curve.half_life_days)

        minute = _insertion_minute(hours_at(12 * 60, gy * ratio), self._rng)
        return minute, hours_at(minute, gy * ratio), hours_at(minute, gy)

    def _find(self, day: int, size: int, iodine: bool) -> int:
        own = self._of_kind.setdefault((iodine, size), [])
        life = 10**6 if iodine else self._how.unit_life_days
        for index in reversed(own):
            plaque = self.plaques[index]
            if plaque.first_used_day <= day <= plaque.first_used_day + life and plaque.is_free(
                day, day + 14
            ):
                return index
        own.append(len(self.plaques))
        self.plaques.append(self._buy(day, size, iodine))
        return own[-1]

    def _load(self, day: int, surface_gy: float) -> tuple[int, float]:
        """Load seeds for one implant and certify them the day before; mGy/min at the surface."""
        hours = self._rng.uniform(*self._how.iodine_hours)
        return (day - 1) * MINUTES_PER_DAY + 12 * 60, float(f"{surface_gy / hours / 0.06:.5g}")

    def _buy(self, day: int, size: int, iodine: bool) -> Plaque:
        name = f"P{len(self.plaques) + 1:02d}"
        if iodine:
            return Plaque(name, size, iodine, day)
        spread = math.exp(self._how.rate_spread * self._rng.standard_normal())
        rate = float(f"{self._how.ruthenium.surface_rate_mgy_min * spread:.5g}")
        certified_at = (day - int(self._rng.integers(15, 40))) * MINUTES_PER_DAY + 12 * 60
        return Plaque(name, size, iodine, day, [(certified_at, rate)])


def certificate_rates(surface_rate: float, with_iodine: bool, how: Treatment) -> Floats:
    """Certified dose rates in mGy/min at ``TABLE_DEPTHS_MM``, four decimals kept."""
    curve = how.iodine if with_iodine else how.ruthenium
    rates = surface_rate * np.exp(log_relative_rate(curve, TABLE_DEPTHS_MM))
    return np.asarray(np.round(rates, 4))
