"""Ratios per step of dose: Cox or its Firth form, Fine–Gray, discrete time; splines; imputation.

Every model is fitted twice, unadjusted and adjusted, on the rows complete in the adjustment, so
that the two differ by the adjustment alone; beside them stands the unadjusted model of all rows. A
model that cannot be fitted is a result too: the row holds the reason.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from analysis.dose_effect.dose_rows import DoseRows
from analysis.models.coefficients import EVENTS_PER_PARAMETER, FEWEST_EVENTS
from analysis.models.design_matrix import Column, ModelFrame, to_model_frame
from analysis.models.discrete_time import firth_discrete_time
from analysis.models.imputation import Pooled, impute, outcome_columns, pool
from analysis.models.pooled_profiles import POOLED_PROFILE, pool_profiles
from analysis.models.regression import RegressionAnswer, RegressionRows, RegressionTest, regress
from registry.errors import MendableError, RefusedEstimateError

Array = NDArray[np.float64]

DOSE = "dose"
#: Above so many events the discrete-time model for rare events is left out (our choice).
MANY_EVENTS = 200
#: What a warning of ``regress`` says of its own options has no place here.
_OPTION = re.compile(r"; use --model [^.]*")
METHODS = ("auto", "cox", "firth-cox")
GRID = 41


@dataclass(frozen=True, slots=True)
class Ratio:
    """Ratio per step of dose from one model, or why there is none.

    ``measure`` is "hazard ratio", "subdistribution hazard ratio" or "odds ratio"; ``rows`` says
    which rows (complete, all, imputed); figures are NaN where ``refused`` says why.
    ``proportional`` holds the tests of proportional hazards of the dose and of all terms (Cox).
    """

    model: str
    measure: str
    adjusted_for: tuple[str, ...]
    rows: str
    n: int
    events: int
    ratio: float
    lower: float
    upper: float
    p: float
    coef: float
    se: float
    interval: str
    notes: tuple[str, ...] = ()
    refused: str = ""
    proportional: tuple[RegressionTest, ...] = ()

    @property
    def is_estimable(self) -> bool:
        """Whether there is a figure."""
        return not self.refused


def choose_method(method: str, events: int, parameters: int) -> str:
    """Return the hazard model: Firth's under ten events a parameter, unless one was asked for.

    >>> choose_method("auto", 25, 3), choose_method("auto", 40, 3)
    ('firth-cox', 'cox')
    """
    if method not in METHODS:
        raise ValueError(f"method must be one of {', '.join(METHODS)}, not {method!r}")
    if method != "auto":
        return method
    return "firth-cox" if events < EVENTS_PER_PARAMETER * max(parameters, 1) else "cox"


def frame_of(
    rows: DoseRows,
    adjust: Mapping[str, Column],
    *,
    knots: int = 0,
) -> ModelFrame:
    """Design matrix with the dose first, in steps of the field (a spline keeps its unit)."""
    dose = bend(rows.dose, rows) if knots else rows.dose / rows.field.per
    return to_model_frame(
        {DOSE: dose, **adjust},
        event=rows.status == 1,
        splines={DOSE: knots} if knots else None,
    )


def bend(dose: Array, rows: DoseRows) -> Array:
    """Return the scale of a spline: ln dose where it spans orders of magnitude."""
    return np.log(np.maximum(dose, 0.1)) if rows.field.is_skewed else dose


def complete_rows(rows: DoseRows) -> DoseRows:
    """Return the rows known in every covariate of the adjustment."""
    return rows.select(to_model_frame({DOSE: rows.dose, **rows.covariates}).kept)


def _refused(model: str, measure: str, rows: DoseRows, which: str, error: MendableError) -> Ratio:
    nan = float("nan")
    return Ratio(
        model, measure, tuple(rows.covariates), which, rows.n, rows.events,
        nan, nan, nan, nan, nan, nan, "", (), error.message,
    )  # fmt: skip


def ratio_of(answer: RegressionAnswer, measure: str, adjust: tuple[str, ...], which: str) -> Ratio:
    """Take the dose's row of a regression."""
    table = answer.coefficients
    at = table.of(DOSE)
    se = table.se if table.robust_se is None else table.robust_se
    return Ratio(
        answer.model, measure, adjust, which, answer.n, answer.events,
        float(np.exp(table.coef[at])), float(np.exp(table.lower[at])),
        float(np.exp(table.upper[at])), float(table.p[at]), float(table.coef[at]), float(se[at]),
        table.interval, tuple(_OPTION.sub("", words) for words in answer.warnings),
        proportional=tuple(
            test for test in answer.tests
            if test.name == "proportional-hazards" and test.term in (DOSE, "GLOBAL")
        ),
    )  # fmt: skip


