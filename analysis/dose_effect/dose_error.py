"""What errors of dose do to the estimate: a two-level Monte Carlo, shared by plaque and own.

Errors are multiplicative. One part is shared by all implants of a plaque (its certificate), one is
each implant's own (thickness, time, position). A share of the variance is of the Berkson kind (the
true dose scatters around the recorded one), the rest classical (the recorded dose scatters around
the true one). True doses are drawn given the recorded ones; outcomes from the fitted cohort at the
true doses; the model is fitted to the recorded doses again. The mean of these estimates less the
effect that was put in is the shift. Berkson error shifts little; classical error pulls towards no
effect; shared error of either kind makes the printed interval too narrow. A recorded dose of 0
stays 0: a multiplicative error leaves it where it is, and it says nothing of the spread of doses.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from analysis.dose_effect.dose_power import estimate
from analysis.dose_effect.fitted_cohort import FittedCohort
from analysis.dose_effect.replicates import Progress, _ignore, run_replicates
from registry.errors import MendableError, RefusedEstimateError

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ErrorModel:
    """Log standard deviations of the dose's error, and the Berkson share of its variance.

    The defaults are stated assumptions: 7.5 % shared (certificates commonly state 15–20 % at
    k = 2), 10 % own; common practice, no source.
    """

    shared_sd: float = 0.075
    own_sd: float = 0.10
    berkson_share: float = 0.5

    def __post_init__(self) -> None:
        """Refuse what cannot be."""
        if not (0 <= self.shared_sd <= 1 and 0 <= self.own_sd <= 1):
            raise ValueError(f"log SDs lie from 0 to 1, not {self.shared_sd!r}, {self.own_sd!r}")
        if not 0 <= self.berkson_share <= 1:
            raise ValueError(f"a share lies from 0 to 1, not {self.berkson_share!r}")


def draw_true_doses(
    recorded: Array,
    plaque: NDArray[np.int64],
    model: ErrorModel,
    outer: np.random.Generator,
    inner: np.random.Generator,
    *,
    covariates: Array | None = None,
) -> Array:
    """Draw true doses given recorded ones of shape (n,).

    The classical part follows the posterior of ln true dose, normal around its regression on the
    covariates (shape (n, q)) with the variance left when the classical error is taken off;
    ``plaque`` codes from 0 share one error. ``outer`` draws the shared errors, ``inner`` the own
    ones. A recorded 0 is 0.

    Raises
    ------
    RefusedEstimateError
        The classical error is as large as the spread of dose that the covariates leave.

    Examples
    --------
    >>> one, two = np.random.default_rng(1), np.random.default_rng(2)
    >>> draw_true_doses(np.array([0.0, 80.0, 80.0]), np.array([0, 1, 1]), ErrorModel(0.1, 0, 1),
    ...     one, two).round(2)
    array([ 0.  , 86.42, 86.42])
    """
    given = recorded > 0
    drawn = np.zeros(len(recorded))
    count = int(plaque.max()) + 1
    log_dose, own_plaque = np.log(recorded[given]), plaque[given]
    columns = np.ones((len(log_dose), 1))
    if covariates is not None:
        columns = np.column_stack([columns, covariates[given]])
    true = log_dose
    if model.berkson_share < 1:
        true = _draw_classical(log_dose, own_plaque, count, columns, model, outer, inner)
    common_sd = np.sqrt(model.berkson_share) * model.shared_sd
    own_sd = np.sqrt(model.berkson_share) * model.own_sd
    common = common_sd * outer.standard_normal(count) - common_sd**2 / 2
    each = own_sd * inner.standard_normal(len(recorded))[given] - own_sd**2 / 2
    drawn[given] = np.exp(true + common[own_plaque] + each)
    return drawn


def _draw_classical(
    log_dose: Array,
    plaque: NDArray[np.int64],
    count: int,
    columns: Array,
    model: ErrorModel,
    outer: np.random.Generator,
    inner: np.random.Generator,
) -> Array:
    """Draw ln true dose from its posterior under classical errors, shared and own: shape (m,)."""
    classical = 1.0 - model.berkson_share
    shared, own = classical * model.shared_sd**2, classical * model.own_sd**2
    mean = columns @ np.linalg.lstsq(columns, log_dose)[0]
    spread = float((log_dose - mean).var()) - shared - own
    _refuse_all_error(spread, shared + own)
    size = np.bincount(plaque, minlength=count)
    total = np.bincount(plaque, log_dose - mean, minlength=count)
    alone = spread + own
    pull = shared / (alone + size * shared)
    sd = np.sqrt(np.maximum(shared * (1 - size * pull), 0.0))
    common = pull * total + sd * outer.standard_normal(count)
    rest = log_dose - mean - common[plaque]
    left = np.sqrt(spread * own / alone)
    true: Array = mean + spread / alone * rest + left * inner.standard_normal(len(log_dose))
    return true


def _refuse_all_error(spread: float, error: float) -> None:
    if spread > 0:
        return
    raise RefusedEstimateError(
        f"The classical error assumed (log SD {np.sqrt(error):.2f}) is as large as the spread of"
        " dose that the covariates leave: the doses could be nothing but error. Assume less, or a"
        " larger Berkson share."
    )


@dataclass(frozen=True, slots=True)
class DoseErrorAnswer:
    """What the errors do; log hazard ratios per step of dose.

    Attributes
    ----------
    coef
        The effect put in: the estimate from the recorded doses.
    without_error, with_error
        Mean estimates with outcomes drawn at the recorded and at the true doses, same draws of
        everything else.
    shift, shift_se
        Their difference, and its simulation error.
    corrected
        ``coef`` less the shift.
    sd_without, sd_with
        Spread of the estimates.
    sd_shared
        Part of the spread that lies between draws of the plaques' errors.
    outer, inner, fitted
        Draws of the plaques' errors, of the rest within each, and fits that succeeded.
    model
        The errors assumed.
    plaques
        How many plaques share errors.
    at_zero
        Units with a recorded dose of 0, which no multiplicative error moves.
    """

    coef: float
    without_error: float
    with_error: float
    shift: float
    shift_se: float
    corrected: float
    sd_without: float
    sd_with: float
    sd_shared: float
    outer: int
    inner: int
    fitted: int
    model: ErrorModel
    plaques: int
    at_zero: int = 0


def _fit(cohort: FittedCohort, method: str, time: Array, event: NDArray[np.bool_]) -> float:
    try:
        return estimate(cohort.matrix, time, event, method)[0]
    except MendableError:
        return float("nan")


def _one_outer(
    cohort: FittedCohort,
    plaque: NDArray[np.int64],
    step: float,
    model: ErrorModel,
    method: str,
    inner: int,
    rng: np.random.Generator,
) -> list[tuple[float, float]]:
    """One draw of the plaques' errors with several draws of the rest: estimates without, with."""
    shared_seed = int(rng.integers(2**62))
    recorded = cohort.dose * step
    found = []
    for seed in rng.integers(2**62, size=inner).tolist():
        outer = np.random.default_rng(shared_seed)
        own, fate = np.random.default_rng(seed).spawn(2)
        true = draw_true_doses(recorded, plaque, model, outer, own, covariates=cohort.covariates)
        true = true / step
        state = fate.bit_generator.state
        plain = _fit(cohort, method, *cohort.draw(cohort.dose_coef, fate))
        fate.bit_generator.state = state
        erred = _fit(cohort, method, *cohort.draw(cohort.dose_coef, fate, dose=true))
        found.append((plain, erred))
    return found


