"""Groups for a comparison: only what was known at time zero may define one.

A group that becomes known later (a complication, a status at a visit) would give its members time
they could not have failed in; such a field is refused and the error says so.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from analysis.outcomes.cohort import DataCut
from analysis.outcomes.course_doses import COURSE_DOSES, OF_THE_EYE, course_rows, course_sum
from registry import staging
from registry.errors import RefusedInputError, UsageError
from registry.records import TABLES

if TYPE_CHECKING:
    import duckdb

NOT_RECORDED = "not recorded"
LETTERS_6_12, LETTERS_6_60 = 70, 35

TABLE_ALIASES = {"tumour": "t", "patient": "p", "implant": "i", "applicator": "a"}
"""What each table is called in ``BASELINE_JOINS``."""
_LATER_PATIENT_FIELDS = {
    "last_contact_date",
    "vital_status_date",
    "metastasis_status_date",
    "follow_up_ended_reason",
    "death_date",
    "death_cause",
    "metastasis_date",
    "metastasis_found_by",
}
_LATER_IMPLANT_FIELDS = {"position_at_removal", "incident", "removed_at"}


_STAGING_PARTS = (
    "t.thickness_mm",
    "t.largest_basal_diameter_mm",
    "t.site",
    "t.ciliary_body_involved",
    "t.extraocular_extension",
    "t.node_status",
    "t.metastasis_at_baseline",
)


@lru_cache(maxsize=4096)
def _stage(
    thickness_mm: float | None, diameter_mm: float | None, site: str | None, *codes: str | None
) -> staging.TumourStage | None:
    """Stage one combination of recorded values; None where the iris or a contradiction forbids."""
    ciliary_body, extraocular, nodes, metastasis = (code or "unknown" for code in codes)
    try:
        return staging.stage_tumour(
            thickness_mm,
            diameter_mm,
            site=site,
            ciliary_body=ciliary_body,
            extraocular=extraocular,
            nodes=nodes,
            metastasis=metastasis,
        )
    except RefusedInputError:
        return None


def _read_stage_part(row: dict[str, Any], part: str) -> str | None:
    staged = _stage(*(row[name.removeprefix("t.")] for name in _STAGING_PARTS))
    value: str | None = getattr(staged, part, None)
    return value


@dataclass(frozen=True, slots=True)
class Derived:
    """A category worked out from recorded fields: SQL for its parts, Python for the category."""

    name: str
    parts: tuple[str, ...]
    words: str
    read: Callable[[dict[str, Any]], str | None]


def _acuity_level(letters: int | None) -> str | None:
    """Name the level of an acuity in letters; -1 stands for off the chart."""
    if letters is None:
        return None
    if letters >= LETTERS_6_12:
        return "at least 6/12"
    return "6/60 to below 6/12" if letters >= LETTERS_6_60 else "below 6/60"


DERIVED: dict[str, Derived] = {
    derived.name: derived
    for derived in (
        Derived(
            "size_category",
            _STAGING_PARTS,
            "AJCC 8 size category",
            lambda row: _read_stage_part(row, "size_category"),
        ),
        Derived(
            "t_category",
            _STAGING_PARTS,
            "AJCC 8 T category",
            lambda row: _read_stage_part(row, "category"),
        ),
        Derived(
            "stage_group",
            _STAGING_PARTS,
            "AJCC 8 stage group",
            lambda row: _read_stage_part(row, "stage"),
        ),
        Derived(
            "year_of_treatment",
            ("year(i.inserted_at) AS year",),
            "year of treatment",
            lambda row: str(row["year"]),
        ),
        Derived(
            "period",
            ("year(i.inserted_at) AS year",),
            "five-year period of treatment",
            lambda row: f"{row['year'] // 5 * 5}–{row['year'] // 5 * 5 + 4}",
        ),
        Derived(
            "baseline_acuity",
            (
                "(SELECT max_by(coalesce(v.acuity_letters, -1), v.visit_date)"
                " FROM visit_as_of($recorded_until) v"
                " WHERE v.patient_id = t.patient_id AND v.eye = t.eye"
                " AND (v.acuity_letters IS NOT NULL OR v.acuity_off_chart IS NOT NULL)"
                " AND CAST(i.inserted_at AS DATE) - v.visit_date"
                " BETWEEN 0 AND CAST($baseline_window_days AS INTEGER)) AS letters",
            ),
            "acuity at baseline",
            lambda row: _acuity_level(row["letters"]),
        ),
        Derived(
            "treated_before",
            ("t.prior_treatment",),
            "treatment before the first plaque",
            lambda row: (
                None
                if row["prior_treatment"] in (None, "unknown")
                else ("no" if row["prior_treatment"] == "none" else "yes")
            ),
        ),
    )
}


NUMBERS: dict[str, tuple[str, str, str]] = {
    "age_years": ("year(i.inserted_at) - p.birth_year", "age at treatment", "years")
}
"""Numbers worked out from recorded fields: SQL, words and unit."""

_LEVELS_IN_ORDER = {"baseline_acuity": ("at least 6/12", "6/60 to below 6/12", "below 6/60")}


def baseline_fields() -> tuple[str, ...]:
    """Names that may define a group: recorded baseline fields and derived categories."""
    names = [*DERIVED, *NUMBERS]
    for table in TABLE_ALIASES:
        for field in TABLES[table].entered:
            identifies = field.is_key or field.references or field.type in ("date", "timestamp")
            later = field.name in _LATER_PATIENT_FIELDS | _LATER_IMPLANT_FIELDS
            if not identifies and not later:
                names.append(field.name)
    return tuple(dict.fromkeys(names))


def _locate(name: str) -> tuple[str, str]:
    for table, alias in TABLE_ALIASES.items():
        if any(field.name == name for field in TABLES[table].entered):
            return table, alias
    for table in ("visit", "event"):
        if any(field.name == name for field in TABLES[table].fields):
            raise UsageError(
                f"{name} is recorded during follow-up ({table}); a group must be known at time"
                " zero, or its members are given time in which they could not have failed."
                " Choose a baseline field, or a landmark analysis.",
                option="--by",
                field=name,
            )
    raise UsageError(
        f"There is no field {name!r} to group by. Known at time zero are:"
        f" {', '.join(baseline_fields())}.",
        option="--by",
        field=name,
    )


BASELINE_JOINS = """
FROM (SELECT unnest($units) AS unit_id, unnest($tumours) AS tumour_id,
    unnest($implants) AS implant_id) u
