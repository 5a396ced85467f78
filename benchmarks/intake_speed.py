"""How fast intake takes a large visit file in, against DuckDB's bare CSV reader on the same file.

DuckDB's ``read_csv`` into a table, all columns as text, is the floor: it neither judges a cell nor
keeps a version. Seconds depend on what else the machine does, CPU seconds hardly. Each measurement
runs in a process of its own, so that its peak memory is its own.

Run: ``python benchmarks/intake_speed.py [--rows 1000000] [--quoted] [--broken 0.001] [--write]``.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, date, datetime, timedelta
from importlib.metadata import version
from pathlib import Path

VISITS_PER_PATIENT = 25
AT = datetime(2026, 1, 1, tzinfo=UTC)
ACUITIES = ("6/9", "20/40", "CF", "HM", "0.30 logMAR", "70 letters", "6/60", "6/12-2")
HEADING = (
    "visit_id,patient_id,eye,visit_date,acuity,acuity_correction,iop_mmhg,thickness_mm,"
    "local_status,fellow_acuity,lens_status,acuity_loss_causes"
)


def write_files(folder: Path, n_rows: int, *, quoted: bool, broken: float) -> None:
    """Write patients, tumours and so many visits; every ``1 / broken``-th line is damaged."""
    n_patients = -(-n_rows // VISITS_PER_PATIENT)
    folder.mkdir()
    with (folder / "patient.csv").open("w", encoding="utf-8") as stream:
        stream.write("patient_id,sex,birth_year\n")
        stream.writelines(f"P{i},female,{1930 + i % 60}\n" for i in range(n_patients))
    with (folder / "tumour.csv").open("w", encoding="utf-8") as stream:
        stream.write("tumour_id,patient_id,eye,thickness_mm,largest_basal_diameter_mm\n")
        stream.writelines(f"T{i},P{i},right,{2 + i % 9}.5,11\n" for i in range(n_patients))
    days = [(date(2012, 1, 1) + timedelta(days=n)).isoformat() for n in range(5000)]
    every = round(1 / broken) if broken else 0
    with (folder / "visit.csv").open("w", encoding="utf-8") as stream:
        stream.write(HEADING + "\n")
        for number in range(n_rows):
            patient, visit = divmod(number, VISITS_PER_PATIENT)
            cells = [
                f"V{number}",
                f"P{patient}",
                "right",
                days[patient % 2000 + 100 * visit],
                ACUITIES[number % 8],
                "best_corrected",
                str(10 + number % 13),
                f"{2 + number % 4}.{number % 10}",
                "controlled",
                "6/6",
                "phakic",
                "cataract;maculopathy" if number % 5 == 0 else "",
            ]
            text = ",".join(f'"{cell}"' for cell in cells) if quoted else ",".join(cells)
            if every and number % every == every // 2:
                text = text.replace(",", ',"', 1)
            stream.write(text + "\n")


def _measure(what: str, folder: Path) -> dict[str, object]:
    """Measure one thing in a fresh process."""
    command = [sys.executable, __file__, "--inner", what, str(folder)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    answer: dict[str, object] = json.loads(done.stdout.splitlines()[-1])
    return answer


def _run_inner(what: str, folder: Path) -> None:
    """Do one thing and print its seconds and peak memory as JSON."""
    answer: dict[str, object] = {}
    if what == "read_csv":
        import duckdb

        began, cpu_began = time.perf_counter(), time.process_time()
        path = str(folder / "visit.csv")
        with duckdb.connect() as connection:
            connection.execute(
                "CREATE TABLE t AS SELECT * FROM read_csv(?, all_varchar = true, header = true, "
                "delim = ',', quote = '\"', strict_mode = false, ignore_errors = true, "
                "auto_detect = false, columns = "
                + str(dict.fromkeys(HEADING.split(","), "VARCHAR"))
                + ")",
                [path],
            ).fetchall()
    else:
        from registry.intake import take_in
        from registry.store import create_store

        store = folder.parent / f"{what}.registry"
        create_store(store, centre_id="speed", by="speed", at=AT)
        began, cpu_began = time.perf_counter(), time.process_time()
        result = take_in(store, [folder], by="speed", at=AT, check_only=what == "check")
        answer["findings"] = len(result.findings)
        answer["rows"] = sum(result.rows_read.values())
    answer["seconds"] = round(time.perf_counter() - began, 2)
    answer["cpu"] = round(time.process_time() - cpu_began, 2)
    answer["peak_mb"] = round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
    print(json.dumps(answer))


def main() -> int:
    """Write the files, measure, print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--quoted", action="store_true", help="quote every cell")
    parser.add_argument("--broken", type=float, default=0.0, help="share of unclosed quotes")
    parser.add_argument("--write", action="store_true", help="keep the table beside this script")
    parser.add_argument("--inner", nargs=2, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.inner:
        _run_inner(options.inner[0], Path(options.inner[1]))
        return 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "files"
        write_files(folder, options.rows, quoted=options.quoted, broken=options.broken)
        megabytes = (folder / "visit.csv").stat().st_size / 1e6
        measured = {what: _measure(what, folder) for what in ("read_csv", "take")}
    floor, take = (measured[what]["seconds"] for what in ("read_csv", "take"))
    assert isinstance(floor, float)
    assert isinstance(take, float)
    rows = measured["take"]["rows"]
    assert isinstance(rows, int)
    text = (
        f"{options.rows} visits of {len(HEADING.split(','))} columns, {megabytes:.0f} MB"
        f"{', every cell quoted' if options.quoted else ''}"
        f"{f', {options.broken:.1%} unclosed quotes' if options.broken else ''}; "
        f"Python {platform.python_version()}, DuckDB {version('duckdb')}.\n\n"
        "| what | seconds | CPU seconds | peak MB | rows/s | findings |\n"
        "|---|---|---|---|---|---|\n"
        f"| DuckDB read_csv as text | {floor} | {measured['read_csv']['cpu']} | "
        f"{measured['read_csv']['peak_mb']} | {options.rows / floor:.0f} | |\n"
        f"| intake, end to end | {take} | {measured['take']['cpu']} | "
        f"{measured['take']['peak_mb']} | {rows / take:.0f} | {measured['take']['findings']} |\n\n"
        f"Ratio {take / floor:.1f}. Load of the machine at the end: {os.getloadavg()[0]:.1f} on "
        f"{os.cpu_count()} processors.\n"
    )
    print(text)
    if options.write:
        path = Path(__file__).with_suffix(".md")
        path.write_text("# Speed and memory of intake\n\n" + text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
