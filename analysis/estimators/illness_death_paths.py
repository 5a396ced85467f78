"""Likelihood of an illness-death model with piecewise-constant intensities, in closed form.

Given what was seen of a patient, either the patient went straight from state 0 to the vital status
(alive or dead), or lost the level somewhere in an interval and went on from state 1. On a piece
where all intensities are constant the density of the second path is exponential in the time of
loss, so every integral is elementary. The gradient comes as expected events minus intensity times
expected time at risk, given the data (the E-step of an EM algorithm).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import exprel

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Paths:
    """Patients laid out over the pieces; arrays of shape (n, pieces) unless said otherwise.

    ``width`` (pieces,) is the length of each piece (the last to the longest follow-up), ``stay``
    the time each patient spent in it up to the vital status, ``offset`` how far into the piece loss
    can first have happened and ``length`` for how long; a loss at an exact time has ``length`` 0
    in its piece and ``is_possible`` there alone. ``dies_in`` marks the piece of an exact death.
    """

    width: Floats
    stay: Floats
    offset: Floats
    length: Floats
    is_possible: Bools
    dies_in: Floats
    died: Bools
    loss_seen: Bools
    is_exact: Bools
    vital_time: Floats
    weight: Floats

    def draw(self, weight: npt.ArrayLike) -> Paths:
        """Give every patient a weight; those of weight 0 are left out."""
        heavy = np.asarray(weight, np.float64)
        kept = heavy > 0
        names = (
            *("stay", "offset", "length", "is_possible", "dies_in"),
            *("died", "loss_seen", "is_exact", "vital_time"),
        )
        rows = {name: getattr(self, name)[kept] for name in names}
        return replace(self, weight=heavy[kept], **rows)


@dataclass(frozen=True, slots=True)
class Expected:
    """Log-likelihood, and expected events and time at risk of each transition on each piece."""

    log_likelihood: float
    events: tuple[Floats, Floats, Floats]
    time_at_risk: tuple[Floats, Floats, Floats]


def lay_out_paths(
    last_above: Floats, first_below: Floats, vital_time: Floats, died: Bools, starts: Floats
) -> Paths:
    """Cut every patient's time at the starts of the pieces (the first of which is 0).

    A death or an exact loss on a knot belongs to the piece that ends there.
    """
    ends = np.append(starts[1:], max(float(vital_time.max()), float(starts[-1]) + 1e-12))
    loss_seen = np.isfinite(first_below)
    is_exact = loss_seen & (first_below == last_above)
    until = np.where(loss_seen, first_below, vital_time)
    low, high = (np.clip(t[:, None], starts, ends) for t in (last_above, until))
    piece = np.arange(len(starts))
    exact_in = np.searchsorted(starts[1:], last_above, side="left")[:, None] == piece
    dies_in = np.searchsorted(starts[1:], vital_time, side="left")[:, None] == piece
    return Paths(
        width=ends - starts,
        stay=np.clip(vital_time[:, None], starts, ends) - starts,
        offset=low - starts,
        length=high - low,
        is_possible=np.where(is_exact[:, None], exact_in, high > low),
        dies_in=(dies_in & died[:, None]).astype(np.float64),
        died=died,
        loss_seen=loss_seen,
        is_exact=is_exact,
        vital_time=vital_time,
        weight=np.ones(len(vital_time)),
    )


def expect_events(paths: Paths, loss: Floats, death: Floats, death_after: Floats) -> Expected:
    """Work out the log-likelihood and the expected events and times, given the intensities.

    Parameters
    ----------
    paths
        The patients.
    loss, death, death_after
        Intensities 0→1, 0→2 and 1→2 on every piece, shape (pieces,); 0 is allowed.

    Returns
    -------
    Expected
        The slope of the log-likelihood in a log intensity is its events minus intensity times
        time at risk. The log-likelihood is minus infinity where the intensities rule out what was
        seen.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        log_loss, log_death, log_after = np.log(loss), np.log(death), np.log(death_after)
    straight = -paths.stay @ (loss + death) + _pick(paths, log_death)
    straight = np.where(paths.loss_seen, -np.inf, straight)
    log_piece = _log_loss_by_piece(paths, loss + death, death_after, log_loss)
    log_piece = log_piece + _pick(paths, log_after)[:, None]
    highest = np.maximum(log_piece.max(axis=1), straight)
    safe = np.where(np.isfinite(highest), highest, 0.0)
    by_piece = np.exp(log_piece - safe[:, None])
    direct = np.exp(straight - safe)
    total = direct + by_piece.sum(axis=1)
    with np.errstate(divide="ignore"):
        log_likelihood = float(paths.weight @ (safe + np.log(total)))
    if not np.isfinite(log_likelihood):
        nothing = tuple(np.zeros(len(loss)) for _ in range(3))
        return Expected(-np.inf, nothing, nothing)  # type: ignore[arg-type]
    share = paths.weight / total
    return _collect(
        paths, by_piece * share[:, None], direct * share, loss + death - death_after, log_likelihood
    )


