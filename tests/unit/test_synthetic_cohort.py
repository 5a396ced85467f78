"""The fictional department's files hold to the declaration and to what they say of themselves."""

from __future__ import annotations

import re
from datetime import date

import numpy as np
import pandas as pd
import pytest

from registry.acuity import read_acuity
from registry.records import TABLES, Field
from synthetic_cohort.cohort import draw_department
from synthetic_cohort.truth import TRUTH

PATTERNS = {
    "date": r"\d{4}-\d{2}-\d{2}",
    "timestamp": r"\d{4}-\d{2}-\d{2} \d{2}:\d{2}",
    "integer": r"-?\d+",
    "decimal": r"-?\d+(\.\d{1,6})?",
}


@pytest.fixture(scope="module")
def department() -> dict[str, pd.DataFrame]:
    return draw_department(TRUTH, 1500, np.random.default_rng(20))


def is_allowed(field: Field, text: str) -> bool:
    if text == "":
        return not field.is_required
    if field.type == "code":
        return text in field.codes
    if field.type == "list":
        return all(part in field.codes for part in text.split(";"))
    if field.type in PATTERNS and not re.fullmatch(PATTERNS[field.type], text):
        return False
    if field.low is not None and field.high is not None:
        return float(field.low) <= float(text) <= float(field.high)
    return True


def test_every_cell_satisfies_the_declaration(department: dict[str, pd.DataFrame]) -> None:
    assert list(department) == list(TABLES)
    for name, table in department.items():
        assert list(table.columns) == [field.name for field in TABLES[name].entered]
        for field in TABLES[name].entered:
            wrong = [text for text in table[field.name].unique() if not is_allowed(field, text)]
            assert not wrong, f"{name}.{field.name}: {wrong[:3]}"


def test_keys_are_unique_and_references_lead_somewhere(
    department: dict[str, pd.DataFrame],
) -> None:
    for name, table in department.items():
        keys = [field.name for field in TABLES[name].key]
        assert not table.duplicated(keys).any(), name
        for field in TABLES[name].references:
            parents = set(department[str(field.references)][field.name])
            assert set(table[field.name]) - {""} <= parents, f"{name}.{field.name}"


def test_nothing_lies_after_the_cut_the_death_or_the_removal_of_the_eye(
    department: dict[str, pd.DataFrame],
) -> None:
    patient, event = department["patient"].set_index("patient_id"), department["event"]
    removed = event[event.kind == "enucleation"].set_index(["patient_id", "eye"]).event_date
    assert len(removed) > 50
    assert removed.index.is_unique
    for name, dated in (("visit", "visit_date"), ("event", "event_date")):
        table = department[name]
        died = patient.death_date.reindex(table.patient_id).replace("", "9999").to_numpy()
        gone = removed.reindex(pd.MultiIndex.from_frame(table[["patient_id", "eye"]])).fillna(
            "9999"
        )
        day = table[dated].to_numpy()
        assert day.max() <= "2024-12-31"
        assert (day < died).all()
        assert (day <= gone.to_numpy()).all()
    visit = department["visit"]
    gone = removed.reindex(pd.MultiIndex.from_frame(visit[["patient_id", "eye"]])).fillna("9999")
    assert (visit.visit_date.to_numpy() < gone.to_numpy()).all()


def test_every_acuity_can_be_read(department: dict[str, pd.DataFrame]) -> None:
    visit = department["visit"]
    for column in ("acuity", "fellow_acuity"):
        written = visit.loc[visit[column] != "", [column, "acuity_notation"]].drop_duplicates()
        for text, notation in written.itertuples(index=False):
            read_acuity(text, notation or None)
    texts = " ".join(visit.acuity.unique())
    for form in ("6/9-2", "20/40", "0.30", "letters", "logMAR", "CF", "HM", "PL", "NPL"):
        assert form in texts


def test_same_generator_state_gives_the_same_department() -> None:
    first, again = (draw_department(TRUTH, 60, np.random.default_rng(3)) for _ in range(2))
    other = draw_department(TRUTH, 60, np.random.default_rng(4))
    for name, table in first.items():
        pd.testing.assert_frame_equal(table, again[name])
    assert not first["visit"].equals(other["visit"])


def test_dates_out_of_order_are_refused() -> None:
    rng = np.random.default_rng(1)
    with pytest.raises(ValueError, match="2023-12-31"):
        draw_department(TRUTH, 5, rng, data_cut=date(2023, 12, 31))
    with pytest.raises(ValueError, match="not 0"):
        draw_department(TRUTH, 0, rng)
