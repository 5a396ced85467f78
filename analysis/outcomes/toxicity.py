"""Toxicity: grades by the Common Terminology Criteria from acuity, prevalence, and incidences.

For the eye terms whose grades are defined by acuity, version 5.0 gives two rules that contradict
each other: an absolute band (20/40 or better; worse than 20/40 down to but not 20/200; 20/200 or
worse) "or" the lines lost from a known baseline (at most 3; more than 3). An eye that fell from
20/10 to 20/30 is grade 2 by the band and grade 3 by the lines. The precedence here:

1. a grade that the department recorded stands;
2. without a fall of a line (5 letters) or more from a known baseline, acuity gives grade 1: what
   was there before is not the treatment's;
3. otherwise the worse of the two rules counts (``precedence="worst"``); ``"lines"`` lets the lines
   decide wherever they can, and keeps 20/200 or worse as grade 4 (a sensitivity analysis);
4. without a known baseline the band alone decides.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from analysis.counts.exact_counts import clopper_pearson
from analysis.outcomes import cohort
from analysis.outcomes.cohort import CohortRules, DataCut, unit_relations
from analysis.outcomes.end_points import DAYS_PER_YEAR, TOXICITIES, find_end_point
from analysis.outcomes.outcome import Estimation, GroupOutcome, analyse_group
from analysis.outcomes.outcome_table import IntArray, read_outcome_table

if TYPE_CHECKING:
    import duckdb

GRADED_BY_ACUITY: dict[str, str] = {
    "radiation_retinopathy": "Retinopathy",
    "radiation_maculopathy": "Retinopathy",
    "macular_oedema": "Retinopathy",
    "radiation_optic_neuropathy": "Optic nerve disorder",
    "cataract": "Cataract",
    "scleral_thinning": "Scleral disorder",
    "scleral_necrosis": "Scleral disorder",
    "vitreous_haemorrhage": "Vitreous hemorrhage",
    "keratopathy": "Keratitis",
    "dry_eye": "Dry eye",
}
"""Event kinds whose CTCAE 5.0 term has grades by acuity, and that term (dry eye stops at 3)."""

PROCEDURES: tuple[str, ...] = (
    "cataract_surgery",
    "vitrectomy",
    "scleral_graft",
    "strabismus_surgery",
    "glaucoma_surgery",
    "retinal_laser",
    "anti_vegf",
    "intravitreal_steroid",
)
"""Event kinds that are treatments of a complication: they have no grade."""

LETTERS_20_40 = 70
LETTERS_20_200 = 35
LETTERS_A_LINE = 5
NEAR_DAYS = 31
"""Acuity within this many days of the event is the acuity at the event."""

Precedence = Literal["worst", "lines"]


@dataclass(frozen=True, slots=True)
class Acuity:
    """A reading: ``letters``, or None off the chart (counting fingers and less)."""

    letters: int | None


def grade_from_acuity(
    now: Acuity | None, baseline: Acuity | None, *, precedence: Precedence = "worst"
) -> int | None:
    """Grade a complication by acuity, CTCAE 5.0; the module's text gives the precedence.

    Parameters
    ----------
    now
        At the event; None: not known, and no grade.
    baseline
        Before treatment; None: not known.

    Returns
    -------
    int or None
        1 to 4. Whether a finding caused symptoms is not on record: a fall of a line or more is
        read as grade 2 at least.

    Examples
    --------
    >>> grade_from_acuity(Acuity(75), Acuity(95)), grade_from_acuity(Acuity(60), Acuity(64))
    (3, 1)
    """
    if now is None:
        return None
    band = 4 if now.letters is None or now.letters <= LETTERS_20_200 else 3
    if now.letters is not None and now.letters >= LETTERS_20_40:
        band = 2
    if baseline is None:
        return band
    if baseline.letters is None:
        return 1  # nothing countable was there to lose
    lost = None if now.letters is None else baseline.letters - now.letters
    if lost is not None and lost < LETTERS_A_LINE:
        return 1
    by_lines = 3 if lost is None or lost > 3 * LETTERS_A_LINE else 2
    if precedence == "lines":
        return 4 if band == 4 else by_lines
    return max(band, by_lines)


_GRADES_SQL = """
, reading AS (
    SELECT u.unit_id, v.visit_date, max(v.acuity_letters) AS letters
    FROM unit u JOIN cut_visit v USING (patient_id, eye)
    WHERE v.acuity_letters IS NOT NULL OR v.acuity_off_chart IS NOT NULL
    GROUP BY u.unit_id, v.visit_date),
