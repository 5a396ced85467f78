"""Nothing after the data cut leaks in, on either of its two dates.

A drawn department is loaded into memory; everything dated (or recorded) after a cut is then
rewritten into its opposite, and every end point at that cut must come out as before.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analysis.outcomes.baseline import read_baseline
from analysis.outcomes.cohort import CohortRules, DataCut, flow
from analysis.outcomes.end_points import END_POINTS
from analysis.outcomes.outcome import read_outcome_table
from analysis.outcomes.vision_course import cataract_surgery_days, read_readings
from analysis.outcomes.vision_history import VisionRules, date_losses, read_histories
from analysis.outcomes.vision_levels import at_least, loss_of
from registry.intake import take_in
from registry.records import TABLES
from registry.store import create_store, open_store
from synthetic_cohort.cohort import draw_department, write_files
from synthetic_cohort.truth import TRUTH

AT = datetime(2026, 1, 5)
FIRST_DAY = date(2014, 1, 1)


@pytest.fixture(scope="module")
def department(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """Yield a connection that holds a small drawn department, with as-of macros over it."""
    folder: Path = tmp_path_factory.mktemp("department")
    write_files(draw_department(TRUTH, 60, np.random.default_rng(7)), folder / "files")
    store_path = folder / "drawn.registry"
    create_store(store_path, centre_id="invented", by="tester", at=AT)
    assert take_in(store_path, [folder / "files"], by="tester", why="test", at=AT).taken
    connection = duckdb.connect()
    with open_store(store_path) as store:
        for name in TABLES:
            rows = store.connection.sql(f"SELECT * FROM {name}").to_arrow_table()
            connection.register("loaded", rows)
            connection.execute(f"CREATE TABLE {name} AS SELECT * FROM loaded")
            connection.unregister("loaded")
    for name in TABLES:
        connection.execute(
            f"CREATE MACRO {name}_as_of(until) AS TABLE"
            f" SELECT * FROM {name} WHERE recorded_at <= until"
        )
    yield connection
    connection.close()


def figures(connection: Any, cut: DataCut) -> list[Any]:
    """Everything an audit computes from: end points, flow and baseline."""
    found: list[Any] = []
    for end_point in END_POINTS.values():
        table = read_outcome_table(connection, end_point, cut, CohortRules())
        found.append([table.unit_id, table.time_days.tolist(), table.status.tolist()])
        found.append([str(table.death_days.tolist()), table.vital_known_days.tolist()])
        found.append([table.last_known_free_days.tolist(), table.entry_days.tolist()])
        found.append(flow(connection, end_point.unit, cut, CohortRules()))
    found.append(read_baseline(connection, cut, CohortRules()))
    for level in (at_least("6/12"), loss_of("0.3")):
        eyes = read_histories(connection, level, cut, CohortRules(), VisionRules())
        found.append([eyes.reason.tolist(), eyes.vital_days.tolist(), str(eyes.death_days)])
        for reading in ("confirmed", "unconfirmed_counts"):
            losses = date_losses(eyes, reading)
            found.append([losses.last_above.tolist(), losses.first_below.tolist()])
            found.append(losses.time_days.tolist())
    rules = (eyes, cut, CohortRules(), VisionRules())
    found.append(read_readings(connection, *rules).rank.tolist())
    found.append(str(cataract_surgery_days(connection, *rules).tolist()))
    return found


REWRITE_LATER_EVENTS = (
    "UPDATE visit SET local_status = 'failed', acuity_letters = 0 WHERE visit_date > $cut",
    "DELETE FROM event WHERE event_date > $cut",
    "INSERT INTO event BY NAME SELECT e.* REPLACE ('X' || e.event_id AS event_id,"
    " CAST($cut + 1 AS DATE) AS event_date, 'enucleation' AS kind) FROM event e",
    "UPDATE patient SET death_date = CAST($cut + 1 AS DATE), death_cause = 'other_cause'"
    " WHERE death_date > $cut OR death_date IS NULL",
    "UPDATE patient SET metastasis_date = CAST($cut + 1 AS DATE)"
    " WHERE metastasis_date > $cut OR metastasis_date IS NULL",
    "DELETE FROM implant WHERE CAST(inserted_at AS DATE) > $cut",
)


@settings(
    max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(days=st.integers(min_value=200, max_value=4000))
def test_what_happens_after_the_cut_changes_nothing(department: Any, days: int) -> None:
    cut = FIRST_DAY + timedelta(days=days)
    before = figures(department, DataCut(cut))
    department.execute("BEGIN")
    try:
        for statement in REWRITE_LATER_EVENTS:
            department.execute(statement, {"cut": cut})
        assert figures(department, DataCut(cut)) == before
    finally:
        department.execute("ROLLBACK")


@settings(
    max_examples=5, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(hour=st.integers(min_value=0, max_value=23))
def test_what_is_recorded_after_the_cut_changes_nothing(department: Any, hour: int) -> None:
    """A half of the visits and events is moved to a later record date; it must not matter how."""
    until = AT + timedelta(hours=hour)
    cut = DataCut(date(2024, 12, 31), until)
    department.execute("BEGIN")
    try:
        later = {"later": until + timedelta(seconds=1)}
        for name in ("visit", "event"):
            department.execute(
                f"UPDATE {name} SET recorded_at = $later WHERE hash({name}_id) % 2 = 0", later
            )
        before = figures(department, cut)
        department.execute(
            "UPDATE visit SET local_status = 'failed', acuity_letters = 0"
            " WHERE recorded_at = $later",
            later,
        )
        department.execute("DELETE FROM event WHERE recorded_at = $later", later)
        assert figures(department, cut) == before
        assert figures(department, DataCut(cut.event_date)) != before
    finally:
        department.execute("ROLLBACK")


def test_moving_the_cut_forward_never_shortens_follow_up(department: Any) -> None:
    early, late = (DataCut(date(year, 6, 30)) for year in (2019, 2023))
    for end_point in END_POINTS.values():
        first = read_outcome_table(department, end_point, early, CohortRules())
        second = read_outcome_table(department, end_point, late, CohortRules())
        place = {unit: row for row, unit in enumerate(second.unit_id)}
        for row, unit in enumerate(first.unit_id):
            if first.status[row] == 0:
                assert second.time_days[place[unit]] >= first.time_days[row]
            else:
                assert second.time_days[place[unit]] == first.time_days[row]
