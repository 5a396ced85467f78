"""decay, bed, dose and placement, run as commands on numbers and on a drawn department."""

from __future__ import annotations

import csv
import json
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.implants.dose_agreement import compare_with_recorded
from analysis.implants.dosimetry import recompute_doses
from analysis.outcomes.cohort import EVERYTHING_RECORDED, DataCut
from registry.store import create_store, open_store
from registry.taking_in.intake import take_in
from reports.app import app
from reports.command_frame import CAUTION, run_in_frame
from synthetic_cohort.cohort import draw_department, write_files
from synthetic_cohort.truth import TRUTH

AT = datetime(2026, 1, 5, 9, 0)
N_PATIENTS = 60


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, dict[str, str]]]:
    """Return the store of a small invented department and its implants by name."""
    folder = tmp_path_factory.mktemp("department")
    write_files(draw_department(TRUTH, N_PATIENTS, np.random.default_rng(17)), folder / "files")
    path = folder / "invented.registry"
    create_store(path, centre_id="invented", by="tester", at=AT)
    assert take_in(path, [folder / "files"], by="tester", why="test", at=AT).taken
    with (folder / "files" / "implant.csv").open(encoding="utf-8", newline="") as lines:
        return path, {row["implant_id"]: row for row in csv.DictReader(lines)}


