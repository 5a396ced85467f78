"""Setting aside: whole patients without an error are taken, the others written out."""

from __future__ import annotations

import csv
import json
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from registry.errors import DataProblemsError
from registry.store import open_store
from registry.taking_in.intake import IntakeResult, take_in
from reports.app import app
from reports.command_frame import run_in_frame

AT = datetime(2026, 1, 31, 12, tzinfo=UTC)
FILES = {
    "patient": ["patient_id,sex", *(f"P{n},female" for n in range(1, 7))],
    "tumour": [
        "tumour_id,patient_id,eye,thickness_mm,largest_basal_diameter_mm",
        *(f"T{n},P{n},right,4,10" for n in range(1, 7)),
    ],
    "applicator": ["applicator_id,isotope,diameter_mm", "A1,Ru-106,15", "A2,Ru-106,99"],
    "implant": [
        "implant_id,tumour_id,applicator_id,inserted_at",
        *(f"I{n},T{n},{'A2' if n == 5 else 'A1'},2020-01-01 12:00" for n in range(1, 7)),
    ],
    "visit": [
        "visit_id,patient_id,eye,visit_date,acuity",
        *(f"V{n},P{n},{'OD' if n == 2 else 'right'},2020-02-01,6/9" for n in range(1, 7)),
        "V12,P2,right,2020-03-01,6/9",
        "V13,P3,right,2020-03-01,rubbish",
        'V14,P4,right,"2020-03-01,6/9',
    ],
}


@pytest.fixture
def store(tmp_path: Path, empty_store: Path) -> Path:
    """Return a copy of the empty store."""
    shutil.copytree(empty_store, tmp_path / "store")
    return tmp_path / "store" / "small.registry"


def _write(folder: Path, **changes: list[str]) -> Path:
    folder.mkdir(exist_ok=True)
    for table, lines in (FILES | changes).items():
        (folder / f"{table}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def _take(store: Path, folder: Path, **options: Any) -> IntakeResult:
    return take_in(store, [folder], by="tester", at=AT, sets_aside=True, **options)


def _held(store: Path, table: str, key: str) -> list[str]:
    with open_store(store) as opened:
        rows = opened.connection.execute(f"SELECT {key} FROM {table} ORDER BY 1").fetchall()
    return [row[0] for row in rows]


def test_clean_patients_come_in_whole_and_the_others_stay_out_whole(
    tmp_path: Path, store: Path
) -> None:
    """P2 has a wrong eye, P3 a wrong acuity, P4 an unclosed quote, P5 a plaque in error."""
    result = _take(store, _write(tmp_path / "files"))
    assert result.taken
    for table, letter in (("patient", "P"), ("tumour", "T"), ("implant", "I"), ("visit", "V")):
        assert _held(store, table, f"{table}_id") == [f"{letter}1", f"{letter}6"]
    assert _held(store, "applicator", "applicator_id") == ["A1"]
    aside = {(row.patient_id, row.table) for row in result.set_aside}
    assert {patient for patient, _ in aside} == {"", "P2", "P3", "P4", "P5"}
    assert len(result.set_aside) == 4 * 4 + 3 + 1
    [wrong_eye] = [row for row in result.set_aside if (row.table, row.row) == ("visit", 3)]
    assert 'write "right"' in wrong_eye.findings
    with open_store(store) as opened:
        taken = {file.name for file in opened.files_taken().values()}
        [(why,)] = opened.connection.execute(
            "SELECT why FROM batch WHERE kind = 'intake'"
        ).fetchall()
    assert taken == set()
    assert why.startswith("20 rows set aside of applicator.csv, implant.csv")


def test_the_mended_files_bring_the_rest_in(tmp_path: Path, store: Path) -> None:
    folder = _write(tmp_path / "files")
    _take(store, folder)
    mended = [line.replace("OD", "right").replace("rubbish", "6/6") for line in FILES["visit"]]
    mended[-1] = "V14,P4,right,2020-03-01,6/9"
    _write(folder, visit=mended, applicator=[*FILES["applicator"][:2], "A2,Ru-106,20"])
    result = _take(store, folder)
    assert result.taken
    assert not result.set_aside
    assert len(_held(store, "visit", "visit_id")) == 9


def test_without_errors_it_is_an_ordinary_intake(tmp_path: Path, store: Path) -> None:
    folder = _write(
        tmp_path / "files",
        visit=FILES["visit"][:2],
        applicator=["applicator_id,isotope,diameter_mm", "A1,Ru-106,15", "A2,Ru-106,20"],
    )
    assert _take(store, folder).taken
    assert _take(store, folder).already_taken


@pytest.mark.parametrize(
    ("line", "message"),
    [("V20,,right,2020-01-01,6/9", "whose row this is cannot be told"), ('"V20,P1', "row 2")],
)
def test_a_row_that_could_be_anyones_stops_it(
    line: str, message: str, tmp_path: Path, store: Path
) -> None:
    folder = _write(tmp_path / "files", visit=[FILES["visit"][0], line])
    with pytest.raises(DataProblemsError, match=message):
        _take(store, folder)
    assert _held(store, "patient", "patient_id") == []


def test_a_wrong_heading_stops_it(tmp_path: Path, store: Path) -> None:
    folder = _write(
        tmp_path / "files",
        visit=["visit_id,patient_id,eye,visit_date,vision", "V1,P1,right,2020-01-01,6/9"],
    )
    with pytest.raises(DataProblemsError, match="the heading or the file itself"):
        _take(store, folder)


def test_the_command_writes_them_out(
    tmp_path: Path, store: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, out = _write(tmp_path / "files"), tmp_path / "aside.csv"
    options = ["--set-aside", str(out), "--by", "tester", "--json"]
    assert run_in_frame(app, ["intake", str(store), str(folder), *options]) == 3
    answer = json.loads(capsys.readouterr().out)
    assert (answer["taken"], answer["set_aside"], answer["rows"]["visit"]) == (True, 20, 2)
    assert out.stat().st_mode & 0o777 == 0o600
    with out.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 20
    assert json.loads(rows[-1]["record"])["patient_id"].startswith("P")


def test_numbers_set_aside_are_written_as_they_were_entered(tmp_path: Path, store: Path) -> None:
    visits = [
        "visit_id,patient_id,eye,visit_date,iop_mmhg",
        "V1,P1,OD,2020-02-01,15.50",
        "V2,P2,right,2020-02-01,15",
    ]
    result = _take(store, _write(tmp_path / "files", visit=visits))
    (record,) = [dict(row.record) for row in result.set_aside if row.table == "visit"]
    assert record["iop_mmhg"] == "15.5"
