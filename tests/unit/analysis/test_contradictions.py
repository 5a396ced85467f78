"""What is planted is what it says: intake takes it, ``check`` finds it, nothing else is touched."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.checking.check_rules import CHECK_RULES
from analysis.checking.checks import check_registry
from analysis.outcomes.cohort import DataCut
from registry.store import create_store, open_store
from registry.taking_in.intake import take_in
from synthetic_cohort.cohort import draw_department, write_files
from synthetic_cohort.contradictions import CONTRADICTIONS, plant_contradictions
from synthetic_cohort.truth import TRUTH

AT = datetime(2026, 1, 5)
MAY_MISS = {"thickness_mm_missing", "largest_basal_diameter_mm_missing"}


@pytest.fixture(scope="module")
def drawn() -> dict[str, pd.DataFrame]:
    return draw_department(TRUTH, 500, np.random.default_rng(11))


def test_every_kind_is_found_and_clean_records_are_left_alone(
    drawn: dict[str, pd.DataFrame], tmp_path: Path
) -> None:
    before = {name: frame.copy() for name, frame in drawn.items()}
    tables, planted = plant_contradictions(drawn, np.random.default_rng(5))
    for name, frame in drawn.items():
        pd.testing.assert_frame_equal(frame, before[name])
    write_files(tables, tmp_path / "files")
    path = tmp_path / "planted.registry"
    create_store(path, centre_id="invented", by="tester", at=AT)
    taken = take_in(path, [tmp_path / "files"], by="tester", why="test", at=AT)
    assert taken.taken
    assert {one.severity for one in taken.findings} == {"warning"}
    with open_store(path) as store:
        cut = DataCut(date(2024, 12, 31))
        found = check_registry(store.connection, cut, store.settings()).findings
    said = {(one.rule.name, one.record) for one in found}
    assert {(one.kind, one.record) for one in planted} <= said
    touched = {one.patient_id for one in planted}
    beside = [
        one
        for one in found
        if one.severity != "notice"
        and one.patient_id is not None
        and one.patient_id not in touched
        and one.rule.name not in MAY_MISS
    ]
    records = sum(len(frame) for frame in drawn.values())
    assert len(beside) <= 0.001 * records


def test_each_kind_bears_the_name_of_a_rule() -> None:
    assert set(CONTRADICTIONS) <= set(CHECK_RULES)
    assert len(CONTRADICTIONS) >= 25
    loud = {name for name, rule in CHECK_RULES.items() if rule.severity != "notice"}
    # refused at intake already, of an unusual dose model, or made by another kind
    unplanted = {
        "removal_before_insertion",
        "record_of_untreated_eye",
        "insertion_after_eye_removed",
        "insertion_after_death",
        "visit_after_last_contact",
    }
    assert loud - unplanted <= set(CONTRADICTIONS)


def test_planting_is_repeatable_and_refuses_what_it_cannot_do(
    drawn: dict[str, pd.DataFrame],
) -> None:
    kinds = ["notch_contradiction", "died_without_date"]
    first, again = (
        plant_contradictions(drawn, np.random.default_rng(3), each=2, kinds=kinds)[1]
        for _ in range(2)
    )
    assert first == again
    assert len({one.patient_id for one in first}) == 4
    with pytest.raises(ValueError, match="unknown kinds \\['haunted'\\]"):
        plant_contradictions(drawn, np.random.default_rng(3), kinds=["haunted"])
    with pytest.raises(ValueError, match="no patient is left that suits"):
        plant_contradictions(
            drawn, np.random.default_rng(3), each=400, kinds=["visit_after_eye_removed"]
        )