def run(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> dict[str, Any]:
    assert run_in_frame(app, [*arguments, "--json"]) == code
    answer: dict[str, Any] = json.loads(capsys.readouterr().out)
    return answer


def run_text(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert run_in_frame(app, list(arguments)) == 0
    return capsys.readouterr().out


DECAY = [
    "decay",
    "--dose-rate",
    "100",
    "--isotope",
    "Ru-106",
    "--reference-at",
    "2024-01-01",
    "--at",
    "2024-12-31",
]
BED = [
    "bed",
    "--dose-rate",
    "0.6",
    "--hours",
    "168",
    "--half-life-days",
    "59.4",
    "--alpha-beta",
    "3",
    "--repair-half-time-hours",
    "1.5",
]


def test_decay(capsys: pytest.CaptureFixture[str]) -> None:
    # 365 days by the table's two sources: see tests/reference/data/physics_constants.csv.
    found = run(capsys, *DECAY)
    assert list(found)[:2] == ["schema_version", "command"]
    assert found["dose_rate"] == pytest.approx(50.803, abs=5e-4)
    assert (found["half_life_days"], found["source"]) == (373.59, "ICRP Publication 107 (2008)")
    assert found["caution"] == CAUTION
    other = run(capsys, *DECAY, "--half-life-source", "ensdf")
    assert other["dose_rate"] == pytest.approx(50.638, abs=5e-4)
    assert CAUTION in run_text(capsys, *DECAY)


def test_bed(capsys: pytest.CaptureFixture[str]) -> None:
    # The I-125 case of tests/reference/data/physics_constants.csv.
    found = run(capsys, *BED)
    assert found["dose_gy"] == pytest.approx(96.7930, abs=6e-5)
    assert found["bed_gy"] == pytest.approx(176.2535, abs=6e-5)
    assert found["caution"] == CAUTION
    text = run_text(capsys, *BED)
    assert "176.2535 Gy" in text
    assert CAUTION in text
    endless = run(capsys, *BED[:-2], "--repair-half-time-hours", "inf")
    assert endless["bed_gy"] == pytest.approx(96.7930 * (1 + 96.7930 / 3), rel=1e-6)
    assert endless["inputs"]["repair_half_time_hours"] == "inf"


@pytest.mark.parametrize(
    ("arguments", "option"),
    [
        ([*DECAY[:-1], "31.12.2024"], "--at"),
        ([*DECAY[:4], "Au-198", *DECAY[5:]], "--isotope"),
        ([*DECAY[:2], "0", *DECAY[3:]], "--dose-rate"),
        ([*BED[:-1], "-1"], "--repair-half-time-hours"),
        ([*BED[:2], "inf", *BED[3:]], "--dose-rate"),
        (["dose", "--depth", "-1", "a", "b"], "--depth"),
        (["placement", "a", "b", "c"], "IMPLANT_ID"),
        (["placement", "I1"], "STORE"),
    ],
)
def test_bad_options_are_named(
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    arguments: list[str],
    option: str,
) -> None:
    monkeypatch.delenv("AFTERPLAQUE_STORE", raising=False)
    error = run(capsys, *arguments, code=2)["error"]
    assert error["where"]["option"] == option


def test_recomputed_doses_are_those_of_the_drawn_department(
    drawn: tuple[Path, dict[str, dict[str, str]]],
) -> None:
    # The department's doses come from its own code. What differs is rounding in its files: doses to
    # 0.1 Gy, times to a minute, certified rates to 0.0001 mGy/min.
    path, implants = drawn
    with open_store(path) as store:
        table = recompute_doses(store.connection, DataCut(AT.date(), EVERYTHING_RECORDED))
    assert table.n == len(implants)
    for point in ("apex", "inner_sclera", "scleral_surface"):
        doses = table.points[point]
        known = ~np.isnan(doses.dose_gy)
        assert known.sum() > 0.9 * table.n
        assert set(doses.reason[~known]) <= {"no_thickness"}
        half_minute = 0.5 / (60 * table.hours[known])
        allowed = 0.05 + doses.dose_gy[known] * (half_minute + 1e-4)
        assert np.all(np.abs(doses.dose_gy - doses.recorded_gy)[known] <= allowed)
        (agreement,) = compare_with_recorded(table, point)
        assert agreement.ratio is not None
        assert agreement.ratio.bias == pytest.approx(1.0, abs=2e-4)
        assert agreement.beyond == ()
    assert np.nanmedian(table.delivered_over_prescribed) == pytest.approx(1.0, abs=0.03)


def test_dose_of_one_implant(
    capsys: pytest.CaptureFixture[str], drawn: tuple[Path, dict[str, dict[str, str]]]
) -> None:
    path, implants = drawn
    name = next(name for name, row in implants.items() if row["dose_apex_gy"])
    found = run(capsys, "dose", str(path), name, "--depth", "5")
    points = {one["point"]: one for one in found["points"]}
    assert set(points) == {
        "apex", "inner_sclera", "scleral_surface", "prescription", "depth_5_mm"
    }  # fmt: skip
    base = points["inner_sclera"]
    recorded = float(implants[name]["dose_inner_sclera_gy"])
    assert base["dose_gy"] == pytest.approx(recorded, rel=1e-3)
    assert base["lower_gy"] < base["dose_gy"] < base["upper_gy"]
    assert base["bed_gy"] > base["dose_gy"]
    delivered = points["prescription"]["dose_gy"] / float(implants[name]["prescribed_dose_gy"])
    assert found["delivered_over_prescribed"] == pytest.approx(delivered)
    assert name in found["course"]["implant_ids"]
    assert found["inputs"]["half_life_source"] == "ICRP Publication 107 (2008)"
    assert found["caution"] == CAUTION
    text = run_text(capsys, "dose", str(path), name)
    assert text.rstrip().endswith(CAUTION)
    assert f"{base['dose_gy']:.1f}" in text


def test_every_implant_of_the_department_can_be_shown(
    capsys: pytest.CaptureFixture[str], drawn: tuple[Path, dict[str, dict[str, str]]]
) -> None:
    path, implants = drawn
    blank = next(
        (name for name, row in implants.items() if not row["tumour_limbus_distance_mm"]), ""
    )
    for name in [*list(implants)[:2], *([blank] if blank else [])]:
        assert run_text(capsys, "placement", str(path), name).rstrip().endswith(CAUTION)
        assert CAUTION in run_text(capsys, "dose", str(path), name)


def test_placement_of_one_implant(
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    drawn: tuple[Path, dict[str, dict[str, str]]],
) -> None:
    path, implants = drawn
    monkeypatch.setenv("AFTERPLAQUE_STORE", str(path))
    name = next(iter(implants))
    found = run(capsys, "placement", name)
    numbers = {one["name"]: one for one in found["numbers"]}
    planned = float(implants[name]["planned_limbus_distance_mm"])
    way_1 = numbers["limbus_to_plaque_way_1_mm"]
    assert way_1["value"] == pytest.approx(planned, abs=0.051)  # both are recorded to 0.1 mm
    assert way_1["formula"] == "limbus_fovea_mm - (plaque_to_fovea_mm + plaque_diameter_mm)"
    assert way_1["inputs"]["limbus_fovea_mm"] == 30.0
    assert way_1["basis"] == "common practice, no source"
    for one in numbers.values():
        assert (one["value"] is None) == (one["reason_missing"] is not None)
    assert found["caution"] == CAUTION


@pytest.mark.parametrize("command", ["dose", "placement"])
def test_an_unknown_implant_is_refused(
    capsys: pytest.CaptureFixture[str],
    drawn: tuple[Path, dict[str, dict[str, str]]],
    command: str,
) -> None:
    error = run(capsys, command, str(drawn[0]), "nobody", code=1)["error"]
    assert error["where"] == {"table": "implant", "key": "nobody"}
