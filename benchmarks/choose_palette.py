"""Search for the series colours and print them.

Criteria, all of them:
1. at least 4.5:1 on white, so that lines and series-coloured text both pass, and L* at least 20,
   so that no series reads as the black of the text;
2. any two differ by at least 0.10 in OKLab under normal, protan, deutan and tritan vision
   (Machado 2009, full severity);
3. printed in grey, any two differ by at least 6 in L*;
4. chroma in OKLab from 0.06 (no series reads as background grey) to 0.15 (none glares);
5. the first colour is given, a deep blue; hues at least 30 degrees apart under normal vision, so
   that each colour has a name of its own.
Among the sets that pass, the one with the largest smallest difference (2) wins. In use the
blue comes first, then those that differ most from it in grey.

Run ``python benchmarks/choose_palette.py``; a few seconds; the same answer each time.
"""

from __future__ import annotations

import itertools

import numpy as np

from reports.figures.palette import VISIONS, contrast, grey_lightness, seen_as

N_SERIES = 5
HOUSE_BLUE = "#114477"
GREY_STEP = 6.0
CHROMA = (0.06, 0.15)
HUE_STEP_DEGREES = 30.0


def candidates() -> list[str]:
    """Colours on a grid of the RGB cube that pass criteria 1 and 4."""
    steps = range(0, 256, 17)
    cube = (f"#{r:02x}{g:02x}{b:02x}" for r, g, b in itertools.product(steps, repeat=3))
    return [
        colour
        for colour in cube
        if contrast(colour) >= 4.5
        and grey_lightness(colour) >= 20
        and CHROMA[0] <= float(np.hypot(*seen_as(colour, "normal")[1:])) <= CHROMA[1]
    ]


def distances(colours: list[str]) -> np.ndarray:
    """Smallest difference over the visions, 0 where grey or hue are too close; (n, n)."""
    spaces = np.array([[seen_as(c, vision) for c in colours] for vision in VISIONS])
    apart = np.linalg.norm(spaces[:, :, None] - spaces[:, None, :], axis=-1).min(axis=0)
    grey = np.array([grey_lightness(c) for c in colours])
    normal = spaces[list(VISIONS).index("normal")]
    hue = np.degrees(np.arctan2(normal[:, 2], normal[:, 1]))
    turn = np.abs((hue[:, None] - hue[None, :] + 180) % 360 - 180)
    clear = (np.abs(grey[:, None] - grey[None, :]) >= GREY_STEP) & (turn >= HUE_STEP_DEGREES)
    return np.where(clear, apart, 0.0)


def grown(apart: np.ndarray, start: int, second: int) -> list[int]:
    """Add the colour furthest from those chosen, then swap single colours while it helps."""
    chosen = [start, second]
    while len(chosen) < N_SERIES:
        chosen.append(int(apart[chosen].min(axis=0).argmax()))
    for _ in range(20):
        before = list(chosen)
        for place in range(1, N_SERIES):
            rest = chosen[:place] + chosen[place + 1 :]
            chosen[place] = int(apart[rest].min(axis=0).argmax())
        if chosen == before:
            break
    return chosen


def smallest(apart: np.ndarray, chosen: list[int]) -> float:
    """The smallest difference within a set."""
    return min(float(apart[a, b]) for a, b in itertools.combinations(chosen, 2))


def main() -> None:
    """Search from many starts and print the best set."""
    colours = candidates()
    apart = distances(colours)
    first = colours.index(HOUSE_BLUE)
    sets = (grown(apart, first, second) for second in range(len(colours)) if second != first)
    best = max(sets, key=lambda chosen: smallest(apart, chosen))
    print(f"{len(colours)} candidates, smallest difference {smallest(apart, best):.3f}")
    for index in sorted(best, key=lambda i: grey_lightness(colours[i])):
        colour = colours[index]
        print(colour, f"contrast {contrast(colour):.2f}", f"L* {grey_lightness(colour):.0f}")


if __name__ == "__main__":
    main()
