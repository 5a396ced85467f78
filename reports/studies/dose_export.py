"""The analysis table of a dose–response question for other programs, with its fields."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from analysis.dose_effect.dose_response import DoseResponse
from analysis.dose_effect.dose_rows import DoseRows
from registry.csv_cells import defuse

TABLE, FIELDS, SCRIPT = "dose_response.csv", "fields.csv", "redo.R"


def _text(rows: Iterable[Sequence[object]]) -> str:
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\n").writerows(rows)
    return buffer.getvalue()


def _cell(value: object) -> object:
    if isinstance(value, float | np.floating):
        return "" if np.isnan(value) else repr(float(value))
    return "" if value is None else defuse(value) if isinstance(value, str) else value


def _columns(rows: DoseRows) -> list[tuple[str, str, str, Sequence[object]]]:
    """Name, unit, meaning and values of every column, in the order of the table."""
    causes = ", ".join(
        f"{code} {name}" for code, name in enumerate(rows.end_point.cause_names, start=1)
    )
    entry = np.where(rows.entry > 0, rows.entry, np.nan)
    adjustment = [(name, rows.covariates[name]) for name in rows.covariates]
    names = {name for name, _ in adjustment}
    return [
        ("unit_id", "", f"{rows.end_point.unit}", rows.unit_id),
        ("patient_id", "", "pseudonym; cluster of robust errors", rows.patient_id),
        ("dose", rows.field.unit, f"{rows.source} {rows.field.words}, first course",
         rows.dose.tolist()),
        ("dose_step", rows.field.per_words, "dose in the step of the ratios",
         (rows.dose / rows.field.per).tolist()),
        ("applicator_id", "", "plaque, several joined by +", rows.applicator),
        ("isotope", "", "several joined by +", rows.isotope),
        *[
            (name, "", "covariate at time zero",
             column.tolist() if isinstance(column, np.ndarray) else column)
            for name, column in adjustment
            if name != "isotope"
        ],
        *(
            []
            if "thickness_mm" in names
            else [("thickness_mm", "mm", "tumour thickness", rows.thickness_mm.tolist())]
        ),
        ("entry_years", "years", "followed here only from then; empty: from time zero",
         entry.tolist()),
        ("time_years", "years", "examination clock: event, or last known free of it",
         rows.time.tolist()),
        ("status", "", f"on the examination clock: 0 censored, {causes}", rows.status.tolist()),
        ("end_years", "years", "one clock for all causes (see the methods)", rows.end.tolist()),
        ("end_status", "", f"on one clock: 0 censored, {causes}", rows.end_status.tolist()),
    ]  # fmt: skip


def export_table(answer: DoseResponse) -> dict[str, str]:
    """Return the files: the table (one row a unit), what its fields mean, and a script for R.

    Values are as analysed: doses of the first course, times in years, empty where missing. The
    script does the main models of this question again from the table.
    """
    columns = _columns(answer.rows)
    table = zip(*(values for *_, values in columns), strict=True)
    body: list[Sequence[object]] = [
        [name for name, *_ in columns],
        *([_cell(v) for v in row] for row in table),
    ]
    meanings: list[Sequence[object]] = [
        ["field", "unit", "meaning"],
        *[[n, u, m] for n, u, m, _ in columns],
    ]
    return {TABLE: _text(body), FIELDS: _text(meanings), SCRIPT: write_script(answer)}


def write_script(answer: DoseResponse) -> str:
    """Return the script that does the study again in R, with its horizon, level and adjustment."""
    text = Path(__file__).with_name("dose_redo.R").read_text(encoding="utf-8")
    names = ", ".join(f'"{name}"' for name in answer.rows.covariates)
    stated = {
        "@horizon@": repr(answer.question.horizon_years),
        "@level@": repr(answer.question.level),
        "@adjust@": names,
    }
    for place, value in stated.items():
        text = text.replace(place, value)
    return text
