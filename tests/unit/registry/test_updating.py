"""An update: the next export of the same patients adds to the registry and undoes nothing."""

from __future__ import annotations

import csv
import json
import shutil
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from registry.errors import UsageError
from registry.records import TABLES
from registry.store import open_store
from registry.taking_in.intake import IntakeResult, take_in
from registry.taking_in.updating import (
    CHANGES_IN_TIME,
    GOES_ON,
    UPDATE_REASON,
    CellChange,
    FieldChanges,
)
from reports.app import app
from reports.command_frame import run_in_frame

AT = datetime(2026, 1, 31, 12, tzinfo=UTC)
Row = Mapping[str, object]
PATIENT = {
    "patient_id": "P1",
    "birth_year": 1950,
    "last_contact_date": "2024-03-01",
    "follow_up_ended_reason": "under_follow_up",
    "death_date": "",
    "research_consent": "yes",
    "diabetes": "unknown",
    "hypertension": "no",
}
TUMOUR = {
    "tumour_id": "T1",
    "patient_id": "P1",
    "eye": "right",
    "thickness_mm": "4.5",
    "largest_basal_diameter_mm": "11",
    "chromosome_3": "",
}
VISIT = {
    "visit_id": "V1",
    "patient_id": "P1",
    "eye": "right",
    "visit_date": "2024-03-01",
    "acuity": "6/9",
    "acuity_notation": "",
}
FIRST_EXPORT: dict[str, list[Row]] = {"patient": [PATIENT], "tumour": [TUMOUR], "visit": [VISIT]}


@pytest.fixture
def store(tmp_path: Path, empty_store: Path) -> Path:
    """Return a copy of the empty store."""
    shutil.copytree(empty_store, tmp_path / "store")
    return tmp_path / "store" / "small.registry"


def _write(folder: Path, rows: Mapping[str, Sequence[Row]]) -> Path:
    folder.mkdir()
    for table, members in rows.items():
        with (folder / f"{table}.csv").open("w", newline="", encoding="utf-8") as stream:
            writer = csv.DictWriter(stream, list(members[0]))
            writer.writeheader()
            writer.writerows(members)
    return folder


@pytest.fixture
def take(tmp_path: Path, store: Path) -> Callable[..., IntakeResult]:
    """Return a function that takes rows by table in, the first export being there already."""

    def taking(rows: Mapping[str, Sequence[Row]], **options: Any) -> IntakeResult:
        folder = _write(tmp_path / f"files{len(list(tmp_path.iterdir()))}", rows)
        return take_in(store, [folder], by="tester", at=AT, **options)

    assert taking(FIRST_EXPORT).taken
    return taking


def _ask(store: Path, sql: str) -> list[tuple[Any, ...]]:
    with open_store(store) as opened:
        rows: list[tuple[Any, ...]] = opened.connection.execute(sql).fetchall()
    return rows


def test_what_goes_on_are_dates_and_codes_of_the_declaration() -> None:
    for table, names in GOES_ON.items():
        assert {TABLES[table].field(name).type for name in names} == {"date"}
    for table, names in CHANGES_IN_TIME.items():
        assert all("unknown" in TABLES[table].field(name).codes for name in names)


def test_news_are_taken_in_with_new_records(store: Path, take: Any) -> None:
    later = PATIENT | {
        "last_contact_date": "2025-03-02",
        "follow_up_ended_reason": "died",
        "death_date": "2025-06-01",
        "research_consent": "no",
        "diabetes": "yes",
    }
    second = VISIT | {"visit_id": "V2", "visit_date": "2025-03-02", "acuity": "6/12"}
    result = take(
        {
            "patient": [later],
            "tumour": [TUMOUR | {"chromosome_3": "disomy"}],
            "visit": [VISIT, second],
        },
        update=True,
    )
    assert result.taken
    assert not result.findings
    assert (result.rows["visit"], result.unchanged["visit"]) == (1, 1)
    assert {(row.field, row.filled, row.changed) for row in result.changes} == {
        ("last_contact_date", 0, 1),
        ("follow_up_ended_reason", 0, 1),
        ("death_date", 1, 0),
        ("research_consent", 0, 1),
        ("diabetes", 0, 1),
        ("chromosome_3", 1, 0),
    }
    assert all(row.cleared == row.kept == row.kept_where_blank == 0 for row in result.changes)
    assert _ask(
        store, "SELECT last_contact_date, death_date, research_consent, diabetes FROM patient"
    ) == [(date(2025, 3, 2), date(2025, 6, 1), "no", "yes")]
    with open_store(store) as opened:
        assert opened.history("patient", "P1")[1].reason == UPDATE_REASON
    assert _ask(store, "SELECT visit_id, version FROM visit ORDER BY 1") == [("V1", 1), ("V2", 1)]


