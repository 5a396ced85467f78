"""Where on the central axis a dose is asked for, and how sure a dose is.

Depths count from the concave surface of the plaque, which lies on the outer sclera; no tilt is
assumed. The apex lies under thickness plus scleral allowance, or under the thickness alone where
that was measured with the sclera. Where a record does not say which, both depths are kept: the
first follows the field's own definition, the alternative the other reading.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
TextArray = NDArray[np.object_]

APEX, INNER_SCLERA, SCLERAL_SURFACE, PRESCRIPTION = (
    "apex",
    "inner_sclera",
    "scleral_surface",
    "prescription",
)

PRECISION_HOURS: Mapping[str, float] = MappingProxyType(
    {"minute": 1.0 / 60.0, "hour": 1.0, "day": 24.0}
)
"""Largest error of the duration when insertion and removal are each known to this precision."""

DEPTH_PLACES = 6
"""Depths are rounded to the registry's decimal places, so that a table's last depth is inside."""


@dataclass(frozen=True, slots=True)
class DoseAssumptions:
    """What stands in for what a record does not say.

    Parameters
    ----------
    sclera_mm
        Scleral thickness where no allowance is recorded; every use of it is marked. Common
        practice, no source.
    thickness_uncertainty_mm
        Half-width of the thickness by ultrasound.
    """

    sclera_mm: float = 1.0
    thickness_uncertainty_mm: float = 0.5

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        if not 0 <= self.sclera_mm <= 3:
            raise ValueError(f"a scleral thickness is 0 to 3 mm, found {self.sclera_mm!r}")
        if not 0 <= self.thickness_uncertainty_mm <= 5:
            raise ValueError(f"0 to 5 mm of uncertainty, found {self.thickness_uncertainty_mm!r}")


@dataclass(frozen=True, slots=True)
class Depths:
    """Depths of one point of every implant in mm; NaN where unknown.

    ``alternative_mm`` is NaN unless the record leaves two readings open;
    ``moves_with_thickness`` tells where an error of the thickness moves the point;
    ``sclera_is_assumed`` where the depth rests on a scleral thickness that is not recorded.
    """

    depth_mm: FloatArray
    alternative_mm: FloatArray
    moves_with_thickness: NDArray[np.bool_]
    sclera_is_assumed: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Geometry:
    """What the depths follow from, one value an implant; NaN and None where not recorded."""

    thickness_mm: FloatArray
    includes_sclera: TextArray
    sclera_allowance_mm: FloatArray
    prescribed_depth_mm: FloatArray
    depth_origin: TextArray
    prescription_point: TextArray

    @property
    def n(self) -> int:
        """Number of implants."""
        return len(self.thickness_mm)

    def sclera(self, assumptions: DoseAssumptions) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Return the scleral thickness and where it is assumed.

        An allowance of 0 beside a thickness that includes the sclera says that nothing was added,
        not how thick the sclera is.
        """
        is_blank = np.isnan(self.sclera_allowance_mm) | (
            (self.includes_sclera == "yes") & (self.sclera_allowance_mm == 0)
        )
        return np.where(is_blank, assumptions.sclera_mm, self.sclera_allowance_mm), is_blank


def _no(n: int) -> NDArray[np.bool_]:
    return np.zeros(n, dtype=bool)


def locate_apex(geometry: Geometry, assumptions: DoseAssumptions) -> Depths:
    """Locate the apex: thickness plus sclera, or thickness alone where it includes the sclera."""
    sclera, assumed = geometry.sclera(assumptions)
    includes = geometry.includes_sclera == "yes"
    unknown = ~includes & (geometry.includes_sclera != "no")
    with_sclera = np.round(geometry.thickness_mm + sclera, DEPTH_PLACES)
    return Depths(
        np.where(includes, geometry.thickness_mm, with_sclera),
        np.where(unknown & (sclera > 0), geometry.thickness_mm, np.nan),
        ~np.isnan(geometry.thickness_mm),
        assumed & ~includes,
    )


