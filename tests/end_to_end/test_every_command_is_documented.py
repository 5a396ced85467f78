"""Commands, paths and modules: the documents name every command, and nothing that is not there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from reports.app import COMMANDS, spell_command

ROOT = Path(__file__).parents[2]
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
TOP = "analysis|benchmarks|registry|reports|synthetic_cohort|tests"


def _documents() -> str:
    return "\n".join(path.read_text(encoding="utf-8") for path in DOCUMENTS if path.exists())


@pytest.mark.parametrize("name", COMMANDS)
def test_the_command_is_documented(name: str) -> None:
    command = f"afterplaque {spell_command(name)}"
    assert re.search(rf"{re.escape(command)}(?![\w-])", _documents()), f"{command} in no document"


def test_no_document_names_a_command_that_does_not_exist() -> None:
    named = set(re.findall(r"`afterplaque ([a-z][a-z-]*)", _documents()))
    assert named <= {spell_command(name) for name in COMMANDS}


def test_every_path_that_the_documents_name_is_there() -> None:
    named = set(re.findall(rf"(?<![\w/.])(?:{TOP})(?:/[\w*.-]+)+/?", _documents()))
    given_as_examples = {
        "registry/migrations/duckdb/mNNN_what.sql",
        "tests/reference/r/NAME.R",
        "tests/reference/r/NAME.json",
    }
    assert len(named) > 50
    assert given_as_examples <= named
    missing = [path for path in sorted(named - given_as_examples) if not any(ROOT.glob(path))]
    assert missing == []


def test_every_module_that_the_documents_name_is_there() -> None:
    named = set(re.findall(rf"`((?:{TOP})(?:\.\w+)+)`", _documents()))
    assert len(named) > 5
    for name in sorted(named):
        parts = name.split(".")
        whole, owner = (ROOT.joinpath(*some) for some in (parts, parts[:-1]))
        is_module = whole.is_dir() or whole.with_suffix(".py").is_file()
        source = owner.with_suffix(".py")
        assert is_module or re.search(
            rf"^(?:def|class) {parts[-1]}\b", source.read_text(encoding="utf-8"), re.MULTILINE
        ), name
