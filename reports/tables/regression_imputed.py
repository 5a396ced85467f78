"""``regress --imputations``: missing covariates filled several times, the fits pooled."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from reports.tables.event_codes import read_event_codes
from reports.tables.regression import (
    RegressionQuestion,
    after_landmark,
    check_status,
    describe,
    read_column,
    read_needed,
    read_rows,
    say_lost,
)
from reports.tables.table_reading import Table

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from analysis.models.regression import RegressionAnswer, RegressionRows


def answer_imputed(table: Table, question: RegressionQuestion) -> dict[str, Any]:
    """Impute, fit each completed table and pool: Rubin's rules, or profiles for Firth models.

    Returns
    -------
    dict
        As :func:`reports.tables.regression.answer_regression`, with ``imputations``, ``seed``, for
        each term ``df`` and ``missing_information``, no tests and no log-likelihood (neither is
        pooled).
    """
    import numpy as np

    from analysis.models.design_matrix import to_model_frame
    from analysis.models.imputation import pool

    known, dropped = table.complete_rows([question.event])
    codes, more = read_event_codes(known, question.event, question.event_codes)
    status = np.array(codes, dtype=np.int64)
    check_status(table, question, status)
    known, status, moved = after_landmark(known, status, question)
    needed = {question.event: status.astype(float), **read_needed(known, question)}
    complete = to_model_frame({}, needed=needed, event=status == 1)
    known, status = known.keep(complete.kept), status[complete.kept]
    columns = {name: read_column(known, name) for name in question.terms}
    frame = to_model_frame(columns, event=status == 1)
    first = read_rows(known, status, frame, question)
    fits = _fit_completed(columns, first, status, question)
    pooled = pool(
        [fit.coefficients.coef for fit in fits],
        [fit.covariance for fit in fits],
        level=question.level,
        complete_df=_complete_degrees_of_freedom(first, fits[0], question),
    )
    said = [*dropped, *more, *moved, *say_lost(complete)]
    answer = describe(table, question, _pooled_answer(fits, pooled, question), frame, said)
    by_profile = fits[0].penalised is not None
    for term, df, share in zip(answer["terms"], pooled.df, pooled.missing_information, strict=True):
        term |= {"df": None if by_profile else float(df), "missing_information": float(share)}
    answer["warnings"] += _say_imputed(frame.lost, question)
    return answer | {
        "imputations": question.imputations,
        "seed": question.seed,
        "log_likelihood": None,
        "log_likelihood_null": None,
    }


def _fit_completed(
    columns: dict[str, Any],
    first: RegressionRows,
    status: NDArray[np.int64],
    question: RegressionQuestion,
) -> list[RegressionAnswer]:
    """The model fitted to each completed table."""
    import numpy as np

    from analysis.models.design_matrix import to_model_frame
    from analysis.models.imputation import impute, outcome_columns
    from analysis.models.regression import regress

    outcome = (
        (status == 1)[:, None].astype(float)
        if first.time is None
        else outcome_columns(first.time, status, first.entry)
    )
    rng = np.random.default_rng(question.seed)
    fits = []
    for completed in impute(columns, outcome, imputations=question.imputations, rng=rng):
        rows = replace(first, frame=to_model_frame(completed))
        fits.append(regress(rows, question.model, ties=question.ties, level=question.level))
    return fits


def _complete_degrees_of_freedom(
    rows: RegressionRows, fit: RegressionAnswer, question: RegressionQuestion
) -> float:
    """Rows (logistic) or events (timed models) less the coefficients."""
    size = len(rows.status) if "logistic" in question.model else fit.events
    return max(1.0, float(size - len(fit.coefficients.terms)))


def _pooled_answer(
    fits: list[RegressionAnswer], pooled: Any, question: RegressionQuestion
) -> RegressionAnswer:
    """The pooled fit: Rubin's rules, with limits from pooled profiles for the Firth models."""
    from analysis.models.pooled_profiles import POOLED_PROFILE, pool_profiles

    first = fits[0]
    limits, interval = pooled, "Rubin's rules, t"
    penalised = [fit.penalised for fit in fits if fit.penalised is not None]
    if penalised:
        limits, interval = pool_profiles(penalised, level=question.level), POOLED_PROFILE
    coefficients = replace(
        first.coefficients,
        coef=pooled.coef,
        se=pooled.se,
        robust_se=pooled.se if first.coefficients.robust_se is not None else None,
        lower=limits.lower,
        upper=limits.upper,
        p=limits.p,
        interval=interval,
    )
    said = tuple(w for w in first.warnings if all(w in fit.warnings for fit in fits))
    return replace(
        first, coefficients=coefficients, covariance=pooled.covariance, tests=(), warnings=said
    )


def _say_imputed(lost: Any, question: RegressionQuestion) -> list[str]:
    if not lost:
        return ["No covariate is missing: nothing was imputed."]
    filled = ", ".join(one.said for one in lost)
    return [
        f"Missing covariates were imputed {question.imputations} times (seed {question.seed}):"
        f" {filled}. The imputation models hold the event and its Nelson–Aalen hazard; that the"
        " missing values depend only on what is recorded is assumed, not tested."
    ]
