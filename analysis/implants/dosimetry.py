"""Doses recomputed from certificate, times and depth, for every implant of the registry.

``D(d) = R(d, t_ref) 2^(-(t_ins - t_ref) / T) (1 - exp(-lambda dt)) / lambda`` with the latest
certificate at or before insertion. On the central axis, homogeneous water, no tilt: a check of the
record's arithmetic, not of the dose in the eye. Times are the local clock times of the record; a
change to or from summer time between two of them is one hour that no record shows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.implants.decay import ICRP_107, decay_factor, find_half_lives
from analysis.implants.dose_points import (
    APEX,
    DEPTH_PLACES,
    INNER_SCLERA,
    PRECISION_HOURS,
    PRESCRIPTION,
    SCLERAL_SURFACE,
    Depths,
    DoseAssumptions,
    DoseUncertainty,
    Limits,
    combine_limits,
    locate_apex,
    locate_fixed,
    locate_inner_sclera,
    locate_prescription,
)
from analysis.implants.implant_records import ImplantRecords, read_implants
from analysis.implants.radiobiology import (
    RepairModel,
    bed_of_decaying_source,
    dose_of_decaying_source,
)

if TYPE_CHECKING:
    import duckdb

    from analysis.outcomes.cohort import DataCut

FloatArray = NDArray[np.float64]
TextArray = NDArray[np.object_]
BoolArray = NDArray[np.bool_]

GY_PER_HOUR_IN_MGY_PER_MIN = 0.06

REASONS: Mapping[str, str] = MappingProxyType(
    {
        "no_applicator": "no plaque is recorded for the implant",
        "no_half_life": "the source of half-lives has none of this isotope",
        "no_certificate": "no certificate of the plaque at or before insertion",
        "not_removed": "no removal is recorded by the data cut",
        "removed_before_inserted": "removal is not after insertion",
        "no_thickness": "no tumour thickness is recorded",
        "no_prescription_depth": "no prescribed depth and no point that names one is recorded",
        "above_table": "the depth is less than the certificate's least depth",
        "below_table": "the depth is more than the certificate's greatest depth",
    }
)
"""Why a dose is missing, by code, in words."""


@dataclass(frozen=True, slots=True)
class PointDoses:
    """The dose at one point of every implant; NaN with a ``reason`` (a key of REASONS) if missing.

    ``dose_rate_gy_per_hour`` is the rate at insertion; ``alternative_gy`` the dose under the other
    reading of an ambiguous record; ``recorded_gy`` the dose that the department reports there.
    """

    point: str
    depths: Depths
    dose_rate_gy_per_hour: FloatArray
    dose_gy: FloatArray
    alternative_gy: FloatArray
    uncertainty: DoseUncertainty
    reason: TextArray
    recorded_gy: FloatArray

    @property
    def ratio(self) -> FloatArray:
        """Recomputed over recorded; NaN where either is missing or nothing was recorded but 0."""
        recorded = np.where(self.recorded_gy > 0, self.recorded_gy, np.nan)
        return self.dose_gy / recorded


@dataclass(frozen=True, slots=True)
class DoseTable:
    """Every implant of the cut with its recomputed doses, one value an implant in each array.

    ``certificate_age_days`` is the time from certificate to insertion; ``remaining_fraction`` what
    is left of the certified rate at insertion; ``course`` numbers the courses of each tumour from
    1; ``points`` holds the doses by point.
    """

    records: ImplantRecords
    half_life_source: str
    assumptions: DoseAssumptions
    half_life_days: FloatArray
    hours: FloatArray
    certificate_age_days: FloatArray
    remaining_fraction: FloatArray
    course: NDArray[np.int64]
    points: Mapping[str, PointDoses]

    @property
    def n(self) -> int:
        """Number of implants."""
        return self.records.n

    @property
    def delivered_over_prescribed(self) -> FloatArray:
        """Recomputed dose at the prescription point over the prescribed dose."""
        return self.points[PRESCRIPTION].dose_gy / self.records.prescribed_dose_gy

    def bed_gy(self, point: str, model: RepairModel) -> FloatArray:
        """Return the BED of every implant at a point; NaN where its dose is missing.

        It holds for each implant's own isotope: bring isotopes together only after
        :func:`analysis.implants.radiobiology.require_one_radiation`.
        """
        doses = self.points[point]
        known = ~np.isnan(doses.dose_gy)
        bed = np.full(self.n, np.nan)
        bed[known] = bed_of_decaying_source(
            doses.dose_rate_gy_per_hour[known],
            self.hours[known],
            self.half_life_days[known],
            model,
        )
        return bed


def recompute_doses(
    connection: duckdb.DuckDBPyConnection,
    cut: DataCut,
    *,
    half_life_source: str = ICRP_107,
    course_gap_days: int = 90,
    assumptions: DoseAssumptions | None = None,
    depths_mm: Sequence[float] = (),
    tumour_of_implant: str | None = None,
) -> DoseTable:
    """Recompute the doses of every implant inserted by the data cut.

    Parameters
    ----------
    connection
        Connection of an open registry.
    cut
        An implant that is still in place on the last day has no dose yet.
    half_life_source, course_gap_days
        The registry's recorded settings.
    assumptions
        What stands in for what is not recorded; defaults of :class:`DoseAssumptions`.
    depths_mm
        Further depths on the axis, from the plaque's surface; their points are named
        ``depth_5_mm``.
    tumour_of_implant
        Keep only the implants of this implant's tumour.

    Raises
    ------
    RefusedInputError
        When the source of half-lives is unknown.

    Notes
    -----
    An empty registry gives empty arrays. Nothing is extrapolated: a depth outside the certificate's
    table is missing, with its reason.
    """
    half_lives = find_half_lives(half_life_source)
    records = read_implants(connection, cut, tumour_of_implant=tumour_of_implant)
    half_life = np.array(
        [half_lives[name].days if name in half_lives else np.nan for name in records.isotope],
        dtype=float,
    )
    return compute_table(
        records,
        half_life,
        half_life_source=half_life_source,
        course_gap_days=course_gap_days,
        assumptions=assumptions or DoseAssumptions(),
        depths_mm=depths_mm,
    )


def compute_table(
    records: ImplantRecords,
    half_life_days: FloatArray,
    *,
    half_life_source: str,
    course_gap_days: int,
    assumptions: DoseAssumptions,
    depths_mm: Sequence[float] = (),
) -> DoseTable:
    """Compute the dose table of records that were read (see :func:`recompute_doses`)."""
    hours = (records.removed_s - records.inserted_s) / 3600.0
    age_days = (records.inserted_s - records.certificate_s) / 86400.0
    remaining = decay_factor(age_days, half_life_days)
    timing = _Timing(records, half_life_days, hours, remaining, assumptions)
    geometry, n = records.geometry, records.n
    places = {
        APEX: locate_apex(geometry, assumptions),
        INNER_SCLERA: locate_inner_sclera(geometry, assumptions),
        SCLERAL_SURFACE: locate_fixed(n, 0.0),
        PRESCRIPTION: locate_prescription(geometry, assumptions),
    } | {f"depth_{depth:g}_mm": locate_fixed(n, depth) for depth in depths_mm}
    return DoseTable(
        records=records,
        half_life_source=half_life_source,
        assumptions=assumptions,
        half_life_days=half_life_days,
        hours=hours,
        certificate_age_days=age_days,
        remaining_fraction=remaining,
        course=number_courses(records.tumour_id, records.inserted_s, course_gap_days),
        points=MappingProxyType({name: timing.dose_at(name, at) for name, at in places.items()}),
    )


def number_courses(
    tumour_id: TextArray, inserted_s: FloatArray, course_gap_days: int
) -> NDArray[np.int64]:
    """Number each tumour's courses from 1: implants within the gap of the course's first day.

    Whole days are compared, as everywhere in the registry; the first implant opens course 1, the
    first one later than the gap opens the next.

    Examples
    --------
    >>> day = 86400.0 * np.array([0.0, 90.0, 91.0, 170.0])
    >>> number_courses(np.array(["T1"] * 4, dtype=object), day, 90).tolist()
    [1, 1, 2, 2]
    """
    course = np.zeros(len(tumour_id), dtype=np.int64)
    days = np.floor(inserted_s / 86400.0)
    opened: dict[str, tuple[int, float]] = {}
    for row in np.argsort(inserted_s, kind="stable").tolist():
        number, first_day = opened.get(tumour_id[row], (0, -np.inf))
        if days[row] - first_day > course_gap_days:
            number, first_day = number + 1, days[row]
            opened[tumour_id[row]] = (number, first_day)
        course[row] = number
    return course


@dataclass(frozen=True, slots=True)
class _Timing:
    """What doses at every point share."""

    records: ImplantRecords
    half_life_days: FloatArray
    hours: FloatArray
    remaining: FloatArray
    assumptions: DoseAssumptions

    def dose_at(self, point: str, at: Depths) -> PointDoses:
        reason = self._find_reason(point, at.depth_mm)
        usable = reason == ""
        rate = np.where(usable, self._rate(at.depth_mm), np.nan)
        dose = self._dose(rate)
        return PointDoses(
            point=point,
            depths=at,
            dose_rate_gy_per_hour=rate,
            dose_gy=dose,
            alternative_gy=self._dose(self._rate(at.alternative_mm)),
            uncertainty=self._bound(at, rate, dose),
            reason=reason,
            recorded_gy=self.records.recorded_gy.get(point, np.full(self.records.n, np.nan)),
        )

    def _rate(self, depth_mm: FloatArray) -> FloatArray:
        """Dose rate at insertion in Gy/h."""
        tables = self.records.certificates.tables
        certified = tables.rate_at(self.records.certificate, np.round(depth_mm, DEPTH_PLACES))
        return certified * GY_PER_HOUR_IN_MGY_PER_MIN * self.remaining

    def _dose(self, rate: FloatArray, hours: FloatArray | None = None) -> FloatArray:
        duration = self.hours if hours is None else hours
        known = ~np.isnan(rate) & (duration > 0)
        dose = np.full(rate.shape, np.nan)
        dose[known] = dose_of_decaying_source(
            rate[known], duration[known], self.half_life_days[known]
        )
        return dose

    def _bound(self, at: Depths, rate: FloatArray, dose: FloatArray) -> DoseUncertainty:
        share = self.records.certificate_uncertainty_fraction
        certificate = Limits(dose * (1 - share), dose * (1 + share))
        width = self.assumptions.thickness_uncertainty_mm
        moves = at.moves_with_thickness & ~np.isnan(dose)
        deep = np.where(moves, self._dose(self._rate(at.depth_mm + width)), np.nan)
        shallow = np.where(moves, self._dose(self._rate(at.depth_mm - width)), np.nan)
        slack = np.array([PRECISION_HOURS.get(one, np.nan) for one in self.records.precision])
        shorter = np.maximum(self.hours - slack, 1e-6)
        time = Limits(self._dose(rate, shorter), self._dose(rate, self.hours + slack))
        thickness = Limits(deep, shallow)
        total = combine_limits(dose, certificate, thickness, time)
        lost = moves & (width > 0)
        lower = np.where(lost & np.isnan(deep), np.nan, total.lower_gy)
        upper = np.where(lost & np.isnan(shallow), np.nan, total.upper_gy)
        return DoseUncertainty(certificate, thickness, time, Limits(lower, upper))

    def _find_reason(self, point: str, depth_mm: FloatArray) -> TextArray:
        records = self.records
        tables, table = records.certificates.tables, np.maximum(records.certificate, 0)
        has_table = records.certificate >= 0
        depth = np.round(depth_mm, DEPTH_PLACES)
        if len(records.certificates.reference_s):
            above = has_table & (depth < tables.lowest_mm(table))
            below = has_table & (depth > tables.highest_mm(table))
        else:
            above = below = np.zeros(records.n, dtype=bool)
        named = point == PRESCRIPTION
        by_apex = records.geometry.prescription_point == "apex"
        without_depth = np.isnan(depth)
        no_thickness = without_depth & (by_apex if named else np.ones(records.n, dtype=bool))
        checks: list[tuple[str, BoolArray]] = [
            ("no_applicator", records.isotope == None),  # noqa: E711
            ("no_half_life", np.isnan(self.half_life_days)),
            ("no_certificate", ~has_table),
            ("not_removed", np.isnan(records.removed_s)),
            ("removed_before_inserted", self.hours <= 0),
            ("no_thickness", no_thickness),
            ("no_prescription_depth", without_depth),
            ("above_table", above),
            ("below_table", below),
        ]
        codes = np.select([found for _, found in checks], [code for code, _ in checks], "")
        return codes.astype(object)
