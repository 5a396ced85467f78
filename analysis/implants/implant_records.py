"""Implants, their tumours and the certificates they irradiated by, as arrays from the registry.

The certificate of an implant is the latest of its plaque whose reference time is not after
insertion. What lies after the data cut is not read; a plaque removed after the cut counts as still
in place.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.implants.depth_dose import DepthDoseTables
from analysis.implants.dose_points import APEX, INNER_SCLERA, SCLERAL_SURFACE, Geometry

if TYPE_CHECKING:
    import duckdb

    from analysis.outcomes.cohort import DataCut

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
TextArray = NDArray[np.object_]

RECORDED_FIELD: Mapping[str, str] = MappingProxyType(
    {
        APEX: "dose_apex_gy",
        INNER_SCLERA: "dose_inner_sclera_gy",
        SCLERAL_SURFACE: "dose_sclera_gy",
    }
)
"""The implant's field that holds the department's own dose at a point."""


@dataclass(frozen=True, slots=True)
class Certificates:
    """Certificates by index: plaque, reference time (s since 1970), uncertainty and tables."""

    applicator_id: TextArray
    reference_s: FloatArray
    uncertainty_pct: FloatArray
    tables: DepthDoseTables


@dataclass(frozen=True, slots=True)
class ImplantRecords:
    """One value an implant; times in seconds since 1970 by the record's own clock.

    ``certificate`` is an index into ``certificates``, -1 where there is none. Missing numbers are
    NaN, missing texts None.
    """

    implant_id: TextArray
    tumour_id: TextArray
    applicator_id: TextArray
    isotope: TextArray
    dose_model: TextArray
    dose_source: TextArray
    precision: TextArray
    inserted_s: FloatArray
    removed_s: FloatArray
    prescribed_dose_gy: FloatArray
    geometry: Geometry
    recorded_gy: Mapping[str, FloatArray]
    certificate: IntArray
    certificates: Certificates

    @property
    def n(self) -> int:
        """Number of implants."""
        return len(self.implant_id)

    @property
    def certificate_s(self) -> FloatArray:
        """Reference time of each implant's certificate."""
        return self._of_certificate(self.certificates.reference_s)

    @property
    def certificate_uncertainty_fraction(self) -> FloatArray:
        """Expanded uncertainty (k = 2) of each implant's certificate as a fraction."""
        return self._of_certificate(self.certificates.uncertainty_pct) / 100.0

    def _of_certificate(self, values: FloatArray) -> FloatArray:
        if len(values) == 0:
            return np.full(self.n, np.nan)
        return np.where(self.certificate >= 0, values[self.certificate], np.nan)

    def find(self, implant_id: str) -> int | None:
        """Return the row of an implant, or None."""
        found = np.flatnonzero(self.implant_id == implant_id)
        return int(found[0]) if len(found) else None


_IMPLANTS_SQL = """
WITH moment AS (
    SELECT applicator_id, reference_at FROM certificate_as_of($recorded_until)
    GROUP BY applicator_id, reference_at),
chosen AS (
    SELECT * FROM implant_as_of($recorded_until)
    WHERE CAST(inserted_at AS DATE) <= $cut_date
        AND ($implant IS NULL OR tumour_id IN (
            SELECT tumour_id FROM implant_as_of($recorded_until) WHERE implant_id = $implant)))
SELECT i.implant_id, i.tumour_id, i.applicator_id, a.isotope, i.dose_model, i.dose_source,
    i.inserted_precision AS precision,
    epoch(i.inserted_at) AS inserted_s,
    epoch(CASE WHEN CAST(i.removed_at AS DATE) <= $cut_date THEN i.removed_at END) AS removed_s,
    CAST(i.prescribed_dose_gy AS DOUBLE) AS prescribed_dose_gy,
    CAST(t.thickness_mm AS DOUBLE) AS thickness_mm,
    t.thickness_includes_sclera AS includes_sclera,
    CAST(i.sclera_allowance_mm AS DOUBLE) AS sclera_allowance_mm,
    CAST(i.prescribed_depth_mm AS DOUBLE) AS prescribed_depth_mm,
    i.depth_origin, i.prescription_point,
    CAST(i.dose_apex_gy AS DOUBLE) AS dose_apex_gy,
    CAST(i.dose_inner_sclera_gy AS DOUBLE) AS dose_inner_sclera_gy,
    CAST(i.dose_sclera_gy AS DOUBLE) AS dose_sclera_gy,
    epoch(c.reference_at) AS certificate_s
FROM chosen i
LEFT JOIN tumour_as_of($recorded_until) t USING (tumour_id)
LEFT JOIN applicator_as_of($recorded_until) a ON a.applicator_id = i.applicator_id
ASOF LEFT JOIN moment c
    ON c.applicator_id = i.applicator_id AND c.reference_at <= i.inserted_at
ORDER BY i.inserted_at, i.implant_id"""

