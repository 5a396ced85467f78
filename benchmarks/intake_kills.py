"""Kill -9 at random moments of an intake: no acknowledged commit lost, no half-taken file.

Each round forks a process that takes one file in, and kills it at a random moment between its
start and a little after its usual end. Then the registry is opened again and every file is either
there with all of its rows and its checksum, or not at all; files that the process had reported as
taken are there; the hash chain holds from end to end. A file that got lost with its process is
offered again in the next round, as a clerk would.

Run: ``python benchmarks/intake_kills.py [--kills 300] [--seed 1] [--write]``. With ``--write`` the
table goes to ``benchmarks/intake_kills.md`` beside this script.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import platform
import signal
import sys
import tempfile
import time
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime, timedelta
from importlib.metadata import version
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np

N_PATIENTS, N_VISITS = 40, 25
ROUNDS_PER_STORE = 30
PAGE_LINES, BLOCK_BYTES = 200, 8_000
"""Small, so that a file is read and recorded in several pieces, side by side, as a large one is."""
FORK = multiprocessing.get_context("fork")


@dataclass
class Tally:
    """What was seen over all rounds."""

    kills: int = 0
    ended_before_the_kill: int = 0
    killed_and_taken: int = 0
    killed_and_not_taken: int = 0
    acknowledged: int = 0
    acknowledged_commits_lost: int = 0
    half_taken_files: int = 0
    stores_that_failed_to_open: int = 0
    broken_chains: int = 0
    taken_again_after_commit: int = 0
    slowest_opening_seconds: float = 0.0


def _write_files(folder: Path, number: int) -> list[Path]:
    """Write one file of patients, tumours and visits each, with identifiers of this number."""
    folder.mkdir()
    people = [f"P{number}-{i}" for i in range(N_PATIENTS)]
    first = date(2015, 1, 1)
    texts = {
        "patient": ["patient_id,sex", *(f"{person},female" for person in people)],
        "tumour": [
            "tumour_id,patient_id,eye,thickness_mm,largest_basal_diameter_mm",
            *(f"T{person},{person},right,4.5,11" for person in people),
        ],
        "visit": [
            "visit_id,patient_id,eye,visit_date,acuity,iop_mmhg",
            *(
                f"V{person}-{k},{person},right,{first + timedelta(days=90 * k)},6/9,{10 + k % 9}"
                for person in people
                for k in range(N_VISITS)
            ),
        ],
    }
    paths = []
    for table, lines in texts.items():
        path = folder / f"{table}.csv"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        paths.append(path)
    return paths


def _take(store: Path, files: list[Path], at: datetime, pipe: Connection) -> None:
    from registry.reading import lines
    from registry.taking_in import staged_rows
    from registry.taking_in.intake import take_in

    staged_rows.PAGE_LINES, lines.BLOCK_BYTES = PAGE_LINES, BLOCK_BYTES
    pipe.send("started")
    result = take_in(store, list(files), by="kills", at=at)
    pipe.send("taken" if result.taken else "already" if result.already_taken else "refused")


def _look(store: Path, pipe: Connection) -> None:
    """Open the registry and send what it holds; None when it does not open."""
    from registry.errors import StoreError
    from registry.store import open_store

    began = time.perf_counter()
    try:
        with open_store(store) as opened:
            pipe.send(_describe(opened, time.perf_counter() - began))
    except StoreError as refusal:
        print(refusal.message, file=sys.stderr)
        pipe.send(None)


def _describe(opened: Any, opening_seconds: float) -> dict[str, Any]:
    """Gather rows by number and table, the files' checksums, and whether the chain holds."""
    from registry.engine.chain import find_misfit

    rows: dict[str, dict[str, int]] = {}
    for table in ("patient", "tumour", "visit"):
        counted = opened.connection.execute(
            f"SELECT regexp_extract(patient_id, '[0-9]+'), count(*) FROM {table} GROUP BY 1"
        ).fetchall()
        for number, count in counted:
            rows.setdefault(number, {})[table] = count
    anchor = opened.storage.anchors()[-1][0]
    misfit = find_misfit(anchor.hash(), opened.storage.links())
    files = sorted(opened.files_taken())
    return {"opening": opening_seconds, "rows": rows, "files": files, "chain": misfit is None}


def _ask(store: Path) -> dict[str, Any] | None:
    """Look at the registry in a process of its own; None when it does not open."""
    ours, theirs = FORK.Pipe()
    process = FORK.Process(target=_look, args=(store, theirs))
    process.start()
    theirs.close()
    try:
        answer: dict[str, Any] | None = ours.recv()
    except EOFError:
        raise RuntimeError("the look at the registry failed; see the traceback above") from None
    process.join()
    return answer


def _receive(pipe: Connection, seconds: float) -> str | None:
    try:
        return str(pipe.recv()) if pipe.poll(seconds) else None
    except EOFError:
        return None


def _kill_one(store: Path, files: list[Path], at: datetime, delay: float | None) -> str | None:
    """Run one intake, kill it after ``delay`` seconds (never, for None); return its last word."""
    ours, theirs = FORK.Pipe()
    process = FORK.Process(target=_take, args=(store, files, at, theirs))
    process.start()
    theirs.close()
    word = _receive(ours, 60)
    if delay is None:
        word = _receive(ours, 60)
    else:
        time.sleep(delay)
        assert process.pid is not None
        os.kill(process.pid, signal.SIGKILL)
    process.join()
    if process.exitcode not in (0, -signal.SIGKILL):
        raise RuntimeError("the intake failed by itself; see the traceback above")
    while ours.poll(0):
        try:
            word = str(ours.recv())
        except EOFError:
            break
    return word


