"""Do the vision estimates give back the truth, and what do the naive ones give instead?

Draws departments, loads their files into memory (acuity read as at intake), and analyses the loss
of 6/60 and 6/12 as the audit does. Every estimate is set against the figure that it aims at, from
``synthetic_cohort.expected``: *latent* figures date a loss when it happens, *seen* ones at the
visit; *net* figures are of a world in which no one dies. *Read between visits* is simulated here: a
loss that readings confirm, placed at random after the last reading above. It differs from latent
where readings scatter round the level (6/12), and is what interval-censored estimates can see.
Below them stand forms that papers use for
another question than theirs, with the bias they have for the share of patients who lose vision.

Run: python -m benchmarks.vision_recovery [MINUTES] > benchmarks/vision_recovery.md
"""

from __future__ import annotations

import sys
import time
from functools import lru_cache
from typing import Any

import duckdb
import numpy as np
import pandas as pd

from analysis.estimators.competing_risks import aalen_johansen
from analysis.estimators.observations import RightCensored
from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.end_points import DAYS_PER_YEAR
from analysis.outcomes.outcome import Estimation
from analysis.outcomes.vision import Vision, VisionGroup, analyse_vision
from analysis.outcomes.vision_history import VisionRules
from analysis.outcomes.vision_levels import at_least
from registry.acuity import read_acuity
from registry.records import TABLES
from reports.vision_curves import loss_band
from synthetic_cohort import expected
from synthetic_cohort.cohort import draw_department
from synthetic_cohort.hazards import NEVER_DAYS
from synthetic_cohort.truth import DATA_CUT, TRUTH
from synthetic_cohort.vision import draw_readings, draw_sight, latent_logmar

PATIENTS, RESAMPLES, FIRST_SEED = 500, 100, 70_000
TIMES = (1.0, 2.0, 3.0, 5.0, 8.0)
LEVELS = ("6/60", "6/12")
TYPES = {"date": "DATE", "timestamp": "TIMESTAMP", "decimal": "DOUBLE", "integer": "INTEGER"}

BETWEEN = "loss_read_between_visits_incidence"

# estimate, the figure that it aims at, whether its interval is counted
ROWS: tuple[tuple[str, str, bool], ...] = (
    ("illness-death, confirmed (main)", "loss_read_between_visits_incidence", True),
    ("alive, eye and level kept (main)", "alive_eye_kept_at_or_above", True),
    ("if no one died (NPMLE)", "loss_read_between_visits_net", True),
    ("own clocks, dated at the visit", "loss_seen_incidence", True),
    ("1 - Kaplan-Meier, dated at the visit", "loss_seen_net", True),
    ("illness-death, confirmed, against latent", "loss_latent_incidence", True),
    ("naive: NPMLE read as a share of patients", "loss_read_between_visits_incidence", False),
    ("naive: 1 - Kaplan-Meier read as a share of patients", "loss_seen_incidence", False),
    ("naive: one clock (dead at death, living at the last visit)", "loss_seen_incidence", False),
    ("naive: unconfirmed last visit counts, 1 - Kaplan-Meier", "loss_seen_net", False),
    ("naive: unconfirmed last visit ignored, 1 - Kaplan-Meier", "loss_seen_net", False),
    ("naive: first observed loss, 1 - Kaplan-Meier", "loss_seen_net", False),
    ("naive: unconfirmed last visit counts, illness-death", BETWEEN, False),
    ("naive: unconfirmed last visit ignored, illness-death", BETWEEN, False),
    ("naive: first observed loss, illness-death", BETWEEN, False),
)


@lru_cache(maxsize=100_000)
def _read(text: str, notation: str) -> tuple[int | None, str | None]:
    read = read_acuity(text, notation or None)
    return read.letters, read.off_chart


def load(department: dict[str, pd.DataFrame]) -> Any:
    """Put a drawn department into memory behind the as-of macros that the analyses read."""
    connection = duckdb.connect()
    connection.execute("SET threads = 1")
    for name, table in TABLES.items():
        rows = department.get(name, pd.DataFrame()).copy()
        if name == "visit":
            read = [
                _read(text, notation) if text else (None, None)
                for text, notation in zip(rows["acuity"], rows["acuity_notation"], strict=True)
            ]
            rows["acuity_letters"] = ["" if one[0] is None else str(one[0]) for one in read]
            rows["acuity_off_chart"] = [one[1] or "" for one in read]
        columns = []
        for field in table.fields:
            kind = TYPES.get(field.type, "VARCHAR")
            found = f"NULLIF({field.name}, '')" if field.name in rows else "NULL"
            columns.append(f"CAST({found} AS {kind}) AS {field.name}")
        source = "rows" if len(rows) else "(SELECT 1) WHERE false"
        connection.execute(
            f"CREATE TABLE {name} AS SELECT {', '.join(columns)},"
            f" TIMESTAMP '2025-01-01' AS recorded_at FROM {source}"
        )
        connection.execute(
            f"CREATE MACRO {name}_as_of(until) AS TABLE"
            f" SELECT * FROM {name} WHERE recorded_at <= until"
        )
    return connection


