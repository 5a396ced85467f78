"""Confounding by indication: how far dose was given by what also drives the outcome.

Dose is set by thickness through the certificate and the prescription, so adjusted estimates rest on
what is left of dose beside the covariates. Shown are R² of dose on thickness and on all covariates,
the overlap of doses between thirds of thickness, and, where it is not refused, a generalised
propensity (normal density of dose given the covariates; Hirano & Imbens 2004; stabilised weights of
Robins, Hernán & Brumback 2000, Epidemiology 11:550–560) with the balance that its weights reach.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.dose_effect.censoring_weights import effective_number, outcome_at, weighted_logistic
from analysis.dose_effect.dose_models import DOSE, Ratio, complete_rows
from analysis.dose_effect.dose_rows import THICKNESS, DoseRows
from analysis.models.design_matrix import to_model_frame
from registry.errors import MendableError

Array = NDArray[np.float64]

#: From this R² on dose counts as nearly a function of the covariates (our choice).
NEARLY_A_FUNCTION = 0.8
#: A covariate's weighted correlation with dose above this is not balanced (Zhu, Coffman & Ghosh
#: 2015, J Causal Inference 3:25–40; from memory).
BALANCED = 0.1


@dataclass(frozen=True, slots=True)
class ThicknessThird:
    """Doses of one third of the cohort by thickness: 5th, 50th and 95th percentile."""

    thickness_from_mm: float
    thickness_to_mm: float
    n: int
    events: int
    dose_low: float
    dose_median: float
    dose_high: float


@dataclass(frozen=True, slots=True)
class Balance:
    """Correlation of one covariate with dose, as it is and under the weights."""

    term: str
    before: float
    after: float


@dataclass(frozen=True, slots=True)
class Propensity:
    """The generalised propensity: why it is refused, or balance and the weighted odds ratio.

    ``effective_share`` is the weights' effective n over n.
    """

    refused: str
    effective_share: float
    largest_weight: float
    balance: tuple[Balance, ...]
    ratio: Ratio | None


@dataclass(frozen=True, slots=True)
class Confounding:
    """What was found.

    ``r2_thickness`` is of dose on thickness (straight line), ``r2_thickness_curved`` on a
    restricted cubic spline of it, ``r2_covariates`` on the whole adjustment; ``overlap`` is the
    share of units whose dose lies in the range (5th–95th percentile) common to all thirds.
    """

    n: int
    r2_thickness: float
    r2_thickness_curved: float
    r2_covariates: float
    thirds: tuple[ThicknessThird, ...]
    overlap: float
    propensity: Propensity
    notes: tuple[str, ...]


def r_squared(y: Array, columns: Array) -> float:
    """Share of the variance of y (shape (n,)) that columns (n, p) explain by least squares.

    >>> round(r_squared(np.array([1., 2., 3., 5.]), np.array([[0.], [1.], [2.], [3.]])), 4)
    0.9657
    """
    full = np.column_stack([np.ones(len(y)), columns])
    rest = y - full @ np.linalg.lstsq(full, y)[0]
    spread = y - y.mean()
    total = float(spread @ spread)
    return 1.0 - float(rest @ rest) / total if total > 0 else float("nan")


def _thirds(rows: DoseRows) -> tuple[tuple[ThicknessThird, ...], float]:
    known = rows.select(~np.isnan(rows.thickness_mm))
    edges = np.quantile(known.thickness_mm, [0, 1 / 3, 2 / 3, 1])
    inner = np.searchsorted(edges[1:-1], known.thickness_mm, side="left")
    found = []
    for third in range(3):
        own = inner == third
        if not own.any():
            continue
        low, middle, high = (float(v) for v in np.percentile(known.dose[own], [5, 50, 95]))
        found.append(
            ThicknessThird(
                float(known.thickness_mm[own].min()),
                float(known.thickness_mm[own].max()),
                int(own.sum()),
                int(np.sum(known.status[own] == 1)),
                low,
                middle,
                high,
            )
        )
    bottom, top = max(t.dose_low for t in found), min(t.dose_high for t in found)
    inside = (known.dose >= bottom) & (known.dose <= top)
    return tuple(found), float(inside.mean())


def _weighted_correlation(x: Array, y: Array, weight: Array) -> float:
    x = x - np.average(x, weights=weight)
    y = y - np.average(y, weights=weight)
    spread = np.sqrt((weight @ x**2) * (weight @ y**2))
    return float(weight @ (x * y) / spread) if spread > 0 else 0.0


def propensity_weights(dose: Array, covariates: Array) -> Array:
    """Stabilised weights f(dose)/f(dose | covariates), both normal: shape (n,), mean about 1."""
    full = np.column_stack([np.ones(len(dose)), covariates])
    rest = dose - full @ np.linalg.lstsq(full, dose)[0]
    sigma, spread = float(rest.std()), float(dose.std())
    apart = (dose - dose.mean()) / spread
    weight: Array = np.exp(0.5 * (rest / sigma) ** 2 - 0.5 * apart**2) * sigma / spread
    return weight


def _propensity(rows: DoseRows, r2: float, horizon: float, level: float) -> Propensity:
    frame = to_model_frame(rows.covariates)
    if r2 >= NEARLY_A_FUNCTION:
        return Propensity(
            f"dose is nearly a function of the covariates (R² {r2:.2f}, from"
            f" {NEARLY_A_FUNCTION:g} on): no weights can set apart what never was apart",
            float("nan"), float("nan"), (), None,
        )  # fmt: skip
    weight = propensity_weights(rows.dose, frame.matrix)
    share = effective_number(weight) / rows.n
    ones = np.ones(rows.n)
    balance = tuple(
        Balance(
            term,
            _weighted_correlation(column, rows.dose, ones),
            _weighted_correlation(column, rows.dose, weight),
        )
        for term, column in zip(frame.terms, frame.matrix.T, strict=True)
    )
    largest = float(weight.max())
    if share < 0.5:
        said = f"the weights leave an effective n of {100 * share:.0f} % of n, under half"
        return Propensity(said, share, largest, balance, None)
    worst = max(balance, key=lambda one: abs(one.after))
    if abs(worst.after) > BALANCED:
        said = (
            f"the weights do not balance {worst.term} (correlation with dose still"
            f" {worst.after:.2f}, over {BALANCED:g})"
        )
        return Propensity(said, share, largest, balance, None)
    try:
        ratio = _weighted_ratio(rows, weight, horizon, level)
    except MendableError as error:
        return Propensity(error.message, share, largest, balance, None)
    return Propensity("", share, largest, balance, ratio)


def _weighted_ratio(rows: DoseRows, weight: Array, horizon: float, level: float) -> Ratio:
    outcome = outcome_at(rows.time, rows.status, horizon)
    fit = weighted_logistic(
        (rows.dose / rows.field.per)[:, None], outcome.failed, outcome.weight * weight,
        terms=(DOSE,), cluster=rows.cluster, level=level,
    )  # fmt: skip
    table, at = fit.coefficients, 1
    assert table.robust_se is not None
    return Ratio(
        "propensity-weighted logistic", "odds ratio", tuple(rows.covariates), "complete", fit.n,
        fit.events, float(np.exp(table.coef[at])), float(np.exp(table.lower[at])),
        float(np.exp(table.upper[at])), float(table.p[at]), float(table.coef[at]),
        float(table.robust_se[at]), table.interval,
    )  # fmt: skip


def face_confounding(rows: DoseRows, horizon: float, *, level: float = 0.95) -> Confounding:
    """Diagnose confounding by indication.

    Parameters
    ----------
    rows
        The rows; those with gaps in the adjustment or the thickness are left out.
    horizon
        Years, for the weighted odds ratio.
    level
        Confidence level.

    Returns
    -------
    Confounding
    """
    from analysis.models.splines import harrell_knots, restricted_cubic_basis

    whole = complete_rows(rows)
    known = whole.select(~np.isnan(whole.thickness_mm) & (whole.entry <= 0))
    thickness = known.thickness_mm
    straight = r_squared(known.dose, thickness[:, None])
    try:
        basis = restricted_cubic_basis(thickness, harrell_knots(thickness, 4, column=THICKNESS))
        curved = r_squared(known.dose, basis)
    except MendableError:
        curved = float("nan")
    if known.covariates:
        r2 = r_squared(known.dose, to_model_frame(known.covariates).matrix)
        propensity = _propensity(known, r2, horizon, level)
    else:
        r2 = float("nan")
        nothing = "no covariates to weight by: nothing is adjusted for"
        propensity = Propensity(nothing, float("nan"), float("nan"), (), None)
    thirds, overlap = _thirds(known)
    return Confounding(
        known.n, straight, curved, r2, thirds, overlap, propensity, _say(r2, overlap)
    )


def _say(r2: float, overlap: float) -> tuple[str, ...]:
    said = []
    if r2 >= NEARLY_A_FUNCTION:
        said.append(
            f"Dose is nearly a function of the covariates (R² {r2:.2f}): adjusted estimates rest on"
            " the model's form more than on the data."
        )
    if overlap < 0.5:
        said.append(
            f"Only {100 * overlap:.0f} % of units have a dose given in every third of thickness:"
            " thin and thick tumours are compared at different doses."
        )
    return tuple(said)


@dataclass(frozen=True, slots=True)
class Cause:
    """One assumed arrow: what it comes from, what it goes to, and how it is dealt with."""

    source: str
    target: str
    dealt_with: str


def assumed_causes(outcome: str, adjusted_for: tuple[str, ...]) -> tuple[Cause, ...]:
    """Return the causes that the analysis assumes, so that they can be disputed.

    Examples
    --------
    >>> assumed_causes("local failure", ("thickness_mm",))[1].dealt_with
    'adjusted for'
    """
    size_known = THICKNESS in adjusted_for
    others = tuple(name for name in adjusted_for if name != THICKNESS)
    arrows = [Cause("dose", outcome, "the effect asked about")]
    how = "adjusted for" if size_known else "NOT adjusted for"
    arrows += [Cause("thickness", target, how) for target in ("dose", outcome)]
    if "isotope" not in adjusted_for:
        arrows.append(Cause("thickness", "isotope", "choice of source"))
        arrows += [
            Cause("isotope", target, "NOT adjusted for unless isotopes are excluded")
            for target in ("dose", outcome)
        ]
    for name in others:
        words = name.removesuffix("_mm").replace("_", " ")
        arrows += [Cause(words, target, "adjusted for") for target in ("dose", outcome)]
    arrows += [
        Cause("unmeasured habit of the time and operator", target, "not known: see the E-value")
        for target in ("dose", outcome)
    ]
    arrows.append(Cause(outcome, "being seen", "losses assumed not to depend on the outcome"))
    return tuple(arrows)
