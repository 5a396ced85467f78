"""The SQL of vision histories against a slow, literal reading of the definition.

Eyes are drawn at random and loaded into memory; each eye's answer is worked out once more by a
plain loop over its readings, which shares nothing with the SQL.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

import duckdb
import numpy as np
import pytest

from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.vision_course import course_by_year, pair_latest, read_readings
from analysis.outcomes.vision_history import VisionRules, date_losses, read_histories
from analysis.outcomes.vision_levels import VisionLevel, at_least, better_than, loss_of
from analysis.outcomes.vision_shares import median_rank
from registry.records import TABLES

ZERO = date(2020, 1, 1)
CUT = DataCut(date(2024, 12, 31))
OFF_CHART = ["NLP", "LP", "HM", "CF"]
TYPES = {"date": "DATE", "timestamp": "TIMESTAMP", "decimal": "DOUBLE", "integer": "INTEGER"}
N = 400


def draw_eye(rng: np.random.Generator) -> dict[str, Any]:
    """Draw readings (day, rank) around a level, sometimes close together, death and removal."""
    days = np.unique(
        np.concatenate([[-int(rng.integers(0, 130))], rng.integers(1, 1700, rng.integers(0, 9))])
    )
    near = days[days > 0][: int(rng.integers(0, 3))] + rng.integers(1, 40)
    days = np.unique(np.concatenate([days, near]))
    better = np.cumsum(rng.integers(-12, 9, len(days)))
    letters = np.clip(78 + better, -5, 95)
    rank = np.where(letters < 10, rng.integers(0, 4, len(days)), 104 + letters)
    return {
        "readings": list(zip(days.tolist(), rank.tolist(), strict=True)),
        "death": int(rng.integers(1, 2500)) if rng.random() < 0.3 else None,
        "removed": int(rng.integers(-30, 1700)) if rng.random() < 0.2 else None,
    }


def load(eyes: list[dict[str, Any]]) -> Any:
    """Put the eyes into memory behind the as-of macros that the analyses read."""
    rows: dict[str, list[dict[str, Any]]] = {name: [] for name in TABLES}
    for number, eye in enumerate(eyes):
        key = {"patient_id": f"P{number:04d}"}
        in_eye = key | {"eye": "left"}
        death = None if eye["death"] is None else ZERO + timedelta(days=eye["death"])
        rows["patient"].append(
            key
            | {
                "death_date": death if death and death <= CUT.event_date else None,
                "vital_status_date": CUT.event_date,
            }
        )
        rows["tumour"].append(in_eye | {"tumour_id": f"T{number}"})
        rows["implant"].append(
            {"implant_id": f"I{number}", "tumour_id": f"T{number}", "inserted_at": ZERO}
        )
        for day, rank in eye["readings"]:
            read = {"visit_id": f"V{number}-{day}", "visit_date": ZERO + timedelta(days=day)}
            read |= {"acuity_off_chart": OFF_CHART[rank]} if rank < 4 else {}
            read |= {"acuity_letters": rank - 104} if rank >= 4 else {}
            rows["visit"].append(in_eye | read)
        if eye["removed"] is not None:
            on = {"event_date": ZERO + timedelta(days=eye["removed"]), "kind": "enucleation"}
            rows["event"].append(in_eye | on | {"event_id": f"E{number}"})
    connection = duckdb.connect()
    for name, table in TABLES.items():
        columns = ", ".join(f"{f.name} {TYPES.get(f.type, 'VARCHAR')}" for f in table.fields)
        connection.execute(f"CREATE TABLE {name} ({columns}, recorded_at TIMESTAMP)")
        recorded = {"recorded_at": datetime(2024, 1, 1)}
        for row in rows[name]:
            named = ", ".join([*row, "recorded_at"])
            places = ", ".join("?" * (len(row) + 1))
            values = [*(row | recorded).values()]
            connection.execute(f"INSERT INTO {name} ({named}) VALUES ({places})", values)
        connection.execute(
            f"CREATE MACRO {name}_as_of(until) AS TABLE"
            f" SELECT * FROM {name} WHERE recorded_at <= until"
        )
    return connection


@pytest.fixture(scope="module")
def eyes() -> list[dict[str, Any]]:
    rng = np.random.default_rng(20250301)
    return [draw_eye(rng) for _ in range(N)]


@pytest.fixture(scope="module")
def loaded(eyes: list[dict[str, Any]]) -> Any:
    connection = load(eyes)
    yield connection
    connection.close()


def keeps(level: VisionLevel, rank: int, baseline: int) -> bool:
    """Say whether a reading has the level, letter by letter."""
    letters = rank - 104 if rank >= 4 else None
    if letters is None:
        return False
    if level.kind == "at_least":
        return letters >= level.letters
    if level.kind == "better_than":
        return letters > level.letters
    return baseline >= 4 and (baseline - 104) - letters < level.letters


def answer_slowly(eye: dict[str, Any], level: VisionLevel) -> Any:
    """Work out one eye by the definition: None when not at risk, else (above, below, time)."""
    death = eye["death"] if eye["death"] is not None else 10**6
    if ZERO + timedelta(days=min(death, 5000)) > CUT.event_date:
        death = 10**6
    before = [(d, r) for d, r in eye["readings"] if -90 <= d <= 0]
    if not before:
        return None
    baseline = max(before)[1]
    if level.kind == "loss" and baseline < 4:
        return None
    if not keeps(level, baseline, baseline):
        return None
    removed = eye["removed"]
    if removed is not None and not 0 <= removed <= death:
        removed = None
    end = min(death, removed if removed is not None else 10**6)
    horizon = min(death, (CUT.event_date - ZERO).days)
    later = [(d, keeps(level, r, baseline)) for d, r in eye["readings"] if 0 < d <= end]
    last_above = 0
    for place, (day, is_kept) in enumerate(later):
        if is_kept:
            last_above = day
            continue
        for then, is_kept_then in later[place + 1 :]:
            if is_kept_then:
                break
            if then >= day + 28:
                return last_above, day, day
        else:
            if removed is not None and expect_later(later, removed, 1) <= horizon:
                return last_above, day, day
            if removed is not None:
                break
    time = later[-2][0] if len(later) > 1 else 0
    if removed is not None and not (later and not later[-1][1]):
        if expect_later(later, removed, 2) <= horizon:
            return later[-1][0] if later else 0, removed, removed
        if later and expect_later(later, removed, 1) <= horizon:
            time = later[-1][0]
    return None if time is None else (censored_free(later, time), None, time)


def expect_later(later: list[tuple[int, bool]], removed: int, count: int) -> int:
    """Day of the ``count``-th reading to come, at the interval of the last two readings."""
    last, before = [*(day for day, _ in reversed(later)), 0, 0][:2]
    return last + count * max(28, last - before if later else removed)


def censored_free(later: list[tuple[int, bool]], time: int) -> int:
    """Until when the level is known to be kept: not past readings below that nothing settles."""
    unsettled = []
    for day, is_kept in reversed(later):
        if is_kept:
            break
        unsettled.append(day)
    if time in unsettled:
        return max((day for day, is_kept in later if is_kept), default=0)
    return time


LEVELS = [at_least("6/12"), better_than("6/60"), loss_of("0.3"), loss_of("0.6")]


@pytest.mark.parametrize("level", LEVELS, ids=lambda level: level.name)
def test_the_sql_agrees_with_a_literal_reading(
    loaded: Any, eyes: list[dict[str, Any]], level: VisionLevel
) -> None:
    histories = read_histories(loaded, level, CUT, CohortRules(), VisionRules())
    losses = date_losses(histories)
    expected = [answer_slowly(eye, level) for eye in eyes]
    for row in range(N):
        below = int(losses.first_below[row]) if losses.is_loss[row] else None
        found = (int(losses.last_above[row]), below, int(losses.time_days[row]))
        is_at_risk = histories.reason[row] == 0
        assert (row, found if is_at_risk else None) == (row, expected[row])
    known = [one for one in expected if one is not None]
    assert sum(one[1] is not None for one in known) > 30
    assert len(known) > 100


@pytest.mark.parametrize("level", LEVELS, ids=lambda level: level.name)
def test_the_readings_are_ordered(loaded: Any, level: VisionLevel) -> None:
    """More readings count as loss: ignored, confirmed, unconfirmed counts, first observed."""
    histories = read_histories(loaded, level, CUT, CohortRules(), VisionRules())
    at_risk = histories.select(histories.reason == 0)
    ignored, main, counts, first = (
        date_losses(at_risk, reading)
        for reading in ("unconfirmed_ignored", "confirmed", "unconfirmed_counts", "first_observed")
    )
    assert np.all(ignored.first_below <= main.first_below)
    not_removed = np.isnan(at_risk.removed_days)
    assert np.array_equal(ignored.first_below[not_removed], main.first_below[not_removed])
    assert np.all(counts.first_below <= main.first_below)
    assert np.all(first.first_below <= counts.first_below)
    for one in (ignored, main, counts, first):
        lost = one.is_loss
        assert np.all(one.last_above <= one.first_below)
        assert np.all(one.last_above[~lost] <= one.time_days[~lost])
        assert np.all(one.time_days <= at_risk.vital_days)


def test_a_stricter_level_is_never_lost_later(loaded: Any) -> None:
    """Who is at risk of losing both loses 6/12 no later than 6/60, by first observed loss."""
    rules = (CUT, CohortRules(), VisionRules())
    upper, lower = (read_histories(loaded, at_least(name), *rules) for name in ("6/12", "6/60"))
    both = (upper.reason == 0) & (lower.reason == 0)
    strict, lax = (
        date_losses(one.select(both), "first_observed").first_below for one in (upper, lower)
    )
    assert np.all(strict <= lax)


def test_course_counts_what_a_loop_counts(loaded: Any, eyes: list[dict[str, Any]]) -> None:
    rules = (CUT, CohortRules(), VisionRules())
    histories = read_histories(loaded, at_least("6/12"), *rules)
    readings = read_readings(loaded, histories, *rules)
    year = course_by_year(histories, readings, years=(2.0,))[0]
    day, ranks, kept = 730.5, [], 0
    for eye in eyes:
        death = eye["death"] or 10**6
        removed = eye["removed"] if eye["removed"] is not None and eye["removed"] >= 0 else 10**6
        has_baseline = any(-90 <= d <= 0 for d, _ in eye["readings"])
        if not has_baseline or death <= day or (removed <= day and removed <= death):
            continue
        kept += 1
        end = min(death, removed)
        near = [(abs(d - day), -d, r) for d, r in eye["readings"] if 0 < d <= end]
        near = [one for one in near if one[0] <= 183]
        if near:
            ranks.append(min(near)[2])
    assert (year.kept, year.read) == (kept, len(ranks))
    assert year.median.value == sorted(ranks)[(len(ranks) - 1) // 2]
    assert year.at_least_6_12.count == sum(rank >= 174 for rank in ranks)
    assert year.off_chart.count == sum(rank < 4 for rank in ranks)


def test_latest_is_the_last_reading_in_use(loaded: Any, eyes: list[dict[str, Any]]) -> None:
    rules = (CUT, CohortRules(), VisionRules())
    histories = read_histories(loaded, at_least("6/12"), *rules)
    expected = []
    for eye in eyes:
        death = eye["death"] if eye["death"] is not None else 10**6
        removed = eye["removed"] if eye["removed"] is not None else 10**6
        end = min(death, removed if 0 <= removed <= death else 10**6)
        before = [one for one in eye["readings"] if -90 <= one[0] <= 0]
        later = [one for one in eye["readings"] if 0 < one[0] <= end]
        if before and later:
            expected.append((max(before)[1], max(later)[1]))
    assert pair_latest(histories, read_readings(loaded, histories, *rules)) == expected


def test_limits_of_a_median_hold_their_level() -> None:
    """The order statistics cover at least 95 % and not much more at n = 40."""
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(2000):
        limits = median_rank(rng.integers(0, 10_001, 40))
        held += bool(limits.lower is not None and limits.lower <= 5000 <= (limits.upper or 0))
    assert 0.945 < held / 2000 < 0.98


@pytest.mark.parametrize("n", [6, 7, 10, 25, 40, 101])
def test_limits_of_a_median_are_scipys(n: int) -> None:
    """The confidence interval of scipy.stats.quantile_test (order statistics, Conover 1999)."""
    from scipy.stats import quantile_test

    ranks = np.random.default_rng(n).permutation(10 * n)[:n]
    outside = quantile_test(ranks, q=0, p=0.5).confidence_interval(0.95)
    found = median_rank(ranks)
    assert (found.lower, found.upper) == (outside.low, outside.high)
