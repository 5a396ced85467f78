"""Risks from a Firth logistic model that are right on average: FLAC.

Firth's estimates are those of ordinary likelihood on the rows plus pseudo-rows (each row again as
event and as non-event, each with half its leverage as weight). FLAC adds a column that marks the
pseudo-rows and fits once more by ordinary likelihood, so that the predicted risks of the true rows
sum to their events (Puhr et al. 2017, Stat Med 36:2302–2317; from memory). FLIC, the other
correction of that paper, is ``FirthFit.flic_risk``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.models.binomial_likelihood import (
    INTERCEPT,
    BinomialData,
    binomial_likelihood,
    inverse_link,
    leverages,
    penalised_binomial,
)
from analysis.models.centred_columns import CentredColumns
from analysis.models.coefficients import FEWEST_EVENTS
from analysis.models.cox import refuse_unfinished
from analysis.models.design_matrix import check_columns
from analysis.models.firth import require_both_outcomes
from analysis.models.newton import climb
from analysis.models.profile_likelihood import maximise_penalised

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FlacFit:
    """Coefficients for prediction: ``terms`` (intercept first) and ``coef``, shape (p + 1,)."""

    terms: tuple[str, ...]
    coef: Array

    def risk(self, matrix: Array) -> Array:
        """Predicted risk at covariates of shape (m, p): shape (m,)."""
        return inverse_link("logit", matrix @ self.coef[1:] + self.coef[0])


def flac(
    matrix: Array,
    event: NDArray[np.bool_],
    *,
    terms: Sequence[str] | None = None,
    fewest_events: int = FEWEST_EVENTS,
) -> FlacFit:
    """Fit FLAC; parameters and refusals are those of :func:`analysis.models.firth.firth_logistic`.

    Examples
    --------
    >>> x = np.arange(12.0)[:, None]
    >>> fit = flac(x, x[:, 0] > 5.5, terms=["x"])
    >>> round(float(fit.risk(x).sum()), 6)
    6.0
    """
    matrix, event = np.asarray(matrix, dtype=float), np.asarray(event, dtype=bool)
    names = tuple(terms) if terms is not None else tuple(f"x{j}" for j in range(matrix.shape[1]))
    require_both_outcomes(event, model="FLAC", fewest=fewest_events)
    check_columns(matrix, names)
    ones, zeros = np.ones(len(event)), np.zeros(len(event))
    centred = CentredColumns.of(np.column_stack([ones, matrix]))
    columns = centred.matrix
    rows = BinomialData(columns, event.astype(float), ones, zeros, "logit")
    firth = maximise_penalised(lambda b: penalised_binomial(rows, b), np.zeros(len(names) + 1))
    leverage = leverages(rows, binomial_likelihood(rows, firth.coefficients))
    augmented = BinomialData(
        np.vstack([np.column_stack([columns, zeros]), np.column_stack([columns, ones])]),
        np.concatenate([event.astype(float), leverage / 2]),
        np.concatenate([ones, leverage]),
        np.concatenate([zeros, zeros]),
        "logit",
    )
    start = np.concatenate([firth.coefficients, [0.0]])
    ended = climb(lambda b: binomial_likelihood(augmented, b), start, most_steps=200)
    refuse_unfinished(ended, (INTERCEPT, *names), firth="firth-logistic", what="the events are")
    return FlacFit((INTERCEPT, *names), centred.back() @ ended.coefficients[:-1])
