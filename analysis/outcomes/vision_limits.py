"""Bootstrap limits of vision figures, drawing whole patients: both eyes of one go together."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analysis.estimators.illness_death import (
    TRANSITIONS,
    IllnessDeath,
    OccupationLimits,
    VisitedToDeath,
)
from analysis.estimators.illness_death_draws import leave_out_zeros, refit_draws
from analysis.estimators.illness_death_paths import lay_out_paths, occupy_states
from analysis.estimators.illness_death_search import (
    lay_grid,
    spread_on_grid,
    tie_pieces,
)
from analysis.estimators.interval_censored import BootstrapLimits, npmle
from analysis.estimators.resampling import percentile
from registry.errors import RefusedEstimateError

Floats = npt.NDArray[np.float64]

FEWEST_LOSSES = 5
"""Under this many losses the bootstrap is not used."""


def draw_patients(patient: npt.ArrayLike, rng: np.random.Generator) -> npt.NDArray[np.int64]:
    """Draw as many patients as there are, with replacement; how often each eye is then counted.

    Examples
    --------
    >>> weight = draw_patients(["a", "a", "b"], np.random.default_rng(3))
    >>> bool(weight[0] == weight[1] and weight[0] + weight[2] == 2)
    True
    """
    of_eye = np.unique(np.asarray(patient), return_inverse=True)[1]
    n = int(of_eye.max()) + 1
    return np.asarray(np.bincount(rng.integers(n, size=n), minlength=n)[of_eye], np.int64)


def bootstrap_loss(
    seen: VisitedToDeath,
    fit: IllnessDeath,
    patient: npt.ArrayLike,
    times: npt.ArrayLike,
    rng: np.random.Generator,
    *,
    resamples: int = 300,
    level: float = 0.95,
) -> OccupationLimits:
    """Give percentile limits of the illness-death figures, drawing patients and refitting.

    As :func:`analysis.estimators.illness_death.bootstrap_illness_death`, which draws the rows.

    Parameters
    ----------
    patient
        Shape (n,): whose eye each row is.

    Raises
    ------
    RefusedEstimateError
        When fewer than ``FEWEST_LOSSES`` losses were seen (their draws say too little), or over a
        tenth of the searches did not end.
    """
    if fit.losses_seen < FEWEST_LOSSES:
        raise RefusedEstimateError(
            f"Under {FEWEST_LOSSES} losses were seen, too few for bootstrap limits; those shown"
            " are the beta product of the incidence with the loss dated at the visit."
        )
    when = np.atleast_1d(np.asarray(times, np.float64))
    knots = [tuple(fit.knots[name]) for name in TRANSITIONS]
    grid, start = lay_grid(knots), np.concatenate([fit.intensity[name] for name in TRANSITIONS])
    tied = leave_out_zeros(tie_pieces(knots, grid), start)
    paths = lay_out_paths(
        seen.last_above, seen.first_below, seen.vital_status_time, seen.died, grid
    )
    weight = np.array([draw_patients(patient, rng) for _ in range(resamples)])
    drawn = np.full((resamples, 2, len(when)), np.nan)
    for i, rate in enumerate(refit_draws(paths, tied, start[start > 0], weight)):
        # no loss in a draw: unseen losses alone say nothing
        if rate is not None and weight[i] @ seen.loss_seen > 0:
            drawn[i] = occupy_states(when, grid, *spread_on_grid(rate, tied))[:2]
    failed = int(np.isnan(drawn[:, 0, 0]).sum())
    if failed * 10 > resamples:
        raise RefusedEstimateError(f"The search did not end in {failed} of {resamples} draws.")
    limits = percentile(drawn, [(1 - level) / 2, (1 + level) / 2])
    limits[:, :, when > fit.last_time] = np.nan
    (loss_lower, above_lower), (loss_upper, above_upper) = limits
    return OccupationLimits(
        when, loss_lower, loss_upper, above_lower, above_upper, level, resamples, failed
    )


def bootstrap_if_no_one_died(
    seen: VisitedToDeath,
    patient: npt.ArrayLike,
    times: npt.ArrayLike,
    rng: np.random.Generator,
    *,
    resamples: int = 300,
    level: float = 0.95,
) -> BootstrapLimits:
    """Give percentile limits of the NPMLE of keeping the level, drawing patients.

    As :func:`analysis.estimators.interval_censored.bootstrap_npmle`, which draws the rows.
    """
    when = np.atleast_1d(np.asarray(times, np.float64))
    lowest, highest = np.full((2, resamples, len(when)), np.nan)
    for i in range(resamples):
        weight = draw_patients(patient, rng)
        kept = weight > 0
        fit = npmle(seen.last_above[kept], seen.first_below[kept], weight[kept], tolerance=1e-6)
        read = fit.at(when)
        lowest[i], highest[i] = read.lowest, read.highest
    tail = (1 - level) / 2
    return BootstrapLimits(
        when, percentile(lowest, tail), percentile(highest, 1 - tail), level, resamples
    )