def hazard_answer(
    rows: DoseRows, adjust: Mapping[str, Column], method: str, level: float, *, knots: int = 0
) -> RegressionAnswer:
    """Fit the cause-specific hazard of the event."""
    frame = frame_of(rows, adjust, knots=knots)
    kept = rows.select(frame.kept)
    model = choose_method(method, kept.events, frame.matrix.shape[1])
    cluster = kept.cluster if model == "cox" else None
    entry = kept.entry if kept.has_delayed_entry else None
    return regress(
        RegressionRows(frame, kept.status, kept.time, entry, None, cluster), model, level=level
    )


def fine_gray_answer(
    rows: DoseRows, adjust: Mapping[str, Column], level: float
) -> RegressionAnswer:
    """Fit the subdistribution hazard on one clock; rows with delayed entry are left out."""
    from_start = rows.select(rows.entry <= 0)
    frame = frame_of(from_start, adjust)
    kept = from_start.select(frame.kept)
    return regress(RegressionRows(frame, kept.end_status, kept.end), "fine-gray", level=level)


def _tried(
    model: str, measure: str, rows: DoseRows, which: str, fit: Callable[[], RegressionAnswer]
) -> Ratio:
    try:
        return ratio_of(fit(), measure, tuple(rows.covariates), which)
    except MendableError as error:
        return _refused(model, measure, rows, which, error)


def compare_models(rows: DoseRows, *, method: str = "auto", level: float = 0.95) -> list[Ratio]:
    """Fit hazard and subdistribution models, unadjusted and adjusted.

    Parameters
    ----------
    rows
        The rows, covariates with gaps.
    method, level
        See :func:`choose_method`.

    Returns
    -------
    list of Ratio
        Hazard: all rows unadjusted; complete rows unadjusted and adjusted; then Fine–Gray the same
        way. Without an adjustment one row a model.
    """
    bare = replace(rows, covariates={})
    sets: list[tuple[str, DoseRows]] = [("all with a dose", bare)]
    if rows.covariates:
        whole = complete_rows(rows)
        sets += [("complete", replace(whole, covariates={})), ("complete", whole)]
    found = []
    for which, part in sets:
        found.append(
            _tried(
                "cox",
                "hazard ratio",
                part,
                which,
                lambda part=part: hazard_answer(part, part.covariates, method, level),  # type: ignore[misc]
            )
        )
    if rows.end_point.death_competes or rows.end_point.competing:
        for which, part in sets:
            found.append(
                _tried(
                    "fine-gray",
                    "subdistribution hazard ratio",
                    part,
                    which,
                    lambda part=part: fine_gray_answer(part, part.covariates, level),  # type: ignore[misc]
                )
            )
    return found


def compare_imputed(
    rows: DoseRows, *, method: str, level: float, imputations: int, rng: np.random.Generator
) -> Ratio | None:
    """Adjusted hazard ratio with missing covariates imputed; None when nothing is missing.

    Pooled by Rubin's rules with t limits; for Firth's form the limits and p are those of the pooled
    profiles (:func:`analysis.models.pooled_profiles.pool_profiles`), the estimate the mean.
    """
    frame = to_model_frame({DOSE: rows.dose, **rows.covariates})
    if not rows.covariates or frame.kept.all():
        return None
    which = f"imputed ({imputations} times)"
    try:
        entry = rows.entry if rows.has_delayed_entry else None
        outcome = outcome_columns(rows.time, rows.status, entry)
        columns: dict[str, Column] = {DOSE: rows.dose, **rows.covariates}
        fits = []
        for completed in impute(columns, outcome, imputations=imputations, rng=rng):
            filled = {name: completed[name] for name in rows.covariates}
            fits.append(hazard_answer(rows, filled, method, level))
        at = fits[0].coefficients.of(DOSE)
        pooled = pool(
            [fit.coefficients.coef[at : at + 1] for fit in fits],
            [fit.covariance[at : at + 1, at : at + 1] for fit in fits],
            level=level, complete_df=max(1.0, float(fits[0].events - frame.matrix.shape[1])),
        )  # fmt: skip
        lower, upper, p, interval = _pooled_limits(fits, pooled, at)
    except MendableError as error:
        return _refused("cox", "hazard ratio", rows, which, error)
    first = ratio_of(fits[0], "hazard ratio", tuple(rows.covariates), which)
    missing = ", ".join(lost.said for lost in frame.lost)
    return replace(
        first,
        ratio=float(np.exp(pooled.coef[0])),
        lower=float(np.exp(lower)),
        upper=float(np.exp(upper)),
        p=p,
        coef=float(pooled.coef[0]),
        se=float(pooled.se[0]),
        interval=interval,
        proportional=(),
        notes=(
            f"Imputed: {missing}. Fraction of missing information of the dose's coefficient"
            f" {pooled.missing_information[0]:.2f}.",
        ),
    )


def _pooled_limits(
    fits: list[RegressionAnswer], pooled: Pooled, at: int
) -> tuple[float, float, float, str]:
    """Limits of the dose's coefficient over the completed tables, p, and what they are."""
    penalised = [fit.penalised for fit in fits if fit.penalised is not None]
    if not penalised:
        return (
            float(pooled.lower[0]), float(pooled.upper[0]), float(pooled.p[0]), "Rubin's rules, t",
        )  # fmt: skip
    found = pool_profiles(penalised, level=pooled.level, positions=(at,))
    return float(found.lower[at]), float(found.upper[at]), float(found.p[at]), POOLED_PROFILE


