"""Write the export that R judges: what ``dose-response --export`` gives for an invented department.

Usage: python tests/reference/write_dose_export.py   (from the project's root), then, in
tests/reference/data/dose_export: Rscript redo.R ../../r/dose_export.json
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np

from analysis.dose_effect.dose_response import DoseResponse, HowToAnswer, answer_question
from analysis.dose_effect.dose_rows import DoseQuestion
from analysis.outcomes.cohort import DataCut
from reports.studies.dose_export import export_table
from synthetic_cohort.cohort import draw_department
from synthetic_cohort.in_memory import hold_in_memory
from synthetic_cohort.truth import DATA_CUT, TRUTH

FOLDER = Path(__file__).parent / "data" / "dose_export"
SEED, PATIENTS = 43, 260
QUESTION = DoseQuestion(
    "radiation_maculopathy",
    "apex",
    adjust=("thickness_mm", "isotope"),
    horizon_years=3.48,  # within a day on which follow-up ends, on either clock
    method="cox",
)


@cache
def answer_from_department() -> DoseResponse:
    """Ask the question of the invented department."""
    connection = hold_in_memory(draw_department(TRUTH, PATIENTS, np.random.default_rng(SEED)))
    try:
        return answer_question(
            connection, QUESTION, DataCut(DATA_CUT), how=HowToAnswer(imputations=2)
        )
    finally:
        connection.close()


if __name__ == "__main__":
    FOLDER.mkdir(parents=True, exist_ok=True)
    for name, text in export_table(answer_from_department()).items():
        (FOLDER / name).write_text(text, encoding="utf-8")
