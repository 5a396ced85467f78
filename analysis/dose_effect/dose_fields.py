"""The doses that a dose–response question may ask about, read for each tumour's first course.

Recorded doses (the department's own) and recomputed ones (from certificate, times and depth) are
different fields and never mixed; nor are doses of different models, unless pooling them is asked
for and said. A later plaque after failure never counts: the first course alone is read.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.implants.decay import ICRP_107
from analysis.implants.dose_courses import COURSE_REASONS, bed_by_isotope
from analysis.implants.dose_points import APEX, INNER_SCLERA, SCLERAL_SURFACE
from analysis.implants.dosimetry import DoseTable, recompute_doses
from analysis.implants.radiobiology import RepairModel, require_one_radiation
from analysis.outcomes.cohort import DataCut
from registry.errors import RefusedEstimateError, UsageError

if TYPE_CHECKING:
    import duckdb

Array = NDArray[np.float64]

RECORDED, RECOMPUTED = "recorded", "recomputed"
ADJUSTED = "Isotope is adjusted for; the ratio of dose is taken to be the same in each."
NOT_ADJUSTED = "Adjust for isotope, or exclude all but one."


@dataclass(frozen=True, slots=True)
class DoseField:
    """One dose: how it is called, its unit, and the step that a ratio is given for.

    ``column`` is the registry's field of the recorded dose, ``point`` the recomputed one's place on
    the axis; None where there is none. ``is_bed`` and ``is_rate`` mark what is not a physical dose;
    ``is_skewed`` a dose that spans orders of magnitude, whose spline runs in its logarithm.
    """

    name: str
    words: str
    unit: str
    per: float
    column: str | None = None
    point: str | None = None
    is_bed: bool = False
    is_rate: bool = False
    is_skewed: bool = False

    @property
    def per_words(self) -> str:
        """The step in words, such as "10 Gy"."""
        return f"{self.per:g} {self.unit}"

    @property
    def sources(self) -> tuple[str, ...]:
        """Where the dose can come from."""
        known = ((RECORDED, self.column), (RECOMPUTED, self.point))
        return tuple(name for name, place in known if place is not None)


DOSES: Mapping[str, DoseField] = MappingProxyType(
    {
        field.name: field
        for field in (
            DoseField("apex", "dose at the apex", "Gy", 10, "dose_apex_gy", APEX),
            DoseField("bed", "BED at the apex", "Gy", 10, None, APEX, is_bed=True),
            DoseField("base", "dose at the base", "Gy", 10, "dose_inner_sclera_gy", INNER_SCLERA),
            DoseField("sclera", "dose at the sclera", "Gy", 100, "dose_sclera_gy", SCLERAL_SURFACE),
            DoseField("fovea", "dose at the fovea", "Gy", 10, "dose_fovea_gy", is_skewed=True),
            DoseField("disc", "dose at the disc", "Gy", 10, "dose_disc_gy", is_skewed=True),
            DoseField("dose_rate", "dose rate at the apex", "Gy/h", 0.1, None, APEX, is_rate=True),
        )
    }
)
"""The doses that can be asked for, by name."""


def find_dose(name: str, source: str | None = None) -> tuple[DoseField, str]:
    """Return the field and the source: as asked, else recorded where there is such a field.

    The registry's own names (``dose_apex_gy``) are understood too, and ``apex:recomputed``.

    Raises
    ------
    UsageError
        No such dose, or not from that source.

    Examples
    --------
    >>> find_dose("dose_sclera_gy")[0].name, find_dose("bed")[1], find_dose("apex:recomputed")[1]
    ('sclera', 'recomputed', 'recomputed')
    """
    short, colon, after = name.partition(":")
    source = after if colon else source
    by_column = {field.column: field for field in DOSES.values() if field.column}
    field = DOSES.get(short.replace("-", "_")) or by_column.get(short)
    if field is None:
        raise UsageError(
            f"There is no dose {name!r}; choose from {', '.join(DOSES)}, with :recorded or"
            " :recomputed after it if wanted.",
            option="--dose",
        )
    chosen = source or field.sources[0]
    if chosen not in field.sources:
        raise UsageError(
            f"The {field.words} is {' or '.join(field.sources)} only, not {chosen!r}.",
            option="--dose",
        )
    return field, chosen


@dataclass(frozen=True, slots=True)
class Course:
    """The first course of one tumour; NaN doses where one implant's is missing."""

    doses: Mapping[str, float]
    dose_models: tuple[str, ...]
    applicators: tuple[str, ...]
    isotopes: tuple[str, ...]
    implants: int
    reason: str = ""


