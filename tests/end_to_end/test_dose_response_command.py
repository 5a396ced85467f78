"""``afterplaque dose-response`` as a person runs it, on a small drawn department."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from registry.store import create_store
from registry.taking_in.intake import take_in
from synthetic_cohort.cohort import draw_department, write_files
from synthetic_cohort.truth import TRUTH

PROGRAM = [sys.executable, "-c", "from reports.app import main; main()"]
CUT = (
    "--data-cut", "2024-12-31", "--simulations", "0", "--imputations", "2",
    "--validation-samples", "4",
)  # fmt: skip
AT = datetime(2026, 1, 5)
PLAN = """question = "Does apex dose lower local failure?"
end_point = "local_failure"
dose = "apex"
horizon_years = 4
adjust = ["thickness_mm"]
decided_on = 2026-01-05
"""


def run(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*PROGRAM, "dose-response", *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        env={k: v for k, v in os.environ.items() if not k.startswith("AFTERPLAQUE_")},
    )


def read_csv(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("drawn")
    write_files(draw_department(TRUTH, 250, np.random.default_rng(9)), folder / "files")
    path = folder / "drawn.registry"
    create_store(path, centre_id="invented", by="tester", at=AT)
    assert take_in(path, [folder / "files"], by="tester", why="test", at=AT).taken
    return path


def test_plan_report_and_export(store: Path, tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN, encoding="utf-8")
    locked = run(store, "--plan", plan, "--lock-plan", "--json")
    assert locked.returncode == 0
    assert json.loads(locked.stdout)["looks_before_lock"] == 0
    ran = run(
        store, *CUT, "--plan", plan, "--horizon", "3", "--json",
        "--out", tmp_path / "out", "--export", tmp_path / "r",
    )  # fmt: skip
    assert (ran.returncode, ran.stderr) == (0, "")
    answer = json.loads(ran.stdout)
    assert answer["plan"]["state"] == "locked before looking"
    assert answer["plan"]["deviations"] == ["horizon_years: planned 4, done 3"]
    assert answer["questions_tried"]["looks"] == 1
    page = (tmp_path / "out" / "dose-response-internal.html").read_text(encoding="utf-8")
    assert "planned 4, done 3" in page
    assert answer["plan"]["locked_hash"] in page
    assert (tmp_path / "out" / "dose-response-internal.pdf").read_bytes()[:5] == b"%PDF-"
    assert answer["validation"]["fitted"] == 4
    assert "horizon_years <- 3" in (tmp_path / "r" / "redo.R").read_text(encoding="utf-8")
    table = read_csv(tmp_path / "r" / "dose_response.csv")
    assert len(table) == answer["n"]
    assert sum(row["status"] == "1" for row in table) == answer["events"]
    fields = read_csv(tmp_path / "r" / "fields.csv")
    assert [row["field"] for row in fields] == list(table[0])
    # the exported table gives the answer back through the ordinary regression command
    model = answer["models"][0]
    again = subprocess.run(
        [*PROGRAM, "regress", str(tmp_path / "r" / "dose_response.csv"), "--time", "time_years",
         "--event", "status", "--terms", "dose_step", "--model", model["model"], "--json"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    term = json.loads(again.stdout)["terms"][0]
    assert term["ratio"] == pytest.approx(model["ratio"], rel=1e-8)
    second = run(store, *CUT, "--end-point", "local_failure", "--dose", "apex", "--json")
    assert json.loads(second.stdout)["questions_tried"]["different"] == 2


def test_refusals_say_what_to_do(store: Path) -> None:
    for arguments, said in (
        (("--end-point", "local_failure"), "Give --dose"),
        (("--end-point", "local_failure", "--dose", "bed"), "relative biological effectiveness"),
        (("--end-point", "local_failure", "--dose", "lens"), "There is no dose"),
        (("--end-point", "vision", "--dose", "apex"), "which level of vision"),
        (("--lock-plan",), "needs the plan"),
    ):
        ran = run(store, *CUT, *arguments)
        assert ran.returncode in (1, 2)
        assert said in ran.stderr.replace("\n", " ")
        assert "Traceback" not in ran.stderr


def test_bed_of_two_isotopes_by_a_stated_rbe(store: Path, tmp_path: Path) -> None:
    asked = ("--end-point", "local_failure", "--dose", "bed", "--adjust", "thickness_mm")
    ran = run(store, *CUT, *asked, "--rbe", "I-125=1.2,Ru-106=1", "--out", tmp_path, "--json")
    assert (ran.returncode, ran.stderr) == (0, "")
    found = json.loads(ran.stdout)
    assert found["bed"]["rbe"] == {"I-125": 1.2, "Ru-106": 1.0}
    parameters = {line["parameter"] for line in found["bed"]["sensitivity"]}
    assert parameters >= {"as stated", "α/β", "repair half-time", "RBE of I-125"}
    page = (tmp_path / "dose-response-internal.html").read_text(encoding="utf-8")
    assert "stated as 1.2 for I-125, 1 for Ru-106" in page
    assert "What the answer hangs on" in page
    wrong = run(store, *CUT, *asked, "--rbe", "I-125=1.2,I-125=1")
    assert wrong.returncode == 2
    assert "at most once" in wrong.stderr.replace("\n", " ")
