"""Texts that stand beside records: what may be in them, at every door that takes one."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path

import pyarrow as pa
import pytest

from registry.errors import RefusedInputError
from registry.safekeeping.erasure import erase_patient
from registry.safekeeping.exchange import back_up
from registry.safekeeping.freeze import freeze
from registry.safekeeping.submissions import submit
from registry.store import create_store, open_store
from reports.app import app
from reports.command_frame import run_in_frame

AT = datetime(2026, 1, 31, 12)
BAD = (
    "two\nlines",
    "bell\x07",
    "\x1b[31mred",
    "left\u202eright",
    "zero\u200bwidth",
    "\udcff",
    "a" * 1001,
)


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("store") / "ours.registry"
    create_store(path, centre_id="ours", by="ana", at=AT)
    with (
        open_store(path, write=True) as store,
        store.batch("intake", by="ana", why='"=1+1" <b>', at=AT) as batch,
    ):
        batch.append("patient", pa.table({"patient_id": ["P1"], "research_consent": ["yes"]}))
    return path


def _record(path: Path, by: str, why: str) -> None:
    with (
        open_store(path, write=True) as store,
        store.batch("correction", by=by, why=why, at=AT) as batch,
    ):
        batch.append("patient", pa.table({"patient_id": ["P1"]}))


DOORS: dict[str, Callable[[Path, str], object]] = {
    "who records": lambda path, text: _record(path, text, "slip"),
    "why": lambda path, text: _record(path, "ana", text),
    "who erases": lambda path, text: erase_patient(path, "P1", by=text, why="asked", at=AT),
    "why erased": lambda path, text: erase_patient(path, "P1", by="ana", why=text, at=AT),
    "who backs up": lambda path, text: back_up(path, path.with_name("b"), by=text, at=AT),
    "who locks": lambda path, text: freeze(
        path, path.with_name("l"), data_cut=date(2026, 1, 1), by=text, at=AT
    ),
    "who submits": lambda path, text: submit(path, path.with_name("s"), by=text, at=AT),
    "who makes": lambda path, text: create_store(
        path.with_name("new"), centre_id="c", by=text, at=AT
    ),
    "which centre": lambda path, text: create_store(
        path.with_name("new"), centre_id=text, by="ana", at=AT
    ),
}


@pytest.mark.parametrize("door", DOORS)
def test_what_cannot_be_seen_is_refused_and_nothing_is_made(path: Path, door: str) -> None:
    before = {file.name for file in path.parent.iterdir()}
    for text in BAD:
        with pytest.raises(RefusedInputError, match=r"cannot be seen|are allowed"):
            DOORS[door](path, text)
    made = {file.name for file in path.parent.iterdir()} - before
    assert made <= {"ours.registry.previous"}
    with open_store(path) as store:
        assert len(store.history("patient", "P1")) == 1


@pytest.mark.parametrize("bad", ["\udcff", "a\nb", "\x1b[31m"])
@pytest.mark.parametrize(
    "arguments",
    [
        ("init", "{new}", "--by", "{bad}"),
        ("history", "{store}", "patient:{bad}"),
        ("case", "{store}", "T{bad}"),
        ("intake", "{store}", "patient={bad}.csv"),
        ("erase", "{store}", "patient:{bad}", "--why", "asked"),
        ("audit", "{store}", "--year", "2020", "--out", "{bad}"),
    ],
    ids=lambda arguments: arguments[0],
)
def test_an_argument_of_broken_bytes_is_a_usage_error(
    path: Path, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], bad: str
) -> None:
    given = [text.format(new=path.with_name("n"), store=path, bad=bad) for text in arguments]
    assert run_in_frame(app, given) == 2
    said = capsys.readouterr()
    assert "is no UTF-8 text" in said.err or "are no UTF-8 text" in said.err.replace("\n", " ")
    assert "fault of the program" not in said.err
    assert "\x1b" not in said.err
    assert not path.with_name("n").exists()
