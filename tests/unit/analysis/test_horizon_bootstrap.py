"""The bootstrap at a horizon: many samples at once give what each gives alone."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import expit

from analysis.dose_effect.censoring_weights import outcome_at, weighted_logistic
from analysis.dose_effect.horizon_bootstrap import bootstrap_coefficients, draw_counts
from registry.errors import RefusedEstimateError

Array = NDArray[np.float64]
Drawn = tuple[Array, Array, NDArray[np.int64]]


def draw_cohort(n: int, rng: np.random.Generator, share: float = -1.5) -> Drawn:
    """Two covariates, tied times in quarters of a year, status 2 competing."""
    matrix = np.column_stack([rng.normal(10, 2, n), rng.normal(4, 1, n)])
    fails = rng.random(n) < expit(share + 0.3 * (matrix[:, 0] - 10))
    end = np.ceil(4 * rng.uniform(0.5, 9, n)) / 4
    failing = np.where(fails, np.ceil(4 * rng.uniform(0.1, 5, n)) / 4, 99.0)
    status = np.where(failing <= end, 1, np.where(rng.random(n) < 0.2, 2, 0))
    return matrix, np.minimum(failing, end), status.astype(np.int64)


def one_by_one(
    matrix: Array, time: Array, status: NDArray[np.int64], counts: Array, reading: str
) -> Array:
    """The plain reading of a bootstrap: write out each sample's rows and fit them."""
    found = []
    for sample in counts:
        rows = np.repeat(np.arange(len(time)), sample.astype(int))
        outcome = outcome_at(time[rows], status[rows], 4.0, reading=reading)
        fit = weighted_logistic(matrix[rows], outcome.failed, outcome.weight, terms=("a", "b"))
        found.append(fit.coefficients.coef)
    return np.array(found)


@pytest.mark.parametrize("reading", ["net", "crude"])
@pytest.mark.parametrize("clustered", [False, True])
def test_together_is_one_by_one(reading: str, clustered: bool) -> None:
    matrix, time, status = draw_cohort(240, np.random.default_rng(1))
    cluster = np.arange(240) // 2 if clustered else None
    codes = np.arange(240) if cluster is None else cluster
    counts = draw_counts(codes, 25, np.random.default_rng(8))
    together = bootstrap_coefficients(
        matrix, ("a", "b"), time, status, 4.0,
        reading=reading, cluster=cluster, resamples=25, rng=np.random.default_rng(8),
    )  # fmt: skip
    expected = one_by_one(matrix, time, status, counts, reading)
    order, other = np.argsort(together[:, 0]), np.argsort(expected[:, 0])
    np.testing.assert_allclose(together[order], expected[other], rtol=1e-7)


def test_a_drawn_cluster_brings_all_its_rows() -> None:
    counts = draw_counts(np.array([0, 1, 1, 2]), 200, np.random.default_rng(2))
    np.testing.assert_array_equal(counts[:, 1], counts[:, 2])
    np.testing.assert_array_equal(counts[:, [0, 1, 3]].sum(axis=1), 3)
    # each cluster is drawn once on average, with variance 1 − 1/3
    assert counts[:, 0].mean() == pytest.approx(1, abs=3 * np.sqrt(2 / 3 / 200))


def test_samples_too_poor_are_left_out_and_counted() -> None:
    """With 6 events a third of the samples has under five: that is too many to leave out."""
    rng = np.random.default_rng(3)
    matrix, time, status = draw_cohort(120, rng, share=-9)
    time[:6], status[:6] = 1.0, 1
    with pytest.raises(RefusedEstimateError, match="bootstrap samples could be fitted"):
        bootstrap_coefficients(
            matrix, ("a", "b"), time, status, 4.0, resamples=60, rng=np.random.default_rng(4)
        )


def test_spread_is_that_of_the_sandwich() -> None:
    """Weights taken as known or estimated anew: with few losses the two spreads nearly agree."""
    rng = np.random.default_rng(6)
    matrix, time, status = draw_cohort(1500, rng)
    outcome = outcome_at(time, status, 4.0)
    fit = weighted_logistic(matrix, outcome.failed, outcome.weight, terms=("a", "b"))
    found = bootstrap_coefficients(
        matrix, ("a", "b"), time, status, 4.0, resamples=600, rng=np.random.default_rng(7)
    )
    assert fit.coefficients.robust_se is not None
    np.testing.assert_allclose(found.std(axis=0, ddof=1), fit.coefficients.robust_se, rtol=0.12)
