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
from analysis.estimators.illness_death_paths import Paths, lay_out_paths, occupy_states
from analysis.estimators.illness_death_search import (
    Tied,
    expect_parameters,
    invert_information,
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

MANY_PATIENTS, DRAWN_OF_MANY = 8_000, 4_000
"""From the first number on a draw holds the second: to refit all would take hours, and the spread
that so many draws show differs from that of all by a known factor."""


def size_of_draw(patients: int) -> int:
    """Return how many of the patients one draw holds."""
    return patients if patients < MANY_PATIENTS else DRAWN_OF_MANY


def number_patients(patient: npt.ArrayLike) -> npt.NDArray[np.intp]:
    """Return each row's patient as a number from 0, shape (n,).

    Examples
    --------
    >>> number_patients(["b", "a", "b"]).tolist()
    [1, 0, 1]
    """
    return np.asarray(np.unique(np.asarray(patient), return_inverse=True)[1])


def draw_patients(
    number: npt.NDArray[np.intp], rng: np.random.Generator, size: int | None = None
) -> npt.NDArray[np.uint16]:
    """Draw patients with replacement, as many as there are or ``size``; how often each row counts.

    Examples
    --------
    >>> weight = draw_patients(number_patients(["a", "a", "b"]), np.random.default_rng(3))
    >>> bool(weight[0] == weight[1] and weight[0] + weight[2] == 2)
    True
    """
    n = int(number.max()) + 1
    drawn = rng.integers(n, size=n if size is None else size)
    return np.bincount(drawn, minlength=n).astype(np.uint16)[number]


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
    number = number_patients(patient)
    patients = int(number.max()) + 1
    size = size_of_draw(patients)
    weights = [draw_patients(number, rng, size) for _ in range(resamples)]
    drawn = _refit(seen, fit, when, weights, in_parts=size < patients)
    failed = int(np.isnan(drawn[:, 0, 0]).sum())
    if failed * 10 > resamples:
        raise RefusedEstimateError(f"The search did not end in {failed} of {resamples} draws.")
    if size < patients:
        whole = fit.at(when)
        centre = np.array([whole.loss_incidence, whole.above])
        drawn = shrink_spread(drawn, centre, float(np.sqrt(size / patients)))
    limits = percentile(drawn, [(1 - level) / 2, (1 + level) / 2])
    limits[:, :, when > fit.last_time] = np.nan
    (loss_lower, above_lower), (loss_upper, above_upper) = limits
    return OccupationLimits(
        when, loss_lower, loss_upper, above_lower, above_upper, level, resamples, failed
    )


def shrink_spread(drawn: Floats, centre: Floats, factor: float) -> Floats:
    """Draw probabilities nearer to their centre by a factor, on the log(-log) scale.

    Examples
    --------
    >>> shrink_spread(np.array([0.2, 0.4, 0.0]), np.array(0.3), 0.5).round(3).tolist()
    [0.249, 0.35, 0.0]
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        middle = np.log(-np.log(centre))
        nearer = np.exp(-np.exp(middle + factor * (np.log(-np.log(drawn)) - middle)))
    is_inside = (drawn > 0) & (drawn < 1) & (centre > 0) & (centre < 1)
    return np.where(is_inside, nearer, drawn)


def _refit(
    seen: VisitedToDeath,
    fit: IllnessDeath,
    when: Floats,
    weights: list[npt.NDArray[np.uint16]],
    *,
    in_parts: bool,
) -> Floats:
    """Incidence of loss and share above in each draw, shape (b, 2, m); NaN where not fitted."""
    knots = [tuple(fit.knots[name]) for name in TRANSITIONS]
    grid, start = lay_grid(knots), np.concatenate([fit.intensity[name] for name in TRANSITIONS])
    tied = leave_out_zeros(tie_pieces(knots, grid), start)
    paths = lay_out_paths(
        seen.last_above, seen.first_below, seen.vital_status_time, seen.died, grid
    )
    start = start[start > 0]
    if in_parts:
        rates = _refit_parts(paths, tied, start, weights)
    else:
        rates = refit_draws(paths, tied, start, np.array(weights, np.int64))
    drawn = np.full((len(weights), 2, len(when)), np.nan)
    for i, rate in enumerate(rates):
        # no loss in a draw: unseen losses alone say nothing
        if rate is not None and (weights[i][seen.loss_seen] > 0).any():
            drawn[i] = occupy_states(when, grid, *spread_on_grid(rate, tied))[:2]
    return drawn


def _refit_parts(
    paths: Paths, tied: Tied, start: Floats, weights: list[npt.NDArray[np.uint16]]
) -> list[Floats | None]:
    """Refit draws of a part of the patients, laid out one by one: those left out cost nothing."""
    rows = weights[0].size
    among = np.zeros(rows)
    among[:: max(1, rows // DRAWN_OF_MANY)] = 1.0
    like = paths.draw(among)
    inverse = invert_information(like, tied, start)
    if inverse is None:  # all but flat somewhere: begin with each intensity by itself
        events = expect_parameters(like, tied, start)[1]
        inverse = np.diag(1 / np.maximum(events, 1.0))
    rates: list[Floats | None] = []
    for weight in weights:
        part = weight[None, weight > 0].astype(np.int64)
        scaled = inverse * (among.sum() / part.sum())
        rates += refit_draws(paths.draw(weight), tied, start, part, scaled)
    return rates


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
    number = number_patients(patient)
    for i in range(resamples):
        weight = draw_patients(number, rng)
        kept = weight > 0
        fit = npmle(seen.last_above[kept], seen.first_below[kept], weight[kept], tolerance=1e-6)
        read = fit.at(when)
        lowest[i], highest[i] = read.lowest, read.highest
    tail = (1 - level) / 2
    return BootstrapLimits(
        when, percentile(lowest, tail), percentile(highest, 1 - tail), level, resamples
    )
