"""Kill -9 over everything that writes: intake, correction, erasure, backup, snapshot, migration.

Each round forks a process that does one thing on a registry and kills it at a random moment between
its start and a little after its usual end. Then the registry is opened again by another process:
every acknowledged commit must be there whole, nothing half-done, the chain must hold; a backup or
data lock either stands whole (restored and compared; opened and its content hash checked) or not at
all. An old registry (the first released schema) is the target of the migration; while only one
schema is released, a second migration is added for the test by a folder of its own.

Run: ``python benchmarks/kills.py [--kills 500] [--seed 1] [--minutes 20] [--write]``.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import platform
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from importlib.metadata import version
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np

FORK = multiprocessing.get_context("fork")
N_PATIENTS = 40
START = datetime(2026, 1, 1)


@dataclass
class World:
    """One registry under fire, and what is known of it."""

    folder: Path
    number: int = 0
    acknowledged: set[int] = field(default_factory=set)
    corrected: set[int] = field(default_factory=set)
    erased: set[str] = field(default_factory=set)

    @property
    def store(self) -> Path:
        """The registry."""
        return self.folder / "kills.registry"

    def now(self) -> datetime:
        """A clock that goes a minute a round."""
        return START + timedelta(minutes=self.number)


@dataclass
class Tally:
    """What was seen of one kind of work."""

    kills: int = 0
    ended_before_the_kill: int = 0
    killed_and_done: int = 0
    killed_and_not_done: int = 0
    acknowledged_but_lost: int = 0
    half_done: int = 0
    files_that_do_not_open: int = 0


# --- the work, each in a process of its own -------------------------------------------------------


def _patients(number: int, year: int = 1950) -> Any:
    import pyarrow as pa

    people = [f"P{number}-{k}" for k in range(N_PATIENTS)]
    return pa.table({"patient_id": people, "birth_year": [year] * N_PATIENTS})


def _intake(world: World) -> None:
    from registry.taking_in.intake import take_in

    folder = world.folder / f"files{world.number}"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    lines = [f"P{world.number}-{k},1950" for k in range(N_PATIENTS)]
    text = "patient_id,birth_year\n" + "\n".join(lines) + "\n"
    (folder / "patient.csv").write_text(text, encoding="utf-8")
    result = take_in(world.store, [folder], by="kills", at=world.now())
    assert result.taken


def _correction(world: World) -> None:
    from registry.store import open_store

    target = min(world.acknowledged - world.corrected)
    with (
        open_store(world.store, write=True) as store,
        store.batch("correction", by="kills", why="test", at=world.now()) as batch,
    ):
        batch.append("patient", _patients(target, 1951))


def _erasure(world: World) -> None:
    from registry.safekeeping.erasure import erase_patient

    erase_patient(world.store, f"P0-{world.number}", by="kills", why="test", at=world.now())


def _backup(world: World) -> None:
    from registry.safekeeping.exchange import back_up

    back_up(world.store, world.folder / f"backup{world.number}", by="kills", at=world.now())


def _snapshot(world: World) -> None:
    from registry.safekeeping.freeze import freeze

    out = world.folder / f"lock{world.number}"
    freeze(world.store, out, data_cut=date(2025, 12, 31), by="kills", at=world.now())


def _migration(world: World) -> None:
    import registry.engine.opening
    from registry.engine.migrate import read_migrations
    from registry.store import open_store

    known = read_migrations(folder=world.folder.parent / "migrations")
    registry.engine.opening.read_migrations = lambda: known  # type: ignore[assignment]
    with open_store(world.folder / f"old{world.number}" / "old.registry", write=True):
        pass


# --- the look afterwards, in a process of its own -------------------------------------------------


def _look_at_records(world: World) -> dict[str, Any]:
    """Read how many patients of each number are there by year of birth, and check everything."""
    from registry.safekeeping.integrity import check_integrity
    from registry.store import open_store

    found = check_integrity(world.store)
    with open_store(world.store) as store:
        rows = store.connection.execute(
            "SELECT CAST(regexp_extract(patient_id, '[0-9]+') AS INTEGER), birth_year, count(*) "
            "FROM patient GROUP BY ALL"
        ).fetchall()
        erasable = store.connection.execute(
            "SELECT patient_id FROM patient_key WHERE patient_id LIKE 'P0-%'"
        ).fetchall()
    faults = [fault.what for fault in found.faults]
    return {"rows": rows, "faults": faults, "erasable": [row[0] for row in erasable]}


def _look_at_backup(world: World) -> dict[str, Any]:
    from registry.safekeeping.exchange import restore
    from registry.safekeeping.integrity import check_integrity

    out, new = world.folder / f"backup{world.number}", world.folder / f"new{world.number}"
    there = out.exists()
    if there:
        restore(out, new, at=world.now())
        assert check_integrity(new).is_whole
        new.unlink()
        shutil.rmtree(out)
    return {"done": there} | _look_at_records(world)


def _look_at_lock(world: World) -> dict[str, Any]:
    from registry.safekeeping.integrity import check_integrity

    out = world.folder / f"lock{world.number}"
    there = out.exists()
    if there:
        assert check_integrity(out).is_whole
        out.unlink()
    return {"done": there} | _look_at_records(world)


def _look_at_migrated(world: World) -> dict[str, Any]:
    """Finish the migration as the next writer does; the records must be those of before."""
    import registry.engine.opening
    from registry.engine.migrate import read_migrations
    from registry.safekeeping.integrity import verify_chain
    from registry.store import open_store

    path = world.folder / f"old{world.number}" / "old.registry"
    known = read_migrations(folder=world.folder.parent / "migrations")
    registry.engine.opening.read_migrations = lambda: known  # type: ignore[assignment]
    try:
        with open_store(path) as store:
            done = len(store.storage.applied_migrations()) == len(known)
    except registry.engine.opening.StoreError as error:
        done = "older version" not in error.message
    with open_store(path, write=True) as store:
        assert verify_chain(store) is None
        columns = store.connection.execute("SELECT hue, shade FROM patient_version").fetchall()
        assert set(columns) == {(None, None)}
        people = store.connection.execute("SELECT patient_id FROM patient").fetchall()
    assert people == [("P1",)]
    shutil.rmtree(path.parent)
    return {"done": done}


# --- killing --------------------------------------------------------------------------------------


def _in_process(work: Callable[[World], Any], world: World, pipe: Connection) -> None:
    pipe.send("started")
    answer = work(world)
    pipe.send(("done", answer))


def _receive(pipe: Connection, seconds: float) -> Any:
    try:
        return pipe.recv() if pipe.poll(seconds) else None
    except EOFError:
        return None


def _do(work: Callable[[World], Any], world: World, delay: float | None) -> Any:
    """Run the work, kill it after ``delay`` seconds (never, for None); return its last word."""
    ours, theirs = FORK.Pipe()
    process = FORK.Process(target=_in_process, args=(work, world, theirs))
    process.start()
    theirs.close()
    word = _receive(ours, 60)
    if delay is None:
        word = _receive(ours, 120)
    else:
        time.sleep(delay)
        assert process.pid is not None
        os.kill(process.pid, signal.SIGKILL)
    process.join()
    while (more := _receive(ours, 0)) is not None:
        word = more
    return word


@dataclass(frozen=True)
class Kind:
    """One kind of work, and how it is looked at."""

    work: Callable[[World], None]
    look: Callable[[World], dict[str, Any]]


KINDS = {
    "intake": Kind(_intake, _look_at_records),
    "correction": Kind(_correction, _look_at_records),
    "migration": Kind(_migration, _look_at_migrated),
    "backup": Kind(_backup, _look_at_backup),
    "snapshot": Kind(_snapshot, _look_at_lock),
    "erasure": Kind(_erasure, _look_at_records),
}


def _judge(name: str, world: World, told: bool, seen: dict[str, Any] | None, tally: Tally) -> None:
    """Count what is wrong after one round and learn what the registry holds now."""
    if seen is None:
        tally.files_that_do_not_open += 1
        return
    done = bool(seen.get("done"))
    if "rows" in seen:
        held = {number: {} for number, _, _ in seen["rows"]}  # type: ignore[var-annotated]
        for number, year, count in seen["rows"]:
            held[number][year] = count
        done = _judge_records(name, world, told, held, seen, tally) or done
    if told and not done:
        tally.acknowledged_but_lost += 1
    if not told:
        tally.killed_and_done += done
        tally.killed_and_not_done += not done


def _judge_records(
    name: str,
    world: World,
    told: bool,
    held: dict[int, dict[int, int]],
    seen: dict[str, Any],
    tally: Tally,
) -> bool:
    """Compare the records with what was acknowledged; return whether this round's work is there."""
    tally.half_done += bool(seen["faults"])
    for fault in seen["faults"]:
        print(f"\n{name}: {fault}", file=sys.stderr)
    whole = {number for number, years in held.items() if number and years in _ALL_OR_NOTHING}
    tally.half_done += len(set(held) - whole - {0})
    tally.acknowledged_but_lost += len(world.acknowledged - set(held))
    tally.acknowledged_but_lost += sum(held.get(n) != {1951: N_PATIENTS} for n in world.corrected)
    tally.acknowledged_but_lost += len(world.erased & set(seen["erasable"]))
    changed = {number for number in whole if held[number] == {1951: N_PATIENTS}}
    erasable = f"P0-{world.number}" in seen["erasable"]
    done = {
        "intake": world.number in whole,
        "correction": bool(changed - world.corrected),
        "erasure": not erasable,
    }.get(name, False)
    world.acknowledged |= whole
    world.corrected |= changed
    if name == "erasure" and not erasable:
        world.erased.add(f"P0-{world.number}")
    return done


