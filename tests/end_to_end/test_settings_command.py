"""``afterplaque settings``: shown, changed with a reason, kept with the earlier values."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow as pa
import pytest

from registry.settings import SETTINGS
from registry.store import create_store, open_store
from reports.app import app
from reports.command_frame import run_in_frame


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """Return an empty registry."""
    path = tmp_path / "small.registry"
    create_store(path, centre_id="invented", by="ana", at=datetime(2020, 1, 1, tzinfo=UTC))
    return path


def _run(*arguments: object) -> int:
    return run_in_frame(app, ["settings", *map(str, arguments)])


def _values(store: Path) -> dict[str, object]:
    with open_store(store) as opened:
        return opened.settings()


def test_every_setting_is_shown_with_its_meaning(
    store: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert _run(store) == 0
    shown = capsys.readouterr().out
    for name, setting in SETTINGS.items():
        assert name in shown
        assert setting.meaning in shown
    monkeypatch.setenv("AFTERPLAQUE_STORE", str(store))
    assert _run("--json") == 0
    answer = json.loads(capsys.readouterr().out)
    assert {row["name"]: row["value"] for row in answer["settings"]} == _values(store)
    assert answer["changed"] == []


def test_a_change_is_kept_with_its_reason_and_used(
    store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    schedule = '[{"every_months": 3, "until_years": 2}, {"every_months": 12, "until_years": null}]'
    changes = ["course_gap_days=120", f"visit_schedule={schedule}", "half_life_source=ENSDF"]
    assert _run(store, *changes, "--why", "meeting", "--by", "ana", "--json") == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["changed"] == ["course_gap_days", "visit_schedule", "half_life_source"]
    (gap,) = [row for row in answer["settings"] if row["name"] == "course_gap_days"]
    assert (gap["value"], gap["version"], gap["reason"], gap["recorded_by"]) == (
        120,
        2,
        "meeting",
        "ana",
    )
    assert _values(store)["visit_schedule"] == json.loads(schedule)
    assert run_in_frame(app, ["check", str(store)]) == 0
    assert "every 3 months until 2 years, then every 12 months" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["course_gap_days=120"], 2, "needs a reason"),
        (["course_gap_days=0", "--why", "x"], 1, "whole number of days"),
        (["course_gap_days=ninety", "--why", "x"], 1, "whole number of days"),
        (["course_gap=90", "--why", "x"], 2, "course_gap_days"),
        (["course_gap_days=90", "course_gap_days=91", "--why", "x"], 2, "given twice"),
        ([f"centre_id={'x' * 201}", "--why", "x"], 1, "201 characters"),
        (["course_gap_days", "--why", "x"], 2, "NAME=VALUE"),
        (["confirmation_days=30", "course_gap_days=0", "--why", "x"], 1, "course_gap_days"),
    ],
)
def test_what_cannot_be_set_is_said_and_changes_nothing(
    store: Path,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    code: int,
    said: str,
) -> None:
    before = _values(store)
    assert _run(store, *arguments) == code
    assert said in capsys.readouterr().err
    assert _values(store) == before


def _record_a_patient(store: Path, acuity: str | None) -> None:
    at = datetime.now(UTC) - timedelta(minutes=1)
    day = pa.array([at.date()], pa.date32())
    tumour = {"tumour_id": ["T1"], "patient_id": ["P1"], "eye": ["right"]}
    visit = {"visit_id": ["V1"], "patient_id": ["P1"], "eye": ["right"], "visit_date": day}
    if acuity is not None:
        visit |= {
            "acuity": [acuity],
            "acuity_logmar": pa.array([1.9]).cast(pa.decimal128(14, 6)),
            "acuity_off_chart": [acuity],
        }
    with open_store(store, write=True) as opened, opened.batch("intake", by="ana", at=at) as batch:
        batch.append("patient", pa.table({"patient_id": ["P1"]}))
        batch.append("tumour", pa.table(tumour))
        batch.append("visit", pa.table(visit))


@pytest.mark.parametrize(("acuity", "code"), [(None, 0), ("CF", 1)])
def test_one_registry_reads_acuities_off_the_chart_in_one_way(
    store: Path, capsys: pytest.CaptureFixture[str], acuity: str | None, code: int
) -> None:
    _record_a_patient(store, acuity)
    change = 'off_chart_logmar={"CF": 2.0, "HM": 2.3, "LP": 2.7, "NLP": 3.0}'
    assert _run(store, change, "--why", "another convention") == code
    shown = capsys.readouterr()
    assert ("make a new registry" in shown.err) == (code == 1)
    assert (_values(store)["off_chart_logmar"]["CF"] == 2.0) == (code == 0)  # type: ignore[index]


def test_a_new_name_of_the_centre_says_who_keeps_the_old_one(
    store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _record_a_patient(store, None)
    assert _run(store, "centre_id=Northern eye clinic", "--why", "named at last") == 0
    assert "under another centre: 1." in capsys.readouterr().err
    assert _run(store, "centre_id=7", "--why", "a number for a name") == 0
    assert _values(store)["centre_id"] == "7"
