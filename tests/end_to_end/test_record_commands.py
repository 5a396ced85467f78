"""The program itself, run as a person runs it: init, history, withdraw."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import pyarrow as pa
import pytest

from registry.store import create_store, open_store

PROGRAM = [sys.executable, "-c", "from reports.app import main; main()"]


def _run(*arguments: object, **environment: str) -> subprocess.CompletedProcess[str]:
    inherited = {k: v for k, v in os.environ.items() if not k.startswith("AFTERPLAQUE_")}
    return subprocess.run(
        [*PROGRAM, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        env=inherited | environment,
    )


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a registry by the command and record two patients, one of them corrected."""
    path = tmp_path_factory.mktemp("ours") / "ours.registry"
    ran = _run("init", path, "--centre", "north", "--by", "ana")
    assert (ran.returncode, ran.stdout) == (0, f"{path}\n")
    assert f"afterplaque intake {path} FILE..." in ran.stderr
    rows = pa.table({"patient_id": ["P1", "P2"], "birth_year": [1950, 1961]})
    with open_store(path, write=True) as opened:
        at = datetime.fromisoformat("2099-01-01T10:00")
        with opened.batch("intake", by="ana", at=at) as batch:
            batch.append("patient", rows)
        with opened.batch("correction", by="ben", why="misread", at=at) as batch:
            batch.append("patient", rows.slice(0, 1).drop_columns(["birth_year"]))
    return path


def test_init_makes_it_once(store: Path) -> None:
    ran = _run("init", store, "--json")
    assert ran.returncode == 1
    assert json.loads(ran.stdout)["error"]["kind"] == "store"
    ran = _run("init", store, "--upgrade", "--json")
    answer = json.loads(ran.stdout)
    assert (answer["command"], answer["upgraded"], answer["schema"]) == ("init", True, 1)
    assert answer["settings"]["centre_id"] == "north"
    assert _run("init", store, "--upgrade", "--encrypt").returncode == 2


def test_history_in_words_and_as_json(store: Path) -> None:
    ran = _run("history", "patient:P1", AFTERPLAQUE_STORE=str(store))
    assert ran.returncode == 0
    last = ran.stdout.splitlines()[-1].split()
    assert last == ["2", "2099-01-01", "10:00", "ben", "correction", "misread", "birth_year",
                    "1950", "-"]  # fmt: skip
    answer = json.loads(_run("history", store, "patient:P1", "--json").stdout)
    first, second = answer["versions"]
    assert (answer["table"], answer["key"]) == ("patient", "P1")
    assert first["values"]["centre_id"] == "north"
    assert (second["changed"], second["reason"], second["recorded_by"]) == (
        ["birth_year"],
        "misread",
        "ben",
    )


def test_history_of_nothing(store: Path) -> None:
    for record, said in (("patient:P9", "holds no record"), ("plaque:P1", "no table 'plaque'")):
        ran = _run("history", store, record)
        assert ran.returncode == 1
        assert said in ran.stderr
    assert _run("history", store, "patient:P1", "patient:P2").returncode == 2
    assert "There is no registry" in _run("history", "none", "patient:P1").stderr


def test_a_withdrawal_never_goes_before_what_was_recorded(store: Path) -> None:
    # The fixture recorded in 2099, so today's clock stands before it.
    ran = _run("withdraw", store, "patient:P2", "--why", "another clinic's", "--by", "ana")
    assert ran.returncode == 1
    assert "Put the clock of this machine right" in ran.stderr


