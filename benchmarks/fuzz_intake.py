"""Fuzz intake with damaged exports: no traceback, nothing undeclared held, nothing coerced.

Every file is a real export (CSV, or the filled entry workbook) damaged by
``synthetic_cohort.fuzzed_files``. It is staged and judged by the code of the intake, beside a
registry that holds the department already. Each row that no error is found in is read again from
the file by other means (Python's csv module on its physical lines; openpyxl) and compared with
what was staged, and each staged value is held to the declaration anew.

Run: ``python benchmarks/fuzz_intake.py [--files 1000] [--seed 1] [--write]``.
"""

from __future__ import annotations

import argparse
import codecs
import csv
import io
import re
import sys
import tempfile
import time
import warnings
from collections import Counter
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

import numpy as np

from registry.errors import MendableError
from registry.reading.intake_files import IntakeFile, name_files
from registry.reading.sources import Writing, open_source
from registry.records import TABLES, Field
from registry.store import create_store, open_store
from registry.taking_in.intake import take_in
from registry.taking_in.staged_rows import StagedRows
from registry.workbook import read_current, write_workbook
from synthetic_cohort.cohort import TRUTH, draw_department, write_files
from synthetic_cohort.fuzzed_files import choose, mutate_text, mutate_workbook

AT = datetime(2026, 1, 1, tzinfo=UTC)
TODAY = AT.date()
MARKS = (",", ";", "\t", "|")


def prepare(folder: Path, n_patients: int = 6) -> tuple[Path, dict[str, bytes]]:
    """Make a registry that holds a department, and the department's exports by file name."""
    department = draw_department(TRUTH, n_patients, np.random.default_rng(5))
    paths = write_files(department, folder / "files")
    store = folder / "fuzz.registry"
    create_store(store, centre_id="fuzz", by="fuzz", at=AT)
    take_in(store, [folder / "files"], by="fuzz", at=AT)
    exports = {path.name: path.read_bytes() for path in paths}
    with open_store(store) as opened:
        records = {name: list(read_current(opened, table)) for name, table in TABLES.items()}
    exports["book.xlsx"] = write_workbook(records, at=AT)
    return store, exports


def stage(connection: Any, path: Path) -> tuple[StagedRows, list[IntakeFile]]:
    """Stage and judge one file by the code of the intake."""
    files, _ = name_files([path])
    staged = StagedRows(
        connection,
        today=TODAY,
        date_order=None,
        centre_id="fuzz",
        off_chart_logmar={"CF": 1.9, "HM": 2.3, "LP": 2.7, "NLP": 3.0},
    )
    lacks = False
    for file in files:
        source = open_source(file, Writing())
        staged.findings += source.findings
        staged.add_file(file, source.heading, source.chunks)
        lacks = lacks or source.heading.lacks_column
    staged.read_acuities()
    if not lacks:
        staged.judge_records()
    return staged, list(files)


# --- the other reading ----------------------------------------------------------------------------


def _decode(data: bytes) -> str:
    if data.startswith(codecs.BOM_UTF8):
        return data.decode("utf-8-sig")
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return data.decode("utf-16")
    return data.decode("utf-8")


def read_text_again(path: Path) -> dict[int, dict[str, str]]:
    """Read a text file's rows by physical line, each with Python's csv module."""
    lines = re.split(r"\r\n|\r|\n", _decode(path.read_bytes()))
    first = 1
    mark = None
    named = re.fullmatch(r'"?sep=(.)"?', lines[0].strip(" "))
    if named:
        mark, first = named[1], 2
    bare = re.sub(r'"[^"]*"', "", lines[first - 1])
    found = [m for m in MARKS if m in bare]
    mark = mark or (found[0] if len(found) == 1 else ",")
    names = [" ".join(n.split()) for n in next(csv.reader([lines[first - 1]], delimiter=mark))]
    rows: dict[int, dict[str, str]] = {}
    for number in range(first, len(lines)):
        for more in range(1, 21):
            text = "\n".join(lines[number : number + more])
            try:
                [cells] = csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True)
            except (csv.Error, ValueError):
                continue
            if len(cells) == len(names):
                rows[number + 1] = dict(zip(names, cells, strict=True))
            break
    return rows


def read_sheet_again(path: Path, sheet: str) -> dict[int, dict[str, str]]:
    """Read a sheet's rows with openpyxl."""
    import openpyxl

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        page = openpyxl.load_workbook(path, data_only=True)[sheet]
        heads = [str(cell.value or "") for cell in page[1]]
        names = [re.sub(r" \(.*\)$", "", head) for head in heads]
        return {
            number: {n: _show(cell) for n, cell in zip(names, row, strict=False)}
            for number, row in enumerate(page.iter_rows(min_row=2), 2)
        }


def _show(cell: Any) -> str:
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, datetime):
        rounded = value + timedelta(microseconds=500_000)
        return rounded.replace(microsecond=0).isoformat(" ")
    if isinstance(value, bool):
        return str(value).upper()  # as a spreadsheet shows it
    if isinstance(value, float):
        return f"{Decimal(f'{value:.15g}'):f}"
    return str(value)


class NotComparedError(Exception):
    """The other reader cannot read the file."""