def locate_inner_sclera(geometry: Geometry, assumptions: DoseAssumptions) -> Depths:
    """Locate the tumour base: the inner surface of the sclera."""
    sclera, assumed = geometry.sclera(assumptions)
    n = geometry.n
    return Depths(sclera, np.full(n, np.nan), _no(n), assumed)


def locate_fixed(n: int, depth_mm: float) -> Depths:
    """Locate one depth below the plaque for all implants; 0 is the scleral surface."""
    return Depths(np.full(n, float(depth_mm)), np.full(n, np.nan), _no(n), _no(n))


def locate_prescription(geometry: Geometry, assumptions: DoseAssumptions) -> Depths:
    """Locate the prescription point: by its recorded depth, else by its name.

    A depth counts from the plaque or the outer sclera, or from the inner sclera; where its origin
    is not recorded both are kept, the first from the plaque. Without a depth, the apex, the tumour
    base and the scleral surface are known by name; any other point is missing.
    """
    sclera, assumed = geometry.sclera(assumptions)
    stated = geometry.prescribed_depth_mm
    by_depth = ~np.isnan(stated)
    from_inside = geometry.depth_origin == "inner_sclera"
    from_outside = np.isin(geometry.depth_origin.astype(str), ("plaque_surface", "outer_sclera"))
    inside = np.round(stated + sclera, DEPTH_PLACES)
    is_open = by_depth & ~from_inside & ~from_outside & (sclera > 0)
    apex = locate_apex(geometry, assumptions)
    point = geometry.prescription_point
    named = np.select(
        [point == "apex", point == "tumour_base", point == "scleral_surface"],
        [apex.depth_mm, sclera, np.zeros(geometry.n)],
        np.nan,
    )
    by_apex = ~by_depth & (point == "apex")
    uses_sclera = (by_depth & from_inside) | (~by_depth & (point == "tumour_base"))
    return Depths(
        np.where(by_depth, np.where(from_inside, inside, stated), named),
        np.where(is_open, inside, np.where(by_apex, apex.alternative_mm, np.nan)),
        by_apex & apex.moves_with_thickness,
        (uses_sclera & assumed) | (by_apex & apex.sclera_is_assumed),
    )


@dataclass(frozen=True, slots=True)
class Limits:
    """Lower and upper dose in Gy; NaN where this source of error is unknown or does not apply."""

    lower_gy: FloatArray
    upper_gy: FloatArray


@dataclass(frozen=True, slots=True)
class DoseUncertainty:
    """Limits of a dose by source of error, and of all known ones together.

    ``certificate`` is the expanded (k = 2) uncertainty that the certificate states; it is shared by
    all implants of that plaque and does not average out over them. ``thickness`` and ``time`` are
    the implant's own. ``total`` adds the known ones in quadrature on the log scale; a limit that
    cannot be worked out because it lies outside the certificate's table is NaN there too.
    """

    certificate: Limits
    thickness: Limits
    time: Limits
    total: Limits


def combine_limits(dose_gy: FloatArray, *parts: Limits) -> Limits:
    """Add limits in quadrature on the log scale; parts that are NaN on both sides do not count.

    Examples
    --------
    >>> one = Limits(np.array([80.0]), np.array([125.0]))
    >>> none = Limits(np.array([np.nan]), np.array([np.nan]))
    >>> total = combine_limits(np.array([100.0]), one, none)
    >>> total.lower_gy.round(6).tolist(), total.upper_gy.round(6).tolist()
    ([80.0], [125.0])
    """
    below, above = np.zeros_like(dose_gy), np.zeros_like(dose_gy)
    known = np.zeros(dose_gy.shape, dtype=bool)
    for part in parts:
        absent = np.isnan(part.lower_gy) & np.isnan(part.upper_gy)
        known |= ~absent
        with np.errstate(divide="ignore", invalid="ignore"):
            below += np.where(absent, 0.0, np.log(dose_gy / part.lower_gy) ** 2)
            above += np.where(absent, 0.0, np.log(part.upper_gy / dose_gy) ** 2)
    lower, upper = dose_gy * np.exp(-np.sqrt(below)), dose_gy * np.exp(np.sqrt(above))
    return Limits(np.where(known, lower, np.nan), np.where(known, upper, np.nan))
