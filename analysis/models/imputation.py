"""Multiple imputation of missing covariates by chained equations, pooled by Rubin's rules.

Each incomplete column is regressed in turn on all other columns and on the outcome, and its gaps
are drawn from that regression with the uncertainty of its coefficients (van Buuren 2007; White,
Royston, Wood 2011, Stat Med 30:377–399). The outcome enters as the event indicator and the
Nelson–Aalen estimate of the cumulative hazard at the row's own time (White & Royston 2009, Stat Med
28:1982–1998), one pair a cause; times and events themselves are never imputed.

Numbers are drawn by predictive mean matching (five donors), text by nested logistic regressions
with Firth's penalty, so that a rare level does not separate.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import t as student

from analysis.models.binomial_likelihood import BinomialData, inverse_link, penalised_binomial
from analysis.models.coefficients import check_level
from analysis.models.design_matrix import Column, is_missing
from analysis.models.profile_likelihood import maximise_penalised
from registry.errors import RefusedEstimateError, RefusedInputError

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

DONORS = 5
FEWEST_KNOWN = 10
#: Added to the diagonal of a regression, as a share of it, so that near-repeats do no harm.
RIDGE = 1e-5


def nelson_aalen_at(time: Array, event: BoolArray, entry: Array | None = None) -> Array:
    """Nelson–Aalen cumulative hazard at each row's own time: shape (n,).

    With delayed entry at risk means entry < t ≤ time, and a row has the hazard from its entry on,
    the part that it was under observation for.

    >>> nelson_aalen_at(np.array([1., 2., 2., 3.]), np.array([True, True, False, False])).round(4)
    array([0.25  , 0.5833, 0.5833, 0.5833])
    """
    levels, codes = np.unique(time, return_inverse=True)
    leaving = np.bincount(codes, minlength=len(levels))
    at_risk = leaving[::-1].cumsum()[::-1]
    if entry is not None:
        at_risk = at_risk - (len(entry) - np.searchsorted(np.sort(entry), levels, side="left"))
    steps = np.bincount(codes, np.asarray(event, dtype=float), minlength=len(levels)) / at_risk
    cumulative = np.cumsum(steps)
    hazard: Array = cumulative[codes]
    if entry is not None:
        before = np.searchsorted(levels, entry, side="right")
        hazard = hazard - np.concatenate([[0.0], cumulative])[before]
    return hazard


def outcome_columns(time: Array, status: NDArray[np.int64], entry: Array | None = None) -> Array:
    """What the imputation models know of the outcome: for each cause its indicator and its
    Nelson–Aalen hazard at the row's time (from its entry on); shape (n, 2 · causes).
    """
    causes = [c for c in np.unique(status) if c > 0]
    if not causes:
        raise RefusedEstimateError("No row has an event, so nothing is imputed.")
    parts = [[status == c, nelson_aalen_at(time, status == c, entry)] for c in causes]
    return np.column_stack([column for pair in parts for column in pair]).astype(float)


def impute(
    columns: Mapping[str, Column],
    outcome: Array,
    *,
    imputations: int,
    rng: np.random.Generator,
    rounds: int = 10,
) -> tuple[dict[str, Column], ...]:
    """Fill the gaps of the columns several times.

    Parameters
    ----------
    columns
        Float arrays with NaN, or sequences of text with None, all of length n.
    outcome
        Complete columns that help but are not imputed, shape (n, q); see :func:`outcome_columns`.
    imputations
        How many completed tables.
    rng
        Source of randomness.
    rounds
        Passes over the incomplete columns before a table is taken.

    Returns
    -------
    tuple of dict
        ``imputations`` completed tables; known cells are as they were.

    Raises
    ------
    RefusedInputError
        A column is known in fewer than ten rows, or in fewer than half of them.

    Examples
    --------
    >>> x = np.arange(40.0)
    >>> gaps = np.where(np.arange(40) % 7 == 0, np.nan, x)
    >>> done = impute({"x": gaps}, x[:, None], imputations=2, rng=np.random.default_rng(1))
    >>> len(done), bool(np.isnan(done[0]["x"]).any()), float(done[0]["x"][1])
    (2, False, 1.0)
    """
    gaps = {name: is_missing(column) for name, column in columns.items()}
    for name, missing in gaps.items():
        known = int(np.sum(~missing))
        if missing.any() and known < max(FEWEST_KNOWN, len(missing) / 2):
            raise RefusedInputError(
                f"{name} is known in {known} of {len(missing)} rows: too few to impute the rest."
                " Leave the column out, or analyse the rows where it is known and say so.",
                column=name,
            )
    return tuple(_one_table(columns, gaps, outcome, rng, rounds) for _ in range(imputations))


def _one_table(
    columns: Mapping[str, Column],
    gaps: Mapping[str, BoolArray],
    outcome: Array,
    rng: np.random.Generator,
    rounds: int,
) -> dict[str, Column]:
    filled = {name: _start(column, gaps[name], rng) for name, column in columns.items()}
    incomplete = [name for name in columns if gaps[name].any()]
    # One incomplete column needs no passes: nothing else changes.
    for _ in range(rounds if len(incomplete) > 1 else 1):
        for name in incomplete:
            others = [_numeric(filled[other]) for other in columns if other != name]
            predictors = np.column_stack([np.ones(len(outcome)), outcome, *others])
            predictors = _scaled(predictors)
            filled[name] = _redraw(filled[name], gaps[name], predictors, rng)
    return filled


def _start(column: Column, missing: BoolArray, rng: np.random.Generator) -> Column:
    """Gaps filled by values drawn from the known ones."""
    if isinstance(column, np.ndarray):
        values = column.copy()
        values[missing] = rng.choice(column[~missing], int(missing.sum()))
        return values
    words = np.array([value or "" for value in column], dtype=object)
    words[missing] = rng.choice(words[~missing], int(missing.sum()))
    return [str(word) for word in words]


def _numeric(column: Column) -> Array:
    """A column as predictors, shape (n, k): itself, or indicators of all levels but the first."""
    if isinstance(column, np.ndarray):
        return column[:, None]
    words = np.array(column, dtype=object)
    levels = sorted(set(words.tolist()))[1:]
    return np.column_stack([words == level for level in levels] or [np.zeros((len(words), 0))])


def _scaled(predictors: Array) -> Array:
    spread = predictors.std(axis=0)
    kept = spread > 0
    kept[0] = True
    spread[0] = 1.0
    centre = np.where(np.arange(len(spread)) == 0, 0.0, predictors.mean(axis=0))
    scaled: Array = ((predictors - centre) / np.where(spread > 0, spread, 1.0))[:, kept]
    return scaled


def _redraw(
    column: Column, missing: BoolArray, predictors: Array, rng: np.random.Generator
) -> Column:
    if isinstance(column, np.ndarray):
        values = column.copy()
        values[missing] = _matched(column[~missing], predictors, missing, rng)
        return values
    words = np.array(column, dtype=object)
    words[missing] = _drawn_levels(words[~missing], predictors, missing, rng)
    return [str(word) for word in words]


def _matched(
    known: Array, predictors: Array, missing: BoolArray, rng: np.random.Generator
) -> Array:
    """Predictive mean matching: a value of one of the five rows with the nearest prediction."""
    given = predictors[~missing]
    information = given.T @ given
    information += RIDGE * np.diag(np.diag(information))
    inverse = np.linalg.inv(information)
    mean = inverse @ given.T @ known
    left = max(len(known) - given.shape[1], 1)
    residual = known - given @ mean
    sigma = np.sqrt(residual @ residual / rng.chisquare(left))
    drawn = mean + sigma * np.linalg.cholesky((inverse + inverse.T) / 2) @ rng.normal(
        size=len(mean)
    )
    expected = given @ mean
    order = np.argsort(expected, kind="stable")
    return np.array(
        [
            known[order[_nearest(expected[order], target, rng)]]
            for target in predictors[missing] @ drawn
        ]
    )


def _nearest(ordered: Array, target: float, rng: np.random.Generator) -> int:
    """Place of one of the ``DONORS`` nearest values, at random."""
    place = int(np.searchsorted(ordered, target))
    low, high = max(0, place - DONORS), min(len(ordered), place + DONORS)
    near = np.argsort(np.abs(ordered[low:high] - target), kind="stable")[:DONORS]
    return low + int(rng.choice(near))


def _drawn_levels(
    known: NDArray[np.object_], predictors: Array, missing: BoolArray, rng: np.random.Generator
) -> NDArray[np.object_]:
    """Levels by nested regressions: the first or a later one, then the second or a later one ..."""
    levels = sorted(set(known.tolist()))
    drawn = np.full(int(missing.sum()), levels[-1], dtype=object)
    undecided = np.ones(len(drawn), dtype=bool)
    given, asked = predictors[~missing], predictors[missing]
    for place, level in enumerate(levels[:-1]):
        later = np.isin(known, levels[place:])
        risk = _drawn_risk(known[later] == level, given[later], asked, rng)
        hit = undecided & (rng.random(len(drawn)) < risk)
        drawn[hit] = level
        undecided &= ~hit
    return drawn


def _drawn_risk(event: BoolArray, given: Array, asked: Array, rng: np.random.Generator) -> Array:
    varying = np.ptp(given, axis=0) > 0
    varying[0] = True
    given, asked = given[:, varying], asked[:, varying]
    ones = np.ones(len(event))
    data = BinomialData(given, event.astype(float), ones, 0.0 * ones, "logit")
    top = maximise_penalised(lambda b: penalised_binomial(data, b), np.zeros(given.shape[1]))
    try:
        spread = np.linalg.cholesky(np.linalg.inv(top.point.information))
    except np.linalg.LinAlgError:
        raise RefusedEstimateError(
            "A column of text cannot be imputed from the others: some of them repeat each other, or"
            " hold nearly as many texts as there are rows. Leave such a column out."
        ) from None
    coef = top.coefficients + spread @ rng.normal(size=len(top.coefficients))
    return inverse_link("logit", asked @ coef)


@dataclass(frozen=True, slots=True)
class Pooled:
    """Rubin's rules; arrays of shape (p,), ``covariance`` (p, p).

    Attributes
    ----------
    coef
        Mean over the imputations.
    covariance, se
        Within + (1 + 1/m) between.
    df
        Degrees of freedom of t (Barnard & Rubin 1999 where ``complete_df`` was given).
    missing_information
        Fraction of missing information.
    lower, upper, p
        t limits at ``level`` and two-sided p.
    level, imputations
        As asked.
    """

    coef: Array
    covariance: Array
    se: Array
    df: Array
    missing_information: Array
    lower: Array
    upper: Array
    p: Array
    level: float
    imputations: int


def pool(
    coefs: Sequence[Array],
    covariances: Sequence[Array],
    *,
    level: float = 0.95,
    complete_df: float = np.inf,
) -> Pooled:
    """Pool the fits of the completed tables (Rubin 1987).

    Parameters
    ----------
    coefs
        m arrays of shape (p,).
    covariances
        m arrays of shape (p, p).
    level
        Confidence level.
    complete_df
        Degrees of freedom that complete data would have.

    Examples
    --------
    >>> found = pool([np.array([1.0]), np.array([2.0]), np.array([1.5])], [np.eye(1) * 0.25] * 3)
    >>> found.coef, found.se.round(4), found.df.round(3)
    (array([1.5]), array([0.7638]), array([6.125]))
    """
    check_level(level)
    m = len(coefs)
    if m < 2 or len(covariances) != m:
        raise ValueError(f"at least two imputations are pooled, not {m} (and {len(covariances)})")
    stacked = np.array(coefs)
    coef, within = stacked.mean(axis=0), np.mean(covariances, axis=0)
    between = np.atleast_2d(np.cov(stacked, rowvar=False))
    covariance = within + (1 + 1 / m) * between
    share = (1 + 1 / m) * np.diag(between) / np.diag(covariance)
    df = _degrees_of_freedom(share, m, complete_df)
    se = np.sqrt(np.diag(covariance))
    ratio = share / np.maximum(1 - share, np.finfo(float).tiny)
    missing = (ratio + 2 / (df + 3)) / (1 + ratio)
    reach = student.isf((1 - level) / 2, df) * se
    p = 2 * student.sf(np.abs(coef) / se, df)
    return Pooled(coef, covariance, se, df, missing, coef - reach, coef + reach, p, level, m)


def _degrees_of_freedom(share: Array, m: int, complete_df: float) -> Array:
    with np.errstate(divide="ignore"):
        old: Array = (m - 1) / np.square(share)
    if not np.isfinite(complete_df):
        return old
    observed = (complete_df + 1) / (complete_df + 3) * complete_df * (1 - share)
    with np.errstate(invalid="ignore"):
        return np.where(np.isinf(old), observed, old * observed / (old + observed))
