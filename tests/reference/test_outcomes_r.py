"""Outcomes of an invented department against R (survival, cmprsk, npsurv; versions in the JSON).

R reads the tables that ``--rows`` exports (``data/outcome_*.csv``, made by
``write_outcome_exports.py``); ``r/outcomes.json`` is what ``r/outcomes.R`` printed from them at 15
digits. Curves, own-clock incidences and state occupation agree at 1e-9. Gray's test agrees at 1e-9
too; crr's coefficient at 1e-7 (its own stopping rule).
"""

from __future__ import annotations

import csv
import json
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from write_outcome_exports import EXPORTS, make_exports

from analysis.estimators.competing_risks import aalen_johansen, aalen_johansen_own_clocks
from analysis.estimators.group_tests import gray, log_rank
from analysis.estimators.interval_censored import npmle
from analysis.estimators.multistate import Spells, occupy_states
from analysis.estimators.observations import RightCensored
from analysis.estimators.survival import kaplan_meier
from analysis.models.fine_gray import fine_gray
from analysis.outcomes.end_points import MAIN, find_end_point
from analysis.outcomes.eye_states import STATES
from analysis.outcomes.landmark import from_landmark
from analysis.outcomes.outcome import OutcomeTable, examination_clock, own_clock_causes

HERE = Path(__file__).parent
R: dict[str, Any] = json.loads((HERE / "r" / "outcomes.json").read_text())["results"]
CLOSE = {"rtol": 1e-9, "atol": 1e-12}


