"""The frame around every command: answers, notes, progress, errors and exit codes.

Results go to standard output, everything else to standard error; with ``--json`` standard output
carries exactly one JSON object, the errors included. Exit codes: 0 done, 1 refused or a fault of
the program, 2 usage, 3 data problems, 4 a stated standard not met (only when asked), 130 stopped
by Ctrl-C, 141 the reader of the output closed it.

A fault of the program is reported by its type and place alone: the text of an unexpected exception
often quotes the value it stumbled on, and that may be a patient's.
"""

from __future__ import annotations

import dataclasses
import json
import math
import numbers
import os
import re
import sys
import traceback
import unicodedata
import warnings
from collections.abc import Mapping, Sequence
from contextvars import ContextVar
from datetime import date, time
from decimal import Decimal
from enum import Enum
from pathlib import Path, PurePath
from typing import Annotated, Any

import typer

from registry.errors import DataProblemsError, MendableError, UsageError
from reports.render.text import lay_out_table, make_printable

SCHEMA_VERSION = 1
"""Version of the JSON answers; raised when a key changes its meaning or goes."""

SHOW_TRACEBACK = "AFTERPLAQUE_TRACEBACK"
"""Set to 1: a fault of the program prints its full traceback, values included."""

CAUTION = (
    "Retrospective check of a record. Not for planning or treating a patient; doses and positions "
    "need the local planning process and an independent check by a qualified physicist."
)
"""What every check of dose, placement or stage prints, and carries in JSON as ``caution``."""

JsonFlag = Annotated[
    bool, typer.Option("--json", help="Answer, and report errors, as one JSON object on stdout.")
]
"""Type of the ``--json`` option that every command has."""

RUNNING_COMMAND: ContextVar[str | None] = ContextVar("running_command", default=None)
_IS_QUIET: ContextVar[bool] = ContextVar("is_quiet", default=False)
_LIVE_LINE: ContextVar[bool] = ContextVar("live_line", default=False)


# --- values to JSON -------------------------------------------------------------------------------


def make_plain(value: object) -> Any:
    """Turn a result into what JSON can hold, without loss.

    NaN, infinities, NaT and NA become None. Decimal becomes a number; dates and times their ISO
    form; dataclasses and mappings objects; arrays, series, sequences and sets arrays (sets
    sorted); a data frame an array of objects, one a row; numpy scalars plain ones.

    Raises
    ------
    TypeError
        For a kind of value that has no plain form (bytes, complex, time differences).

    Examples
    --------
    >>> make_plain({"a": (1, float("nan")), "b": date(2024, 2, 29), "c": Decimal("0.10")})
    {'a': [1, None], 'b': '2024-02-29', 'c': 0.1}
    """
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, Enum):
        return make_plain(value.value)
    if _is_missing(value):
        return None
    if isinstance(value, numbers.Number) and type(value).__name__ != "timedelta64":
        return _make_plain_number(value)
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, PurePath):
        return str(value)
    return _make_plain_collection(value)


def _is_missing(value: object) -> bool:
    if type(value).__name__ in ("NAType", "NaTType"):
        return True
    if type(value).__name__ == "datetime64":
        return str(value) == "NaT"
    if type(value).__name__ == "timedelta64":
        return False
    return isinstance(value, numbers.Real | Decimal) and not math.isfinite(value)


def _make_plain_number(value: object) -> int | float:
    if isinstance(value, numbers.Integral):
        return int(value)
    if isinstance(value, numbers.Real | Decimal):
        return float(value)
    raise TypeError(f"no plain form for a {type(value).__name__}")


def _make_plain_collection(value: object) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        names = [field.name for field in dataclasses.fields(value)]
        return {name: make_plain(getattr(value, name)) for name in names}
    if isinstance(value, Mapping):
        return {str(key): make_plain(member) for key, member in value.items()}
    if isinstance(value, set | frozenset):
        return [make_plain(member) for member in sorted(value)]
    if isinstance(value, list | tuple):
        return [make_plain(member) for member in value]
    return _make_plain_array(value)


def _make_plain_array(value: Any) -> Any:
    """Numpy and pandas by their own methods, so that neither is imported here."""
    kind = getattr(getattr(value, "dtype", None), "kind", "")
    if type(value).__name__ == "datetime64":
        return str(value)
    if kind == "M" and hasattr(value, "astype"):
        return [make_plain(None if text == "NaT" else text) for text in value.astype(str).tolist()]
    if type(value).__name__ == "DataFrame":
        return make_plain(value.to_dict(orient="records"))
    if kind != "m" and hasattr(value, "tolist"):
        return make_plain(value.tolist())
    raise TypeError(f"no plain form for a {type(value).__name__}")