baseline AS (
    SELECT r.unit_id, r.letters FROM reading r JOIN unit u USING (unit_id)
    WHERE r.visit_date <= u.zero_date AND r.visit_date >= u.zero_date - {window}
    QUALIFY row_number() OVER (PARTITION BY r.unit_id ORDER BY r.visit_date DESC) = 1),
finding AS (
    SELECT e.unit_id, e.event_id, e.kind, e.event_date, e.grade,
        min(e.event_date) OVER (PARTITION BY e.unit_id, e.kind) AS first_date, s.zero_date
    FROM unit_event e JOIN unit_state s USING (unit_id)
    WHERE e.kind IN ({kinds}) AND (s.removed_date IS NULL OR e.event_date <= s.removed_date)
        AND (s.death_date IS NULL OR e.event_date <= s.death_date))
SELECT f.unit_id, f.kind, f.event_date - f.zero_date AS day, f.grade, r.letters,
    r.visit_date IS NOT NULL AS is_read, b.letters AS baseline_letters,
    b.unit_id IS NOT NULL AS has_baseline
FROM finding f
LEFT JOIN reading r ON r.unit_id = f.unit_id
    AND abs(r.visit_date - f.event_date) <= {near} AND r.visit_date >= f.zero_date
LEFT JOIN baseline b ON b.unit_id = f.unit_id
WHERE f.first_date > f.zero_date
QUALIFY row_number() OVER (
    PARTITION BY f.event_id ORDER BY abs(r.visit_date - f.event_date), r.visit_date DESC) = 1
ORDER BY f.unit_id, f.kind, day"""


@dataclass(frozen=True, slots=True)
class GradedFinding:
    """One recorded finding after treatment with both grades; None where there is none."""

    unit_id: str
    kind: str
    day: int
    recorded: int | None
    by_acuity: int | None

    @property
    def grade(self) -> int | None:
        """The grade that counts: the recorded one, else the one by acuity."""
        return self.recorded if self.recorded is not None else self.by_acuity


def grade_findings(
    connection: duckdb.DuckDBPyConnection,
    cut: DataCut,
    rules: CohortRules,
    *,
    baseline_window_days: int = 90,
    precedence: Precedence = "worst",
) -> tuple[GradedFinding, ...]:
    """Grade every finding of the kinds graded by acuity in eyes that did not have it before."""
    kinds = ", ".join(f"'{kind}'" for kind in GRADED_BY_ACUITY)
    sql = f"WITH {unit_relations('eye', rules)} {_GRADES_SQL}".format(
        kinds=kinds, window=int(baseline_window_days), near=NEAR_DAYS
    )
    columns = cohort.fetch_columns(connection, sql, cut.parameters())
    rows = [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]
    found = []
    for row in rows:
        now = Acuity(row["letters"]) if row["is_read"] else None
        before = Acuity(row["baseline_letters"]) if row["has_baseline"] else None
        grade = grade_from_acuity(now, before, precedence=precedence)
        most = 3 if row["kind"] == "dry_eye" else 4
        by_acuity = None if grade is None else min(grade, most)
        found.append(
            GradedFinding(row["unit_id"], row["kind"], row["day"], row["grade"], by_acuity)
        )
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Prevalence:
    """Eyes that had a complication by a landmark, of those alive, kept and seen around it."""

    years: float
    with_it: int
    seen: int
    lower: float
    upper: float


@dataclass(frozen=True)
class Complication:
    """One kind: incidence with death and removal of the eye competing, grades and prevalence.

    ``worst_grades`` counts eyes by the worst grade of any finding; key 0: no grade. Of those
    findings ``from_acuity`` had no recorded grade and were graded by acuity, ``changed_by_lines``
    of them otherwise if the lines lost decided wherever they can (sensitivity).
    """

    kind: str
    is_procedure: bool
    n: int
    not_at_risk: int
    group: GroupOutcome
    worst_grades: dict[int, int]
    prevalence: tuple[Prevalence, ...]
    from_acuity: int = 0
    changed_by_lines: int = 0


AROUND_DAYS = 183
"""An eye counts as seen around a landmark with a visit within this many days of it."""

_SEEN_SQL = """
SELECT s.unit_id, list(v.visit_date - s.zero_date) AS days
FROM unit_state s JOIN unit_visit v USING (unit_id)
WHERE (s.death_date IS NULL OR v.visit_date <= s.death_date)
    AND (s.removed_date IS NULL OR v.visit_date <= s.removed_date)