@dataclass(frozen=True, slots=True)
class SplineCurve:
    """Hazard ratio by dose against the median dose, from a restricted cubic spline.

    ``dose``, ``ratio``, ``lower``, ``upper`` have shape (41,), from the 1st to the 99th percentile;
    ``test`` asks whether the curve bends.
    """

    model: str
    adjusted_for: tuple[str, ...]
    knots: tuple[float, ...]
    reference: float
    dose: Array
    ratio: Array
    lower: Array
    upper: Array
    test: RegressionTest


def count_knots(events: int) -> int:
    """Knots that the events allow: 4 from 40 events on, else 3 (our choice)."""
    return 4 if events >= 4 * EVENTS_PER_PARAMETER else 3


def fit_spline(rows: DoseRows, *, method: str = "auto", level: float = 0.95) -> SplineCurve:
    """Fit the hazard by a restricted cubic spline of dose, adjusted as the rows are.

    Raises
    ------
    RefusedInputError, RefusedEstimateError
        As the model itself, and where the doses have too few distinct values.
    """
    from analysis.models.splines import restricted_cubic_basis

    whole = complete_rows(rows)
    knots = count_knots(whole.events)
    frame = frame_of(whole, whole.covariates, knots=knots)
    answer = hazard_answer(whole, whole.covariates, method, level, knots=knots)
    own = list(frame.terms_of(DOSE))
    low, reference, high = (float(v) for v in np.percentile(whole.dose, [1, 50, 99]))
    grid = np.linspace(low, high, GRID)
    places = frame.knots[DOSE]
    apart = restricted_cubic_basis(bend(grid, whole), places) - restricted_cubic_basis(
        bend(np.array([reference]), whole), places
    )
    knot_doses = np.exp(places) if whole.field.is_skewed else places
    log_ratio = apart @ answer.coefficients.coef[own]
    spread = answer.covariance[np.ix_(own, own)]
    se = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", apart, spread, apart), 0.0))
    reach = float(norm.isf((1 - level) / 2)) * se
    test = next(t for t in answer.tests if t.name == "non-linearity")
    return SplineCurve(
        answer.model, tuple(whole.covariates), tuple(float(k) for k in knot_doses), reference, grid,
        np.exp(log_ratio), np.exp(log_ratio - reach), np.exp(log_ratio + reach), test,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class RareEventRisk:
    """Firth's discrete-time model to the horizon: ratio per step, risk at the quartiles of dose."""

    ratio: Ratio
    edges: tuple[float, ...]
    dose: tuple[float, ...]
    risk: tuple[float, ...]


def fit_discrete_time(rows: DoseRows, horizon: float, *, level: float = 0.95) -> RareEventRisk:
    """Fit the Firth complementary log–log model up to a horizon, adjusted as the rows are.

    Intervals hold about equally many events, five or more each. Risks are at the covariates' means.

    Raises
    ------
    RefusedEstimateError
        Under five events by the horizon, or so many that the form for rare ones has no place.
    """
    whole = complete_rows(rows.select(rows.entry <= 0))
    frame = frame_of(whole, whole.covariates)
    event = whole.status == 1
    if event.sum() > MANY_EVENTS:
        raise RefusedEstimateError(
            f"{int(event.sum())} events: the discrete-time form is for few (up to {MANY_EVENTS});"
            " with so many Cox needs no help."
        )
    times = np.sort(whole.time[event & (whole.time <= horizon)])
    count = int(np.clip(len(times) // FEWEST_EVENTS, 1, 5))
    inner = np.quantile(times, np.arange(1, count) / count) if len(times) else np.zeros(0)
    edges = np.unique(np.concatenate(([0.0], inner, [horizon])))
    fitted = firth_discrete_time(
        frame.matrix, whole.time, event, edges, terms=frame.terms, level=level
    )
    table = fitted.fit.coefficients
    at = table.of(DOSE)
    quartiles = np.percentile(whole.dose, [25, 50, 75])
    means = np.tile(frame.matrix.mean(axis=0), (3, 1))
    means[:, 0] = quartiles / whole.field.per
    ratio = Ratio(
        "firth-discrete-time", "hazard ratio", tuple(whole.covariates), "complete", whole.n,
        fitted.fit.events, float(np.exp(table.coef[at])), float(np.exp(table.lower[at])),
        float(np.exp(table.upper[at])), float(table.p[at]), float(table.coef[at]),
        float(table.se[at]), table.interval,
    )  # fmt: skip
    return RareEventRisk(
        ratio, tuple(edges.tolist()), tuple(quartiles.tolist()),
        tuple(float(r) for r in fitted.risk(means)),
    )  # fmt: skip