def write_json(payload: Mapping[str, object]) -> None:
    """Write one JSON object and a newline to standard output, doubles at full precision."""
    text = json.dumps(make_plain(payload), ensure_ascii=False, allow_nan=False)
    sys.stdout.write(text + "\n")


# --- what a command says --------------------------------------------------------------------------


def answer(payload: Mapping[str, object], *, as_json: bool, text: str) -> None:
    """Write the result of a command to standard output.

    Parameters
    ----------
    payload
        The machine-readable result. ``schema_version`` and ``command`` come first whatever the
        order here; ``command`` defaults to the running command.
    as_json
        Whether to write ``payload`` (True) or ``text``.
    text
        The same result for a person, without a newline at the end.
    """
    _clear_live_line()
    if not as_json:
        sys.stdout.write(text + "\n")
        return
    command = payload.get("command") or RUNNING_COMMAND.get()
    if not command:
        raise ValueError("the payload names no command and none is running")
    write_json({"schema_version": SCHEMA_VERSION, "command": command} | dict(payload))


def note(text: str) -> None:
    """Write a message to standard error: what was done, what to do next."""
    _clear_live_line()
    sys.stderr.write(text + "\n")


def progress(step: str) -> None:
    """Say which step of a longer command begins.

    On a terminal one line is kept up to date; otherwise each step is a line. Silent with
    ``--json``.
    """
    if _IS_QUIET.get():
        return
    if sys.stderr.isatty() and os.environ.get("TERM") != "dumb":
        sys.stderr.write(f"\r\x1b[2K{make_printable(step)} …")
        _LIVE_LINE.set(True)
    else:
        sys.stderr.write(make_printable(step) + "\n")
    sys.stderr.flush()


def _clear_live_line() -> None:
    if _LIVE_LINE.get():
        sys.stderr.write("\r\x1b[2K")
        sys.stderr.flush()
        _LIVE_LINE.set(False)


# --- errors ---------------------------------------------------------------------------------------


def _make_plain_or_text(value: object) -> Any:
    try:
        return make_plain(value)
    except TypeError:
        return str(value)


def _report(kind: str, message: str, where: Mapping[str, object], **more: object) -> None:
    """Report an error: JSON on stdout when asked for, otherwise text on stderr."""
    _clear_live_line()
    if _IS_QUIET.get():
        places = {name: _make_plain_or_text(place) for name, place in where.items()}
        write_json({"error": {"kind": kind, "message": message, "where": places} | more})
        return
    is_coloured = sys.stderr.isatty() and not os.environ.get("NO_COLOR")
    label = "\x1b[31mError:\x1b[0m" if is_coloured else "Error:"
    lines = [make_printable(line) for line in message.splitlines()]
    sys.stderr.write(f"{label} " + "\n".join(lines) + "\n")
    if where:
        listed = ", ".join(f"{name} {place}" for name, place in where.items())
        sys.stderr.write(f"  Where: {make_printable(listed)}\n")


def _report_mendable(error: MendableError) -> int:
    if not isinstance(error, DataProblemsError):
        _report(error.kind, error.message, error.where)
    elif _IS_QUIET.get():
        _report(error.kind, error.message, error.where, findings=error.findings)
    else:
        _report(error.kind, error.message, error.where)
        headings = ["severity", "file", "row", "field", "found", "allowed", "remedy"]
        rows = [[getattr(finding, name) for name in headings] for finding in error.findings]
        sys.stderr.write(lay_out_table(headings, rows) + "\n")
    return error.exit_code


def _report_usage(error: typer.TyperException) -> int:
    """Report what the option parser refuses, naming the option and the command's help."""
    context = getattr(error, "ctx", None)
    running = RUNNING_COMMAND.get()
    command = context.command_path if context else " ".join(filter(None, ["afterplaque", running]))
    where: dict[str, object] = {"command": command}
    option = getattr(error, "option_name", None)
    parameter = getattr(error, "param", None)
    if option is None and parameter is not None:
        spellings = [name for name in parameter.opts if name.startswith("--")]
        option = spellings[0] if spellings else str(parameter.display_name_raw).upper()
    if option is not None:
        where["option"] = option
    message = " ".join(error.format_message().replace("Value error, ", "").split())
    if option is not None and re.fullmatch(r"-\d", str(option)):
        message += ". A text that begins with a minus comes after -- (two hyphens by themselves)."
    _report("usage", message, where)
    if not _IS_QUIET.get():
        sys.stderr.write(f"  Help: {command} --help\n")
    return 2


def _name_place(frame: traceback.FrameSummary) -> str:
    path = Path(frame.filename)
    short = "/".join(path.parts[-3:]) if path.is_absolute() else frame.filename
    return f"{short}, line {frame.lineno}, in {frame.name}"


