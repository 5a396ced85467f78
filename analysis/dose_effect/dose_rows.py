"""The analysis table of a dose–response question: one row a unit, from the store.

Each row has the dose of the unit's first course, its covariates at time zero and its outcome on two
clocks: the examination clock (death is a censoring at the last visit; for hazards and net curves)
and one clock for all causes (followed to the last assessed visit plus 1.25 planned visit gaps,
death within it competing; for incidences and clinical risk).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from dataclasses import field as dataclass_field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from analysis.dose_effect.covariates import read_covariates
from analysis.dose_effect.dose_fields import DoseField, check_one_kind, find_dose, read_doses
from analysis.dose_effect.exclusions import exclude_units
from analysis.implants.radiobiology import RepairModel
from analysis.models.design_matrix import Column
from analysis.outcomes import cohort
from analysis.outcomes.cohort import CohortRules, DataCut, FlowStep
from analysis.outcomes.end_points import (
    DAYS_PER_YEAR,
    EndPoint,
    compile_not_at_risk,
    find_end_point,
)
from analysis.outcomes.outcome_table import OutcomeTable, one_clock_causes, read_outcome_table
from analysis.outcomes.vision import to_outcome_table
from analysis.outcomes.vision_definition import READINGS, end_point_of
from analysis.outcomes.vision_history import VisionRules, date_losses, read_histories
from analysis.outcomes.vision_levels import VisionLevel, at_least, better_than, loss_of
from registry.errors import RefusedEstimateError, UsageError

if TYPE_CHECKING:
    import duckdb

Array = NDArray[np.float64]
IntArray = NDArray[np.int64]

THICKNESS = "thickness_mm"
MANY_WITHOUT = 0.1
"""From this share without a dose on, the answer warns (our choice)."""
DEFAULT_ADJUST = (THICKNESS, "largest_basal_diameter_mm")


@dataclass(frozen=True, slots=True)
class DoseQuestion:
    """What is asked.

    Attributes
    ----------
    end_point
        A name of :func:`analysis.outcomes.end_points.find_end_point`, or ``vision:6/60`` (at
        least), ``vision:better_than:6/60``, ``vision:loss:0.3``.
    dose
        A name of :func:`analysis.dose_effect.dose_fields.find_dose`.
    adjust
        Covariates known at time zero.
    horizon_years
        For the outcome at a horizon.
    exclude
        (field, value): rows with that value are left out.
    method
        ``"auto"`` (Cox, or its Firth form under ten events a parameter), ``"cox"``,
        ``"firth-cox"``.
    dose_model, pool_dose_models
        As for :func:`analysis.dose_effect.dose_fields.check_one_kind`.
    level
        Confidence level.
    repair
        α/β and repair half-time of a BED.
    rbe
        (isotope, relative biological effectiveness) of a BED, where isotopes go together.
    with_prior_treatment
        Tumours treated before their plaque stay in; the rules of the cohort say the same.
    """

    end_point: str
    dose: str
    adjust: tuple[str, ...] = DEFAULT_ADJUST
    horizon_years: float = 5.0
    exclude: tuple[tuple[str, str], ...] = ()
    method: str = "auto"
    dose_model: str | None = None
    pool_dose_models: bool = False
    level: float = 0.95
    repair: RepairModel = dataclass_field(default_factory=RepairModel)
    rbe: tuple[tuple[str, float], ...] = ()
    with_prior_treatment: bool = False

    def words(self) -> str:
        """Return the question in one line, the same for the same question.

        Whatever changes who is in it or how the ratio is estimated makes it another question: each
        such choice is one more chance of a small p.
        """
        field, source = find_dose(self.dose)
        parts = [
            f"{self.end_point} on {field.name} ({source})",
            f"adjusted for {', '.join(self.adjust) or 'nothing'}",
            f"at {self.horizon_years:g} years",
        ]
        parts += [f"without {name}={value}" for name, value in self.exclude]
        if field.is_bed and self.repair != RepairModel():
            parts.append(
                f"alpha/beta {self.repair.alpha_beta_gy:g} Gy, repair half-time"
                f" {self.repair.repair_half_time_hours:g} h"
            )
        if field.is_bed:
            parts += [f"RBE {name}={value:g}" for name, value in self.rbe]
        if self.method != "auto":
            parts.append(f"by {self.method}")
        if self.dose_model:
            parts.append(f"doses by {self.dose_model} only")
        if self.pool_dose_models:
            parts.append("dose models pooled")
        if self.with_prior_treatment:
            parts.append("with tumours treated before")
        return "; ".join(parts)


@dataclass(frozen=True)
class DoseRows:
    """One row a unit with a dose; times in years.

    Attributes
    ----------
    end_point
        The declaration, for titles and unit.
    field, source
        The dose.
    unit_id, patient_id, applicator, isotope
        Texts of shape (n,).
    dose
        Shape (n,), in the field's unit.
    covariates
        The adjustment, by name; ``thickness_mm`` is the tumours' thickness whether adjusted or not.
    entry, time, status
        Examination clock; entry is −1 where observation starts at time zero.
    end, end_status
        One clock for all causes.
    """

    end_point: EndPoint
    field: DoseField
    source: str
    unit_id: tuple[str, ...]
    patient_id: tuple[str, ...]
    applicator: tuple[str, ...]
    isotope: tuple[str, ...]
    dose: Array
    covariates: Mapping[str, Column]
    thickness_mm: Array
    entry: Array
    time: Array
    status: IntArray
    end: Array
    end_status: IntArray
    flow: tuple[FlowStep, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def n(self) -> int:
        """Number of units."""
        return len(self.dose)

    @property
    def events(self) -> int:
        """Units with the event."""
        return int(np.sum(self.status == 1))

    @property
    def has_delayed_entry(self) -> bool:
        """Whether some are under observation only from later than time zero."""
        return bool(np.any(self.entry > 0))

    @property
    def repeats_patients(self) -> bool:
        """Whether a patient has several units."""
        return len(set(self.patient_id)) < self.n

    @property
    def cluster(self) -> NDArray[np.generic] | None:
        """The patients, where some have several units."""
        if not self.repeats_patients:
            return None
        return np.unique(np.array(self.patient_id), return_inverse=True)[1]

    def select(self, chosen: NDArray[np.bool_]) -> DoseRows:
        """Return the rows where ``chosen`` is true; flow and notes stay."""
        rows = np.flatnonzero(chosen)
        picked: dict[str, Any] = {}
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, np.ndarray):
                picked[field.name] = value[rows]
            elif field.name in ("unit_id", "patient_id", "applicator", "isotope"):
                picked[field.name] = tuple(value[row] for row in rows)
        picked["covariates"] = {
            name: select_rows(column, rows) for name, column in self.covariates.items()
        }
        return replace(self, **picked)


def select_rows(column: Column, rows: NDArray[np.int64]) -> Column:
    """Take some rows of a column of numbers or texts."""
    if isinstance(column, np.ndarray):
        return column[rows]
    return [column[row] for row in rows]


def find_vision_level(name: str) -> VisionLevel | None:
    """Read ``vision:6/60``, ``vision:better_than:6/60`` or ``vision:loss:0.3``; None for others.

    >>> find_vision_level("vision:6/60").name, find_vision_level("death")
    ('vision_at_least_6_60', None)
    """
    kind, colon, rest = name.partition(":")
    if kind != "vision":
        return None
    which, second, level = rest.partition(":")
    if not colon or not rest:
        raise UsageError(
            "Say which level of vision: vision:6/12, vision:6/60, vision:3/60,"
            " vision:better_than:6/60 or vision:loss:0.3.",
            option="--end-point",
        )
    if not second:
        return at_least(rest)
    if which == "loss":
        return loss_of(level)
    if which == "better_than":
        return better_than(level)
    return at_least(level)


def read_end_point(
    connection: duckdb.DuckDBPyConnection,
    name: str,
    cut: DataCut,
    rules: CohortRules,
    vision: VisionRules,
) -> tuple[OutcomeTable, tuple[FlowStep, ...]]:
    """Read an end point's table and its flow, vision included."""
    level = find_vision_level(name)
    if level is not None:
        eyes = read_histories(connection, level, cut, rules, vision)
        at_risk = eyes.select(eyes.reason == 0)
        end_point = end_point_of(level)
        table = to_outcome_table(at_risk, date_losses(at_risk), end_point, READINGS["confirmed"])
        steps = cohort.flow(connection, "eye", cut, rules)
        left = steps[-1].kept - table.n
        words = f"not at risk of {level.loss_words} (no baseline acuity, or below it already)"
        return table, (*steps, FlowStep(words, left, table.n))
    end_point = find_end_point(name)
    table = read_outcome_table(connection, end_point, cut, rules)
    steps = cohort.flow(connection, end_point.unit, cut, rules)
    if end_point.not_at_risk:
        found = cohort.fetch_columns(
            connection, compile_not_at_risk(end_point, rules), cut.parameters()
        )
        left = int(found["left_out"][0])
        words = " or ".join(source.words for source in end_point.not_at_risk)
        steps = (*steps, FlowStep(f"not at risk: {words}", left, steps[-1].kept - left))
    return table, steps