GROUP BY s.unit_id"""


def read_visit_days(
    connection: duckdb.DuckDBPyConnection, cut: DataCut, rules: CohortRules
) -> dict[str, IntArray]:
    """Return the days of each eye's visits from treatment."""
    sql = f"WITH {unit_relations('eye', rules)} {_SEEN_SQL}"
    found = cohort.fetch_columns(connection, sql, cut.parameters())
    return {
        unit: np.asarray(days, dtype=np.int64)
        for unit, days in zip(found["unit_id"], found["days"], strict=True)
    }


def measure_prevalence(
    group: GroupOutcome,
    seen_days: dict[str, IntArray],
    removed_days: dict[str, float],
    years: Sequence[float],
) -> tuple[Prevalence, ...]:
    """Share with the complication recorded by each landmark, exact (Clopper–Pearson) limits.

    Of eyes at risk at treatment: alive and kept at the landmark, and seen within ``AROUND_DAYS``
    of it. A complication counts from its first record on, since its end is not recorded.
    """
    table, found = group.table, []
    removed = np.asarray([removed_days.get(unit, np.nan) for unit in table.unit_id])
    gone = np.fmin(removed, table.death_days)
    for year in years:
        at = round(year * DAYS_PER_YEAR)
        near = np.asarray(
            [
                bool((np.abs(seen_days.get(unit, np.zeros(0, np.int64)) - at) <= AROUND_DAYS).any())
                for unit in table.unit_id
            ],
            dtype=bool,
        )
        counted = near & ~(gone <= at)
        with_it = counted & (table.status == 1) & (table.time_days <= at)
        k, n = int(with_it.sum()), int(counted.sum())
        limits = clopper_pearson(k, n) if n else None
        low, high = (limits.lower, limits.upper) if limits else (np.nan, np.nan)
        found.append(Prevalence(float(year), k, n, low, high))
    return tuple(found)


def _worst_grades(findings: Sequence[GradedFinding], kind: str, units: set[str]) -> dict[int, int]:
    worst: dict[str, int] = {}
    for one in findings:
        if one.kind == kind and one.unit_id in units:
            worst[one.unit_id] = max(worst.get(one.unit_id, 0), one.grade or 0)
    return dict(sorted(Counter(worst.values()).items()))


def _count_readings(
    findings: Sequence[GradedFinding], by_lines: Sequence[GradedFinding], kind: str, units: set[str]
) -> tuple[int, int]:
    """Count findings graded by acuity alone, and those that the other precedence grades anew."""
    pairs = [
        (one.grade, other.grade)
        for one, other in zip(findings, by_lines, strict=True)
        if one.kind == kind and one.unit_id in units
        if one.recorded is None and one.by_acuity is not None
    ]
    return len(pairs), sum(grade != other for grade, other in pairs)


def analyse_toxicity(
    connection: duckdb.DuckDBPyConnection,
    cut: DataCut,
    rules: CohortRules,
    *,
    years: Sequence[float] = (1.0, 2.0, 5.0),
    how: Estimation | None = None,
    baseline_window_days: int = 90,
) -> tuple[Complication, ...]:
    """Analyse every kind of complication and procedure that was recorded at least once.

    Returns
    -------
    tuple
        In the order of the data dictionary; kinds nobody had are left out.
    """
    how = how or Estimation()
    eyes = read_visit_days(connection, cut, rules)
    window = baseline_window_days
    findings, by_lines = (
        grade_findings(connection, cut, rules, baseline_window_days=window, precedence=rule)
        for rule in ("worst", "lines")
    )
    kept = read_outcome_table(connection, find_end_point("eye_loss"), cut, rules)
    removed = dict(zip(kept.unit_id, kept.first_known_event_days.tolist(), strict=True))
    found = []
    for kind in TOXICITIES:
        table = read_outcome_table(connection, find_end_point(kind), cut, rules)
        if not (table.status == 1).any():
            continue
        group = analyse_group(kind, table, how)
        had_it = {unit for unit, code in zip(table.unit_id, table.status, strict=True) if code == 1}
        from_acuity, changed = _count_readings(findings, by_lines, kind, had_it)
        found.append(
            Complication(
                kind=kind,
                is_procedure=kind in PROCEDURES,
                n=table.n,
                not_at_risk=kept.n - table.n,
                group=group,
                worst_grades=_worst_grades(findings, kind, had_it),
                prevalence=measure_prevalence(group, eyes, removed, years),
                from_acuity=from_acuity,
                changed_by_lines=changed,
            )
        )
    return tuple(found)
