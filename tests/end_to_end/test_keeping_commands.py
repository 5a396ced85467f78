"""The commands that keep a registry, as a person runs them: lock, backup, restore, erase, check."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from registry.store import create_store
from registry.taking_in.intake import take_in
from reports.options.option_values import now_utc
from synthetic_cohort.cohort import draw_department, write_files
from synthetic_cohort.truth import TRUTH

PROGRAM = [sys.executable, "-c", "from reports.app import main; main()"]


def _run(*arguments: object, text: str | None = None) -> subprocess.CompletedProcess[str]:
    environment = {k: v for k, v in os.environ.items() if not k.startswith("AFTERPLAQUE_")}
    return subprocess.run(
        [*PROGRAM, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        input=text,
        env=environment,
    )


def _answer(*arguments: object, code: int = 0) -> Mapping[str, Any]:
    ran = _run(*arguments, "--json")
    assert ran.returncode == code, ran.stdout + ran.stderr
    answered: Mapping[str, Any] = json.loads(ran.stdout)
    return answered


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a registry of 60 invented patients taken in from files."""
    folder = tmp_path_factory.mktemp("ours")
    drawn = draw_department(
        TRUTH,
        60,
        np.random.default_rng(3),
        first_implant_date=date(2016, 1, 1),
        last_implant_date=date(2022, 12, 31),
        data_cut=date(2022, 12, 31),
    )
    write_files(drawn, folder / "files")
    path = folder / "ours.registry"
    create_store(path, centre_id="invented", by="ana", at=now_utc())
    assert take_in(path, [folder / "files"], by="ana", at=now_utc()).taken
    return path


def test_the_report_of_a_lock_names_it(store: Path, tmp_path: Path) -> None:
    """That two reports of it are the same byte for byte is in test_hostile_texts.py."""
    lock, out = tmp_path / "2022.lock", tmp_path / "out"
    made = _answer("snapshot", store, lock, "--data-cut", "2022-06-30")
    said = _answer("audit", lock, "--year", 2022, "--out", out, "--format", "html")
    assert (said["data_cut"], said["content_hash"]) == ("2022-06-30", made["content_hash"])
    [page] = out.iterdir()
    assert made["content_hash"] in page.read_text(encoding="utf-8")
    said = _answer("outcome", lock, "--end-point", "local_failure", "--replicates", 100)
    assert said["data_cut"] == "2022-06-30"
    late = _answer("audit", lock, "--year", 2022, "--data-cut", "2022-12-31", code=2)
    assert "needs a new lock" in late["error"]["message"]


def test_backup_restore_and_integrity(store: Path, tmp_path: Path) -> None:
    backup, new = tmp_path / "backup", tmp_path / "new.registry"
    made = _answer("backup", store, backup)
    restored = _answer("restore", backup, new)
    whole = _answer("integrity", new, "--expect", made["chain_hash"])
    assert restored["content_hash"] == made["content_hash"]
    assert whole["whole"]
    assert whole["chain_hash"] == made["chain_hash"]
    content = bytearray((backup / "visit_version.parquet").read_bytes())
    content[100] ^= 1
    (backup / "visit_version.parquet").write_bytes(content)
    refused = _answer("restore", backup, tmp_path / "again.registry", code=1)
    assert refused["error"]["where"]["file"].endswith("visit_version.parquet")
    damaged = bytearray(new.read_bytes())
    damaged[-1] ^= 1
    new.write_bytes(damaged)
    found = _answer("integrity", new, code=3)
    assert not found["whole"]
    assert found["faults"][0]["kind"] == "file"
    said = _run("integrity", new)
    assert said.returncode == 3
    assert "Do not write to it" in said.stderr


def test_erase_leaves_no_trace(store: Path, tmp_path: Path) -> None:
    backup, mine = tmp_path / "backup", tmp_path / "mine" / "mine.registry"
    mine.parent.mkdir()
    _answer("backup", store, backup)
    _answer("restore", backup, mine)
    lines = (store.parent / "files" / "patient.csv").read_text().splitlines()
    person = lines[1].split(",")[lines[0].split(",").index("patient_id")]
    refused = _answer("erase", mine, f"patient:{person}", "--why", f"{person} asked", code=1)
    assert person not in json.dumps(refused)
    said = _answer("erase", mine, f"patient:{person}", "--why", "asked for it")
    assert said["erased_persons"] == 1
    assert person not in json.dumps(said)
    content = b"".join(file.read_bytes() for file in mine.parent.iterdir())
    assert person.encode() not in content
    assert _answer("integrity", mine, "--expect", said["previous_hash"])["whole"]
    assert _run("erase", mine, "tumour:T1", "--why", "x").returncode == 2
