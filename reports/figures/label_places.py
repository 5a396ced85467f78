"""Labels beside curves, moved apart so that they can be read."""

from __future__ import annotations

import itertools
import math


def spread(heights: list[float], gap: float, *, lowest: float = -math.inf) -> list[float]:
    """Move heights in ascending order apart until neighbours are ``gap`` from each other.

    None is put below ``lowest``: bands of no height would have their labels under the axis.

    >>> spread([0.0, 0.25, 2.0], 0.5)
    [-0.125, 0.375, 2.0]
    >>> spread([0.0, 0.0, 2.0], 0.5, lowest=0.0)
    [0.0, 0.5, 2.0]
    """
    placed = list(heights)
    for _ in range(200):
        for k, (low, high) in enumerate(itertools.pairwise(placed)):
            if high - low < gap - 1e-6:
                push = (gap - (high - low)) / 2
                placed[k], placed[k + 1] = low - push, high + push
    for k, height in enumerate(placed):
        if height < lowest + k * gap:
            placed[k] = lowest + k * gap
    return placed
