"""``afterplaque outcome`` with a landmark, with and without sensitivity analyses, on a small store.

Four tumours treated on 2020-01-01; the answers were worked out by hand.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from reports.app import app
from reports.command_frame import run_in_frame


def _rows() -> dict[str, list[dict[str, Any]]]:
    rows: dict[str, list[dict[str, Any]]] = {
        name: [] for name in ("patient", "tumour", "implant", "visit", "event")
    }
    # A fails on day 300, B on day 500, C is followed to day 900, D to day 200 only
    for name, last, failed in (("A", 300, 300), ("B", 500, 500), ("C", 900, 0), ("D", 200, 0)):
        eye = {"patient_id": name, "eye": "left"}
        rows["patient"].append({"patient_id": name, "vital_status_date": "2024-12-31"})
        rows["tumour"].append({"tumour_id": f"T{name}", **eye})
        implant = {"implant_id": f"I{name}", "tumour_id": f"T{name}"}
        rows["implant"].append(implant | {"inserted_at": "2020-01-01 10:00"})
        when = _day(last)
        status = "failed" if failed else "controlled"
        rows["visit"].append(
            {"visit_id": f"V{name}", **eye, "visit_date": when, "local_status": status}
        )
    rows["event"].append(
        {"event_id": "E1", "patient_id": "B", "eye": "left", "event_date": _day(100)}
        | {"kind": "uveitis"}
    )
    return rows


def _day(n: int) -> str:
    return (date(2020, 1, 1) + timedelta(days=n)).isoformat()


@pytest.fixture
def store(registry_of: Callable[..., Any], tmp_path: Path) -> str:
    with registry_of(_rows()):
        pass
    return str(tmp_path / "store" / "small.registry")


def _ask(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, dict[str, Any]]:
    fixed = ("--end-point", "local_failure", "--data-cut", "2024-12-31", "--replicates", "100")
    code = run_in_frame(app, ["outcome", *arguments, *fixed, "--json"])
    return code, json.loads(capsys.readouterr().out)


def test_a_landmark_starts_the_clock_later(store: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, found = _ask(capsys, store, "--landmark", "1", "--by", "uveitis", "--at", "0.5")
    assert code == 0
    assert found["landmark_years"] == 1.0
    assert [(step["left_out"], step["kept"]) for step in found["flow"][-3:]] == [
        (1, 3), (0, 3), (0, 3)
    ]  # fmt: skip
    without, with_it = found["groups"]
    assert without["group"] == "no uveitis by the landmark"
    assert (without["n"], without["events"]) == (2, 0)
    assert (with_it["n"], with_it["events"]) == (1, 1)
    # B fails on day 500, 135 days after the landmark
    assert with_it["kaplan_meier"]["curve"][-1]["time"] == pytest.approx(135 / 365.25)
    assert "one clock" not in [one["name"] for one in found["sensitivity"]]


def test_sensitivity_is_on_by_default_and_can_be_left_out(
    store: str, capsys: pytest.CaptureFixture[str]
) -> None:
    _, found = _ask(capsys, store)
    assert len(found["sensitivity"]) == 4
    _, fewer = _ask(capsys, store, "--no-sensitivity")
    assert fewer["sensitivity"] == []
    assert fewer["groups"] == found["groups"]


def test_the_text_shows_sensitivity_and_refuses_a_landmark_at_zero(
    store: str, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["outcome", store, "--end-point", "local_failure", "--data-cut", "2024-12-31"]
    assert run_in_frame(app, [*arguments, "--by", "eye", "--replicates", "100"]) == 0
    said = capsys.readouterr().out
    assert "Sensitivity to the definition" in said
    assert "dated at the first of the suspected visits" in said
    code, answer = _ask(capsys, store, "--landmark", "0")
    assert code == 2
    assert "above 0" in answer["error"]["message"]


@pytest.mark.parametrize(
    ("method", "shown", "hidden"),
    [
        ("kaplan-meier", "Kaplan–Meier\n", "Cumulative incidence\n"),
        ("cumulative-incidence", "Cumulative incidence\n", "Kaplan–Meier\n"),
    ],
)
def test_one_estimator_is_printed_and_both_are_answered(
    store: str, capsys: pytest.CaptureFixture[str], method: str, shown: str, hidden: str
) -> None:
    fixed = ["outcome", store, "--end-point", "local_failure", "--data-cut", "2024-12-31"]
    assert run_in_frame(app, [*fixed, "--no-sensitivity"]) == 0
    both = capsys.readouterr().out
    assert shown in both
    assert hidden in both
    assert run_in_frame(app, [*fixed, "--no-sensitivity", "--method", method]) == 0
    said = capsys.readouterr().out
    assert shown in said
    assert hidden not in said
    code, answer = _ask(capsys, store, "--method", method)
    assert code == 0
    assert {"kaplan_meier", "cumulative_incidence"} <= set(answer["groups"][0])
