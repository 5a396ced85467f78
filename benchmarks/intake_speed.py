"""How fast intake takes large files in, against DuckDB's bare CSV reader on the same file.

DuckDB's ``read_csv`` into a table, all columns as text, is the floor: it neither judges a cell nor
keeps a version. Intake is measured from the call to the closed registry: every cell and every rule
judged, every row hashed and chained, committed, the file's checksum taken. Seconds depend on what
else the machine does, CPU seconds less so. Each measurement runs in a process of its own, so that
its peak memory is its own. A file with defects is judged whole and then refused.

Run: ``python benchmarks/intake_speed.py`` measures every case and writes the table beside this
script; ``--only NAME`` measures one case, ``--rows`` so many rows, and then nothing is written.
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
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from importlib.metadata import version
from itertools import islice
from pathlib import Path
from typing import Any

from registry.records import TABLES, Field

ROWS_PER_PATIENT = 25
AT = datetime(2026, 1, 1, tzinfo=UTC)
DAYS = [(date(2012, 1, 1) + timedelta(days=n)).isoformat() for n in range(5000)]
ACUITIES = ("6/9", "20/40", "CF", "HM", "0.30 logMAR", "70 letters", "6/60", "6/12-2")
VISIT_COLUMNS = (
    *("visit_id", "patient_id", "eye", "visit_date", "acuity"),
    *("acuity_correction", "iop_mmhg", "thickness_mm", "local_status", "fellow_acuity"),
    *("lens_status", "acuity_loss_causes"),
)


@dataclass(frozen=True, slots=True)
class Case:
    """One file: how many rows of which table and columns, and how many of them damaged."""

    name: str
    table: str
    columns: tuple[str, ...]
    rows: int = 1_000_000
    is_quoted: bool = False
    defects: float = 0.0

    @property
    def n_damaged(self) -> int:
        """How many rows are damaged."""
        return len(range(self._every // 2, self.rows, self._every)) if self.defects else 0

    @property
    def _every(self) -> int:
        return round(1 / self.defects)

    def is_damaged(self, number: int) -> bool:
        """Whether that row, counted from 0, is damaged."""
        return bool(self.defects) and number % self._every == self._every // 2


CASES = (
    Case("visits", "visit", VISIT_COLUMNS),
    Case("visits, 1e5 rows", "visit", VISIT_COLUMNS, rows=100_000),
    Case("visits, 1 % of the rows with a defect", "visit", VISIT_COLUMNS, defects=0.01),
    Case("visits, every cell quoted", "visit", VISIT_COLUMNS, is_quoted=True),
    Case("visits, few columns", "visit", VISIT_COLUMNS[:5]),
    Case(
        "tumours, every column",
        "tumour",
        tuple(field.name for field in TABLES["tumour"].entered),
    ),
)


def _visit_rows() -> Iterator[dict[str, str]]:
    number = 0
    while True:
        patient, visit = divmod(number, ROWS_PER_PATIENT)
        yield {
            "visit_id": f"V{number}",
            "patient_id": f"P{patient}",
            "eye": "right",
            "visit_date": DAYS[patient % 2000 + 100 * visit],
            "acuity": ACUITIES[number % 8],
            "acuity_correction": "best_corrected",
            "iop_mmhg": str(10 + number % 13),
            "thickness_mm": f"{2 + number % 4}.{number % 10}",
            "local_status": "controlled",
            "fellow_acuity": "6/6",
            "lens_status": "phakic",
            "acuity_loss_causes": "cataract;maculopathy" if number % 5 == 0 else "",
        }
        number += 1


def _tumour_rows() -> Iterator[dict[str, str]]:
    """Tumours with every field filled; the values are of the right kind and mean nothing."""
    fields = [f for f in TABLES["tumour"].entered if f.name not in ("tumour_id", "patient_id")]
    choices = [_choose_texts(field) for field in fields]
    number = 0
    while True:
        row = {"tumour_id": f"T{number}", "patient_id": f"P{number // ROWS_PER_PATIENT}"}
        for place, (field, texts) in enumerate(zip(fields, choices, strict=True)):
            row[field.name] = texts[number // (1 + place) % len(texts)]
        yield row | {"longitudinal_basal_diameter_mm": row["largest_basal_diameter_mm"]}
        number += 1


def _choose_texts(field: Field) -> list[str]:
    if field.name == "fovea_involved":
        return ["unknown"]
    if field.type in ("code", "list"):
        return list(field.codes)
    if field.type == "date":
        return DAYS[:2000]
    assert field.low is not None
    assert field.high is not None
    step = (field.high - field.low) / 100
    return [f"{field.low + step * n:.2f}" for n in range(1, 100)]


_ROWS: dict[str, Callable[[], Iterator[dict[str, str]]]] = {
    "visit": _visit_rows,
    "tumour": _tumour_rows,
}


def _damage(cells: dict[str, str], kind: int) -> str:
    """Write a visit with one thing wrong."""
    changed = (
        {"visit_date": "2031-02-01"},
        {"acuity_correction": "glasses"},
        {"iop_mmhg": "139"},
        {"thickness_mm": "5,2"},
        {"patient_id": "Q" + cells["visit_id"]},
        {"acuity": "6/"},
        {},
    )[kind % 7]
    text = ",".join((cells | changed).values())
    return text if changed else text.replace(",", ',"', 1)


def write_files(folder: Path, case: Case) -> None:
    """Write the case's file, and those of the patients and tumours that it refers to."""
    n_patients = -(-case.rows // ROWS_PER_PATIENT)
    folder.mkdir()
    with (folder / "patient.csv").open("w", encoding="utf-8") as stream:
        stream.write("patient_id,sex,birth_year\n")
        stream.writelines(f"P{i},female,{1930 + i % 60}\n" for i in range(n_patients))
    if case.table == "visit":
        with (folder / "tumour.csv").open("w", encoding="utf-8") as stream:
            stream.write("tumour_id,patient_id,eye,thickness_mm,largest_basal_diameter_mm\n")
            stream.writelines(f"T{i},P{i},right,{2 + i % 9}.5,11\n" for i in range(n_patients))
    with (folder / f"{case.table}.csv").open("w", encoding="utf-8") as stream:
        stream.write(",".join(case.columns) + "\n")
        for number, row in enumerate(islice(_ROWS[case.table](), case.rows)):
            cells = {name: row[name] for name in case.columns}
            if case.is_damaged(number):
                text = _damage(cells, number // 100)
            elif case.is_quoted:
                text = ",".join(f'"{cell}"' for cell in cells.values())
            else:
                text = ",".join(cells.values())
            stream.write(text + "\n")


def _measure(what: str, folder: Path, case: Case) -> dict[str, Any]:
    """Measure one thing in a fresh process."""
    command = [sys.executable, __file__, "--inner", what, str(folder), case.table]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    answer: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return answer


def _read_bare(path: Path) -> dict[str, object]:
    import duckdb

    names = path.open(encoding="utf-8").readline().strip().split(",")
    with duckdb.connect() as connection:
        connection.execute(
            "CREATE TABLE t AS SELECT * FROM read_csv(?, all_varchar = true, header = true, "
            "delim = ',', quote = '\"', strict_mode = false, ignore_errors = true, "
            f"auto_detect = false, columns = {dict.fromkeys(names, 'VARCHAR')})",
            [str(path)],
        ).fetchall()
    return {}


def _take_in(folder: Path, store: Path) -> dict[str, object]:
    from registry.taking_in.intake import take_in

    result = take_in(store, [folder], by="speed", at=AT)
    errors = sum(finding.severity == "error" for finding in result.findings)
    return {"rows": sum(result.rows_read.values()), "taken": result.taken, "errors": errors}


def _run_inner(what: str, folder: Path, table: str) -> None:
    """Do one thing and print its seconds, CPU seconds and peak memory as JSON."""
    store = folder.parent / "speed.registry"
    if what == "take":
        from registry.store import create_store

        create_store(store, centre_id="speed", by="speed", at=AT)
    began, cpu_began = time.perf_counter(), time.process_time()
    answer = _read_bare(folder / f"{table}.csv") if what == "bare" else _take_in(folder, store)
    answer["seconds"] = time.perf_counter() - began
    answer["cpu"] = time.process_time() - cpu_began
    answer["peak_mb"] = round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
    print(json.dumps(answer))


def _measure_case(case: Case) -> str:
    """Measure one case and write its line of the table."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "files"
        write_files(folder, case)
        megabytes = (folder / f"{case.table}.csv").stat().st_size / 1e6
        bare = _measure("bare", folder, case)
        take = _measure("take", folder, case)
    assert take["taken"] == (not case.defects)
    assert take["errors"] == case.n_damaged
    answer = "taken in" if take["taken"] else f"refused with {take['errors']} errors"
    return (
        f"| {case.name} | {case.rows} x {len(case.columns)} | {megabytes:.0f} | "
        f"{bare['seconds']:.2f} | {bare['cpu']:.2f} | {take['seconds']:.2f} | {take['cpu']:.2f} | "
        f"{take['peak_mb']} | {take['rows'] / take['seconds']:.0f} | "
        f"{take['seconds'] / bare['seconds']:.1f} | {answer} |"
    )


def main() -> int:
    """Write the files of each case, measure, print and keep the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", choices=[case.name for case in CASES])
    parser.add_argument("--rows", type=int)
    parser.add_argument("--inner", nargs=3, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.inner:
        _run_inner(options.inner[0], Path(options.inner[1]), options.inner[2])
        return 0
    chosen = [case for case in CASES if options.only in (None, case.name)]
    if options.rows:
        chosen = [replace(case, rows=options.rows) for case in chosen]
    load = os.getloadavg()[0]
    lines = [
        "| file | rows x columns | MB | bare read, s | CPU s | intake, s | CPU s | peak MB | "
        "rows/s | ratio | answer |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
        *map(_measure_case, chosen),
    ]
    text = (
        "\n".join(lines)
        + "\n\nRows/s are those of all files of the intake (patients and, with visits, tumours "
        "among them) a second; the ratio is that of the seconds. Python "
        f"{platform.python_version()}, DuckDB {version('duckdb')}, {os.cpu_count()} processors; "
        f"load of the machine {load:.1f} before and {os.getloadavg()[0]:.1f} at the end.\n"
    )
    print(text)
    if options.only is None and options.rows is None:
        path = Path(__file__).with_suffix(".md")
        path.write_text("# Speed and memory of intake\n\n" + text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
