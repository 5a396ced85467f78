"""What the truth implies: figures that an unbiased analysis of the files must come near to.

Each figure belongs to one named estimand (``ESTIMANDS`` says in words what it is). Regrowth without
detection and death from other causes have closed forms given the covariates and are averaged over
drawn tumours; all else is simulated from the same processes as the department, in a world where
nobody leaves follow-up (and, for the net figures, nobody dies). ``expected_figures.json`` holds the
committed figures with seed, size, Monte Carlo standard errors and the hash of the parameters;
``python -m synthetic_cohort.expected --write`` makes it anew.

Only first tumours are simulated. A department's few second eyes and second tumours (under 2 %) have
the same distributions.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from synthetic_cohort.department import Treated, treat_first
from synthetic_cohort.disease import Lives, People, draw_lives, draw_people, failure_ratio
from synthetic_cohort.hazards import (
    NEVER_DAYS,
    Flags,
    Floats,
    Ints,
    cumulative_hazard,
    gompertz_survival,
)
from synthetic_cohort.kept_figures import Figure, Figures, KeptFigures
from synthetic_cohort.large_sample import LIMITS, find_limits
from synthetic_cohort.toxicity import FOR_FAILURE, Harm, Removals, draw_harm, draw_removals
from synthetic_cohort.truth import (
    DATA_CUT,
    DAYS_PER_YEAR,
    FIRST_IMPLANT_DATE,
    LAST_IMPLANT_DATE,
    TRUTH,
    Truth,
)
from synthetic_cohort.vision import draw_readings, draw_sight, latent_logmar

YEARS = (1.0, 2.0, 3.0, 5.0, 8.0)
SIMULATED = 2_000_000
SEED = 20141
CHUNK = 25_000

LEVELS = {"6_60": 35, "6_12": 70}
"""Levels of acuity and the fewest letters that reach them."""

ESTIMANDS = {
    "local_control_net": (
        "Share of tumours without a detected local failure if nobody died, left follow-up or lost "
        "the eye otherwise; failure is dated at the visit that establishes it. What Kaplan-Meier "
        "with censoring at the last assessed visit estimates."
    ),
    "local_control_net_onset": (
        "The same with failure dated when regrowth sets in; closed form given the covariates."
    ),
    "local_failure_incidence": (
        "Share of all tumours with a detected failure by then; death and removal of the eye for "
        "another reason compete."
    ),
    "eye_removed_otherwise_incidence": (
        "Share of tumours whose eye was removed for another reason before any detected failure."
    ),
    "death_before_failure_incidence": (
        "Share of tumours whose patient died before failure or removal of the eye."
    ),
    "eye_retention_net": "Share of eyes kept if nobody died.",
    "eye_loss_incidence": "Share of all eyes removed by then; death competes.",
    "metastasis_free_net": "Share without metastasis if nobody died of anything else.",
    "metastasis_incidence": "Share with established metastasis by then; death without it competes.",
    "overall_survival": "Share alive.",
    "melanoma_death_incidence": "Share dead of metastatic melanoma; other death competes.",
    "other_death_incidence": "Share dead of other causes; melanoma death competes.",
    "other_or_unknown_death_incidence": (
        "Share dead of other causes or of a cause that no certificate gives; death known to be of "
        "melanoma competes. What the main analysis of melanoma death calls other death."
    ),
    "other_death_net": (
        "Share that would have died of other causes if nobody died of melanoma; closed form."
    ),
}

KEPT = KeptFigures(
    Path(__file__).with_name("expected_figures.json"), "synthetic_cohort.expected", ESTIMANDS
)
_VISION = {
    "loss_latent_net": (
        "Eyes read at {0} or better at baseline: share whose latent acuity fell below {0} and "
        "stayed there for 120 days, or that were removed, if no one died (30-day steps)."
    ),
    "loss_latent_incidence": (
        "The same with death competing: the target of the illness-death model."
    ),
    "loss_seen_net": (
        "The same eyes: share with a confirmed loss if no one died, dated at the first visit that "
        "read below {0} (confirmed by the next reading or by removal), or at removal."
    ),
    "loss_seen_incidence": "The same with death competing.",
    "alive_eye_kept_at_or_above": (
        "The same eyes: share alive, eye kept, latent acuity {0} or better on that day."
    ),
}
ESTIMANDS |= {
    f"vision_{level}_{name}": text.format(level.replace("_", "/"))
    for level in LEVELS
    for name, text in _VISION.items()
}

_STATES = {
    "useful_vision": "alive, eye kept and controlled, the last reading at least 6/60",
    "useful_vision_lost": "alive, eye kept and controlled, the last reading below 6/60",
    "failed": "alive, the eye kept after a detected local failure",
    "eye_lost": "alive without the eye",
    "dead": "dead",
}
ESTIMANDS |= {
    f"state_{name}": f"Share of all eyes in that state on that day: {text}."
    for name, text in _STATES.items()
}

ESTIMANDS |= LIMITS

LATENT_STEP_DAYS = 30
LATENT_CONFIRMED_STEPS = 4


@dataclass(frozen=True, slots=True)
class World:
    """First tumours of simulated patients with everything that happens, nobody leaving."""

    people: People
    lives: Lives
    treated: Treated
    harm: Harm
    removals: Removals


def _day_number(day: Any) -> int:
    return int(day.toordinal()) - 719163  # 1970-01-01 is day 719163 of the proleptic calendar


def draw_world(truth: Truth, n: int, rng: np.random.Generator) -> World:
    """Draw ``n`` patients of the default accrual period, each with one tumour."""
    first, last = _day_number(FIRST_IMPLANT_DATE), _day_number(LAST_IMPLANT_DATE)
    people = draw_people(truth, n, rng, first_day=first, last_day=last)
    horizon = max(_day_number(DATA_CUT) - first, int(YEARS[-1] * DAYS_PER_YEAR) + 800)
    treated = treat_first(truth, people, horizon, rng)
    lives = draw_lives(truth, people, treated.tumours, rng)
    harm = draw_harm(truth, treated.tumours, treated.given, treated.grid, rng)
    removals = draw_removals(truth, treated.failures, harm, rng)
    return World(people, lives, treated, harm, removals)


Contributions = Iterator[tuple[str, float, Floats | Flags]]


def _by(day: Ints | Floats, years: float) -> Flags:
    return np.asarray(day <= years * DAYS_PER_YEAR)


def _closed_forms(truth: Truth, world: World) -> Contributions:
    """Regrowth and other death given each patient's covariates."""
    treated, how = world.treated, truth.mortality
    given = treated.given
    ratio = failure_ratio(truth, treated.tumours, given.apex_gy, given.with_iodine)
    female = np.log(np.where(world.people.female, how.female_ratio, 1.0))
    rate = how.gompertz_log_rate_at_60 + female
    age = world.people.age_years
    for years in YEARS:
        survived = gompertz_survival(rate, how.gompertz_per_year, age, years)
        hazard = float(cumulative_hazard(truth.local_failure.hazard, years))
        yield "local_control_net_onset", years, np.exp(-hazard * ratio)
        yield "other_death_net", years, 1.0 - survived


