"""Counts of people at risk and of events: the one kernel below every nonparametric estimator.

At risk at t means entry < t ≤ end of observation. Everything is a sort and a look-up in a sorted
array; there is no loop over people or times.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.estimators.observations import (
    TIME_TOLERANCE,
    BoolArray,
    FloatArray,
    IntArray,
    RightCensored,
)
from analysis.estimators.row_order import KeyArray, PlaceArray, RowOrder
from registry.errors import RefusedEstimateError

Side = Literal["left", "right"]


@dataclass(frozen=True, slots=True, eq=False)
class RiskCounter:
    """How many are at risk at any time.

    Attributes
    ----------
    exits
        Ends of observation in ascending order.
    entries
        Beginnings in ascending order, or None when everyone is there from time zero.
    exit_weight, entry_weight
        Weights from each place in those orders to the end, with a trailing 0 (summed from the end,
        so that small late risk sets keep their accuracy); None when people are counted.
    """

    exits: FloatArray
    entries: FloatArray | None = None
    exit_weight: FloatArray | None = None
    entry_weight: FloatArray | None = None

    def _left(self, time: FloatArray, side: Side) -> FloatArray:
        place = np.searchsorted(self.exits, time, side=side)
        if self.exit_weight is None:
            return place.astype(np.float64)
        left: FloatArray = self.exit_weight[0] - self.exit_weight[place]
        return left

    def _entered(self, time: FloatArray, side: Side) -> FloatArray | float:
        if self.entries is None:
            return float(self.exits.size if self.exit_weight is None else self.exit_weight[0])
        place = np.searchsorted(self.entries, time, side=side)
        if self.entry_weight is None:
            return place.astype(np.float64)
        entered: FloatArray = self.entry_weight[0] - self.entry_weight[place]
        return entered

    def _there(self, time: FloatArray, side: Side) -> FloatArray:
        if self.exit_weight is None:
            return self._entered(time, side) - self._left(time, side)
        there: FloatArray = self.exit_weight[np.searchsorted(self.exits, time, side=side)]
        if self.entries is not None and self.entry_weight is not None:
            there = there - self.entry_weight[np.searchsorted(self.entries, time, side=side)]
        return there

    def just_before(self, time: FloatArray) -> FloatArray:
        """Count entry < t ≤ exit for each t."""
        return self._there(time, "left")

    def just_after(self, time: FloatArray) -> FloatArray:
        """Count entry ≤ t < exit for each t: those still at risk right after t."""
        return self._there(time, "right")

    def at_zero(self) -> float:
        """Count those there from time zero: entry ≤ 0."""
        return float(np.ravel(self._entered(np.zeros(1), "right"))[0])

    def shown(self, time: FloatArray) -> FloatArray:
        """Count those at risk as tables show it: just before t, at time 0 those there from 0."""
        return np.where(time == 0, self.at_zero(), self.just_before(time))

    def snap(self, time: FloatArray) -> FloatArray:
        """Move times that differ only by rounding from an end of observation onto the nearest."""
        place = np.searchsorted(self.exits, time)
        before = self.exits[np.maximum(place - 1, 0)]
        after = self.exits[np.minimum(place, self.exits.size - 1)]
        nearest = np.where(after - time <= time - before, after, before)
        is_same = np.abs(nearest - time) <= TIME_TOLERANCE * np.maximum(1.0, time)
        return np.where(is_same, nearest, time)

    def left_before(self, time: FloatArray) -> FloatArray:
        """Count exits before each t."""
        return self._left(time, "left")

    def left_between(self, time: FloatArray, at_risk: FloatArray, events: FloatArray) -> IntArray:
        """Count those who leave in [row, next row) without an event.

        ``time`` and ``at_risk`` have a first row at time zero before the m event times of
        ``events``. Those whom ``at_risk`` leaves out though they leave at the row's very time count
        as gone before it.
        """
        if self.entries is None:
            left = at_risk.copy()
            left[:-1] -= at_risk[1:]
        else:
            total = self.left_before(np.array([np.inf]))
            left = np.diff(np.concatenate([self.left_before(time), total]))
            gone = self.just_before(time[1:]) - at_risk[1:]
            left[1:] -= gone
            left[:-1] += gone
        left[1:] -= events
        return left.astype(np.int64)


def count_risk(observed: RightCensored, *, weighted: bool = True) -> RiskCounter:
    """Sort the observations so that risk sets can be looked up.

    With ``weighted=False`` probability weights are left out, so that people are counted;
    frequencies always count as the people they stand for.
    """
    weight = observed.weight
    if weight is None or (observed.weight_kind == "probability" and not weighted):
        entries = None if observed.entry is None else np.sort(observed.entry)
        return RiskCounter(observed.in_order().time, entries)
    exits, exit_weight = _sort_with_weights(observed.time, weight)
    if observed.entry is None:
        return RiskCounter(exits, None, exit_weight)
    entries, entry_weight = _sort_with_weights(observed.entry, weight)
    return RiskCounter(exits, entries, exit_weight, entry_weight)


def _sort_with_weights(time: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    order = np.argsort(time, kind="stable")
    return time[order], np.append(np.cumsum(weight[order][::-1])[::-1], 0.0)


def count_at_times(
    time: FloatArray, weight: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """Return the distinct times in ascending order and the number (or weight) at each.

    Examples
    --------
    >>> count_at_times(np.array([2.0, 1.0, 2.0]))
    (array([1., 2.]), array([1., 2.]))
    """
    if time.size == 0:
        return np.empty(0), np.empty(0)
    order = None if weight is None else np.argsort(time, kind="stable")
    ordered = np.sort(time) if order is None else time[order]
    starts = np.flatnonzero(np.concatenate([[True], ordered[1:] != ordered[:-1]]))
    if weight is None or order is None:
        counts = np.diff(np.append(starts, ordered.size)).astype(np.float64)
    else:
        counts = np.add.reduceat(weight[order], starts)
    return ordered[starts], counts


def count_events(
    observed: RightCensored, is_event: BoolArray, *, weighted: bool = True
) -> tuple[FloatArray, FloatArray]:
    """Return the distinct event times and the number (or weight) of events at each."""
    weight = observed.weight
    if observed.weight_kind == "probability" and not weighted:
        weight = None
    chosen = None if weight is None else weight[is_event]
    return count_at_times(observed.time[is_event], chosen)


@dataclass(frozen=True, slots=True, eq=False)
class EventTable:
    """Counts at the m distinct times of some events.

    Attributes
    ----------
    time, at_risk, events
        Shape (m,): ascending times, how many (or what weight) are at risk just before, and events
        of any of the causes.
    own
        For each cause the places in ``time`` of its own events, ascending.
    counts
        For each cause the events at those places.
    """

    time: FloatArray
    at_risk: FloatArray
    events: FloatArray
    own: tuple[IntArray, ...]
    counts: tuple[FloatArray, ...]

    def of_cause(self, number: int) -> FloatArray:
        """Return events of one of the causes at every time, shape (m,)."""
        spread = np.zeros(self.time.size)
        spread[self.own[number]] = self.counts[number]
        return spread


def tabulate_events(
    observed: RightCensored, codes: Sequence[int], counter: RiskCounter, *, weighted: bool = True
) -> EventTable:
    """Count events of the codes, and people at risk, at each time with any of those events.

    Parameters
    ----------
    codes
        Ascending; the first codes, or all that there are. Later ones count as censored.
    counter
        The observations', made with the same ``weighted``.

    Examples
    --------
    >>> observed = RightCensored.of([1, 2, 2, 3], [2, 1, 0, 1])
    >>> table = tabulate_events(observed, (1, 2), count_risk(observed))
    >>> table.time.tolist(), table.at_risk.tolist(), table.own
    ([1.0, 2.0, 3.0], [4.0, 3.0, 1.0], (array([1, 2]), array([0])))
    """
    is_weighted = counter.exit_weight is not None
    if not is_weighted and counter.entries is None and codes[0] == 1:
        return _read_off_order(observed.in_order(), codes)
    found = [count_events(observed, observed.status == code, weighted=weighted) for code in codes]
    time = found[0][0]
    if len(codes) > 1:
        time = count_at_times(np.concatenate([own for own, _ in found]))[0]
    events: FloatArray = np.sum([spread_counts(time, *one) for one in found], axis=0)
    own = tuple(np.searchsorted(time, one).astype(np.int64) for one, _ in found)
    counts = tuple(count for _, count in found)
    return EventTable(time, counter.just_before(time), events, own, counts)


def _read_off_order(order: RowOrder, codes: Sequence[int]) -> EventTable:
    """Read the counts off the order: at one time 1 comes first, then 2, ..., the censored last."""
    places = order.places()
    is_event = places < min(codes[-1], order.mask)
    is_extra = np.empty(places.size, dtype=np.bool_)  # not the first event at its time
    is_extra[:1] = False
    np.equal(order.time[1:], order.time[:-1], out=is_extra[1:])
    is_extra &= is_event
    extras = np.count_nonzero(is_extra)
    is_event ^= is_extra
    first = is_event.nonzero()[0]
    time = order.time[first]
    at_risk = first.astype(np.float64)
    np.subtract(order.time.size, at_risk, out=at_risk)
    if extras <= first.size:
        extra = is_extra.nonzero()[0] if extras else first[:0]
        found = _count_extras(places, first, extra, codes)
        return EventTable(time, at_risk, *found)
    is_event |= is_extra
    rows = is_event.nonzero()[0]
    begins = np.searchsorted(rows, first)
    if len(codes) == 1:
        counts = _lengths(begins, rows.size).astype(np.float64)
        return EventTable(time, at_risk, counts, (np.arange(first.size),), (counts,))
    return EventTable(time, at_risk, *_count_runs(order.key[rows], places[rows], begins, codes))


_Counts = tuple[FloatArray, tuple[IntArray, ...], tuple[FloatArray, ...]]
"""Events at each time; each cause's places in the times, and counts there."""


