"""Could loss to follow-up have changed what is said? Who was lost, why, and the tipping point.

*Lost*: alive, eye kept, free of failure, and last assessed longer before the data cut than the
longest planned gap allows for. The *tipping point* is the multiple by which the hazard of the lost,
from their last assessment on, would have to exceed the others' for the verdict on a standard to
change. Kaplan–Meier is self-consistent (Efron 1967): each unit censored at c counts as
S(t)/S(c) still free at t. Here a lost unit counts as (S(t)/S(c))^k, everyone else as before.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.counts.completeness import Completeness, completeness_of_follow_up
from analysis.estimators.survival import KaplanMeier, kaplan_meier
from analysis.outcomes import cohort
from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.end_points import DAYS_PER_YEAR
from analysis.outcomes.outcome_table import FloatArray, OutcomeTable, examination_clock
from registry.errors import RefusedEstimateError

if TYPE_CHECKING:
    import duckdb

LONGEST_GAP_DAYS = 457
"""A year and 1.25 quarters: yearly visits later on, with a quarter's grace (common practice)."""

LARGEST_MULTIPLE = 1000.0

Verdict = Literal["met", "not met", "cannot tell"]


def find_lost(
    table: OutcomeTable, cut: DataCut, gap_days: int = LONGEST_GAP_DAYS
) -> NDArray[np.bool_]:
    """Say which units were lost: no event, alive, and not assessed for ``gap_days`` at the cut."""
    due = np.asarray([(cut.event_date - zero).days for zero in table.zero_date], dtype=np.int64)
    alive = np.isnan(table.death_days)
    return np.asarray(alive & (table.status == 0) & (due - table.time_days > gap_days))


@dataclass(frozen=True, slots=True)
class Compared:
    """One baseline characteristic of the lost and the kept.

    For a number: medians and ``difference`` in standard deviations; for a category: the share with
    that level, and the difference in standard deviations of a share.
    """

    label: str
    unit: str
    is_number: bool
    lost: float | None
    kept: float | None
    n_lost: int
    n_kept: int
    difference: float | None
    count_lost: int = 0
    count_kept: int = 0


def standardised_difference(first: FloatArray, second: FloatArray) -> float | None:
    """Difference of means over the pooled standard deviation (Austin 2009, Stat Med 28:3083).

    None when either group is empty, or neither varies.

    Examples
    --------
    >>> standardised_difference(np.array([1.0, 3.0]), np.array([3.0, 5.0]))
    -1.414...
    """
    if not first.size or not second.size:
        return None
    pooled = (_variance(first) + _variance(second)) / 2
    return float((first.mean() - second.mean()) / np.sqrt(pooled)) if pooled > 0 else None


def _variance(values: FloatArray) -> float:
    is_share = bool(np.isin(values, (0.0, 1.0)).all())
    return float(values.var(ddof=0 if is_share or values.size < 2 else 1))


COMPARED: tuple[tuple[str, str, str], ...] = (
    ("age_years", "Age at treatment", "years"),
    ("thickness_mm", "Thickness", "mm"),
    ("largest_basal_diameter_mm", "Largest basal diameter", "mm"),
    ("fovea_distance_mm", "Distance to fovea", "mm"),
    ("baseline_letters", "Acuity at baseline, on the chart", "letters"),
    ("dose_apex_gy", "Dose at the apex, as recorded", "Gy"),
)
COMPARED_LEVELS: tuple[tuple[str, str, str], ...] = (
    ("sex", "female", "Female"),
    ("size_category", "T3", "Size category T3"),
    ("size_category", "T4", "Size category T4"),
    ("chromosome_3", "monosomy", "Monosomy of chromosome 3"),
    ("ciliary_body_involved", "yes", "Ciliary body involved"),
)
_UNKNOWN = (None, "unknown")


def compare_lost(
    rows: Sequence[Mapping[str, Any]], lost_units: set[str], kept_units: set[str]
) -> tuple[Compared, ...]:
    """Compare the lost with the kept by what was known at treatment.

    Parameters
    ----------
    rows
        What :func:`analysis.outcomes.baseline.read_baseline` returns, a mapping a tumour.
    """
    lost = [row for row in rows if row["unit_id"] in lost_units]
    kept = [row for row in rows if row["unit_id"] in kept_units]
    found = []
    for name, label, unit in COMPARED:
        values = [
            np.asarray([float(row[name]) for row in part if row[name] is not None])
            for part in (lost, kept)
        ]
        first, second = (float(np.median(part)) if part.size else None for part in values)
        difference = standardised_difference(*values)
        sizes = values[0].size, values[1].size
        found.append(Compared(label, unit, True, first, second, *sizes, difference))
    for name, level, label in COMPARED_LEVELS:
        shares = [
            np.asarray([float(row[name] == level) for row in part if row[name] not in _UNKNOWN])
            for part in (lost, kept)
        ]
        first, second = (float(part.mean()) if part.size else None for part in shares)
        had = int(shares[0].sum()), int(shares[1].sum())
        difference = standardised_difference(*shares)
        sizes = shares[0].size, shares[1].size
        found.append(Compared(label, "", False, first, second, *sizes, difference, *had))
    return tuple(found)


