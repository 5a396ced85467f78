"""A second opinion from lifelines (Davidson-Pilon 2019, J Open Source Softw 4:1317).

The one module that talks to lifelines. Our own kernels make every figure; here the same rows go
through an independent program, as one would check a dose calculation by a second one, and the
largest difference is reported. Only what lifelines was measured to do rightly is asked of it:
Kaplan–Meier with Greenwood's log–log limits, the log-rank test without strata, and Cox's model with
Efron ties, strata and delayed entry. Its Aalen–Johansen jitters ties and swaps limits, its
interval-censored curve closes intervals, its robust errors ignore ties: none of these is used.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.estimators.group_tests import GroupTest
from analysis.estimators.observations import RightCensored
from analysis.estimators.survival import KaplanMeier
from analysis.models.cox import CoxFit
from registry.errors import RefusedEstimateError

Array = NDArray[np.float64]

CURVE_TOLERANCE = 1e-9
COX_TOLERANCE = 1e-4
"""In standard errors: lifelines stops its climb a little earlier than ours."""


@dataclass(frozen=True, slots=True)
class SecondOpinion:
    """How far lifelines is from our figures.

    Attributes
    ----------
    program, version
        The second program.
    compared
        What was compared.
    largest_difference
        Absolute for curves and relative for a test; in our standard errors for coefficients.
    agrees
        Whether that lies within the tolerance for its kind.
    """

    program: str
    version: str
    compared: str
    largest_difference: float
    tolerance: float

    @property
    def agrees(self) -> bool:
        """Whether the difference is within the tolerance."""
        return self.largest_difference <= self.tolerance


def _opinion(compared: str, difference: float, tolerance: float) -> SecondOpinion:
    import lifelines

    return SecondOpinion("lifelines", lifelines.__version__, compared, difference, tolerance)


def second_kaplan_meier(observed: RightCensored, ours: KaplanMeier) -> SecondOpinion:
    """Compare a Kaplan–Meier curve and, where they are log–log, its limits.

    Limits are compared where both exist (at survival 1 lifelines gives 1, we give none).

    Raises
    ------
    RefusedEstimateError
        With probability weights, whose variance differs.
    ValueError
        Where ours is of a level or of observations that do not fit.

    Examples
    --------
    >>> from analysis.estimators.survival import kaplan_meier
    >>> seen = RightCensored.of([6, 6, 7, 10, 13], [1, 0, 1, 0, 1])
    >>> second_kaplan_meier(seen, kaplan_meier(seen)).agrees
    True
    """
    from lifelines import KaplanMeierFitter

    if observed.weight_kind == "probability":
        raise RefusedEstimateError("No second opinion is asked for with probability weights.")
    if ours.n != observed.people:
        raise ValueError(f"the curve has {ours.n} people, the observations {observed.people}")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = KaplanMeierFitter(alpha=1 - ours.level).fit(
            observed.time,
            observed.status == 1,
            entry=None if observed.entry is None else np.maximum(observed.entry, 0.0),
            weights=observed.weight,
        )
    place = np.searchsorted(theirs.timeline, ours.curve.time, side="right") - 1
    curves = [(ours.curve.estimate, theirs.survival_function_.to_numpy()[place, 0])]
    compared = "Kaplan-Meier survival"
    if ours.interval == "log-log":
        limits = theirs.confidence_interval_.to_numpy()[place]
        curves += [(ours.curve.lower, limits[:, 0]), (ours.curve.upper, limits[:, 1])]
        compared += " and log-log limits"
    return _opinion(compared, max(_distance(*pair) for pair in curves), CURVE_TOLERANCE)


def _distance(ours: Array, theirs: Array) -> float:
    both = np.isfinite(ours) & np.isfinite(theirs)
    return float(np.max(np.abs(ours[both] - theirs[both]), initial=0.0))


def second_log_rank(
    observed: RightCensored, groups: Sequence[str], ours: GroupTest
) -> SecondOpinion:
    """Compare an unstratified log-rank test without weights or delayed entry.

    Raises
    ------
    RefusedEstimateError
        Where lifelines has no such test.

    Examples
    --------
    >>> from analysis.estimators.group_tests import log_rank
    >>> seen, arm = RightCensored.of([6, 6, 7, 10, 13, 2], [1, 0, 1, 0, 1, 1]), list("aabbab")
    >>> second_log_rank(seen, arm, log_rank(seen, arm)).agrees
    True
    """
    from lifelines.statistics import multivariate_logrank_test

    if observed.entry is not None or observed.weight is not None or ours.name != "log-rank":
        raise RefusedEstimateError(
            "lifelines has no log-rank test with strata, delayed entry or such weights."
        )
    theirs = multivariate_logrank_test(
        observed.time, np.asarray(groups).astype(str), observed.status == 1
    )
    difference = abs(float(theirs.test_statistic) - ours.statistic) / max(ours.statistic, 1e-6)
    return _opinion("log-rank test", difference, 1e-8)


def second_cox(fit: CoxFit, matrix: Array) -> SecondOpinion:
    """Compare the coefficients and model-based standard errors of a Cox model with Efron ties.

    Parameters
    ----------
    fit
        Ours.
    matrix
        The covariates it was fitted to, shape (n, p).

    Raises
    ------
    RefusedEstimateError
        With Breslow ties, which lifelines does not have, or where it does not converge.
    """
    import pandas as pd
    from lifelines import CoxPHFitter
    from lifelines.exceptions import ConvergenceError

    data = fit.data
    if data.ties != "efron":
        raise RefusedEstimateError("lifelines has Efron's ties only.")
    names = [f"x{place}" for place in range(matrix.shape[1])]
    table: Any = pd.DataFrame(matrix, columns=names)
    table = table.assign(end=data.time, event=data.event, stratum=data.sets.stratum)
    how: dict[str, Any] = {"strata": ["stratum"]} if len(data.strata) > 1 else {}
    if not how:
        table = table.drop(columns="stratum")
    if data.entry is not None:
        table = table.assign(begin=np.maximum(data.entry, 0.0))
        how["entry_col"] = "begin"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            theirs = CoxPHFitter().fit(
                table, "end", "event", fit_options={"precision": 1e-11}, **how
            )
        except ConvergenceError:
            raise RefusedEstimateError("lifelines does not converge on these rows.") from None
    table_of_ours = fit.coefficients
    coef = np.abs(theirs.params_.to_numpy() - table_of_ours.coef) / table_of_ours.se
    se = np.abs(theirs.standard_errors_.to_numpy() / table_of_ours.se - 1)
    difference = float(max(coef.max(), se.max()))
    return _opinion("Cox coefficients and standard errors", difference, COX_TOLERANCE)
