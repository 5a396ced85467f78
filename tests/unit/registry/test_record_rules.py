"""Every rule beyond one cell, each broken once, in one intake of many small families of records.

A family is a patient with one tumour, implant, visit and event, all sound. Each case changes some
of them and names what must be found; everything else must stay without a finding.
"""

from __future__ import annotations

import csv
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from registry.entry_rules.linked_rules import RULES_BETWEEN_RECORDS
from registry.entry_rules.record_rules import RULES_WITHIN_A_RECORD
from registry.records import TABLES
from registry.taking_in.intake import IntakeResult, take_in

AT = datetime(2026, 1, 31, 12, tzinfo=UTC)
Row = dict[str, str]

BASE: Mapping[str, Row] = {
    "patient": {"patient_id": "P", "birth_year": "1950", "last_contact_date": "2025-01-01"},
    "tumour": {
        "tumour_id": "T",
        "patient_id": "P",
        "eye": "right",
        "diagnosis_date": "2019-12-01",
        "thickness_mm": "4",
        "largest_basal_diameter_mm": "10",
    },
    "applicator": {"applicator_id": "A", "isotope": "Ru-106", "diameter_mm": "20"},
    "implant": {
        "implant_id": "I",
        "tumour_id": "T",
        "applicator_id": "A",
        "inserted_at": "2020-01-01 10:00",
        "removed_at": "2020-01-05 10:00",
    },
    "visit": {
        "visit_id": "V",
        "patient_id": "P",
        "eye": "right",
        "visit_date": "2021-01-01",
        "acuity": "6/9",
        "local_status": "controlled",
    },
    "event": {
        "event_id": "E",
        "patient_id": "P",
        "eye": "right",
        "event_date": "2022-01-01",
        "kind": "cataract",
    },
}
KEYS = {table: TABLES[table].key[0].name for table in BASE}
IDENTIFIERS = {"patient_id", "tumour_id", "applicator_id", "implant_id", "visit_id", "event_id"}
DEAD = {"death_date": "2021-06-01", "last_contact_date": "2021-06-01"}
SECOND_TUMOUR = {"tumour_id": "T2"}


@dataclass(frozen=True)
class Case:
    """Changes to a family, further rows, and what must be found (table, key, field)."""

    name: str
    changed: Mapping[str, Row]
    found: Sequence[tuple[str, str, str]]
    severity: str = "error"
    added: Sequence[tuple[str, Row]] = field(default_factory=tuple)


def error(name: str, changed: Mapping[str, Row], *found: tuple[str, str, str], **more: Any) -> Case:
    """Make a case whose findings are errors."""
    return Case(name, changed, found, "error", **more)


def warning(
    name: str, changed: Mapping[str, Row], *found: tuple[str, str, str], **more: Any
) -> Case:
    """Make a case whose findings are warnings."""
    return Case(name, changed, found, "warning", **more)