def _judge(
    seen: dict[str, Any] | None,
    acknowledged: dict[int, list[str]],
    digests: dict[int, list[str]],
    tally: Tally,
) -> set[int]:
    """Count what is wrong; return the numbers that are in the registry."""
    if seen is None:
        tally.stores_that_failed_to_open += 1
        return set()
    tally.slowest_opening_seconds = max(tally.slowest_opening_seconds, seen["opening"])
    tally.broken_chains += not seen["chain"]
    whole = {"patient": N_PATIENTS, "tumour": N_PATIENTS, "visit": N_PATIENTS * N_VISITS}
    held = set()
    for number, files in digests.items():
        rows = seen["rows"].get(str(number), {})
        noted = [digest in seen["files"] for digest in files]
        if rows == whole and all(noted):
            held.add(number)
        elif rows or any(noted):
            tally.half_taken_files += 1
    tally.acknowledged_commits_lost += len(set(acknowledged) - held)
    return held


def _run_store(
    folder: Path, first: int, rounds: int, rng: np.random.Generator, tally: Tally
) -> None:
    """Kill so many intakes of one registry."""
    from registry.reading.lines import compute_sha256

    store, clock = folder / "kills.registry", datetime(2026, 1, 1, tzinfo=UTC)
    maker = FORK.Process(target=_create, args=(store, clock))
    maker.start()
    maker.join()
    digests: dict[int, list[str]] = {}
    acknowledged: dict[int, list[str]] = {}
    number, usual = first, None
    for _ in range(rounds + 1):
        clock += timedelta(minutes=1)
        if number not in digests:
            files = _write_files(folder / f"files{number}", number)
            digests[number] = [compute_sha256(path) for path in files]
        began = time.perf_counter()
        delay = None if usual is None else _draw_delay(rng, usual)
        word = _kill_one(store, files, clock, delay)
        if delay is None:
            usual = time.perf_counter() - began
        else:
            tally.kills += 1
            tally.ended_before_the_kill += word in ("taken", "already")
        if word in ("taken", "already"):
            acknowledged[number] = digests[number]
            tally.acknowledged += 1
            tally.taken_again_after_commit += word == "already"
        held = _judge(_ask(store), acknowledged, digests, tally)
        if delay is not None and word == "started":
            tally.killed_and_taken += number in held
            tally.killed_and_not_taken += number not in held
        # A commit that nobody was told of is offered once more: it must say "already taken".
        if number in acknowledged:
            number += 1
        print(f"\r{tally.kills} kills", end="", file=sys.stderr, flush=True)


def _draw_delay(rng: np.random.Generator, usual_seconds: float) -> float:
    """Draw a moment of the intake; every second one from its later part, where it commits."""
    earliest = 0.6 if rng.random() < 0.5 else 0.0
    return float(rng.uniform(earliest, 1.1)) * usual_seconds


def _create(store: Path, at: datetime) -> None:
    from registry.store import create_store

    create_store(store, centre_id="kills", by="kills", at=at)


def _write_table(tally: Tally, seed: int, seconds: float) -> str:
    rows = "\n".join(
        f"| {name.replace('_', ' ')} | {round(value, 3)} |" for name, value in asdict(tally).items()
    )
    return (
        "# Kill -9 at random moments of an intake\n\n"
        f"`python benchmarks/intake_kills.py --kills {tally.kills} --seed {seed} --write`, "
        f"{seconds:.0f} s; Python {platform.python_version()}, DuckDB {version('duckdb')}, "
        f"{platform.system()}.\nEach intake: {N_PATIENTS} patients, {N_PATIENTS} tumours, "
        f"{N_PATIENTS * N_VISITS} visits in three files.\n\n| what | count |\n|---|---|\n{rows}\n\n"
        '"Ended before the kill": the intake had reported already. "Killed and taken": the commit '
        "was durable\nbefore the program could say so; offered again, the files are "
        '"already taken". Must be 0: acknowledged\ncommits lost, half-taken files, broken chains, '
        "stores that failed to open.\n"
    )


def main() -> int:
    """Run the kills and print the tally as JSON; exit 1 when anything was lost."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    rng, tally = np.random.default_rng(options.seed), Tally()
    began = time.perf_counter()
    while tally.kills < options.kills:
        rounds = min(ROUNDS_PER_STORE, options.kills - tally.kills)
        with tempfile.TemporaryDirectory() as folder:
            _run_store(Path(folder), 1000 * (1 + tally.kills), rounds, rng, tally)
    print(file=sys.stderr)
    print(json.dumps(asdict(tally), indent=1))
    if options.write:
        table = _write_table(tally, options.seed, time.perf_counter() - began)
        Path(__file__).with_suffix(".md").write_text(table, encoding="utf-8")
    lost = tally.acknowledged_commits_lost + tally.half_taken_files + tally.broken_chains
    return int(bool(lost + tally.stores_that_failed_to_open))


if __name__ == "__main__":
    # Imported before the first fork, so that a kill falls into the intake and not into imports.
    import duckdb  # noqa: F401
    import pyarrow.csv  # noqa: F401

    sys.exit(main())
