"""The frame around every command: answers, errors, exit codes, and what never leaks."""

from __future__ import annotations

import enum
import json
import math
import sys
import warnings
from collections.abc import Callable
from contextvars import Context
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
import pandas as pd
import pytest
import typer

import reports.app
from registry.errors import (
    DataProblemsError,
    Finding,
    RefusedEstimateError,
    RefusedInputError,
    StoreBusyError,
    UsageError,
)
from reports.command_frame import JsonFlag, answer, make_plain, note, progress, run_in_frame

SECRET = "PATIENT-4711"

Run = Callable[..., int]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run a function as the program's command ``trial``."""

    def run_function(function: Callable[..., None], *arguments: str) -> int:
        monkeypatch.setattr(reports.app, "COMMANDS", ("trial", "another"))
        monkeypatch.setattr(reports.app, "load_command", lambda _: function)
        return run_in_frame(reports.app.app, ["trial", *arguments])

    return run_function


def _raising(error: BaseException) -> Callable[..., None]:
    def trial(as_json: JsonFlag = False) -> None:
        """Fail."""
        raise error

    return trial


# --- values ---------------------------------------------------------------------------------------


class _Kind(enum.Enum):
    ONE = "one"


@dataclass(frozen=True, slots=True)
class _Pair:
    first: float
    second: tuple[int, ...]


@pytest.mark.parametrize(
    ("value", "plain"),
    [
        (math.nan, None),
        (-math.inf, None),
        (Decimal("NaN"), None),
        (np.float64("nan"), None),
        (pd.NA, None),
        (pd.NaT, None),
        (np.datetime64("NaT"), None),
        (True, True),
        (np.bool_(True), True),
        (np.int64(3), 3),
        (np.float32(0.5), 0.5),
        (Decimal("0.1"), 0.1),
        (date(2024, 2, 29), "2024-02-29"),
        (datetime(2024, 2, 29, 8, 30), "2024-02-29T08:30:00"),
        (pd.Timestamp("2024-02-29"), "2024-02-29T00:00:00"),
        (np.datetime64("2024-02-29"), "2024-02-29"),
        (Path("a/b.csv"), "a/b.csv"),
        (_Kind.ONE, "one"),
        (_Pair(math.nan, (1, 2)), {"first": None, "second": [1, 2]}),
        (np.array([[1.0, math.nan]]), [[1.0, None]]),
        (np.array(["2024-02-29", "NaT"], dtype="datetime64[D]"), ["2024-02-29", None]),
        (pd.Series([1.5, None]), [1.5, None]),
        (pd.DataFrame({"a": [1, 2], "b": ["x", None]}), [{"a": 1, "b": "x"}, {"a": 2, "b": None}]),
        ({2: "b", "a": {1}}, {"2": "b", "a": [1]}),
        (frozenset({"b", "a"}), ["a", "b"]),
    ],
)
def test_values_become_plain(value: object, plain: object) -> None:
    found = make_plain(value)
    assert found == plain
    assert type(found) is type(plain)


@pytest.mark.parametrize(
    "value",
    [b"x", 1j, timedelta(1), np.timedelta64(1, "D"), object(), np.complex128(1)],
    ids=lambda value: type(value).__name__,
)
def test_values_without_a_plain_form_are_refused(value: object) -> None:
    with pytest.raises(TypeError, match="no plain form for a"):
        make_plain(value)


def test_doubles_keep_their_full_precision(capsys: pytest.CaptureFixture[str]) -> None:
    value = 0.1 + 0.2
    answer({"command": "trial", "value": value}, as_json=True, text="")
    assert json.loads(capsys.readouterr().out)["value"] == value


def test_the_version_and_the_command_come_first(run: Run, capsys: Any) -> None:
    def trial(as_json: JsonFlag = False) -> None:
        """Answer."""
        answer({"n": 1, "at": math.inf}, as_json=as_json, text="one")

    assert run(trial, "--json") == 0
    assert (
        capsys.readouterr().out == '{"schema_version": 1, "command": "trial", "n": 1, "at": null}\n'
    )
    assert run(trial) == 0
    assert capsys.readouterr().out == "one\n"


def test_an_answer_of_no_command_is_misuse() -> None:
    with pytest.raises(ValueError, match="names no command"):
        Context().run(answer, {"n": 1}, as_json=True, text="")