_ALL_OR_NOTHING = ({1950: N_PATIENTS}, {1951: N_PATIENTS})


# --- rounds ---------------------------------------------------------------------------------------


def _make_world(folder: Path, first: int) -> World:
    """Make a registry with one batch of people to correct, and people 0 who may be erased."""
    import pyarrow as pa

    from registry.store import create_store, open_store

    world = World(folder, first)
    folder.mkdir()
    create_store(world.store, centre_id="invented", by="kills", at=world.now())
    with (
        open_store(world.store, write=True) as store,
        store.batch("intake", by="kills", at=world.now()) as batch,
    ):
        people = [f"P0-{first + k}" for k in range(150)]
        batch.append("patient", pa.table({"patient_id": people}))
        for k in range(1, 25):
            batch.append("patient", _patients(1_000_000 + k))
    world.acknowledged = {1_000_000 + k for k in range(1, 25)}
    return world


def _make_migrations(folder: Path) -> None:
    """Copy the released migrations and add one that alters a table twice."""
    from registry.engine.migrate import read_migrations

    folder.mkdir()
    known = read_migrations()
    for migration in known:
        name = f"m{migration.number:03}_{migration.name}.sql"
        (folder / name).write_bytes(migration.text.encode())
    next_number = len(known) + 1
    (folder / f"m{next_number:03}_hue.sql").write_text(
        "ALTER TABLE patient_version ADD COLUMN hue VARCHAR;"
    )
    (folder / f"m{next_number + 1:03}_shade.sql").write_text(
        "ALTER TABLE patient_version ADD COLUMN shade VARCHAR;"
    )


