"""How many questions were put to a registry: one line a look, in a small file beside it.

The file is ``STORE.questions.csv``. It holds no patient's value: when, what was asked, and the hash
of the plan if there was one. It counts looks through this program only; a department that wants to
start anew keeps the old file and says so.
"""

from __future__ import annotations

import csv
import io
import os
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from registry.errors import RefusedInputError

HEADINGS = ("at", "action", "end_point", "dose", "question", "plan_hash")
ASKED, LOCKED = "asked", "locked"


@dataclass(frozen=True, slots=True)
class LoggedLook:
    """One line of the log; ``action`` is ``"asked"`` or ``"locked"``."""

    at: str
    action: str
    end_point: str
    dose: str
    question: str
    plan_hash: str


@dataclass(frozen=True, slots=True)
class QuestionCount:
    """What the log says.

    ``different`` questions were asked in ``looks`` looks, this one included; ``same_end_point`` of
    the different ones concern its end point. ``note`` says why nothing could be counted.
    """

    looks: int
    different: int
    same_end_point: int
    file: str
    note: str = ""


def log_path(store: Path) -> Path:
    """Return the log beside a registry."""
    return store.with_name(store.name + ".questions.csv")


def read_log(path: Path) -> tuple[LoggedLook, ...]:
    """Read the looks so far; none when there is no file.

    Raises
    ------
    RefusedInputError
        The file is not such a log.
    """
    if not path.exists():
        return ()
    try:
        rows = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8"))))
    except (OSError, UnicodeDecodeError) as error:
        raise RefusedInputError(f"{path} cannot be read: {error}.", file=str(path)) from None
    if not rows or tuple(rows[0]) != HEADINGS or any(len(r) != len(HEADINGS) for r in rows):
        raise RefusedInputError(
            f"{path} is not a log of questions (headings {', '.join(HEADINGS)}). Mend it from a"
            " backup, or move it away and say so in the report.",
            file=str(path),
        )
    return tuple(LoggedLook(*row) for row in rows[1:])


def add_look(path: Path, look: LoggedLook) -> None:
    """Append one line; whole lines only, so that two commands at once do not mix.

    Raises
    ------
    RefusedInputError
        The file cannot be written.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    if not path.exists():
        writer.writerow(HEADINGS)
    writer.writerow(
        [look.at, look.action, look.end_point, look.dose, look.question, look.plan_hash]
    )
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        with os.fdopen(descriptor, "ab") as file:
            file.write(buffer.getvalue().encode("utf-8"))
    except OSError as error:
        raise RefusedInputError(
            f"The log of questions {path} could not be written: {error.strerror}.", file=str(path)
        ) from None


def count_questions(looks: tuple[LoggedLook, ...], end_point: str, path: Path) -> QuestionCount:
    """Count looks and different questions.

    >>> look = LoggedLook("2024-01-01", "asked", "death", "apex", "death on apex", "")
    >>> count_questions((look, look), "death", Path("a"))
    QuestionCount(looks=2, different=1, same_end_point=1, file='a', note='')
    """
    asked = [look for look in looks if look.action == ASKED]
    different = {look.question: look.end_point for look in asked}
    same = sum(1 for point in different.values() if point == end_point)
    return QuestionCount(len(asked), len(different), same, path.name)


def stamp(at: datetime) -> str:
    """Return a moment for the log, UTC to the second."""
    return at.isoformat(timespec="seconds") + "Z"
