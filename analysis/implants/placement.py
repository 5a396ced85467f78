"""Placement arithmetic: which plaque, how near the fovea, how far from the limbus.

The rules are common practice without a source. They are worked from the record after the fact;
nothing here places a plaque. All lengths in mm along the sclera unless a name says chord.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

LIMBUS_RADIUS_MM = 5.85
"""Half the diameter of the limbus, from memory; arcs of 28.4, 31.6, 34.8 mm at 22, 24, 26 mm."""


def least_plaque_diameter(base_diameter_mm: float, margin_mm: float = 2.0) -> float:
    """Return the least plaque diameter in mm that covers the base and its margin all round.

    >>> least_plaque_diameter(16.0)
    20.0
    """
    return base_diameter_mm + 2 * margin_mm


def choose_smallest_plaque(
    base_diameter_mm: float, diameters_mm: Iterable[float], margin_mm: float = 2.0
) -> float | None:
    """Return the smallest of the diameters that is adequate, or None when none is.

    >>> choose_smallest_plaque(16.0, [15, 18, 20, 22]), choose_smallest_plaque(19.0, [20, 22])
    (20, None)
    """
    needed = least_plaque_diameter(base_diameter_mm, margin_mm)
    return min((one for one in diameters_mm if one >= needed - 1e-9), default=None)


def side_margin(across_mm: float, base_diameter_mm: float) -> float:
    """Return the margin in mm on either side of a centred base; negative where it sticks out.

    ``across_mm`` is the plaque's diameter, or that of its active area, since the rim is inactive.

    >>> side_margin(20.0, 16.0), side_margin(17.0, 16.0)
    (2.0, 0.5)
    """
    return (across_mm - base_diameter_mm) / 2


def plaque_to_fovea(fovea_distance_meridian_mm: float, posterior_margin_mm: float) -> float:
    """Return the distance in mm from plaque to fovea; negative where the plaque passes it.

    ``fovea_distance_meridian_mm`` runs along the tumour's meridian and is itself negative where
    the tumour passes the fovea. A distance recorded as 0 because the fovea is involved must never
    be given here (:func:`analysis.implants.placement_working.find_fovea_distance` refuses it).

    >>> plaque_to_fovea(4.0, 2.0), plaque_to_fovea(-1.5, 1.0)
    (2.0, -2.5)
    """
    return fovea_distance_meridian_mm - posterior_margin_mm


def limbus_to_plaque_from_fovea(
    plaque_to_fovea_mm: float, plaque_diameter_mm: float, limbus_fovea_mm: float = 30.0
) -> float:
    """Way 1: from the limbus to the plaque's anterior edge, counted forward from the fovea.

    >>> limbus_to_plaque_from_fovea(2.0, 20.0)
    8.0
    """
    return limbus_fovea_mm - (plaque_to_fovea_mm + plaque_diameter_mm)


def limbus_to_plaque_from_theatre(
    tumour_limbus_mm: float,
    plaque_diameter_mm: float,
    longitudinal_diameter_mm: float,
    posterior_margin_mm: float,
) -> float:
    """Way 2: from the limbus to the plaque's anterior edge, counted from the tumour as found.

    The plaque covers the tumour's longitudinal diameter and the posterior margin; what is left of
    its diameter lies in front of the tumour.

    >>> limbus_to_plaque_from_theatre(12.0, 20.0, 14.0, 2.0)
    8.0
    """
    return tumour_limbus_mm - (
        plaque_diameter_mm - (longitudinal_diameter_mm + posterior_margin_mm)
    )


def limbus_fovea_arc(axial_length_mm: float) -> float:
    """Return the arc in mm from limbus to fovea on a sphere of this axial length.

    Limbus and fovea lie on a sphere whose diameter is the axial length, the limbus as a circle of
    radius 5.85 mm, the fovea at the posterior pole. In the eye the arc is longer nasally.

    Raises
    ------
    ValueError
        For an axial length outside the registry's limits, 18 to 36 mm.

    Examples
    --------
    >>> [round(limbus_fovea_arc(length), 1) for length in (22, 24, 26)]
    [28.4, 31.6, 34.8]
    """
    if not 18 <= axial_length_mm <= 36:
        raise ValueError(f"an axial length is 18 to 36 mm, found {axial_length_mm!r}")
    radius = axial_length_mm / 2
    return radius * (math.pi - math.asin(LIMBUS_RADIUS_MM / radius))


def chord_to_arc(chord_mm: float, radius_mm: float) -> float:
    """Return the length along a sphere that a straight chord spans.

    Raises
    ------
    ValueError
        When the chord is negative or longer than the sphere's diameter.

    Examples
    --------
    >>> round(chord_to_arc(20.0, 12.0), 1)
    23.6
    """
    if not 0 <= chord_mm <= 2 * radius_mm:
        raise ValueError(f"a chord on a radius of {radius_mm} mm cannot be {chord_mm} mm")
    return 2 * radius_mm * math.asin(chord_mm / (2 * radius_mm))


def arc_to_chord(arc_mm: float, radius_mm: float) -> float:
    """Return the straight chord under an arc of at most half the circumference.

    >>> round(arc_to_chord(chord_to_arc(20.0, 12.0), 12.0), 9)
    20.0
    """
    if not 0 <= arc_mm <= math.pi * radius_mm:
        raise ValueError(f"an arc on a radius of {radius_mm} mm cannot be {arc_mm} mm")
    return 2 * radius_mm * math.sin(arc_mm / (2 * radius_mm))
