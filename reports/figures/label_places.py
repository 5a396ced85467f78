"""Labels beside curves, moved apart so that they can be read."""

from __future__ import annotations

import itertools


def spread(heights: list[float], gap: float) -> list[float]:
    """Move heights in ascending order apart until neighbours are ``gap`` from each other.

    >>> spread([0.0, 0.25, 2.0], 0.5)
    [-0.125, 0.375, 2.0]
    """
    placed = list(heights)
    for _ in range(200):
        for k, (low, high) in enumerate(itertools.pairwise(placed)):
            if high - low < gap - 1e-6:
                push = (gap - (high - low)) / 2
                placed[k], placed[k + 1] = low - push, high + push
    return placed
