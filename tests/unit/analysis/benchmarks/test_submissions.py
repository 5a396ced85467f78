"""Submissions: whole, verified, and gathered with each centre's mark before every identifier."""

from __future__ import annotations

import json
import shutil
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pytest

from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.end_points import LOCAL_FAILURE
from analysis.outcomes.outcome_table import OutcomeTable, read_outcome_table
from registry.errors import RefusedInputError, StoreError
from registry.safekeeping.submissions import gather, name_centre, read_submission, submit
from registry.store import create_store, open_store
from registry.taking_in.intake import take_in
from synthetic_cohort.cohort import draw_department, write_files
from synthetic_cohort.truth import TRUTH

AT = datetime(2025, 1, 31)
CENTRES = ("North (invented)", "South (invented)")


@pytest.fixture(scope="module")
def stores(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Two invented departments that use the same identifiers."""
    made = []
    for seed, name in enumerate(CENTRES, start=5):
        folder = tmp_path_factory.mktemp("centre")
        write_files(draw_department(TRUTH, 40, np.random.default_rng(seed)), folder / "files")
        path = folder / "centre.registry"
        create_store(path, centre_id=name, by="tester", at=AT)
        assert take_in(path, [folder / "files"], by="tester", at=AT).taken
        made.append(path)
    return made


@pytest.fixture(scope="module")
def submissions(stores: list[Path]) -> list[Path]:
    """Everyone of both, submitted."""
    folders = [store.parent / "submission" for store in stores]
    for store, folder in zip(stores, folders, strict=True):
        submit(store, folder, by="tester", at=AT, everyone=True)
    return folders


def outcome(path: Path) -> OutcomeTable:
    with open_store(path) as store:
        cut = DataCut(date(2024, 12, 31))
        return read_outcome_table(store.connection, LOCAL_FAILURE, cut, CohortRules())


def test_gathered_outcomes_are_those_of_the_centres(
    stores: list[Path], submissions: list[Path], tmp_path: Path
) -> None:
    path = tmp_path / "together.registry"
    made = gather(path, submissions, by="tester", at=AT)
    assert made.intake.taken
    assert made.different_settings == ()
    assert list(made.centres) == list(CENTRES)
    together = outcome(path)
    expected = {}
    for store, name in zip(stores, CENTRES, strict=True):
        table = outcome(store)
        for row, unit in enumerate(table.unit_id):
            key = f"{name_centre(name)}:{unit}"
            expected[key] = (int(table.time_days[row]), int(table.status[row]))
    found = {
        unit: (int(together.time_days[row]), int(together.status[row]))
        for row, unit in enumerate(together.unit_id)
    }
    assert found == expected
    with open_store(path) as store:
        centres = store.connection.execute(
            "SELECT centre_id, count(*) FROM patient GROUP BY ALL ORDER BY centre_id"
        ).fetchall()
    assert centres == [(name, 40) for name in CENTRES]


def test_only_people_who_consented_are_submitted(stores: list[Path], tmp_path: Path) -> None:
    made = submit(stores[0], tmp_path / "out", by="tester", at=AT)
    with open_store(stores[0]) as store:
        [(consenting,)] = store.connection.execute(
            "SELECT count(*) FROM patient WHERE research_consent = 'yes'"
        ).fetchall()
    assert made.rows["patient"] == consenting < 40
    _, tables = read_submission(tmp_path / "out")
    assert set(tables["patient"]["research_consent"].to_pylist()) == {"yes"}
    people = set(tables["patient"]["patient_id"].to_pylist())
    assert set(tables["visit"]["patient_id"].to_pylist()) <= people


@pytest.mark.parametrize("name", ["patient.parquet", "visit.parquet", "submission.json"])
def test_one_changed_byte_is_refused(submissions: list[Path], tmp_path: Path, name: str) -> None:
    changed = shutil.copytree(submissions[0], tmp_path / "changed")
    content = bytearray((changed / name).read_bytes())
    content[len(content) // 2] ^= 1
    (changed / name).write_bytes(bytes(content))
    with pytest.raises(StoreError, match="checksum differs"):
        gather(tmp_path / "x.registry", [changed, submissions[1]], by="tester", at=AT)
    assert not (tmp_path / "x.registry").exists()


def test_records_changed_together_with_their_checksum_are_refused(
    submissions: list[Path], tmp_path: Path
) -> None:
    """Another centre's table with a list of checksums made anew: the content hash tells."""
    import hashlib

    changed = shutil.copytree(submissions[0], tmp_path / "changed")
    shutil.copy(submissions[1] / "event.parquet", changed / "event.parquet")
    sums = (changed / "SHA256SUMS").read_text().splitlines()
    digest = hashlib.sha256((changed / "event.parquet").read_bytes()).hexdigest()
    lines = [f"{digest}  event.parquet" if "  event." in line else line for line in sums]
    (changed / "SHA256SUMS").write_text("\n".join(lines) + "\n")
    with pytest.raises(StoreError, match="not those that its manifest speaks of"):
        read_submission(changed)


def test_a_missing_file_and_another_form_are_refused(
    submissions: list[Path], tmp_path: Path
) -> None:
    changed = shutil.copytree(submissions[0], tmp_path / "changed")
    (changed / "event.parquet").unlink()
    with pytest.raises(StoreError, match=r"event\.parquet cannot be read"):
        read_submission(changed)
    manifest = json.loads((submissions[0] / "submission.json").read_text())
    assert manifest["format"] == 1


def test_one_centre_twice_is_refused(submissions: list[Path], tmp_path: Path) -> None:
    with pytest.raises(RefusedInputError, match="of one centre"):
        gather(tmp_path / "x.registry", [submissions[0]] * 2, by="tester", at=AT)


def test_the_content_hash_is_of_the_records_not_the_files(
    stores: list[Path], submissions: list[Path], tmp_path: Path
) -> None:
    later = submit(
        stores[0], tmp_path / "again", by="other", at=datetime(2025, 2, 2), everyone=True
    )
    assert later.content_hash == read_submission(submissions[0])[0].content_hash
