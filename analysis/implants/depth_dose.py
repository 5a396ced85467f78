"""Depth-dose tables of certificates, read on the central axis.

A certificate states the absorbed dose rate to water at some depths from the concave surface.
Between two depths ln(dose rate) is interpolated by the monotone cubic of Fritsch and Carlson (SIAM
J Numer Anal 1980;17:238) with the slopes of Fritsch and Butland (SIAM J Sci Stat Comput
1984;5:300), which never overshoots a falling table (scipy's ``PchipInterpolator`` is the same).
Outside the table nothing is returned. All tables of a registry are held end to end in flat arrays,
so that ten thousand readings are one pass.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class DepthDoseTables:
    """Depth-dose tables laid end to end.

    Parameters
    ----------
    start
        Shape (n_tables + 1,): rows ``start[k]`` to ``start[k + 1]`` belong to table k.
    depth_mm
        Ascending within each table.
    log_rate
        ln of the dose rate at each depth; any one unit of dose rate.
    slope_per_mm
        Slope of the interpolant at each depth.
    """

    start: IntArray
    depth_mm: FloatArray
    log_rate: FloatArray
    slope_per_mm: FloatArray

    @classmethod
    def of(
        cls, table: ArrayLike, depth_mm: ArrayLike, dose_rate: ArrayLike, n_tables: int
    ) -> DepthDoseTables:
        """Build the tables from rows in any order.

        Parameters
        ----------
        table
            Which table each row belongs to, 0 to ``n_tables`` - 1. A table may be empty.
        depth_mm, dose_rate
            One value a row; dose rates above 0; no depth twice in a table.
        n_tables
            Number of tables.

        Raises
        ------
        ValueError
            For a dose rate that is not above 0, or a depth twice in a table.

        Examples
        --------
        >>> tables = DepthDoseTables.of([0, 0, 0], [0, 2, 4], [100.0, 50.0, 25.0], 1)
        >>> tables.rate_at([0, 0, 0], [1.0, 3.0, 4.1]).round(3).tolist()
        [70.711, 35.355, nan]
        """
        table = np.asarray(table, dtype=np.int64)
        depth, rate = np.asarray(depth_mm, dtype=float), np.asarray(dose_rate, dtype=float)
        if not np.all((rate > 0) & np.isfinite(rate)):
            raise ValueError(f"dose rates are above 0 and finite, found {np.min(rate)!r} at least")
        order = np.lexsort((depth, table))
        table, depth, rate = table[order], depth[order], rate[order]
        same = (np.diff(table) == 0) & (np.diff(depth) <= 0)
        if np.any(same):
            raise ValueError(f"depth {depth[1:][same][0]!r} mm is twice in one table")
        start = np.searchsorted(table, np.arange(n_tables + 1))
        log_rate = np.log(rate)
        return cls(start, depth, log_rate, _slopes(table, depth, log_rate))

    def lowest_mm(self, table: IntArray) -> FloatArray:
        """Return the least depth of each table; NaN for an empty one."""
        return self._bound(self.start[table], table)

    def highest_mm(self, table: IntArray) -> FloatArray:
        """Return the greatest depth of each table; NaN for an empty one."""
        return self._bound(self.start[np.asarray(table) + 1] - 1, table)

    def _bound(self, row: IntArray, table: IntArray) -> FloatArray:
        is_empty = self.start[np.asarray(table) + 1] == self.start[table]
        if self.depth_mm.size == 0:
            return np.full(np.shape(table), np.nan)
        return np.where(is_empty, np.nan, self.depth_mm[np.clip(row, 0, self.depth_mm.size - 1)])

    def rises_with_depth(self) -> NDArray[np.bool_]:
        """Tell which tables state a dose rate that rises somewhere with depth (shape n_tables)."""
        n = len(self.start) - 1
        table = np.repeat(np.arange(n), np.diff(self.start))
        rising = (np.diff(table) == 0) & (np.diff(self.log_rate) > 0)
        return np.bincount(table[1:][rising], minlength=n).astype(bool)

    def rate_at(self, table: ArrayLike, depth_mm: ArrayLike) -> FloatArray:
        """Return the dose rate of each table at each depth; NaN outside the table.

        Parameters
        ----------
        table
            Index of the table of each reading; negative where there is none.
        depth_mm
            Depth of each reading, of one shape with ``table``.
        """
        table, depth = np.asarray(table, dtype=np.int64), np.asarray(depth_mm, dtype=float)
        known = np.maximum(table, 0) if len(self.start) > 1 else np.zeros_like(table)
        result = np.full(np.broadcast_shapes(table.shape, depth.shape), np.nan)
        if self.depth_mm.size == 0:
            return result
        inside = (table >= 0) & (depth >= self.lowest_mm(known)) & (depth <= self.highest_mm(known))
        result[inside] = self._read(table[inside], depth[inside])
        return result

    def _read(self, table: IntArray, depth: FloatArray) -> FloatArray:
        """Read points inside their tables."""
        row = self._row_below(table, depth)
        alone = self.start[table + 1] - self.start[table] == 1
        upper = np.where(alone, row, row + 1)
        width = np.where(alone, 1.0, self.depth_mm[upper] - self.depth_mm[row])
        u = (depth - self.depth_mm[row]) / width
        at_low, at_high = self.log_rate[row], self.log_rate[upper]
        cubic = (
            at_low * (1 + 2 * u) * (1 - u) ** 2
            + at_high * u**2 * (3 - 2 * u)
            + width * self.slope_per_mm[row] * u * (1 - u) ** 2
            - width * self.slope_per_mm[upper] * u**2 * (1 - u)
        )
        return np.exp(np.where(alone, at_low, cubic))

    def _row_below(self, table: IntArray, depth: FloatArray) -> IntArray:
        """Bisect every reading at once: the row of its table that starts its interval."""
        first, last = self.start[table], np.maximum(self.start[table + 1] - 2, self.start[table])
        low, high = first.copy(), last.copy()
        while np.any(low < high):
            middle = (low + high + 1) // 2
            reached = self.depth_mm[middle] <= depth
            low = np.where(reached, middle, low)
            high = np.where(reached, high, middle - 1)
        return low


def _slopes(table: IntArray, depth: FloatArray, value: FloatArray) -> FloatArray:
    """Slopes at all rows: weighted harmonic means inside, three points at the ends."""
    slope = np.zeros_like(value)
    if value.size < 2:
        return slope
    joined = np.diff(table) == 0
    width = np.where(joined, np.diff(depth), 1.0)
    secant = np.where(joined, np.diff(value) / width, 0.0)
    inner = np.flatnonzero(joined[:-1] & joined[1:]) + 1
    slope[inner] = _harmonic(width[inner - 1], width[inner], secant[inner - 1], secant[inner])
    follows = np.concatenate(([False], joined))
    leads = np.concatenate((joined, [False]))
    first, last = np.flatnonzero(leads & ~follows), np.flatnonzero(follows & ~leads)
    is_pair = last - first == 1
    one, two = first, np.where(is_pair, first, first + 1)
    slope[first] = _end_slope(width[one], width[two], secant[one], secant[two])
    one, two = last - 1, np.where(is_pair, last - 1, last - 2)
    slope[last] = _end_slope(width[one], width[two], secant[one], secant[two])
    return slope


def _harmonic(h0: FloatArray, h1: FloatArray, d0: FloatArray, d1: FloatArray) -> FloatArray:
    turns = d0 * d1 <= 0
    w0, w1 = 2 * h1 + h0, h1 + 2 * h0
    safe0, safe1 = np.where(turns, 1.0, d0), np.where(turns, 1.0, d1)
    return np.where(turns, 0.0, (w0 + w1) / (w0 / safe0 + w1 / safe1))


def _end_slope(h0: FloatArray, h1: FloatArray, d0: FloatArray, d1: FloatArray) -> FloatArray:
    """One-sided slope that keeps the shape; the secant itself where a table has two rows."""
    slope = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
    slope = np.where(np.sign(slope) != np.sign(d0), 0.0, slope)
    overshoots = (np.sign(d0) != np.sign(d1)) & (np.abs(slope) > 3 * np.abs(d0))
    return np.where(overshoots, 3 * d0, slope)
