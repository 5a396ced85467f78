"""Growth after treatment by the registry's rule: a reason to look again, not an end point.

A tumour has grown when two successive visits both lie above the lowest earlier size by 15 % or
0.5 mm in height (not before 6 months) or by 0.25 mm laterally; the numbers are a common definition
from memory and a setting of the registry. The lowest earlier size is that of two successive visits
too (the higher of each two), or the one at baseline: a single low reading does not count, just as a
single high one does not, because ultrasound repeats within about half a millimetre only.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from registry.settings import DEFAULT_GROWTH_RULE

if TYPE_CHECKING:
    import duckdb


@dataclass(frozen=True, slots=True)
class GrowthRule:
    """The registry's setting ``growth_rule``."""

    height_fraction: float = DEFAULT_GROWTH_RULE["height_fraction"]
    height_mm: float = DEFAULT_GROWTH_RULE["height_mm"]
    lateral_mm: float = DEFAULT_GROWTH_RULE["lateral_mm"]
    height_not_before_days: float = DEFAULT_GROWTH_RULE["height_not_before_days"]

    def parameters(self) -> dict[str, Any]:
        """Return the numbers by name, for SQL."""
        return {
            "height_fraction": float(self.height_fraction),
            "height_mm": float(self.height_mm),
            "lateral_mm": float(self.lateral_mm),
            "height_not_before_days": int(self.height_not_before_days),
        }


@dataclass(frozen=True, slots=True)
class Growth:
    """The first two successive visits of a tumour that meet the rule.

    ``lowest_mm`` is the size that it is measured against and ``grown_mm`` what both visits lie
    above it at least. ``measure`` is ``"height"`` or ``"diameter"``; ``meets_fraction`` and
    ``meets_mm`` say which of the two limits of height are met (both for a diameter).
    """

    tumour_id: str
    patient_id: str
    measure: str
    first_date: date
    second_date: date
    lowest_mm: float
    grown_mm: float
    meets_fraction: bool
    meets_mm: bool
    failed_date: date | None


_SQL = """
WITH size AS (
    SELECT tumour_id, patient_id, 'height' AS measure, zero_date AS on_date,
        CAST(thickness_mm AS DOUBLE) AS mm, 0 AS days, true AS is_baseline
    FROM checked_tumour WHERE zero_date IS NOT NULL AND thickness_mm IS NOT NULL
    UNION ALL
    SELECT tumour_id, patient_id, 'diameter', zero_date, CAST(largest_basal_diameter_mm AS DOUBLE),
        0, true
    FROM checked_tumour WHERE zero_date IS NOT NULL AND largest_basal_diameter_mm IS NOT NULL
    UNION ALL
    SELECT t.tumour_id, t.patient_id, 'height', v.visit_date, CAST(v.thickness_mm AS DOUBLE),
        v.visit_date - t.zero_date, false
    FROM checked_visit v JOIN checked_tumour t ON t.tumour_id = v.of_tumour
    WHERE v.thickness_mm IS NOT NULL AND v.visit_date > t.zero_date
    UNION ALL
    SELECT t.tumour_id, t.patient_id, 'diameter', v.visit_date,
        CAST(v.largest_basal_diameter_mm AS DOUBLE), v.visit_date - t.zero_date, false
    FROM checked_visit v JOIN checked_tumour t ON t.tumour_id = v.of_tumour
    WHERE v.largest_basal_diameter_mm IS NOT NULL AND v.visit_date > t.zero_date),
pair AS (
    SELECT *, lead(mm) OVER own AS next_mm, lead(on_date) OVER own AS next_date,
        CASE WHEN is_baseline THEN mm ELSE greatest(mm, lag(mm) OVER own) END AS confirmed_mm
    FROM size WINDOW own AS (PARTITION BY tumour_id, measure ORDER BY days, on_date)),
compared AS (
    SELECT *, min(confirmed_mm) OVER (PARTITION BY tumour_id, measure ORDER BY days, on_date
        ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS lowest_mm,
        least(mm, next_mm) AS both_mm
    FROM pair),
judged AS (
    SELECT *, both_mm - lowest_mm AS grown_mm,
        measure = 'diameter' OR both_mm >= lowest_mm * (1 + $height_fraction) - 1e-9
            AS meets_fraction,
        both_mm >= lowest_mm + CASE measure WHEN 'height' THEN $height_mm ELSE $lateral_mm END
            - 1e-9 AS meets_mm
    FROM compared WHERE next_mm IS NOT NULL AND lowest_mm IS NOT NULL AND NOT is_baseline)
SELECT j.tumour_id, j.patient_id, j.measure, j.on_date, j.next_date, j.lowest_mm, j.grown_mm,
    j.meets_fraction, j.meets_mm, f.failed_date
FROM judged j LEFT JOIN checked_failure f USING (tumour_id)
WHERE CASE j.measure WHEN 'height'
    THEN (j.meets_fraction OR j.meets_mm) AND j.days >= $height_not_before_days
    ELSE j.meets_mm END
QUALIFY row_number() OVER (PARTITION BY j.tumour_id
    ORDER BY (j.meets_fraction AND j.meets_mm) DESC, j.on_date, j.measure) = 1
ORDER BY j.tumour_id"""


def find_growth(
    connection: duckdb.DuckDBPyConnection, rule: GrowthRule | None = None
) -> tuple[Growth, ...]:
    """Find the tumours that grew by the rule, failed or not, in order of tumour.

    Reads the relations of :func:`analysis.checking.check_relations.laid_out`. A tumour without a
    size at
    baseline is measured against its visits alone. Growth by both limits of height is preferred to
    an earlier one by one limit.
    """
    parameters: Mapping[str, object] = (rule or GrowthRule()).parameters()
    return tuple(Growth(*row) for row in connection.execute(_SQL, parameters).fetchall())
