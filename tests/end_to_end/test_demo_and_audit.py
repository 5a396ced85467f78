"""The main job from files to report, recounted from the files by other means."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from reports.app import app
from reports.command_frame import run_in_frame


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, dict[str, Any]]:
    """Run a command with --json and return its exit code and answer."""
    code = run_in_frame(app, [*arguments, "--json"])
    return code, json.loads(capsys.readouterr().out)


@pytest.fixture(scope="module")
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "out"
    assert run_in_frame(app, ["demo", "--patients", "80", "--out", str(folder), "--json"]) == 0
    return folder


def rows_of(folder: Path, table: str) -> Iterator[dict[str, str]]:
    with (folder / "files" / f"{table}.csv").open(encoding="utf-8") as file:
        yield from csv.DictReader(file)


def recount_failures(folder: Path, cut: str) -> dict[str, str]:
    """First failure day by tumour, counted from the files row by row, without SQL."""
    eye_of = {
        row["tumour_id"]: (row["patient_id"], row["eye"]) for row in rows_of(folder, "tumour")
    }
    in_eye: dict[tuple[str, str], list[str]] = {}
    for tumour, eye in eye_of.items():
        in_eye.setdefault(eye, []).append(tumour)
    first: dict[str, str] = {}

    def note(row: dict[str, str], day: str) -> None:
        tumours = [row["tumour_id"]] if row["tumour_id"] else in_eye[row["patient_id"], row["eye"]]
        assert len(tumours) == 1
        if day <= cut:
            first[tumours[0]] = min(day, first.get(tumours[0], day))

    for row in rows_of(folder, "visit"):
        if row["local_status"] == "failed":
            note(row, row["visit_date"])
    for row in rows_of(folder, "event"):
        failed = row["kind"] in ("local_failure", "orbital_recurrence")
        if failed or row["reason"] == "local_failure":
            note(row, row["event_date"])
    return first


def test_the_demo_writes_files_store_and_report(demo_folder: Path) -> None:
    names = {path.name for path in demo_folder.iterdir()}
    assert {"audit-2024.html", "audit-2024.pdf", "department.registry", "files"} <= names
    assert (demo_folder / "audit-2024.pdf").read_bytes().startswith(b"%PDF")
    page = (demo_folder / "audit-2024.html").read_text(encoding="utf-8")
    assert "Everything in this report is invented" in page


def test_the_demo_refuses_a_folder_in_use(
    demo_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, answer = run(capsys, "demo", "--out", str(demo_folder))
    assert code == 1
    assert "not empty" in answer["error"]["message"]


def test_failures_in_the_answer_are_those_counted_from_the_files(
    demo_folder: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    rows_file = tmp_path / "rows.csv"
    store = str(demo_folder / "department.registry")
    code, answer = run(
        capsys, "outcome", store, "--end-point", "local_failure", "--data-cut", "2024-12-31",
        "--rows", str(rows_file), "--at", "1,5",
    )  # fmt: skip
    assert code == 0
    with rows_file.open(encoding="utf-8") as file:
        rows = {row["unit_id"]: row for row in csv.DictReader(file)}
    counted = {
        tumour: day
        for tumour, day in recount_failures(demo_folder, "2024-12-31").items()
        if tumour in rows
    }
    inserted = {}
    for row in rows_of(demo_folder, "implant"):
        day = row["inserted_at"][:10]
        inserted[row["tumour_id"]] = min(day, inserted.get(row["tumour_id"], day))
    group = answer["groups"][0]
    assert group["n"] == len(rows)
    assert group["events"] == len(counted) == sum(row["status"] == "1" for row in rows.values())
    for tumour, day in counted.items():
        passed = date.fromisoformat(day) - date.fromisoformat(inserted[tumour])
        assert int(rows[tumour]["time_days"]) == passed.days
    years = sum(int(row["time_days"]) for row in rows.values()) / 365.25
    assert group["person_years"] == pytest.approx(years, rel=1e-12)


def test_the_curve_is_the_product_over_the_exported_rows(
    demo_folder: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Kaplan–Meier by its definition, one factor a failure day, from the exported rows."""
    rows_file = tmp_path / "rows.csv"
    store = str(demo_folder / "department.registry")
    _, answer = run(
        capsys, "outcome", store, "--end-point", "eye_loss", "--data-cut", "2024-12-31",
        "--rows", str(rows_file), "--at", "5",
    )  # fmt: skip
    with rows_file.open(encoding="utf-8") as file:
        rows = [(int(row["time_days"]), row["status"]) for row in csv.DictReader(file)]
    survival = 1.0
    for day in sorted({time for time, status in rows if status == "1" and time <= 1826}):
        at_risk = sum(time >= day for time, _ in rows)
        survival *= 1 - sum(row == (day, "1") for row in rows) / at_risk
    at = answer["groups"][0]["kaplan_meier"]["at"][0]
    assert at["estimate"] == pytest.approx(survival, rel=1e-12)
    assert at["time"] == 5