def describe_fault(fault: BaseException) -> dict[str, object]:
    """Give the type and the places of an unexpected exception, never its text.

    The places are the calls that led there, outermost first; an exception's message, arguments,
    notes and local variables may hold a patient's values and are left out.
    """
    frames = traceback.extract_tb(fault.__traceback__)
    kind = type(fault)
    return {
        "type": f"{kind.__module__}.{kind.__qualname__}".removeprefix("builtins."),
        "places": [_name_place(frame) for frame in frames],
    }


def _report_fault(fault: Exception) -> int:
    """Report a fault of the program without any value it may hold."""
    described = describe_fault(fault)
    message = (
        f"This is a fault of the program, not something you can mend ({described['type']}). "
        f"{SHOW_TRACEBACK}=1 shows the full text; it may hold patient values, so look before you "
        "pass it on."
    )
    if _IS_QUIET.get():
        _report("fault", message, described)
    else:
        _report("fault", message, {})
        places = described["places"]
        assert isinstance(places, list)
        sys.stderr.write("".join(f"  {place}\n" for place in places[-12:]))
    if os.environ.get(SHOW_TRACEBACK) == "1":
        traceback.print_exception(fault)
    return 1


def _report_interrupt() -> int:
    _report("interrupted", "Stopped by Ctrl-C; nothing is half-written.", {})
    return 130


def _show_warning_without_values(
    message: Warning | str, category: type[Warning], filename: str, lineno: int, *_: object
) -> None:
    """Say that a library warned, and where: the text of a warning may quote data."""
    _clear_live_line()
    place = "/".join(Path(filename).parts[-3:])
    sys.stderr.write(f"Note: a library warned ({category.__name__}, {place}, line {lineno}).\n")


# --- the frame ------------------------------------------------------------------------------------


def _asks_for_json(arguments: Sequence[str]) -> bool:
    before_literals = list(arguments)
    if "--" in before_literals:
        before_literals = before_literals[: before_literals.index("--")]
    return "--json" in before_literals


def run_in_frame(application: typer.Typer, arguments: Sequence[str]) -> int:
    """Run the command that ``arguments`` name and return its exit code; never raises.

    Parameters
    ----------
    application
        The composed commands.
    arguments
        As typed, without the program's own name; none at all shows the help.
    """
    quiet = _IS_QUIET.set(_asks_for_json(arguments))
    running = RUNNING_COMMAND.set(None)
    try:
        with warnings.catch_warnings():
            warnings.showwarning = _show_warning_without_values  # type: ignore[assignment]
            code = _run(application, list(arguments) or ["--help"])
        _clear_live_line()
        sys.stdout.flush()
    except BrokenPipeError:
        code = 141
    finally:
        _IS_QUIET.reset(quiet)
        RUNNING_COMMAND.reset(running)
    return code


def _refuse_unreadable(arguments: Sequence[str]) -> None:
    """Refuse an argument with a control character, or with bytes that are no UTF-8 text."""
    for place, text in enumerate(arguments, 1):
        for letter in text:
            if unicodedata.category(letter) in ("Cc", "Cs"):
                raise UsageError(
                    f"Argument {place} holds a line break, a control character or bytes that are "
                    "no UTF-8 text. Type it in one line; a file of such a name has to be renamed.",
                    argument=place,
                )


def _run(application: typer.Typer, arguments: list[str]) -> int:
    try:
        _refuse_unreadable(arguments)
        command = typer.main.get_command(application)
        outcome = command.main(arguments, prog_name="afterplaque", standalone_mode=False)
    except MendableError as error:
        return _report_mendable(error)
    except typer.TyperException as error:
        return _report_usage(error)
    except (KeyboardInterrupt, typer.Abort):
        return _report_interrupt()
    except SystemExit as ending:  # the parser's own answer to a closed pipe
        return 141 if ending.code == 1 else ending.code if isinstance(ending.code, int) else 1
    except BrokenPipeError:
        raise
    except Exception as fault:
        return _report_fault(fault)
    # Outside its standalone mode typer hands back the code of `typer.Exit`, and 130 on Ctrl-C.
    if outcome == 130:
        return _report_interrupt()
    return outcome if isinstance(outcome, int) else 0


def run_as_program(application: typer.Typer) -> None:
    """Run with the process's own arguments and leave the process with the exit code."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="backslashreplace")
    sys.unraisablehook = lambda _: None
    code = run_in_frame(application, sys.argv[1:])
    if code == 141:
        # The reader has gone; keep the interpreter from failing once more when it flushes.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    sys.exit(code)
