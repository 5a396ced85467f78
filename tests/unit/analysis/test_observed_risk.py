"""Observed risks beside a dose curve: lifelines' Kaplan–Meier, a sum by hand, and the curve itself.

``KaplanMeierFitter`` is lifelines 0.30; the crude reading is Aalen and Johansen's sum written out.
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from lifelines import KaplanMeierFitter

from analysis.dose_effect.dose_horizon import CurveAtHorizon
from analysis.dose_effect.dose_response import HowToAnswer, fit_curve
from analysis.dose_effect.dose_rows import DoseQuestion, DoseRows, read_dose_rows
from analysis.dose_effect.observed_risk import observed_risks
from analysis.outcomes.cohort import DataCut
from synthetic_cohort.cohort import TRUTH, draw_department
from synthetic_cohort.in_memory import hold_in_memory

HORIZON = 5.0


@pytest.fixture(scope="module")
def rows() -> DoseRows:
    connection = hold_in_memory(draw_department(TRUTH, 900, np.random.default_rng(17)))
    found = read_dose_rows(
        connection, DoseQuestion("local_failure", "apex"), DataCut(date(2024, 12, 31))
    )
    connection.close()
    return found.select(found.entry <= 0)


def curve_of(rows: DoseRows, reading: str) -> CurveAtHorizon:
    return fit_curve(rows, HORIZON, adjusted=False, reading=reading, how=HowToAnswer(), level=0.95)


def quarters(rows: DoseRows) -> list[DoseRows]:
    edges = np.quantile(rows.dose, [0, 0.25, 0.5, 0.75, 1])
    edges[0] -= 1
    return [
        rows.select((rows.dose > low) & (rows.dose <= high))
        for low, high in itertools.pairwise(edges)
    ]


def test_net_points_are_those_of_another_kaplan_meier(rows: DoseRows) -> None:
    found = observed_risks(rows, curve_of(rows, "net"))
    for one, part in zip(found, quarters(rows), strict=True):
        fitted = KaplanMeierFitter().fit(part.time, part.status == 1)
        assert one.risk == pytest.approx(1 - float(fitted.predict(HORIZON)), abs=1e-12)
        assert one.lower < one.risk < one.upper
        assert (one.n, one.at_risk) == (part.n, int((part.time >= HORIZON).sum()))
    assert sum(one.n for one in found) == rows.n


def test_crude_points_are_the_sum_of_hazards_times_being_free_of_all(rows: DoseRows) -> None:
    found = observed_risks(rows, curve_of(rows, "crude"))
    for one, part in zip(found, quarters(rows), strict=True):
        free, risk = 1.0, 0.0
        for time in np.unique(part.end[(part.end_status > 0) & (part.end <= HORIZON)]):
            at_risk = int((part.end >= time).sum())
            here = part.end == time
            risk += free * int((here & (part.end_status == 1)).sum()) / at_risk
            free *= 1 - int((here & (part.end_status > 0)).sum()) / at_risk
        assert one.risk == pytest.approx(risk, abs=1e-12)


def test_points_do_not_stand_above_the_curve_as_known_outcomes_do(rows: DoseRows) -> None:
    """All quarters together: who fails early is known, who is lost early is not."""
    curve = curve_of(rows, "net")
    found = observed_risks(rows, curve)
    together = sum(one.n * one.risk for one in found) / rows.n
    known, failed = curve.outcome.known, curve.outcome.failed
    fitted = float(np.interp(rows.dose, curve.dose, curve.risk).mean())
    assert together == pytest.approx(fitted, abs=0.005)
    assert failed.sum() / known.sum() > 1.5 * fitted


def test_a_quarter_of_whom_nobody_was_followed_so_far_has_no_risk(rows: DoseRows) -> None:
    curve = curve_of(rows, "net")
    lowest = rows.dose <= np.quantile(rows.dose, 0.25)
    short = replace(
        rows,
        time=np.where(lowest, np.minimum(rows.time, 2.0), rows.time),
        status=np.where(lowest, 0, rows.status),
    )
    first, *others = observed_risks(short, curve)
    assert np.isnan([first.risk, first.lower, first.upper]).all()
    assert (first.events, first.at_risk) == (0, 0)
    assert not any(np.isnan(one.risk) for one in others)