def _count_extras(
    places: PlaceArray, first: IntArray, extra: IntArray, codes: Sequence[int]
) -> _Counts:
    """Count events of which most are alone at their time: one each, and the few others added."""
    causes = places[first]
    own = [np.arange(first.size)] if len(codes) == 1 else _places_of(causes, codes)
    if extra.size == 0:
        return _one_each(first.size), tuple(own), tuple(_one_each(one.size) for one in own)
    column = np.searchsorted(first, extra) - 1
    events = _ones(first.size)
    np.add.at(events, column, 1.0)
    if len(codes) == 1:
        return events, tuple(own), (events,)
    counts = []
    of_extra = places[extra]
    for number, code in enumerate(codes):
        place, more = own[number], column[of_extra == code - 1]
        new = np.unique(more[causes[more] != code - 1])
        if new.size:
            place = own[number] = np.insert(place, np.searchsorted(place, new), new)
        count = _ones(place.size)
        count[np.searchsorted(place, new)] = 0.0
        np.add.at(count, np.searchsorted(place, more), 1.0)
        counts.append(count)
    return events, tuple(own), tuple(counts)


def _places_of(causes: PlaceArray, codes: Sequence[int]) -> list[IntArray]:
    return [(causes == code - 1).nonzero()[0] for code in codes]


