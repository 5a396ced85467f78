"""The lock file: one writer or many readers, and who holds it."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from registry.engine.lock import hold_lock, lock_path
from registry.errors import StoreBusyError, StoreError

HOLD = """
import sys
from pathlib import Path
from registry.engine.lock import hold_lock
with hold_lock(Path(sys.argv[1]), exclusive=sys.argv[2] == "x", wait_seconds=0):
    print("held", flush=True)
    sys.stdin.readline()
"""


def _start_holder(store: Path, how: str) -> subprocess.Popen[str]:
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(store), how],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    return holder


def _end(holder: subprocess.Popen[str]) -> None:
    holder.communicate("\n")


def test_readers_share(tmp_path: Path) -> None:
    store = tmp_path / "ours"
    with hold_lock(store, exclusive=False), hold_lock(store, exclusive=False, wait_seconds=0):
        assert lock_path(store).stat().st_mode & 0o777 == 0o600


def test_the_writer_is_named_with_the_time(tmp_path: Path) -> None:
    store = tmp_path / "ours"
    holder = _start_holder(store, "x")
    try:
        for exclusive in (False, True):
            with (
                pytest.raises(StoreBusyError) as refusal,
                hold_lock(store, exclusive=exclusive, wait_seconds=0),
            ):
                pass
            said = rf"The registry ours is in use by process {holder.pid} since \d\d:\d\d\."
            assert re.match(said, refusal.value.message)
    finally:
        _end(holder)
    with hold_lock(store, exclusive=True, wait_seconds=0):
        assert lock_path(store).read_text().split()[0] == str(os.getpid())
    assert lock_path(store).read_text() == ""


def test_a_killed_writer_leaves_no_lock_and_its_name_is_not_shown(tmp_path: Path) -> None:
    store = tmp_path / "ours"
    holder = _start_holder(store, "x")
    holder.send_signal(signal.SIGKILL)
    holder.communicate()
    assert lock_path(store).read_text().split()[0] == str(holder.pid)
    with (
        hold_lock(store, exclusive=False, wait_seconds=0),
        pytest.raises(StoreBusyError, match="being read by another process"),
        hold_lock(store, exclusive=True, wait_seconds=0),
    ):
        pass


def test_waiting_ends_as_soon_as_the_holder_is_done(tmp_path: Path) -> None:
    store = tmp_path / "ours"
    holder = _start_holder(store, "x")
    assert holder.stdin is not None
    holder.stdin.write("\n")
    holder.stdin.flush()
    with hold_lock(store, exclusive=True, wait_seconds=20):
        pass
    holder.communicate()


def test_a_missing_folder_is_told(tmp_path: Path) -> None:
    with (
        pytest.raises(StoreError, match=r"lock file ours\.lock cannot be made"),
        hold_lock(tmp_path / "none" / "ours", exclusive=False),
    ):
        pass
