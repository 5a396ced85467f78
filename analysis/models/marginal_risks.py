"""Risks of everybody with one covariate set to a value: standardisation (the g-formula).

The model predicts everybody's risk twice, with the covariate set to one value and to another, all
else as it is; the means are the standardised (marginal) risks, and their difference and ratio say
in people what a coefficient says in odds or hazards (Robins 1986, Math Modelling 7:1393–1512; Gail
& Byar 1986, Biom J 28:587–599; Greenland 1991, Stat Med 10:1069–1074). Where each risk comes from
is in :mod:`analysis.models.marginal_predictions`.

Limits are percentiles over bootstrap samples of the clusters (patients), or of the rows; each
sample is fitted and standardised over its own people.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.estimators.resampling import percentile
from analysis.models.coefficients import FEWEST_EVENTS
from analysis.models.design_matrix import ModelFrame
from analysis.models.marginal_predictions import predict_risks
from analysis.models.regression import RegressionRows
from analysis.models.splines import restricted_cubic_basis
from registry.errors import MendableError, RefusedInputError

Array = NDArray[np.float64]

FEWEST_FITTED = 0.9
"""Under this share of bootstrap samples that could be fitted no limits are given."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with its bootstrap standard error and percentile limits; NaN where there is none."""

    value: float
    se: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class MarginalRisk:
    """Everybody's mean risk by ``time`` (NaN for a logistic model) with a column set to a level."""

    level: str
    time: float
    risk: Estimate


@dataclass(frozen=True, slots=True)
class MarginalContrast:
    """The risk at a level against that at the reference: difference and ratio."""

    level: str
    reference: str
    time: float
    difference: Estimate
    ratio: Estimate


@dataclass(frozen=True, slots=True)
class StandardisedColumn:
    """Standardised risks of one column; the first level is the reference.

    ``replicates`` samples were drawn, ``fitted`` of them could be fitted. ``is_incidence`` says
    whether competing events were counted as such.
    """

    column: str
    risks: tuple[MarginalRisk, ...]
    contrasts: tuple[MarginalContrast, ...]
    n: int
    replicates: int
    fitted: int
    is_incidence: bool


def levels_of(frame: ModelFrame, column: str, numbers: Sequence[float] = ()) -> dict[str, Array]:
    """Covariates of everybody with a column set to each of its levels, the reference first.

    Parameters
    ----------
    frame
        The design matrix of the model.
    column
        One of its columns. Of text: its levels. Of numbers: ``numbers``, or its two values where
        it has two, or else its lower and upper quartile.

    Raises
    ------
    RefusedInputError
        The column is not in the model, or numbers are asked of text.

    Examples
    --------
    >>> from analysis.models.design_matrix import to_model_frame
    >>> frame = to_model_frame({"dose": np.array([70.0, 80, 100, 90]), "arm": list("abab")})
    >>> list(levels_of(frame, "dose")), list(levels_of(frame, "arm"))
    (['77.5', '92.5'], ['a', 'b'])
    >>> levels_of(frame, "arm")["b"][:, 1].tolist()
    [1.0, 1.0, 1.0, 1.0]
    """
    places = list(frame.terms_of(column))
    if not places:
        raise RefusedInputError(f"{column} is not among the terms of the model.", column=column)

    def put(values: Array) -> Array:
        matrix = frame.matrix.copy()
        matrix[:, places] = values
        return matrix

    if column in frame.references:
        if numbers:
            raise RefusedInputError(f"{column} holds text: it takes no numbers.", column=column)
        names = [frame.terms[place][len(column) + 1 : -1] for place in places]
        found = {frame.references[column]: put(np.zeros(len(places)))}
        return found | {name: put(np.eye(len(places))[j]) for j, name in enumerate(names)}
    chosen = list(numbers) or _two_values(frame.matrix[:, places[0]])
    if column not in frame.knots:
        return {f"{value:g}": put(np.array([value])) for value in chosen}
    knots = frame.knots[column]
    return {f"{v:g}": put(restricted_cubic_basis(np.array([v]), knots)[0]) for v in chosen}


def _two_values(values: Array) -> list[float]:
    distinct = np.unique(values)
    if len(distinct) == 2:
        return [float(value) for value in distinct]
    return [float(value) for value in np.quantile(values, [0.25, 0.75])]


