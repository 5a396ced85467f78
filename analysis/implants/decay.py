"""Half-lives of the plaque isotopes and the decay of a dose rate.

Two sources of half-lives are kept, because they differ by up to half a per cent: over one year the
Ru-106 factor is 0.5080 with ICRP 107 and 0.5064 with ENSDF. Which one counts is the registry's
recorded setting ``half_life_source``. A Ru-106 plaque irradiates through its daughter Rh-106
(29.8 s) and a Sr-90 plaque through Y-90 (64.1 h); both daughters are in equilibrium with their
parent, so that the parent's half-life is the one that counts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

from registry.errors import RefusedInputError

FloatArray = NDArray[np.float64]

ICRP_107 = "ICRP Publication 107 (2008)"
ENSDF = "ENSDF"

DAYS_PER_YEAR = 365.2422
"""Days in the year in which half-lives are tabulated; follow-up years have 365.25."""

HOURS_PER_DAY = 24.0


@dataclass(frozen=True, slots=True)
class HalfLife:
    """One half-life with its source; the standard uncertainty is None where none is stated."""

    isotope: str
    days: float
    source: str
    standard_uncertainty_days: float | None = None

    @property
    def decay_constant_per_day(self) -> float:
        """The decay constant, ln 2 over the half-life."""
        return float(np.log(2.0)) / self.days

    @property
    def decay_constant_per_hour(self) -> float:
        """The decay constant per hour."""
        return self.decay_constant_per_day / HOURS_PER_DAY


def _table(source: str, *rows: tuple[str, float, float | None]) -> Mapping[str, HalfLife]:
    return MappingProxyType({name: HalfLife(name, days, source, sd) for name, days, sd in rows})


HALF_LIVES: Mapping[str, Mapping[str, HalfLife]] = MappingProxyType(
    {
        ICRP_107: _table(
            ICRP_107,
            ("Ru-106", 373.59, None),
            ("I-125", 59.4, None),
            ("Pd-103", 16.991, None),
            ("Sr-90", 28.79 * DAYS_PER_YEAR, None),
            ("Cs-131", 9.689, None),
        ),
        ENSDF: _table(
            ENSDF,
            ("Ru-106", 371.8, 1.8),
            ("I-125", 59.4, 0.01),
            ("Pd-103", 16.991, 0.019),
            ("Sr-90", 28.91 * DAYS_PER_YEAR, 0.03 * DAYS_PER_YEAR),
        ),
    }
)
"""Half-lives by source and isotope. No ENSDF value of Cs-131 was read, so none is given."""


def find_half_lives(source: str) -> Mapping[str, HalfLife]:
    """Return the half-lives of one source.

    Raises
    ------
    RefusedInputError
        When the source is not one of ``HALF_LIVES``.
    """
    if source not in HALF_LIVES:
        raise RefusedInputError(
            f"There are no half-lives of the source {source!r}. Set half_life_source to "
            f"{' or '.join(repr(name) for name in HALF_LIVES)}.",
            setting="half_life_source",
            found=source,
        )
    return HALF_LIVES[source]


def find_half_life(isotope: str, source: str = ICRP_107) -> HalfLife:
    """Return the half-life of an isotope from the recorded source.

    Parameters
    ----------
    isotope
        As the registry writes it, for example ``"Ru-106"``.
    source
        The setting ``half_life_source``.

    Raises
    ------
    RefusedInputError
        When there is no such source, or it holds no half-life of the isotope.

    Examples
    --------
    >>> find_half_life("Ru-106").days, find_half_life("Ru-106", "ENSDF").days
    (373.59, 371.8)
    """
    known = find_half_lives(source)
    if isotope not in known:
        raise RefusedInputError(
            f"{source} holds no half-life of {isotope!r} here; it has {', '.join(known)}.",
            isotope=isotope,
            source=source,
        )
    return known[isotope]


@overload
def decay_factor(elapsed_days: float, half_life_days: float) -> float: ...
@overload
def decay_factor(elapsed_days: FloatArray, half_life_days: float | FloatArray) -> FloatArray: ...
def decay_factor(elapsed_days: Any, half_life_days: Any) -> Any:
    """Return what is left of a dose rate after a time: 2^(-t/T).

    Parameters
    ----------
    elapsed_days
        Days since the reference time; negative days give the rate before it. NaN stays NaN.
    half_life_days
        Above 0; infinity is a source that does not decay.

    Raises
    ------
    ValueError
        When a half-life is not above 0.

    Examples
    --------
    >>> decay_factor(373.59, 373.59)
    0.5
    >>> round(decay_factor(365.0, 373.59), 5), round(decay_factor(365.0, 371.8), 5)
    (0.50803, 0.50638)
    """
    if np.any(np.asarray(half_life_days) <= 0):
        raise ValueError(f"a half-life is above 0 days, found {half_life_days!r}")
    left = np.exp2(-np.asarray(elapsed_days, dtype=float) / half_life_days)
    return left if np.ndim(left) else float(left)