def _collect(
    paths: Paths, by_piece: Floats, direct: Floats, excess: Floats, log_likelihood: float
) -> Expected:
    """Turn the shares of the paths into expected events and times on each piece."""
    through_loss = by_piece.sum(axis=1)
    later = through_loss[:, None] - np.cumsum(by_piece, axis=1)
    place = np.where(
        paths.is_exact[:, None], 0.0, paths.length * _mean_place(excess * paths.length)
    )
    above = np.maximum(later, 0.0) * paths.width + (paths.offset + place) * by_piece
    kept = direct[:, None] * paths.stay
    lost = through_loss[:, None] * paths.stay - above
    return Expected(
        log_likelihood,
        (
            by_piece.sum(axis=0),
            direct @ paths.dies_in,
            through_loss @ paths.dies_in,
        ),
        ((above + kept).sum(axis=0), (above + kept).sum(axis=0), lost.sum(axis=0)),
    )


def _pick(paths: Paths, log_rate: Floats) -> Floats:
    """Log intensity of death where it happened, 0 for the living."""
    piece = paths.dies_in.argmax(axis=1)
    return np.where(paths.died, log_rate[piece], 0.0)


def _log_loss_by_piece(
    paths: Paths, leave: Floats, death_after: Floats, log_loss: Floats
) -> Floats:
    """Log of the integral over losses in each piece of staying until then and living on after."""
    excess = leave - death_after
    kept_before = np.concatenate([[0.0], np.cumsum(excess * paths.width)[:-1]])
    survive = kept_before + excess * paths.offset + (paths.stay @ death_after)[:, None]
    is_exact = paths.is_exact[:, None]
    spread = np.where(is_exact | ~paths.is_possible, 1.0, paths.length)
    bend = np.where(is_exact, 0.0, excess * paths.length)
    inside = np.log(spread) + _log_exprel(-bend)
    return np.where(paths.is_possible, log_loss - survive + inside, -np.inf)


def _mean_place(z: Floats) -> Floats:
    """Mean of x on [0, 1] with density proportional to exp(-z x): 1/z - 1/(exp(z) - 1).

    Away from 0 exp(z) - 1 loses nothing and is several times faster than expm1.
    """
    is_small = np.abs(z) < 0.05
    apart = np.where(is_small, 1.0, z)
    exact = 1 / apart - 1 / (np.exp(np.minimum(apart, 700.0)) - 1)
    series = 0.5 - z / 12 + z**3 / 720 - z**5 / 30240
    return np.where(is_small, series, exact)


def _log_exprel(z: Floats) -> Floats:
    """Log of (exp(z) - 1)/z, also where exp(z) is too large to hold."""
    is_large = z > 30
    far = np.where(is_large, z, 31.0)
    near = np.log(exprel(np.where(is_large, 0.0, z)))
    return np.where(is_large, far - np.log(far), near)


def occupy_states(
    times: Floats, starts: Floats, loss: Floats, death: Floats, death_after: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Probabilities at ``times`` from the intensities on the pieces that begin at ``starts``.

    Returns
    -------
    tuple
        Incidence of loss, still in state 0, in state 1, and 1 - exp(-cumulative loss intensity),
        each of the shape of ``times``.
    """
    ends = np.append(starts[1:], np.inf)
    stay = np.clip(times[:, None], starts, ends) - starts
    leave = loss + death
    width = np.append(np.diff(starts), 0.0)
    left = np.concatenate([[0.0], np.cumsum(leave * width)[:-1]])
    incidence = (loss * np.exp(-left) * stay * exprel(-leave * stay)).sum(axis=1)
    excess = leave - death_after
    gone = np.concatenate([[0.0], np.cumsum(excess * width)[:-1]])
    log_piece = _log_exprel(-excess * stay) - gone - (stay @ death_after)[:, None]
    # a piece not yet reached adds nothing, however large its factor
    lost = (loss * stay * np.exp(np.where(stay > 0, log_piece, -np.inf))).sum(axis=1)
    return incidence, np.exp(-stay @ leave), lost, -np.expm1(-stay @ loss)
