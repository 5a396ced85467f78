"""Harrell's C against survival::concordance, optimism against rms::validate (both bootstrapped)."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from public_data import COX, read

from analysis.models.cox import cox
from analysis.models.discrimination import (
    area_under_curve,
    concordance,
    validate_cox,
    validate_logistic,
)
from registry.errors import RefusedEstimateError

R = json.loads((Path(__file__).parent / "r" / "discrimination.json").read_text())


def data_of(name: str) -> tuple[Any, Any, Any]:
    if name.startswith("lung"):
        data = read("survival", "cancer")[["time", "status", "age", "sex", "ph.ecog"]].dropna()
        time, event = data.time.to_numpy(float), (data.status == 2).to_numpy()
        columns = data[["age", "sex", "ph.ecog"]].to_numpy(float)
        if name == "lung_ecog":
            return time, event, columns[:, 2]
        return time, event, (columns @ cox(columns, time, event).coefficients.coef).round(10)
    if name == "veteran_karno":
        data = read("survival", "veteran")
        return data.time.to_numpy(float), data.status.to_numpy() == 1, -data.karno.to_numpy(float)
    data = read("MASS", "Melanoma")
    return data.time.to_numpy(float), (data.status == 1).to_numpy(), data.thickness.to_numpy(float)


@pytest.mark.parametrize("expected", R["concordance"], ids=lambda e: e["data"])
def test_pairs_are_counted_as_survival_counts_them(expected: dict[str, Any]) -> None:
    found = concordance(*data_of(expected["data"]))
    assert found.concordant == expected["concordant"]
    assert found.discordant == expected["discordant"]
    assert found.tied == expected["tied"]
    assert found.c == pytest.approx(expected["c"], rel=1e-12)


def test_optimism_of_cox_is_rms_validates() -> None:
    # rms: 2,000 resamples; here 150: the mean optimism of C has a Monte Carlo error near 0.002.
    data = read("survival", "cancer")[["time", "status", "age", "sex", "ph.ecog"]].dropna()
    columns = data[["age", "sex", "ph.ecog"]].to_numpy(float)
    found = validate_cox(
        columns,
        data.time.to_numpy(float),
        (data.status == 2).to_numpy(),
        resamples=150,
        rng=np.random.default_rng(1),
    )
    expected = R["validate_lung"]
    assert found.c.apparent == pytest.approx(abs(expected["apparent_c"]), abs=1e-3)
    assert found.c.optimism == pytest.approx(expected["optimism_c"], abs=0.006)
    assert found.slope.corrected == pytest.approx(expected["slope"], abs=0.05)
    assert found.slope.apparent == pytest.approx(1, abs=1e-8)
    assert found.fitted == 150


def test_optimism_of_logistic_is_rms_validates() -> None:
    data = read("MASS", "birthwt")
    columns = data[["age", "lwt", "smoke", "ht", "ui"]].to_numpy(float)
    found = validate_logistic(
        columns, data.low.to_numpy() == 1, resamples=150, rng=np.random.default_rng(2)
    )
    expected = R["validate_birthwt"]
    assert found.c.apparent == pytest.approx(expected["apparent_c"], abs=1e-9)
    assert found.c.optimism == pytest.approx(expected["optimism_c"], abs=0.008)
    assert found.slope.corrected == pytest.approx(expected["slope"], abs=0.06)


def test_area_is_the_share_of_pairs() -> None:
    rng = np.random.default_rng(3)
    event, predictor = rng.random(80) < 0.3, rng.integers(0, 6, 80).astype(float)
    pairs = [(p > q) + (p == q) / 2 for p in predictor[event] for q in predictor[~event]]
    assert area_under_curve(event, predictor) == pytest.approx(np.mean(pairs), rel=1e-12)


def test_no_comparable_pair_and_no_event() -> None:
    nobody = concordance(np.array([1.0, 2.0]), np.array([False, False]), np.array([0.0, 1.0]))
    assert np.isnan(nobody.c)
    with pytest.raises(RefusedEstimateError, match="events and non-events"):
        area_under_curve(np.array([True, True]), np.array([0.0, 1.0]))


def test_a_model_that_cannot_be_refitted_is_not_validated() -> None:
    rows = COX["ovarian"]()
    rare = rows.status == 1
    rare[np.flatnonzero(rare)[5:]] = False
    with pytest.raises(RefusedEstimateError, match="bootstrap samples could be fitted"):
        validate_cox(
            rows.matrix[:, :1], rows.time, rare, resamples=40, rng=np.random.default_rng(1)
        )


def test_pairs_are_those_counted_one_by_one() -> None:
    """Ties in time, event and predictor: every pair looked at in turn."""
    rng = np.random.default_rng(11)
    for n in (1, 2, 7, 64, 129):
        time, event = rng.integers(1, 8, n).astype(float), rng.random(n) < 0.6
        predictor = rng.integers(0, 5, n).astype(float)
        counts = [0, 0, 0]
        for i in np.flatnonzero(event):
            for j in range(n):
                if time[j] > time[i] or (time[j] == time[i] and not event[j]):
                    apart = predictor[i] - predictor[j]
                    counts[0 if apart > 0 else 1 if apart < 0 else 2] += 1
        found = concordance(time, event, predictor)
        assert [found.concordant, found.discordant, found.tied] == counts
