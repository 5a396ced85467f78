"""A full disk: is anything lost, and is the person told what to do?

Each round gives a process less room than its work needs and lets it try: recording a batch, a
backup, a data lock, a restore, an erasure. Two ways of being full: a limit on the size of any file
(RLIMIT_FSIZE, everywhere), and a small file system in memory (tmpfs, where this process may mount
one). Afterwards, with room again, the registry must be whole and hold everything acknowledged, the
work must have ended in a refusal that says what to do, and nothing half-made may be left under its
name.

Run: ``python benchmarks/disk_full.py [--rounds 60] [--seed 1] [--write]`` (Linux).
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import platform
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import date, datetime
from importlib.metadata import version
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np

FORK = multiprocessing.get_context("fork")
AT = datetime(2026, 1, 1)
N_KEPT, N_NEW = 2_000, 20_000


def _people(first: int, count: int) -> Any:
    import pyarrow as pa

    return pa.table({"patient_id": [f"P{number}-kept" for number in range(first, first + count)]})


def _record(store: Path) -> None:
    from registry.store import open_store

    with (
        open_store(store, write=True) as opened,
        opened.batch("intake", by="ana", at=AT) as batch,
    ):
        batch.append("patient", _people(N_KEPT, N_NEW))


def _backup(store: Path) -> None:
    from registry.safekeeping.exchange import back_up

    back_up(store, store.with_name("out"), by="ana", at=AT)


def _snapshot(store: Path) -> None:
    from registry.safekeeping.freeze import freeze

    freeze(store, store.with_name("out"), data_cut=date(2025, 1, 1), by="ana", at=AT)


def _restore(store: Path) -> None:
    from registry.safekeeping.exchange import restore

    restore(store.with_name("kept"), store.with_name("out"), at=AT)


def _erase(store: Path) -> None:
    from registry.safekeeping.erasure import erase_patient

    erase_patient(store, "P0-kept", by="ana", why="test", at=AT)


WORKS: dict[str, Callable[[Path], None]] = {
    "record": _record,
    "backup": _backup,
    "snapshot": _snapshot,
    "restore": _restore,
    "erase": _erase,
}


def _try(work: Callable[[Path], None], store: Path, limit: int | None, pipe: Connection) -> None:
    """Do the work under a limit and say how it ended."""
    from registry.errors import MendableError

    if limit is not None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    try:
        work(store)
    except MendableError as error:
        pipe.send(("refused", error.message))
    except BaseException as error:
        pipe.send(("fault", f"{type(error).__name__}: {error}"))
    else:
        pipe.send(("done", ""))


def _look(store: Path, pipe: Connection) -> None:
    from registry.safekeeping.integrity import check_integrity
    from registry.store import open_store

    faults = [fault.what for fault in check_integrity(store).faults]
    with open_store(store) as opened:
        [(count,)] = opened.connection.execute("SELECT count(*) FROM patient").fetchall()
        erased = not opened.connection.execute(
            "SELECT 1 FROM patient_key WHERE patient_id = 'P0-kept'"
        ).fetchall()
    pipe.send((faults, count, erased))


def _ask(function: Callable[..., None], *arguments: Any) -> Any:
    ours, theirs = FORK.Pipe()
    process = FORK.Process(target=function, args=(*arguments, theirs))
    process.start()
    theirs.close()
    answer = None
    with suppress(EOFError):
        answer = ours.recv()
    process.join()
    return answer


def _make(folder: Path, pipe: Connection) -> None:
    from registry.safekeeping.exchange import back_up
    from registry.store import create_store, open_store

    store = folder / "ours.registry"
    create_store(store, centre_id="invented", by="ana", at=AT)
    with (
        open_store(store, write=True) as opened,
        opened.batch("intake", by="ana", at=AT) as batch,
    ):
        batch.append("patient", _people(0, N_KEPT))
    back_up(store, folder / "kept", by="ana", at=AT)
    pipe.send(None)


@contextmanager
def _small_disk(folder: Path, size: int) -> Iterator[Path | None]:
    """Mount a small file system in memory; None where that is not allowed."""
    place = folder / "small"
    place.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(place)]
    ran = subprocess.run(mount, capture_output=True, check=False)
    try:
        yield place if ran.returncode == 0 else None
    finally:
        if ran.returncode == 0:
            subprocess.run(["umount", str(place)], check=False)
        shutil.rmtree(place, ignore_errors=True)


def _judge(name: str, ended: Any, store: Path, tally: Counter[str]) -> None:
    """Look at the registry, with room again, and count what is wrong."""
    how, said = ended or ("died", "")
    tally[f"{how}"] += 1
    if how == "refused":
        tally["told to make room"] += "room" in said or "space" in said or "large" in said
    if how not in ("refused", "done"):
        tally["ended without a refusal"] += 1
        print(f"\n{name}: {how} {said[:300]}", file=sys.stderr)
    seen = _ask(_look, store)
    if seen is None:
        tally["does not open"] += 1
        return
    faults, count, erased = seen
    whole = {N_KEPT, N_KEPT + N_NEW} if name == "record" else {N_KEPT - erased}
    tally["not whole"] += bool(faults) or count not in whole
    for fault in faults:
        print(f"\n{name}: {fault} ({how}: {said[:200]})", file=sys.stderr)
    expected = {"record": count > N_KEPT, "erase": erased}.get(
        name, store.with_name("out").exists()
    )
    tally["said and not there"] += how == "done" and not expected
    if name in ("backup", "snapshot", "restore"):
        tally["half-made left"] += how != "done" and bool(expected)


def run(rounds: int, seed: int) -> dict[str, Counter[str]]:
    """Try so many times, works in turn, every second one on a small disk."""
    rng = np.random.default_rng(seed)
    tallies: dict[str, Counter[str]] = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        base = folder / "base"
        base.mkdir()
        _ask(_make, base)
        size = sum(file.stat().st_size for file in base.rglob("*") if file.is_file())
        for number in range(rounds):
            work = list(WORKS)[number % len(WORKS)]
            is_disk = (number // len(WORKS)) % 2 == 1
            # A backup is Parquet and needs a small part of the room that a database file does.
            share = 0.02 if work == "backup" else 1.0
            extra = int(share * rng.uniform(0.0, 1.0) * size)
            with _small_disk(folder, size + extra if is_disk else 1) as small:
                place = small if is_disk and small else folder / "work"
                way = "small disk" if is_disk and small else "file size limit"
                shutil.rmtree(place / "in", ignore_errors=True)
                shutil.copytree(base, place / "in")
                store = place / "in" / "ours.registry"
                limit = None if way == "small disk" else int(share * rng.uniform(0.005, 0.9) * size)
                ended = _ask(_try, WORKS[work], store, limit)
                if way == "small disk":  # room again
                    shutil.rmtree(folder / "work", ignore_errors=True)
                    shutil.copytree(place / "in", folder / "work" / "in")
                    store = folder / "work" / "in" / "ours.registry"
                tally = tallies.setdefault(f"{work}, {way}", Counter())
                tally["rounds"] += 1
                _judge(work, ended, store, tally)
            print(f"\r{number + 1} rounds", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return tallies


COLUMNS = (
    "rounds",
    "refused",
    "done",
    "ended without a refusal",
    "does not open",
    "not whole",
    "said and not there",
    "half-made left",
)
WRONG = COLUMNS[3:]


def write_table(tallies: dict[str, Counter[str]], seed: int, seconds: float) -> str:
    """Write what was seen as Markdown."""
    rounds = sum(tally["rounds"] for tally in tallies.values())
    lines = [
        f"| {name} | " + " | ".join(str(tally[column]) for column in COLUMNS) + " |"
        for name, tally in sorted(tallies.items())
    ]
    return (
        "# A full disk\n\n"
        f"`python benchmarks/disk_full.py --rounds {rounds} --seed {seed} --write`, {seconds:.0f} "
        f"s; Python {platform.python_version()}, DuckDB {version('duckdb')}, "
        f"{platform.system()}.\n\n"
        f"| work, how the disk is full | {' | '.join(COLUMNS)} |\n"
        f"|---|{'---|' * len(COLUMNS)}\n" + "\n".join(lines) + "\n\n"
        "The last five columns must be 0. Done: there was room enough.\n"
    )


def main() -> int:
    """Fill disks, print the tally as JSON; exit 1 when anything was lost."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    began = time.perf_counter()
    tallies = run(options.rounds, options.seed)
    print(json.dumps(tallies, indent=1))
    if options.write:
        table = write_table(tallies, options.seed, time.perf_counter() - began)
        Path(__file__).with_suffix(".md").write_text(table, encoding="utf-8")
    return int(any(tally[name] for tally in tallies.values() for name in WRONG))


if __name__ == "__main__":
    import duckdb  # noqa: F401
    import pyarrow.parquet  # noqa: F401

    import registry.safekeeping.erasure
    import registry.safekeeping.exchange
    import registry.safekeeping.freeze
    import registry.store  # noqa: F401

    sys.exit(main())