# --- errors a person can mend ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("error", "kind", "code"),
    [
        (RefusedInputError("Acuity 6/0.", file="visit.csv", row=214), "refused_input", 1),
        (RefusedEstimateError("Too few events.", events=3), "refused_estimate", 1),
        (StoreBusyError("Held by another process."), "store_busy", 1),
        (UsageError("--at and --until.", option="--at"), "usage", 2),
        (DataProblemsError("1 finding.", ()), "data_problems", 3),
    ],
    ids=lambda value: getattr(value, "kind", None),
)
def test_mendable_errors(
    run: Run, capsys: pytest.CaptureFixture[str], error: Any, kind: str, code: int
) -> None:
    assert run(_raising(error), "--json") == code
    out, err = capsys.readouterr()
    assert err == ""
    found = json.loads(out)["error"]
    assert (found["kind"], found["message"]) == (kind, error.message)
    assert found["where"] == dict(error.where)
    assert run(_raising(error)) == code
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"Error: {error.message}\n")
    assert all(f"{name} {place}" in err for name, place in error.where.items())
    assert "Traceback" not in err


def test_findings_are_shown(run: Run, capsys: pytest.CaptureFixture[str]) -> None:
    finding = Finding("error", "visit.csv", 214, "acuity", "6/0", "a fraction", "Correct it.")
    error = DataProblemsError("1 finding.", (finding,))
    assert run(_raising(error), "--json") == 3
    found = json.loads(capsys.readouterr().out)["error"]["findings"]
    assert found == [
        {
            "severity": "error",
            "file": "visit.csv",
            "row": 214,
            "field": "acuity",
            "found": "6/0",
            "allowed": "a fraction",
            "remedy": "Correct it.",
        }
    ]
    run(_raising(error))
    assert "visit.csv  214  acuity" in capsys.readouterr().err


def test_a_place_without_a_plain_form_is_shown_as_text(run: Run, capsys: Any) -> None:
    assert run(_raising(RefusedInputError("No.", span=timedelta(1))), "--json") == 1
    assert json.loads(capsys.readouterr().out)["error"]["where"] == {"span": "1 day, 0:00:00"}


# --- usage ----------------------------------------------------------------------------------------


def _with_options(
    name: Annotated[str, typer.Argument()],
    interval: Annotated[float, typer.Option()] = 1.0,
    as_json: JsonFlag = False,
) -> None:
    """Take a name and an interval."""
    answer({"name": name}, as_json=as_json, text=name)


