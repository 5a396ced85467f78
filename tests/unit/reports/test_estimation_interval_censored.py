"""The interval-censored answer: its keys, what is null, and what is refused."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest

from registry.errors import RefusedEstimateError, RefusedInputError
from reports.command_frame import make_plain
from reports.tables.estimation_interval_censored import describe_interval_censored


def describe(*arguments: Any, **options: Any) -> dict[str, Any]:
    answer = make_plain(describe_interval_censored(*arguments, **options))
    assert json.loads(json.dumps(answer, allow_nan=False)) == answer
    assert isinstance(answer, dict)
    return answer


def test_the_keys_of_the_answer() -> None:
    # (0, 2] and (1, 4] share (1, 2]; one of three is above at 3: mass 2/3 there, by hand.
    group = describe([0, 1, 3], [2, 4, math.nan], at=[1, 1.5, 2, 9])["groups"][0]
    assert (group["group"], group["n"], group["events"]) == ("all", 3, 2)
    keys = ["from", "to", "mass", "estimate", "lower", "upper"]
    assert [list(row) for row in group["curve"]] == [keys] * len(group["curve"])
    assert group["curve"][0]["from"] == 1
    assert group["curve"][0]["to"] == 2
    assert group["curve"][0]["estimate"] == pytest.approx(1 - group["curve"][0]["mass"])
    assert group["log_likelihood"] < 0
    at = {row["time"]: row for row in group["at"]}
    assert at[1]["estimate"] == at[1]["upper"] == at[1]["limit_upper"] == 1
    assert 0 < at[1]["limit_lower"] == at[1]["lower"] < 1
    assert at[1.5]["estimate"] is None
    assert at[1.5]["is_inside_mass_interval"]
    assert (at[1.5]["lower"], at[1.5]["upper"]) == (pytest.approx(at[2]["estimate"]), 1)
    assert (at[9]["estimate"], at[9]["lower"], at[9]["upper"]) == (None, None, None)


def test_groups_are_compared_and_infinite_ends_are_null() -> None:
    lower, upper = [0, 0, 2, 4, 4, 7], [1, 2, 3, 6, 6, math.inf]
    answer = describe(lower, upper, group=["b", "b", "b", "a", "a", "a"])
    assert [group["group"] for group in answer["groups"]] == ["a", "b"]
    assert answer["groups"][0]["curve"][-1]["to"] is None
    test = answer["tests"][0]
    assert test["name"] == "interval-censored log-rank"
    assert test["df"] == 1
    assert test["statistic"] == pytest.approx(test["z"] ** 2)
    assert test["z"] > 0  # the second group fails earlier


def test_no_test_without_a_difference_or_with_weights() -> None:
    still = describe([1, 2], [math.inf, math.inf], group=["a", "b"])
    assert still["tests"] == []
    assert any("same score" in warning for warning in still["warnings"])
    assert sum("no event, so" in warning for warning in still["warnings"]) == 2
    weighted = describe([1, 2], [3, 4], group=["a", "b"], weight=[2, 1])
    assert weighted["tests"] == []
    assert "no weights" in weighted["warnings"][-1]


def test_median_is_the_interval_or_the_exact_time() -> None:
    exact = describe([1, 2, 3], [1, 2, 3])["groups"][0]["median"]
    assert exact == {"value": 2, "lower": 2, "upper": 2}
    between = describe([1], [3])["groups"][0]["median"]
    assert between == {"value": None, "lower": 1, "upper": 3}
    never = describe([1], [math.inf])["groups"][0]["median"]
    assert never == {"value": None, "lower": None, "upper": None}


@pytest.mark.parametrize(
    ("lower", "upper", "weight", "rule"),
    [
        ([0, 6], [2, 4], None, "at or after its start"),
        ([0, -1], [2, 4], None, "0 or more"),
        ([0, math.inf], [2, math.inf], None, "finite time"),
        ([0, 1], [2, 4], [1, 0], "above 0"),
    ],
)
def test_bad_rows_are_refused_by_line(
    lower: list[float], upper: list[float], weight: list[float] | None, rule: str
) -> None:
    with pytest.raises(RefusedInputError, match=rf"Line 9: .*{rule}") as refusal:
        describe_interval_censored(lower, upper, weight=weight, lines=[8, 9])
    assert refusal.value.where == {"line": 9}


def test_no_row_is_refused() -> None:
    with pytest.raises(RefusedEstimateError, match="no observation"):
        describe_interval_censored([], [])
