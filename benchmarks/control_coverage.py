"""Does the interval for 5-year local control cover the truth?

Draws one department a seed, takes its files in through the ordinary intake, analyses local failure
as the audit does, and counts how often the beta product interval holds the true figure.

Usage: python benchmarks/control_coverage.py [SEEDS] [PATIENTS]
"""

from __future__ import annotations

import sys
import tempfile
import time
from datetime import datetime
from pathlib import Path

import numpy as np

from analysis.estimators.survival import kaplan_meier
from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.end_points import LOCAL_FAILURE
from analysis.outcomes.outcome import Estimation, examination_clock, read_outcome_table
from registry.store import create_store, open_store
from registry.taking_in.intake import take_in
from synthetic_cohort import expected
from synthetic_cohort.cohort import draw_department, write_files
from synthetic_cohort.truth import DATA_CUT, TRUTH

AT = datetime(2026, 1, 5, 9, 0)


def interval_at_five_years(seed: int, patients: int, folder: Path) -> tuple[float, float, float]:
    """Return estimate and limits of 5-year control of one drawn department."""
    department = draw_department(TRUTH, patients, np.random.default_rng(seed))
    write_files(department, folder / "files")
    store_path = folder / "store.registry"
    create_store(store_path, centre_id="invented", by="benchmark", at=AT)
    result = take_in(store_path, [folder / "files"], by="benchmark", why="coverage", at=AT)
    if not result.taken:
        raise SystemExit(f"seed {seed}: intake refused its own files: {result.findings[:3]}")
    with open_store(store_path) as store:
        cut = DataCut(DATA_CUT)
        table = read_outcome_table(store.connection, LOCAL_FAILURE, cut, CohortRules())
    curve = kaplan_meier(examination_clock(table), interval=Estimation().interval)
    at = curve.at(np.asarray([5 * 365.25]))
    return float(at.estimate[0]), float(at.lower[0]), float(at.upper[0])


def main() -> None:
    """Print the table."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    patients = int(sys.argv[2]) if len(sys.argv) > 2 else 400
    truth = expected.read_figures()["local_control_net"][5.0].value
    started = time.perf_counter()
    found = []
    for seed in range(seeds):
        with tempfile.TemporaryDirectory() as folder:
            found.append(interval_at_five_years(seed, patients, Path(folder)))
    estimate, lower, upper = np.asarray(found).T
    covered = int(((lower <= truth) & (truth <= upper)).sum())
    print("| seeds | patients | truth | mean estimate | mean width | covered | seconds |")
    print("|---|---|---|---|---|---|---|")
    print(
        f"| {seeds} | {patients} | {truth:.4f} | {estimate.mean():.4f} |"
        f" {(upper - lower).mean():.4f} | {covered} | {time.perf_counter() - started:.0f} |"
    )


if __name__ == "__main__":
    main()