def count_reasons(
    connection: duckdb.DuckDBPyConnection, cut: DataCut, patients: set[str]
) -> tuple[tuple[str, int], ...]:
    """Count the recorded reasons for the end of follow-up among patients, most frequent first.

    A blank is ``"not recorded"``. A reason has no date of its own: where the last contact or death
    lies after the cut, follow-up had not ended by then, and the patient counts as under follow-up.
    """
    sql = (
        f"WITH {cohort.unit_relations('patient', CohortRules())}"
        " SELECT patient_id, follow_up_ended_reason AS reason FROM cut_patient"
    )
    found = cohort.fetch_columns(connection, sql, cut.parameters())
    counts = Counter(
        reason or "not recorded"
        for patient, reason in zip(found["patient_id"], found["reason"], strict=True)
        if patient in patients
    )
    return tuple(sorted(counts.items(), key=lambda item: (-item[1], item[0])))


def control_if_lost_fare_worse(
    table: OutcomeTable, lost: NDArray[np.bool_], days: float, multiple: float
) -> float:
    """Share free of the event at ``days`` if the hazard of the lost were ``multiple`` as high.

    With 1 it is the Kaplan–Meier estimate itself; with infinity every unit lost before ``days`` had
    the event.

    Raises
    ------
    ValueError
        For a negative multiple, or delayed entry (self-consistency does not hold).
    """
    if multiple < 0 or np.isnan(multiple):
        raise ValueError(f"a multiple of a hazard is not negative, not {multiple!r}")
    if (table.entry_days > 0).any():
        raise ValueError("the tipping point is not defined with delayed entry")
    curve = kaplan_meier(examination_clock(table)).curve
    place = np.searchsorted(curve.time, np.minimum(table.time_days, days), side="right") - 1
    at = curve.estimate[place]
    end = float(curve.estimate[np.searchsorted(curve.time, days, side="right") - 1])
    ratio = np.divide(end, at, out=np.zeros(at.size), where=at > 0)
    ended = table.time_days <= days
    free = np.where(ended, np.where(table.status == 1, 0.0, ratio), 1.0)
    worse = lost & ended & (table.status == 0)
    raised = np.zeros(free.size) if np.isinf(multiple) else ratio**multiple
    return float(np.where(worse, raised, free).mean())


@dataclass(frozen=True, slots=True)
class TippingPoint:
    """What loss to follow-up could do to the verdict on a target for the share free of an event.

    ``limit_multiple`` is where the lower limit falls below the target (a "met" is lost),
    ``estimate_multiple`` where the estimate does, ``verdict_multiple`` where the upper limit does
    ("not met"). 1 or less: already so; None: no multiple up to ``LARGEST_MULTIPLE`` does.
    ``if_all_failed`` is the estimate if every unit lost before the horizon had the event.
    """

    years: float
    target: float
    n: int
    lost_before: int
    estimate: float
    lower: float
    upper: float
    verdict: Verdict
    if_all_failed: float
    limit_multiple: float | None
    estimate_multiple: float | None
    verdict_multiple: float | None

    @property
    def changes_at(self) -> float | None:
        """Multiple at which the verdict first changes; None where no multiple changes it."""
        if self.verdict == "met":
            return self.limit_multiple
        return self.verdict_multiple if self.verdict == "cannot tell" else None


def _judge(lower: float, upper: float, target: float) -> Verdict:
    return "met" if lower >= target else "not met" if upper < target else "cannot tell"


def _moved(limit: float, estimate: float, raised: float) -> float:
    """Move a limit with the estimate, its distance on log(−log S) kept."""
    if not (0 < limit < 1 and 0 < estimate < 1 and 0 < raised < 1):
        return limit if raised == estimate else raised
    shift = np.log(-np.log(limit)) - np.log(-np.log(estimate))
    return float(np.exp(-np.exp(np.log(-np.log(raised)) + shift)))


def _crossing(falls_below: Callable[[float], float], target: float) -> float | None:
    """Smallest multiple from 1 on at which a falling figure is below the target, by bisection."""
    if falls_below(1.0) < target:
        return 1.0
    if falls_below(LARGEST_MULTIPLE) >= target:
        return None
    low, high = 0.0, float(np.log(LARGEST_MULTIPLE))
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if falls_below(float(np.exp(middle))) < target else (middle, high)
    return float(np.exp(high))


