"""What the truth implies for loss of vision as readings tell it: the target of ``vision``.

A loss of vision in a registry is what readings confirm, and readings scatter: near the level an eye
can read below it twice though it is not, or regain it by cataract surgery after a confirmed loss.
So the figures that an analysis of files must come near to are those of the *confirmed* loss, not of
the latent acuity (whose figures are in :mod:`synthetic_cohort.expected`). Here the loss has its
time between the last reading above the level and the first below, at random in between, in a world
where nobody leaves follow-up. ``expected_vision_figures.json`` holds the committed figures;
``python -m synthetic_cohort.expected_vision --write`` makes it anew.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from synthetic_cohort import expected
from synthetic_cohort.expected import LEVELS, YEARS
from synthetic_cohort.hazards import NEVER_DAYS, Floats, Ints
from synthetic_cohort.kept_figures import Figure, Figures, KeptFigures
from synthetic_cohort.truth import DAYS_PER_YEAR, TRUTH, Truth
from synthetic_cohort.vision import draw_readings, draw_sight, latent_logmar

SIMULATED = 2_000_000
SEED = 20142
CHUNK = 25_000

_MEANINGS = {
    "loss_between_readings_net": (
        "Eyes read at {0} or better at baseline: share with a loss of {0} that readings (or"
        " removal of the eye) confirm, its time between the last reading above and the first below"
        " (or the removal), if no one died. What the nonparametric estimate if no one died aims at."
    ),
    "loss_between_readings_incidence": (
        "The same with death competing. What the illness-death model aims at."
    ),
    "alive_without_loss": (
        "The same eyes: share alive without such a loss so far. What the model's state 0 aims at;"
        " an eye that regains the level after a confirmed loss is not in it."
    ),
    "dead_without_loss": "The same eyes: share dead before any such loss.",
}
ESTIMANDS = {
    f"vision_{level}_{name}": text.format(level.replace("_", "/"))
    for level in LEVELS
    for name, text in _MEANINGS.items()
}

KEPT = KeptFigures(
    Path(__file__).with_name("expected_vision_figures.json"),
    "synthetic_cohort.expected_vision",
    ESTIMANDS,
)


def place_between(before: Ints, first_below: Ints, u: Floats) -> Floats:
    """Place losses between readings; not finite where there is none.

    Examples
    --------
    >>> place_between(np.array([100, 100]), np.array([200, NEVER_DAYS]), np.array([0.5, 0.5]))
    array([150.,  inf])
    """
    placed = before + (first_below - before) * u
    return np.where(first_below < NEVER_DAYS, placed, np.inf)


def draw_losses(truth: Truth, n: int, rng: np.random.Generator) -> dict[str, tuple[Floats, Floats]]:
    """Draw ``n`` patients and return, by level, days of loss and of death of the eyes at risk."""
    world = expected.draw_world(truth, n, rng)
    removed, grid = world.removals.day, world.treated.grid
    sight = draw_sight(truth, world.treated.tumours, world.harm, rng)
    at_zero = latent_logmar(truth, sight, np.zeros((n, 1), np.int32))
    baseline = draw_readings(truth, at_zero, rng).letters()[:, 0]
    letters = draw_readings(truth, latent_logmar(truth, sight, grid.day), rng).letters()
    is_read = grid.attended & (rng.random(grid.day.shape) >= truth.missing.acuity)
    day, found = grid.day.astype(np.int64), {}
    for level, fewest in LEVELS.items():
        below, risk = letters < fewest, baseline >= fewest
        seen = expected.first_confirmed(below, is_read, day, removed)
        above = is_read & ~below & (day < removed[:, None]) & (day < seen[:, None])
        last_above = np.where(above, day, 0).max(axis=1)
        lost = place_between(last_above, seen, rng.random(n))
        found[level] = lost[risk], world.lives.death_days[risk].astype(np.float64)
    return found


def simulate(
    truth: Truth, n: int, rng: np.random.Generator, years: tuple[float, ...] = YEARS
) -> Figures:
    """Work out every figure from ``n`` simulated patients, by estimand and years."""
    counts = {name: np.zeros(len(years)) for name in ESTIMANDS}
    eyes = dict.fromkeys(LEVELS, 0)
    until = np.asarray(years) * DAYS_PER_YEAR
    for start in range(0, n, CHUNK):
        for level, (lost, death) in draw_losses(truth, min(CHUNK, n - start), rng).items():
            eyes[level] += len(lost)
            is_lost, is_dead = lost[:, None] <= until, death[:, None] <= until
            first = (lost <= death)[:, None]
            for name, answer in (
                ("loss_between_readings_net", is_lost),
                ("loss_between_readings_incidence", is_lost & first),
                ("alive_without_loss", ~is_lost & ~is_dead),
                ("dead_without_loss", is_dead & ~first),
            ):
                counts[f"vision_{level}_{name}"] += answer.sum(axis=0)
    figures: Figures = {}
    for name, hits in counts.items():
        size = eyes[next(level for level in LEVELS if f"_{level}_" in name)]
        share = hits / size
        se = np.sqrt(share * (1 - share) / size)
        figures[name] = {
            at: Figure(float(share[k]), float(se[k]), size) for k, at in enumerate(years)
        }
    return figures


def write_figures(truth: Truth = TRUTH, n: int = SIMULATED, seed: int = SEED) -> None:
    """Simulate and write ``expected_vision_figures.json``."""
    figures = simulate(truth, n, np.random.default_rng(seed))
    KEPT.write(figures, truth=truth, patients=n, seed=seed)


def read_figures(truth: Truth = TRUTH) -> Figures:
    """Read the committed figures; ``ValueError`` if they were made from other parameters.

    Examples
    --------
    >>> figures = read_figures()
    >>> lost = figures["vision_6_60_loss_between_readings_incidence"][5.0].value
    >>> 0.3 < lost < figures["vision_6_60_loss_between_readings_net"][5.0].value < 0.5
    True
    """
    return KEPT.read(truth)


if __name__ == "__main__":
    sys.exit(KEPT.answer(sys.argv[1:], write_figures))
