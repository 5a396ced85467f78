"""Regression coefficients with their intervals, and the rule on how many events a model needs.

The rule (design of this project; the threshold of ten is Peduzzi et al. 1996, J Clin Epidemiol
49:1373–1379): under five events there is no model and the refusal is the result; under ten events
a parameter the ordinary likelihood is warned about and the Firth form advised.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from registry.errors import RefusedEstimateError

Array = NDArray[np.float64]

FEWEST_EVENTS = 5
EVENTS_PER_PARAMETER = 10


@dataclass(frozen=True, slots=True)
class Coefficients:
    """Coefficients of a fitted model; every array has shape (p,).

    Attributes
    ----------
    terms
        Names of the columns.
    coef, se
        On the scale of the linear predictor; ``se`` is model-based.
    robust_se
        Sandwich standard errors, or None.
    lower, upper, p
        Limits on the scale of ``coef`` at ``level``, and two-sided p values against 0.
    level
        For example 0.95.
    interval
        ``"wald"``, ``"robust wald"`` or ``"profile penalised likelihood"``.
    """

    terms: tuple[str, ...]
    coef: Array
    se: Array
    robust_se: Array | None
    lower: Array
    upper: Array
    p: Array
    level: float
    interval: str

    @property
    def ratio(self) -> Array:
        """exp(coef): hazard, subdistribution hazard or odds ratio, shape (p,)."""
        return exp_or_infinite(self.coef)

    def of(self, term: str) -> int:
        """Position of a term."""
        if term not in self.terms:
            raise ValueError(f"no term {term!r}; there are {', '.join(self.terms)}")
        return self.terms.index(term)


def exp_or_infinite(value: Array) -> Array:
    """exp, infinite without a warning where it overflows.

    >>> exp_or_infinite(np.array([0.0, 1000.0]))
    array([ 1., inf])
    """
    with np.errstate(over="ignore"):
        result: Array = np.exp(value)
    return result


def wald_coefficients(
    terms: tuple[str, ...],
    coef: Array,
    covariance: Array,
    *,
    robust_covariance: Array | None = None,
    level: float = 0.95,
) -> Coefficients:
    """Wald limits and p values, from the robust covariance when there is one.

    >>> c = wald_coefficients(("dose",), np.array([0.5]), np.array([[0.04]]))
    >>> round(float(c.lower[0]), 4), round(float(c.p[0]), 4)
    (0.108, 0.0124)
    """
    check_level(level)
    se = np.sqrt(np.diag(covariance))
    robust = None if robust_covariance is None else np.sqrt(np.diag(robust_covariance))
    used = se if robust is None else robust
    reach = norm.isf((1 - level) / 2) * used
    kind = "wald" if robust is None else "robust wald"
    p = 2 * norm.sf(np.abs(coef) / used)
    return Coefficients(terms, coef, se, robust, coef - reach, coef + reach, p, level, kind)


def check_level(level: float) -> None:
    """A confidence level lies strictly between 0.5 and 1; 95 and 0.05 are misuse."""
    if not 0.5 < level < 1:
        raise ValueError(f"level must lie between 0.5 and 1 (for example 0.95), not {level!r}")


def require_events(
    events: int, *, model: str, fewest: int = FEWEST_EVENTS, counted: str = "event"
) -> None:
    """Refuse a model with under ``fewest`` events.

    Parameters
    ----------
    events
        How many there are.
    model
        Named in the refusal.
    fewest
        How many are needed.
    counted
        What is counted, in the singular (in a binary model also the rows without event).

    Raises
    ------
    RefusedEstimateError
        Says how many there are and what can be reported instead.
    """
    if events >= fewest:
        return
    first, *rest = counted.split(" ", 1)
    many = " ".join([first + "s", *rest])
    raise RefusedEstimateError(
        f"{events} {counted if events == 1 else many}: under {fewest} {many} no {model} model is"
        " fitted, with or without the Firth penalty, because neither its coefficients nor their"
        " intervals could be relied on. Report the count with an exact interval, or wait for more"
        f" {many}.",
        events=events,
        fewest_events=fewest,
        model=model,
    )


def few_events_warning(events: int, parameters: int, *, advised: str | None) -> str | None:
    """What to say when there are under ten events a parameter; None otherwise.

    ``advised`` is the Firth form of the model, None when the model is already penalised.

    >>> few_events_warning(30, 3, advised="firth-cox") is None
    True
    """
    if parameters == 0 or events >= EVENTS_PER_PARAMETER * parameters:
        return None
    found = (
        f"{events} events for {parameters} {'parameter' if parameters == 1 else 'parameters'}"
        f" ({events / parameters:.1f} each, under {EVENTS_PER_PARAMETER})"
    )
    if advised is None:
        return f"{found}: read the profile intervals, not the point estimates."
    return f"{found}: coefficients may be far from the truth; use --model {advised}."


def refuse_separation(columns: tuple[str, ...], *, firth: str, what: str) -> NoReturn:
    """Refuse a likelihood that has no maximum, naming the columns that separate the outcome."""
    raise RefusedEstimateError(
        f"The likelihood has no maximum: {what} separated by {', '.join(columns)} (for example all"
        f" events at one value of it), so the coefficient runs to infinity. Use --model {firth},"
        " which stays finite, or leave the column out.",
        columns=list(columns),
        advised=firth,
    )


def runaway_columns(terms: tuple[str, ...], runaway: Array) -> tuple[str, ...]:
    """Terms that take part in the direction along which a likelihood rises for ever."""
    return tuple(t for t, share in zip(terms, runaway, strict=True) if abs(share) > 0.05)