def _old_store(world: World) -> None:
    import gzip

    packed = Path(__file__).parents[1] / "tests" / "stores" / "m001.registry.gz"
    folder = world.folder / f"old{world.number}"
    folder.mkdir()
    (folder / "old.registry").write_bytes(gzip.decompress(packed.read_bytes()))


def run(kills: int, seed: int, minutes: float) -> dict[str, Tally]:
    """Kill so many times, the kinds in turn, until the time is over."""
    rng = np.random.default_rng(seed)
    tallies = {name: Tally() for name in KINDS}
    usual: dict[str, float] = {}
    give_up = time.monotonic() + 60 * minutes
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _make_migrations(folder / "migrations")
        world = _make_world(folder / "world", 1)
        done = 0
        while done < kills and time.monotonic() < give_up:
            for kind_name, kind in KINDS.items():
                world.number += 1
                if kind_name == "migration":
                    _old_store(world)
                delay = None
                if kind_name in usual:
                    low = 0.5 if rng.random() < 0.5 else 0.0
                    delay = float(rng.uniform(low, 1.1)) * usual[kind_name]
                began = time.perf_counter()
                word = _do(kind.work, world, delay)
                told = isinstance(word, tuple)
                tally = tallies[kind_name]
                if delay is None:
                    usual[kind_name] = time.perf_counter() - began
                else:
                    tally.kills += 1
                    done += 1
                    tally.ended_before_the_kill += told
                seen = _do(kind.look, world, None)
                looked = seen[1] if isinstance(seen, tuple) else None
                _judge(kind_name, world, told, looked, tally)
            print(f"\r{done} kills", end="", file=sys.stderr, flush=True)
            if not world.acknowledged - world.corrected or world.number % 120 < len(KINDS):
                shutil.rmtree(world.folder)
                world = _make_world(folder / "world", world.number)
    print(file=sys.stderr)
    return tallies


