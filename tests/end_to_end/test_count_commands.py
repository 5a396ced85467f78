"""The commands on plain counts: observed-expected, proportion, funnel."""

from __future__ import annotations

import json

import pytest

from reports.app import app
from reports.command_frame import run_in_frame


def run(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> dict[str, object]:
    assert run_in_frame(app, [*arguments, "--json"]) == code
    answer: dict[str, object] = json.loads(capsys.readouterr().out)
    return answer


def test_observed_expected(capsys: pytest.CaptureFixture[str]) -> None:
    # OpenEpi's SMR example; exact limits from R's poisson.test.
    answer = run(capsys, "observed-expected", "--observed", "4", "--expected", "3.3")
    assert list(answer)[:2] == ["schema_version", "command"]
    assert answer["ratio"] == pytest.approx(1.2121, abs=5e-5)
    assert (answer["lower"], answer["upper"]) == pytest.approx((0.3303, 3.1035), abs=5e-5)
    mid_p = answer["mid_p"]
    assert isinstance(mid_p, dict)
    assert mid_p["p"] == pytest.approx(0.6571, abs=5e-5)


def test_proportion(capsys: pytest.CaptureFixture[str]) -> None:
    # Newcombe 1998, table I.
    answer = run(capsys, "proportion", "--events", "0", "--n", "20")
    assert answer["estimate"] == 0
    assert answer["exact"] == {"lower": 0.0, "upper": pytest.approx(0.1684, abs=5e-5)}
    assert answer["wilson"] == {"lower": 0.0, "upper": pytest.approx(0.1611, abs=5e-5)}


def test_funnel(capsys: pytest.CaptureFixture[str]) -> None:
    # Spiegelhalter 2005, appendix formula with R's qbinom.
    answer = run(capsys, "funnel", "--target", "0.05", "--n", "50,100")
    limits = answer["limits"]
    assert isinstance(limits, list)
    assert limits[1] == {
        "n": 100.0,
        "lower_99_8": 0.0,
        "lower_95": pytest.approx(0.00612, abs=5e-6),
        "upper_95": pytest.approx(0.09191, abs=5e-6),
        "upper_99_8": pytest.approx(0.12464, abs=5e-6),
    }
    by_expected = run(capsys, "funnel", "--target", "1", "--expected", "20")
    assert by_expected["kind"] == "poisson"


@pytest.mark.parametrize(
    ("arguments", "option"),
    [
        ("proportion --events 3 --n 2", "--events"),
        ("proportion --events 1 --n 2 --level 95", "--level"),
        ("observed-expected --observed 1 --expected 0", "--expected"),
        ("funnel --target 0.1 --n 50,10.5", "--n"),
        ("observed-expected --observed -1 --expected 2", "--observed"),
        ("observed-expected --observed 1 --expected nan", "--expected"),
        ("funnel --target 0.1", "--n"),
        ("funnel --target 0.1 --n 5 --expected 5", "--n"),
        ("funnel --target 0.1 --n 5,x", "--n"),
        ("funnel --target 1.1 --n 5", "--target"),
        ("funnel --target 1.1 --expected 0", "--expected"),
    ],
)
def test_bad_options_are_named(
    capsys: pytest.CaptureFixture[str], arguments: str, option: str
) -> None:
    error = run(capsys, *arguments.split(), code=2)["error"]
    assert isinstance(error, dict)
    assert error["kind"] == "usage"
    assert error["where"]["option"] == option


def test_text_answers(capsys: pytest.CaptureFixture[str]) -> None:
    assert run_in_frame(app, ["proportion", "--events", "81", "--n", "263"]) == 0
    text = capsys.readouterr().out
    assert "81 / 263 = 0.3080" in text
    assert "0.2527" in text
