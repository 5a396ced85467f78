"""``check`` on a drawn department with planted contradictions: findings, files, exit codes."""

from __future__ import annotations

import csv
import json
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.checking.check_rules import CHECK_RULES
from registry.store import create_store
from registry.taking_in.intake import take_in
from reports.app import app
from reports.command_frame import run_in_frame
from synthetic_cohort.cohort import draw_department, write_files
from synthetic_cohort.contradictions import PlantedContradiction, plant_contradictions
from synthetic_cohort.truth import TRUTH

AT = datetime(2026, 1, 5, 9, 0)
KINDS = ["died_without_date", "dose_apex_differs", "lost_to_follow_up", "certificate_missing"]
CUT = ["--data-cut", "2024-12-31"]
Planted = tuple[Path, Path, list[PlantedContradiction]]


@pytest.fixture(scope="module")
def stores(tmp_path_factory: pytest.TempPathFactory) -> Planted:
    """Return a clean store, one with contradictions, and what was planted."""
    folder = tmp_path_factory.mktemp("departments")
    clean = draw_department(TRUTH, 60, np.random.default_rng(17))
    spoilt, planted = plant_contradictions(clean, np.random.default_rng(3), kinds=KINDS)
    paths = []
    for name, tables in (("clean", clean), ("spoilt", spoilt)):
        write_files(tables, folder / name)
        path = folder / f"{name}.registry"
        create_store(path, centre_id="invented", by="tester", at=AT)
        assert take_in(path, [folder / name], by="tester", why="test", at=AT).taken
        paths.append(path)
    return paths[0], paths[1], planted


def run(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> dict[str, Any]:
    assert run_in_frame(app, [*arguments, "--json"]) == code
    answer: dict[str, Any] = json.loads(capsys.readouterr().out)
    return answer


def test_errors_give_exit_code_3_and_every_planted_record(
    stores: Planted, capsys: pytest.CaptureFixture[str]
) -> None:
    _, spoilt, planted = stores
    answer = run(capsys, "check", str(spoilt), *CUT, code=3)
    assert (answer["schema_version"], answer["command"]) == (1, "check")
    assert answer["data_cut"] == "2024-12-31"
    said = {(one["rule"], one["record"]) for one in answer["findings"]}
    assert {(one.kind, one.record) for one in planted} <= said
    assert sum(answer["counts"].values()) == len(answer["findings"])
    for one in answer["findings"]:
        assert one["severity"] in ("error", "warning", "notice")
        assert one["contradicts"]
        assert one["found"]
        assert one["what_to_do"]
    lost = {f"tumour:{one['tumour_id']}" for one in answer["follow_up"]["lost"]}
    assert next(one.record for one in planted if one.kind == "lost_to_follow_up") in lost
    assert answer["follow_up"]["counts"]["due"] == len(answer["follow_up"]["due_next_month"])
    assert answer["plaques"][0]["uses"] >= 1
    treated = answer["completeness"]["treated"]
    assert all(k <= n for k, n in zip(answer["completeness"]["fields"][0]["known"], treated,
                                      strict=True))  # fmt: skip


def test_a_clean_department_has_no_error_and_exit_code_0(
    stores: Planted, capsys: pytest.CaptureFixture[str]
) -> None:
    answer = run(capsys, "check", str(stores[0]), *CUT, "--severity", "error")
    assert answer["findings"] == []
    assert answer["counts"]["error"] == 0
    assert answer["counts"]["notice"] > 0


def test_severity_limits_what_is_listed_and_not_what_is_counted(
    stores: Planted, capsys: pytest.CaptureFixture[str]
) -> None:
    whole = run(capsys, "check", str(stores[1]), *CUT, code=3)
    some = run(capsys, "check", str(stores[1]), *CUT, "--severity", "warning", code=3)
    assert some["counts"] == whole["counts"]
    assert some["findings"] == [one for one in whole["findings"] if one["severity"] != "notice"]


def test_the_csv_holds_what_the_json_holds(
    stores: Planted, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "findings.csv"
    answer = run(capsys, "check", str(stores[1]), *CUT, "--out", str(out), code=3)
    with out.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [(row["rule"], row["record"]) for row in rows] == [
        (one["rule"], one["record"]) for one in answer["findings"]
    ]
    assert set(rows[0]) == set(answer["findings"][0])
    again = run(capsys, "check", str(stores[1]), *CUT, "--out", str(out), code=1)
    assert "exists already" in again["error"]["message"]


def test_the_text_names_rule_record_and_what_to_do(
    stores: Planted, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_in_frame(app, ["check", str(stores[1]), *CUT]) == 3
    said = capsys.readouterr().out
    planted = stores[2][0]
    assert f"ERROR {planted.kind}" in said
    assert planted.record in said
    assert "To do: enter death_date" in said
    assert "Follow-up (every 6 months until 5 years, then every 12 months)" in said


def test_the_rules_document_themselves_without_a_registry(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("AFTERPLAQUE_STORE", raising=False)
    answer = run(capsys, "check", "--rules")
    assert [one["rule"] for one in answer["rules"]] == list(CHECK_RULES)
    assert all(one["source"] and one["what_to_do"] for one in answer["rules"])
    assert run_in_frame(app, ["check", "--rules"]) == 0
    assert "common practice, no source" in capsys.readouterr().out
    assert run(capsys, "check", code=2)["error"]["where"]["option"] == "STORE"