def write_table(tallies: dict[str, Tally], seed: int, seconds: float) -> str:
    """Write what was seen as Markdown."""
    headings = [name.replace("_", " ") for name in vars(Tally())]
    lines = [
        f"| {name} | " + " | ".join(str(value) for value in vars(tally).values()) + " |"
        for name, tally in tallies.items()
    ]
    total = [sum(vars(tally)[name] for tally in tallies.values()) for name in vars(Tally())]
    return (
        "# Kill -9 over everything that writes\n\n"
        f"`python benchmarks/kills.py --kills {total[0]} --seed {seed} --write`, {seconds:.0f} s; "
        f"Python {platform.python_version()}, DuckDB {version('duckdb')}, {platform.system()}.\n"
        f"After every kill another process opened the registry and checked the whole of it.\n\n"
        f"| work | {' | '.join(headings)} |\n|---|{'---|' * len(headings)}\n"
        + "\n".join(lines)
        + f"\n| **all** | {' | '.join(map(str, total))} |\n\n"
        "The last three columns must be 0. A killed migration is finished by the next writer; a "
        "killed backup or\nsnapshot leaves nothing under its name; a killed erasure leaves the "
        "registry of before, or the rebuilt one.\nAn erasure that was not done by then has to be "
        "done again. A killed backup or snapshot OUT\nmay leave OUT.draft, readable by its owner "
        "alone, which the next one of that name removes.\n"
    )


def main() -> int:
    """Kill, print the tally as JSON; exit 1 when anything was lost."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    began = time.perf_counter()
    tallies = run(options.kills, options.seed, options.minutes)
    print(json.dumps({name: vars(tally) for name, tally in tallies.items()}, indent=1))
    if options.write:
        table = write_table(tallies, options.seed, time.perf_counter() - began)
        Path(__file__).with_suffix(".md").write_text(table, encoding="utf-8")
    wrong = ("acknowledged_but_lost", "half_done", "files_that_do_not_open")
    return int(any(vars(tally)[name] for tally in tallies.values() for name in wrong))


if __name__ == "__main__":
    # Imported before the first fork, so that a kill falls into the work and not into imports.
    import duckdb  # noqa: F401
    import pyarrow.csv
    import pyarrow.parquet  # noqa: F401

    sys.exit(main())
