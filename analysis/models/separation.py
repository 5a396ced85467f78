"""Separation of a binary outcome: recognised exactly and named."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

Array = NDArray[np.float64]


def separating_columns(matrix: Array, successes: Array, trials: Array) -> tuple[int, ...]:
    """Columns that separate the events (completely or quasi-completely).

    Solves: maximise Σ s·xᵀγ subject to s·xᵀγ ≥ 0 for every row, −1 ≤ γ ≤ 1, s = ±1 for events and
    non-events (Konis 2007, DPhil thesis, Oxford). The optimum is above 0 exactly when the
    likelihood has no maximum (Albert & Anderson 1984, Biometrika 71:1–10).

    Parameters
    ----------
    matrix
        Shape (n, p), intercept first.
    successes, trials
        Shape (n,).

    Returns
    -------
    tuple of int
        Every column that separates with the intercept alone, else a smallest set of columns that
        separates together. Empty when there is a maximum.

    Examples
    --------
    >>> x = np.column_stack([np.ones(4), [1., 2., 3., 4.], [1., -1., 1., -1.]])
    >>> separating_columns(x, np.array([0., 0., 1., 1.]), np.ones(4))
    (1,)
    """
    scale = np.max(np.abs(matrix), axis=0)
    scale[scale == 0] = 1.0
    signed = np.vstack([(matrix / scale)[successes > 0], -(matrix / scale)[successes < trials]])
    if not _separates(signed):
        return ()
    others = range(1, matrix.shape[1])
    alone = tuple(j for j in others if _separates(signed[:, [0, j]]))
    if alone:
        return alone
    needed = list(others)
    for j in others:
        fewer = [k for k in needed if k != j]
        if _separates(signed[:, [0, *fewer]]):
            needed = fewer
    return tuple(needed)


def _separates(signed: Array) -> bool:
    solved = linprog(
        -signed.sum(axis=0),
        A_ub=-signed,
        b_ub=np.zeros(len(signed)),
        bounds=(-1, 1),
        method="highs",
    )
    return bool(solved.success and -solved.fun > 1e-7)
