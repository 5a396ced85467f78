"""Time a dose–response question on a large registry, without simulation; writes a .md table.

Run: python benchmarks/dose_response_speed.py [--patients N]
"""

from __future__ import annotations

import argparse
import time
from datetime import date
from pathlib import Path

import numpy as np

from analysis.dose_effect.dose_response import HowToAnswer, Refused, answer_question
from analysis.dose_effect.dose_rows import DoseQuestion
from analysis.outcomes.cohort import DataCut
from synthetic_cohort.cohort import TRUTH, draw_department
from synthetic_cohort.in_memory import hold_in_memory

OUT = Path(__file__).with_suffix(".md")
QUESTIONS = (
    ("local_failure", "apex", ()),
    ("local_failure", "bed", (("isotope", "I-125"),)),
    ("vision:6/60", "fovea", ()),
    ("radiation_maculopathy", "fovea", ()),
)


def main() -> None:
    """Draw the registry, answer each question, write the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--patients", type=int, default=20_000)
    patients = parser.parse_args().patients
    start = time.process_time()
    connection = hold_in_memory(draw_department(TRUTH, patients, np.random.default_rng(11)))
    print(f"drawn in {time.process_time() - start:.0f} s", flush=True)
    cut = DataCut(date(2024, 12, 31))
    rows = []
    for end_point, dose, exclude in QUESTIONS:
        cpu = time.process_time()
        question = DoseQuestion(end_point, dose, exclude=exclude)
        against = "vision:6/60" if end_point == "local_failure" else "local_failure"
        found = answer_question(
            connection,
            question,
            cut,
            against=against,
            how=HowToAnswer(simulations=0, validation_samples=100),
        )
        cpu = time.process_time() - cpu
        refused = sum(isinstance(curve, Refused) for curve in found.curves.values())
        rows.append(
            f"| {question.words()} | {found.rows.n:,} | {found.rows.events:,} | {found.method} |"
            f" {refused} | {cpu:.1f} |"
        )
        print(rows[-1], flush=True)
    lines = [
        "# Time of a dose–response question without simulation",
        "",
        f"Written by `benchmarks/dose_response_speed.py`: {patients:,} invented patients held in"
        " memory; processor time of one process with one thread, so that whatever else runs does"
        " not count. Every model, both curves twice, 20 imputations, ranking and calibration by"
        " bootstrap, the companions of the dose, for a BED its sensitivity table, and the trade-off"
        " are in it. The target is under 30 s.",
        "",
        "| question | units | events | model | curves refused | CPU s |",
        "|---|---|---|---|---|---|",
        *rows,
        "",
    ]
    OUT.write_text("\n".join(lines), encoding="utf-8")


if __name__ == "__main__":
    main()
