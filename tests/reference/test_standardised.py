"""Standardised curves against predictions of R's coxph averaged over the rows (standardised.R)."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from public_data import read

from analysis.estimators.observations import RightCensored
from analysis.estimators.survival import kaplan_meier
from analysis.models.standardised import Standardised, standardise
from registry.errors import RefusedEstimateError, RefusedInputError

R: dict[str, Any] = json.loads((Path(__file__).parent / "r" / "standardised.json").read_text())


def lung(replicates: int = 2) -> Standardised:
    data = read("survival", "cancer")[["time", "status", "age", "ph.ecog", "sex"]].dropna()
    return standardise(
        RightCensored.of(data.time, data.status == 2),
        data[["age", "ph.ecog"]].to_numpy(float),
        data.sex.astype(str).tolist(),
        R["lung"]["at"],
        terms=["age", "ph.ecog"],
        is_incidence=False,
        rng=np.random.default_rng(1),
        replicates=replicates,
    )


def mgus(codes: dict[int, int], *, is_incidence: bool = True) -> Standardised:
    data = read("survival", "mgus2")
    data = data[data.age.notna() & data.hgb.notna()].iloc[::4]
    first = np.where(data.pstat == 1, data.ptime, data.futime)
    event = np.where(data.pstat == 1, 1, 2 * data.death)
    return standardise(
        RightCensored.of(first, [codes[int(code)] for code in event]),
        data[["age", "hgb"]].to_numpy(float),
        data.sex.tolist(),
        R["mgus2"]["at"],
        terms=["age", "hgb"],
        is_incidence=is_incidence,
        rng=np.random.default_rng(1),
        replicates=2,
    )


def test_survival_is_the_mean_of_rs_predictions() -> None:
    found = lung()
    assert found.coefficients.coef == pytest.approx(R["lung"]["coef"], rel=1e-8)
    for group, name in zip(found.groups, ("male", "female"), strict=True):
        assert group.estimate == pytest.approx(R["lung"][name], rel=1e-8)
    # people as seen, by hand from the data: 137 men, 23 dead by day 100
    assert (found.groups[0].n, found.groups[0].events[0]) == (137, 23)


def test_incidence_is_the_mean_put_together_from_rs_hazards() -> None:
    found = mgus({0: 0, 1: 1, 2: 2})
    for group in found.groups:
        assert group.estimate == pytest.approx(R["mgus2"][group.group], rel=1e-7)


def test_incidences_and_survival_add_up_to_one() -> None:
    one, two = mgus({0: 0, 1: 1, 2: 2}), mgus({0: 0, 1: 2, 2: 1})
    for first, second in zip(one.groups, two.groups, strict=True):
        total = first.estimate + second.estimate
        assert (np.diff(total) > 0).all()
        assert (total < 1).all()
    # with everybody's outcome one and the same event, incidence is one minus survival
    same, free = mgus({0: 0, 1: 1, 2: 1}), mgus({0: 0, 1: 1, 2: 1}, is_incidence=False)
    for first, second in zip(same.groups, free.groups, strict=True):
        assert first.estimate == pytest.approx(1 - second.estimate, rel=1e-9)
        combined = next(g for g in one.groups if g.group == first.group).estimate
        assert (combined < first.estimate).all()


def confounded(seed: int, n: int, effect: float) -> tuple[RightCensored, Any, Any]:
    """Group b is older; hazard depends on age, and on the group by ``effect``."""
    rng = np.random.default_rng(seed)
    group = rng.random(n) < 0.5
    age = rng.normal(size=n) + 1.2 * group
    time = rng.exponential(np.exp(-(0.9 * age + effect * group)))
    ends = rng.uniform(0.5, 4, n)
    labels = np.where(group, "b", "a").tolist()
    return RightCensored.of(np.minimum(time, ends), time <= ends), age[:, None], labels


def test_confounding_goes_and_the_bootstrap_spread_is_right() -> None:
    truth, crude, adjusted, errors = 0.0, [], [], []
    for seed in range(25):
        observed, age, labels = confounded(seed, 250, 0.0)
        found = standardise(
            observed, age, labels, [0.5], terms=["age"], is_incidence=False,
            rng=np.random.default_rng(seed), replicates=25,
        )  # fmt: skip
        one, two = found.groups
        adjusted.append(one.estimate[0] - two.estimate[0])
        errors.append(one.se[0])
        curves = [
            kaplan_meier(observed.select(np.array(labels) == name)).at(0.5).estimate[0]
            for name in "ab"
        ]
        crude.append(curves[0] - curves[1])
    spread = np.std(adjusted) / 5
    assert abs(np.mean(adjusted) - truth) < 4 * spread
    assert np.mean(crude) > 0.15
    assert 0.01 < np.mean(errors) < 0.06


def test_the_order_of_rows_and_the_unit_do_not_matter() -> None:
    observed, age, labels = confounded(3, 120, 0.5)
    how: dict[str, Any] = {"terms": ["age"], "is_incidence": False, "replicates": 0}
    rng = np.random.default_rng(0)
    plain = standardise(observed, age, labels, [0.3, 1.0], rng=rng, **how)
    order = rng.permutation(120)
    moved = standardise(
        RightCensored.of(observed.time[order] * 365, observed.status[order]),
        age[order] * 10 + 50,
        [labels[row] for row in order],
        [0.3 * 365, 365.0],
        rng=rng,
        **how,
    )
    for first, second in zip(plain.groups, moved.groups, strict=True):
        assert second.estimate == pytest.approx(first.estimate, rel=1e-8)


def test_what_cannot_be_standardised_is_refused() -> None:
    observed, age, labels = confounded(4, 60, 0.0)
    how: dict[str, Any] = {
        "terms": ["age"], "is_incidence": False, "rng": np.random.default_rng(0), "replicates": 2,
    }  # fmt: skip
    with pytest.raises(RefusedEstimateError, match="two groups"):
        standardise(observed, age, ["a"] * 60, [1.0], **how)
    few = RightCensored.of(observed.time, np.arange(60) < 3)
    with pytest.raises(RefusedEstimateError, match="under 5 events"):
        standardise(few, age, labels, [1.0], **how)
    with pytest.raises(RefusedInputError, match="age"):
        standardise(observed, np.ones((60, 1)), labels, [1.0], **how)
    beyond = standardise(observed, age, labels, [50.0], **how)
    assert np.isnan(beyond.groups[0].estimate).all()
