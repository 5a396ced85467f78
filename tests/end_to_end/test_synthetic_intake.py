"""A clean department goes in without a finding but missing sizes; planted defects are all found."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from registry.store import create_store
from registry.taking_in.intake import take_in
from synthetic_cohort.cohort import draw_department, write_files
from synthetic_cohort.defects import KINDS, plant
from synthetic_cohort.truth import TRUTH

AT = datetime(2025, 1, 2, 9, 0)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    path = tmp_path / "registry.duckdb"
    create_store(path, centre_id="harbour-bay", by="tester", at=AT)
    return path


def test_clean_files_are_taken_with_no_finding_but_missing_sizes(
    store: Path, tmp_path: Path
) -> None:
    tables = draw_department(TRUTH, 500, np.random.default_rng(31))
    write_files(tables, tmp_path / "files")
    result = take_in(store, [tmp_path / "files"], by="tester", at=AT)
    assert result.taken
    assert result.rows == {name: len(table) for name, table in tables.items()}
    sizes = ("thickness_mm", "largest_basal_diameter_mm")
    assert {(finding.severity, finding.field) for finding in result.findings} == {
        ("warning", field) for field in sizes
    }
    missing = sum((tables["tumour"][field] == "").sum() for field in sizes)
    assert len(result.findings) == missing


@pytest.mark.parametrize("seed", [1, 2])
def test_every_planted_defect_is_found_on_its_line_and_nothing_else(
    store: Path, tmp_path: Path, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    folder = tmp_path / "files"
    paths = write_files(draw_department(TRUTH, 150, rng), folder)
    clean = {path.stem: path.read_text(encoding="utf-8").splitlines() for path in paths}
    spoilt, planted = plant(clean, rng)
    for name, lines in spoilt.items():
        (folder / f"{name}.csv").write_bytes(("\n".join(lines) + "\n").encode())
    result = take_in(store, [folder], by="tester", at=AT)
    assert not result.taken
    errors = [finding for finding in result.findings if finding.severity == "error"]
    found = {(Path(error.file or "").stem, error.row): error.field for error in errors}
    assert set(found) == {(defect.table, defect.row) for defect in planted}
    assert len(planted) == len(KINDS)
    for defect in planted:
        if defect.field:
            assert found[defect.table, defect.row] == defect.field, defect
