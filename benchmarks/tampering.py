"""Tamper with a registry in eight ways, hundreds of times: is it always found, and placed?

Each round copies a small registry, changes one thing at a random place as its owner could, and
asks ``check_integrity``. Kinds:

1. a flipped bit of the file; 2. the file cut short; 3. a cell changed by SQL after dropping the
guards; 4. a row deleted by SQL; 5. a row inserted by SQL; 6. the whole file put back to an earlier
state; 7. the side file removed, replaced by an older one or filled with garbage; 8. the log of a
killed writer deleted, cut short or filled with garbage (its commits are lost).

For 3, 4 and 5 the file's checksum is taken out of the side file first, so that the chain alone has
to find the change, and the record named is compared with the one that was touched: for a changed
cell that very record; for a deleted row the next one in the chain, or the record or batch that now
lacks it; for an inserted row the inserted record or the entry that it took.

Run: ``python benchmarks/tampering.py [--rounds 500] [--seed 1] [--write]``.
"""

from __future__ import annotations

import argparse
import json
import platform
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from importlib.metadata import version
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pyarrow as pa

from registry.engine.chain import head_path, read_side_file, write_head
from registry.safekeeping.integrity import Integrity, check_integrity
from registry.store import create_store, open_store

AT = datetime(2026, 1, 1, 9)
N_PATIENTS, N_BATCHES = 30, 4
CELLS = {
    "patient_version": (
        "birth_year = birth_year + 1",
        "sex = 'other'",
        "withdrawn = NOT withdrawn",
    ),
    "tumour_version": (
        "thickness_mm = thickness_mm + 0.1",
        "eye = CASE eye WHEN 'left' THEN 'right' ELSE 'left' END",
    ),
    "visit_version": (
        "visit_date = visit_date + 1",
        "recorded_by = 'eve'",
        "recorded_at = recorded_at + INTERVAL 1 SECOND",
        "iop_mmhg = 11.5",
    ),
    "setting_version": ("value = value || ' '",),
    "batch": ("why = 'x'", "recorded_by = 'eve'"),
}
KILLED_WRITER = """
import os, signal, sys
from datetime import datetime
import pyarrow as pa
from registry.store import open_store
with open_store(sys.argv[1], write=True) as store:
    for number in range(3):
        with store.batch("intake", by="ana", at=datetime(2026, 1, 2)) as batch:
            batch.append("patient", pa.table({"patient_id": [f"L{number}-{k}" for k in range(20)]}))
    os.kill(os.getpid(), signal.SIGKILL)
"""


@dataclass(frozen=True)
class Base:
    """The registries that are copied: closed, and left by a killed writer; with earlier states."""

    closed: Path
    killed: Path
    earlier: tuple[bytes, ...]
    earlier_heads: tuple[bytes, ...]


