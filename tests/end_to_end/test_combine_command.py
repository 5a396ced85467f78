"""``combine`` as typed, against metafor's figures kept in meta_analysis.json; discrete time too."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from reports.app import app
from reports.command_frame import run_in_frame

REFERENCE = Path(__file__).parents[1] / "reference"
R = json.loads((REFERENCE / "r" / "meta_analysis.json").read_text())
DISCRETE = json.loads((REFERENCE / "r" / "firth_discrete_time.json").read_text())


def run(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> dict[str, Any]:
    assert run_in_frame(app, [*arguments, "--json"]) == code
    answer: dict[str, Any] = json.loads(capsys.readouterr().out)
    return answer


@pytest.fixture
def pritz(tmp_path: Path) -> str:
    path = tmp_path / "pritz.csv"
    counts = R["pritz1997"]
    rows = zip(counts["events"], counts["n"], strict=True)
    path.write_text("x,n\n" + "".join(f"{x},{n}\n" for x, n in rows), encoding="utf-8")
    return str(path)


def fit(method: str, test: str, data: str = "pritz1997", measure: str = "PLO") -> dict[str, Any]:
    keys = {"data": data, "measure": measure, "method": method, "test": test}
    return next(one for one in R["fits"] if keys.items() <= one.items())


def test_proportions_are_metafors(capsys: pytest.CaptureFixture[str], pritz: str) -> None:
    answer = run(capsys, "combine", pritz, "--events", "x", "--n", "n")
    expected = fit("REML", "knha")
    for name in ("estimate", "lower", "upper", "tau2", "i2", "q", "prediction_lower"):
        assert answer[name] == pytest.approx(expected[name], rel=1e-8), name
    back = 1 / (1 + math.exp(-expected["estimate"]))
    assert answer["proportion"]["estimate"] == pytest.approx(back, rel=1e-8)
    assert run_in_frame(app, ["combine", pritz, "--events", "x", "--n", "n"]) == 0
    assert "a further study (prediction)" in capsys.readouterr().out


def test_estimates_with_errors_are_metafors(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    effect = next(one for one in R["effects"] if one["data"] == "bcg")
    path = tmp_path / "bcg.csv"
    rows = zip(effect["yi"], effect["vi"], strict=True)
    path.write_text("y,se\n" + "".join(f"{y},{v**0.5!r}\n" for y, v in rows), encoding="utf-8")
    options = ["--estimate", "y", "--se", "se", "--method", "dl", "--limits", "normal"]
    answer = run(capsys, "combine", str(path), *options)
    expected = fit("DL", "z", "bcg", effect["measure"])
    for name in ("estimate", "se", "lower", "upper", "p", "tau2"):
        assert answer[name] == pytest.approx(expected[name], rel=1e-8), name


def test_a_common_effect_has_normal_limits_unless_asked(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """metafor 4: EE with test z; it warns that knha is not meant for it. Worked out here."""
    values, errors = [0.1, 0.5, 0.3], [0.1, 0.2, 0.15]
    path = tmp_path / "three.csv"
    rows = zip(values, errors, strict=True)
    path.write_text("y,se\n" + "".join(f"{y},{e}\n" for y, e in rows), encoding="utf-8")
    options = ["combine", str(path), "--estimate", "y", "--se", "se"]
    answer = run(capsys, *options, "--method", "common")
    weights = [1 / e**2 for e in errors]
    mean = sum(w * y for w, y in zip(weights, values, strict=True)) / sum(weights)
    assert answer["interval"] == "normal"
    assert answer["lower"] == pytest.approx(mean - 1.959963984540054 * sum(weights) ** -0.5)
    assert answer["warnings"] == []
    asked = run(capsys, *options, "--method", "common", "--limits", "hartung-knapp")
    assert "a common effect has none" in asked["warnings"][0]
    assert run(capsys, *options)["interval"] == "hartung-knapp"


def test_limits_that_are_narrower_for_alikeness_are_said(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = tmp_path / "alike.csv"
    path.write_text("y,se\n0.20,0.1\n0.21,0.1\n0.19,0.1\n", encoding="utf-8")
    answer = run(capsys, "combine", str(path), "--estimate", "y", "--se", "se")
    reach = 1.959963984540054 * 0.1 / 3**0.5
    assert answer["upper"] < 0.2 + reach
    assert f"normal limits are {0.2 - reach:.4g} to {0.2 + reach:.4g}" in answer["warnings"][0]


@pytest.mark.parametrize(
    ("content", "options", "code", "said"),
    [
        ("x,n\n3,2\n1,4\n", "--events x --n n", 1, "0 ≤ events ≤ n"),
        ("x,n\n1.5,2\n1,4\n", "--events x --n n", 1, "whole numbers"),
        ("x,n\n1,2\n", "--events x --n n", 1, "two studies"),
        ("x,n\n1,0\n2,1\n", "--estimate x --se n", 1, "above 0"),
        ("x,n\n1,2\n", "--events x", 2, "--events and --n"),
        ("x,n\n1,2\n", "--events x --n n --estimate x --se n", 2, "either"),
    ],
)
def test_what_cannot_be_pooled(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, content: str, options: str, code: int,
    said: str,
) -> None:  # fmt: skip
    path = tmp_path / "few.csv"
    path.write_text(content, encoding="utf-8")
    message = run(capsys, "combine", str(path), *options.split(), code=code)["error"]["message"]
    assert said in message


def test_discrete_time_is_the_direct_maximum_in_r(capsys: pytest.CaptureFixture[str]) -> None:
    # firth_discrete_time.R maximises the same penalised likelihood; E-values by their formula.
    table = str(REFERENCE / "data" / "rare300.csv")
    options = ["--model", "firth-discrete-time", "--time", "time", "--event", "event"]
    options += ["--terms", "x1,x2,x3", "--edges", "24,48,72,96,120", "--e-values"]
    answer = run(capsys, "regress", table, *options)
    found = [term["coef"] for term in answer["terms"]]
    expected = DISCRETE["parts"]["coef"]
    assert found[-3:] == pytest.approx(expected[-3:], rel=1e-4)
    assert found[0] == pytest.approx(expected[0], rel=1e-4)
    ratio = math.exp(abs(found[-2]))
    value = {one["term"]: one["estimate"] for one in answer["e_values"]["terms"]}["x2"]
    assert value == pytest.approx(ratio + math.sqrt(ratio * (ratio - 1)))
    assert answer["terms"][0]["lower"] is None  # the baseline is not profiled


def test_discrete_time_needs_its_intervals(capsys: pytest.CaptureFixture[str]) -> None:
    table = str(REFERENCE / "data" / "rare300.csv")
    options = ["regress", table, "--time", "time", "--event", "event", "--terms", "x1"]
    model = ["--model", "firth-discrete-time"]
    assert "--edges" in run(capsys, *options, *model, code=2)["error"]["message"]
    wrong = run(capsys, *options, *model, "--edges", "3,2", code=2)["error"]
    assert "increasing" in wrong["message"]
    other = run(capsys, *options, "--model", "cox", "--edges", "3", code=2)["error"]
    assert other["where"]["option"] == "--edges"
