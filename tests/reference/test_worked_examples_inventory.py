"""Every published worked example of the statistics has a test that holds its figure.

``data/worked_examples.csv`` lists the examples with their sources and the test of each.
"""

from __future__ import annotations

import ast
import csv
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
LISTED = (ROOT / "tests/reference/data/worked_examples.csv").read_text(encoding="utf-8")
EXAMPLES = list(csv.DictReader(LISTED.splitlines()))


def source_of(file: str, test: str) -> str:
    """The source of a test with its decorators, and of the capitals-named tables of its file."""
    text = (ROOT / file).read_text(encoding="utf-8")
    found = []
    for node in ast.parse(text).body:
        start = min([node.lineno, *(d.lineno for d in getattr(node, "decorator_list", []))])
        is_test = isinstance(node, ast.FunctionDef) and node.name == test
        if is_test or isinstance(node, ast.Assign):
            found.append("\n".join(text.splitlines()[start - 1 : node.end_lineno]))
    return "\n".join(found)


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda example: example["id"])
def test_the_example_is_held_by_its_test(example: dict[str, str]) -> None:
    text = source_of(example["file"], example["test"])
    assert f"def {example['test']}(" in text
    assert example["figure"] in text
    assert "assert" in text


def test_every_example_is_listed_once() -> None:
    ids = [example["id"] for example in EXAMPLES]
    assert len(set(ids)) == len(ids) == 43
    assert all(example["source"] and example["answer"] for example in EXAMPLES)
