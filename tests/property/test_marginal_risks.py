"""What holds of every standardised risk: order of rows, units, what the others' mean must be."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.models.design_matrix import to_model_frame
from analysis.models.marginal_risks import StandardisedColumn, marginal_risks
from analysis.models.regression import RegressionRows

MODELS = ("cox", "firth-cox", "fine-gray", "logistic", "firth-logistic")


def rows_of(seed: int, order: np.ndarray | None = None, unit: float = 1.0) -> RegressionRows:
    rng = np.random.default_rng(seed)
    arm, age = rng.integers(2, size=90), rng.normal(60, 10, 90)
    time = np.ceil(rng.exponential(30 * np.exp(-0.6 * arm - 0.02 * (age - 60))))
    status = rng.choice([0, 1, 1, 2], 90)
    taken = np.arange(90) if order is None else order
    frame = to_model_frame({"arm": arm[taken].astype(float), "age": unit * age[taken]})
    return RegressionRows(frame, status[taken], time[taken])


def risks(rows: RegressionRows, model: str, unit: float = 1.0) -> StandardisedColumn:
    if "logistic" in model:
        rows = RegressionRows(rows.frame, rows.status)
    at = () if "logistic" in model else (10.0, 25.0)
    return marginal_risks(rows, model, "arm", at, rng=np.random.default_rng(0), replicates=2)


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("seed", [3, 4])
def test_order_of_rows_and_unit_of_a_covariate_do_not_matter(model: str, seed: int) -> None:
    plain = [one.risk.value for one in risks(rows_of(seed), model).risks]
    order = np.random.default_rng(seed).permutation(90)
    other = [one.risk.value for one in risks(rows_of(seed, order, 365.25), model).risks]
    assert other == pytest.approx(plain, rel=1e-7)
    assert all(0 < value < 1 for value in plain)


@pytest.mark.parametrize("model", MODELS)
def test_contrasts_are_those_of_the_risks_and_risks_rise_with_time(model: str) -> None:
    found = risks(rows_of(5), model)
    values = [one.risk.value for one in found.risks]
    base, mine = values[: len(values) // 2], values[len(values) // 2 :]
    assert [one.level for one in found.risks] == ["0"] * len(base) + ["1"] * len(mine)
    for k, one in enumerate(found.contrasts):
        assert one.difference.value == pytest.approx(mine[k] - base[k])
        assert one.ratio.value == pytest.approx(mine[k] / base[k])
    assert len(found.contrasts) == (1 if "logistic" in model else 2)
    assert base == sorted(base)
    assert mine == sorted(mine)


def test_a_logistic_models_own_levels_average_to_its_events() -> None:
    # The predicted risks of a logistic model, and of Firth's with FLIC, sum to the events.
    rows = rows_of(6)
    for model in ("logistic", "firth-logistic"):
        frame = to_model_frame({"arm": rows.frame.matrix[:, 0]})
        alone = RegressionRows(frame, rows.status)
        low, high = (one.risk.value for one in risks(alone, model).risks)
        share = float(frame.matrix.mean())
        expected = float((rows.status == 1).mean())
        assert (1 - share) * low + share * high == pytest.approx(expected, rel=1e-8)
