"""Pooling against metafor; values printed by r/meta_analysis.R."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.counts.meta_analysis import (
    Effects,
    back_transform,
    pool,
    predict_estimate,
    transform_proportions,
)
from registry.errors import RefusedEstimateError

R = json.loads((Path(__file__).parent / "r" / "meta_analysis.json").read_text())
SCALES: Any = {"PLO": "logit", "PAS": "arcsine", "PFT": "freeman-tukey"}
METHODS: Any = {"EE": "common", "DL": "dl", "REML": "reml"}
INTERVALS: Any = {"z": "normal", "knha": "hartung-knapp"}
EFFECTS = {(effect["data"], effect["measure"]): effect for effect in R["effects"]}
FIGURES = ("estimate", "se", "lower", "upper", "p", "tau2", "i2", "q", "q_p")


@pytest.mark.parametrize("effect", [e for e in R["effects"] if e["measure"] in SCALES], ids=str)
def test_transformations_are_metafors(effect: dict[str, Any]) -> None:
    counts = R[effect["data"]]
    found = transform_proportions(counts["events"], counts["n"], SCALES[effect["measure"]])
    assert found.estimate == pytest.approx(effect["yi"], rel=1e-12, abs=1e-12)
    assert found.variance == pytest.approx(effect["vi"], rel=1e-12)


@pytest.mark.parametrize(
    "fit", R["fits"], ids=lambda f: "-".join(f[k] for k in ("data", "measure", "method", "test"))
)
def test_pooled_figures_are_metafors(fit: dict[str, Any]) -> None:
    effect = EFFECTS[fit["data"], fit["measure"]]
    found = pool(
        effect["yi"],
        effect["vi"],
        method=METHODS[fit["method"]],
        interval=INTERVALS[fit["test"]],
    )
    for name in FIGURES:
        assert getattr(found, name) == pytest.approx(fit[name], rel=1e-10, abs=1e-12), name
    for name in ("prediction_lower", "prediction_upper"):
        if fit["method"] == "EE":
            assert math.isnan(getattr(found, name))
        else:
            assert getattr(found, name) == pytest.approx(fit[name], rel=1e-10), name


def test_freeman_tukey_is_turned_back_as_metafor_does() -> None:
    inverse = R["inverse_freeman_tukey"]
    for x, n, p in zip(inverse["x"], inverse["n"], inverse["p"], strict=True):
        assert back_transform(x, "freeman-tukey", [n]) == pytest.approx(p, rel=1e-12)
    pooled = back_transform(inverse["x_pooled"], "freeman-tukey", R["edges"]["n"])
    assert pooled == pytest.approx(inverse["p_pooled"], rel=1e-12)
    assert back_transform(0.0, "freeman-tukey", [9]) == 0
    assert back_transform(1.6, "freeman-tukey", [9]) == 1
    with pytest.raises(ValueError, match="needs n"):
        back_transform(0.5, "freeman-tukey")


@pytest.mark.parametrize("scale", ["logit", "arcsine", "freeman-tukey"])
def test_a_transformed_proportion_comes_back(scale: Any) -> None:
    effects: Effects = transform_proportions([3, 12], [20, 40], scale)
    back = [back_transform(effects.estimate[i], scale, [effects.n[i]]) for i in range(2)]
    assert back == pytest.approx([3 / 20, 12 / 40], abs=1e-9)


def test_one_study_is_refused_and_misuse_is_shown() -> None:
    with pytest.raises(RefusedEstimateError, match="two studies"):
        pool([0.1], [0.01])
    with pytest.raises(ValueError, match="above 0"):
        pool([0.1, 0.2], [0.01, 0.0])
    with pytest.raises(ValueError, match="common-effect"):
        predict_estimate(pool([0.1, 0.2], [0.01, 0.01], method="common"), 0.01)


def test_equal_estimates_give_no_p_value() -> None:
    pooled = pool([0.2, 0.2, 0.2], [0.01, 0.02, 0.03])
    assert pooled.tau2 == 0
    assert pooled.se == 0
    assert math.isnan(pooled.p)


studies = st.lists(st.tuples(st.floats(-3, 3), st.floats(0.01, 2)), min_size=2, max_size=12)


@given(studies, st.floats(-5, 5), st.floats(0.1, 10))
def test_pooling_follows_a_shift_and_a_change_of_unit(
    data: list[tuple[float, float]], shift: float, factor: float
) -> None:
    y, v = (np.array(column) for column in zip(*data, strict=True))
    for method in ("dl", "reml"):
        one, other = (
            pool(y, v, method=method),
            pool(factor * y + shift, factor**2 * v, method=method),
        )
        assert other.estimate == pytest.approx(factor * one.estimate + shift, rel=1e-5, abs=1e-5)
        assert other.tau2 == pytest.approx(factor**2 * one.tau2, rel=1e-5, abs=1e-6 * factor**2)


@given(studies)
def test_reml_is_at_the_top_of_its_likelihood(data: list[tuple[float, float]]) -> None:
    y, v = (np.array(column) for column in zip(*data, strict=True))

    def restricted(tau2: float) -> float:  # Viechtbauer 2005, equation 8, written out again
        w = 1 / (v + tau2)
        mean = (w * y).sum() / w.sum()
        return float(-np.log(v + tau2).sum() - np.log(w.sum()) - (w * (y - mean) ** 2).sum())

    top = restricted(pool(y, v).tau2)
    assert all(top >= restricted(t) - 1e-9 for t in np.geomspace(1e-4, 50, 60))
    assert top >= restricted(0.0) - 1e-9