CASES = [
    Case("sound1", {}, ()),
    Case(
        "sound_death",
        {
            "patient": DEAD | {"death_cause": "other_cause"},
            "event": {"kind": "other", "event_date": "2021-06-01"},
        },
        (),
    ),
    Case("cataract_at_baseline", {"event": {"event_date": "2019-01-01"}}, ()),
    Case(
        "removal_and_orbit",
        {"visit": {"visit_date": "2022-01-01"}, "event": {"kind": "enucleation", "reason": "pain"}},
        (),
        added=[
            (
                "event",
                {
                    "event_id": "E2",
                    "kind": "orbital_recurrence",
                    "event_date": "2023-01-01",
                    "reason": "",
                },
            )
        ],
    ),
    Case(
        "two_visits_a_day_with_one_acuity",
        {},
        (),
        added=[("visit", {"visit_id": "V2", "acuity": ""})],
    ),
    Case(
        "second_tumour_named",
        {"visit": {"tumour_id": "T2"}, "event": {"kind": "local_failure", "tumour_id": "T"}},
        (),
        added=[("tumour", SECOND_TUMOUR)],
    ),
    Case(
        "second_tumour_without_need",
        {"visit": {"local_status": ""}},
        (),
        added=[("tumour", SECOND_TUMOUR)],
    ),
    # --- keys and references
    error(
        "key_twice", {}, ("visit", "V", "visit_id"), added=[("visit", {"visit_date": "2023-01-01"})]
    ),
    error("unknown_patient", {"event": {"patient_id": "X"}}, ("event", "E", "patient_id")),
    error("unknown_tumour", {"implant": {"tumour_id": "X"}}, ("implant", "I", "tumour_id")),
    error(
        "unknown_applicator", {"implant": {"applicator_id": "X"}}, ("implant", "I", "applicator_id")
    ),
    # --- within one record
    error(
        "death_before_birth",
        {
            "patient": {"birth_year": "2025", "death_date": "2024-05-01", "last_contact_date": ""},
            "visit": {"patient_id": "Psound1", "visit_date": "2021-02-02"},
            "event": {"patient_id": "Psound1"},
            "tumour": {"patient_id": "Psound1", "eye": "left"},
            "implant": {"applicator_id": ""},
        },
        ("patient", "P", "death_date"),
    ),
    error(
        "metastasis_before_birth",
        {"patient": {"metastasis_date": "1949-01-01"}},
        ("patient", "P", "metastasis_date"),
    ),
    error(
        "contact_before_birth",
        {"patient": {"last_contact_date": "1949-01-01"}},
        ("patient", "P", "last_contact_date"),
    ),
    warning(
        "contact_after_death",
        {"patient": {"death_date": "2024-01-01"}},
        ("patient", "P", "last_contact_date"),
    ),
    warning(
        "vital_before_death",
        {"patient": {"death_date": "2025-06-01", "vital_status_date": "2025-05-31"}},
        ("patient", "P", "vital_status_date"),
    ),
    warning(
        "metastasis_after_death",
        {"patient": {"death_date": "2025-06-01", "metastasis_date": "2025-06-02"}},
        ("patient", "P", "metastasis_date"),
    ),
    warning(
        "status_before_metastasis",
        {"patient": {"metastasis_status_date": "2024-06-01", "metastasis_date": "2024-06-02"}},
        ("patient", "P", "metastasis_status_date"),
    ),
    warning(
        "cause_alone", {"patient": {"death_cause": "unknown"}}, ("patient", "P", "death_cause")
    ),
    warning(
        "died_alone",
        {"patient": {"follow_up_ended_reason": "died"}},
        ("patient", "P", "follow_up_ended_reason"),
    ),
    warning(
        "followed_dead",
        {"patient": {"death_date": "2025-06-01", "follow_up_ended_reason": "under_follow_up"}},
        ("patient", "P", "follow_up_ended_reason"),
    ),
    warning(
        "found_by_alone",
        {"patient": {"metastasis_found_by": "symptoms"}},
        ("patient", "P", "metastasis_found_by"),
    ),
    warning(
        "no_size",
        {"tumour": {"thickness_mm": "", "largest_basal_diameter_mm": ""}},
        ("tumour", "T", "thickness_mm"),
        ("tumour", "T", "largest_basal_diameter_mm"),
    ),
    warning(
        "longer_than_largest",
        {"tumour": {"longitudinal_basal_diameter_mm": "10.5"}},
        ("tumour", "T", "longitudinal_basal_diameter_mm"),
    ),
    warning(
        "fovea_involved_at_a_distance",
        {"tumour": {"fovea_involved": "yes", "fovea_distance_mm": "2"}},
        ("tumour", "T", "fovea_distance_mm"),
    ),
    warning(
        "fovea_free_at_zero",
        {"tumour": {"fovea_involved": "no", "fovea_distance_mm": "0"}},
        ("tumour", "T", "fovea_distance_mm"),
    ),
    error(
        "active_too_wide",
        {"applicator": {"active_diameter_mm": "21"}},
        ("applicator", "A", "active_diameter_mm"),
    ),
    error(
        "retired_unused",
        {
            "applicator": {"first_used_date": "2019-01-01", "retired_date": "2018-01-01"},
            "implant": {"applicator_id": ""},
        },
        ("applicator", "A", "retired_date"),
    ),
    error(
        "removed_first",
        {"implant": {"removed_at": "2020-01-01 09:59"}},
        ("implant", "I", "removed_at"),
    ),
    warning(
        "dose_rises",
        {"implant": {"dose_apex_gy": "100", "dose_sclera_gy": "99.5"}},
        ("implant", "I", "dose_apex_gy"),
    ),
    error(
        "pattern_of_cataract",
        {"event": {"failure_pattern": "central", "failure_edge": "remote"}},
        ("event", "E", "failure_pattern"),
        ("event", "E", "failure_edge"),
    ),
    error(
        "retreatment_of_cataract",
        {"event": {"retreatment": "plaque", "planned": "salvage"}},
        ("event", "E", "retreatment"),
        ("event", "E", "planned"),
    ),
    error("reason_of_cataract", {"event": {"reason": "pain"}}, ("event", "E", "reason")),
    # --- between records
    error(
        "untreated_eye",
        {"visit": {"eye": "left"}, "event": {"eye": "left"}},
        ("visit", "V", "eye"),
        ("event", "E", "eye"),
    ),
    error(
        "other_tumour",
        {"visit": {"tumour_id": "Tsound1"}, "event": {"tumour_id": "Tsound1"}},
        ("visit", "V", "tumour_id"),
        ("event", "E", "tumour_id"),
    ),
    error(
        "which_tumour",
        {"event": {"kind": "retreatment"}},
        ("visit", "V", "tumour_id"),
        ("event", "E", "tumour_id"),
        added=[("tumour", SECOND_TUMOUR)],
    ),
    error("acuity_twice", {}, ("visit", "V2", "visit_date"), added=[("visit", {"visit_id": "V2"})]),
    warning(
        "seen_dead",
        {"patient": DEAD | {"death_date": "2020-12-31", "last_contact_date": ""}},
        ("visit", "V", "visit_date"),
        ("event", "E", "event_date"),
    ),
    warning(
        "diagnosed_dead",
        {"patient": DEAD | {"death_date": "2019-11-30", "last_contact_date": ""}},
        ("tumour", "T", "diagnosis_date"),
        ("implant", "I", "inserted_at"),
        ("visit", "V", "visit_date"),
        ("event", "E", "event_date"),
    ),
    error(
        "before_birth",
        {"patient": {"birth_year": "2023"}},
        ("tumour", "T", "diagnosis_date"),
        ("visit", "V", "visit_date"),
        ("event", "E", "event_date"),
    ),
    warning(
        "inserted_undiagnosed",
        {"tumour": {"diagnosis_date": "2020-02-01"}},
        ("implant", "I", "inserted_at"),
    ),
    warning(
        "plaque_not_yet_used",
        {"applicator": {"first_used_date": "2020-01-02"}},
        ("implant", "I", "inserted_at"),
    ),
    warning(
        "plaque_retired",
        {"applicator": {"retired_date": "2019-12-31"}},
        ("implant", "I", "inserted_at"),
    ),
    warning(
        "plaque_in_two_eyes",
        {},
        ("implant", "I2", "inserted_at"),
        added=[
            (
                "implant",
                {"implant_id": "I2", "tumour_id": "Tsound1", "inserted_at": "2020-01-03 10:00"},
            )
        ],
    ),
    warning(
        "removed_eye_seen",
        {"event": {"kind": "enucleation", "event_date": "2020-06-01"}},
        ("visit", "V", "visit_date"),
    ),
    warning(
        "removed_eye_harmed",
        {
            "visit": {"visit_date": "2020-03-01"},
            "event": {"kind": "exenteration", "event_date": "2020-06-01"},
        },
        ("event", "E2", "event_date"),
        added=[("event", {"event_id": "E2", "kind": "uveitis", "event_date": "2020-07-01"})],
    ),
    warning(
        "removed_eye_treated",
        {"event": {"kind": "enucleation", "event_date": "2021-01-01"}},
        ("implant", "I2", "inserted_at"),
        added=[
            ("implant", {"implant_id": "I2", "inserted_at": "2021-02-01 10:00", "removed_at": ""})
        ],
    ),
    warning(
        "failed_before_plaque",
        {"event": {"kind": "local_failure", "event_date": "2019-12-31"}},
        ("event", "E", "event_date"),
    ),
]
NOT_IN_ONE_INTAKE = {"tumour_moved_from_its_visits", "tumour_moved_from_its_events"}


