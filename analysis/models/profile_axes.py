"""The coordinates in which each coefficient of a penalised likelihood is profiled."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.models.binomial_likelihood import BinomialData, BinomialPoint, penalised_binomial
from analysis.models.newton import Climb, Evaluate
from analysis.models.profile_likelihood import Profile, profile
from registry.errors import RefusedEstimateError

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Axis:
    """Coordinates of a penalised likelihood in which one of them is a coefficient.

    Attributes
    ----------
    evaluate, top
        The likelihood in these coordinates, and its maximum.
    position
        Of the coordinate.
    unit
        The coefficient is the coordinate times this.
    """

    evaluate: Evaluate
    top: Climb
    position: int
    unit: float


def profile_each(axes: tuple[Axis, ...], level: float, skipped: int) -> Profile:
    """Profile every coefficient, but the first ``skipped`` (NaN), along its own axis."""
    columns = np.full((4, len(axes)), np.nan)
    for j, axis in enumerate(axes):
        if j < skipped:
            continue
        others = tuple(k for k in range(len(axes)) if k != axis.position)
        found = profile(axis.evaluate, axis.top, level=level, skipped=others)
        own = axis.position
        columns[:, j] = (
            found.lower[own] * axis.unit, found.upper[own] * axis.unit,
            found.statistic[own], found.p[own],
        )  # fmt: skip
    return Profile(*columns)


def intercept_axis(rows: BinomialData, top: Climb, back: Array) -> Axis:
    """Coordinates of which the first is the intercept of the columns as they were.

    Far from 0, where a column's values lie, that intercept is nearly the column's own coefficient;
    in units of its standard error, with the other coordinates at right angles in the information
    at the maximum, its profile is as easy to climb as any.

    Parameters
    ----------
    rows, top
        The model on centred columns, and the maximum of its penalised likelihood.
    back
        Shape (p,): the intercept as a linear form in the coefficients of the centred columns.
    """
    root = _root_of(top.point.information)
    along = np.linalg.solve(root, back)
    se = float(np.linalg.norm(along))
    turn = np.linalg.qr(np.column_stack([along, np.eye(len(back))]))[0]
    turn[:, 0] = along / se
    turned = replace(rows, matrix=rows.matrix @ np.linalg.solve(root.T, turn))

    def evaluate(beta: Array) -> BinomialPoint:
        return penalised_binomial(turned, beta)

    at = turn.T @ root.T @ top.coefficients
    return Axis(evaluate, replace(top, coefficients=at, point=evaluate(at)), 0, se)


def _root_of(information: Array) -> Array:
    """Lower triangular root of the information, which profiles need to be positive definite."""
    try:
        return np.asarray(np.linalg.cholesky(information), dtype=float)
    except np.linalg.LinAlgError:
        raise RefusedEstimateError(
            "The outcomes hold no information on the coefficients (nearly everybody has the event,"
            " or nobody): the model cannot be fitted."
        ) from None
