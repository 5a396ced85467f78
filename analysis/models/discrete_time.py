"""Firth's complementary log–log model in discrete time: rare events with a true likelihood.

Follow-up is cut into intervals with one baseline each; within them the hazard is proportional, so
exp(coef) is a hazard ratio (Prentice & Gloeckler 1978, Biometrics 34:57–67). A row counts for the
part of an interval that it was followed in, through the offset ln(part); a row with the event in an
interval counts for the whole of it. The penalty keeps an interval without events finite.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.models.binomial_likelihood import INTERCEPT, BinomialData
from analysis.models.coefficients import FEWEST_EVENTS, require_events
from analysis.models.design_matrix import check_columns
from analysis.models.firth import FirthFit, fit_firth_binomial

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PersonPeriods:
    """Rows cut into intervals.

    Attributes
    ----------
    row, interval
        Shape (m,): the row and the interval (from 0) of each piece.
    event
        Shape (m,): whether the event happened in it.
    part
        Shape (m,): the part of the interval at risk, in (0, 1].
    """

    row: NDArray[np.int64]
    interval: NDArray[np.int64]
    event: NDArray[np.bool_]
    part: Array


def person_periods(time: Array, event: NDArray[np.bool_], edges: Array) -> PersonPeriods:
    """Cut follow-up into the intervals (edges[j], edges[j + 1]].

    Parameters
    ----------
    time, event
        Shape (n,). Follow-up beyond the last edge is cut off there, as a censoring; a time 0 event
        falls in the first interval.
    edges
        Shape (k + 1,), increasing, the first 0.

    Examples
    --------
    >>> edges = np.array([0., 1., 2.])
    >>> pieces = person_periods(np.array([1.5, 3.0]), np.array([False, True]), edges)
    >>> pieces.row.tolist(), pieces.interval.tolist(), pieces.part.tolist()
    ([0, 0, 1, 1], [0, 1, 0, 1], [1.0, 0.5, 1.0, 1.0])
    >>> pieces.event.tolist()
    [False, False, False, False]
    """
    if len(edges) < 2 or edges[0] != 0 or np.any(np.diff(edges) <= 0):
        raise ValueError(f"edges must increase from 0, not {edges!r}")
    last = np.maximum(np.searchsorted(edges, time, side="left") - 1, 0)
    inside = last < len(edges) - 1
    last = np.minimum(last, len(edges) - 2)
    row = np.repeat(np.arange(len(time)), last + 1)
    first = np.concatenate(([0], np.cumsum(last + 1)[:-1]))
    interval = np.arange(len(row)) - first[row]
    happened = (interval == last[row]) & event[row] & inside[row]
    width = np.diff(edges)[interval]
    part = np.clip((time[row] - edges[interval]) / width, 0.0, 1.0)
    part = np.where(happened, 1.0, part)
    kept = part > 0
    return PersonPeriods(row[kept], interval[kept], happened[kept], part[kept])


@dataclass(frozen=True, slots=True)
class DiscreteTimeFit:
    """A Firth model in discrete time.

    ``fit`` holds the coefficients: the intercept (first interval), ``interval[j]`` (difference of
    the j-th interval to the first) and the terms; ``edges`` are the intervals' ends.
    """

    fit: FirthFit
    edges: Array

    def risk(self, matrix: Array) -> Array:
        """Risk of the event by the last edge with the FLIC intercept: shape (m,).

        ``matrix`` has shape (m, p), in the order of the terms.
        """
        count = len(self.edges) - 1
        coef = self.fit.coefficients.coef
        if self.fit.flic_intercept is None:
            raise ValueError("this fit has no FLIC intercept")
        baseline = self.fit.flic_intercept + np.concatenate(([0.0], coef[1:count]))
        hazard = np.exp((matrix @ coef[count:])[:, None] + baseline).sum(axis=1)
        risk: Array = -np.expm1(-hazard)
        return risk


def firth_discrete_time(
    matrix: Array,
    time: Array,
    event: NDArray[np.bool_],
    edges: Array,
    *,
    terms: Sequence[str] | None = None,
    level: float = 0.95,
    fewest_events: int = FEWEST_EVENTS,
) -> DiscreteTimeFit:
    """Fit the model.

    Parameters
    ----------
    matrix
        Covariates, shape (n, p).
    time, event
        Shape (n,), in the unit of ``edges``.
    edges
        See :func:`person_periods`; the last is the horizon.
    terms
        p names.
    level, fewest_events
        As for :func:`analysis.models.firth.firth_cox`; events up to the horizon count.

    Examples
    --------
    >>> time = np.array([1., 2., 2., 3., 4., 5., 6., 7., 8., 9.])
    >>> x = np.array([[3.], [1.], [2.], [2.], [3.], [0.], [1.], [0.], [1.], [0.]])
    >>> fitted = firth_discrete_time(x, time, time < 6, np.array([0., 3., 6.]), terms=["x"])
    >>> fitted.fit.coefficients.terms
    ('intercept', 'interval[2]', 'x')
    """
    matrix = np.asarray(matrix, dtype=float)
    time, event = np.asarray(time, dtype=float), np.asarray(event, dtype=bool)
    names = tuple(terms) if terms is not None else tuple(f"x{j}" for j in range(matrix.shape[1]))
    pieces = person_periods(time, event, edges)
    require_events(int(pieces.event.sum()), model="discrete-time", fewest=fewest_events)
    check_columns(matrix, names)
    count = len(edges) - 1
    indicators = (pieces.interval[:, None] == np.arange(1, count)).astype(float)
    columns = np.column_stack([np.ones(len(pieces.row)), indicators, matrix[pieces.row]])
    data = BinomialData(
        columns,
        pieces.event.astype(float),
        np.ones(len(pieces.row)),
        np.log(pieces.part),
        "cloglog",
    )
    labels = (INTERCEPT, *[f"interval[{j + 1}]" for j in range(1, count)], *names)
    return DiscreteTimeFit(
        fit_firth_binomial(data, labels, level=level, baseline=count), np.asarray(edges)
    )
