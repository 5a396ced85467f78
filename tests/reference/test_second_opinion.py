"""lifelines as a second judge of Kaplan–Meier, log-rank and Cox on public data sets."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from public_data import COX, read

from analysis.estimators.group_tests import log_rank
from analysis.estimators.observations import RightCensored
from analysis.estimators.survival import kaplan_meier
from analysis.models.cox import cox
from analysis.models.lifelines_adapter import second_cox, second_kaplan_meier, second_log_rank
from registry.errors import RefusedEstimateError


def lung() -> RightCensored:
    data = read("survival", "cancer")
    return RightCensored.of(data.time, data.status == 2)


def heart() -> RightCensored:
    data = read("survival", "heart")
    return RightCensored.of(data.stop, data.event, data.start)


def mgus() -> RightCensored:
    data = read("survival", "mgus2")
    return RightCensored.of(data.futime, data.death)


@pytest.mark.parametrize("draw", [lung, heart, mgus])
@pytest.mark.parametrize("interval", ["log-log", "beta-product"])
def test_curves_agree(draw: object, interval: str) -> None:
    observed = draw()  # type: ignore[operator]
    opinion = second_kaplan_meier(observed, kaplan_meier(observed, interval=interval))
    assert opinion.agrees
    assert opinion.largest_difference < 1e-12
    assert ("limits" in opinion.compared) == (interval == "log-log")


def test_frequencies_agree() -> None:
    observed = RightCensored.of([1, 2, 3, 4], [1, 0, 1, 1], None, [2, 1, 3, 1], "frequency")
    assert second_kaplan_meier(observed, kaplan_meier(observed)).agrees


def test_a_wrong_curve_is_found() -> None:
    observed = lung()
    ours = kaplan_meier(observed)
    wrong = replace(ours, curve=replace(ours.curve, estimate=ours.curve.estimate * 0.999))
    opinion = second_kaplan_meier(observed, wrong)
    assert not opinion.agrees
    assert opinion.largest_difference == pytest.approx(0.001)


def test_log_rank_agrees() -> None:
    observed, groups = lung(), read("survival", "cancer").sex.astype(str).tolist()
    assert second_log_rank(observed, groups, log_rank(observed, groups)).agrees
    stratified = log_rank(observed, groups, strata=np.arange(observed.n) % 3)
    with pytest.raises(RefusedEstimateError, match="strata"):
        second_log_rank(observed, groups, stratified)


@pytest.mark.parametrize("model", ["lung", "veteran_celltype", "veteran_strata", "rossi"])
def test_cox_agrees(model: str) -> None:
    rows = COX[model]()
    fit = cox(rows.matrix, rows.time, rows.status == 1, entry=rows.entry, strata=rows.strata)
    opinion = second_cox(fit, rows.matrix)
    assert opinion.agrees, opinion
    off = replace(fit.coefficients, coef=fit.coefficients.coef + 0.01 * fit.coefficients.se)
    assert not second_cox(replace(fit, coefficients=off), rows.matrix).agrees


def test_what_lifelines_does_not_have_is_refused() -> None:
    rows = COX["lung"]()
    fit = cox(rows.matrix, rows.time, rows.status == 1, ties="breslow")
    with pytest.raises(RefusedEstimateError, match="Efron"):
        second_cox(fit, rows.matrix)
    weighted = RightCensored.of([1, 2, 3], [1, 0, 1], None, [1.5, 1, 2], "probability")
    with pytest.raises(RefusedEstimateError, match="probability"):
        second_kaplan_meier(weighted, kaplan_meier(weighted))
    with pytest.raises(ValueError, match="people"):
        second_kaplan_meier(lung(), kaplan_meier(heart()))
