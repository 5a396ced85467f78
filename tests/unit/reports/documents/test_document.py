"""The model: what it refuses, and that JSON brings the same report back."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest
from sample_report import sample_report

from reports.audience.suppression import publish
from reports.page.document import (
    Column,
    KeyFigure,
    KeyFigures,
    Provenance,
    Report,
    Row,
    Section,
    Table,
    from_json,
    numbered,
    to_json,
)
from reports.words.values import Quantity


def with_value(value) -> Report:
    cards = KeyFigures((KeyFigure("x", value),))
    return Report("t", "", Provenance("a", "b", "c"), (Section("s", (cards,)),))


@pytest.mark.parametrize("form", [lambda r: r, publish, numbered])
def test_a_report_with_everything_in_it_survives_json(form):
    report = form(sample_report())
    text = to_json(report)
    assert from_json(text) == report
    assert to_json(from_json(text)) == text


def test_json_is_plain_and_says_its_schema():
    plain = json.loads(to_json(sample_report()))
    assert plain["kind"] == "Report"
    assert plain["schema_version"] == 1


def test_a_report_holds_no_nan():
    with pytest.raises(ValueError, match="None where there is no number"):
        to_json(with_value(Quantity(math.nan)))


def test_what_is_not_in_the_model_is_refused():
    with pytest.raises(ValueError, match="cannot hold 'complex'"):
        to_json(with_value(1j))
    with pytest.raises(ValueError, match="unknown kind 'Nonsense'"):
        from_json('{"kind": "Nonsense"}')
    with pytest.raises(ValueError, match="has no field"):
        from_json('{"kind": "Count", "value": 1, "volume": 2}')
    with pytest.raises(ValueError, match="not a report"):
        from_json('{"kind": "Count", "value": 1}')


def test_a_report_of_another_schema_is_refused():
    with pytest.raises(ValueError, match="schema 2"):
        replace(sample_report(), schema_version=2)


def test_a_row_fits_its_columns():
    with pytest.raises(ValueError, match="2 cells, not 1"):
        Table("c", (Column("a"),), (Row(("x", "y")),))
    with pytest.raises(ValueError, match="align"):
        Column("a", "middle")


def test_tables_and_figures_are_numbered_in_reading_order():
    blocks = [b for s in numbered(sample_report()).sections for b in s.blocks]
    for kind in ("Table", "Figure"):
        numbers = [b.number for b in blocks if type(b).__name__ == kind]
        assert numbers == list(range(1, len(numbers) + 1))
        assert numbers