JOIN tumour_as_of($recorded_until) t USING (tumour_id)
JOIN patient_as_of($recorded_until) p ON p.patient_id = t.patient_id
JOIN implant_as_of($recorded_until) i USING (implant_id)
LEFT JOIN applicator_as_of($recorded_until) a ON a.applicator_id = i.applicator_id"""
"""A unit with its tumour, patient, first implant and plaque, as recorded by the data cut."""


def _rows(
    connection: duckdb.DuckDBPyConnection,
    cut: DataCut,
    keys: dict[str, list[str]],
    columns: Sequence[str],
    window_days: int = 90,
) -> list[dict[str, Any]]:
    sql = f"SELECT u.unit_id AS grouped_unit, {', '.join(columns)} {BASELINE_JOINS}"
    parameters: dict[str, object] = {"recorded_until": cut.recorded_until, **keys}
    if "$baseline_window_days" in sql:
        parameters["baseline_window_days"] = window_days
    return list(connection.sql(sql, params=parameters).to_arrow_table().to_pylist())


def _course_rows(
    connection: duckdb.DuckDBPyConnection,
    cut: DataCut,
    keys: dict[str, list[str]],
    field: str,
    course_gap_days: int,
) -> list[dict[str, Any]]:
    """Read the dose of each unit's first course."""
    units = (
        "(SELECT unnest($units) AS unit_id, unnest($tumours) AS tumour_id,"
        " unnest($implants) AS implant_id)"
    )
    sql = (
        f"SELECT u.unit_id AS grouped_unit, {course_sum(field)} AS value"
        f" FROM {course_rows(units, of_the_eye=field in OF_THE_EYE)} GROUP BY u.unit_id"
    )
    parameters = cut.parameters() | keys | {"course_gap_days": course_gap_days}
    return list(connection.sql(sql, params=parameters).to_arrow_table().to_pylist())