def is_same(value: Any, text: str, field: Field) -> bool:
    """Whether a staged value is what the text says, and nothing else."""
    text = text.strip()
    if value is None:
        return text == "" or field.name == "centre_id"
    if field.type in ("date", "timestamp"):
        shown = value.isoformat(" ") if field.type == "timestamp" else value.isoformat()
        written = text.replace("T", " ")
        return written in (shown, shown[:16], f"{shown} 00:00", f"{shown} 00:00:00")
    if field.type in ("integer", "decimal"):
        try:
            return Decimal(value) == Decimal(text)
        except InvalidOperation:
            return False
    if field.type == "list":
        return str(value) == re.sub(r"\s*;\s*", ";", text)
    return str(value) == text or (field.name == "centre_id" and text == "")


def is_declared(value: Any, field: Field) -> bool:
    """Whether a staged value lies within its declaration."""
    if value is None:
        return not field.is_required
    if field.codes:
        return all(part in field.codes for part in str(value).split(";"))
    if field.low is not None and field.high is not None:
        return bool(field.low <= value <= field.high)
    if field.type in ("date", "timestamp"):
        day = value.date() if isinstance(value, datetime) else value
        return date(1900, 1, 1) <= day <= TODAY
    if field.type == "text":
        return 0 < len(value) <= 200 and all(c.isprintable() for c in value)
    return True


def check(staged: StagedRows, files: list[IntakeFile], connection: Any, path: Path) -> list[str]:
    """List every value that was coerced or is not declared, in rows without an error."""
    faults = []
    bad = {(f.file, f.row) for f in staged.findings if f.severity == "error"}
    for number, file in enumerate(files):
        if (file.name, 1) in bad:
            continue
        if file.sheet:
            try:
                again = read_sheet_again(path, file.sheet)
            except Exception as failure:  # the other reader may stumble where ours reads or refuses
                raise NotComparedError from failure
        else:
            again = read_text_again(path)
        fields = file.table.entered
        names = ", ".join(field.name for field in fields)
        rows = connection.execute(
            f"SELECT line, {names} FROM staged_{file.table.name} WHERE file_no = {number}"
        ).fetchall()
        for line, *values in rows:
            if (file.name, line) in bad:
                continue
            texts = again.get(line)
            if texts is None:
                faults.append(f"{file.name} row {line}: not found again")
                continue
            for field, value in zip(fields, values, strict=True):
                if not is_declared(value, field):
                    faults.append(f"{file.name} row {line} {field.name}: undeclared {value!r}")
                if field.name in texts and not is_same(value, texts[field.name], field):
                    faults.append(
                        f"{file.name} row {line} {field.name}: {texts[field.name]!r} -> {value!r}"
                    )
    return faults


def fuzz_one(
    store: Any, exports: dict[str, bytes], folder: Path, seed: int
) -> tuple[str, list[str]]:
    """Damage one export, stage it, check it; return what became of it, and the faults."""
    rng = np.random.default_rng(seed)
    name = choose([*exports, *["book.xlsx"] * 2], rng)
    damage = mutate_workbook if name.endswith(".xlsx") else mutate_text
    path = folder / name
    path.write_bytes(damage(exports[name], rng))
    connection = store.connection.cursor()
    try:
        connection.execute("USE registry").fetchall()
        staged, files = stage(connection, path)
        errors = sum(f.severity == "error" for f in staged.findings)
        try:
            faults = check(staged, files, connection, path)
        except NotComparedError:
            return "openpyxl cannot read it", []
        return ("errors found" if errors else "nothing wrong found"), faults
    except MendableError:
        return "refused", []
    except Exception as fault:
        return "traceback", [f"{type(fault).__name__}: {fault}"[:200]]
    finally:
        connection.close()


def main() -> int:
    """Fuzz, and print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--files", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", action="store_true", help="keep the table beside this script")
    options = parser.parse_args()
    began = time.perf_counter()
    outcomes: Counter[str] = Counter()
    faults: list[str] = []
    with tempfile.TemporaryDirectory() as name:
        store_path, exports = prepare(Path(name))
        with open_store(store_path) as store:
            for seed in range(options.seed, options.seed + options.files):
                outcome, found = fuzz_one(store, exports, Path(name), seed)
                outcomes[outcome] += 1
                faults += [f"seed {seed}: {fault}" for fault in found]
    for fault in faults[:40]:
        print(fault)
    coerced = sum(" -> " in f or "not found again" in f for f in faults)
    undeclared = sum("undeclared" in f for f in faults)
    text = (
        f"{options.files} damaged exports, seeds {options.seed} to "
        f"{options.seed + options.files - 1}, {time.perf_counter() - began:.0f} s.\n\n"
        "| outcome | files |\n|---|---|\n"
        + "".join(f"| {outcome} | {count} |\n" for outcome, count in sorted(outcomes.items()))
        + f"\nTracebacks {outcomes['traceback']}; values outside their declaration {undeclared}; "
        f"values that are not what the file says {coerced}.\n"
    )
    print(text)
    if options.write:
        path = Path(__file__).with_suffix(".md")
        path.write_text("# Damaged files at intake\n\n" + text, encoding="utf-8")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
