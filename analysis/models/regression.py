"""One regression answer whichever the model: coefficients, tests and what must be said about them.

The models are ``cox`` (cause-specific hazard of event code 1), ``firth-cox``, ``fine-gray``
(subdistribution hazard of code 1), ``firth-discrete-time`` (cause-specific hazard over stated
intervals, complementary log–log), ``logistic`` and ``firth-logistic``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from analysis.models.coefficients import FEWEST_EVENTS, Coefficients, few_events_warning
from analysis.models.cox import CoxFit, cox
from analysis.models.design_matrix import ModelFrame
from analysis.models.discrete_time import firth_discrete_time
from analysis.models.fine_gray import fine_gray
from analysis.models.firth import FirthFit, firth_cox, firth_logistic
from analysis.models.logistic import logistic
from analysis.models.proportional_hazards import GLOBAL, proportional_hazards_tests
from registry.errors import RefusedEstimateError

Array = NDArray[np.float64]

DISCRETE_TIME = "firth-discrete-time"
MODELS = ("cox", "firth-cox", "fine-gray", DISCRETE_TIME, "logistic", "firth-logistic")
TIMED = ("cox", "firth-cox", "fine-gray", DISCRETE_TIME)
#: Models that take delayed entry and strata; models that take clusters; models with a ties option.
WITH_ENTRY, WITH_STRATA, WITH_CLUSTER = (
    ("cox", "firth-cox"),
    ("cox", "firth-cox"),
    ("cox", "logistic"),
)
LIKELIHOODS = {
    "cox": "partial",
    "firth-cox": "penalised partial",
    "fine-gray": "partial pseudo",
    DISCRETE_TIME: "penalised full",
    "logistic": "full",
    "firth-logistic": "penalised full",
}
DOUBTFUL = 0.05


@dataclass(frozen=True, slots=True)
class RegressionRows:
    """Rows of a regression, complete in every column.

    Attributes
    ----------
    frame
        The design matrix with the names of its terms.
    status
        Shape (n,): 0 censored (or no event), 1 event, 2, 3, ... competing.
    time, entry
        Shape (n,) or None.
    strata, cluster
        Labels of shape (n,) or None.
    """

    frame: ModelFrame
    status: NDArray[np.int64]
    time: Array | None = None
    entry: Array | None = None
    strata: NDArray[np.generic] | None = None
    cluster: NDArray[np.generic] | None = None


@dataclass(frozen=True, slots=True)
class RegressionTest:
    """A test of one term or column (or of all)."""

    name: str
    term: str
    statistic: float
    df: int
    p: float


@dataclass(frozen=True, slots=True)
class RegressionAnswer:
    """What a regression found; see :func:`regress`."""

    model: str
    n: int
    events: int
    competing: int
    clusters: int | None
    ties: str | None
    log_likelihood: float
    log_likelihood_null: float
    log_likelihood_kind: str
    coefficients: Coefficients
    covariance: Array
    tests: tuple[RegressionTest, ...]
    warnings: tuple[str, ...]
    penalised: FirthFit | None = None


def regress(
    rows: RegressionRows,
    model: str,
    *,
    ties: str | None = None,
    level: float = 0.95,
    edges: Sequence[float] = (),
) -> RegressionAnswer:
    """Fit one of the models and test what goes with it.

    Parameters
    ----------
    rows
        The rows.
    model
        One of ``MODELS``.
    ties
        ``"efron"`` or ``"breslow"``; default Efron for ``cox``, Breslow for ``firth-cox``;
        ``fine-gray`` has Breslow's only.
    level
        Confidence level.
    edges
        Ends of the intervals of the discrete-time model, above 0 and increasing; the last is the
        horizon, beyond which nothing counts.

    Returns
    -------
    RegressionAnswer
        Tests are ``non-linearity`` for each spline column (Wald, or penalised likelihood ratio for
        the Firth models) and, for ``cox``, ``proportional-hazards`` for each column and ``GLOBAL``.

    Raises
    ------
    RefusedEstimateError, RefusedInputError
        As the models themselves.
    """
    if model not in MODELS:
        raise ValueError(f"model must be one of {', '.join(MODELS)}, not {model!r}")
    if model in TIMED and rows.time is None:
        raise ValueError(f"{model} needs times")
    if model == "cox":
        return _cox_answer(rows, ties or "efron", level)
    if model == "fine-gray":
        return _fine_gray_answer(rows, level)
    if model == "logistic":
        return _logistic_answer(rows, level)
    if model == DISCRETE_TIME:
        return _discrete_time_answer(rows, edges, level)
    return _firth_answer(rows, model, ties or "breslow", level)


def _times(rows: RegressionRows) -> Array:
    if rows.time is None:
        raise ValueError("this model needs times")
    return rows.time


def _cox_answer(rows: RegressionRows, ties: str, level: float) -> RegressionAnswer:
    fit = cox(
        rows.frame.matrix, _times(rows), rows.status == 1,
        terms=rows.frame.terms, entry=rows.entry, strata=rows.strata, cluster=rows.cluster,
        ties=ties, level=level,
    )  # fmt: skip
    covariance = fit.covariance if fit.robust_covariance is None else fit.robust_covariance
    tests, doubts = _proportional_hazards(fit, rows.frame)
    competing = int(np.sum(rows.status > 1))
    said = [
        _few(fit.events, rows, "firth-cox"),
        f"{competing} competing events count as censored: the hazard is cause-specific, and its"
        " ratios are not those of the cumulative incidence."
        if competing
        else None,
        *doubts,
    ]
    return _answer(
        "cox", fit.coefficients, fit.log_likelihood, fit.log_likelihood_null,
        covariance=covariance, n=fit.n, events=fit.events, competing=competing,
        clusters=fit.clusters, ties=ties,
        tests=(*_wald_non_linearity(rows.frame, fit.coefficients, covariance), *tests), said=said,
    )  # fmt: skip


def _proportional_hazards(
    fit: CoxFit, frame: ModelFrame
) -> tuple[list[RegressionTest], list[str | None]]:
    try:
        found = proportional_hazards_tests(fit, columns=frame.columns)
    except RefusedEstimateError as refusal:
        return [], [refusal.message]
    tests = [RegressionTest("proportional-hazards", t.term, t.statistic, t.df, t.p) for t in found]
    doubtful = [t.term for t in tests if t.p < DOUBTFUL and t.term != GLOBAL]
    if not doubtful:
        return tests, []
    return tests, [
        f"The hazard ratio of {', '.join(doubtful)} seems to change with time (p < {DOUBTFUL:g}):"
        " one number then stands for an average over follow-up."
    ]


def _fine_gray_answer(rows: RegressionRows, level: float) -> RegressionAnswer:
    fit = fine_gray(
        rows.frame.matrix, _times(rows), rows.status, terms=rows.frame.terms, level=level
    )
    shared = np.intersect1d(_times(rows)[rows.status == 1], _times(rows)[rows.status != 1])
    said = [
        _few(fit.events, rows, None),
        f"{len(shared)} times hold the event beside a censoring or a competing event: ties are"
        " Breslow's, with the censoring weights taken just before each time; programs that split"
        " time differ there."
        if len(shared)
        else None,
        None
        if fit.competing
        else "No competing event (code 2, 3, ...) was found: this is a Cox model with Breslow ties"
        " and robust errors.",
    ]
    return _answer(
        "fine-gray", fit.coefficients, fit.log_likelihood, fit.log_likelihood_null,
        covariance=fit.covariance, n=fit.n, events=fit.events, competing=fit.competing,
        clusters=None, ties="breslow",
        tests=_wald_non_linearity(rows.frame, fit.coefficients, fit.covariance), said=said,
    )  # fmt: skip


def _logistic_answer(rows: RegressionRows, level: float) -> RegressionAnswer:
    fit = logistic(
        rows.frame.matrix, rows.status == 1,
        terms=rows.frame.terms, cluster=rows.cluster, level=level,
    )  # fmt: skip
    covariance = fit.covariance if fit.robust_covariance is None else fit.robust_covariance
    rarer = min(fit.events, fit.n - fit.events)
    return _answer(
        "logistic", fit.coefficients, fit.log_likelihood, fit.log_likelihood_null,
        covariance=covariance, n=fit.n, events=fit.events, competing=0, clusters=fit.clusters,
        ties=None,
        tests=_wald_non_linearity(rows.frame, fit.coefficients, covariance),
        said=[_few(rarer, rows, "firth-logistic")],
    )  # fmt: skip


def _firth_answer(rows: RegressionRows, model: str, ties: str, level: float) -> RegressionAnswer:
    event, timed = rows.status == 1, model == "firth-cox"
    _refuse_more_terms(rows, event, timed=timed)
    fit = (
        firth_cox(
            rows.frame.matrix,
            _times(rows),
            event,
            terms=rows.frame.terms,
            entry=rows.entry,
            strata=rows.strata,
            ties=ties,
            level=level,
        )
        if timed
        else firth_logistic(rows.frame.matrix, event, terms=rows.frame.terms, level=level)
    )
    rarer = fit.events if timed else min(fit.events, fit.n - fit.events)
    competing = int(np.sum(rows.status > 1))
    said = [
        few_events_warning(rarer, rows.frame.matrix.shape[1], advised=None),
        f"{competing} competing events count as censored." if competing else None,
        None
        if timed
        else "Risks from these coefficients are pulled towards one half; take predictions from FLIC"
        " (--standardise) or FLAC.",
    ]
    found = _answer(
        model, fit.coefficients, fit.log_likelihood, fit.log_likelihood_null,
        covariance=fit.covariance, n=fit.n, events=fit.events, competing=competing, clusters=None,
        ties=ties if timed else None, tests=_firth_non_linearity(rows.frame, fit), said=said,
    )  # fmt: skip
    return replace(found, penalised=fit)


def _refuse_more_terms(rows: RegressionRows, event: NDArray[np.bool_], *, timed: bool) -> None:
    """Refuse a Firth model with more coefficients than events: it would have an answer, of nothing.

    Where there are too few events for any model, that is for the model to say.
    """
    events, terms = int(event.sum()), rows.frame.terms
    events = events if timed else min(events, len(event) - events)
    if FEWEST_EVENTS <= events < len(terms):
        raise RefusedEstimateError(
            f"{len(terms)} coefficients ({terms[0]}, {terms[1]}, ...) for {events} events: with"
            " more coefficients than events they cannot be told apart. Leave columns out; a column"
            " of text takes a coefficient for every value but one.",
            coefficients=len(terms),
            events=events,
        )


def _discrete_time_answer(
    rows: RegressionRows, edges: Sequence[float], level: float
) -> RegressionAnswer:
    ends = np.concatenate(([0.0], np.asarray(edges, dtype=float)))
    time = _times(rows)
    event = (rows.status == 1) & (time <= ends[-1])
    _refuse_more_terms(rows, event, timed=True)
    fit = firth_discrete_time(
        rows.frame.matrix, time, event, ends, terms=rows.frame.terms, level=level
    ).fit
    competing = int(np.sum((rows.status > 1) & (time <= ends[-1])))
    late = int(np.sum((rows.status == 1) & ~event))
    said = [
        few_events_warning(int(event.sum()), rows.frame.matrix.shape[1], advised=None),
        f"{competing} competing events count as censored." if competing else None,
        f"{late} events after {ends[-1]:g} are beyond the last interval and do not count."
        if late
        else None,
    ]
    found = _answer(
        DISCRETE_TIME, fit.coefficients, fit.log_likelihood, fit.log_likelihood_null,
        covariance=fit.covariance, n=len(time), events=int(event.sum()), competing=competing,
        clusters=None, ties=None, tests=_firth_non_linearity(rows.frame, fit), said=said,
    )  # fmt: skip
    return replace(found, penalised=fit)


def _few(events: int, rows: RegressionRows, advised: str | None) -> str | None:
    """The warning on events a parameter; a Fine–Gray model has no Firth form here."""
    return few_events_warning(
        events, rows.frame.matrix.shape[1], advised=advised or "firth-cox (cause-specific)"
    )


def _answer(
    model: str,
    coefficients: Coefficients,
    log_likelihood: float,
    log_likelihood_null: float,
    *,
    covariance: Array,
    n: int,
    events: int,
    competing: int,
    clusters: int | None,
    ties: str | None,
    tests: Sequence[RegressionTest],
    said: Sequence[str | None],
) -> RegressionAnswer:
    return RegressionAnswer(
        model, n, events, competing, clusters, ties, log_likelihood, log_likelihood_null,
        LIKELIHOODS[model], coefficients, covariance, tuple(tests), tuple(s for s in said if s),
    )  # fmt: skip


def _bent_terms(frame: ModelFrame, coefficients: Coefficients) -> list[tuple[str, list[int]]]:
    """Positions (among the coefficients) of the non-linear terms of each spline column."""
    shift = len(coefficients.terms) - len(frame.terms)
    return [(name, [i + shift for i in frame.terms_of(name)[1:]]) for name in frame.knots]


def _wald_non_linearity(
    frame: ModelFrame, coefficients: Coefficients, covariance: Array
) -> list[RegressionTest]:
    tests = []
    for name, bent in _bent_terms(frame, coefficients):
        coef = coefficients.coef[bent]
        statistic = float(coef @ np.linalg.solve(covariance[np.ix_(bent, bent)], coef))
        p = float(chi2.sf(statistic, len(bent)))
        tests.append(RegressionTest("non-linearity", name, statistic, len(bent), p))
    return tests


def _firth_non_linearity(frame: ModelFrame, fit: FirthFit) -> list[RegressionTest]:
    return [
        RegressionTest("non-linearity", name, *fit.test_together(bent))
        for name, bent in _bent_terms(frame, fit.coefficients)
    ]