def _of_tumours(world: World) -> Contributions:
    failed, removed = world.treated.failures.detected_day, world.removals.day
    death = world.lives.death_days
    other = np.where(world.removals.reason == FOR_FAILURE, NEVER_DAYS, removed)
    first = np.minimum(np.minimum(failed, other), death)
    for years in YEARS:
        yield "local_control_net", years, ~_by(failed, years)
        is_failure = _by(failed, years) & (failed == first)
        yield "local_failure_incidence", years, is_failure
        is_removal = _by(other, years) & (other == first) & (failed != first)
        yield "eye_removed_otherwise_incidence", years, is_removal
        died = _by(death, years) & (death < failed) & (death < other)
        yield "death_before_failure_incidence", years, died
        yield "eye_retention_net", years, ~_by(removed, years)
        yield "eye_loss_incidence", years, _by(removed, years) & (removed <= death)


def _of_patients(truth: Truth, world: World) -> Contributions:
    lives, unknown = world.lives, truth.mortality.cause_unknown_share
    spread, death = lives.metastasis_days, lives.death_days
    of_melanoma = lives.melanoma_death_days < lives.other_death_days
    for years in YEARS:
        yield "metastasis_free_net", years, ~_by(spread, years)
        yield "metastasis_incidence", years, _by(spread, years) & (spread < death)
        yield "overall_survival", years, ~_by(death, years)
        yield "melanoma_death_incidence", years, _by(death, years) & of_melanoma
        yield "other_death_incidence", years, _by(death, years) & ~of_melanoma
        counted = _by(death, years) * np.where(of_melanoma, unknown, 1.0)
        yield "other_or_unknown_death_incidence", years, counted