def test_withdraw_keeps_every_version(tmp_path: Path) -> None:
    path = tmp_path / "ours.registry"
    assert _run("init", path).returncode == 0
    with open_store(path, write=True) as opened:
        [(at,)] = opened.connection.execute("SELECT max(recorded_at) FROM batch").fetchall()
        with opened.batch("intake", by="ana", at=at) as batch:
            batch.append("patient", pa.table({"patient_id": ["P1", "P2"]}))
    assert _run("withdraw", path, "patient:P1").returncode == 2  # no reason given
    ran = _run("withdraw", path, "patient:P1", "patient:P9", "--why", "twice")
    assert (ran.returncode, ran.stdout) == (1, "")
    named = ("patient:P1", "patient:P1")  # once is enough
    ran = _run("withdraw", path, *named, "--why", "twice", "--json", AFTERPLAQUE_BY="cy")
    assert json.loads(ran.stdout)["withdrawn"] == ["patient:P1"]
    with open_store(path) as opened:
        assert opened.connection.execute("SELECT patient_id FROM patient").fetchall() == [("P2",)]
        versions = opened.history("patient", "P1")
    assert [(row.withdrawn, row.recorded_by) for row in versions] == [(False, "ana"), (True, "cy")]
    assert versions[-1].reason == "twice"


@pytest.fixture
def treated(tmp_path: Path) -> Path:
    """Make a registry of two treated patients, one plaque between them."""
    path = tmp_path / "ours.registry"
    create_store(path, centre_id="north", by="ana", at=datetime(2020, 1, 1, tzinfo=UTC))
    at = datetime(2024, 1, 31, tzinfo=UTC)
    people, eyes = ["P1", "P2"], ["right", "right"]
    day = pa.array([at.date()] * 2, pa.date32())
    tables = {
        "patient": {"patient_id": people},
        "tumour": {"tumour_id": ["T1", "T2"], "patient_id": people, "eye": eyes},
        "applicator": {
            "applicator_id": ["A1"],
            "isotope": ["Ru-106"],
            "diameter_mm": pa.array([Decimal(15)], pa.decimal128(14, 6)),
        },
        "applicator_check": {
            "applicator_id": ["A1"],
            "check_date": day[:1],
            "kind": ["leak"],
            "result": ["pass"],
        },
        "implant": {
            "implant_id": ["I1", "I2"],
            "tumour_id": ["T1", "T2"],
            "applicator_id": ["A1", "A1"],
            "inserted_at": pa.array([datetime(2023, 1, 9, 12)] * 2, pa.timestamp("us")),
        },
        "implant_muscle": {"implant_id": ["I1"], "muscle": ["lateral_rectus"]},
        "visit": {
            "visit_id": ["V1", "V2"],
            "patient_id": people,
            "eye": eyes,
            "tumour_id": ["T1", None],
            "visit_date": day,
        },
    }
    with open_store(path, write=True) as opened, opened.batch("intake", by="ana", at=at) as batch:
        for name, columns in tables.items():
            batch.append(name, pa.table(columns))
    return path


def test_a_patient_is_withdrawn_with_all_that_hangs_on_them(treated: Path) -> None:
    ran = _run("withdraw", treated, "patient:P1", "--why", "entered twice", "--by", "ana")
    assert (ran.returncode, ran.stdout) == (1, "")
    assert "--with-dependents" in ran.stderr
    ran = _run(
        *("withdraw", treated, "patient:P1", "--with-dependents", "--why", "entered twice"),
        *("--by", "ana", "--json"),
    )
    assert sorted(json.loads(ran.stdout)["withdrawn"]) == [
        "implant:I1",
        "implant_muscle:I1|lateral_rectus",
        "patient:P1",
        "tumour:T1",
        "visit:V1",
    ]
    with open_store(treated) as opened:
        for table, key in (("patient", "P2"), ("tumour", "T2"), ("implant", "I2"), ("visit", "V2")):
            held = opened.connection.execute(f"SELECT {table}_id FROM {table}").fetchall()
            assert held == [(key,)]


@pytest.mark.parametrize(
    ("record", "table"), [("applicator:A1", "implant"), ("tumour:T1", "visit")]
)
def test_what_can_stand_without_it_is_never_withdrawn_along(
    treated: Path, record: str, table: str
) -> None:
    ran = _run("withdraw", treated, record, "--with-dependents", "--why", "wrong", "--by", "ana")
    assert ran.returncode == 1
    assert f"Records of {table} still refer" in ran.stderr
    with open_store(treated) as opened:
        assert opened.connection.execute(f"SELECT count(*) FROM {table}").fetchall() == [(2,)]
