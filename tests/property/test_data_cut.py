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
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from analysis.outcomes.baseline import read_baseline
from analysis.outcomes.case_record import read_case
from analysis.outcomes.case_review import list_cases
from analysis.outcomes.cohort import CohortRules, DataCut, flow
from analysis.outcomes.end_points import (
    END_POINTS,
    LOCAL_FAILURE,
    compile_contradictions,
    find_end_point,
)
from analysis.outcomes.eye_states import occupy, read_eye_states
from analysis.outcomes.follow_up_bias import find_lost, study_follow_up
from analysis.outcomes.grouping import group_units
from analysis.outcomes.landmark import from_landmark, group_by_complication
from analysis.outcomes.outcome import (
    Estimation,
    OutcomeTable,
    analyse_group,
    read_outcome_table,
)
from analysis.outcomes.toxicity import grade_findings, measure_prevalence, read_visit_days
from analysis.outcomes.vision_course import cataract_surgery_days, read_readings
from analysis.outcomes.vision_history import VisionRules, date_losses, read_histories
from analysis.outcomes.vision_levels import at_least, loss_of
from analysis.outcomes.waiting_times import read_waiting_times
from registry.records import TABLES
from registry.store import create_store, open_store
from registry.taking_in.intake import take_in
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


RULES = CohortRules()
TOXIC = ("cataract", "radiation_retinopathy:3", "anti_vegf")
"""Complications in each form of their one declaration: with lens status, by grade, a procedure."""


def figures(connection: Any, cut: DataCut) -> dict[str, Any]:
    """Everything an audit computes from, by what it is."""
    found: dict[str, Any] = {}
    tables = {}
    for name in (*END_POINTS, *TOXIC):
        end_point = find_end_point(name)
        tables[name] = read_outcome_table(connection, end_point, cut, RULES)
        found[name] = listed(tables[name])
        found[f"flow of {name}"] = flow(connection, end_point.unit, cut, RULES)
        variants = [
            listed(read_outcome_table(connection, end_point, cut, RULES, variant))
            for variant in end_point.variants
        ]
        found[f"variants of {name}"] = variants
    found["contradictions"] = connection.execute(
        compile_contradictions(LOCAL_FAILURE, RULES), cut.parameters()
    ).fetchall()
    found["baseline"] = read_baseline(connection, cut, RULES)
    found["waiting"] = str(read_waiting_times(connection, cut, RULES))
    found |= groups(connection, cut, tables["local_failure"])
    found |= vision(connection, cut) | toxicity(connection, cut, tables)
    return found | states_bias_and_cases(connection, cut, tables["local_failure"])


def listed(table: OutcomeTable) -> list[Any]:
    """Everything in an outcome table but its definition."""
    days = (table.entry_days, table.time_days, table.status, table.last_known_free_days)
    late = (table.first_known_event_days, table.death_days, table.vital_known_days, table.seen)
    names = [table.unit_id, table.tumour_id, table.first_implant_id, table.zero_date]
    return [*names, *(column.tolist() for column in days), *(str(c.tolist()) for c in late)]


def groups(connection: Any, cut: DataCut, table: OutcomeTable) -> dict[str, Any]:
    """Groups at time zero, of the dose of a first course, and at a landmark."""
    keys = {"units": list(table.unit_id), "tumours": list(table.tumour_id)}
    keys["implants"] = list(table.first_implant_id)
    where = (connection, cut)
    return {
        "by stage": group_units(*where, keys, "stage_group"),
        "by dose": group_units(*where, keys, "dose_apex_gy", (100.0,)),
        "by cataract at two years": group_by_complication(*where, RULES, table, "cataract", 730),
        "from two years": listed(from_landmark(table, 730)[0]),
    }


def vision(connection: Any, cut: DataCut) -> dict[str, Any]:
    """Histories, losses in every reading, the course and cataract surgery."""
    found: dict[str, Any] = {}
    for level in (at_least("6/12"), loss_of("0.3")):
        eyes = read_histories(connection, level, cut, RULES, VisionRules())
        found[level.name] = [eyes.reason.tolist(), eyes.vital_days.tolist(), str(eyes.death_days)]
        for reading in ("confirmed", "unconfirmed_counts"):
            losses = date_losses(eyes, reading)
            days = (losses.last_above, losses.first_below, losses.time_days)
            found[f"{level.name}, {reading}"] = [column.tolist() for column in days]
    rules = (eyes, cut, RULES, VisionRules())
    found["readings"] = read_readings(connection, *rules).rank.tolist()
    found["surgery"] = str(cataract_surgery_days(connection, *rules).tolist())
    return found


