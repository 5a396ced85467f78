"""The placement check of one implant, and of every implant of the registry as a table."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.implants.placement_exceptions import PlacementException, list_exceptions
from analysis.implants.placement_records import MuscleRecord, PlacementRecord, read_placements
from analysis.implants.placement_working import (
    PlacementRules,
    work_out_along_sclera,
    work_out_position,
    work_out_size,
)
from analysis.implants.worked import Worked, name_missing

if TYPE_CHECKING:
    import duckdb

    from analysis.outcomes.cohort import DataCut


@dataclass(frozen=True, slots=True)
class PlacementCheck:
    """One implant: the numbers worked out and the departures from what is customary."""

    record: PlacementRecord
    worked: tuple[Worked, ...]
    exceptions: tuple[PlacementException, ...]

    @property
    def values(self) -> dict[str, float | None]:
        """The numbers by name."""
        return {one.name: one.value for one in self.worked}


@dataclass(frozen=True, slots=True)
class PlacementTable:
    """Every implant's placement check.

    ``values`` holds each number by name as an array over implants, NaN where it is missing (knots
    of muscles apart); ``n_by_exception`` counts implants with each departure, and
    ``n_missing`` implants without each number.
    """

    checks: tuple[PlacementCheck, ...]
    values: Mapping[str, NDArray[np.float64]]
    n_by_exception: Mapping[str, int]
    n_missing: Mapping[str, int]


def _work_out_knot(muscle: MuscleRecord) -> Worked:
    before, after = muscle.knot_limbus_before_mm, muscle.knot_limbus_after_mm
    inputs = {"knot_limbus_before_mm": before, "knot_limbus_after_mm": after}
    return Worked(
        f"knot_moved_{muscle.muscle}_mm",
        f"Knot to limbus, after minus before: {muscle.muscle.replace('_', ' ')}",
        after - before if before is not None and after is not None else None,
        "mm",
        "knot_limbus_after_mm - knot_limbus_before_mm",
        inputs,
        reason=name_missing(inputs),
    )


def check_placement(record: PlacementRecord, rules: PlacementRules | None = None) -> PlacementCheck:
    """Work out one implant's placement and list its departures.

    Examples
    --------
    >>> from datetime import date
    >>> record = PlacementRecord("I1", "T1", date(2024, 3, 1), largest_basal_diameter_mm=16.0,
    ...                          plaque_diameter_mm=18.0)
    >>> check = check_placement(record)
    >>> check.values["least_plaque_diameter_mm"], check.exceptions[0].code
    (20.0, 'plaque_smaller_than_customary')
    """
    rules = rules or PlacementRules()
    worked = (
        *work_out_size(record, rules),
        *work_out_along_sclera(record),
        *work_out_position(record, rules),
        *(_work_out_knot(muscle) for muscle in record.muscles if muscle.muscle.endswith("rectus")),
    )
    values = {one.name: one.value for one in worked}
    return PlacementCheck(record, worked, list_exceptions(record, rules, values))


def check_placements(
    connection: duckdb.DuckDBPyConnection, cut: DataCut, rules: PlacementRules | None = None
) -> PlacementTable:
    """Check the placement of every implant inserted by the data cut, in order of insertion."""
    records = read_placements(connection, cut)
    return tabulate([check_placement(record, rules) for record in records])


def tabulate(checks: Sequence[PlacementCheck]) -> PlacementTable:
    """Lay checks out as a table (see :class:`PlacementTable`)."""
    found = [check.values for check in checks]
    names = dict.fromkeys(name for one in found for name in one if not name.startswith("knot_"))
    values = {
        name: np.array([one.get(name) for one in found], dtype=float)  # None becomes NaN
        for name in names
    }
    counted = Counter(code for check in checks for code in {one.code for one in check.exceptions})
    missing = {name: int(np.isnan(column).sum()) for name, column in values.items()}
    return PlacementTable(
        tuple(checks),
        MappingProxyType(values),
        MappingProxyType(dict(sorted(counted.items()))),
        MappingProxyType(missing),
    )