def _count_runs(
    key: KeyArray, causes: PlaceArray, begins: IntArray, codes: Sequence[int]
) -> _Counts:
    """Count events of which many share a time: one run of equal keys a time and cause."""
    starts = _starts_of_runs(key)
    counts = _lengths(starts, key.size).astype(np.float64)
    causes = causes[starts]
    column = np.searchsorted(begins, starts, side="right") - 1
    of_cause = _places_of(causes, codes)
    events = _lengths(begins, key.size).astype(np.float64)
    return (
        events,
        tuple(column[chosen] for chosen in of_cause),
        tuple(counts[chosen] for chosen in of_cause),
    )


def _one_each(size: int) -> FloatArray:
    """Return ones to read only, which take no memory."""
    return np.broadcast_to(np.float64(1.0), (size,))


def _ones(size: int) -> FloatArray:
    ones = np.empty(size)
    ones.fill(1.0)
    return ones


def _starts_of_runs(values: KeyArray) -> IntArray:
    """Return where a value differs from the one before, the first place included."""
    starts = np.ones(values.size, dtype=np.bool_)
    np.not_equal(values[1:], values[:-1], out=starts[1:])
    return starts.nonzero()[0]


def _lengths(starts: IntArray, size: int) -> IntArray:
    """Return how long each run is."""
    return np.append(starts[1:], size) - starts


def all_who_fail(at_risk: FloatArray, events: FloatArray) -> FloatArray:
    """Return the events, made equal to those at risk where they differ only by rounding."""
    return np.where(np.abs(at_risk - events) <= 1e-10 * at_risk, at_risk, events)


def spread_counts(grid: FloatArray, time: FloatArray, count: FloatArray) -> FloatArray:
    """Put counts at some of the grid's times onto the whole grid, zero elsewhere."""
    if time.size == grid.size:
        return count
    spread = np.zeros(grid.size)
    spread[np.searchsorted(grid, time)] = count
    return spread


def refuse_empty_risk_set(
    time: FloatArray, at_risk: FloatArray, events: FloatArray, counter: RiskCounter
) -> None:
    """Refuse a curve that delayed entry would nail to zero, or that crosses an empty stretch.

    Raises
    ------
    RefusedEstimateError
        When nobody is under observation for a while after an event and people enter later, or all
        at risk fail at the very time at which others enter: every later value would be a product
        with an unknown factor, or with 0.
    """
    if counter.entries is None or time.size == 0:
        return
    later = counter.exits[counter.exits >= time[0]]
    distinct = np.concatenate([later[:1], later[1:][later[1:] != later[:-1]]])
    is_empty = (counter.just_after(distinct) <= 1e-9) & (distinct < counter.exits[-1])
    nailed = time[(events >= at_risk) & (time < counter.exits[-1])]
    if not is_empty.any() and nailed.size == 0:
        return
    when = float(min([*distinct[is_empty][:1], *nailed[:1]]))
    behind = int((counter.entries >= when).sum())
    why = "everyone at risk then had the event" if when in nailed else "nobody was at risk after it"
    raise RefusedEstimateError(
        f"The risk set is empty after time {when:g} ({why}) while {behind} enter at or after it: "
        "with delayed entry the curve cannot be carried across. Start the clock later (a "
        "landmark), or leave the early entries out.",
        time=when,
    )