def toxicity(connection: Any, cut: DataCut, tables: dict[str, OutcomeTable]) -> dict[str, Any]:
    """Grades of every kind, visits, and who lives with a cataract."""
    seen, lost = read_visit_days(connection, cut, RULES), tables["eye_loss"]
    removed = dict(zip(lost.unit_id, lost.first_known_event_days.tolist(), strict=True))
    group = analyse_group("all", tables["cataract"], Estimation(replicates=2))
    prevalent = measure_prevalence(group, seen, removed, (1.0, 5.0))
    return {
        "grades": grade_findings(connection, cut, RULES),
        "visits": {unit: sorted(days.tolist()) for unit, days in seen.items()},
        "prevalence": str(prevalent),
    }


def states_bias_and_cases(connection: Any, cut: DataCut, table: OutcomeTable) -> dict[str, Any]:
    """Eyes over time, who was lost and why, and the cases for review."""
    states = read_eye_states(connection, cut, RULES)
    found: dict[str, Any] = {"eyes": states.unit_id, "steps": states.flow}
    for clock in (states.examined, states.vital):
        columns = (clock.unit, clock.state, clock.start, clock.stop, clock.to)
        found[f"spells {len(found)}"] = [column.tolist() for column in columns]
    if (states.vital.start <= 0).any():
        found["states"] = str(occupy(states, (), replicates=0).probability.tolist())
    found["lost"] = find_lost(table, cut).tolist()
    found["follow-up"] = str(study_follow_up(connection, table, cut, RULES, standard=(1.0, 0.9)))
    found["cases"] = str(list_cases(connection, cut, RULES))
    found["a case"] = str(read_case(connection, cut, table.tumour_id[0])) if table.n else ""
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
    "UPDATE patient SET last_contact_date = CAST($cut + 1 AS DATE), follow_up_ended_reason = 'lost'"
    " WHERE last_contact_date > $cut",
    "UPDATE patient SET vital_status_date = CAST($cut + 1 AS DATE) WHERE vital_status_date > $cut",
    "UPDATE patient SET metastasis_status_date = CAST($cut + 1 AS DATE)"
    " WHERE metastasis_status_date > $cut",
    "UPDATE visit SET lens_status = 'aphakic', thickness_mm = 9 WHERE visit_date > $cut",
    "INSERT INTO visit BY NAME SELECT v.* REPLACE ('X' || v.visit_id AS visit_id,"
    " CAST($cut + 2 AS DATE) AS visit_date, 'failed' AS local_status) FROM visit v",
    "UPDATE implant SET removed_at = CAST($cut + 3 AS TIMESTAMP), incident = 'displaced',"
    " position_at_removal = 'shifted' WHERE CAST(removed_at AS DATE) > $cut",
    "DELETE FROM implant WHERE CAST(inserted_at AS DATE) > $cut",
    "INSERT INTO implant BY NAME SELECT i.* REPLACE ('X' || i.implant_id AS implant_id,"
    " CAST($cut + 1 AS TIMESTAMP) AS inserted_at, CAST($cut + 4 AS TIMESTAMP) AS removed_at)"
    " FROM implant i",
)


@settings(
    max_examples=3, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(days=st.integers(min_value=200, max_value=4000))
@example(days=3400)
def test_what_happens_after_the_cut_changes_nothing(department: Any, days: int) -> None:
    cut = FIRST_DAY + timedelta(days=days)
    before = figures(department, DataCut(cut))
    department.execute("BEGIN")
    try:
        for statement in REWRITE_LATER_EVENTS:
            department.execute(statement, {"cut": cut})
        after = figures(department, DataCut(cut))
        assert [name for name in before if after[name] != before[name]] == []
    finally:
        department.execute("ROLLBACK")


@settings(
    max_examples=1, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(hour=st.integers(min_value=0, max_value=23))
def test_what_is_recorded_after_the_cut_changes_nothing(department: Any, hour: int) -> None:
    """A half of the visits, events and implants is recorded later; it must not matter how."""
    until = AT + timedelta(hours=hour)
    cut = DataCut(date(2024, 12, 31), until)
    department.execute("BEGIN")
    try:
        later = {"later": until + timedelta(seconds=1)}
        for name in ("visit", "event", "implant"):
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
        department.execute(
            "UPDATE implant SET dose_apex_gy = 1, inserted_at = inserted_at - INTERVAL 2 DAY"
            " WHERE recorded_at = $later",
            later,
        )
        after = figures(department, cut)
        assert [name for name in before if after[name] != before[name]] == []
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
