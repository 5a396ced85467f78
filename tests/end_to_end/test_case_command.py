"""``case``: one patient's records, worked numbers, findings and page, beside the other commands."""

from __future__ import annotations

import csv
import json
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from registry.store import create_store
from registry.taking_in.intake import take_in
from reports.app import app
from reports.command_frame import CAUTION, run_in_frame
from synthetic_cohort.cohort import draw_department, write_files
from synthetic_cohort.contradictions import PlantedContradiction, plant_contradictions
from synthetic_cohort.truth import TRUTH

AT = datetime(2026, 1, 5, 9, 0)
CUT = ["--data-cut", "2024-12-31"]
KINDS = ["failed_check_used", "plaque_in_two_places"]
Drawn = tuple[Path, Path, list[PlantedContradiction]]


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Drawn:
    folder = tmp_path_factory.mktemp("department")
    tables, planted = plant_contradictions(
        draw_department(TRUTH, 120, np.random.default_rng(17)),
        np.random.default_rng(3),
        kinds=KINDS,
    )
    write_files(tables, folder / "files")
    path = folder / "invented.registry"
    create_store(path, centre_id="invented", by="tester", at=AT)
    assert take_in(path, [folder / "files"], by="tester", why="test", at=AT).taken
    return path, folder / "files", planted


def run(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> dict[str, Any]:
    assert run_in_frame(app, [*arguments, "--json"]) == code
    answer: dict[str, Any] = json.loads(capsys.readouterr().out)
    return answer


def rows_of(folder: Path, table: str) -> list[dict[str, str]]:
    with (folder / f"{table}.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_dose_and_placement_are_those_of_their_own_commands(
    drawn: Drawn, capsys: pytest.CaptureFixture[str]
) -> None:
    store, folder, _ = drawn
    implant = rows_of(folder, "implant")[10]
    case = run(capsys, "case", str(store), implant["tumour_id"], *CUT)
    own = next(one for one in case["implants"] if one["implant_id"] == implant["implant_id"])
    for name in ("dose", "placement"):
        alone = run(capsys, name, str(store), implant["implant_id"])
        assert own[name] == {key: alone[key] for key in own[name]}
    assert case["caution"] == CAUTION
    assert (case["command"], case["schema_version"]) == ("case", 1)


def test_the_timeline_is_what_the_files_hold(
    drawn: Drawn, capsys: pytest.CaptureFixture[str]
) -> None:
    store, folder, _ = drawn
    tumour = rows_of(folder, "tumour")[5]
    of_eye = (tumour["patient_id"], tumour["eye"])
    case = run(capsys, "case", str(store), tumour["tumour_id"], *CUT)
    for table, found in (("visit", "visits"), ("event", "events")):
        own = [r for r in rows_of(folder, table) if (r["patient_id"], r["eye"]) == of_eye]
        assert [one[f"{table}_id"] for one in case["timeline"][found]] == [
            r[f"{table}_id"]
            for r in sorted(own, key=lambda r: (r[f"{table}_date"], r[f"{table}_id"]))
        ]
    assert case["tumour"]["site"] == tumour["site"]
    assert case["stage"]["size_category"] in {"T1", "T2", "T3", "T4"}


def test_the_findings_are_those_that_check_has_on_this_patient(
    drawn: Drawn, capsys: pytest.CaptureFixture[str]
) -> None:
    store, folder, planted = drawn
    everything = run(capsys, "check", str(store), *CUT, code=3)["findings"]
    tumour_of = {row["patient_id"]: row["tumour_id"] for row in rows_of(folder, "tumour")}
    for one in planted:
        case = run(capsys, "case", str(store), tumour_of[one.patient_id], *CUT)
        own = [found for found in everything if found["patient_id"] == one.patient_id]
        assert [f for f in case["findings"] if f["patient_id"] is not None] == own
        assert (one.kind, one.record) in {(f["rule"], f["record"]) for f in case["findings"]}


def test_the_page_is_written_once_and_says_the_caution(
    drawn: Drawn, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store, folder, _ = drawn
    tumour = rows_of(folder, "tumour")[5]["tumour_id"]
    out = ["--out", str(tmp_path / "case")]
    answer = run(capsys, "case", str(store), tumour, *out, *CUT)
    page = Path(answer["files"]["html"]).read_text(encoding="utf-8")
    assert CAUTION in page
    assert f"Case review: tumour {tumour}" in page
    assert "certificate_age_days / half_life_days" in page
    assert Path(answer["files"]["pdf"]).read_bytes().startswith(b"%PDF-")
    again = run(capsys, "case", str(store), tumour, *out, *CUT, code=1)
    assert "exists already" in again["error"]["message"]


def test_text_and_refusals(
    drawn: Drawn, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    store, folder, _ = drawn
    tumour = rows_of(folder, "tumour")[5]["tumour_id"]
    assert run_in_frame(app, ["case", str(store), tumour, *CUT]) == 0
    said = capsys.readouterr().out
    assert "First insertion" in said
    assert ", T category T" in said.splitlines()[0]
    assert "not assessed" in said
    assert "_assessed" not in said
    assert said.rstrip().endswith(CAUTION)
    unknown = run(capsys, "case", str(store), "T-NONE", code=1)
    assert "holds no tumour 'T-NONE'" in unknown["error"]["message"]
    monkeypatch.delenv("AFTERPLAQUE_STORE", raising=False)
    assert run(capsys, "case", tumour, code=2)["error"]["where"]["option"] == "STORE"
    assert run(capsys, "case", str(store), tumour, "--format", "odt", code=2)