def _named(row: Row, case: Case) -> Row:
    """Give a family's identifiers the case's name; references to the sound family stay."""
    return {
        name: value + case.name
        if name in IDENTIFIERS and value and not value.endswith("sound1") and value != "X"
        else value
        for name, value in row.items()
    }


def _gather() -> dict[str, list[Row]]:
    rows: dict[str, list[Row]] = {table: [] for table in BASE}
    for case in CASES:
        for table, base in BASE.items():
            rows[table].append(_named(base | case.changed.get(table, {}), case))
        for table, more in case.added:
            rows[table].append(_named(BASE[table] | case.changed.get(table, {}) | more, case))
    return rows


def _write(folder: Path, rows: Mapping[str, Sequence[Row]]) -> Path:
    folder.mkdir()
    for table, members in rows.items():
        names = list(dict.fromkeys(name for row in members for name in row))
        with (folder / f"{table}.csv").open("w", newline="", encoding="utf-8") as stream:
            writer = csv.DictWriter(stream, names, restval="")
            writer.writeheader()
            writer.writerows(members)
    return folder


@pytest.fixture(scope="module")
def all_at_once(tmp_path_factory: pytest.TempPathFactory, empty_store: Path) -> IntakeResult:
    """Return the intake of every family at once."""
    folder = tmp_path_factory.mktemp("rules")
    shutil.copytree(empty_store, folder / "store")
    store = folder / "store" / "small.registry"
    return take_in(store, [_write(folder / "files", _gather())], by="tester", at=AT)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_rule_finds_its_row_and_nothing_else(case: Case, all_at_once: IntakeResult) -> None:
    rows = _gather()
    found = set()
    for finding in all_at_once.findings:
        table = finding.file.removesuffix(".csv")
        assert finding.row is not None
        key = rows[table][finding.row - 2][KEYS[table]]
        if key.endswith(case.name) and _case_of(key) is case:
            found.add((table, key.removesuffix(case.name), finding.field, finding.severity))
    assert found == {(*place, case.severity) for place in case.found}


