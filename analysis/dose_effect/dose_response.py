"""A dose–response question answered: every model, every doubt, side by side.

:func:`answer_question` runs the models on the rows that
:func:`analysis.dose_effect.dose_rows.read_dose_rows`
read. What the data do not support is a result too: it holds the reason instead of a figure.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from analysis.counts.e_value import EValue, e_value
from analysis.dose_effect.bed_sensitivity import VariedBedRatio, vary_bed
from analysis.dose_effect.censoring_weights import READINGS
from analysis.dose_effect.dose_confounding import (
    Cause,
    Confounding,
    assumed_causes,
    face_confounding,
)
from analysis.dose_effect.dose_error import DoseErrorAnswer, ErrorModel, simulate_dose_error
from analysis.dose_effect.dose_fields import RECOMPUTED, RECORDED, find_dose
from analysis.dose_effect.dose_horizon import CurveAtHorizon, curve_at_horizon
from analysis.dose_effect.dose_models import (
    DOSE,
    RareEventRisk,
    Ratio,
    SplineCurve,
    choose_method,
    compare_imputed,
    compare_models,
    complete_rows,
    fit_discrete_time,
    fit_spline,
)
from analysis.dose_effect.dose_power import DetectableEffect, smallest_effect
from analysis.dose_effect.dose_rows import DoseQuestion, DoseRows, read_dose_rows
from analysis.dose_effect.dose_validation import ModelValidation, validate_rows
from analysis.dose_effect.fitted_cohort import FittedCohort, fit_cohort
from analysis.dose_effect.replicates import Progress, _ignore
from analysis.models.coefficients import FEWEST_EVENTS
from analysis.models.design_matrix import to_model_frame
from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.vision_history import VisionRules
from registry.errors import MendableError, RefusedEstimateError

if TYPE_CHECKING:
    import duckdb

T = TypeVar("T")

#: An outcome is common from this risk at the horizon on (VanderWeele & Ding 2017).
COMMON = 0.15


@dataclass(frozen=True, slots=True)
class Refused:
    """Why there is no figure."""

    reason: str


@dataclass(frozen=True, slots=True)
class HowToAnswer:
    """How much is computed, and from which seed.

    Attributes
    ----------
    simulations
        Cohorts drawn for the smallest detectable effect and for the dose error; 0 for none.
    imputations
        Completed tables of the multiple imputation.
    resamples
        Above 0 the curves at the horizon have bootstrap intervals, else sandwich ones.
    validation_samples
        Bootstrap samples for the optimism of ranking and calibration; 0 for none.
    seed, workers
        Of everything random; processes of the simulations.
    error
        The dose error assumed.
    """

    simulations: int = 0
    imputations: int = 20
    resamples: int = 0
    validation_samples: int = 0
    seed: int = 20240229
    workers: int = 1
    error: ErrorModel = field(default_factory=ErrorModel)


@dataclass(frozen=True)
class DoseResponse:
    """Everything that was found; a part that the data do not support is :class:`Refused`.

    Attributes
    ----------
    question, rows, cut
        What was asked, of whom, and the data cut.
    method
        The hazard model of the adjusted analysis.
    models, imputed
        Ratios per step; the imputed one is None when nothing is missing.
    curves
        By ("unadjusted" or "adjusted", "net" or "crude").
    spline, rare, confounding, e_value
        See their modules; ``e_value`` is that of the adjusted hazard ratio.
    causes
        The assumed causes.
    other_doses
        The adjusted hazard ratio by the companions of the dose (physical dose and BED, recorded
        and recomputed), with the words of each.
    bed_sensitivity
        For a BED, the adjusted hazard ratio as its stated parameters vary; else empty.
    against
        The curve of the end point set against this one, with its title.
    power, error, validation
        From simulation and resampling; None when they were not asked for.
    warnings
        What must be said.
    """

    question: DoseQuestion
    rows: DoseRows
    cut: DataCut
    method: str
    models: tuple[Ratio, ...]
    imputed: Ratio | None
    curves: Mapping[tuple[str, str], CurveAtHorizon | Refused]
    spline: SplineCurve | Refused
    rare: RareEventRisk | Refused
    confounding: Confounding | Refused
    e_value: EValue | Refused
    causes: tuple[Cause, ...]
    other_doses: tuple[tuple[str, Ratio | Refused], ...]
    bed_sensitivity: tuple[VariedBedRatio, ...]
    against: tuple[DoseRows, CurveAtHorizon | Refused] | Refused | None
    power: DetectableEffect | Refused | None
    error: DoseErrorAnswer | Refused | None
    validation: ModelValidation | Refused | None
    warnings: tuple[str, ...]

    def ratio(self, model: str, *, adjusted: bool) -> Ratio | None:
        """The row of a measure ("hazard ratio", ...): adjusted, or unadjusted on all rows."""
        found = [r for r in self.models if r.measure == model and bool(r.adjusted_for) == adjusted]
        return found[0] if found else None

    @property
    def main(self) -> Ratio:
        """The adjusted hazard ratio (unadjusted when nothing is adjusted for)."""
        found = self.ratio("hazard ratio", adjusted=bool(self.question.adjust))
        assert found is not None
        return found


def attempt(step: Callable[[], T]) -> T | Refused:
    """Run a step; a refusal becomes its reason."""
    try:
        return step()
    except MendableError as error:
        return Refused(error.message)


def _curves(
    rows: DoseRows, question: DoseQuestion, how: HowToAnswer
) -> dict[tuple[str, str], CurveAtHorizon | Refused]:
    found: dict[tuple[str, str], CurveAtHorizon | Refused] = {}
    for adjusted in ("unadjusted", "adjusted"):
        if adjusted == "adjusted" and not rows.covariates:
            continue
        for reading in READINGS:
            found[adjusted, reading] = attempt(
                lambda a=adjusted, r=reading: fit_curve(  # type: ignore[misc]
                    rows,
                    question.horizon_years,
                    adjusted=a == "adjusted",
                    reading=r,
                    how=how,
                    level=question.level,
                )
            )
    return found


def fit_curve(
    rows: DoseRows,
    horizon_years: float,
    *,
    adjusted: bool,
    reading: str,
    how: HowToAnswer,
    level: float,
) -> CurveAtHorizon:
    """Fit the curve at the horizon; who is followed from a later day than time zero is left out."""
    from_start = rows.select(rows.entry <= 0)
    covariates = from_start.covariates if adjusted else {}
    frame = to_model_frame({DOSE: from_start.dose, **covariates})
    kept = from_start.select(frame.kept)
    time, status = (kept.time, kept.status) if reading == "net" else (kept.end, kept.end_status)
    return curve_at_horizon(
        kept.dose, frame.matrix[:, 1:], frame.terms[1:], time, status, horizon_years,
        reading=reading, cluster=kept.cluster, level=level, resamples=how.resamples,
        rng=np.random.default_rng(how.seed),
    )  # fmt: skip


def _e_value(main: Ratio, rows: DoseRows, horizon: float) -> EValue | Refused:
    if not main.is_estimable or not (np.isfinite(main.upper) and main.lower > 0):
        return Refused("there is no hazard ratio with limits to take it from")
    within = (rows.status == 1) & (rows.time <= horizon)
    common = bool(within.sum() / max(rows.n, 1) > COMMON)
    return e_value(
        main.ratio, main.lower, main.upper, scale="hazard ratio", is_outcome_common=common
    )


def make_cohort(rows: DoseRows) -> tuple[FittedCohort, DoseRows]:
    """Fit the cohort that simulations draw from; delayed entry is left out."""
    whole = complete_rows(rows.select(rows.entry <= 0))
    bare = np.empty((whole.n, 0))
    matrix = to_model_frame(whole.covariates).matrix if whole.covariates else bare
    cohort = fit_cohort(whole.dose / whole.field.per, matrix, whole.time, whole.status == 1)
    return cohort, whole


def _simulate(
    rows: DoseRows, method: str, question: DoseQuestion, how: HowToAnswer, progress: Progress
) -> tuple[DetectableEffect | Refused, DoseErrorAnswer | Refused]:
    made = attempt(lambda: make_cohort(rows))
    if isinstance(made, Refused):
        return made, made
    cohort, whole = made
    outer = max(2, how.simulations // 4)
    total = how.simulations + outer

    power = attempt(
        lambda: smallest_effect(
            cohort,
            method=method,
            replicates=how.simulations,
            seed=how.seed,
            workers=how.workers,
            level=question.level,
            progress=lambda done, _: progress(done, total),
        )
    )
    error = attempt(
        lambda: simulate_dose_error(
            cohort,
            whole.applicator,
            whole.field.per,
            model=how.error,
            method=method,
            outer=outer,
            seed=how.seed + 1,
            workers=how.workers,
            progress=lambda done, _: progress(how.simulations + done, total),
        )
    )
    return power, error


def _warnings(rows: DoseRows, confounding: Confounding | Refused) -> tuple[str, ...]:
    said = list(rows.notes)
    if isinstance(confounding, Confounding):
        said += confounding.notes
    if rows.has_delayed_entry:
        late = int(np.sum(rows.entry > 0))
        said.append(
            f"{late} are followed here only from a later day: hazard models count them from then"
            " on; curves, incidences and simulations leave them out."
        )
    return tuple(said)


def companions(question: DoseQuestion) -> tuple[str, ...]:
    """Doses to show beside the one asked for: physical dose and BED, recorded and recomputed.

    >>> companions(DoseQuestion("local_failure", "apex"))
    ('apex:recomputed', 'bed:recomputed')
    """
    kind, source = find_dose(question.dose)
    names = {
        "apex": (f"apex:{RECORDED}", f"apex:{RECOMPUTED}", f"bed:{RECOMPUTED}"),
        "bed": (f"apex:{RECORDED}", f"apex:{RECOMPUTED}"),
        "base": (f"base:{RECORDED}", f"base:{RECOMPUTED}"),
        "sclera": (f"sclera:{RECORDED}", f"sclera:{RECOMPUTED}"),
        "dose_rate": (f"apex:{RECOMPUTED}", f"bed:{RECOMPUTED}"),
    }.get(kind.name, ())
    return tuple(name for name in names if name != f"{kind.name}:{source}")


def answer_question(
    connection: duckdb.DuckDBPyConnection,
    question: DoseQuestion,
    cut: DataCut,
    *,
    rules: CohortRules | None = None,
    vision: VisionRules | None = None,
    half_life_source: str | None = None,
    against: str | None = None,
    how: HowToAnswer | None = None,
    progress: Progress = _ignore,
) -> DoseResponse:
    """Answer a question from an open registry.

    Parameters
    ----------
    connection, cut
        An open registry and the data cut.
    question
        What is asked.
    rules, vision, half_life_source
        The registry's settings.
    against
        An end point to set against this one in the trade-off figure.
    how
        How much is computed.
    progress
        Called as simulated cohorts end.

    Returns
    -------
    DoseResponse

    Raises
    ------
    UsageError
        An unknown end point, dose or covariate.
    RefusedEstimateError
        Under five events in all; several dose models; nobody with a dose.
    """
    how = how or HowToAnswer()
    settings = {"rules": rules, "vision": vision, "half_life_source": half_life_source}

    def read(asked: DoseQuestion) -> DoseRows:
        return read_dose_rows(connection, asked, cut, **settings)  # type: ignore[arg-type]

    rows = read(question)
    _refuse_few(rows)
    whole = complete_rows(rows)
    parameters = to_model_frame({DOSE: whole.dose, **whole.covariates}).matrix.shape[1]
    method = choose_method(question.method, whole.events, parameters)
    models = tuple(compare_models(rows, method=question.method, level=question.level))
    confounding = attempt(
        lambda: face_confounding(rows, question.horizon_years, level=question.level)
    )
    beside = []
    for name in companions(question):
        asked = replace(question, dose=name)
        found = attempt(lambda asked=asked: _adjusted_ratio(read(asked), asked))  # type: ignore[misc]
        beside.append((name, found))
    power = error = validation = None
    if how.simulations:
        power, error = _simulate(rows, method, question, how, progress)
    if how.validation_samples:
        validation = attempt(
            lambda: validate_rows(
                rows, method, question.horizon_years, level=question.level,
                samples=how.validation_samples, seed=how.seed + 2,
            )
        )  # fmt: skip
    answer = DoseResponse(
        question=question,
        rows=rows,
        cut=cut,
        method=method,
        models=models,
        imputed=compare_imputed(
            rows, method=question.method, level=question.level, imputations=how.imputations,
            rng=np.random.default_rng(how.seed),
        ),
        curves=_curves(rows, question, how),
        spline=attempt(lambda: fit_spline(rows, method=question.method, level=question.level)),
        rare=attempt(
            lambda: fit_discrete_time(rows, question.horizon_years, level=question.level)
        ),
        confounding=confounding,
        e_value=Refused(""),
        causes=assumed_causes(rows.end_point.title, question.adjust),
        other_doses=tuple(beside),
        bed_sensitivity=vary_bed(read, question) if rows.field.is_bed else (),
        against=_against(read, question, against, how),
        power=power,
        error=error,
        validation=validation,
        warnings=_warnings(rows, confounding),
    )  # fmt: skip
    return replace(answer, e_value=_e_value(answer.main, rows, question.horizon_years))


def _adjusted_ratio(rows: DoseRows, question: DoseQuestion) -> Ratio:
    from analysis.dose_effect.dose_models import hazard_answer, ratio_of

    whole = complete_rows(rows)
    fitted = hazard_answer(whole, whole.covariates, question.method, question.level)
    return ratio_of(fitted, "hazard ratio", tuple(whole.covariates), "complete")


def _against(
    read: Callable[[DoseQuestion], DoseRows],
    question: DoseQuestion,
    against: str | None,
    how: HowToAnswer,
) -> tuple[DoseRows, CurveAtHorizon | Refused] | Refused | None:
    if against is None:
        return None
    other = attempt(lambda: read(replace(question, end_point=against)))
    if isinstance(other, Refused):
        return other
    curve = attempt(
        lambda: fit_curve(
            other,
            question.horizon_years,
            adjusted=bool(question.adjust),
            reading="crude",
            how=how,
            level=question.level,
        )
    )
    return other, curve


def _refuse_few(rows: DoseRows) -> None:
    if rows.events >= FEWEST_EVENTS:
        return
    raise RefusedEstimateError(
        f"{rows.events} event{'s' * (rows.events != 1)} among {rows.n}"
        f" {rows.end_point.unit}{'s' * (rows.n != 1)} with a dose: under"
        f" {FEWEST_EVENTS} events no dose–response is estimated, with or without the Firth penalty."
        " That is the result: report the count with an exact interval, or wait for more events.",
        events=rows.events,
        n=rows.n,
    )