def find_tipping_point(
    table: OutcomeTable,
    cut: DataCut,
    *,
    years: float,
    target: float,
    estimated: KaplanMeier | None = None,
    gap_days: int = LONGEST_GAP_DAYS,
) -> TippingPoint:
    """Find by what multiple the hazard of the lost would have to be raised to change a verdict.

    Limits are those of the estimate, moved with it on the scale of log(−log S), so that at 1 they
    are the printed ones.

    Parameters
    ----------
    years, target
        The standard: at least ``target`` free of the event at ``years``.
    estimated
        The curve whose limits are printed; the beta product by default.

    Raises
    ------
    RefusedEstimateError
        When nobody is followed to ``years``, or with delayed entry.
    """
    if (table.entry_days > 0).any():
        raise RefusedEstimateError("The tipping point is not given with delayed entry.")
    days = years * DAYS_PER_YEAR
    if not table.n or days > table.time_days.max():
        raise RefusedEstimateError(f"Nobody is followed to {years:g} years: no tipping point.")
    estimated = estimated or kaplan_meier(examination_clock(table), interval="beta-product")
    read = estimated.at([days])
    estimate, lower, upper = (float(x[0]) for x in (read.estimate, read.lower, read.upper))
    lost = find_lost(table, cut, gap_days)

    def raised(multiple: float) -> float:
        return control_if_lost_fare_worse(table, lost, days, multiple)

    return TippingPoint(
        years=years,
        target=target,
        n=table.n,
        lost_before=int((lost & (table.time_days <= days)).sum()),
        estimate=estimate,
        lower=lower,
        upper=upper,
        verdict=_judge(lower, upper, target),
        if_all_failed=raised(float("inf")),
        limit_multiple=_crossing(lambda k: _moved(lower, estimate, raised(k)), target),
        estimate_multiple=_crossing(raised, target),
        verdict_multiple=_crossing(lambda k: _moved(upper, estimate, raised(k)), target),
    )


@dataclass(frozen=True, slots=True)
class PeriodFollowUp:
    """Completeness of follow-up of one calendar period of treatment."""

    period: str
    n: int
    lost: int
    completeness: Completeness


def complete_by_period(
    table: OutcomeTable, cut: DataCut, period_of: Mapping[str, str]
) -> tuple[PeriodFollowUp, ...]:
    """Measure completeness by period of treatment, potential time running to the cut or death."""
    lost, found = find_lost(table, cut), []
    periods = np.asarray([period_of[unit] for unit in table.unit_id], dtype=object)
    for period in sorted(set(periods.tolist())):
        part = table.select(periods == period)
        end = [(cut.event_date - zero) / timedelta(days=1) for zero in part.zero_date]
        potential = np.fmin(np.asarray(end), part.death_days)
        measured = completeness_of_follow_up(
            np.minimum(part.time_days, potential), part.status > 0, potential
        )
        count = int(lost[periods == period].sum())
        found.append(PeriodFollowUp(str(period), part.n, count, measured))
    return tuple(found)


@dataclass(frozen=True)
class FollowUpBias:
    """All of it for one end point. ``tipping_point`` is None without a standard, or refused."""

    lost: int
    kept: int
    compared: tuple[Compared, ...]
    reasons: tuple[tuple[str, int], ...]
    periods: tuple[PeriodFollowUp, ...]
    tipping_point: TippingPoint | None


def study_follow_up(
    connection: duckdb.DuckDBPyConnection,
    table: OutcomeTable,
    cut: DataCut,
    rules: CohortRules,
    *,
    standard: tuple[float, float] | None = None,
) -> FollowUpBias:
    """Study the follow-up of a table whose units are tumours.

    Parameters
    ----------
    standard
        Years and target of the standard on this end point; None: no tipping point.
    """
    from analysis.outcomes.baseline import read_baseline
    from analysis.outcomes.grouping import DERIVED

    lost = find_lost(table, cut)
    names = np.asarray(table.unit_id, dtype=object)
    rows = read_baseline(connection, cut, rules)
    of_row = {row["unit_id"]: str(DERIVED["period"].read(row)) for row in rows}
    tipping = None
    if standard is not None:
        try:
            tipping = find_tipping_point(table, cut, years=standard[0], target=standard[1])
        except RefusedEstimateError:
            tipping = None
    patients = {table.patient_id[row] for row in np.flatnonzero(lost)}
    return FollowUpBias(
        lost=int(lost.sum()),
        kept=int((~lost).sum()),
        compared=compare_lost(rows, set(names[lost]), set(names[~lost])),
        reasons=count_reasons(connection, cut, patients),
        periods=complete_by_period(table, cut, of_row),
        tipping_point=tipping,
    )
