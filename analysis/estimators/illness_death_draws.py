"""The illness-death model refitted to many draws of the patients at once.

A bootstrap sample is the same patients with other weights. The likelihood and its slope are worked
out for a block of samples together, over the (patient, piece) pairs in which a loss can have
happened, and every sample climbs by its own BFGS steps from the estimate of the whole data. A
sample that does not arrive is left to the slower search.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.estimators.illness_death_paths import Floats, Paths, _log_exprel, _mean_place
from analysis.estimators.illness_death_search import (
    LARGEST_GRADIENT,
    Tied,
    invert_information,
    maximise,
)

Bools = npt.NDArray[np.bool_]

LARGEST_BLOCK = 60_000
"""Samples times pairs that are worked out together; beyond this the caches no longer hold them."""
MOST_STEPS = 60
SMALLEST_STEP = 1 / 64
"""A step that does not climb is halved; a search whose step shrinks to this is given up."""
LARGEST_RISE, LARGEST_SLOPE = 5e-5, 0.05
"""A search ends where the next step would raise the log-likelihood by under the first (the Newton
decrement: within a hundredth of a standard error) and no slope, in events, is over the second."""


@dataclass(frozen=True, slots=True)
class _Pairs:
    """Patients, and the m pairs of patient and piece in which a loss can have happened."""

    paths: Paths
    patient: npt.NDArray[np.intp]
    starts: npt.NDArray[np.intp]
    with_pairs: npt.NDArray[np.intp]
    piece: npt.NDArray[np.intp]
    in_piece: Floats
    offset: Floats
    length: Floats
    is_exact: Bools
    log_spread: Floats
    died_in: npt.NDArray[np.intp]

    @classmethod
    def of(cls, paths: Paths) -> _Pairs:
        patient, piece = np.nonzero(paths.is_possible)
        with_pairs, starts = np.unique(patient, return_index=True)
        is_exact = paths.is_exact[patient]
        length = np.where(is_exact, 0.0, paths.length[patient, piece])
        return cls(
            paths=paths,
            patient=patient,
            starts=starts,
            with_pairs=with_pairs,
            piece=piece,
            in_piece=np.eye(len(paths.width))[piece],
            offset=paths.offset[patient, piece],
            length=length,
            is_exact=is_exact,
            log_spread=np.log(np.where(is_exact, 1.0, length)),
            died_in=paths.dies_in.argmax(axis=1),
        )

    def expect(self, weight: Floats, rates: list[Floats]) -> tuple[Floats, list[Floats]]:
        """Log-likelihood (b,), and events minus expectation of each transition on each piece.

        ``rates`` are three arrays (b, pieces), ``weight`` is (b, n). A likelihood that vanishes is
        minus infinity.
        """
        paths = self.paths
        loss, death, after = rates
        leave, excess = loss + death, loss + death - after
        with np.errstate(divide="ignore", invalid="ignore", over="ignore", under="ignore"):
            died, lives_on = paths.died, after @ paths.stay.T
            log_death = np.where(died, np.log(death)[:, self.died_in], 0.0)
            log_after = np.where(died, np.log(after)[:, self.died_in], 0.0) - lives_on
            direct = np.where(paths.loss_seen, 0.0, np.exp(log_death - leave @ paths.stay.T))
            bend = excess[:, self.piece] * self.length
            kept = np.cumsum(excess * paths.width, axis=1) - excess * paths.width
            log_pair = np.log(loss)[:, self.piece] - kept[:, self.piece] + self.log_spread
            log_pair += _log_exprel(-bend) - excess[:, self.piece] * self.offset
            pair = np.exp(log_pair + log_after[:, self.patient])
            through = np.zeros_like(direct)
            through[:, self.with_pairs] = np.add.reduceat(pair, self.starts, axis=1)
            total = direct + through
            log_total = np.where(weight > 0, np.log(total), 0.0)
            value = np.where(
                np.isfinite(log_total).all(axis=1), (weight * log_total).sum(1), -np.inf
            )
            share = np.where((weight > 0) & (total > 0), weight / total, 0.0)
        pair *= share[:, self.patient]
        direct, through = direct * share, through * share
        losses = pair @ self.in_piece
        place = self.length * _mean_place(bend) + self.offset
        later = through.sum(axis=1, keepdims=True) - np.cumsum(losses, axis=1)
        above = later * paths.width + (place * pair) @ self.in_piece
        lost = through @ paths.stay - above
        above += direct @ paths.stay
        return value, [
            losses - loss * above,
            direct @ paths.dies_in - death * above,
            through @ paths.dies_in - after * lost,
        ]


def leave_out_zeros(tied: Tied, rate: Floats) -> Tied:
    """Leave out intensities estimated as 0: drawing patients again brings no event there."""
    kept, begin = [], 0
    for member, part in tied:
        rows = member[rate[part] > 0]
        kept.append((rows, slice(begin, begin + len(rows))))
        begin += len(rows)
    return kept


def climb_draws(
    paths: Paths, tied: Tied, start: Floats, inverse: Floats, weight: npt.ArrayLike
) -> tuple[Floats, Bools]:
    """Refit the intensities to samples that weigh the patients differently.

    Parameters
    ----------
    paths, tied
        The patients, laid out, and which piece belongs to which intensity.
    start, inverse
        The p intensities fitted to everybody, all above 0, and their inverse information in the log
        intensities (:func:`analysis.estimators.illness_death_search.invert_information`).
    weight
        Shape (b, n): how often each patient is in each sample.

    Returns
    -------
    tuple
        Intensities, shape (b, p), and whether each sample's climb ended; where it did not the row
        is not to be used.

    Examples
    --------
    >>> from analysis.estimators.illness_death_paths import lay_out_paths
    >>> from analysis.estimators.illness_death_search import (
    ...     invert_information, lay_grid, maximise, tie_pieces)
    >>> knots = [(), (), ()]
    >>> tied = tie_pieces(knots, lay_grid(knots))
    >>> paths = lay_out_paths(np.array([1.0, 2, 1, 6]), np.array([2.0, 3, np.inf, np.inf]),
    ...     np.array([4.0, 5, 3, 6]), np.array([True, False, True, True]), lay_grid(knots))
    >>> whole = maximise(paths, tied).rate
    >>> weight = np.array([[1, 1, 1, 1], [2, 1, 1, 0]])
    >>> inverse = invert_information(paths, tied, whole)
    >>> rate, ended = climb_draws(paths, tied, whole, inverse, weight)
    >>> bool(np.allclose(rate[0], whole, rtol=1e-3)), ended.tolist()
    (True, [True, True])
    """
    pairs, heavy = _Pairs.of(paths), np.asarray(weight, np.float64)
    size = max(1, LARGEST_BLOCK // max(len(pairs.patient), len(paths.vital_time), 1))
    blocks = [
        _climb_block(pairs, tied, start, inverse, heavy[first : first + size])
        for first in range(0, len(heavy), size)
    ]
    return np.concatenate([b[0] for b in blocks]), np.concatenate([b[1] for b in blocks])


def refit_draws(
    paths: Paths,
    tied: Tied,
    start: Floats,
    weight: npt.NDArray[np.int64],
    inverse: Floats | None = None,
) -> list[Floats | None]:
    """Refit every sample: together from ``start``, and one by one where that does not arrive.

    Parameters
    ----------
    paths, tied, start
        As in :func:`climb_draws`, without intensities that are 0.
    weight
        Shape (b, n).
    inverse
        As in :func:`climb_draws`, also of like patients; worked out where it is not given.

    Returns
    -------
    list
        The intensities of each sample; None where no search ended.
    """
    rate, ended = np.tile(start, (len(weight), 1)), np.zeros(len(weight), dtype=bool)
    if inverse is None:
        inverse = invert_information(paths, tied, start)
    has_loss = weight @ paths.loss_seen > 0
    if inverse is not None and has_loss.any():
        rate[has_loss], ended[has_loss] = climb_draws(paths, tied, start, inverse, weight[has_loss])
    found: list[Floats | None] = []
    for i, is_there in enumerate(ended):
        if is_there:
            found.append(rate[i])
            continue
        slow = maximise(paths.draw(weight[i]), tied, start)
        found.append(slow.rate if slow.gradient < LARGEST_GRADIENT else None)
    return found


def _climb_block(
    pairs: _Pairs, tied: Tied, start: Floats, inverse: Floats, weight: Floats
) -> tuple[Floats, Bools]:
    count = len(weight)
    log_rate = np.tile(np.log(start), (count, 1))
    bend = np.tile(inverse, (count, 1, 1))
    value, slope = _slope(pairs, tied, log_rate, weight)
    ended, going = np.zeros(count, dtype=bool), np.arange(count)
    shrunk = np.ones(count)
    for _ in range(MOST_STEPS):
        move = (bend[going] @ slope[going][..., None])[..., 0]
        rise = (slope[going] * move).sum(axis=1) / 2
        arrived = (rise < LARGEST_RISE) & (np.abs(slope[going]).max(axis=1) < LARGEST_SLOPE)
        ended[going[arrived]] = True
        kept = ~arrived & np.isfinite(value[going]) & (shrunk[going] > SMALLEST_STEP)
        going, move = going[kept], move[kept]
        if not going.size:
            break
        move *= (shrunk[going] * np.minimum(1.0, 2.0 / np.abs(move).max(axis=1)))[:, None]
        new_value, new_slope = _slope(pairs, tied, log_rate[going] + move, weight[going])
        is_higher = new_value > value[going] - 1e-9 * np.abs(value[going])
        shrunk[going] = np.where(is_higher, 1.0, shrunk[going] / 2)
        climbed, move = going[is_higher], move[is_higher]
        change = slope[climbed] - new_slope[is_higher]
        bend[climbed] = _update(bend[climbed], move, change)
        log_rate[climbed] += move
        value[climbed], slope[climbed] = new_value[is_higher], new_slope[is_higher]
    return np.exp(log_rate), ended


def _slope(pairs: _Pairs, tied: Tied, log_rate: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Log-likelihood (b,) and its slope in the log intensities (b, p)."""
    rate = np.exp(log_rate)
    value, by_piece = pairs.expect(weight, [rate[:, part] @ member for member, part in tied])
    slopes = [by_piece[i] @ member.T for i, (member, _) in enumerate(tied)]
    return value, np.concatenate(slopes, axis=1)


def _update(inverse: Floats, move: Floats, change: Floats) -> Floats:
    """BFGS update of inverse informations (b, p, p); unchanged where the curvature is not."""
    curvature = (change * move).sum(axis=1)
    is_curved = curvature > 0
    safe = np.where(is_curved, curvature, 1.0)[:, None, None]
    turn = np.eye(move.shape[1]) - move[:, :, None] * change[:, None, :] / safe
    updated = turn @ inverse @ np.swapaxes(turn, 1, 2) + move[:, :, None] * move[:, None, :] / safe
    return np.where(is_curved[:, None, None], updated, inverse)