def first_sustained(is_below: Flags, day: Ints, steps: int) -> Ints:
    """First day from which ``steps`` further columns in a row stay below, else ``NEVER_DAYS``.

    Examples
    --------
    >>> below = np.array([[False, True, False, True, True, True]])
    >>> first_sustained(below, np.arange(6) * 30, 2).tolist()
    [90]
    """
    width = is_below.shape[1] - steps
    held = is_below[:, :width].copy()
    for step in range(1, steps + 1):
        held &= is_below[:, step : step + width]
    return np.where(held.any(axis=1), day[held.argmax(axis=1)], NEVER_DAYS)


def first_confirmed(is_below: Flags, is_read: Flags, day: Ints, removed: Ints) -> Ints:
    """Day of the first reading below that the next reading or removal of the eye confirms.

    Removal counts as loss on its own day where no reading below went before. Shapes (n, k) and
    (n,); readings on or after the day of removal do not exist.

    Examples
    --------
    >>> day, never = np.array([[100, 200, 300]]), np.array([NEVER_DAYS])
    >>> read = np.array([[True, True, True]])
    >>> first_confirmed(np.array([[True, False, True]]), read, day, never).tolist()
    [1000000]
    >>> first_confirmed(np.array([[True, False, True]]), read, day, np.array([350])).tolist()
    [300]
    """
    read = is_read & (day < removed[:, None])
    confirmed = removed < NEVER_DAYS
    answer = np.where(removed < NEVER_DAYS, removed, NEVER_DAYS).astype(np.int64)
    for column in range(day.shape[1] - 1, -1, -1):
        here, below = read[:, column], is_below[:, column]
        answer = np.where(here & below & confirmed, day[:, column], answer)
        confirmed = np.where(here, below, confirmed)
    return answer


def _of_vision(truth: Truth, world: World, rng: np.random.Generator) -> Contributions:
    treated, removed, death = world.treated, world.removals.day, world.lives.death_days
    n = len(removed)
    sight = draw_sight(truth, treated.tumours, world.harm, rng)
    at_zero = latent_logmar(truth, sight, np.zeros((n, 1), np.int32))
    baseline = draw_readings(truth, at_zero, rng).letters()[:, 0]
    grid = treated.grid
    letters = draw_readings(truth, latent_logmar(truth, sight, grid.day), rng).letters()
    is_read = grid.attended & (rng.random(grid.day.shape) >= truth.missing.acuity)
    steps = int(YEARS[-1] * DAYS_PER_YEAR / LATENT_STEP_DAYS) + LATENT_CONFIRMED_STEPS + 2
    days = np.arange(steps, dtype=np.int32) * LATENT_STEP_DAYS
    course = latent_logmar(truth, sight, np.broadcast_to(days, (n, steps)))
    for level, fewest in LEVELS.items():
        limit = (85.5 - fewest) / 50.0
        latent = first_sustained(course > limit, days.astype(np.int64), LATENT_CONFIRMED_STEPS)
        latent = np.minimum(latent, removed)
        seen = first_confirmed(letters < fewest, is_read, grid.day.astype(np.int64), removed)
        at_risk = baseline >= fewest
        for years in YEARS:
            today = np.full((n, 1), round(years * DAYS_PER_YEAR), np.int32)
            above = latent_logmar(truth, sight, today)[:, 0] <= limit
            kept = above & ~_by(removed, years) & ~_by(death, years)
            for name, answer in (
                ("loss_latent_net", _by(latent, years)),
                ("loss_latent_incidence", _by(latent, years) & (latent <= death)),
                ("loss_seen_net", _by(seen, years)),
                ("loss_seen_incidence", _by(seen, years) & (seen <= death)),
                ("alive_eye_kept_at_or_above", kept),
            ):
                yield f"vision_{level}_{name}", years, answer[at_risk]
    yield from _of_states(world, baseline, letters, is_read)