_COURSES_SQL = """
WITH first AS (
    SELECT tumour_id, CAST(min(inserted_at) AS DATE) AS zero_date
    FROM implant_as_of($recorded_until)
    WHERE CAST(inserted_at AS DATE) <= $cut_date GROUP BY tumour_id)
SELECT i.tumour_id, {columns},
    i.dose_model, i.applicator_id, a.isotope
FROM implant_as_of($recorded_until) i JOIN first f USING (tumour_id)
LEFT JOIN applicator_as_of($recorded_until) a ON a.applicator_id = i.applicator_id
WHERE CAST(i.inserted_at AS DATE) <= $cut_date
    AND CAST(i.inserted_at AS DATE) <= f.zero_date + $gap
ORDER BY i.tumour_id, i.inserted_at, i.implant_id"""


def read_courses(
    connection: duckdb.DuckDBPyConnection, cut: DataCut, course_gap_days: int
) -> dict[str, Course]:
    """Read the recorded doses of every tumour's first course, by tumour."""
    fields = [field for field in DOSES.values() if field.column]
    columns = ", ".join(f"CAST(i.{field.column} AS DOUBLE) AS {field.name}" for field in fields)
    rows = (
        connection.sql(
            _COURSES_SQL.format(columns=columns),
            params=cut.parameters() | {"gap": course_gap_days},
        )
        .to_arrow_table()
        .to_pylist()
    )
    by_tumour: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        by_tumour.setdefault(row["tumour_id"], []).append(row)
    names = [field.name for field in fields]
    return {tumour: _recorded_course(found, names) for tumour, found in by_tumour.items()}


def _recorded_course(rows: list[dict[str, Any]], names: Sequence[str]) -> Course:
    def sorted_texts(name: str) -> tuple[str, ...]:
        return tuple(sorted({row[name] for row in rows if row[name]}))

    models = tuple(name for name in sorted_texts("dose_model") if name != "unknown")
    # doses of several models do not add up
    is_whole = len(models) <= 1
    doses = {
        name: float(sum(np.nan if row[name] is None else row[name] for row in rows))
        if is_whole
        else float("nan")
        for name in names
    }
    return Course(
        MappingProxyType(doses),
        models,
        sorted_texts("applicator_id"),
        sorted_texts("isotope"),
        len(rows),
        "" if is_whole else "implants of one course by several dose models",
    )


@dataclass(frozen=True, slots=True)
class TumourDoses:
    """The chosen dose of each tumour asked for, in the order asked.

    Attributes
    ----------
    field, source
        The dose and whether it is recorded or recomputed.
    dose
        Shape (n,), NaN where it is missing.
    applicator, isotope, dose_model
        Texts of shape (n,): several joined by " + ", empty where not recorded.
    missing
        Why doses are missing, with counts.
    """

    field: DoseField
    source: str
    dose: Array
    applicator: tuple[str, ...]
    isotope: tuple[str, ...]
    dose_model: tuple[str, ...]
    missing: Mapping[str, int]


def read_doses(
    connection: duckdb.DuckDBPyConnection,
    cut: DataCut,
    tumour_ids: Sequence[str],
    field: DoseField,
    source: str,
    *,
    course_gap_days: int = 90,
    half_life_source: str | None = None,
    repair: RepairModel | None = None,
    rbe: Mapping[str, float] | None = None,
) -> TumourDoses:
    """Read one dose of the first course of each tumour.

    Parameters
    ----------
    connection, cut
        An open registry and the data cut.
    tumour_ids
        The tumours, in the order of the result.
    field, source
        From :func:`find_dose`.
    course_gap_days, half_life_source
        Settings of the registry.
    repair
        α/β and repair half-time of a BED.
    rbe
        Relative biological effectiveness of a BED's isotopes, by name.

    Returns
    -------
    TumourDoses
    """
    courses = read_courses(connection, cut, course_gap_days)
    chosen = [courses[tumour] for tumour in tumour_ids]
    missing: Counter[str] = Counter()
    if source == RECORDED:
        dose = np.array([course.doses[field.name] for course in chosen], dtype=float)
        for course, value in zip(chosen, dose, strict=True):
            if np.isnan(value):
                missing[course.reason or "not recorded"] += 1
    else:
        table = recompute_doses(
            connection,
            cut,
            course_gap_days=course_gap_days,
            half_life_source=half_life_source or ICRP_107,
        )
        found, reasons = _recomputed(table, field, repair or RepairModel(), rbe)
        dose = np.array([found.get(tumour, np.nan) for tumour in tumour_ids], dtype=float)
        for tumour, value in zip(tumour_ids, dose, strict=True):
            if np.isnan(value):
                missing[COURSE_REASONS.get(reasons.get(tumour, ""), "not recomputed")] += 1
    return TumourDoses(
        field,
        source,
        dose,
        tuple(" + ".join(course.applicators) for course in chosen),
        tuple(" + ".join(course.isotopes) for course in chosen),
        tuple(" + ".join(course.dose_models) for course in chosen),
        MappingProxyType(dict(missing)),
    )