@pytest.mark.parametrize(
    ("arguments", "option", "words"),
    [
        (["x", "--unknown"], "--unknown", "No such option"),
        (["x", "--inter", "2"], "--inter", "No such option"),
        (["x", "--interval", "wide"], "--interval", "valid number"),
        (["x", "--interval"], "--interval", "requires an argument"),
        ([], "NAME", "Missing argument"),
        (["x", "y"], None, "unexpected extra argument"),
        (["-0.1 logMAR"], "-0", "comes after --"),
    ],
)
def test_usage_errors(
    run: Run,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    option: str | None,
    words: str,
) -> None:
    assert run(_with_options, *arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert words in err
    assert "afterplaque trial --help" in err
    assert run(_with_options, "--json", *arguments) == 2
    out, err = capsys.readouterr()
    assert err == ""
    found = json.loads(out)["error"]
    assert found["kind"] == "usage"
    assert words in found["message"]
    assert found["where"].get("option") == option
    assert found["where"]["command"] == "afterplaque trial"


def _with_a_choice(
    model: Annotated[Literal["cox", "logistic"], typer.Option()],
    as_json: JsonFlag = False,
) -> None:
    """Take a model."""
    answer({"model": model}, as_json=as_json, text=model)


def test_a_missing_choice_is_asked_for_on_one_line(run: Run, capsys: Any) -> None:
    assert run(_with_a_choice) == 2
    first = capsys.readouterr().err.splitlines()[0]
    assert first == "Error: Missing option '--model'. Choose from: cox, logistic"


def test_json_after_the_double_dash_is_an_argument(run: Run, capsys: Any) -> None:
    assert run(_with_options, "--", "--json") == 0
    assert capsys.readouterr().out == "--json\n"


@pytest.mark.parametrize(
    ("typed", "suggestion"), [("trail", "Did you mean trial?"), ("xyz", "lists the commands")]
)
def test_an_unknown_command(capsys: Any, typed: str, suggestion: str, run: Run) -> None:
    run(_with_options, "x")
    capsys.readouterr()
    assert run_in_frame(reports.app.app, [typed, "--json"]) == 2
    found = json.loads(capsys.readouterr().out)["error"]
    assert suggestion in found["message"]
    assert found["where"] == {"command": typed}


# --- faults of the program ------------------------------------------------------------------------


def _chained() -> Exception:
    cause = ValueError(SECRET)
    error = KeyError(SECRET)
    error.__cause__ = cause
    error.add_note(SECRET)
    return error


@pytest.mark.parametrize("arguments", [(), ("--json",)])
@pytest.mark.parametrize(
    "error",
    [ValueError(f"bad acuity of {SECRET}"), KeyError(SECRET), OSError(5, SECRET), _chained()],
)
def test_a_fault_shows_its_place_and_no_value(
    run: Run, capsys: pytest.CaptureFixture[str], error: Exception, arguments: tuple[str, ...]
) -> None:
    def trial(as_json: JsonFlag = False) -> None:
        """Fail with a patient's value at hand."""
        patient = SECRET  # a local variable must not be shown either
        if patient:
            raise error

    assert run(trial, *arguments) == 1
    out, err = capsys.readouterr()
    assert SECRET not in out + err
    shown = out if arguments else err
    assert "fault of the program" in shown
    assert type(error).__name__ in shown
    assert "test_command_frame.py" in shown
    assert "in trial" in shown
    if arguments:
        assert json.loads(out)["error"]["kind"] == "fault"
        assert err == ""


def test_the_full_text_of_a_fault_is_there_when_asked_for(
    run: Run, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("AFTERPLAQUE_TRACEBACK", "1")
    assert run(_raising(ValueError(SECRET))) == 1
    err = capsys.readouterr().err
    assert f"ValueError: {SECRET}" in err
    assert "Traceback" in err


def test_a_warning_shows_its_place_and_no_value(run: Run, capsys: Any) -> None:
    def trial(as_json: JsonFlag = False) -> None:
        """Warn with a patient's value in the text."""
        warnings.simplefilter("always")
        warnings.warn(f"odd value {SECRET}", RuntimeWarning, stacklevel=1)

    assert run(trial) == 0
    err = capsys.readouterr().err
    assert SECRET not in err
    assert "RuntimeWarning" in err
    assert "test_command_frame.py" in err


# --- stopping -------------------------------------------------------------------------------------


@pytest.mark.parametrize("error", [KeyboardInterrupt(), typer.Abort()], ids=["ctrl-c", "abort"])
def test_ctrl_c_exits_130(run: Run, capsys: Any, error: BaseException) -> None:
    assert run(_raising(error)) == 130
    assert "Stopped by Ctrl-C" in capsys.readouterr().err
    assert run(_raising(error), "--json") == 130
    assert json.loads(capsys.readouterr().out)["error"]["kind"] == "interrupted"


def test_a_command_may_choose_its_exit_code(run: Run) -> None:
    assert run(_raising(typer.Exit(4))) == 4


def test_a_closed_reader_exits_141(run: Run) -> None:
    assert run(_raising(BrokenPipeError(32, "pipe"))) == 141


# --- notes and progress ---------------------------------------------------------------------------


def _stepping(as_json: JsonFlag = False) -> None:
    """Take two steps."""
    progress("reading")
    progress("counting")
    note("Next: look at it.")
    answer({}, as_json=as_json, text="done")


def test_progress_is_a_line_a_step_without_a_terminal(run: Run, capsys: Any) -> None:
    assert run(_stepping) == 0
    out, err = capsys.readouterr()
    assert out == "done\n"
    assert err == "reading\ncounting\nNext: look at it.\n"


def test_progress_is_silent_with_json(run: Run, capsys: Any) -> None:
    assert run(_stepping, "--json") == 0
    assert capsys.readouterr().err == "Next: look at it.\n"


def test_progress_keeps_one_line_on_a_terminal(
    run: Run, capsys: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    monkeypatch.setenv("TERM", "xterm")
    assert run(_stepping) == 0
    assert capsys.readouterr().err == (
        "\r\x1b[2Kreading …\r\x1b[2Kcounting …\r\x1b[2KNext: look at it.\n"
    )


@pytest.mark.parametrize(("no_color", "is_coloured"), [("", True), ("1", False)])
def test_no_color_is_honoured(
    run: Run, capsys: Any, monkeypatch: pytest.MonkeyPatch, no_color: str, is_coloured: bool
) -> None:
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    monkeypatch.setenv("NO_COLOR", no_color)
    run(_raising(RefusedInputError("No.")))
    assert ("\x1b[31m" in capsys.readouterr().err) is is_coloured


def test_a_message_cannot_move_the_cursor(run: Run, capsys: Any) -> None:
    run(_raising(RefusedInputError("Found \x1b[2J here.", found="\x1b[2J")))
    assert "\x1b" not in capsys.readouterr().err