def simulate_dose_error(
    cohort: FittedCohort,
    applicator: tuple[str, ...],
    step: float,
    *,
    model: ErrorModel | None = None,
    method: str = "cox",
    outer: int,
    inner: int = 4,
    seed: int,
    workers: int = 1,
    progress: Progress = _ignore,
) -> DoseErrorAnswer:
    """Simulate what errors of dose do to the estimate.

    Parameters
    ----------
    cohort
        The fitted cohort, dose in steps.
    applicator
        n names: the plaque of each unit; units without one share no error.
    step
        The step of dose in its unit.
    model
        The errors; the defaults of :class:`ErrorModel`.
    method
        ``"cox"`` or ``"firth-cox"``.
    outer, inner
        Draws of the plaques' errors, and of everything else within each.
    seed, workers, progress
        See :func:`analysis.dose_effect.replicates.run_replicates`.

    Raises
    ------
    RefusedEstimateError
        Every dose is 0; under half of the fits succeeded.
    """
    model = model or ErrorModel()
    if not np.any(cohort.dose > 0):
        raise RefusedEstimateError("Every dose is 0, which no multiplicative error moves.")
    names = [name or f"\0{row}" for row, name in enumerate(applicator)]
    labels, codes = np.unique(np.array(names, dtype=object).astype(str), return_inverse=True)
    plaque = codes.astype(np.int64)
    task = partial(_one_outer, cohort, plaque, step, model, method, inner)
    found = np.array(run_replicates(task, outer, seed=seed, workers=workers, progress=progress))
    fitted = np.isfinite(found).all(axis=2)
    if fitted.sum() < max(2, fitted.size / 2):
        raise RefusedEstimateError(
            "Under half of the drawn cohorts could be analysed: too few events for this simulation."
        )
    pairs = found[fitted]
    apart = pairs[:, 1] - pairs[:, 0]
    shift = float(apart.mean())
    groups = [row[ok][:, 1].mean() for row, ok in zip(found, fitted, strict=True) if ok.any()]
    within = float(pairs[:, 1].var(ddof=1))
    between = float(np.var(groups, ddof=1)) - within / inner if len(groups) > 1 else 0.0
    return DoseErrorAnswer(
        coef=cohort.dose_coef,
        without_error=float(pairs[:, 0].mean()),
        with_error=float(pairs[:, 1].mean()),
        shift=shift,
        shift_se=float(apart.std(ddof=1) / np.sqrt(len(apart))),
        corrected=cohort.dose_coef - shift,
        sd_without=float(pairs[:, 0].std(ddof=1)),
        sd_with=float(pairs[:, 1].std(ddof=1)),
        sd_shared=float(np.sqrt(max(between, 0.0))),
        outer=outer,
        inner=inner,
        fitted=int(fitted.sum()),
        model=model,
        plaques=len([label for label in labels if not label.startswith("\0")]),
        at_zero=int(np.sum(cohort.dose <= 0)),
    )