def one_clock(group: VisionGroup) -> np.ndarray:
    """Incidence by the usual mix: the dead leave at death, the living at their last visit."""
    table = group.outcome.table
    died = (table.status == 0) & ~np.isnan(table.death_days)
    time_days = np.where(died, table.death_days, table.time_days)
    status = np.where(table.status == 1, 1, np.where(died, 2, 0))
    found = aalen_johansen(RightCensored.of(time_days + 1, status))
    return np.asarray(found.cause(1).at(np.asarray(TIMES) * DAYS_PER_YEAR + 1).estimate)


def kaplan_meier(group: VisionGroup) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """One minus Kaplan-Meier with its limits."""
    assert group.outcome.kaplan_meier is not None
    read = group.outcome.kaplan_meier.at(np.asarray(TIMES) * DAYS_PER_YEAR)
    return 1 - read.estimate, 1 - read.upper, 1 - read.lower


def estimates(vision: Vision) -> dict[str, tuple[np.ndarray, ...]]:
    """Read every estimate at ``TIMES``, with limits where they are counted."""
    group = vision.whole
    place = np.searchsorted(group.times_years, TIMES)
    assert group.occupation is not None
    assert group.limits is not None
    assert group.npmle is not None
    assert group.npmle_limits is not None
    assert group.outcome.cumulative_incidence is not None
    band = loss_band(group)
    free = group.npmle.at(TIMES)
    net = 1 - (free.lowest + free.highest) / 2
    own = group.outcome.cumulative_incidence.cause(1).at(np.asarray(TIMES) * DAYS_PER_YEAR)
    limits, net_limits = group.limits, group.npmle_limits
    found: dict[str, tuple[np.ndarray, ...]] = {
        ROWS[0][0]: (band.estimate[place], band.lower[place], band.upper[place]),
        ROWS[1][0]: (
            group.occupation.above[place],
            limits.above_lower[place],
            limits.above_upper[place],
        ),
        ROWS[2][0]: (net, 1 - net_limits.upper[place], 1 - net_limits.lower[place]),
        ROWS[3][0]: (own.estimate, own.lower, own.upper),
        ROWS[4][0]: kaplan_meier(group),
        ROWS[5][0]: (band.estimate[place], band.lower[place], band.upper[place]),
        ROWS[6][0]: (net,),
        ROWS[7][0]: (kaplan_meier(group)[0],),
        ROWS[8][0]: (one_clock(group),),
    }
    words = {"unconfirmed last visit counts", "unconfirmed last visit ignored"}
    for variant in vision.sensitivity:
        other = variant.groups[0]
        name = variant.name if variant.name in words else "first observed loss"
        assert other.occupation is not None
        found[f"naive: {name}, 1 - Kaplan-Meier"] = (kaplan_meier(other)[0],)
        found[f"naive: {name}, illness-death"] = (other.occupation.loss_incidence[place],)
    return found


def run(minutes: float) -> tuple[dict[str, dict[str, list[tuple[np.ndarray, ...]]]], int]:
    """Analyse departments until the time is over."""
    found: dict[str, dict[str, list[tuple[np.ndarray, ...]]]] = {level: {} for level in LEVELS}
    began, count = time.perf_counter(), 0
    while time.perf_counter() - began < 60 * minutes:
        rng = np.random.default_rng(FIRST_SEED + count)
        connection = load(draw_department(TRUTH, PATIENTS, rng))
        for level in LEVELS:
            vision = analyse_vision(
                connection,
                at_least(level),
                DataCut(DATA_CUT),
                rules=CohortRules(),
                vision=VisionRules(),
                how=Estimation(replicates=100, seed=FIRST_SEED + count),
                resamples=RESAMPLES,
                at_years=TIMES,
            )
            for name, values in estimates(vision).items():
                found[level].setdefault(name, []).append(values)
        connection.close()
        count += 1
    return found, count