def _one_clock(table: OutcomeTable) -> tuple[IntArray, IntArray]:
    """Days and status with every competing cause on one clock."""
    if not table.end_point.death_competes:
        return table.time_days, table.status
    clocks = one_clock_causes(table)
    status = np.zeros(table.n, dtype=np.int64)
    for clock in clocks:
        status = np.where((status == 0) & (clock.status == 1), clock.cause, status)
    return np.asarray(clocks[0].time, dtype=np.int64), status


def read_dose_rows(
    connection: duckdb.DuckDBPyConnection,
    question: DoseQuestion,
    cut: DataCut,
    *,
    rules: CohortRules | None = None,
    vision: VisionRules | None = None,
    half_life_source: str | None = None,
) -> DoseRows:
    """Read the rows of a question.

    Parameters
    ----------
    connection, cut
        An open registry and the data cut.
    question
        What is asked.
    rules, vision, half_life_source
        The registry's settings.

    Returns
    -------
    DoseRows
        With the flow: who was left out, and why.

    Raises
    ------
    UsageError
        An unknown end point, dose or covariate.
    RefusedEstimateError
        Several dose models, or a BED of several isotopes without a stated RBE; nobody has a dose.
    """
    rules, vision = rules or CohortRules(), vision or VisionRules()
    field, source = find_dose(question.dose)
    table, steps = read_end_point(connection, question.end_point, cut, rules, vision)
    keys = {
        "units": table.unit_id, "tumours": table.tumour_id, "implants": table.first_implant_id,
    }  # fmt: skip
    wanted = dict.fromkeys([*question.adjust, THICKNESS, *(n for n, _ in question.exclude)])
    columns = read_covariates(connection, cut, **keys, names=list(wanted))
    kept, steps, warned = exclude_units(columns, question.exclude, steps, table.n)
    doses = read_doses(
        connection, cut, table.tumour_id, field, source,
        course_gap_days=rules.course_gap_days, half_life_source=half_life_source,
        repair=question.repair, rbe=dict(question.rbe),
    )  # fmt: skip
    doses = replace(doses, dose=np.where(kept, doses.dose, np.nan))
    with_dose, said = check_one_kind(
        doses,
        dose_model=question.dose_model,
        pool_dose_models=question.pool_dose_models,
        rbe=dict(question.rbe),
        is_adjusted_for_isotope="isotope" in question.adjust,
    )
    reasons = ", ".join(f"{words} {count}" for words, count in sorted(doses.missing.items()))
    words = f"no {source} {field.words}" + (f" ({reasons})" if reasons else "")
    steps = (*steps, FlowStep(words, int(kept.sum() - with_dose.sum()), int(with_dose.sum())))
    if not with_dose.any():
        raise RefusedEstimateError(
            f"Nobody in the cohort has a {source} {field.words} ({reasons or 'cohort empty'}).",
            dose=field.name,
        )
    end, end_status = _one_clock(table)
    thickness = columns[THICKNESS]
    assert isinstance(thickness, np.ndarray)
    entry = np.where(table.entry_days > 0, table.entry_days / DAYS_PER_YEAR, -1.0)
    every = DoseRows(
        end_point=table.end_point,
        field=field,
        source=source,
        unit_id=table.unit_id,
        patient_id=table.patient_id,
        applicator=doses.applicator,
        isotope=doses.isotope,
        dose=doses.dose,
        covariates={name: columns[name] for name in question.adjust},
        thickness_mm=thickness,
        entry=entry,
        time=table.time_days / DAYS_PER_YEAR,
        status=np.asarray(table.status, dtype=np.int64),
        end=end / DAYS_PER_YEAR,
        end_status=end_status,
        flow=steps,
        notes=(*warned, *_say_missing(table, kept, with_dose), *said),
    )
    return _under_observation(every.select(with_dose))


def _say_missing(
    table: OutcomeTable, kept: NDArray[np.bool_], with_dose: NDArray[np.bool_]
) -> tuple[str, ...]:
    """Warn where many have no dose, with the events of those who have one and who have not."""
    without = kept & ~with_dose
    left, n = int(without.sum()), int(kept.sum())
    if left < MANY_WITHOUT * n:
        return ()
    counts = [
        f"{int((table.status[rows] == 1).sum())} of {int(rows.sum())}"
        for rows in (with_dose, without)
    ]
    return (
        f"{left} of {n} have no such dose and are left out. The event was seen in {counts[0]} with"
        f" a dose and in {counts[1]} without: where the dose is missing for a reason that has to do"
        " with the outcome, the ratio is not that of all.",
    )


def _under_observation(rows: DoseRows) -> DoseRows:
    """Leave out those never under observation after their delayed entry."""
    under = (rows.entry <= 0) | (rows.time > rows.entry)
    if under.all():
        return rows
    left = int(np.sum(~under))
    step = FlowStep("followed here only from after the last visit", left, int(under.sum()))
    return replace(rows.select(under), flow=(*rows.flow, step))
