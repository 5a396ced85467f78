"""The list of commands, and what its import costs."""

from __future__ import annotations

import inspect
import subprocess
import sys
from pathlib import Path

import pytest
import typer.main
from typer.testing import CliRunner

import reports.commands
from reports.app import COMMANDS, SECTIONS, app, load_command, spell_command

_HEAVY = ("pandas", "duckdb", "lifelines", "statsmodels", "matplotlib", "scipy", "pyarrow", "numpy")
_MODULES = Path(reports.commands.__file__).parent.glob("*.py")


def test_the_list_holds_every_command_module_once() -> None:
    assert sorted(COMMANDS) == sorted(path.stem for path in _MODULES if path.stem != "__init__")


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_json_and_a_summary(name: str) -> None:
    function = load_command(name)
    assert function.__name__ == name
    summary = (inspect.getdoc(function) or "").splitlines()[0]
    assert summary.endswith(".")
    shown = CliRunner().invoke(app, [spell_command(name), "--help"])
    assert shown.exit_code == 0
    assert "--json" in shown.stdout


def test_every_option_says_what_it_is() -> None:
    group = typer.main.get_command(app)
    context = typer.Context(group, info_name="afterplaque")
    for name in COMMANDS:
        command = group.get_command(context, spell_command(name))  # type: ignore[attr-defined]
        silent = [option.name for option in command.params if not getattr(option, "help", None)]
        assert silent == [], f"{spell_command(name)}: {silent} without a word of help"


def test_bootstrap_samples_are_asked_for_by_one_name_everywhere() -> None:
    group = typer.main.get_command(app)
    context = typer.Context(group, info_name="afterplaque")
    commands = {name: group.get_command(context, spell_command(name)) for name in COMMANDS}  # type: ignore[attr-defined]
    named = {
        name: [option.opts for option in command.params if "--resamples" in option.opts]
        for name, command in commands.items()
    }
    assert sum(bool(opts) for opts in named.values()) == 6
    either = ["--resamples", "--replicates"]
    assert all(opts in ([], [either]) for opts in named.values())
    every = {
        opt for command in commands.values() for option in command.params for opt in option.opts
    }
    assert not {"--samples", "--bootstrap", "--draws"} & every


def test_the_help_imports_nothing_heavy() -> None:
    program = f"""
import sys
from reports.app import app
from reports.command_frame import run_in_frame
code = run_in_frame(app, ["--help"])
heavy = set(sys.modules) & set({_HEAVY!r})
sys.exit(f"heavy: {{heavy}}" if heavy else code)
"""
    ran = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False
    )
    assert ran.stderr == ""
    assert ran.returncode == 0
    assert all(spell_command(name) in ran.stdout for name in COMMANDS)


def test_the_help_says_every_summary_whole() -> None:
    shown = " ".join(CliRunner().invoke(app, ["--help"]).stdout.split())
    assert "..." not in shown.split("Keep the records")[1]
    for name in COMMANDS:
        summary = (inspect.getdoc(load_command(name)) or "").split("\n\n")[0]
        assert f" {spell_command(name)} {' '.join(summary.split())}" in shown
    assert list(SECTIONS) == [name for name in COMMANDS if name in SECTIONS]
    assert all(heading in shown for heading in SECTIONS.values())


def test_names_are_spelled_with_hyphens() -> None:
    assert spell_command("observed_expected") == "observed-expected"
    wrong = CliRunner().invoke(app, ["observed_expected"])
    assert wrong.exit_code != 0
