"""Every command is named in the documents, and the documents name no other."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from reports.app import COMMANDS, spell_command

ROOT = Path(__file__).parents[2]
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]


def _documents() -> str:
    return "\n".join(path.read_text(encoding="utf-8") for path in DOCUMENTS if path.exists())


@pytest.mark.parametrize("name", COMMANDS)
def test_the_command_is_documented(name: str) -> None:
    command = f"afterplaque {spell_command(name)}"
    assert re.search(rf"{re.escape(command)}(?![\w-])", _documents()), f"{command} in no document"


def test_no_document_names_a_command_that_does_not_exist() -> None:
    named = set(re.findall(r"`afterplaque ([a-z][a-z-]*)", _documents()))
    assert named <= {spell_command(name) for name in COMMANDS}
