"""Planted defects lie where they are said to lie, and nowhere else."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from synthetic_cohort.cohort import draw_department
from synthetic_cohort.defects import KINDS, plant
from synthetic_cohort.truth import TRUTH

Files = dict[str, list[str]]


@pytest.fixture(scope="module")
def clean() -> Files:
    tables = draw_department(TRUTH, 120, np.random.default_rng(9))
    return {name: table.to_csv(index=False).splitlines() for name, table in tables.items()}


def test_each_kind_changes_one_line_of_its_own(clean: Files) -> None:
    before = {name: list(lines) for name, lines in clean.items()}
    spoilt, planted = plant(clean, np.random.default_rng(2))
    assert clean == before
    assert [defect.kind for defect in planted] == list(KINDS)
    assert len(KINDS) >= 16
    places = Counter((defect.table, defect.row) for defect in planted)
    assert set(places.values()) == {1}
    changed = {
        (name, row)
        for name, lines in spoilt.items()
        for row, line in enumerate(lines, start=1)
        if row > len(clean[name]) or line != clean[name][row - 1]
    }
    assert changed == set(places)
    for defect in planted:
        heading = clean[defect.table][0].split(",")
        assert defect.field == "" or defect.field in heading


def test_kinds_can_be_chosen_and_repeated(clean: Files) -> None:
    kinds = ["impossible_date"] * 5 + ["decimal_comma"]
    spoilt, planted = plant(clean, np.random.default_rng(3), kinds)
    assert [defect.kind for defect in planted] == kinds
    text = "\n".join("\n".join(lines) for lines in spoilt.values())
    assert text.count("2021-02-30") == 5


def test_unknown_kinds_and_too_short_files_are_refused(clean: Files) -> None:
    with pytest.raises(ValueError, match="no_such_kind"):
        plant(clean, np.random.default_rng(1), ["no_such_kind"])
    empty = {"tumour": clean["tumour"][:1]}
    with pytest.raises(ValueError, match="decimal_comma"):
        plant(empty, np.random.default_rng(1), ["decimal_comma"])
