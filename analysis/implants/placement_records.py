"""What the registry knows of how each plaque was placed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import duckdb

    from analysis.outcomes.cohort import DataCut


@dataclass(frozen=True, slots=True)
class MuscleRecord:
    """One muscle that was detached."""

    muscle: str
    knot_limbus_before_mm: float | None = None
    knot_limbus_after_mm: float | None = None
    overlies_plaque: str | None = None


@dataclass(frozen=True, slots=True)
class PlacementRecord:
    """One implant with its tumour, plaque and muscles; None where not recorded.

    Field names and codes are the registry's. ``stock_diameters_mm`` are the diameters of the
    plaques in use on the day of insertion.
    """

    implant_id: str
    tumour_id: str
    inserted_date: date
    thickness_mm: float | None = None
    largest_basal_diameter_mm: float | None = None
    longitudinal_basal_diameter_mm: float | None = None
    fovea_distance_mm: float | None = None
    fovea_distance_meridian_mm: float | None = None
    fovea_involved: str | None = None
    disc_distance_mm: float | None = None
    axial_length_mm: float | None = None
    distance_convention: str | None = None
    applicator_id: str | None = None
    isotope: str | None = None
    plaque_diameter_mm: float | None = None
    active_diameter_mm: float | None = None
    curvature_radius_mm: float | None = None
    notch: str | None = None
    first_used_date: date | None = None
    retired_date: date | None = None
    planned_margin_mm: float | None = None
    planned_posterior_margin_mm: float | None = None
    planned_limbus_distance_mm: float | None = None
    tumour_limbus_distance_mm: float | None = None
    placed_limbus_distance_mm: float | None = None
    margin_covered: str | None = None
    least_margin_mm: float | None = None
    least_margin_side: str | None = None
    disc_contact: str | None = None
    position_at_removal: str | None = None
    outside_usual_limits_reason: str | None = None
    muscles: tuple[MuscleRecord, ...] = ()
    stock_diameters_mm: tuple[float, ...] = ()


_TUMOUR_LENGTHS = (
    "thickness_mm",
    "largest_basal_diameter_mm",
    "longitudinal_basal_diameter_mm",
    "fovea_distance_mm",
    "fovea_distance_meridian_mm",
    "disc_distance_mm",
    "axial_length_mm",
)
_IMPLANT_LENGTHS = (
    "planned_margin_mm",
    "planned_posterior_margin_mm",
    "planned_limbus_distance_mm",
    "tumour_limbus_distance_mm",
    "placed_limbus_distance_mm",
    "least_margin_mm",
)
_IMPLANT_CODES = (
    "margin_covered",
    "least_margin_side",
    "disc_contact",
    "position_at_removal",
    "outside_usual_limits_reason",
)


def _as_double(alias: str, names: Iterable[str]) -> str:
    return ", ".join(f"CAST({alias}.{name} AS DOUBLE) AS {name}" for name in names)


_SQL = f"""
SELECT i.implant_id, i.tumour_id, CAST(i.inserted_at AS DATE) AS inserted_date,
    {_as_double("t", _TUMOUR_LENGTHS)}, t.fovea_involved, t.distance_convention,
    i.applicator_id, a.isotope, CAST(a.diameter_mm AS DOUBLE) AS plaque_diameter_mm,
    {_as_double("a", ("active_diameter_mm", "curvature_radius_mm"))},
    a.notch, a.first_used_date, a.retired_date,
    {_as_double("i", _IMPLANT_LENGTHS)}, {", ".join(f"i.{name}" for name in _IMPLANT_CODES)}
FROM implant_as_of($recorded_until) i
LEFT JOIN tumour_as_of($recorded_until) t USING (tumour_id)
LEFT JOIN applicator_as_of($recorded_until) a ON a.applicator_id = i.applicator_id
WHERE CAST(i.inserted_at AS DATE) <= $cut_date
    AND ($implant IS NULL OR i.implant_id = $implant)
ORDER BY i.inserted_at, i.implant_id"""

_MUSCLES_SQL = """
SELECT implant_id, muscle, CAST(knot_limbus_before_mm AS DOUBLE),
    CAST(knot_limbus_after_mm AS DOUBLE), overlies_plaque
FROM implant_muscle_as_of($recorded_until)
WHERE $implant IS NULL OR implant_id = $implant
ORDER BY implant_id, muscle"""

_STOCK_SQL = """
SELECT CAST(diameter_mm AS DOUBLE), first_used_date, retired_date
FROM applicator_as_of($recorded_until)"""


def _read_muscles(
    connection: Any, parameters: dict[str, object]
) -> dict[str, tuple[MuscleRecord, ...]]:
    muscles: dict[str, list[MuscleRecord]] = {}
    for implant_id, *values in connection.execute(_MUSCLES_SQL, parameters).fetchall():
        muscles.setdefault(implant_id, []).append(MuscleRecord(*values))
    return {name: tuple(found) for name, found in muscles.items()}


def _in_use(stock: list[tuple[float, date | None, date | None]], day: date) -> tuple[float, ...]:
    """Diameters of the plaques in use on a day, each once; a plaque without dates always is."""
    return tuple(
        sorted(
            {
                diameter
                for diameter, first, last in stock
                if (first is None or first <= day) and (last is None or day <= last)
            }
        )
    )


def read_placements(
    connection: duckdb.DuckDBPyConnection, cut: DataCut, *, implant_id: str | None = None
) -> tuple[PlacementRecord, ...]:
    """Read the implants inserted by the cut, in order of insertion; or one of them.

    An implant that is not in the registry, or is inserted after the cut, gives an empty tuple.
    """
    recorded: dict[str, object] = {"recorded_until": cut.recorded_until}
    only: dict[str, object] = {"implant": implant_id}
    rows = connection.execute(_SQL, cut.parameters() | only)
    names = [column[0] for column in rows.description]
    found = rows.fetchall()
    muscles = _read_muscles(connection, recorded | only)
    stock = connection.execute(_STOCK_SQL, recorded).fetchall()
    by_day: dict[date, tuple[float, ...]] = {}
    records = []
    for row in found:
        values = dict(zip(names, row, strict=True))
        day = values["inserted_date"]
        if day not in by_day:
            by_day[day] = _in_use(stock, day)
        own = muscles.get(values["implant_id"], ())
        records.append(PlacementRecord(**values, muscles=own, stock_diameters_mm=by_day[day]))
    return tuple(records)