def _recomputed(
    table: DoseTable, field: DoseField, repair: RepairModel, rbe: Mapping[str, float] | None
) -> tuple[dict[str, float], dict[str, str]]:
    """Dose of the first course by tumour, and why one is missing."""
    assert field.point is not None
    doses = table.points[field.point]
    if field.is_bed:
        value = bed_by_isotope(table, field.point, repair, rbe)
    elif field.is_rate:
        value = doses.dose_rate_gy_per_hour
    else:
        value = doses.dose_gy
    first = np.flatnonzero(table.course == 1)
    codes, names = _by_tumour(table, first)
    total: Array = np.bincount(codes, value[first]).astype(float)
    if field.is_rate:
        # the mean over the implants of the course, weighted by their hours
        hours = table.hours[first]
        total = np.bincount(codes, value[first] * hours) / np.bincount(codes, hours)
    reasons: dict[str, str] = {}
    for row, code in zip(first, codes, strict=True):
        if doses.reason[row]:
            reasons.setdefault(names[code], str(doses.reason[row]))
    return dict(zip(names, total.tolist(), strict=True)), reasons


def _by_tumour(table: DoseTable, rows: NDArray[np.int64]) -> tuple[NDArray[np.int64], list[str]]:
    names, codes = np.unique(table.records.tumour_id[rows].astype(str), return_inverse=True)
    return codes.astype(np.int64), names.tolist()


def check_one_kind(
    doses: TumourDoses,
    *,
    dose_model: str | None = None,
    pool_dose_models: bool = False,
    rbe: Mapping[str, float] | None = None,
    is_adjusted_for_isotope: bool = False,
) -> tuple[NDArray[np.bool_], tuple[str, ...]]:
    """Hold the doses to one model and, for a BED, to one radiation.

    Parameters
    ----------
    doses
        The doses.
    dose_model
        Keep only doses of this model.
    pool_dose_models
        Bring recorded doses of several models together, and say so.
    rbe
        Relative biological effectiveness by isotope: with that of each stated, BED of several
        isotopes go together, and it is said.

    Returns
    -------
    kept, said
        Which tumours stay (those with a dose), and what must be said about it.

    Raises
    ------
    RefusedEstimateError
        Several dose models, or for a BED several isotopes without a stated RBE.
    """
    kept = ~np.isnan(doses.dose)
    said: list[str] = []
    if doses.source == RECORDED:
        models = np.array(doses.dose_model, dtype=object)
        if dose_model is not None:
            kept &= _of_model(models, kept, dose_model)
        named = Counter(str(name) for name in models[kept] if name)
        unnamed = int(np.sum(kept)) - sum(named.values())
        counts = ", ".join(f"{name} {count}" for name, count in sorted(named.items()))
        if len(named) > 1 and not pool_dose_models:
            raise RefusedEstimateError(
                f"The recorded doses come from several dose models ({counts}), which differ by"
                " several per cent and are not pooled silently. Choose one with --dose-model, or"
                " pool them with --pool-dose-models, which the answer then says.",
                option="--dose-model",
                dose_models=sorted(named),
            )
        if len(named) > 1:
            said.append(f"Recorded doses of several dose models are pooled: {counts}.")
        if unnamed and named:
            said.append(f"{unnamed} doses name no dose model; they are kept.")
    pairs = zip(doses.isotope, kept, strict=True)
    named_isotopes = sorted({name for name, is_kept in pairs if is_kept and name})
    if doses.field.is_bed:
        parts = sorted({part for name in named_isotopes for part in name.split(" + ")})
        _require_rbe(parts, rbe)
        if len(parts) > 1:
            stated = ", ".join(f"{part} {(rbe or {})[part]:g}" for part in parts)
            said.append(
                f"BED of several isotopes are brought together by a stated relative biological"
                f" effectiveness, which nobody measured here: {stated}."
            )
    elif len(named_isotopes) > 1:
        said.append(
            f"Doses of several isotopes are in one analysis ({', '.join(named_isotopes)}): equal"
            " doses need not be equally effective."
            f" {ADJUSTED if is_adjusted_for_isotope else NOT_ADJUSTED}"
        )
    return kept, tuple(said)


def _of_model(models: Any, kept: NDArray[np.bool_], dose_model: str) -> NDArray[np.bool_]:
    found = sorted({str(name) or "none named" for name in models[kept]})
    if found and dose_model not in found:
        what = f"No recorded dose is by the model {dose_model!r}; recorded are {', '.join(found)}."
        raise UsageError(what, option="--dose-model")
    return np.asarray(models == dose_model, dtype=bool)


def _require_rbe(isotopes: Sequence[str], rbe: Mapping[str, float] | None) -> None:
    try:
        require_one_radiation(isotopes, rbe)
    except RefusedEstimateError as error:
        raise RefusedEstimateError(
            f"{error.message} State it with --rbe ISOTOPE=VALUE for each, or leave all but one"
            " isotope out with --exclude isotope=NAME.",
            option="--rbe",
            isotopes=list(isotopes),
        ) from None
