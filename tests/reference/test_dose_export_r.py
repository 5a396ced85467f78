"""A dose study done again in R from its own export (survival 3.5-3, cmprsk 2.2-11).

``data/dose_export`` is what ``dose-response --export`` wrote for an invented department
(``write_dose_export.py``); ``r/dose_export.json`` is what its own ``redo.R`` printed at 15 digits.
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from write_dose_export import FOLDER, QUESTION, answer_from_department

from analysis.dose_effect.dose_models import complete_rows, hazard_answer, ratio_of
from analysis.dose_effect.dose_response import Refused
from reports.studies.dose_export import export_table, write_script

R = json.loads((Path(__file__).parent / "r" / "dose_export.json").read_text())["rows"]
OVER_TIME = [row for row in R if row["model"] in ("cox", "fine-gray")]
FIRTH = [row for row in R if row["model"] == "firth-cox"]
AT_HORIZON = [row for row in R if row["model"].startswith("logistic")]


def test_r_did_every_kind_of_model_again() -> None:
    assert [len(kind) for kind in (OVER_TIME, FIRTH, AT_HORIZON)] == [6, 3, 4]


def test_the_export_that_r_read_is_what_is_written_today() -> None:
    for name, text in export_table(answer_from_department()).items():
        assert (FOLDER / name).read_text(encoding="utf-8") == text, (
            f"{name} differs: run write_dose_export.py, then redo.R, and look at what changed"
        )


@pytest.mark.parametrize(
    "expected", OVER_TIME, ids=lambda e: f"{e['model']}-{e['rows']}-{e['adjusted']}"
)
def test_ratios_over_time_come_back_in_r(expected: dict[str, float]) -> None:
    (found,) = (
        one
        for one in answer_from_department().models
        if (one.model, one.rows, bool(one.adjusted_for))
        == (expected["model"], expected["rows"], expected["adjusted"])
    )
    assert (found.n, found.events) == (expected["n"], expected["events"])
    # crr stops at its own tolerance
    assert found.coef == pytest.approx(expected["coef"], rel=1e-7, abs=1e-9)
    assert found.se == pytest.approx(expected["se"], rel=1e-7)
    if found.model == "cox":
        assert found.lower == pytest.approx(expected["lower"], rel=1e-7)


@pytest.mark.parametrize("expected", FIRTH, ids=lambda e: f"{e['rows']}-{e['adjusted']}")
def test_firths_form_comes_back_in_r(expected: dict[str, float]) -> None:
    """The script maximises the penalised likelihood over coxph's own values, by optim."""
    rows = answer_from_department().rows
    rows = rows if str(expected["rows"]) == "all with a dose" else complete_rows(rows)
    covariates = rows.covariates if expected["adjusted"] else {}
    fitted = hazard_answer(rows, covariates, "firth-cox", QUESTION.level)
    found = ratio_of(fitted, "hazard ratio", tuple(covariates), str(expected["rows"]))
    assert (found.n, found.events) == (expected["n"], expected["events"])
    # optim's differences and uniroot leave about seven digits
    assert found.coef == pytest.approx(expected["coef"], abs=1e-6)
    assert found.se == pytest.approx(expected["se"], rel=1e-5)
    assert (found.lower, found.upper) == pytest.approx(
        (expected["lower"], expected["upper"]), rel=1e-6
    )


@pytest.mark.parametrize("expected", AT_HORIZON, ids=lambda e: f"{e['model']}-{e['adjusted']}")
def test_curves_at_the_horizon_come_back_in_r(expected: dict[str, float]) -> None:
    reading = str(expected["model"]).rpartition(" ")[2]
    adjustment = "adjusted" if expected["adjusted"] else "unadjusted"
    curve = answer_from_department().curves[adjustment, reading]
    assert not isinstance(curve, Refused)
    assert (curve.fit.n, curve.fit.events) == (expected["n"], expected["events"])
    table = curve.fit.coefficients
    assert table.coef[1] == pytest.approx(expected["coef"], rel=1e-8)
    assert table.robust_se is not None
    assert table.robust_se[1] == pytest.approx(expected["se"], rel=1e-8)


def test_the_script_states_the_question() -> None:
    script = (FOLDER / "redo.R").read_text(encoding="utf-8")
    assert f"horizon_years <- {QUESTION.horizon_years!r}\n" in script
    assert f"level <- {QUESTION.level!r}\n" in script
    assert 'adjust <- c("thickness_mm", "isotope")\n' in script
    assert "@" not in script


def test_the_script_keeps_the_level_and_a_horizon_of_many_digits() -> None:
    answer = answer_from_department()
    question = replace(answer.question, level=0.9, horizon_years=3.3333333)
    script = write_script(replace(answer, question=question))
    assert "level <- 0.9\n" in script
    assert "horizon_years <- 3.3333333\n" in script