@cache
def rows(name: str) -> list[dict[str, str]]:
    with (HERE / "data" / f"outcome_{name}.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def table(name: str, end_point: str | None = None) -> OutcomeTable:
    """Read an export back into the table that the estimators take."""
    read = rows(name)

    def days(column: str) -> Any:
        return np.asarray([float(row[column] or "nan") for row in read])

    def whole(column: str) -> Any:
        return np.asarray([int(row[column]) for row in read])

    return OutcomeTable(
        end_point=find_end_point(end_point or name),
        variant=MAIN,
        unit_id=tuple(row["unit_id"] for row in read),
        patient_id=tuple(row["patient_id"] for row in read),
        tumour_id=tuple(row["unit_id"] for row in read),
        first_implant_id=tuple(row["unit_id"] for row in read),
        zero_date=(date(2020, 1, 1),) * len(read),
        entry_days=whole("entry_days"),
        time_days=whole("time_days"),
        status=whole("status"),
        last_known_free_days=whole("last_known_free_days"),
        first_known_event_days=days("first_known_event_days"),
        death_days=days("death_days"),
        vital_known_days=whole("vital_known_days"),
        seen=np.ones(len(read), dtype=bool),
    )


def test_the_exports_are_what_the_program_gives_today() -> None:
    made = make_exports()
    for name, text in made.items():
        kept = (HERE / "data" / f"{name}.csv").read_text(encoding="utf-8")
        assert kept == text, f"{name}: run write_outcome_exports.py and r/outcomes.R again"


def _check_curve(observed: RightCensored, wanted: dict[str, Any]) -> None:
    curve = kaplan_meier(observed, interval="log-log").curve
    event = curve.events > 0
    assert curve.time[event].tolist() == np.atleast_1d(wanted["time"]).tolist()
    assert curve.at_risk[event].tolist() == np.atleast_1d(wanted["at_risk"]).tolist()
    assert curve.events[event].tolist() == np.atleast_1d(wanted["events"]).tolist()
    np.testing.assert_allclose(curve.estimate[event], np.atleast_1d(wanted["estimate"]), **CLOSE)
    np.testing.assert_allclose(curve.se[event], np.atleast_1d(wanted["se"]), **CLOSE)


@pytest.mark.parametrize(
    "name", ["local_failure", "melanoma_death", "metastasis", "cataract", "eye_loss"]
)
def test_kaplan_meier_landmark_and_log_rank(name: str) -> None:
    whole = table(name)
    assert whole.n == R[name]["n"]
    _check_curve(examination_clock(whole), R[name]["km"])
    later, _ = from_landmark(whole, 730)
    followed = later.select(later.time_days > 0)
    _check_curve(examination_clock(followed), R[name]["from_two_years"])
    test = log_rank(examination_clock(whole), [row["group"] for row in rows(name)])
    assert test.statistic == pytest.approx(R[name]["log_rank"]["statistic"], rel=1e-9)
    assert test.df == R[name]["log_rank"]["df"]


@pytest.mark.parametrize("name", ["local_failure", "metastasis", "cataract", "eye_loss"])
def test_incidence_with_each_cause_on_its_own_clock(name: str) -> None:
    found = aalen_johansen_own_clocks(own_clock_causes(table(name)), interval="beta-product")
    wanted = R[name]["own_clocks"]
    for place, cause in enumerate(found.causes):
        at = cause.at(wanted["time"]).estimate
        np.testing.assert_allclose(at, np.asarray(wanted["incidence"])[:, place], **CLOSE)


def test_competing_causes_on_one_clock() -> None:
    whole = table("melanoma_death")
    found = aalen_johansen(examination_clock(whole))
    wanted = R["melanoma_death"]
    at = wanted["aalen_johansen"]
    for place, cause in enumerate(found.causes):
        read = cause.at(at["time"])
        np.testing.assert_allclose(read.estimate, np.asarray(at["incidence"])[:, place], **CLOSE)
        np.testing.assert_allclose(read.se, np.asarray(at["se"])[:, place], **CLOSE)
        read = cause.at(wanted["cuminc"]["time"])
        by_cuminc = np.asarray(wanted["cuminc"]["incidence"])[:, place]
        np.testing.assert_allclose(read.estimate, by_cuminc, **CLOSE)
    read = found.cause(1).at(wanted["finegray"]["time"])
    np.testing.assert_allclose(read.estimate, wanted["finegray"]["incidence"], **CLOSE)
    group = [row["group"] for row in rows("melanoma_death")]
    for place, cause_number in enumerate((1, 2)):
        test = gray(examination_clock(whole), group, cause=cause_number)
        assert test.statistic == pytest.approx(wanted["gray"]["statistic"][place], rel=1e-9)
        assert test.df == wanted["gray"]["df"][place]


def test_fine_gray_on_the_exported_rows() -> None:
    whole, wanted = table("melanoma_death"), R["melanoma_death"]["crr"]
    x = np.asarray(wanted["x"], dtype=float)[:, None]
    fit = fine_gray(x, whole.time_days.astype(float), whole.status)
    assert fit.coefficients.coef[0] == pytest.approx(wanted["coef"], rel=1e-7)


def test_delayed_entry() -> None:
    late = table("delayed", "melanoma_death")
    assert (late.entry_days > 0).sum() > 15
    observed = examination_clock(late)
    assert observed.n == R["delayed"]["n"]
    _check_curve(observed, R["delayed"]["km"])
    found, at = aalen_johansen(observed), R["delayed"]["aalen_johansen"]
    for place, cause in enumerate(found.causes):
        read = cause.at(at["time"]).estimate
        np.testing.assert_allclose(read, np.asarray(at["incidence"])[:, place], **CLOSE)
    kept = (late.entry_days <= 0) | (late.time_days > late.entry_days)
    group = [row["group"] for row, keep in zip(rows("delayed"), kept, strict=True) if keep]
    test = log_rank(observed, group)
    # without tied events of the two groups the score test of Cox's model is the log-rank test
    assert test.statistic == pytest.approx(R["delayed"]["score_test"]["statistic"], rel=1e-6)


def test_vision_on_the_exported_rows() -> None:
    """The loss lies in (last reading above, first below]; npsurv gives the NPMLE."""
    seen = [row for row in rows("vision_6_60") if row["baseline_included"] == "yes"]
    wanted = R["vision_6_60"]
    assert len(seen) == wanted["n"]
    days, status = (np.asarray([int(row[k]) for row in seen]) for k in ("time_days", "status"))
    _check_curve(RightCensored.of(days, (status == 1).astype(int)), wanted["km"])
    lower = np.asarray([float(row["last_known_free_days"]) for row in seen])
    upper = np.asarray([float(row["first_known_event_days"] or "inf") for row in seen])
    found = npmle(lower, upper)
    assert found.log_likelihood == pytest.approx(wanted["npmle"]["log_likelihood"], abs=1e-8)
    assert found.lower.tolist() == wanted["npmle"]["lower"]
    assert found.upper.tolist() == [float(end) for end in wanted["npmle"]["upper"]]
    np.testing.assert_allclose(found.mass, wanted["npmle"]["mass"], atol=1e-8)


def spells(clock: str) -> Spells:
    return Spells.of([
        tuple(int(row[name]) for name in ("unit", "state", "start", "stop", "to"))  # type: ignore[misc]
        for row in rows("eye_states")
        if row["clock"] == clock
    ])  # fmt: skip


def test_state_occupation_on_one_clock() -> None:
    found, wanted = occupy_states([spells("one")], STATES), R["eye_states"]
    np.testing.assert_allclose(found.at([0])[0], wanted["p0"], **CLOSE)
    at = wanted["one_clock"]
    np.testing.assert_allclose(found.at(at["time"]), at["probability"], **CLOSE)
    np.testing.assert_allclose(found.mean_time(1826), at["mean_time_1826"], **CLOSE)


def test_state_occupation_on_own_clocks() -> None:
    found = occupy_states([spells("examined"), spells("vital")], STATES)
    wanted = R["eye_states"]["own_clocks"]
    np.testing.assert_allclose(found.at(wanted["time"]), wanted["probability"], **CLOSE)


def test_every_export_is_judged() -> None:
    names = {name.removeprefix("outcome_") for name in EXPORTS}
    assert names | {"delayed", "eye_states", "vision_6_60"} == set(R)
