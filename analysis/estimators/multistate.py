"""Where everyone is at each time: Aalen–Johansen occupation of several states.

A spell is time spent in one state under observation. Each kind of transition may be watched on a
clock of its own: its hazard is then taken on the spells of that clock, as
:func:`analysis.estimators.own_clocks.aalen_johansen_own_clocks` does for competing causes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.estimators.curves import check_times
from analysis.estimators.observations import FloatArray, IntArray
from analysis.estimators.resampling import as_patients, draw_weights, percentile
from registry.errors import RefusedEstimateError

STAYS = -1
"""In place of the state entered: the spell ends without a transition that this clock watches."""


@dataclass(frozen=True, slots=True, eq=False)
class Spells:
    """Spells of one clock; arrays of one shape.

    Attributes
    ----------
    unit
        Number of the unit, from 0.
    state
        Where the spell is spent, from 0.
    start, stop
        At risk of leaving at t means start < t ≤ stop; any one unit of time.
    to
        State entered at ``stop``; ``STAYS`` when the spell ends otherwise.
    """

    unit: IntArray
    state: IntArray
    start: FloatArray
    stop: FloatArray
    to: IntArray

    def __post_init__(self) -> None:
        shapes = {getattr(self, name).shape for name in ("unit", "state", "start", "stop", "to")}
        if len(shapes) != 1 or len(next(iter(shapes))) != 1:
            raise ValueError(f"spells are flat columns of one length, not {sorted(shapes)}")
        if np.any(self.stop <= self.start):
            raise ValueError("a spell ends after it begins")
        if np.any(self.to == self.state):
            raise ValueError("a transition leads to another state")

    @classmethod
    def of(cls, rows: Sequence[tuple[int, int, float, float, int]]) -> Spells:
        """Make spells from rows (unit, state, start, stop, to)."""
        table = np.asarray(rows, dtype=np.float64).reshape(-1, 5)
        unit, state, to = (table[:, column].astype(np.int64) for column in (0, 1, 4))
        return cls(unit, state, table[:, 2], table[:, 3], to)


@dataclass(frozen=True, slots=True, eq=False)
class Occupation:
    """Probability of being in each state over time.

    ``time`` (m + 1,) begins at 0; ``probability`` (m + 1, states). ``last_time`` is the end of the
    clock that ends first: beyond it nothing is reported. ``replicates`` (B, times, states) hold the
    bootstrap's probabilities at ``limit_times``, or are empty.
    """

    names: tuple[str, ...]
    n: int
    transitions: tuple[tuple[int, int, int], ...]
    time: FloatArray
    probability: FloatArray
    last_time: float
    limit_times: FloatArray
    replicates: FloatArray

    def at(self, times: Any) -> FloatArray:
        """Return the probabilities at times, shape (times, states); NaN beyond ``last_time``."""
        wanted = check_times(times)
        place = np.searchsorted(self.time, wanted, side="right") - 1
        found = self.probability[place].copy()
        found[wanted > self.last_time] = np.nan
        return found

    def limits(self, level: float = 0.95) -> tuple[FloatArray, FloatArray]:
        """Return percentile limits at ``limit_times``, each of shape (times, states)."""
        if not self.replicates.size:
            raise ValueError("no bootstrap replicates were drawn")
        tail = (1 - level) / 2
        low, high = percentile(self.replicates, [tail, 1 - tail])
        beyond = self.limit_times > self.last_time
        low[beyond], high[beyond] = np.nan, np.nan
        return low, high

    def mean_time(self, until: float) -> FloatArray:
        """Return the mean time spent in each state up to ``until``, shape (states,).

        Raises
        ------
        ValueError
            Beyond ``last_time``.
        """
        if not 0 < until <= self.last_time:
            raise ValueError(f"a time above 0 and up to {self.last_time:g}, not {until!r}")
        inside = self.time < until
        edges = np.concatenate([self.time[inside], [until]])
        mean: FloatArray = np.diff(edges) @ self.probability[inside]
        return mean


def occupy_states(
    clocks: Sequence[Spells],
    names: Sequence[str],
    *,
    times: Any = (),
    cluster: Any = None,
    replicates: int = 0,
    rng: np.random.Generator | None = None,
) -> Occupation:
    """Estimate state occupation by Aalen & Johansen (1978, Scand J Stat 5:141).

    p(t) = p(0) Π (I + dA), each dA_hj events over the spells of h at risk on the clock that watches
    h → j. Transitions at one time share one risk set. Where the hazards out of a state add up to
    more than 1 (tiny risk sets on different clocks) they are scaled down to 1; an empty risk set
    moves nobody. p(0) is the share of states among those under observation from time zero. The
    estimate does not need the Markov property (Datta & Satten 2001, Stat Probab Lett 55:403); it
    needs leaving follow-up to be independent of the state.

    Parameters
    ----------
    clocks
        Spells by clock, over the same units.
    names
        Of the states, in the order of their numbers.
    times
        Where bootstrap limits are wanted.
    cluster
        Shape (units,): the patient of each unit, drawn as a whole.
    replicates, rng
        Bootstrap replicates over patients and their generator; 0: none.

    Raises
    ------
    RefusedEstimateError
        When nobody is under observation from time zero.

    Examples
    --------
    >>> spells = Spells.of([(0, 0, 0, 2, 1), (1, 0, 0, 3, -1), (0, 1, 2, 4, -1)])
    >>> occupy_states([spells], ["well", "ill"]).at([1, 2]).tolist()
    [[1.0, 0.0], [0.5, 0.5]]
    """
    n = 1 + max((int(spells.unit.max()) for spells in clocks if spells.unit.size), default=-1)
    filled = [spells for spells in clocks if spells.unit.size]
    if not filled or not any((spells.start <= 0).any() for spells in filled):
        raise RefusedEstimateError("Nobody is under observation from time zero: no state to start.")
    last_time = min(float(spells.stop.max()) for spells in filled)
    steps = _Steps(filled, len(names), last_time)
    probability = steps.run(np.ones((1, n)))[0]
    wanted = check_times(times) if np.size(times) else np.zeros(0)
    drawn = np.zeros((0, wanted.size, len(names)))
    if replicates and rng is not None:
        drawn = _replicate(steps, wanted, cluster, n, replicates, rng)
    return Occupation(
        tuple(names), n, steps.counts(), steps.time, probability, last_time, wanted, drawn
    )


def _replicate(
    steps: _Steps, wanted: FloatArray, cluster: Any, n: int, size: int, rng: np.random.Generator
) -> FloatArray:
    patients = as_patients(cluster, n)
    n_patients = n if patients is None else int(patients.max()) + 1
    place = np.searchsorted(steps.time, wanted, side="right") - 1
    blocks = [
        steps.run(weight if patients is None else weight[:, patients])[:, place]
        for weight in draw_weights(n_patients, size, rng)
    ]
    return np.concatenate(blocks)


@dataclass(frozen=True, slots=True, eq=False)
class _Move:
    """Transitions of one kind, on one clock: event rows sorted by time, and who is at risk."""

    source: int
    target: int
    units: IntArray
    first: IntArray
    """Where the rows of each time begin among ``units``."""
    step: IntArray
    """Place of each of those times on the common grid."""
    started: tuple[IntArray, IntArray]
    stopped: tuple[IntArray, IntArray]
    """Units in order of start (stop), and how many have started (stopped) before each time."""


class _Steps:
    """The product over the common grid, for any weights of the units."""

    def __init__(self, clocks: Sequence[Spells], n_states: int, last_time: float) -> None:
        self.n_states = n_states
        moved = [spells.stop[(spells.to >= 0) & (spells.stop <= last_time)] for spells in clocks]
        grid = np.unique(np.concatenate(moved))
        self.time = np.concatenate([[0.0], grid])
        self._moves = [move for spells in clocks for move in _list_moves(spells, grid)]
        longest = max(clocks, key=lambda spells: int((spells.start <= 0).sum()))
        begins = longest.start <= 0
        self._begin = (longest.unit[begins], longest.state[begins])

    def counts(self) -> tuple[tuple[int, int, int], ...]:
        """Return how often each transition was seen: (from, to, count)."""
        total: dict[tuple[int, int], int] = {}
        for move in self._moves:
            key = (move.source, move.target)
            total[key] = total.get(key, 0) + move.units.size
        return tuple((*key, count) for key, count in sorted(total.items()))

    def run(self, weight: FloatArray) -> FloatArray:
        """Return probabilities, shape (B, m + 1, states), for weights (B, units)."""
        unit, state = self._begin
        held = np.zeros((weight.shape[0], self.time.size, self.n_states))
        for number in range(self.n_states):
            held[:, 0, number] = weight[:, unit[state == number]].sum(axis=1)
        held[:, 0] /= np.maximum(held[:, 0].sum(axis=1, keepdims=True), 1e-300)
        hazards = [self._hazard(move, weight) for move in self._moves]
        by_step: list[list[tuple[int, int]]] = [[] for _ in range(self.time.size)]
        for number, move in enumerate(self._moves):
            for place, step in enumerate(move.step.tolist()):
                by_step[step + 1].append((number, place))
        leaving = self._leaving(hazards, weight.shape[0])
        for step in range(1, self.time.size):
            before, now = held[:, step - 1], held[:, step]
            now[:] = before
            for number, place in by_step[step]:
                move = self._moves[number]
                share = hazards[number][:, place] / leaving[move.source][:, step - 1]
                gone = before[:, move.source] * share
                now[:, move.source] -= gone
                now[:, move.target] += gone
        return held

    def _leaving(self, hazards: list[FloatArray], size: int) -> dict[int, FloatArray]:
        """Sum of the hazards out of each state, at least 1: what they are divided by."""
        total = {move.source: np.zeros((size, self.time.size - 1)) for move in self._moves}
        for move, hazard in zip(self._moves, hazards, strict=True):
            total[move.source][:, move.step] += hazard
        return {source: np.maximum(hazard, 1.0) for source, hazard in total.items()}

    @staticmethod
    def _hazard(move: _Move, weight: FloatArray) -> FloatArray:
        """Hazard at the move's own times, shape (B, times)."""
        events = np.add.reduceat(weight[:, move.units], move.first, axis=1)
        at_risk = _run_up(weight[:, move.started[0]])[:, move.started[1]]
        at_risk -= _run_up(weight[:, move.stopped[0]])[:, move.stopped[1]]
        return np.where(at_risk > 0, events / np.maximum(at_risk, 1e-300), 0.0)