def test_a_correction_is_not_undone_by_the_next_export(store: Path, take: Any) -> None:
    corrected = {"tumour": [{"tumour_id": "T1", "thickness_mm": "5.4"}]}
    assert take(corrected, correct=True, why="figures swapped in the notes").taken
    moved_on = PATIENT | {"last_contact_date": "2025-03-02"}
    result = take(FIRST_EXPORT | {"patient": [moved_on]}, update=True)
    assert result.taken
    (finding,) = result.findings
    assert (finding.severity, finding.file, finding.row) == ("warning", "tumour.csv", 2)
    assert (finding.field, finding.found) == ("thickness_mm", "4.5")
    assert finding.allowed == "5.4, as the registry holds (version 2)"
    assert "it replaced this one" in finding.remedy
    assert _ask(store, "SELECT CAST(thickness_mm AS DOUBLE), version FROM tumour") == [(5.4, 2)]
    assert _ask(store, "SELECT last_contact_date FROM patient") == [(date(2025, 3, 2),)]


def test_what_a_record_held_before_is_no_news(store: Path, take: Any) -> None:
    """An old export, or a source where a correction was never made, brings nothing back."""
    first = PATIENT | {"death_date": "2024-05-01", "hypertension": ""}
    assert take({"patient": [first]}, update=True).taken
    corrected = first | {"death_date": "", "research_consent": "no"}
    corrected |= {"last_contact_date": "2024-02-01"}  # a slip in the month, and another patient's
    assert take({"patient": [corrected]}, correct=True, why="another patient's death").taken
    result = take({"patient": [first]}, update=True)
    assert {(one.field, one.found) for one in result.findings} == {
        ("death_date", "2024-05-01"),
        ("research_consent", "yes"),
        ("last_contact_date", "2024-03-01"),
    }
    assert not sum(result.rows.values())
    assert _ask(store, "SELECT death_date, research_consent, last_contact_date FROM patient") == [
        (None, "no", date(2024, 2, 1))
    ]


@pytest.mark.parametrize(("seen", "state"), [("2025-03-02", "under_follow_up"), ("", "lost")])
def test_a_patient_who_comes_back_is_followed_again(
    store: Path, take: Any, seen: str, state: str
) -> None:
    lost = PATIENT | {"follow_up_ended_reason": "lost"}
    assert take({"patient": [lost]}, update=True).taken
    back = PATIENT | ({"last_contact_date": seen} if seen else {})
    result = take({"patient": [back]}, update=True)
    assert _ask(store, "SELECT follow_up_ended_reason FROM patient") == [(state,)]
    assert bool(result.findings) == (not seen)


@pytest.mark.parametrize(
    ("table", "field", "in_file", "held"),
    [
        ("patient", "last_contact_date", "2023-12-01", "2024-03-01"),  # an older export
        ("patient", "hypertension", "yes", "no"),
        ("patient", "birth_year", "1951", "1950"),
        ("tumour", "eye", "left", "right"),
        ("visit", "acuity", "6/6", "6/9"),
        ("visit", "acuity_notation", "snellen_m", "blank"),  # would read a text that is there anew
    ],
)
def test_what_contradicts_stays_as_it_is_and_is_named(
    store: Path, take: Any, table: str, field: str, in_file: str, held: str
) -> None:
    changed = [dict(FIRST_EXPORT[table][0]) | {field: in_file}]
    result = take(FIRST_EXPORT | {table: changed}, update=True)
    assert [(f.severity, f.field, f.found) for f in result.findings] == [
        ("warning", field, in_file)
    ]
    assert result.findings[0].allowed.startswith(f"{held}, as the registry holds")
    assert "--correct --why" in result.findings[0].remedy
    assert _ask(store, f"SELECT version FROM {table}") == [(1,)]
    assert result.rows.get(table, 0) == 0


def test_a_blank_or_unknown_cell_clears_nothing_and_is_counted(store: Path, take: Any) -> None:
    changed = {
        "patient": [PATIENT | {"hypertension": "unknown", "research_consent": ""}],
        "tumour": [TUMOUR | {"thickness_mm": ""}],
    }
    result = take(changed, update=True, lists_changes=True)
    assert not result.findings
    assert result.changes == (
        FieldChanges("patient", "research_consent", 0, 0, 0, 0, 1),
        FieldChanges("patient", "hypertension", 0, 0, 0, 0, 1),
        FieldChanges("tumour", "thickness_mm", 0, 0, 0, 0, 1),
    )
    assert CellChange("tumour", "T1", "thickness_mm", "kept", "4.5", "") in result.cell_changes
    assert _ask(store, "SELECT thickness_mm IS NOT NULL, version FROM tumour") == [(True, 1)]