def _numbered(value: float | None, cuts: Sequence[float]) -> str | None:
    if value is None:
        return None
    below = [limit for limit in cuts if value > limit]
    above = [limit for limit in cuts if value <= limit]
    if not below:
        return f"up to {above[0]:g}"
    if not above:
        return f"over {below[-1]:g}"
    return f"over {below[-1]:g} to {above[0]:g}"


@dataclass(frozen=True, slots=True)
class Grouping:
    """The groups in the order in which they are shown, and each unit's group."""

    by: str
    words: str
    levels: tuple[str, ...]
    of_unit: dict[str, str]


def _numbered_levels(cuts: Sequence[float]) -> list[str]:
    inner = [f"over {low:g} to {high:g}" for low, high in pairwise(cuts)]
    return [f"up to {cuts[0]:g}", *inner, f"over {cuts[-1]:g}"]


def _arrange(by: str, words: str, of_unit: dict[str, str], order: Sequence[str]) -> Grouping:
    found = set(of_unit.values())
    known = [level for level in order if level in found]
    known += sorted(found.difference(known) - {NOT_RECORDED})
    last = [NOT_RECORDED] if NOT_RECORDED in found else []
    return Grouping(by, words, (*known, *last), of_unit)


def group_units(
    connection: duckdb.DuckDBPyConnection,
    cut: DataCut,
    keys: dict[str, list[str]],
    by: str,
    cuts: Sequence[float] = (),
    *,
    course_gap_days: int = 90,
    baseline_window_days: int = 90,
) -> Grouping:
    """Give each unit its group.

    Parameters
    ----------
    keys
        ``units``, ``tumours``, ``implants``: equally long lists that name each unit, its first
        treated tumour and that tumour's first implant.
    by
        A recorded baseline field or a derived category.
    cuts
        Ascending cut-points of a numeric field; a value equal to a cut-point lies below it.
    course_gap_days
        A dose is that of the first course: implants within this many days of the first together.
    baseline_window_days
        Acuity at baseline is the last in this many days up to insertion.

    Returns
    -------
    Grouping
        Group text by unit; ``"not recorded"`` where the field is blank, and always shown last.
    """
    if by in DERIVED:
        derived = DERIVED[by]
        rows = _rows(connection, cut, keys, derived.parts, baseline_window_days)
        of_unit = {row["grouped_unit"]: derived.read(row) or NOT_RECORDED for row in rows}
        return _arrange(by, derived.words, of_unit, _LEVELS_IN_ORDER.get(by, ()))
    _refuse_later_fields(by)
    if by in NUMBERS:
        column, words, unit = NUMBERS[by]
        rows = _rows(connection, cut, keys, [f"{column} AS value"])
        return _group_number(by, f"{words} ({unit})", rows, cuts)
    table, alias = _locate(by)
    field, words = TABLES[table].field(by), by.replace("_", " ")
    if by in COURSE_DOSES:
        rows = _course_rows(connection, cut, keys, by, course_gap_days)
        words = f"{words.removesuffix(' gy')}, first course"
    else:
        rows = _rows(connection, cut, keys, [f"{alias}.{by} AS value"])
    if field.type in ("decimal", "integer"):
        return _group_number(by, f"{words} ({field.unit})", rows, cuts)
    of_unit = {row["grouped_unit"]: row["value"] or NOT_RECORDED for row in rows}
    return _arrange(by, words, of_unit, field.codes)


def _refuse_later_fields(by: str) -> None:
    if by in baseline_fields():
        return
    _locate(by)
    raise UsageError(
        f"{by} is known only after time zero, or identifies a record; it cannot define a group."
        f" Choose one of {', '.join(baseline_fields())}.",
        option="--by",
        field=by,
    )


def _group_number(
    by: str, words: str, rows: Sequence[dict[str, Any]], cuts: Sequence[float]
) -> Grouping:
    if not cuts:
        raise UsageError(
            f"{by} is a number: give the cut-points, decided beforehand, as --cuts 3,6.",
            option="--cuts",
            field=by,
        )
    ordered = sorted(cuts)
    of_unit = {
        row["grouped_unit"]: _numbered(row["value"], ordered) or NOT_RECORDED for row in rows
    }
    return _arrange(by, words, of_unit, _numbered_levels(ordered))
