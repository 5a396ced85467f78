"""Loss of vision with death competing, when loss is only found at visits.

Three states: 0 alive with the level kept, 1 alive with the level lost, 2 dead. Loss is known to lie
between the last visit above the level and the first below; death is exact, or the patient was alive
at the last date of known vital status. A patient last seen above the level may have lost it unseen
before death or since; leaving that out (or treating death as censoring) biases the incidence. The
intensities 0→1, 0→2 and 1→2 are constant between stated knots of time since treatment, so the death
rate may change after loss, and are fitted by maximum likelihood (Joly, Commenges, Helmer,
Letenneur, Biostatistics 2002;3:433, there with penalised splines; a Markov model: the death rate
after loss does not depend on when the loss happened).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np
import numpy.typing as npt

from analysis.estimators.illness_death_draws import leave_out_zeros, refit_draws
from analysis.estimators.illness_death_paths import Floats, lay_out_paths, occupy_states
from analysis.estimators.illness_death_search import (
    LARGEST_GRADIENT,
    lay_grid,
    maximise,
    spread_on_grid,
    tie_pieces,
)
from analysis.estimators.resampling import percentile
from registry.errors import RefusedEstimateError

Transition = Literal["loss", "death", "death_after_loss"]
TRANSITIONS: tuple[Transition, ...] = ("loss", "death", "death_after_loss")
Knots = Mapping[Transition, tuple[float, ...]]


@dataclass(frozen=True, slots=True)
class VisitedToDeath:
    """What visits and vital status say of each patient; build with :meth:`of`.

    Times since treatment in one unit, arrays of shape (n,). ``first_below`` is infinite without a
    visit below the level.
    """

    last_above: Floats
    first_below: Floats
    vital_status_time: Floats
    died: npt.NDArray[np.bool_]

    @classmethod
    def of(
        cls,
        last_above: npt.ArrayLike,
        first_below: npt.ArrayLike,
        vital_status_time: npt.ArrayLike,
        died: npt.ArrayLike,
    ) -> VisitedToDeath:
        """Check and take the observations.

        Parameters
        ----------
        last_above
            Last visit at which the level was kept; 0 is the baseline itself.
        first_below
            First visit at which it was lost (or removal of the eye); infinite or NaN for none.
            Equal to ``last_above`` where the time of loss is exact.
        vital_status_time
            Death, or the last date at which the patient was known to be alive.
        died
            True for death at that time.

        Raises
        ------
        ValueError
            Unless 0 <= last_above <= first_below <= vital_status_time (where there is a
            first_below), all finite.
        RefusedEstimateError
            For no patient at all.
        """
        above, vital = np.asarray(last_above, np.float64), np.asarray(vital_status_time, np.float64)
        below = np.asarray(first_below, np.float64)
        below = np.where(np.isnan(below), np.inf, below)
        dead = np.asarray(died, np.bool_)
        if not above.shape == below.shape == vital.shape == dead.shape or above.ndim != 1:
            raise ValueError(
                "the four lists differ in shape: "
                f"{above.shape}, {below.shape}, {vital.shape}, {dead.shape}"
            )
        if len(above) == 0:
            raise RefusedEstimateError("There is no patient, so there is nothing to estimate.")
        known = np.where(np.isfinite(below), below, above)
        wrong = ~(np.isfinite(vital) & (above >= 0) & (above <= below) & (known <= vital))
        if wrong.any():
            first = int(np.flatnonzero(wrong)[0])
            raise ValueError(
                "visits and vital status must follow in time: last above "
                f"{float(above[first])}, first below {float(below[first])}, vital status "
                f"{float(vital[first])}"
            )
        return cls(above, below, vital, dead)

    @property
    def loss_seen(self) -> npt.NDArray[np.bool_]:
        """Who was seen below the level."""
        return np.asarray(np.isfinite(self.first_below))

    def draw(self, rows: npt.NDArray[np.intp]) -> VisitedToDeath:
        """Take the patients at ``rows``."""
        return VisitedToDeath(
            self.last_above[rows],
            self.first_below[rows],
            self.vital_status_time[rows],
            self.died[rows],
        )


@dataclass(frozen=True, slots=True)
class StateOccupation:
    """Probabilities at ``time`` since treatment, arrays of one shape; NaN past the last follow-up.

    ``loss_incidence`` is the share that has lost the level by then, dead since or not: the main
    estimate. ``above`` (alive, level kept), ``lost`` (alive, level lost) and ``dead`` sum to 1;
    ``death_without_loss`` is death before any loss. ``loss_if_no_one_died`` is
    1 - exp(-cumulative intensity), the quantity that treating death as censoring aims at.
    """

    time: Floats
    loss_incidence: Floats
    above: Floats
    lost: Floats
    dead: Floats
    death_without_loss: Floats
    loss_if_no_one_died: Floats


@dataclass(frozen=True, slots=True)
class IllnessDeath:
    """A fitted illness-death model.

    ``intensity[transition][k]`` holds from ``knots[transition][k - 1]`` (0 for the first) to
    ``knots[transition][k]``, per unit of time. ``gradient`` is the largest slope of the
    log-likelihood in a log intensity at the end, in events; ``notes`` are whole sentences on what
    the data could not say.
    """

    n: int
    losses_seen: int
    deaths: int
    deaths_after_seen_loss: int
    person_time: float
    last_time: float
    knots: Knots
    intensity: Mapping[Transition, Floats]
    log_likelihood: float
    gradient: float
    iterations: int
    is_converged: bool
    notes: tuple[str, ...]

    def at(self, times: npt.ArrayLike) -> StateOccupation:
        """Read the probabilities at ``times``.

        Examples
        --------
        >>> seen = VisitedToDeath.of([1, 2, 1], [2, 3, np.inf], [4, 5, 3], [True, False, True])
        >>> read = fit_illness_death(seen, ONE_PIECE).at([0.0, 3.0, 9.0])
        >>> read.loss_incidence.round(3).tolist()
        [0.0, 0.782, nan]
        >>> bool(abs(read.above[1] + read.lost[1] + read.dead[1] - 1) < 1e-12)
        True
        """
        when = np.atleast_1d(np.asarray(times, np.float64))
        if not np.all(when >= 0):
            raise ValueError(f"times must be 0 or more, not {float(when.min())}")
        knots = _in_order(self.knots)
        grid = lay_grid(knots)
        rates = spread_on_grid(_join(self.intensity), tie_pieces(knots, grid))
        incidence, above, lost, net = occupy_states(when, grid, *rates)
        reached = np.where(when <= self.last_time, 0.0, np.nan)
        return StateOccupation(
            time=when,
            loss_incidence=incidence + reached,
            above=above + reached,
            lost=lost + reached,
            dead=1 - above - lost + reached,
            death_without_loss=1 - above - incidence + reached,
            loss_if_no_one_died=net + reached,
        )


@dataclass(frozen=True, slots=True)
class OccupationLimits:
    """Percentile limits over draws of the patients, arrays of the shape of ``time``.

    ``failed`` counts the draws whose search did not end; they are left out of the limits.
    """

    time: Floats
    loss_lower: Floats
    loss_upper: Floats
    above_lower: Floats
    above_upper: Floats
    level: float
    resamples: int
    failed: int


FEWEST_LOSSES = 5
"""Below this many seen losses the result says that it rests on too few."""

ONE_PIECE: Knots = MappingProxyType({"loss": (), "death": (), "death_after_loss": ()})
"""Constant intensities: no knot for any transition."""


def choose_knots(seen: VisitedToDeath, events_per_piece: int = 10, most_pieces: int = 6) -> Knots:
    """Choose knots at quantiles of the events, at least ``events_per_piece`` to a piece.

    Losses count at the middle of their interval, deaths after a seen loss make at most two pieces.
    Six pieces where four were not enough: with a loss rate that fell by two thirds at 4 years, four
    left the 10-year incidence 1.2 points too high and six about 0.5, at the same spread
    (``benchmarks/illness_death_recovery.py``).
    The choice depends on the data: fix it in the plan where the figure decides something.

    Examples
    --------
    >>> seen = VisitedToDeath.of(range(40), range(1, 41), [50] * 40, [False] * 40)
    >>> choose_knots(seen)["loss"]
    (10.25, 20.0, 29.75)
    """
    losses = seen.loss_seen
    middle = (seen.last_above[losses] + seen.first_below[losses]) / 2
    before, after = (seen.vital_status_time[seen.died & part] for part in (~losses, losses))
    events: dict[Transition, Floats] = {"loss": middle, "death": before, "death_after_loss": after}
    most = {"loss": most_pieces, "death": most_pieces, "death_after_loss": min(2, most_pieces)}
    knots: dict[Transition, tuple[float, ...]] = {}
    for name, times in events.items():
        pieces = min(most[name], max(1, len(times) // events_per_piece))
        inner = np.quantile(times, np.arange(1, pieces) / pieces) if pieces > 1 else np.empty(0)
        knots[name] = tuple(float(knot) for knot in np.unique(inner) if knot > 0)
    return MappingProxyType(knots)


def fit_illness_death(seen: VisitedToDeath, knots: Knots | None = None) -> IllnessDeath:
    """Fit the intensities by maximum likelihood.

    Parameters
    ----------
    seen
        The observations.
    knots
        Inner knots of every transition, increasing and above 0; :func:`choose_knots` without them.

    Returns
    -------
    IllnessDeath
        With no loss seen the incidence is set to 0 and with no death the death rates are 0;
        ``notes`` says so, and limits must then come from elsewhere (exact binomial or Poisson).
        ``is_converged`` is False where the search did not end; such a figure is not for a report.

    Raises
    ------
    ValueError
        For knots that are not increasing or not above 0.
    RefusedEstimateError
        When nobody was followed for any time.

    Examples
    --------
    >>> seen = VisitedToDeath.of([1, 2, 1], [2, 3, np.inf], [4, 5, 3], [True, False, True])
    >>> fit = fit_illness_death(seen, ONE_PIECE)
    >>> fit.is_converged, fit.losses_seen, fit.deaths
    (True, 2, 2)
    """
    chosen = choose_knots(seen) if knots is None else knots
    _check_knots(chosen)
    if not seen.vital_status_time.max() > 0:
        raise RefusedEstimateError("Nobody was followed for any time; there is no rate to give.")
    knots_in_order = _in_order(chosen)
    grid = lay_grid(knots_in_order)
    paths = lay_out_paths(
        seen.last_above, seen.first_below, seen.vital_status_time, seen.died, grid
    )
    found = maximise(paths, tie_pieces(knots_in_order, grid))
    split = np.split(found.rate, np.cumsum([len(own) + 1 for own in knots_in_order]))
    losses = seen.loss_seen
    events = int(losses.sum()) + int(seen.died.sum())  # a slope counts against its spread, √events
    return IllnessDeath(
        n=len(losses),
        losses_seen=int(losses.sum()),
        deaths=int(seen.died.sum()),
        deaths_after_seen_loss=int((seen.died & losses).sum()),
        person_time=float(seen.vital_status_time.sum()),
        last_time=float(seen.vital_status_time.max()),
        knots=MappingProxyType({name: tuple(chosen[name]) for name in TRANSITIONS}),
        intensity=MappingProxyType(dict(zip(TRANSITIONS, split[:3], strict=True))),
        log_likelihood=found.log_likelihood,
        gradient=found.gradient,
        iterations=found.iterations,
        is_converged=bool(found.gradient < LARGEST_GRADIENT * max(1.0, (events / 1000) ** 0.5)),
        notes=_note(seen),
    )


def bootstrap_illness_death(
    seen: VisitedToDeath,
    fit: IllnessDeath,
    times: npt.ArrayLike,
    rng: np.random.Generator,
    *,
    resamples: int = 500,
    level: float = 0.95,
) -> OccupationLimits:
    """Give percentile limits by drawing patients again and refitting on the same knots.

    Parameters
    ----------
    seen, fit
        The observations and the fit to them; its knots are kept and its intensities start every
        search.
    times
        Times at which limits are wanted; NaN past the last follow-up.
    rng
        Source of the draws.
    resamples, level
        Number of draws, at least 20, and confidence level.

    Raises
    ------
    RefusedEstimateError
        When no loss was seen (every draw would say 0), or over a tenth of the searches failed.
        Limits at few losses, or none: :mod:`analysis.estimators.illness_death_limits`.
    """
    if resamples < 20 or not 0 < level < 1:
        raise ValueError(f"need 20 resamples and a level in (0, 1), not {resamples!r}, {level!r}")
    if fit.losses_seen == 0:
        raise RefusedEstimateError(
            "No loss was seen, so drawing patients again shows no spread; give exact limits."
        )
    when = np.atleast_1d(np.asarray(times, np.float64))
    grid = lay_grid(_in_order(fit.knots))
    start = _join(fit.intensity)
    tied = leave_out_zeros(tie_pieces(_in_order(fit.knots), grid), start)
    paths = lay_out_paths(
        seen.last_above, seen.first_below, seen.vital_status_time, seen.died, grid
    )
    weight = np.array(
        [np.bincount(rng.integers(fit.n, size=fit.n), minlength=fit.n) for _ in range(resamples)]
    )
    drawn = np.full((resamples, 2, len(when)), np.nan)
    failed = 0
    for i, rate in enumerate(refit_draws(paths, tied, start[start > 0], weight)):
        if rate is None:
            failed += 1
            continue
        drawn[i] = occupy_states(when, grid, *spread_on_grid(rate, tied))[:2]
    if failed * 10 > resamples:
        raise RefusedEstimateError(
            f"The search did not end in {failed} of {resamples} draws; use fewer knots."
        )
    limits = percentile(drawn, [(1 - level) / 2, (1 + level) / 2])
    limits[:, :, when > fit.last_time] = np.nan
    (loss_lower, above_lower), (loss_upper, above_upper) = limits
    return OccupationLimits(
        when, loss_lower, loss_upper, above_lower, above_upper, level, resamples, failed
    )


def _in_order(knots: Knots) -> list[tuple[float, ...]]:
    return [tuple(knots[name]) for name in TRANSITIONS]


def _join(intensity: Mapping[Transition, Floats]) -> Floats:
    return np.concatenate([intensity[name] for name in TRANSITIONS])


def _check_knots(knots: Knots) -> None:
    for name in TRANSITIONS:
        inner = np.array([0.0, *knots[name]])
        if not (np.all(np.isfinite(inner)) and np.all(np.diff(inner) > 0)):
            raise ValueError(f"knots must increase from above 0, not {name} {knots[name]!r}")


def _note(seen: VisitedToDeath) -> tuple[str, ...]:
    losses, notes = seen.loss_seen, []
    if 0 < losses.sum() < FEWEST_LOSSES:
        notes.append(
            f"Only {int(losses.sum())} losses were seen, under {FEWEST_LOSSES}: the figure rests "
            "on them alone, and bootstrap limits are too narrow."
        )
    if not losses.any():
        notes.append(
            "No loss was seen: the incidence is set to 0, since unseen losses alone say nothing, "
            "and has no bootstrap limits; give exact ones."
        )
    if not seen.died.any():
        notes.append("No one died: the death rates are 0 and nothing competes with loss.")
    elif losses.any() and not (seen.died & losses).any():
        notes.append(
            "No one died after a loss that was seen: the death rate after loss rests on losses "
            "that were not seen, and may be 0."
        )
    return tuple(notes)
