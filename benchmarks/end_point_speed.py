"""How long the SQL of the end points takes for a very large registry, and how much memory.

A drawn department is copied until it holds 100 000 tumours and 1 000 000 visits (and as many events
as go with them); each end point is then built as a table, as ``read_outcome_table`` reads it.

Usage: python benchmarks/end_point_speed.py [OUT.md]
"""

from __future__ import annotations

import resource
import sys
import time
from pathlib import Path
from typing import Any

import duckdb
import numpy as np

from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.end_points import END_POINTS, compile_end_point, find_end_point
from registry.records import TABLES
from synthetic_cohort.cohort import draw_department
from synthetic_cohort.in_memory import hold_in_memory
from synthetic_cohort.truth import DATA_CUT, TRUTH

DRAWN, COPIES, VISITS = 2000, 50, 1_000_000
KEYS = {"patient_id", "tumour_id", "implant_id", "visit_id", "event_id"}
MEMORY = "2GB"
NAMES = (*END_POINTS, "cataract", "radiation_retinopathy", "neovascular_glaucoma:3")


def enlarge(small: Any, path: Path) -> None:
    """Write a database file of copied patients, each with keys of its own."""
    small.execute(f"ATTACH '{path}' AS large")
    for name, table in TABLES.items():
        own = [field.name for field in table.fields if field.name in KEYS]
        copied = own and name not in ("applicator", "applicator_check", "certificate")
        changes = ", ".join(f"{key} || '-' || c AS {key}" for key in own)
        rows = f"SELECT * REPLACE ({changes}) FROM {name}, range({COPIES}) r(c)"
        limit = f" LIMIT {VISITS}" if name == "visit" else ""
        source = rows.replace("* REPLACE", f"{name}.* REPLACE") if copied else f"FROM {name}"
        small.execute(f"CREATE TABLE large.{name} AS {source}{limit}")
    small.execute("DETACH large")


def time_end_points(path: Path) -> tuple[list[tuple[str, int, float, float]], dict[str, int]]:
    """Return name, units, seconds and CPU seconds of each, and the size of the registry."""
    with duckdb.connect(path, config={"memory_limit": MEMORY, "threads": 2}) as connection:
        sizes = {}
        for name in TABLES:
            connection.execute(
                f"CREATE MACRO {name}_as_of(until) AS TABLE"
                f" SELECT * FROM {name} WHERE recorded_at <= until"
            )
            sizes[name] = int(connection.execute(f"SELECT count(*) FROM {name}").fetchall()[0][0])
        cut, found = DataCut(DATA_CUT), []
        for name in NAMES:
            sql = compile_end_point(find_end_point(name), CohortRules())
            started, busy = time.perf_counter(), time.process_time()
            rows = connection.sql(sql, params=cut.parameters()).to_arrow_table().num_rows
            seconds = time.perf_counter() - started, time.process_time() - busy
            found.append((name, rows, *seconds))
    return found, sizes


def _total(found: list[tuple[str, int, float, float]], column: int) -> float:
    return sum(float(row[column]) for row in found)


def main() -> None:
    """Print the table, and write it where asked."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "large.duckdb"
        with hold_in_memory(draw_department(TRUTH, DRAWN, np.random.default_rng(3))) as small:
            enlarge(small, path)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        found, sizes = time_end_points(path)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    lines = [
        "# End points of a very large registry",
        "",
        f"{sizes['tumour']} tumours, {sizes['visit']} visits, {sizes['event']} events; 2 threads,"
        f" memory limit {MEMORY}. Peak of the whole process {peak:.0f} MB ({before / 1024:.0f} MB"
        " after making the data). Seconds depend on the machine’s other work; CPU seconds do not.",
        "",
        "| end point | units | seconds | CPU seconds |",
        "|---|---|---|---|",
        *(f"| {name} | {rows} | {wall:.2f} | {busy:.2f} |" for name, rows, wall, busy in found),
        f"| the five main ones | | {_total(found[:5], 2):.2f} | {_total(found[:5], 3):.2f} |",
        f"| all | | {_total(found, 2):.2f} | {_total(found, 3):.2f} |",
        "",
    ]
    print("\n".join(lines))
    if len(sys.argv) > 1:
        Path(sys.argv[1]).write_text("\n".join(lines), encoding="utf-8")


if __name__ == "__main__":
    main()
