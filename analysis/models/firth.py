"""Regression for rare events: Firth's penalised likelihood.

The log-likelihood is raised by ½ ln |information| (Jeffreys' prior; Firth 1993, Biometrika
80:27–38), which takes out the first-order bias and keeps every coefficient finite when a covariate
separates the events. Limits and p values come from the profile of the penalised likelihood (Heinze
& Schemper 2001, Biometrics 57:114–119, Cox; 2002, Stat Med 21:2409–2419, logistic); Wald limits are
not given because they are misleading here.

Firth gives coefficients; predicted risks are biased towards one half. They come from FLIC or FLAC
(Puhr, Heinze, Nold, Lusa, Geroldinger 2017, Stat Med 36:2302–2317; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import chi2

from analysis.models.binomial_likelihood import (
    INTERCEPT,
    BinomialData,
    BinomialPoint,
    inverse_link,
    penalised_binomial,
)
from analysis.models.centred_columns import CentredColumns
from analysis.models.coefficients import FEWEST_EVENTS, Coefficients, check_level, require_events
from analysis.models.cox import CoxData, prepare_cox, refuse_without_information
from analysis.models.design_matrix import check_columns
from analysis.models.newton import Climb
from analysis.models.profile_axes import Axis, intercept_axis, profile_each
from analysis.models.profile_likelihood import maximise_penalised
from analysis.models.risk_sets import partial_likelihood, penalty_gradient

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

PROFILE = "profile penalised likelihood"


@dataclass(frozen=True, slots=True)
class PenalisedPoint:
    """A penalised log-likelihood, its score (p,) and the unpenalised information (p, p)."""

    log_likelihood: float
    score: Array
    information: Array


@dataclass(frozen=True, slots=True)
class FirthFit:
    """A model fitted by Firth's penalised likelihood.

    Attributes
    ----------
    coefficients
        One row a term; limits and p by profile. ``se`` is from the information at the maximum, for
        comparison only.
    statistic
        Shape (p,): penalised likelihood-ratio χ²₁ of each term; NaN where not profiled.
    covariance
        Shape (p, p): inverse information.
    log_likelihood, log_likelihood_null
        Penalised log-likelihood at the maximum and with every term (but an intercept) at 0.
    likelihood_ratio
        The part of the fit's gain that tests all terms: 2 (maximum − null).
    n, events
        Rows and events (for logistic models the rarer outcome decides refusals, not this count).
    iterations, gradient
        Steps, and the largest |score| / sqrt(information) left.
    flic_intercept
        Intercept refitted so that predicted and observed events agree (FLIC), None for Cox.
    link
        ``"logit"``, ``"cloglog"`` or None for Cox.
    axes
        For each coefficient the penalised likelihood with that coefficient as one coordinate, for
        profiles and further tests.
    """

    coefficients: Coefficients
    statistic: Array
    covariance: Array
    log_likelihood: float
    log_likelihood_null: float
    n: int
    events: int
    iterations: int
    gradient: float
    flic_intercept: float | None
    link: str | None
    axes: tuple[Axis, ...]

    def test_together(self, positions: Sequence[int]) -> tuple[float, int, float]:
        """Penalised likelihood-ratio test that several terms' coefficients are 0: χ², df, p.

        Not the intercept's, which has other coordinates.
        """
        evaluate, top = self.axes[-1].evaluate, self.axes[-1].top
        free = ~np.isin(np.arange(len(top.coefficients)), positions)
        start = np.where(free, top.coefficients, 0.0)
        held = maximise_penalised(evaluate, start, free=free)
        fall = 2.0 * (top.point.log_likelihood - held.point.log_likelihood)
        statistic = max(0.0, fall)
        return statistic, len(positions), float(chi2.sf(statistic, len(positions)))

    @property
    def likelihood_ratio(self) -> float:
        """2 (penalised log-likelihood − that of the null model)."""
        return 2.0 * (self.log_likelihood - self.log_likelihood_null)

    def flic_risk(self, matrix: Array) -> Array:
        """Predicted risk with the FLIC intercept.

        ``matrix`` has shape (m, p − 1), without the intercept column, in the order of the terms;
        the result has shape (m,). Over the rows of the fit the risks sum to the events.
        """
        if self.link is None or self.flic_intercept is None:
            raise ValueError("risks by FLIC exist for binary models only")
        return inverse_link(self.link, matrix @ self.coefficients.coef[1:] + self.flic_intercept)


def firth_cox(
    matrix: Array,
    time: Array,
    event: BoolArray,
    *,
    terms: Sequence[str] | None = None,
    entry: Array | None = None,
    strata: NDArray[np.generic] | None = None,
    ties: str = "breslow",
    level: float = 0.95,
    fewest_events: int = FEWEST_EVENTS,
) -> FirthFit:
    """Fit a Cox model by Firth's penalised partial likelihood.

    Parameters
    ----------
    matrix, time, event, terms, entry, strata
        As for :func:`analysis.models.cox.cox`.
    ties
        ``"breslow"`` (as Heinze & Schemper) or ``"efron"``.
    level
        Confidence level of the profile limits.
    fewest_events
        Under so many events the model is refused.

    Returns
    -------
    FirthFit

    Raises
    ------
    RefusedEstimateError
        Under five events.
    RefusedInputError
        A column is constant or repeats others (named).

    Examples
    --------
    Every failure has x = 1; Cox's own likelihood has no maximum.

    >>> time = np.array([1., 2., 3., 4., 5., 6., 7., 8., 9., 10.])
    >>> x = np.array([[1.], [1.], [1.], [1.], [1.], [0.], [0.], [0.], [1.], [0.]])
    >>> fit = firth_cox(x, time, time < 6, terms=["x"])
    >>> fit.coefficients.coef.round(4), fit.coefficients.upper.round(2), fit.coefficients.p.round(4)
    (array([2.555]), array([7.44]), array([0.0197]))
    """
    check_level(level)
    data = prepare_cox(
        matrix, time, event, terms=terms, entry=entry, strata=strata, ties=ties,
        model="Firth Cox", fewest_events=fewest_events,
    )  # fmt: skip
    start = np.zeros(len(data.terms))
    refuse_without_information(data, partial_likelihood(data.sets, data.matrix, start))

    def evaluate(beta: Array) -> PenalisedPoint:
        return penalised_partial(data, beta)

    top = maximise_penalised(evaluate, start)
    axes = tuple(Axis(evaluate, top, j, 1.0 / scale) for j, scale in enumerate(data.scale))
    return _firth_fit(
        axes, top, np.diag(1.0 / data.scale), data.terms, level,
        null=evaluate(start).log_likelihood, n=len(data.time), events=data.sets.n_events,
    )  # fmt: skip


def penalised_partial(data: CoxData, beta: Array) -> PenalisedPoint:
    """Log partial likelihood + ½ ln |information| on the standardised columns, at β (p,)."""
    point = partial_likelihood(data.sets, data.matrix, beta)
    sign, log_determinant = np.linalg.slogdet(point.information)
    if sign <= 0 or not np.isfinite(log_determinant + point.log_likelihood):
        return PenalisedPoint(-np.inf, point.score, point.information)
    return PenalisedPoint(
        point.log_likelihood + 0.5 * float(log_determinant),
        point.score + penalty_gradient(data.sets, data.matrix, point),
        point.information,
    )


def _firth_fit(
    axes: tuple[Axis, ...],
    top: Climb,
    back: Array,
    terms: tuple[str, ...],
    level: float,
    *,
    null: float,
    n: int,
    events: int,
    skipped: int = 0,
    flic_intercept: float | None = None,
    link: str | None = None,
) -> FirthFit:
    """Put a fit on standardised columns back on the covariates as they were.

    The first ``skipped`` coefficients are not profiled.
    """
    limits = profile_each(axes, level, skipped)  # refuses a top without information
    covariance = back @ np.linalg.inv(top.point.information) @ back.T
    units = -float(np.sum(np.log(np.diag(back))))
    coefficients = Coefficients(
        terms, back @ top.coefficients, np.sqrt(np.diag(covariance)), None,
        limits.lower, limits.upper, limits.p, level, PROFILE,
    )  # fmt: skip
    return FirthFit(
        coefficients, limits.statistic, covariance, top.point.log_likelihood + units, null + units,
        n, events, top.iterations, top.gradient, flic_intercept, link, axes,
    )  # fmt: skip


def firth_logistic(
    matrix: Array,
    event: BoolArray,
    *,
    terms: Sequence[str] | None = None,
    level: float = 0.95,
    fewest_events: int = FEWEST_EVENTS,
) -> FirthFit:
    """Fit a logistic model by Firth's penalised likelihood.

    Parameters
    ----------
    matrix
        Covariates, shape (n, p), without an intercept column (it is added, first).
    event
        Shape (n,).
    terms
        p names.
    level
        Confidence level of the profile limits.
    fewest_events
        With fewer events, or fewer rows without event, the model is refused.

    Returns
    -------
    FirthFit

    Raises
    ------
    RefusedEstimateError, RefusedInputError
        As for :func:`firth_cox`.

    Examples
    --------
    Complete separation by x:

    >>> x = np.arange(12.0)[:, None]
    >>> fit = firth_logistic(x, x[:, 0] > 5.5, terms=["x"])
    >>> fit.coefficients.terms, fit.coefficients.coef.round(4)
    (('intercept', 'x'), array([-5.103 ,  0.9278]))
    """
    matrix, event = np.asarray(matrix, dtype=float), np.asarray(event, dtype=bool)
    names = tuple(terms) if terms is not None else tuple(f"x{j}" for j in range(matrix.shape[1]))
    require_both_outcomes(event, model="Firth logistic", fewest=fewest_events)
    check_columns(matrix, names)
    ones = np.ones(len(event))
    data = BinomialData(
        np.column_stack([ones, matrix]), event.astype(float), ones, np.zeros(len(event)), "logit"
    )
    return fit_firth_binomial(data, (INTERCEPT, *names), level=level)


def require_both_outcomes(event: BoolArray, *, model: str, fewest: int) -> None:
    """Refuse a binary model whose rarer outcome has under ``fewest`` rows."""
    require_events(int(event.sum()), model=model, fewest=fewest)
    require_events(int((~event).sum()), model=model, fewest=fewest, counted="row without event")


def fit_firth_binomial(
    data: BinomialData, terms: tuple[str, ...], *, level: float = 0.95, baseline: int = 1
) -> FirthFit:
    """Fit a binomial model whose first ``baseline`` columns are the intercept's.

    The null model has every other term at 0. Several baseline columns (intervals) are not
    profiled: their limits and p are NaN. The FLIC intercept is the first coefficient refitted so
    that expected events equal those seen, everything else held.
    """
    check_level(level)
    centred = CentredColumns.of(data.matrix, baseline)
    back = centred.back()
    rows = replace(data, matrix=centred.matrix)

    def evaluate(beta: Array) -> BinomialPoint:
        return penalised_binomial(rows, beta)

    start = np.zeros(len(terms))
    free = np.arange(len(terms)) < baseline
    null = maximise_penalised(evaluate, start, free=free)
    top = maximise_penalised(evaluate, null.coefficients)
    axes = tuple(Axis(evaluate, top, j, back[j, j]) for j in range(len(terms)))
    if baseline == 1:
        axes = (intercept_axis(rows, top, back[0]), *axes[1:])
    refitted = np.concatenate(([flic_intercept(rows, top.coefficients)], top.coefficients[1:]))
    return _firth_fit(
        axes, top, back, terms, level,
        null=null.point.log_likelihood, n=len(data.trials), events=round(data.successes.sum()),
        skipped=0 if baseline == 1 else baseline,
        flic_intercept=float(back[0] @ refitted), link=data.link,
    )  # fmt: skip


def flic_intercept(data: BinomialData, beta: Array) -> float:
    """First coefficient refitted so that expected events equal those seen, the others held."""
    rest = data.matrix[:, 1:] @ beta[1:] + data.offset
    seen = float(data.successes.sum())

    def excess(intercept: float) -> float:
        return float(data.trials @ inverse_link(data.link, rest + intercept)) - seen

    low, high = float(beta[0]) - 1.0, float(beta[0]) + 1.0
    while excess(low) > 0:
        low -= high - low
    while excess(high) < 0:
        high += high - low
    return float(brentq(excess, low, high, xtol=1e-14, rtol=1e-14))
