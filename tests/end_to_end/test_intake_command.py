"""``afterplaque intake`` as a person runs it: answers, exit codes, files, and nothing leaked."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from registry.taking_in import staged_rows
from reports.app import app
from reports.command_frame import run_in_frame

PROGRAM = [sys.executable, "-c", "from reports.app import main; main()"]
VISITS = "visit_id,patient_id,eye,visit_date,acuity\nV1,P1,right,2024-01-01,6/9\n"


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder with three sound files and an empty registry, and work in it."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("AFTERPLAQUE_STORE", raising=False)
    files = {
        "patient": "patient_id,sex\nP1,female\n",
        "tumour": "tumour_id,patient_id,eye,thickness_mm,largest_basal_diameter_mm\n"
        "T1,P1,right,4,10\n",
        "visit": VISITS,
    }
    (tmp_path / "files").mkdir()
    for table, text in files.items():
        (tmp_path / "files" / f"{table}.csv").write_text(text, encoding="utf-8")
    assert run_in_frame(app, ["init", "r.registry", "--by", "tester"]) == 0
    return tmp_path


def _run(*arguments: str) -> int:
    return run_in_frame(app, ["intake", *arguments, "--by", "tester"])


def test_the_json_answer_is_the_documented_one(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    assert _run("r.registry", "files", "--json") == 0
    shown = capsys.readouterr()
    answer = json.loads(shown.out)
    assert shown.err == ""
    assert answer["command"] == "intake"
    assert (answer["taken"], answer["already_taken"], answer["findings"]) == (True, False, [])
    assert answer["rows"]["visit"] == 1
    assert answer["rows"]["event"] == 0
    assert _run("r.registry", "files", "--json") == 0
    again = json.loads(capsys.readouterr().out)
    assert (again["taken"], again["already_taken"]) == (False, True)


def test_findings_are_shown_written_and_end_with_exit_code_3(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    broken = VISITS + "V2,P1,OD,2024-02-01,6/0\n=V3,P9,right,2024-03-01,6/9\n"
    (folder / "files" / "visit.csv").write_text(broken, encoding="utf-8")
    capsys.readouterr()
    assert _run("r.registry", "files", "--json", "--findings", "found.csv") == 3
    answer = json.loads(capsys.readouterr().out)
    assert (answer["taken"], set(answer["rows"].values())) == (False, {0})
    first = answer["findings"][0]
    assert first == {
        "severity": "error",
        "file": "visit.csv",
        "row": 3,
        "field": "eye",
        "found": "OD",
        "allowed": "right, left",
        "remedy": 'write "right"',
    }
    assert [(f["row"], f["field"]) for f in answer["findings"]] == [
        (3, "eye"),
        (3, "acuity"),
        (4, "patient_id"),
    ]
    with (folder / "found.csv").open(encoding="utf-8-sig", newline="") as stream:
        written = list(csv.DictReader(stream))
    assert [row["found"] for row in written] == ["OD", "6/0", "P9"]
    assert _run("r.registry", "files", "--findings", "found.csv") == 1
    assert "there already" in capsys.readouterr().err
    assert _run("r.registry", "files", "--findings", "found.csv", "--force") == 3
    shown = capsys.readouterr()
    assert "Nothing was taken in." in shown.out
    assert 'write "right"' in shown.out
    assert "3 errors, 0 warnings" in shown.err


def test_check_then_take_then_correct(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert _run("r.registry", "files", "--check-only") == 0
    assert "Would take in: patient 1, tumour 1, visit 1." in capsys.readouterr().out
    assert _run("r.registry", "files") == 0
    assert "Taken in: patient 1, tumour 1, visit 1." in capsys.readouterr().out
    (folder / "visit.csv").write_text(VISITS.replace("6/9", "6/12"), encoding="utf-8")
    assert _run("r.registry", "visit.csv") == 3
    assert _run("r.registry", "visit.csv", "--correct") == 2
    assert "--why" in capsys.readouterr().err
    assert _run("r.registry", "visit.csv", "--correct", "--why", "misread") == 0
    assert run_in_frame(app, ["history", "r.registry", "visit:V1", "--json"]) == 0
    versions = json.loads(capsys.readouterr().out.splitlines()[-1])["versions"]
    assert [version["values"]["acuity"] for version in versions] == ["6/9", "6/12"]


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["r.registry", "nowhere.csv"], 1, "is not there"),
        (["r.registry", "visit=nowhere.csv"], 1, "is not there"),
        (["r.registry"], 2, "Name the files"),
        (["files"], 2, "Name the registry"),
        (["none.registry", "files"], 1, "none.registry"),
        (["r.registry", "files", "--date-order", "ydm"], 2, "--date-order"),
    ],
)
def test_what_cannot_be_done_is_said(
    folder: Path,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    code: int,
    said: str,
) -> None:
    assert _run(*arguments) == code
    assert said in capsys.readouterr().err


def test_the_registry_may_come_from_the_environment(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("AFTERPLAQUE_STORE", "r.registry")
    assert _run("files") == 0


def test_a_refused_file_is_exit_code_1(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "files" / "visit.csv").write_bytes(VISITS.encode() + b"V\xe92,P1\n")
    assert _run("r.registry", "files", "--json") == 1
    error = json.loads(capsys.readouterr().out.splitlines()[-1])["error"]
    assert error["kind"] == "refused_input"
    assert error["where"] == {"file": "visit.csv", "row": 3}


def test_a_fault_shows_no_patient_value(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise RuntimeError("P1 right 6/9")

    monkeypatch.setattr(staged_rows.StagedRows, "judge_records", fail)
    capsys.readouterr()
    assert _run("r.registry", "files") == 1
    shown = capsys.readouterr()
    assert "fault of the program" in shown.err
    assert not any(value in shown.err + shown.out for value in ("P1", "6/9", "right"))


def test_help_stays_light() -> None:
    before = os.times()
    ran = subprocess.run(
        [*PROGRAM, "intake", "--help"], capture_output=True, text=True, check=False
    )
    after = os.times()
    spent = after.children_user + after.children_system
    spent -= before.children_user + before.children_system
    assert ran.returncode == 0
    assert "--check-only" in ran.stdout
    assert spent < 0.5