_CERTIFICATES_SQL = """
SELECT applicator_id, epoch(reference_at) AS reference_s, CAST(depth_mm AS DOUBLE) AS depth_mm,
    CAST(dose_rate_mgy_min AS DOUBLE) AS dose_rate,
    CAST(max(uncertainty_pct) OVER (PARTITION BY applicator_id, reference_at) AS DOUBLE)
        AS uncertainty_pct,
    dense_rank() OVER (ORDER BY applicator_id, reference_at) - 1 AS certificate
FROM certificate_as_of($recorded_until)
ORDER BY certificate, depth_mm"""


def _fetch(connection: Any, sql: str, parameters: dict[str, object]) -> dict[str, Any]:
    """Run a query; texts become object arrays, numbers float arrays with NaN for NULL."""
    table = connection.sql(sql, params=parameters).to_arrow_table()
    columns = {}
    for name in table.column_names:
        column = table[name]
        is_text = str(column.type) in ("string", "large_string", "string_view", "null")
        values = column.to_numpy(zero_copy_only=False)
        columns[name] = values.astype(object) if is_text else values.astype(float)
    return columns


def read_certificates(connection: duckdb.DuckDBPyConnection, cut: DataCut) -> Certificates:
    """Read every certificate recorded by the cut; where depths differ, the worst uncertainty."""
    rows = _fetch(connection, _CERTIFICATES_SQL, {"recorded_until": cut.recorded_until})
    index = rows["certificate"].astype(np.int64)
    first = np.flatnonzero(np.diff(index, prepend=-1))
    tables = DepthDoseTables.of(index, rows["depth_mm"], rows["dose_rate"], len(first))
    return Certificates(
        rows["applicator_id"][first],
        rows["reference_s"][first],
        rows["uncertainty_pct"][first],
        tables,
    )


def read_implants(
    connection: duckdb.DuckDBPyConnection, cut: DataCut, *, tumour_of_implant: str | None = None
) -> ImplantRecords:
    """Read the implants inserted by the cut, in order of insertion.

    ``tumour_of_implant`` keeps only the implants of that implant's tumour.
    """
    certificates = read_certificates(connection, cut)
    rows = _fetch(connection, _IMPLANTS_SQL, cut.parameters() | {"implant": tumour_of_implant})
    keys = zip(certificates.applicator_id, certificates.reference_s, strict=True)
    place = {key: index for index, key in enumerate(keys)}
    chosen = zip(rows["applicator_id"], rows["certificate_s"], strict=True)
    names = ("implant_id", "tumour_id", "applicator_id", "isotope", "dose_model", "dose_source")
    shape = (
        "thickness_mm",
        "includes_sclera",
        "sclera_allowance_mm",
        "prescribed_depth_mm",
        "depth_origin",
        "prescription_point",
    )
    return ImplantRecords(
        **{name: rows[name] for name in (*names, "precision", "inserted_s", "removed_s")},
        prescribed_dose_gy=rows["prescribed_dose_gy"],
        geometry=Geometry(**{name: rows[name] for name in shape}),
        recorded_gy=MappingProxyType({p: rows[field] for p, field in RECORDED_FIELD.items()}),
        certificate=np.array([place.get(key, -1) for key in chosen], dtype=np.int64),
        certificates=certificates,
    )
