"""``afterplaque case`` where the eye has two treated tumours: what is the other's is called so.

Heights and failures of one tumour say nothing of the other; acuity is the eye's.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from reports.app import app
from reports.command_frame import run_in_frame

EYE = {"patient_id": "P1", "eye": "right"}
ROWS: dict[str, list[dict[str, Any]]] = {
    "patient": [{"patient_id": "P1", "vital_status_date": "2024-12-31"}],
    "tumour": [{"tumour_id": name, **EYE} for name in ("TA", "TB")],
    "implant": [
        {"implant_id": f"I{name}", "tumour_id": name, "inserted_at": "2020-01-01 10:00"}
        for name in ("TA", "TB")
    ],
    "visit": [
        {"visit_id": "V1", **EYE, "tumour_id": "TA", "visit_date": "2020-07-01"}
        | {"thickness_mm": "4.5", "local_status": "controlled"},
        {"visit_id": "V2", **EYE, "tumour_id": "TB", "visit_date": "2020-07-01"}
        | {"thickness_mm": "3.25", "local_status": "failed"},
    ],
    "event": [
        {"event_id": "E1", **EYE, "tumour_id": "TB", "event_date": "2020-07-01"}
        | {"kind": "local_failure"}
    ],
}


@pytest.fixture
def store(registry_of: Callable[..., Any], tmp_path: Path) -> str:
    with registry_of(ROWS):
        pass
    return str(tmp_path / "store" / "small.registry")


def _lines(text: str) -> list[list[str]]:
    return [line.split() for line in text.splitlines() if line.startswith("2020-07-01")]


def test_the_course_tells_whose_height_and_failure_it_is(
    store: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_in_frame(app, ["case", store, "TA", "--data-cut", "2024-12-31"]) == 0
    assert sorted(_lines(capsys.readouterr().out)) == [
        ["2020-07-01", "182", "local", "failure", "(another", "tumour)"],
        ["2020-07-01", "182", "visit", "(another", "tumour)"],
        ["2020-07-01", "182", "visit", "4.5", "controlled"],
    ]
    assert run_in_frame(app, ["case", store, "TB", "--data-cut", "2024-12-31"]) == 0
    assert ["2020-07-01", "182", "local", "failure"] in _lines(capsys.readouterr().out)


def test_the_page_tells_whose_failure_it_is(
    store: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    for tumour, said in (("TA", True), ("TB", False)):
        out = tmp_path / tumour
        asked = ["case", store, tumour, "--data-cut", "2024-12-31", "--format", "html", "--json"]
        assert run_in_frame(app, [*asked, "--out", str(out)]) == 0
        (file,) = json.loads(capsys.readouterr().out)["files"].values()
        page = Path(file).read_text(encoding="utf-8")
        assert ("local failure (another tumour)" in page) == said
