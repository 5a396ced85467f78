"""How long ``check`` takes on a registry of 100,000 tumours, and how much memory.

One drawn department is taken in so many times under other names, so that the registry has the
habits of a real one: visits, certificates, checks, events in proportion.

Run: ``python benchmarks/check_speed.py [--patients 2000] [--copies 50] [--write]``.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import tempfile
import time
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.checking.checks import check_registry
from analysis.outcomes.cohort import DataCut
from registry.records import TABLES
from registry.store import create_store, open_store
from registry.taking_in.intake import take_in
from synthetic_cohort.cohort import draw_department, write_files
from synthetic_cohort.truth import DATA_CUT, TRUTH

AT = datetime(2026, 1, 1, tzinfo=UTC).replace(tzinfo=None)
NAMES = ("patient_id", "tumour_id", "applicator_id", "implant_id", "visit_id", "event_id")


def copy_department(tables: dict[str, pd.DataFrame], copies: int) -> dict[str, pd.DataFrame]:
    """Repeat a department under other names."""

    def renamed(frame: pd.DataFrame, number: int) -> pd.DataFrame:
        names = [name for name in frame.columns if name in NAMES]
        changed = {
            name: np.where(frame[name] == "", "", f"D{number}-" + frame[name]) for name in names
        }
        return frame.assign(**changed)

    return {
        name: pd.concat([renamed(frame, k) for k in range(copies)], ignore_index=True)
        for name, frame in tables.items()
    }


def main() -> None:
    """Draw, take in, check, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--patients", type=int, default=2000)
    parser.add_argument("--copies", type=int, default=50)
    parser.add_argument("--write", action="store_true", help="Write check_speed.md beside it.")
    options = parser.parse_args()
    drawn = draw_department(TRUTH, options.patients, np.random.default_rng(20240229))
    tables = copy_department(drawn, options.copies)
    steps: list[tuple[str, float]] = []
    with tempfile.TemporaryDirectory() as folder:
        write_files(tables, Path(folder) / "files")
        path = Path(folder) / "large.registry"
        create_store(path, centre_id="invented", by="bench", at=AT)
        files = [Path(folder) / "files" / f"{name}.csv" for name in TABLES]
        if not take_in(path, files, by="bench", why="bench", at=AT).taken:
            raise SystemExit("intake refused the department")
        with open_store(path) as store:
            start, cpu = time.perf_counter(), time.process_time()
            found = check_registry(
                store.connection,
                DataCut(DATA_CUT),
                store.settings(),
                progress=lambda step: steps.append((step, time.perf_counter() - start)),
            )
            wall, used = time.perf_counter() - start, time.process_time() - cpu
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    lines = [
        "# How long `check` takes",
        "",
        f"{len(tables['tumour']):,} tumours, {len(tables['implant']):,} implants,"
        f" {len(tables['visit']):,} visits; {os.cpu_count()} cores,"
        f" Python {platform.python_version()}, DuckDB {version('duckdb')}.",
        "",
        "| measured | value |",
        "|---|---:|",
        f"| whole check | {wall:.1f} s |",
        f"| CPU | {used:.1f} s |",
        f"| peak memory (drawing and intake included) | {memory:.0f} MB |",
        f"| findings | {len(found.findings):,} |",
        *(f"| reached: {step} | {at:.1f} s |" for step, at in steps),
    ]
    text = "\n".join(lines) + "\n"
    print(text)
    if options.write:
        Path(__file__).with_suffix(".md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