def _rows(number: int) -> dict[str, Any]:
    people = [f"P{number}-{k}" for k in range(N_PATIENTS)]
    n = len(people)
    return {
        "patient": pa.table({"patient_id": people, "birth_year": [1950 + k for k in range(n)],
                             "sex": ["female"] * n}),
        "tumour": pa.table({"tumour_id": [f"T{p}" for p in people], "patient_id": people,
                            "eye": ["left", "right"] * (n // 2), "thickness_mm": [4.5] * n}),
        "visit": pa.table({"visit_id": [f"V{p}" for p in people], "patient_id": people,
                           "eye": ["left", "right"] * (n // 2),
                           "visit_date": [date(2020, 1, 1) + timedelta(days=k) for k in range(n)],
                           "iop_mmhg": [14.0] * n}),
    }  # fmt: skip


def make_base(folder: Path) -> Base:
    """Make the registries once."""
    closed = folder / "closed" / "ours.registry"
    closed.parent.mkdir()
    create_store(closed, centre_id="invented", by="ana", at=AT)
    files, heads = [closed.read_bytes()], [head_path(closed).read_bytes()]
    for number in range(N_BATCHES):
        with (
            open_store(closed, write=True) as store,
            store.batch("intake", by="ana", at=AT) as batch,
        ):
            for table, rows in _rows(number).items():
                batch.append(table, rows)
        files.append(closed.read_bytes())
        heads.append(head_path(closed).read_bytes())
    killed = folder / "killed"
    shutil.copytree(closed.parent, killed)
    store_path = killed / closed.name
    subprocess.run([sys.executable, "-c", KILLED_WRITER, str(store_path)], check=False)
    assert store_path.with_name(closed.name + ".wal").stat().st_size > 0
    return Base(closed.parent, killed, tuple(files[:-1]), tuple(heads[:-1]))


# --- the tamperings: each returns the table and record that was touched, if there is one ----------

Touched = tuple[str, str] | None


def _run_sql(path: Path, *statements: str) -> list[tuple[Any, ...]]:
    connection = duckdb.connect()
    connection.execute(f"ATTACH '{path}' AS registry").fetchall()
    connection.execute("USE registry").fetchall()
    rows: list[tuple[Any, ...]] = []
    for statement in statements:
        rows = connection.execute(statement).fetchall()
    connection.close()
    return rows


def _forget_checksum(path: Path) -> None:
    side_file = read_side_file(path)
    assert side_file is not None
    write_head(path, side_file.head)


def _unguard(table: str) -> list[str]:
    return [f"DROP TRIGGER {table}_refuses_{what} ON {table}" for what in ("update", "delete")]


KEYS = {
    "patient_version": "patient_id || '|' || version",
    "tumour_version": "tumour_id || '|' || version",
    "visit_version": "visit_id || '|' || version",
    "setting_version": "name || '|' || version",
    "batch": "CAST(batch_no AS VARCHAR)",
}


def _pick(path: Path, table: str, rng: np.random.Generator) -> tuple[int, str]:
    rows = _run_sql(path, f"SELECT entry_no, {KEYS[table]} FROM {table} ORDER BY entry_no")
    entry, key = rows[int(rng.integers(len(rows)))]
    return int(entry), str(key)


def flip_a_bit(path: Path, base: Base, rng: np.random.Generator) -> Touched:
    """Flip one bit anywhere in the file."""
    content = bytearray(path.read_bytes())
    content[int(rng.integers(len(content)))] ^= 1 << int(rng.integers(8))
    path.write_bytes(content)
    return None


def cut_the_file(path: Path, base: Base, rng: np.random.Generator) -> Touched:
    """Cut the file short anywhere."""
    content = path.read_bytes()
    path.write_bytes(content[: int(rng.integers(1, len(content)))])
    return None


def change_a_cell(path: Path, base: Base, rng: np.random.Generator) -> Touched:
    """Change one cell by SQL, the guards dropped first and half the time put back after."""
    table = list(CELLS)[int(rng.integers(len(CELLS)))]
    change = CELLS[table][int(rng.integers(len(CELLS[table])))]
    entry, key = _pick(path, table, rng)
    _run_sql(path, *_unguard(table), f"UPDATE {table} SET {change} WHERE entry_no = {entry}")
    _forget_checksum(path)
    return table, key


def delete_a_row(path: Path, base: Base, rng: np.random.Generator) -> Touched:
    """Delete one version or setting by SQL."""
    table = ("visit_version", "tumour_version", "setting_version")[int(rng.integers(3))]
    entry, key = _pick(path, table, rng)
    _run_sql(path, *_unguard(table), f"DELETE FROM {table} WHERE entry_no = {entry}")
    _forget_checksum(path)
    return table, key


def insert_a_row(path: Path, base: Base, rng: np.random.Generator) -> Touched:
    """Insert a copy of a version as the next version of its record."""
    table = ("visit_version", "tumour_version", "patient_version")[int(rng.integers(3))]
    entry, key = _pick(path, table, rng)
    number = entry if rng.random() < 0.5 else 10_000
    _run_sql(
        path,
        f"INSERT INTO {table} BY NAME SELECT * REPLACE (2 AS version, 'x' AS recorded_why, "
        f"CAST({number} AS BIGINT) AS entry_no) FROM {table} WHERE entry_no = {entry}",
    )
    _forget_checksum(path)
    return table, key


def put_back_the_file(path: Path, base: Base, rng: np.random.Generator) -> Touched:
    """Put back the file of an earlier state; half the time with its own checksum noted."""
    place = int(rng.integers(len(base.earlier)))
    path.write_bytes(base.earlier[place])
    if rng.random() < 0.5:
        _forget_checksum(path)
    return None


def tamper_with_the_side_file(path: Path, base: Base, rng: np.random.Generator) -> Touched:
    """Remove the side file, put an older one in its place, or fill it with garbage."""
    side, way = head_path(path), int(rng.integers(4))
    if way == 0:
        side.unlink()
    elif way == 1:
        side.write_bytes(base.earlier_heads[int(rng.integers(len(base.earlier_heads)))])
    elif way == 2:
        side.write_bytes(rng.bytes(int(rng.integers(0, 200))))
    else:
        text = side.read_text().split()
        text[2] = rng.bytes(32).hex()
        side.write_text(" ".join(text) + "\n")
    return None


def tamper_with_the_log(path: Path, base: Base, rng: np.random.Generator) -> Touched:
    """Delete a killed writer's log, cut it short, or fill it with garbage."""
    log, way = path.with_name(path.name + ".wal"), int(rng.integers(3))
    content = log.read_bytes()
    if way == 0:
        log.unlink()
    elif way == 1:
        log.write_bytes(content[: int(rng.integers(len(content)))])
    else:
        log.write_bytes(rng.bytes(len(content)))
    return None


KINDS: tuple[Callable[[Path, Base, np.random.Generator], Touched], ...] = (
    flip_a_bit,
    cut_the_file,
    change_a_cell,
    delete_a_row,
    insert_a_row,
    put_back_the_file,
    tamper_with_the_side_file,
    tamper_with_the_log,
)


# --- the judge ------------------------------------------------------------------------------------


def _is_placed(found: Integrity, touched: tuple[str, str], kind: str) -> bool:
    """Say whether a record fault is named, and for a changed cell that it is the one touched."""
    named = [(f.table, f.record) for f in found.faults if f.kind == "record"]
    return touched in named if kind == "change_a_cell" else bool(named)


@dataclass
class Row:
    """What was seen of one kind."""

    rounds: int = 0
    found: int = 0
    with_record: int = 0
    placed: int = 0


def run(rounds: int, seed: int) -> tuple[dict[str, Row], list[str]]:
    """Tamper so many times, the kinds in turn."""
    rng = np.random.default_rng(seed)
    rows = {kind.__name__: Row() for kind in KINDS}
    missed = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        base = make_base(folder)
        assert check_integrity(base.closed / "ours.registry").is_whole
        assert check_integrity(base.killed / "ours.registry").is_whole
        for number in range(rounds):
            kind = KINDS[number % len(KINDS)]
            source = base.killed if kind is tamper_with_the_log else base.closed
            work = folder / "work"
            shutil.rmtree(work, ignore_errors=True)
            shutil.copytree(source, work)
            touched = kind(work / "ours.registry", base, rng)
            found = check_integrity(work / "ours.registry")
            row = rows[kind.__name__]
            row.rounds += 1
            row.found += not found.is_whole
            if touched is not None:
                row.with_record += 1
                row.placed += _is_placed(found, touched, kind.__name__)
            if found.is_whole or (
                touched is not None and not _is_placed(found, touched, kind.__name__)
            ):
                missed.append(f"round {number}: {kind.__name__} {touched} {found.faults}")
            print(f"\r{number + 1} tamperings", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return rows, missed


def write_table(rows: dict[str, Row], rounds: int, seed: int, seconds: float) -> str:
    """Write what was seen as Markdown."""
    lines = [
        f"| {name.replace('_', ' ')} | {row.rounds} | {row.found} | {row.with_record} | "
        f"{row.placed} |"
        for name, row in rows.items()
    ]
    total = sum(row.rounds for row in rows.values()), sum(row.found for row in rows.values())
    return (
        "# Tampering with a registry\n\n"
        f"`python benchmarks/tampering.py --rounds {rounds} --seed {seed} --write`, {seconds:.0f} "
        f"s; Python {platform.python_version()}, DuckDB {version('duckdb')}, "
        f"{platform.system()}. A registry of {N_PATIENTS * N_BATCHES} patients, tumours and visits "
        f"in {N_BATCHES} batches; before every round it was whole.\n\n"
        "| what was done | times | found | touched a record | a record named |\n"
        "|---|---|---|---|---|\n"
        + "\n".join(lines)
        + f"\n| **all** | {total[0]} | {total[1]} | | |\n\n"
        "For changed cells, deleted and inserted rows the file's checksum was taken away first, so "
        "that the chain alone\nfound them. For a changed cell the record named is the one that was "
        "changed; a deleted row is named by the\nnext row in the chain, an inserted one by itself "
        "or the entry that it doubles. Not among these: the registry,\nits side file and every "
        "copy of a hash put back together to an earlier state, which only a hash kept elsewhere\n"
        "(`afterplaque integrity --expect HASH`) shows.\n"
    )


def main() -> int:
    """Tamper, print the tally as JSON; exit 1 when anything was missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    began = time.perf_counter()
    rows, missed = run(options.rounds, options.seed)
    print(json.dumps({name: vars(row) for name, row in rows.items()}, indent=1))
    for line in missed:
        print(line, file=sys.stderr)
    if options.write:
        table = write_table(rows, options.rounds, options.seed, time.perf_counter() - began)
        Path(__file__).with_suffix(".md").write_text(table, encoding="utf-8")
    return int(bool(missed))


if __name__ == "__main__":
    sys.exit(main())
