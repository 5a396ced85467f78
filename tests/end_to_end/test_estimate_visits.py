"""``estimate`` of what visits see: illness–death, Weibull, completeness; worked by hand and R."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from reports.app import app
from reports.command_frame import run_in_frame

R = json.loads(
    (Path(__file__).parents[1] / "reference" / "r" / "interval_censored.json").read_text()
)
WHO = "--method illness-death --lower a --upper b --time v --event d --replicates 20"


@pytest.fixture
def ask(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Any:
    def run(content: str, options: str, code: int = 0) -> dict[str, Any]:
        path = tmp_path / "table.csv"
        path.write_text(content, encoding="utf-8")
        found = run_in_frame(app, ["estimate", str(path), *options.split(), "--json"])
        answer: dict[str, Any] = json.loads(capsys.readouterr().out)
        assert found == code, answer
        return answer

    return run


def test_exact_losses_without_death_are_events_over_time(ask: Any) -> None:
    # By hand: losses at 1, 2 and 3, seven free until 5: 3 in 41 person-years, constant.
    rows = [*((t, t) for t in (1, 2, 3)), *((5, "") for _ in range(7))]
    table = "a,b,v,d\n" + "".join(f"{a},{b},6,0\n" for a, b in rows)
    group = ask(table, WHO + " --at 2,5")["groups"][0]
    assert group["events"] == 3
    assert group["intensity"]["loss"][0] == pytest.approx(3 / (1 + 2 + 3 + 7 * 5), rel=1e-4)
    row = group["at"][1]
    assert row["estimate"] == pytest.approx(1 - math.exp(-5 * group["intensity"]["loss"][0]))
    assert row["lower"] < row["estimate"] < row["upper"]
    assert row["above"] + row["lost"] + row["dead"] == pytest.approx(1)
    assert row["loss_if_no_one_died"] == pytest.approx(row["estimate"])


def test_no_loss_has_the_exact_limit_and_groups_are_told_apart(ask: Any) -> None:
    # 0 losses in 20 × 5 person-years: 1 − exp(−5 · 3.6889 / 100) = 0.1684 (0 of 20, exact).
    table = "a,b,v,d,g\n" + "5,,6,0,x\n" * 20 + "1,2,4,1,y\n2,3,5,0,y\n"
    answer = ask(table, WHO + " --at 5 --by g")
    assert [one["group"] for one in answer["groups"]] == ["x", "y"]
    row = answer["groups"][0]["at"][0]
    assert (row["estimate"], row["lower"]) == (0, 0)
    assert row["upper"] == pytest.approx(1 - 0.025 ** (1 / 20))
    assert any("those of the number of losses" in said for said in answer["warnings"])


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("3,2,4,1", "does not lie before a"),
        ("3,4,3.5,1", "does not lie before the last visit"),
        ("3,4,5,2", "is 0 (alive) or 1 (died)"),
        ("-1,4,5,1", "0 or more"),
    ],
)
def test_times_out_of_order_are_refused_by_line(ask: Any, row: str, said: str) -> None:
    error = ask(f"a,b,v,d\n1,2,4,1\n{row}\n", WHO, code=1)["error"]
    assert said in error["message"]
    assert error["where"]["line"] == 3


def test_options_that_do_not_go_with_visits(ask: Any) -> None:
    error = ask("a,b,v,d\n1,2,4,1\n", WHO + " --interval log", code=2)["error"]
    assert error["where"]["option"] == "--interval"
    error = ask("a,b,v,d\n1,2,4,1\n", WHO + " --difference", code=2)["error"]
    assert error["where"]["option"] == "--difference"


def test_the_weibull_beside_the_npmle_is_at_the_maximum(ask: Any) -> None:
    # The likelihood written out here is lower on every side of the curve given; the maximiser
    # itself is held to survreg in test_interval_censored.py. The table is the one R read there.
    mixed = R["mixed"]
    low, high = (
        np.array(mixed["lower"], float),
        np.array([math.inf if x in (None, "Inf", "NA") else x for x in mixed["upper"]], float),
    )
    table = "l,u\n" + "".join(
        f"{a},{'' if math.isinf(b) else b}\n" for a, b in zip(low, high, strict=True)
    )
    answer = ask(table, "--method interval-censored --lower l --upper u --at 5")
    found = answer["groups"][0]["weibull"]

    def log_likelihood(scale: float, shape: float) -> float:
        def free(t: np.ndarray) -> np.ndarray:
            return np.exp(-((t / scale) ** shape))

        exact = low == high
        density = shape / scale * (low / scale) ** (shape - 1) * free(low)
        return float(np.log(np.where(exact, density, free(low) - free(high))).sum())

    with np.errstate(divide="ignore", invalid="ignore"):
        best = log_likelihood(found["scale"], found["shape"])
        assert best == pytest.approx(found["log_likelihood"], rel=1e-9)
        for scale, shape in ((1.02, 1), (0.98, 1), (1, 1.03), (1, 0.97)):
            assert log_likelihood(scale * found["scale"], shape * found["shape"]) < best
    curve = math.exp(-((5 / found["scale"]) ** found["shape"]))
    assert found["at"][0]["estimate"] == pytest.approx(curve)


def test_completeness_of_follow_up_is_clarks(ask: Any) -> None:
    # Clark, Altman and De Stavola 2002, by hand: 6 of 3 + 3 + 2 years owed.
    answer = ask("t,e,p\n1,0,3\n3,0,3\n2,1,3\n", "--time t --event e --potential p")
    found = answer["completeness"][0]
    assert (found["observed"], found["owed"], found["index"]) == (6, 8, 0.75)
    error = ask("t,e,p\n1,0,-3\n", "--time t --event e --potential p", code=1)["error"]
    assert error["where"]["line"] == 2
