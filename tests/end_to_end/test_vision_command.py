"""``afterplaque vision`` as a person runs it, on a small drawn department."""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from registry.store import create_store
from registry.taking_in.intake import take_in
from synthetic_cohort.cohort import draw_department, write_files
from synthetic_cohort.truth import TRUTH

PROGRAM = [sys.executable, "-c", "from reports.app import main; main()"]
CUT = ("--data-cut", "2024-12-31", "--resamples", "100")
AT = datetime(2026, 1, 5)


def run(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*PROGRAM, "vision", *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        env={k: v for k, v in os.environ.items() if not k.startswith("AFTERPLAQUE_")},
    )


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("drawn")
    write_files(draw_department(TRUTH, 120, np.random.default_rng(9)), folder / "files")
    path = folder / "drawn.registry"
    create_store(path, centre_id="invented", by="tester", at=AT)
    assert take_in(path, [folder / "files"], by="tester", why="test", at=AT).taken
    return path


@pytest.fixture(scope="module")
def at_6_60(store: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Any, Path]:
    rows = tmp_path_factory.mktemp("rows") / "rows.csv"
    ran = run(store, "--at-least", "6/60", *CUT, "--at", "2,5", "--rows", rows, "--json")
    assert (ran.returncode, ran.stderr) == (0, "")
    return json.loads(ran.stdout), rows


def test_the_answer_as_json(at_6_60: tuple[Any, Path]) -> None:
    answer, _ = at_6_60
    assert [answer[name] for name in ("schema_version", "command", "end_point", "unit")] == [
        1,
        "vision",
        "vision_at_least_6_60",
        "eye",
    ]
    assert answer["flow"][-1]["kept"] == answer["groups"][0]["n"]
    five = {row["time"]: row for row in answer["illness_death"]["at"]}[5.0]
    assert 0 < five["lower"] < five["estimate"] < five["upper"] < 1
    kept = {row["time"]: row for row in answer["state_occupation"]["at"]}[5.0]
    total = kept["estimate"] + five["estimate"] + kept["death_without_loss"]
    assert total == pytest.approx(1, abs=1e-9)
    assert answer["if_no_one_died"]["n"] == answer["groups"][0]["n"]
    assert answer["groups"][0]["kaplan_meier"]["interval"] == "beta-product"
    assert len(answer["sensitivity"]) == 3


def test_the_course_adds_up(at_6_60: tuple[Any, Path]) -> None:
    answer, _ = at_6_60
    course = {row["time"]: row for row in answer["course"]["at"]}
    assert list(course) == [0.0, 2.0, 5.0]
    for row in course.values():
        shares = [row[name] for name in ("at_least_6_60", "at_least_6_12", "off_chart")]
        assert all(one["n"] == row["read"] <= row["eyes"] for one in shares)
        assert shares[0]["count"] >= shares[1]["count"]
        assert shares[0]["count"] + shares[2]["count"] <= row["read"]
        for one in shares:
            assert one["lower"] <= one["estimate"] <= one["upper"]
    assert course[0.0]["median"]["letters"] >= course[5.0]["median"]["letters"]
    latest, surgery = answer["latest"], answer["after_cataract_surgery"]
    assert latest["gained"] + latest["similar"] + latest["lost"] == latest["eyes"] > 50
    assert surgery["gained"] + surgery["similar"] + surgery["lost"] == surgery["read"]
    assert surgery["read"] <= surgery["operated"]


def test_the_rows_are_the_eyes_of_the_flow(at_6_60: tuple[Any, Path]) -> None:
    answer, path = at_6_60
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    kept = [row for row in rows if row["baseline_included"] == "yes"]
    assert len(kept) == answer["groups"][0]["n"]
    assert sum(row["status"] == "1" for row in kept) == answer["groups"][0]["events"]
    assert path.stat().st_mode & 0o777 == 0o600


def test_rows_are_not_overwritten_unasked(store: Path, at_6_60: tuple[Any, Path]) -> None:
    ran = run(store, *CUT, "--rows", at_6_60[1], "--json")
    assert ran.returncode == 1
    assert "exists already" in json.loads(ran.stdout)["error"]["message"]


def test_in_words_by_group(store: Path) -> None:
    ran = run(store, "--loss", "0.3", *CUT, "--by", "fovea_distance_mm", "--cuts", "3")
    assert ran.returncode == 0
    for said in (
        "Loss of 15 letters (0.3 logMAR), data cut 2024-12-31",
        "Lost, death competing",
        "up to 3",
        "off the chart at baseline are not at risk",
        "Eyes at risk: followed, without loss so far",
        "Lost if no one died (nonparametric, loss between visits): not a share of patients",
        "counted and ignored are the two bounds",
        "Acuity of eyes still in, of patients alive",
        "Latest reading against baseline",
        "unconfirmed last visit ignored",
        "interval-censored log-rank",
    ):
        assert said in ran.stdout


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--at-least", "6/12", "--loss", "0.3"), "ask for one at a time"),
        (("--at-least", "6/18"), "fixed beforehand"),
        (("--loss", "0.2"), "0.3, 0.5, 0.6"),
        (("--by", "acuity"), "known at time zero"),
        (("--level", "95"), "Did you mean 0.95"),
        (("--data-cut", "31/12/2024"), "YYYY-MM-DD"),
    ],
)
def test_usage_is_explained(store: Path, arguments: tuple[str, ...], said: str) -> None:
    ran = run(store, *arguments)
    assert ran.returncode == 2
    assert said in ran.stderr
    assert "Traceback" not in ran.stderr