def _of_states(world: World, baseline: Floats, letters: Floats, is_read: Flags) -> Contributions:
    """Where each eye is, its vision that of the last reading (baseline before the first)."""
    removed, death = world.removals.day, world.lives.death_days
    day, failed = world.treated.grid.day, world.treated.failures.detected_day
    for years in YEARS:
        read = is_read & (day <= years * DAYS_PER_YEAR)
        last = np.where(read, day, -1).argmax(axis=1)
        latest = np.take_along_axis(letters, last[:, None], axis=1)[:, 0]
        useful = np.where(read.any(axis=1), latest, baseline) >= LEVELS["6_60"]
        is_dead, is_gone = _by(death, years), _by(removed, years)
        is_failed = _by(failed, years)
        kept = ~is_dead & ~is_gone
        yield "state_useful_vision", years, kept & ~is_failed & useful
        yield "state_useful_vision_lost", years, kept & ~is_failed & ~useful
        yield "state_failed", years, kept & is_failed
        yield "state_eye_lost", years, ~is_dead & is_gone
        yield "state_dead", years, is_dead


def _find_limits(truth: Truth, n: int, rng: np.random.Generator, chunk: int) -> Figures:
    days = (_day_number(FIRST_IMPLANT_DATE), _day_number(LAST_IMPLANT_DATE), _day_number(DATA_CUT))
    found = find_limits(truth, n, rng, days=days, years=YEARS, chunk=chunk)
    return {
        name: {years: Figure(*figure) for years, figure in by_year.items()}
        for name, by_year in found.items()
    }


def simulate(truth: Truth, n: int, rng: np.random.Generator, *, chunk: int = CHUNK) -> Figures:
    """Work out every figure from ``n`` simulated patients.

    Returns
    -------
    Figures by estimand and years since treatment.
    """
    sums: dict[tuple[str, float], Floats] = defaultdict(lambda: np.zeros(3))
    for start in range(0, n, chunk):
        world = draw_world(truth, min(chunk, n - start), rng)
        parts = (_closed_forms(truth, world), _of_tumours(world), _of_patients(truth, world))
        for part in (*parts, _of_vision(truth, world, rng)):
            for name, years, values in part:
                numbers = np.asarray(values, dtype=float)
                sums[name, years] += (len(numbers), numbers.sum(), (numbers**2).sum())
    figures: Figures = {name: {} for name in ESTIMANDS}
    for name, limits in _find_limits(truth, n, rng, chunk).items():
        figures[name] = limits
    for (name, years), (count, total, squares) in sums.items():
        mean = total / count
        variance = max(squares / count - mean**2, 0.0)
        figures[name][years] = Figure(mean, float(np.sqrt(variance / count)), int(count))
    return figures


def write_figures(truth: Truth = TRUTH, n: int = SIMULATED, seed: int = SEED) -> None:
    """Simulate and write ``expected_figures.json``."""
    figures = simulate(truth, n, np.random.default_rng(seed))
    KEPT.write(figures, truth=truth, patients=n, seed=seed)


def read_figures(truth: Truth = TRUTH) -> Figures:
    """Read the committed figures; ``ValueError`` if they were made from other parameters.

    Examples
    --------
    >>> 0.85 < read_figures()["local_control_net"][5.0].value < 0.95
    True
    """
    return KEPT.read(truth)


if __name__ == "__main__":
    sys.exit(KEPT.answer(sys.argv[1:], write_figures))
