"""Who was treated: the baseline table and how complete each field is.

One row a treated tumour of the cohort, with what was known at time zero; doses and duration are
those of its first course. Acuity at baseline is the last one in the window up to insertion; chart
acuities are summarised as letters, levels off the chart are counted beside them and never averaged.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.outcomes.cohort import CohortRules, DataCut, unit_relations
from analysis.outcomes.course_doses import course_rows, course_sum
from analysis.outcomes.grouping import DERIVED

if TYPE_CHECKING:
    import duckdb

BASELINE_WINDOW_DAYS = 90


@dataclass(frozen=True, slots=True)
class Characteristic:
    """One line of the baseline table: a number or a set of categories."""

    name: str
    label: str
    unit: str = ""
    decimals: int = 1
    is_number: bool = False


CHARACTERISTICS: tuple[Characteristic, ...] = (
    Characteristic("age_years", "Age at treatment", "years", 0, True),
    Characteristic("sex", "Sex"),
    Characteristic("eye", "Eye"),
    Characteristic("site", "Site of the bulk"),
    Characteristic("thickness_mm", "Thickness", "mm", 1, True),
    Characteristic("largest_basal_diameter_mm", "Largest basal diameter", "mm", 1, True),
    Characteristic("size_category", "Size category (AJCC 8)"),
    Characteristic("t_category", "T category (AJCC 8)"),
    Characteristic("stage_group", "Stage group (AJCC 8)"),
    Characteristic("ciliary_body_involved", "Ciliary body involved"),
    Characteristic("extraocular_extension", "Extraocular extension"),
    Characteristic("fovea_distance_mm", "Distance to fovea", "mm", 1, True),
    Characteristic("disc_distance_mm", "Distance to disc", "mm", 1, True),
    Characteristic("chromosome_3", "Chromosome 3"),
    Characteristic("prior_treatment", "Treatment before"),
    Characteristic("baseline_letters", "Acuity at baseline, on the chart", "letters", 0, True),
    Characteristic("baseline_level", "Acuity at baseline, level"),
    Characteristic("isotope", "Isotope"),
    Characteristic("plaque_diameter_mm", "Plaque diameter", "mm", 1, True),
    Characteristic("prescribed_dose_gy", "Prescribed dose", "Gy", 0, True),
    Characteristic("dose_apex_gy", "Dose at the apex, as recorded", "Gy", 0, True),
    Characteristic("dose_sclera_gy", "Dose at the sclera, as recorded", "Gy", 0, True),
    Characteristic("duration_hours", "Duration of irradiation", "h", 0, True),
)

_SUMMED = ("prescribed_dose_gy", "dose_apex_gy", "dose_sclera_gy")
_UNITS = "(SELECT unit_id, tumour_id, first_implant_id AS implant_id FROM unit)"

_SQL = f"""
, course AS (
    SELECT u.unit_id, {", ".join(f"{course_sum(name)} AS {name}" for name in _SUMMED)},
        CASE WHEN count(i.removed_at) = count(*) AND max(CAST(i.removed_at AS DATE)) <= $cut_date
            THEN sum(date_diff('minute', i.inserted_at, i.removed_at)) / 60.0 END AS duration_hours
    FROM {course_rows(_UNITS)} GROUP BY u.unit_id)
, baseline_acuity AS (
    SELECT u.unit_id, v.acuity_letters, v.acuity_off_chart
    FROM unit u JOIN cut_visit v USING (patient_id, eye)
    WHERE v.acuity IS NOT NULL AND v.visit_date <= u.zero_date
        AND v.visit_date >= u.zero_date - CAST($baseline_window_days AS INTEGER)
    QUALIFY row_number() OVER (
        PARTITION BY u.unit_id ORDER BY v.visit_date DESC, v.visit_id) = 1)
SELECT u.unit_id, year(u.zero_date) AS year_of_treatment, year(u.zero_date) AS year,
    year(u.zero_date) - p.birth_year AS age_years, p.sex, t.eye, t.site,
    CAST(t.thickness_mm AS DOUBLE) AS thickness_mm,
    CAST(t.largest_basal_diameter_mm AS DOUBLE) AS largest_basal_diameter_mm,
    t.ciliary_body_involved, t.extraocular_extension, t.node_status, t.metastasis_at_baseline,
    CAST(t.fovea_distance_mm AS DOUBLE) AS fovea_distance_mm,
    CAST(t.disc_distance_mm AS DOUBLE) AS disc_distance_mm, t.chromosome_3, t.prior_treatment,
    b.acuity_letters AS baseline_letters, b.acuity_off_chart AS baseline_off_chart,
    a.isotope, CAST(a.diameter_mm AS DOUBLE) AS plaque_diameter_mm,
    c.prescribed_dose_gy, c.dose_apex_gy, c.dose_sclera_gy, c.duration_hours,
    i.placed_limbus_distance_mm IS NOT NULL AS has_placement,
    EXISTS (SELECT 1 FROM unit_visit v
        WHERE v.unit_id = u.unit_id AND v.visit_date > u.zero_date) AS has_follow_up