def _case_of(key: str) -> Case:
    return max((case for case in CASES if key.endswith(case.name)), key=lambda case: len(case.name))


def test_a_repeated_key_names_the_first_line(all_at_once: IntakeResult) -> None:
    rows = [row["visit_id"] for row in _gather()["visit"]]
    first = rows.index("Vkey_twice") + 2
    [remedy] = [f.remedy for f in all_at_once.findings if f.found == "Vkey_twice"]
    assert f"same key as line {first};" in remedy


def test_every_rule_is_broken_by_some_case() -> None:
    """Each rule has a field and severity that some case expects of its table."""
    expected = {(t, f, case.severity) for case in CASES for t, _, f in case.found}
    for rule in (*RULES_WITHIN_A_RECORD, *RULES_BETWEEN_RECORDS):
        if rule.name not in NOT_IN_ONE_INTAKE:
            assert (rule.table, rule.field, rule.severity) in expected, rule.name


# --- against the registry -------------------------------------------------------------------------


@pytest.fixture
def held(tmp_path: Path, empty_store: Path) -> Path:
    """Return a store that holds one sound family."""
    shutil.copytree(empty_store, tmp_path / "store")
    store = tmp_path / "store" / "small.registry"
    files = _write(tmp_path / "held", {table: [row] for table, row in BASE.items()})
    assert take_in(store, [files], by="tester", at=AT).taken
    return store


def _take_more(store: Path, rows: Mapping[str, Sequence[Row]], **options: Any) -> IntakeResult:
    folder = store.parent.parent / f"more{len(list(store.parent.parent.iterdir()))}"
    return take_in(store, [_write(folder, rows)], by="tester", at=AT, **options)


def test_rows_are_judged_against_what_the_registry_holds(held: Path) -> None:
    again = BASE["visit"] | {"visit_id": "V2"}
    other_eye = again | {"visit_id": "V3", "eye": "left", "visit_date": "2021-02-01"}
    early = BASE["event"] | {"event_id": "E2", "kind": "enucleation", "event_date": "2020-12-01"}
    result = _take_more(held, {"visit": [again, other_eye], "event": [early]})
    found = {(f.file, f.row, f.field, f.severity): f.remedy for f in result.findings}
    assert set(found) == {
        ("visit.csv", 2, "visit_date", "error"),
        ("visit.csv", 3, "eye", "error"),
        ("visit.csv", 2, "visit_date", "warning"),
        # The registry's visit and event come after this removal: shown at the row that says so.
        ("event.csv", 2, "event_date", "warning"),
    }
    assert "visit V in the registry" in found["visit.csv", 2, "visit_date", "error"]


def test_a_corrected_death_is_set_against_the_visits_held(held: Path) -> None:
    death = {"patient_id": "P", "death_date": "2020-06-01", "last_contact_date": "2020-06-01"}
    result = _take_more(held, {"patient": [death]}, correct=True, why="registry office")
    assert result.taken
    assert {(f.file, f.row, f.field, f.severity) for f in result.findings} == {
        ("patient.csv", 2, "death_date", "warning")
    }


def test_a_tumour_is_not_moved_away_from_its_visits(held: Path) -> None:
    moved = {"tumour": [{"tumour_id": "T", "eye": "left"}]}
    result = _take_more(held, moved, correct=True, why="wrong eye")
    assert {(f.file, f.row, f.field, f.severity) for f in result.findings} == {
        ("tumour.csv", 2, "eye", "error")
    }
    with_them = moved | {
        "visit": [{"visit_id": "V", "eye": "left"}],
        "event": [{"event_id": "E", "eye": "left"}],
    }
    assert _take_more(held, with_them, correct=True, why="wrong eye").taken