def simulate_between_visits(n: int, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Shares with a confirmed loss, placed at random between visits; nobody leaves follow-up."""
    world = expected.draw_world(TRUTH, n, rng)
    removed, death, grid = world.removals.day, world.lives.death_days, world.treated.grid
    sight = draw_sight(TRUTH, world.treated.tumours, world.harm, rng)
    at_zero = latent_logmar(TRUTH, sight, np.zeros((n, 1), np.int32))
    baseline = draw_readings(TRUTH, at_zero, rng).letters()[:, 0]
    letters = draw_readings(TRUTH, latent_logmar(TRUTH, sight, grid.day), rng).letters()
    is_read = grid.attended & (rng.random(grid.day.shape) >= TRUTH.missing.acuity)
    day = grid.day.astype(np.int64)
    found = {}
    for level, fewest in expected.LEVELS.items():
        below, risk = letters < fewest, baseline >= fewest
        seen = expected.first_confirmed(below, is_read, day, removed)
        before = is_read & (day < removed[:, None]) & (day < seen[:, None]) & ~below
        last_above = np.where(before, day, 0).max(axis=1)
        lost = (last_above + (seen - last_above) * rng.random(n))[risk]
        by = np.asarray(TIMES) * DAYS_PER_YEAR
        is_lost = (lost[:, None] <= by) & (seen[risk] < NEVER_DAYS)[:, None]
        found[f"vision_{level}_loss_read_between_visits_net"] = is_lost.mean(axis=0)
        alive = (lost <= death[risk])[:, None]
        found[f"vision_{level}_{BETWEEN}"] = (is_lost & alive).mean(axis=0)
    return found


def read_truth() -> dict[str, np.ndarray]:
    """Read the committed figures at ``TIMES`` and simulate those between visits."""
    rng = np.random.default_rng(FIRST_SEED - 1)
    drawn = [simulate_between_visits(20_000, rng) for _ in range(5)]
    truth = {name: np.mean([one[name] for one in drawn], axis=0) for name in drawn[0]}
    for name, figures in expected.read_figures().items():
        if name.startswith("vision_") and set(TIMES) <= set(figures):
            truth[name] = np.asarray([figures[t].value for t in TIMES])
    return truth


def _cell(values: np.ndarray, truth: float) -> str:
    known = 100 * values[np.isfinite(values)]
    if known.size < 2:
        return "-"
    error = known.std(ddof=1) / np.sqrt(known.size)
    return f"{known.mean():.1f} ({known.mean() - 100 * truth:+.1f}; {error:.2f})"


def print_level(
    level: str, rows: dict[str, list[tuple[np.ndarray, ...]]], figures: dict[str, np.ndarray]
) -> None:
    """Print one level's table of bias and of coverage."""
    key = f"vision_{level.replace('/', '_')}_"
    heads = " | ".join(f"{t:g} years" for t in TIMES)
    print(f"\n## Loss of at least {level}\n")
    print(f"| estimate, mean % (bias; Monte Carlo SE) | aims at | {heads} |")
    print("|---|---|" + "---|" * len(TIMES))
    for name, aim, _ in ROWS:
        values = np.asarray([one[0] for one in rows[name]])
        truth = figures[key + aim]
        cells = [_cell(values[:, k], truth[k]) for k in range(len(TIMES))]
        print(f"| {name} | {aim.replace('_', ' ')} | " + " | ".join(cells) + " |")
    for aim in dict.fromkeys(aim for _, aim, _ in ROWS):
        cells = [f"{100 * value:.1f}" for value in figures[key + aim]]
        print(f"| truth | {aim.replace('_', ' ')} | " + " | ".join(cells) + " |")
    print(f"\n| coverage of the 95 % interval, % | aims at | {heads} |")
    print("|---|---|" + "---|" * len(TIMES))
    for name, aim, is_counted in ROWS:
        if is_counted:
            truth = figures[key + aim]
            lower, upper = (np.asarray([one[k] for one in rows[name]]) for k in (1, 2))
            held = np.where(np.isnan(lower), np.nan, (lower <= truth) & (truth <= upper))
            cells = [f"{100 * share:.1f}" for share in np.nanmean(held, axis=0)]
            print(f"| {name} | {aim.replace('_', ' ')} | " + " | ".join(cells) + " |")


def main() -> None:
    """Simulate and print the tables."""
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    found, count = run(minutes)
    print("# Loss of vision: recovery of the truth of the invented department\n")
    print(
        f"{count} departments of {PATIENTS} patients in {minutes:g} minutes, seeds from"
        f" {FIRST_SEED}, {RESAMPLES} bootstrap draws each; coverage has a Monte Carlo standard"
        f" error of about {100 * np.sqrt(0.95 * 0.05 / count):.1f} points. See the script for what"
        " each row is."
    )
    figures = read_truth()
    for level in LEVELS:
        print_level(level, found[level], figures)


if __name__ == "__main__":
    main()