FROM unit u JOIN treated_tumour t USING (tumour_id)
JOIN cut_patient p ON p.patient_id = u.patient_id
JOIN cut_implant i ON i.implant_id = u.first_implant_id
LEFT JOIN applicator_as_of($recorded_until) a ON a.applicator_id = i.applicator_id
LEFT JOIN course c ON c.unit_id = u.unit_id
LEFT JOIN baseline_acuity b ON b.unit_id = u.unit_id
ORDER BY u.unit_id"""


def read_baseline(
    connection: duckdb.DuckDBPyConnection,
    cut: DataCut,
    rules: CohortRules,
    *,
    baseline_window_days: int = BASELINE_WINDOW_DAYS,
) -> list[dict[str, Any]]:
    """Return one mapping a treated tumour: recorded values and the derived staging.

    Parameters
    ----------
    baseline_window_days
        The registry's setting: baseline acuity is the last in this many days up to insertion.
    """
    sql = f"WITH {unit_relations('tumour', rules)} {_SQL}"
    parameters = cut.parameters() | {
        "baseline_window_days": baseline_window_days,
        "course_gap_days": rules.course_gap_days,
    }
    rows: list[dict[str, Any]] = connection.sql(sql, params=parameters).to_arrow_table().to_pylist()
    for row in rows:
        for name in ("size_category", "t_category", "stage_group"):
            row[name] = DERIVED[name].read(row)
        on_chart = "on the chart" if row["baseline_letters"] is not None else None
        row["baseline_level"] = row["baseline_off_chart"] or on_chart
    return rows


@dataclass(frozen=True, slots=True)
class NumberSummary:
    """Median, quartiles and range of a number, with how many of the cohort are known."""

    characteristic: Characteristic
    n: int
    known: int
    median: float | None
    lower_quartile: float | None
    upper_quartile: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class CategorySummary:
    """Counts of each category among the known, with how many of the cohort are known."""

    characteristic: Characteristic
    n: int
    known: int
    counts: tuple[tuple[str, int], ...]


Summary = NumberSummary | CategorySummary
_UNKNOWN = {None, "unknown"}


def _summarise_number(what: Characteristic, values: Sequence[Any]) -> NumberSummary:
    known = np.asarray([float(value) for value in values if value is not None])
    if known.size == 0:
        return NumberSummary(what, len(values), 0, None, None, None, None, None)
    low, lower, median, upper, high = (
        float(q) for q in np.quantile(known, [0, 0.25, 0.5, 0.75, 1])
    )
    return NumberSummary(what, len(values), known.size, median, lower, upper, low, high)


def _summarise_category(what: Characteristic, values: Sequence[Any]) -> CategorySummary:
    known = Counter(str(value) for value in values if value not in _UNKNOWN)
    counts = tuple(sorted(known.items()))
    return CategorySummary(what, len(values), sum(known.values()), counts)


def summarise(rows: Sequence[Mapping[str, Any]]) -> tuple[Summary, ...]:
    """Summarise each characteristic; "unknown" counts as not recorded.

    Examples
    --------
    >>> summarise([{"sex": "female"}, {"sex": "unknown"}])[1].known
    1
    """
    summaries: list[Summary] = []
    for what in CHARACTERISTICS:
        values = [row.get(what.name) for row in rows]
        summarise_one = _summarise_number if what.is_number else _summarise_category
        summaries.append(summarise_one(what, values))
    return tuple(summaries)


COMPLETENESS_FIELDS: tuple[tuple[str, str], ...] = (
    ("thickness_mm", "thickness"),
    ("largest_basal_diameter_mm", "basal diameter"),
    ("fovea_distance_mm", "fovea distance"),
    ("baseline_level", "acuity at baseline"),
    ("dose_apex_gy", "apex dose"),
    ("duration_hours", "duration"),
    ("has_placement", "placed distance"),
    ("chromosome_3", "chromosome 3"),
    ("has_follow_up", "any follow-up"),
)


@dataclass(frozen=True, slots=True)
class Completeness:
    """How many of the tumours treated in each year have each field; both axes in order."""

    fields: tuple[str, ...]
    years: tuple[int, ...]
    treated: tuple[int, ...]
    known: tuple[tuple[int, ...], ...]


def _is_known(row: Mapping[str, Any], name: str) -> bool:
    value = row[name]
    return bool(value) if isinstance(value, bool) else value not in _UNKNOWN


def completeness_by_year(rows: Sequence[Mapping[str, Any]]) -> Completeness:
    """Count the known values of the key fields by year of treatment."""
    years = tuple(sorted({int(row["year_of_treatment"]) for row in rows}))
    by_year = {year: [row for row in rows if row["year_of_treatment"] == year] for year in years}
    known = tuple(
        tuple(sum(_is_known(row, name) for row in by_year[year]) for year in years)
        for name, _ in COMPLETENESS_FIELDS
    )
    return Completeness(
        tuple(label for _, label in COMPLETENESS_FIELDS),
        years,
        tuple(len(by_year[year]) for year in years),
        known,
    )