def marginal_risks(
    rows: RegressionRows,
    model: str,
    column: str,
    times: Sequence[float] = (),
    *,
    rng: np.random.Generator,
    numbers: Sequence[float] = (),
    ties: str | None = None,
    replicates: int = 500,
    level: float = 0.95,
) -> StandardisedColumn:
    """Standardise the risk over everybody with a column set to each of its levels.

    Parameters
    ----------
    rows, model, ties
        As for :func:`analysis.models.regression.regress`.
    column, numbers
        As for :func:`levels_of`.
    times
        Times of the risks, in the unit of the rows; none for a logistic model.
    rng, replicates
        Source and number of bootstrap samples: of the clusters where there are any, else of rows.
    level
        Confidence level.

    Returns
    -------
    StandardisedColumn
        Risks are NaN at a time beyond the last follow-up (of any stratum that somebody is in).
        Without events at the reference the ratio is infinite or NaN. Limits and standard errors
        are NaN where under nine tenths of the samples could be fitted.

    Raises
    ------
    RefusedEstimateError, RefusedInputError
        As the models themselves; a column that is not in the model.

    Examples
    --------
    >>> from analysis.models.design_matrix import to_model_frame
    >>> rng = np.random.default_rng(1)
    >>> frame = to_model_frame({"arm": ["a", "b"] * 40, "age": rng.normal(60, 9, 80)})
    >>> event = (rng.random(80) < np.where(frame.matrix[:, 0] > 0, 0.6, 0.3)).astype(np.int64)
    >>> found = marginal_risks(RegressionRows(frame, event), "logistic", "arm", rng=rng)
    >>> [one.level for one in found.risks], found.contrasts[0].reference
    (['a', 'b'], 'a')
    >>> found.contrasts[0].difference.lower < 0.3 < found.contrasts[0].difference.upper
    True
    """
    at = np.asarray(times, dtype=float) if len(times) else np.array([np.nan])
    levels = levels_of(rows.frame, column, numbers)
    whole = _risks_at_levels(rows, model, levels, at, ties, fewest=FEWEST_EVENTS)
    draws = []
    for _ in range(replicates):
        chosen = _draw(rows, rng)
        sample = _select(rows, chosen)
        parts = {name: matrix[chosen] for name, matrix in levels.items()}
        try:
            draws.append(_risks_at_levels(sample, model, parts, at, ties, fewest=1))
        except (MendableError, np.linalg.LinAlgError):
            continue
    enough = len(draws) >= FEWEST_FITTED * replicates
    drawn = np.array(draws) if enough else np.full((1, *whole.shape), np.nan)
    return _describe(
        column, list(levels), at, whole, drawn, level, replicates, len(draws), rows, model
    )


def _describe(
    column: str, names: list[str], at: Array, whole: Array, drawn: Array, level: float,
    replicates: int, fitted: int, rows: RegressionRows, model: str,
) -> StandardisedColumn:  # fmt: skip
    risks, contrasts = [], []
    with np.errstate(divide="ignore", invalid="ignore"):
        for j, name in enumerate(names):
            for k, time in enumerate(at.tolist()):
                mine, base = drawn[:, j, k], drawn[:, 0, k]
                risks.append(MarginalRisk(name, time, _estimate(whole[j, k], mine, level)))
                if j:
                    contrasts.append(
                        MarginalContrast(
                            name, names[0], time,
                            _estimate(whole[j, k] - whole[0, k], mine - base, level),
                            _estimate(whole[j, k] / whole[0, k], mine / base, level),
                        )
                    )  # fmt: skip
    is_incidence = "logistic" not in model and bool((rows.status > 1).any())
    n = len(rows.status)
    return StandardisedColumn(
        column, tuple(risks), tuple(contrasts), n, replicates, fitted, is_incidence
    )


def _estimate(value: float, drawn: Array, level: float) -> Estimate:
    """Percentile limits over the samples that have a value; NaN where under nine tenths do."""
    known = drawn[np.isfinite(drawn)]
    if not np.isfinite(value) or len(known) < max(2.0, FEWEST_FITTED * len(drawn)):
        return Estimate(float(value), np.nan, np.nan, np.nan)
    lower, upper = percentile(known, [(1 - level) / 2, (1 + level) / 2])
    return Estimate(float(value), float(known.std(ddof=1)), float(lower), float(upper))


def _draw(rows: RegressionRows, rng: np.random.Generator) -> NDArray[np.int64]:
    """Rows of a bootstrap sample: whole clusters where there are any."""
    n = len(rows.status)
    if rows.cluster is None:
        return rng.integers(n, size=n)
    codes = np.unique(rows.cluster, return_inverse=True)[1]
    order = np.argsort(codes, kind="stable")
    first = np.searchsorted(codes[order], np.arange(codes.max() + 2))
    chosen = rng.integers(codes.max() + 1, size=codes.max() + 1)
    return np.concatenate([order[first[c] : first[c + 1]] for c in chosen])


def _select(rows: RegressionRows, chosen: NDArray[np.int64]) -> RegressionRows:
    return RegressionRows(
        frame=replace(rows.frame, matrix=rows.frame.matrix[chosen]),
        status=rows.status[chosen],
        time=None if rows.time is None else rows.time[chosen],
        entry=None if rows.entry is None else rows.entry[chosen],
        strata=None if rows.strata is None else rows.strata[chosen],
    )


def _risks_at_levels(
    rows: RegressionRows,
    model: str,
    levels: Mapping[str, Array],
    at: Array,
    ties: str | None,
    *,
    fewest: int,
) -> Array:
    """Mean risk with the column at each level: shape (levels, k)."""
    risks = predict_risks(rows, model, at, ties, fewest=fewest)
    return np.array([risks(matrix) for matrix in levels.values()])
