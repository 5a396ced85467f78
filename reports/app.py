"""The command ``afterplaque``: composes the commands and does nothing else.

``COMMANDS`` is the one list. A command is the module ``reports/commands/NAME.py`` holding a
function of the same name; it is imported only when it is run or when its help is shown, so a
command that needs heavy libraries imports them inside its function.
"""

from __future__ import annotations

import importlib
import os
from collections.abc import Callable
from difflib import get_close_matches
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from registry.errors import UsageError
from reports.command_frame import RUNNING_COMMAND, run_as_program

COMMANDS = (
    "demo",
    "init",
    "settings",
    "workbook",
    "intake",
    "history",
    "withdraw",
    "erase",
    "pseudonym",
    "integrity",
    "snapshot",
    "export",
    "backup",
    "restore",
    "fields",
    "check",
    "audit",
    "outcome",
    "vision",
    "acuity",
    "stage",
    "decay",
    "bed",
    "dose",
    "placement",
    "case",
    "benchmark",
    "rates",
    "share",
    "pool",
    "submit",
    "gather",
    "observed_expected",
    "proportion",
    "combine",
    "funnel",
    "describe",
    "estimate",
    "regress",
    "dose_response",
    "dose_curve",
)
"""Every command, in the order of the help. One line each; the module has the same name."""

SECTIONS = {
    "demo": "Keep the records",
    "check": "See what they say",
    "acuity": "One eye, one implant, one patient",
    "benchmark": "Beside published figures and other centres",
    "describe": "A research question, a table of your own",
}
"""The headings of the help, each by the command that it stands above."""

_SETTINGS = {"help_option_names": ["-h", "--help"], "max_content_width": 100}


def spell_command(module_name: str) -> str:
    """Spell a module's name as its command: ``observed_expected`` is ``observed-expected``."""
    return module_name.replace("_", "-")


def load_command(module_name: str) -> Callable[..., None]:
    """Import a command's module and return its function."""
    module = importlib.import_module(f"reports.commands.{module_name}")
    function: Callable[..., None] = getattr(module, module_name)
    return function


class CommandList(TyperGroup):
    """The commands of ``COMMANDS``, each imported when it is asked for."""

    def list_commands(self, ctx: Any) -> list[str]:
        """List the commands in the order of the help."""
        return [spell_command(name) for name in COMMANDS]

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Build one command, or None when there is none of that name."""
        module_name = cmd_name.replace("-", "_")
        if module_name not in COMMANDS or spell_command(module_name) != cmd_name:
            return None
        single = typer.Typer(add_completion=False, rich_markup_mode=None)
        single.command(cmd_name, context_settings=_SETTINGS)(load_command(module_name))
        return typer.main.get_command(single)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """List the commands under their headings, each with the whole of its first sentence."""
        sections: list[tuple[str, list[tuple[str, str]]]] = []
        for module_name in COMMANDS:
            if module_name in SECTIONS:
                sections.append((SECTIONS[module_name], []))
            name = spell_command(module_name)
            said = (self.get_command(ctx, name).help or "").split("\n\n")[0]
            sections[-1][1].append((name, " ".join(said.split())))
        for heading, rows in sections:
            with formatter.section(heading):
                formatter.write_dl(rows)

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        """Find the command that the arguments name; suggest near ones when there is none."""
        wanted = args[0]
        if not wanted.startswith("-") and wanted not in self.list_commands(ctx):
            near = get_close_matches(wanted, self.list_commands(ctx))
            suggestion = f" Did you mean {' or '.join(near)}?" if near else ""
            raise UsageError(
                f"There is no command {wanted!r}.{suggestion} "
                "`afterplaque --help` lists the commands.",
                command=wanted,
            )
        RUNNING_COMMAND.set(wanted)
        return super().resolve_command(ctx, args)


app = typer.Typer(
    cls=CommandList,
    add_completion=False,
    pretty_exceptions_enable=False,
    pretty_exceptions_show_locals=False,
    rich_markup_mode=None,
    context_settings=_SETTINGS,
)


def _show_version(is_wanted: bool) -> None:
    if is_wanted:
        from importlib.metadata import version

        typer.echo(f"afterplaque {version('afterplaque')}")
        raise typer.Exit


@app.callback()
def compose(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_show_version, is_eager=True, help="Print the version and leave."
        ),
    ] = False,
) -> None:
    """Keep the outcomes of plaque brachytherapy for uveal melanoma, and say what they show.

    Lengths are in mm, doses in Gy, follow-up in years unless an option says otherwise. STORE is
    the path of a registry file; where it is left out, AFTERPLAQUE_STORE names it. Every command
    has --help and --json. Exit codes: 0 done, 1 refused or a fault, 2 usage, 3 data problems, 4 a
    stated standard not met (only when asked).

    All of it describes past patients. It is not for planning or treating anyone: that follows
    local protocols and regulations, a licensed physician and a qualified physicist.
    """


def main() -> None:
    """Run the command line; the entry point of the program."""
    # the matrices here are small: threaded linear algebra only waits for other threads
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    run_as_program(app)
