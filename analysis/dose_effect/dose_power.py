"""What the data can show: the smallest effect of dose detected with 80 % power, by simulation.

Cohorts are drawn again from the fitted one (:mod:`analysis.dose_effect.fitted_cohort`) under a
ladder of
effects and analysed by the adjusted model. Power between the rungs is read from the probit line
through the detections, Φ(a·|effect| − z), its only unknown the information a that one unit of
effect carries; with few rungs hit it is checked against Schoenfeld's formula.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from scipy.stats import chi2, norm

from analysis.dose_effect.dose_confounding import r_squared
from analysis.dose_effect.fitted_cohort import FittedCohort
from analysis.dose_effect.replicates import Progress, _ignore, run_replicates
from analysis.models.cox import cox, prepare_cox
from analysis.models.firth import penalised_partial
from analysis.models.profile_likelihood import maximise_penalised
from registry.errors import MendableError

Array = NDArray[np.float64]

POWER = 0.8
#: Rungs of the ladder, as multiples of the effect that Schoenfeld's formula gives for 80 % power.
LADDER = (0.0, 0.5, 0.8, 1.0, 1.25, 1.6)


@dataclass(frozen=True, slots=True)
class PowerAt:
    """Share of drawn cohorts whose effect was found, with its simulation standard error."""

    coef: float
    power: float
    se: float


@dataclass(frozen=True, slots=True)
class DetectableEffect:
    """Smallest detectable effect, as log hazard ratio per step of dose (its size, either way).

    Attributes
    ----------
    coef, coef_se
        With 80 % power by simulation, and its simulation error.
    formula
        The same by Schoenfeld's formula with the share of dose left by the covariates.
    ladder
        Power at each effect tried; the first is 0, where power is the type I error.
    events
        Mean events of the drawn cohorts.
    replicates, fitted, level, power
        Cohorts drawn at each rung, least number fitted, test level 1 − ``level``, power asked.
    """

    coef: float
    coef_se: float
    formula: float
    ladder: tuple[PowerAt, ...]
    events: float
    replicates: int
    fitted: int
    level: float
    power: float


def schoenfeld_effect(
    events: float, variance: float, *, power: float = POWER, level: float = 0.95
) -> float:
    """Effect found with a power (Schoenfeld 1983, Biometrics 39:499–503; Hsieh & Lavori 2000).

    Parameters
    ----------
    events
        Expected events.
    variance
        Variance of the covariate that others leave unexplained: Var(x)(1 − R²).

    Examples
    --------
    Two equal groups, variance 1/4, hazard ratio 2: (1.96 + 0.8416)² / (0.25 · ln²2) = 65.3 events.

    >>> round(float(np.exp(schoenfeld_effect(65.35, 0.25))), 3)
    2.0
    """
    reach = norm.isf((1 - level) / 2) + norm.ppf(power)
    return float(reach / np.sqrt(events * variance))


def schoenfeld_power(coef: float, events: float, variance: float, *, level: float = 0.95) -> float:
    """Power of the two-sided test (the far tail counted)."""
    z, shift = norm.isf((1 - level) / 2), abs(coef) * np.sqrt(events * variance)
    return float(norm.cdf(shift - z) + norm.cdf(-shift - z))


def find_effect(
    cohort: FittedCohort, coef: float, method: str, rng: np.random.Generator
) -> tuple[float, int]:
    """Draw one cohort under an effect, analyse it: p value (NaN when refused) and events."""
    time, event = cohort.draw(coef, rng)
    try:
        p = estimate(cohort.matrix, time, event, method)[1]
    except MendableError:
        p = float("nan")
    return p, int(event.sum())


def estimate(
    matrix: Array, time: Array, event: NDArray[np.bool_], method: str
) -> tuple[float, float]:
    """Coefficient and p value of the first column, by Wald (Cox) or penalised likelihood ratio.

    What :func:`analysis.models.firth.firth_cox` gives, without the profile limits of every column.
    """
    if method != "firth-cox":
        table = cox(matrix, time, event).coefficients
        return float(table.coef[0]), float(table.p[0])
    data = prepare_cox(matrix, time, event, ties="breslow", model="Firth Cox")
    start = np.zeros(matrix.shape[1])
    top = maximise_penalised(lambda beta: penalised_partial(data, beta), start)
    free = np.arange(len(start)) > 0
    held = maximise_penalised(
        lambda beta: penalised_partial(data, beta),
        np.where(free, top.coefficients, 0.0),
        free=free,
    )
    fall = 2 * max(top.point.log_likelihood - held.point.log_likelihood, 0.0)
    return float(top.coefficients[0] / data.scale[0]), float(chi2.sf(fall, 1))


def _climb_ladder(
    cohort: FittedCohort,
    ladder: tuple[float, ...],
    method: str,
    rng: np.random.Generator,
) -> list[tuple[float, int]]:
    return [find_effect(cohort, coef, method, rng) for coef in ladder]


def smallest_effect(
    cohort: FittedCohort,
    *,
    method: str = "cox",
    replicates: int,
    seed: int,
    workers: int = 1,
    level: float = 0.95,
    power: float = POWER,
    progress: Progress = _ignore,
) -> DetectableEffect:
    """Find the smallest detectable effect of dose.

    Parameters
    ----------
    cohort
        From :func:`analysis.dose_effect.fitted_cohort.fit_cohort`.
    method
        ``"cox"`` or ``"firth-cox"``: how drawn cohorts are analysed.
    replicates, seed, workers, progress
        See :func:`analysis.dose_effect.replicates.run_replicates`; the answer is the same for any
        number of workers.
    level, power
        Of the test.

    Returns
    -------
    DetectableEffect
        A cohort that cannot be analysed counts as one whose effect was not found.
    """
    left = 1.0 - (r_squared(cohort.dose, cohort.covariates) if cohort.covariates.size else 0.0)
    variance = float(cohort.dose.var()) * left
    formula = schoenfeld_effect(cohort.events, variance, power=power, level=level)
    ladder = tuple(step * formula for step in LADDER)
    task = partial(_climb_ladder, cohort, ladder, method)
    found = np.array(
        run_replicates(task, replicates, seed=seed, workers=workers, progress=progress)
    )
    hit = found[:, :, 0] < 1 - level
    share = hit.mean(axis=0)
    rungs = tuple(
        PowerAt(coef, float(p), float(np.sqrt(p * (1 - p) / replicates)))
        for coef, p in zip(ladder, share, strict=True)
    )
    slope, slope_se = _fit_line(np.array(ladder), hit, level)
    reach = float(norm.isf((1 - level) / 2) + norm.ppf(power))
    return DetectableEffect(
        coef=reach / slope,
        coef_se=reach / slope**2 * slope_se,
        formula=formula,
        ladder=rungs,
        events=float(found[:, :, 1].mean()),
        replicates=replicates,
        fitted=int(np.min(np.sum(np.isfinite(found[:, :, 0]), axis=0))),
        level=level,
        power=power,
    )


def _fit_line(ladder: Array, hit: NDArray[np.bool_], level: float) -> tuple[float, float]:
    """Slope a of power = Φ(a·effect − z) + Φ(−a·effect − z) by likelihood, and its error."""
    z, n = float(norm.isf((1 - level) / 2)), len(hit)
    count = hit.sum(axis=0)[1:]
    effect = ladder[1:]

    def loss(slope: float) -> float:
        p = norm.cdf(slope * effect - z) + norm.cdf(-slope * effect - z)
        p = np.clip(p, 1e-12, 1 - 1e-12)
        return -float(count @ np.log(p) + (n - count) @ np.log1p(-p))

    start = 2.8 / effect[2]
    best = minimize_scalar(loss, bounds=(0.05 * start, 5 * start), method="bounded")
    slope, step = float(best.x), 1e-3 * float(best.x)
    bend = (loss(slope + step) - 2 * loss(slope) + loss(slope - step)) / step**2
    return slope, float(1 / np.sqrt(max(bend, 1e-12)))
