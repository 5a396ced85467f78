"""Staging against the tables of the AJCC manual (8th edition) and of the COMS, cell by cell.

The source of every row is named in ``data/README.md`` and in its column ``provenance``.
"""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

from registry.staging import (
    find_coms_class_early,
    find_coms_class_final,
    find_letter,
    find_size_category,
    find_stage_group,
)

_TABLE = Path(__file__).parent / "data" / "staging_uveal_melanoma.csv"
ROWS = list(csv.DictReader(_TABLE.read_text(encoding="utf-8").splitlines()))
CELLS = [row for row in ROWS if row["kind"] == "size_category"]
GROUPS = [row for row in ROWS if row["kind"] == "stage_group" and row["code"] != "IV"]
SIZES = ("T1", "T2", "T3", "T4")


def _sizes_inside(span: str) -> tuple[float, ...]:
    """Give the ends and the middle of a printed span such as "3.1-6.0", "<=3.0" or ">18.0"."""
    if span.startswith("<="):
        return (0.5, 1.7, float(span[2:]))
    if span.startswith(">"):
        low = float(span[1:])
        return (round(low + 0.1, 1), low + 1.3, low + 4)
    low, high = map(float, span.split("-"))
    return (low, (low + high) / 2, high)


def test_the_table_holds_the_whole_grid() -> None:
    assert len({(row["thickness_mm"], row["lbd_mm"]) for row in CELLS}) == 6 * 7


@pytest.mark.parametrize("row", CELLS, ids=lambda row: f"{row['thickness_mm']} x {row['lbd_mm']}")
def test_size_category_of_every_cell(row: dict[str, str]) -> None:
    found = {
        find_size_category(thickness, diameter)
        for thickness in _sizes_inside(row["thickness_mm"])
        for diameter in _sizes_inside(row["lbd_mm"])
    }
    assert found == {row["code"]}


def _expand(categories: str) -> list[str]:
    """Spell out "T2c-d, T3b-c or T4a" as T2c, T2d, T3b, T3c, T4a."""
    spelt = []
    for size, first, last in re.findall(r"(T\d)([a-e])(?:-([a-e]))?", categories):
        spelt += [f"{size}{chr(code)}" for code in range(ord(first), ord(last or first) + 1)]
    return spelt


@pytest.mark.parametrize("row", GROUPS, ids=lambda row: row["code"])
def test_stage_group_of_every_category(row: dict[str, str]) -> None:
    categories = _expand(row["definition"])
    assert categories
    for category in categories:
        assert find_stage_group(category, "n0", "m0") == row["code"]


def test_the_stage_groups_hold_every_category_once() -> None:
    categories = [category for row in GROUPS for category in _expand(row["definition"])]
    assert sorted(categories) == sorted(
        [size + letter for size in SIZES for letter in "abcd"] + ["T4e"]
    )


@pytest.mark.parametrize(
    ("nodes", "metastasis"),
    [("n1a", "m0"), ("n1b", "m0"), ("n0", "m1a"), ("unknown", "m1b"), ("n1a", "m1c")],
)
def test_node_or_distant_metastasis_is_stage_iv(nodes: str, metastasis: str) -> None:
    # Row "IV": any T N1 M0, or any T any N M1.
    assert find_stage_group("T1a", nodes, metastasis) == "IV"


# Rows "T_subcategory", in the order a, b, c, d, e.
@pytest.mark.parametrize(
    ("ciliary_body", "extraocular", "letter"),
    [
        ("no", "none", "a"),
        ("yes", "none", "b"),
        ("no", "up_to_5_mm", "c"),
        ("yes", "up_to_5_mm", "d"),
        ("no", "over_5_mm", "e"),
        ("yes", "over_5_mm", "e"),
        ("unknown", "over_5_mm", "e"),
    ],
)
def test_letters(ciliary_body: str, extraocular: str, letter: str) -> None:
    assert find_letter(ciliary_body, extraocular) == letter


# Rows "COMS_class": the ends of every printed class and the first size beyond them.
@pytest.mark.parametrize(
    ("height", "diameter", "early", "final"),
    [
        (1.0, 5.0, "small", None),
        (1.0, 5.1, "small", "small"),
        (0.9, 10.0, None, None),
        (2.4, 16.0, "small", "small"),
        (2.5, 16.0, "small", "medium"),
        (3.0, 16.0, "small", "medium"),
        (3.1, 16.0, "medium", "medium"),
        (8.0, 16.0, "medium", "medium"),
        (8.1, 16.0, "large", "medium"),
        (10.0, 16.0, "large", "medium"),
        (10.1, 16.0, "large", "large"),
        (2.0, 16.1, "large", "large"),
        (1.9, 16.1, None, "large"),
        (4.0, 4.9, "medium", "medium"),
        (2.0, 4.9, None, None),
    ],
)
def test_coms_classes(height: float, diameter: float, early: str | None, final: str | None) -> None:
    assert find_coms_class_early(height, diameter) == early
    assert find_coms_class_final(height, diameter) == final
