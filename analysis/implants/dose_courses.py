"""Courses of several implants: doses and biologically effective doses added up.

Implants on one tumour that start within the course gap (90 days unless the registry says otherwise)
are one course. Physical doses at a point add; so do BED, since days lie between implants and repair
takes hours. BED of different isotopes add only where the RBE of each is stated.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from analysis.implants.dosimetry import REASONS, DoseTable
from analysis.implants.radiobiology import RepairModel, require_one_radiation
from registry.errors import RefusedEstimateError

COURSE_REASONS: Mapping[str, str] = MappingProxyType(
    dict(REASONS)
    | {"isotopes_differ": "implants of several isotopes; the RBE of each is not stated"}
)
"""Why a sum is missing, by code, in words."""


@dataclass(frozen=True, slots=True)
class CourseDose:
    """One course of one tumour.

    ``dose_gy`` and ``bed_gy`` are NaN where one implant's dose is missing; ``reason`` says why.
    ``dose_models`` are those of the recorded doses; ``recorded_gy`` is NaN where one implant has
    no recorded dose or where they name several models.
    """

    tumour_id: str
    course: int
    implant_ids: tuple[str, ...]
    isotopes: tuple[str, ...]
    dose_models: tuple[str, ...]
    hours: float
    dose_gy: float
    recorded_gy: float
    bed_gy: float
    reason: str
    bed_reason: str


def sum_courses(
    table: DoseTable,
    point: str,
    model: RepairModel,
    rbe_by_isotope: Mapping[str, float] | None = None,
) -> tuple[CourseDose, ...]:
    """Add up each course at a point, in order of tumour and course.

    Parameters
    ----------
    table
        Of :func:`analysis.implants.dosimetry.recompute_doses`.
    point
        One of the table's points.
    model
        alpha/beta and repair half-time.
    rbe_by_isotope
        Stated RBE, needed where a course has several isotopes; it takes the place of
        ``model.rbe_max`` wherever it is given.
    """
    bed = bed_by_isotope(table, point, model, rbe_by_isotope)
    rows_by_course: dict[tuple[str, int], list[int]] = {}
    keys = zip(table.records.tumour_id.tolist(), table.course.tolist(), strict=True)
    for row, key in enumerate(keys):
        rows_by_course.setdefault(key, []).append(row)
    return tuple(
        _sum(table, point, bed, key, np.array(rows), rbe_by_isotope)
        for key, rows in sorted(rows_by_course.items())
    )


def bed_by_isotope(
    table: DoseTable, point: str, model: RepairModel, rbe: Mapping[str, float] | None
) -> NDArray[np.float64]:
    """Return the BED of every implant with the RBE stated for its isotope, else the model's.

    The RBE multiplies the linear term alone (Dale & Jones 1999, from memory).
    """
    bed = table.bed_gy(point, model)
    for isotope, value in (rbe or {}).items():
        own = table.records.isotope == isotope
        bed[own] = table.bed_gy(point, replace(model, rbe_max=value))[own]
    return bed


def _sum(
    table: DoseTable,
    point: str,
    bed: NDArray[np.float64],
    key: tuple[str, int],
    rows: NDArray[np.int64],
    rbe: Mapping[str, float] | None,
) -> CourseDose:
    records, doses = table.records, table.points[point]
    isotopes = tuple(sorted({str(name) for name in records.isotope[rows] if name}))
    models = tuple(sorted({str(name) for name in records.dose_model[rows] if name}))
    reason = next((str(code) for code in doses.reason[rows] if code), "")
    bed_reason = reason
    try:
        require_one_radiation(isotopes, rbe)
    except RefusedEstimateError:
        bed_reason = reason or "isotopes_differ"
    recorded = float(doses.recorded_gy[rows].sum()) if len(models) <= 1 else float("nan")
    return CourseDose(
        tumour_id=key[0],
        course=key[1],
        implant_ids=tuple(str(name) for name in records.implant_id[rows]),
        isotopes=isotopes,
        dose_models=models,
        hours=float(table.hours[rows].sum()),
        dose_gy=float(doses.dose_gy[rows].sum()),
        recorded_gy=recorded,
        bed_gy=float("nan") if bed_reason else float(bed[rows].sum()),
        reason=reason,
        bed_reason=bed_reason,
    )
