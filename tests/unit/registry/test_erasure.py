"""Erasing a person: what goes, what stays, and that no trace is left in any file."""

from __future__ import annotations

import shutil
from datetime import datetime
from pathlib import Path

import pyarrow as pa
import pytest

from registry.engine.chain import read_head, write_head
from registry.errors import RefusedInputError
from registry.safekeeping.erasure import erase_patient
from registry.safekeeping.integrity import check_integrity
from registry.store import open_store

AT, LATER = datetime(2024, 3, 1, 9), datetime(2025, 1, 1)
GONE = "GONEPERSON"


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory, empty_store: Path) -> Path:
    """Return a store of two people; one visit was first recorded for the wrong one."""
    folder = tmp_path_factory.mktemp("base") / "store"
    shutil.copytree(empty_store, folder)
    path = folder / "small.registry"
    people = [GONE, "KEPTPERSON"]
    tumours = [f"T-{person}" for person in people]
    with open_store(path, write=True) as store:
        with store.batch("intake", by="ana", at=AT) as batch:
            batch.append("patient", pa.table({"patient_id": people, "birth_year": [1950, 1960]}))
            rows = {"tumour_id": tumours, "patient_id": people, "eye": ["left", "right"]}
            batch.append("tumour", pa.table(rows))
            batch.append("implant", pa.table({
                "implant_id": [f"I-{person}" for person in people],
                "tumour_id": tumours,
                "inserted_at": [AT, AT],
            }))  # fmt: skip
            batch.append("implant_muscle", pa.table({
                "implant_id": [f"I-{person}" for person in people],
                "muscle": ["lateral_rectus", "lateral_rectus"],
            }))  # fmt: skip
            batch.append("visit", pa.table({
                "visit_id": [f"V-{person}" for person in people] + ["V-mixed"],
                "patient_id": [*people, GONE],
                "eye": ["left", "right", "left"],
                "visit_date": [AT.date()] * 3,
            }))  # fmt: skip
            batch.note_file(f"new_{GONE.lower()}_2.csv", "ab" * 32, 2, "patient")
        why = f"belongs to KEPTPERSON, not {GONE}"
        with store.batch("correction", by="ana", why=why, at=AT) as batch:
            batch.append("visit", pa.table({
                "visit_id": ["V-mixed"],
                "patient_id": ["KEPTPERSON"],
                "eye": ["right"],
                "visit_date": [AT.date()],
            }))  # fmt: skip
        with store.batch("correction", by="ben", why="misread", at=AT) as batch:
            batch.append("patient", pa.table({"patient_id": [GONE], "birth_year": [1951]}))
    return path


@pytest.fixture
def path(tmp_path: Path, base: Path) -> Path:
    """Return a copy of the store in a folder of its own."""
    shutil.copytree(base.parent, tmp_path / "store")
    return tmp_path / "store" / base.name


def _everything(folder: Path) -> bytes:
    return b"".join(file.read_bytes() for file in folder.iterdir())


def test_nothing_of_the_person_is_left_in_any_file(path: Path) -> None:
    assert GONE.encode() in _everything(path.parent)
    done = erase_patient(path, GONE, by="ana", why="asked for it", at=LATER)
    assert dict(done.versions) == {
        "patient": 2, "tumour": 1, "implant": 1, "implant_muscle": 1, "visit": 2,
    }  # fmt: skip
    assert dict(done.records) == {
        "patient": 1, "tumour": 1, "implant": 1, "implant_muscle": 1, "visit": 1,
    }  # fmt: skip
    left = _everything(path.parent)
    assert GONE.lower().encode() not in left
    assert GONE.encode() not in left
    assert b"KEPTPERSON" in left
    assert not path.with_name(path.name + ".previous").exists()
    assert path.stat().st_mode & 0o777 == 0o600
    assert check_integrity(path).is_whole


def test_everyone_else_stays_as_recorded(path: Path) -> None:
    with open_store(path) as store:
        before = {
            (table, key): store.history(table, key)
            for table, key in (
                ("patient", "KEPTPERSON"),
                ("tumour", "T-KEPTPERSON"),
                ("implant", "I-KEPTPERSON"),
                ("visit", "V-KEPTPERSON"),
            )
        }
        settings, files = store.settings(), store.files_taken()
    erase_patient(path, GONE, by="ana", why="asked for it", at=LATER)
    with open_store(path) as store:
        for (table, key), versions in before.items():
            assert store.history(table, key) == versions
        assert store.settings() == settings
        assert set(store.files_taken()) == set(files)
        [taken] = store.files_taken().values()
        assert taken.name == "new_[erased]_2.csv"
        [mixed] = store.history("visit", "V-mixed")  # its first version named the person
        assert (mixed.version, mixed.values["patient_id"]) == (1, "KEPTPERSON")
        assert mixed.reason == "belongs to KEPTPERSON, not [erased]"


def test_the_tombstone_says_who_when_why_and_how_many(path: Path) -> None:
    with open_store(path) as store:
        old = store.head()
    done = erase_patient(path, GONE, by="ana", why="asked for it", at=LATER)
    with open_store(path) as store:
        anchor, start = store.storage.anchors()[-1]
        assert anchor.hash() == start
        new = store.head()
    assert anchor.previous_hash == old.chain_hash
    assert (anchor.anchor_no, anchor.recorded_by) == (2, "ana")
    assert anchor.reason == "erasure of 1 person, 7 versions of records: asked for it"
    assert done.previous_hash == old.chain_hash.hex()
    assert check_integrity(path, expected_hash=old.chain_hash.hex()).is_whole
    assert new.batch_no == old.batch_no
    assert read_head(path) == new


def test_an_erasure_cut_short_before_its_side_file_is_caught_up(path: Path) -> None:
    old = read_head(path)
    assert old is not None
    erase_patient(path, GONE, by="ana", why="asked for it", at=LATER)
    write_head(path, old)
    assert check_integrity(path).is_whole
    with open_store(path, write=True) as store:
        with store.batch("intake", by="ana", at=LATER) as batch:
            batch.append("patient", pa.table({"patient_id": ["NEXT"]}))
        assert read_head(path) == store.head()
    assert check_integrity(path).is_whole


def test_a_second_person_can_follow(path: Path) -> None:
    erase_patient(path, GONE, by="ana", why="asked, as KEPTPERSON did", at=LATER)
    erase_patient(path, "KEPTPERSON", by="ana", why="asked for it as well", at=LATER)
    assert check_integrity(path).is_whole
    assert b"KEPTPERSON" not in _everything(path.parent)
    with open_store(path) as store:
        reasons = [anchor.reason for anchor, _ in store.storage.anchors()]
        assert reasons[1] == "erasure of 1 person, 7 versions of records: asked, as [erased] did"
        assert len(reasons) == 3
        assert store.connection.execute("FROM visit_version").fetchall() == []


@pytest.mark.parametrize(
    ("patient", "why", "said"),
    [
        ("NOBODY", "asked", "holds no patient of that identifier"),
        (GONE, " ", "needs a reason"),
        (GONE, f"{GONE} asked", "must not name the person"),
        (GONE, f"tumour t-{GONE.lower()} moved", "must not name the person"),
    ],
)
def test_what_is_refused_changes_nothing(path: Path, patient: str, why: str, said: str) -> None:
    before = path.read_bytes()
    with pytest.raises(RefusedInputError, match=said) as refusal:
        erase_patient(path, patient, by="ana", why=why, at=LATER)
    assert GONE not in refusal.value.message
    assert path.read_bytes() == before
    assert check_integrity(path).is_whole
    assert not list(path.parent.glob("*.draft*"))