def test_a_withdrawn_record_stays_withdrawn(store: Path, take: Any) -> None:
    with (
        open_store(store, write=True) as opened,
        opened.batch("withdrawal", by="ana", why="another patient's", at=AT) as batch,
    ):
        batch.withdraw("visit", ["V1"])
    second = VISIT | {"visit_id": "V2", "visit_date": "2025-03-02"}
    result = take({"visit": [VISIT, second]}, update=True)
    assert result.rows == {"visit": 1}
    assert [(f.severity, f.row, f.found) for f in result.findings] == [("warning", 2, "V1")]
    assert "left out" in result.findings[0].remedy
    assert _ask(store, "SELECT visit_id FROM visit") == [("V2",)]


def test_an_update_is_still_judged_whole(store: Path, take: Any) -> None:
    dies_before = PATIENT | {"death_date": "1940-01-01", "last_contact_date": "2025-01-01"}
    result = take({"patient": [dies_before]}, update=True)
    assert result.has_errors
    assert not result.taken
    assert _ask(store, "SELECT version FROM patient") == [(1,)]
    with pytest.raises(UsageError, match="not both"):
        take(FIRST_EXPORT, update=True, correct=True, why="both")


def test_the_same_export_again_changes_nothing(store: Path, take: Any) -> None:
    later = {"patient": [PATIENT | {"last_contact_date": "2025-03-02"}]}
    assert take(later, update=True).taken
    assert take(later, update=True).already_taken
    assert take(FIRST_EXPORT, update=True).already_taken  # the old one: nothing goes back
    assert _ask(store, "SELECT last_contact_date, version FROM patient") == [(date(2025, 3, 2), 2)]


def test_without_it_news_point_to_update_and_the_rest_to_correct(take: Any) -> None:
    later = PATIENT | {"last_contact_date": "2025-03-02", "hypertension": "yes"}
    result = take({"patient": [later]})
    said = {finding.field: finding.remedy for finding in result.findings}
    assert "--update" in said["last_contact_date"]
    assert "--correct --why" in said["hypertension"]


def test_a_correction_tells_what_it_clears(store: Path, take: Any) -> None:
    rows = [TUMOUR | {"thickness_mm": "", "largest_basal_diameter_mm": "12"}]
    result = take({"tumour": rows}, correct=True, why="export", check_only=True, lists_changes=True)
    assert result.changes == (
        FieldChanges("tumour", "thickness_mm", 0, 0, 1),
        FieldChanges("tumour", "largest_basal_diameter_mm", 0, 1, 0),
    )
    assert result.cell_changes == (
        CellChange("tumour", "T1", "thickness_mm", "cleared", "4.5", ""),
        CellChange("tumour", "T1", "largest_basal_diameter_mm", "changed", "11", "12"),
    )
    assert _ask(store, "SELECT version FROM tumour") == [(1,)]


def test_the_command_shows_and_writes_what_changes(
    store: Path, take: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    later: dict[str, list[Row]] = {
        "patient": [PATIENT | {"last_contact_date": "2025-03-02"}],
        "tumour": [TUMOUR | {"thickness_mm": "", "largest_basal_diameter_mm": "12"}],
    }
    files, out = str(_write(tmp_path / "later", later)), tmp_path / "changes.csv"
    start = ["intake", str(store), files]
    assert run_in_frame(app, [*start, "--changes", str(out)]) == 2
    capsys.readouterr()
    assert run_in_frame(app, [*start, "--update", "--check-only", "--changes", str(out)]) == 0
    shown = capsys.readouterr().out
    assert "kept: file differs" in shown
    assert "patient last_contact_date" in shown
    with out.open(encoding="utf-8-sig", newline="") as stream:
        written = [tuple(row.values()) for row in csv.DictReader(stream)]
    assert written == [
        ("patient", "P1", "last_contact_date", "changed", "2024-03-01", "2025-03-02"),
        ("tumour", "T1", "thickness_mm", "kept", "4.5", ""),
        ("tumour", "T1", "largest_basal_diameter_mm", "kept", "11", "12"),
    ]
    assert run_in_frame(app, [*start, "--update", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["taken"]
    assert answer["changes"][0] == {
        "table": "patient",
        "field": "last_contact_date",
        "filled": 0,
        "changed": 1,
        "cleared": 0,
        "kept": 0,
        "kept_where_blank": 0,
    }