def _run_up(weight: FloatArray) -> FloatArray:
    total = np.zeros((weight.shape[0], weight.shape[1] + 1))
    np.cumsum(weight, axis=1, out=total[:, 1:])
    return total


def _list_moves(spells: Spells, grid: FloatArray) -> list[_Move]:
    inside = (spells.to >= 0) & (spells.stop <= (grid[-1] if grid.size else -1.0))
    kinds = sorted(set(zip(spells.state[inside].tolist(), spells.to[inside].tolist(), strict=True)))
    moves = []
    for source, target in kinds:
        rows = np.flatnonzero(inside & (spells.state == source) & (spells.to == target))
        rows = rows[np.argsort(spells.stop[rows], kind="stable")]
        times, first = np.unique(spells.stop[rows], return_index=True)
        member = np.flatnonzero(spells.state == source)
        by_start = member[np.argsort(spells.start[member], kind="stable")]
        by_stop = member[np.argsort(spells.stop[member], kind="stable")]
        started = np.searchsorted(spells.start[by_start], times, side="left")
        stopped = np.searchsorted(spells.stop[by_stop], times, side="left")
        moves.append(
            _Move(
                source,
                target,
                spells.unit[rows],
                first.astype(np.int64),
                np.searchsorted(grid, times).astype(np.int64),
                (spells.unit[by_start], started.astype(np.int64)),
                (spells.unit[by_stop], stopped.astype(np.int64)),
            )
        )
    return moves
