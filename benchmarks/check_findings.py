"""How much of what is planted ``check`` finds, and how often it speaks where nothing was planted.

A department is drawn, contradictions of every kind are planted in patients of their own, the files
go through intake (which takes them, with warnings at most), and ``check`` runs. *Found* is the
planted rule on the planted record. *False* are errors and warnings on records of patients and
plaques in which nothing was planted; a size that the drawn department leaves blank on purpose is
counted apart, since that finding is true.

Run: ``python benchmarks/check_findings.py [--patients 3000] [--each 8] [--seeds 1,2] [--write]``.
"""

from __future__ import annotations

import argparse
import platform
import tempfile
from collections import Counter
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.checking.checks import RegistryCheck, check_registry
from analysis.outcomes.cohort import DataCut
from registry.store import create_store, open_store
from registry.taking_in.intake import take_in
from synthetic_cohort.cohort import draw_department, write_files
from synthetic_cohort.contradictions import (
    CONTRADICTIONS,
    PlantedContradiction,
    plant_contradictions,
)
from synthetic_cohort.truth import DATA_CUT, TRUTH

AT = datetime(2026, 1, 1, tzinfo=UTC).replace(tzinfo=None)
LEFT_BLANK = ("thickness_mm_missing", "largest_basal_diameter_mm_missing")


@dataclass(frozen=True, slots=True)
class Judgement:
    """One department: what was planted and found, and what was said beside it."""

    planted: Counter[str]
    found: Counter[str]
    beside: Counter[str]
    left_blank: int
    blank_sizes: int
    clean_records: int


def check_files(tables: dict[str, pd.DataFrame], folder: Path) -> RegistryCheck:
    """Take the files in and check them."""
    write_files(tables, folder / "files")
    path = folder / "planted.registry"
    create_store(path, centre_id="invented", by="bench", at=AT)
    taken = take_in(path, [folder / "files"], by="bench", why="bench", at=AT)
    if not taken.taken:
        raise SystemExit(f"intake refused the files: {taken.findings[:3]}")
    with open_store(path) as store:
        return check_registry(store.connection, DataCut(DATA_CUT), store.settings())


def judge(
    tables: dict[str, pd.DataFrame], planted: list[PlantedContradiction], check: RegistryCheck
) -> Judgement:
    """Compare what was planted with what was found."""
    said = {(one.rule.name, one.record) for one in check.findings}
    touched = {one.patient_id for one in planted}
    planted_records = {(one.kind, one.record) for one in planted}
    beside: Counter[str] = Counter()
    left_blank = 0
    for one in check.findings:
        is_planted = (one.rule.name, one.record) in planted_records
        if one.severity == "notice" or one.patient_id in touched or is_planted:
            continue
        if one.rule.name in LEFT_BLANK:
            left_blank += 1
        else:
            beside[one.rule.name] += 1
    tumours = tables["tumour"]
    clean = tumours[~tumours["patient_id"].isin(touched)]
    blank = int((clean[["thickness_mm", "largest_basal_diameter_mm"]] == "").to_numpy().sum())
    return Judgement(
        Counter(one.kind for one in planted),
        Counter(one.kind for one in planted if (one.kind, one.record) in said),
        beside,
        left_blank,
        blank,
        count_clean(tables, touched),
    )


def count_clean(tables: dict[str, pd.DataFrame], touched: set[str]) -> int:
    """Count the records of patients in which nothing was planted (plaques apart)."""
    owner = tables["tumour"].set_index("tumour_id")["patient_id"]
    of_implant = tables["implant"].set_index("implant_id")["tumour_id"].map(owner)
    whose = [tables[name]["patient_id"] for name in ("patient", "tumour", "visit", "event")]
    whose += [of_implant, tables["implant_muscle"]["implant_id"].map(of_implant)]
    return sum(int((~column.isin(touched)).sum()) for column in whose)


def main() -> None:
    """Judge each department and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--patients", type=int, default=3000)
    parser.add_argument("--each", type=int, default=8)
    parser.add_argument("--seeds", default="1,2")
    parser.add_argument("--write", action="store_true", help="Write check_findings.md beside it.")
    options = parser.parse_args()
    judged = []
    for seed in map(int, options.seeds.split(",")):
        drawn = draw_department(TRUTH, options.patients, np.random.default_rng(seed))
        tables, planted = plant_contradictions(
            drawn, np.random.default_rng(seed + 1000), each=options.each
        )
        with tempfile.TemporaryDirectory() as folder:
            judged.append(judge(tables, planted, check_files(tables, Path(folder))))
    text = lay_out(judged, options)
    print(text)
    if options.write:
        Path(__file__).with_suffix(".md").write_text(text, encoding="utf-8")


def lay_out(judged: list[Judgement], options: argparse.Namespace) -> str:
    """Lay the result out as a page."""
    planted = sum((one.planted for one in judged), Counter())
    found = sum((one.found for one in judged), Counter())
    beside = sum((one.beside for one in judged), Counter())
    clean = sum(one.clean_records for one in judged)
    n_false = sum(beside.values())
    lines = [
        "# What `check` finds of what is planted",
        "",
        f"{len(judged)} drawn departments of {options.patients} patients (seeds {options.seeds}),"
        f" {options.each} of each of {len(CONTRADICTIONS)} kinds; Python"
        f" {platform.python_version()}, DuckDB {version('duckdb')}. Intake took every file.",
        "",
        "| measured | value |",
        "|---|---:|",
        f"| planted | {sum(planted.values())} |",
        f"| found on their record | {sum(found.values())}"
        f" ({100 * sum(found.values()) / sum(planted.values()):.2f} %) |",
        f"| clean records | {clean} |",
        f"| errors and warnings on clean records | {n_false} ({100 * n_false / clean:.3f} %) |",
        f"| sizes left blank by the drawn department, and found | "
        f"{sum(one.blank_sizes for one in judged)}, {sum(one.left_blank for one in judged)} |",
        "",
        "Said beside what was planted: "
        + (", ".join(f"{name} {n}" for name, n in sorted(beside.items())) or "nothing")
        + ". (Growth by the rule is one that readings with an error of 0.2 mm meet by chance.)",
        "",
        "| kind | planted | found |",
        "|---|---:|---:|",
        *(f"| {kind} | {planted[kind]} | {found[kind]} |" for kind in CONTRADICTIONS),
    ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    main()
