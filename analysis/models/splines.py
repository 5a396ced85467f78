"""Restricted cubic splines with Harrell's knots.

The curve is cubic between the knots and straight beyond the outer ones (Stone & Koo 1985; Harrell,
Regression Modeling Strategies, 2nd ed. 2015, §2.4.5–2.4.6). The non-linear terms are divided by the
square of the distance between the outer knots, so that all have the unit of x.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from registry.errors import RefusedInputError

Array = NDArray[np.float64]

FEWEST_KNOTS = 3
MOST_KNOTS = 7
#: Under this many values Harrell takes the fifth smallest and fifth largest as outer knots.
ENOUGH_VALUES = 100
FIFTH = 4
#: The cubes of larger values overflow.
LARGEST_VALUE = 1e100


def harrell_knots(values: Array, n_knots: int, *, column: str = "x") -> Array:
    """Knots at Harrell's quantiles.

    Parameters
    ----------
    values
        Shape (n,), without missing values.
    n_knots
        3 to 7. The outer knots lie at the 0.10 and 0.90 quantiles for 3 knots, 0.05 and 0.95 for 4
        to 6, 0.025 and 0.975 for 7, the others equally spaced between on the quantile scale
        (quantiles of Hyndman & Fan's type 7). Under 100 values the outer knots are the fifth
        smallest and the fifth largest value, as Harrell advises.
    column
        Named in the refusal.

    Returns
    -------
    ndarray
        Shape (n_knots,), increasing, in the unit of ``values``.

    Raises
    ------
    RefusedInputError
        The values have too few distinct ones for so many knots, or are too large for a cube.

    Examples
    --------
    >>> harrell_knots(np.arange(201.0), 3).tolist()
    [20.0, 100.0, 180.0]
    """
    if not FEWEST_KNOTS <= n_knots <= MOST_KNOTS:
        raise ValueError(f"n_knots must be {FEWEST_KNOTS} to {MOST_KNOTS}, not {n_knots!r}")
    largest = float(np.max(np.abs(values), initial=0.0))
    if largest > LARGEST_VALUE:
        raise RefusedInputError(
            f"{column} holds values of the size of {largest:g}, whose cubes are no numbers. Give it"
            " in another unit.",
            column=column,
        )
    outer = 0.10 if n_knots == FEWEST_KNOTS else 0.025 if n_knots == MOST_KNOTS else 0.05
    knots = np.quantile(values, np.linspace(outer, 1 - outer, n_knots))
    if 2 * FIFTH < len(values) < ENOUGH_VALUES:
        ordered = np.sort(values)
        knots[0], knots[-1] = ordered[FIFTH], ordered[-1 - FIFTH]
    if np.any(np.diff(knots) <= 0):
        raise RefusedInputError(
            f"{column} has too few distinct values for {n_knots} knots (they would fall at"
            f" {', '.join(f'{k:g}' for k in knots)}). Use fewer knots or a straight line.",
            column=column,
            knots=knots.tolist(),
        )
    return knots


def restricted_cubic_basis(values: Array, knots: Array) -> Array:
    """Columns of a restricted cubic spline.

    Parameters
    ----------
    values
        Shape (n,).
    knots
        Shape (k,), increasing, k ≥ 3.

    Returns
    -------
    ndarray
        Shape (n, k − 1): x itself, then k − 2 non-linear terms.

    Examples
    --------
    >>> restricted_cubic_basis(np.array([50., 80., 140.]), np.array([55., 87., 127.])).round(4)
    array([[ 50.    ,   0.    ],
           [ 80.    ,   3.0141],
           [140.    ,  67.1111]])
    """
    if len(knots) < FEWEST_KNOTS or np.any(np.diff(knots) <= 0):
        raise ValueError(f"knots must be at least {FEWEST_KNOTS} increasing values, not {knots!r}")
    cubes = np.maximum(values[:, None] - knots[None, :], 0.0) ** 3
    last, before = knots[-1], knots[-2]
    bent = [
        cubes[:, j]
        - cubes[:, -2] * (last - knots[j]) / (last - before)
        + cubes[:, -1] * (before - knots[j]) / (last - before)
        for j in range(len(knots) - 2)
    ]
    scale = (last - knots[0]) ** 2
    return np.column_stack([values, *[column / scale for column in bent]])