def test_an_audit_says_when_a_standard_is_not_met(
    demo_folder: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    standards = tmp_path / "standards.toml"
    standards.write_text(
        '[[standard]]\nname = "impossible"\nend_point = "death"\nyears = 1\nat_least = 1\n'
        'source = "a test"\ndecided_on = "2024-01-01"\n',
        encoding="utf-8",
    )
    arguments = (
        "audit", str(demo_folder / "department.registry"), "--year", "2024",
        "--format", "html", "--standards", str(standards), "--out", str(tmp_path),
    )  # fmt: skip
    code, answer = run(capsys, *arguments)
    assert (code, answer["standards"][0]["verdict"]) == (0, "not met")
    assert answer["standards"][0]["decided_beforehand"] is True
    page = Path(answer["files"]["html"])
    assert "not stated beforehand" not in page.read_text(encoding="utf-8")
    late = standards.read_text(encoding="utf-8").replace('"2024-01-01"', "2025-01-01")
    standards.write_text(late, encoding="utf-8")
    code, answer = run(capsys, *arguments, "--fail-below-standard", "--force")
    assert code == 4
    assert answer["standards"][0]["decided_beforehand"] is False
    shown = page.read_text(encoding="utf-8")
    assert "a test (2025-01-01, after the data cut)" in shown
    assert "was not stated beforehand" in shown
    code, answer = run(capsys, *arguments)
    assert code == 1
    assert "exists already" in answer["error"]["message"]


@pytest.mark.parametrize("cut", ["2013-01-01", "2015-03-01"])
def test_an_audit_of_nobody_or_almost_nobody_is_still_a_report(
    demo_folder: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path, cut: str
) -> None:
    code, answer = run(
        capsys, "audit", str(demo_folder / "department.registry"), "--year", cut[:4],
        "--data-cut", cut, "--out", str(tmp_path),
    )  # fmt: skip
    assert code == 0
    assert answer["n"] < 10
    page = (tmp_path / f"audit-{cut[:4]}-internal.html").read_text(encoding="utf-8")
    assert not re.search(r"\bnan\b", page)


def test_published_reports_hold_no_small_count(
    demo_folder: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    code, _ = run(
        capsys, "audit", str(demo_folder / "department.registry"), "--year", "2024",
        "--audience", "published", "--format", "html", "--out", str(tmp_path),
    )  # fmt: skip
    assert code == 0
    page = (tmp_path / "audit-2024-published.html").read_text(encoding="utf-8")
    body = page[page.index("<body") :]
    cells = re.findall(r"<td[^>]*>\s*(\d+)\s*</td>", body)
    assert cells
    assert not [cell for cell in cells if 0 < int(cell) < 8]


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["--end-point", "pain"], 2, "no end point"),
        (["--end-point", "death", "--data-cut", "31.12.2024"], 2, "YYYY-MM-DD"),
        (["--end-point", "death", "--level", "95"], 2, "0.95"),
        (["--end-point", "death", "--by", "death_cause"], 2, "after time zero"),
        (["--end-point", "death", "--colour", "red"], 2, "--colour"),
    ],
)
def test_outcome_refuses_what_it_cannot_do(
    demo_folder: Path,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    code: int,
    said: str,
) -> None:
    found, answer = run(capsys, "outcome", str(demo_folder / "department.registry"), *arguments)
    assert found == code
    assert said in answer["error"]["message"]


def test_a_missing_store_is_named(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    code, answer = run(capsys, "outcome", str(tmp_path / "none"), "--end-point", "death")
    assert code == 1
    assert answer["error"]["kind"] == "store"
