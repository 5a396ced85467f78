"""Samples a good department has: from each question a number, or a refusal that says why.

Warnings are errors here, so that neither a division by zero nor a NaN out of nowhere passes.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
import pytest

from analysis.estimators.competing_risks import Clock, aalen_johansen, aalen_johansen_own_clocks
from analysis.estimators.differences import (
    incidence_difference,
    restricted_mean_difference,
    survival_difference,
)
from analysis.estimators.group_tests import gray, log_rank, trend
from analysis.estimators.intervals import INTERVALS
from analysis.estimators.observations import RightCensored
from analysis.estimators.resampling import resampled_survival
from analysis.estimators.survival import kaplan_meier, kaplan_meier_by, reverse_kaplan_meier
from registry.errors import RefusedEstimateError

SAMPLES = {
    "zero events": ([3, 5, 8, 13, 21, 34], [0] * 6),
    "one event": ([3, 5, 8, 13, 21, 34], [0, 0, 1, 0, 0, 0]),
    "one competing event": ([3, 5, 8, 13, 21, 34], [0, 0, 2, 0, 0, 0]),
    "one patient, censored": ([7], [0]),
    "one patient, event": ([7], [1]),
    "all events at once": ([4] * 6, [1] * 6),
    "all events at once, two causes": ([4] * 6, [1, 2] * 3),
    "everybody has the event": ([1, 2, 3, 4, 5, 6], [1] * 6),
    "all censored at once": ([4] * 6, [0] * 6),
    "all times 0": ([0] * 6, [1, 0, 2, 0, 1, 0]),
    "times at 0": ([0, 0, 0, 3, 5, 8], [1, 0, 2, 1, 0, 2]),
    "half of the times tied": ([1, 1, 1, 2, 3, 4], [1, 2, 0, 1, 2, 0]),
    "the last to be seen fails": ([1, 2, 3, 4, 5, 6], [0, 0, 1, 0, 2, 1]),
}

Question = Callable[[RightCensored, str], Any]


def _groups(observed: RightCensored) -> list[str]:
    return ["1" if row % 2 else "0" for row in range(observed.n)]


def _two_curves(observed: RightCensored, interval: str) -> list[Any]:
    return list(kaplan_meier_by(observed, _groups(observed), interval=interval).values())


def _difference(make: Question, observed: RightCensored, interval: str) -> Any:
    """A difference between two halves; one patient has none."""
    return make(observed, interval) if observed.n > 1 else None


def _between_incidences(observed: RightCensored, interval: str) -> Any:
    halves = [np.arange(observed.n) % 2 == side for side in (0, 1)]
    first, second = (aalen_johansen(observed.select(half), interval=interval) for half in halves)
    return incidence_difference(first.cause(1), second.cause(1), 4)


def _clocks(observed: RightCensored, interval: str) -> list[Any]:
    own = interval if interval.startswith("beta") else "bootstrap"
    found = aalen_johansen_own_clocks(
        [Clock(code, observed.time, (observed.status == code).astype(int)) for code in (1, 2)],
        interval=own,
        replicates=20,
        rng=np.random.default_rng(1),
    )
    return [cause.at([0, 4]).rows() for cause in found.causes]


CURVES: dict[str, Question] = {
    "survival": lambda one, how: kaplan_meier(one, interval=how).at([0, 4, 99]).rows(),
    "survival rows": lambda one, how: kaplan_meier(one, interval=how).curve.rows(),
    "median": lambda one, how: kaplan_meier(one, interval=how).median(),
    "restricted mean": lambda one, how: kaplan_meier(one, interval=how).restricted_mean(4),
    "conditional": lambda one, how: kaplan_meier(one, interval=how).conditional([4, 5], 2).rows(),
    "landmark": lambda one, how: kaplan_meier(one.after_landmark(2)[0], interval=how).at(2).rows(),
    "follow-up": lambda one, how: reverse_kaplan_meier(one, interval=how).median(),
    "incidence": lambda one, how: [
        cause.at([0, 4, 99]).rows() for cause in aalen_johansen(one, interval=how).causes
    ],
    "incidence rows": lambda one, how: [
        cause.curve.rows() for cause in aalen_johansen(one, interval=how).causes
    ],
    "own clocks": _clocks,
    "difference": partial(
        _difference, lambda one, how: survival_difference(*_two_curves(one, how), 4)
    ),
    "difference of means": partial(
        _difference, lambda one, how: restricted_mean_difference(*_two_curves(one, how), 4)
    ),
    "difference of incidences": partial(_difference, _between_incidences),
}
TESTS: dict[str, Question] = {
    "log-rank": lambda one, _: log_rank(one, _groups(one)),
    "stratified log-rank": lambda one, _: log_rank(one, _groups(one), strata=["a"] * one.n),
    "trend": lambda one, _: trend(one, _groups(one)),
    "gray": lambda one, _: gray(one, _groups(one)),
    "bootstrap": lambda one, _: resampled_survival(
        one, [0, 4], replicates=10, rng=np.random.default_rng(1)
    ),
}


def assert_refused_or(ask: Callable[[], Any]) -> Any:
    """The answer, or None after a refusal that says something."""
    try:
        return ask()
    except RefusedEstimateError as refusal:
        said = refusal.message
    assert len(said.split()) > 3
    return None


@pytest.mark.parametrize("interval", INTERVALS)
@pytest.mark.parametrize("question", CURVES)
@pytest.mark.parametrize("sample", SAMPLES)
def test_a_curve_gives_a_number_or_says_why_not(sample: str, question: str, interval: str) -> None:
    observed = RightCensored.of(*SAMPLES[sample])
    found = assert_refused_or(lambda: CURVES[question](observed, interval))
    for row in found if isinstance(found, list) else []:
        for one in row if isinstance(row, list) else [row]:
            if one["time"] <= observed.time.max():
                assert 0 <= one["estimate"] <= 1
                if interval.startswith("beta"):
                    assert 0 <= one["lower"] <= one["estimate"] + 1e-12
                    assert one["estimate"] - 1e-12 <= one["upper"] <= 1
            else:
                assert math.isnan(one["estimate"])


@pytest.mark.parametrize("question", TESTS)
@pytest.mark.parametrize("sample", SAMPLES)
def test_a_test_gives_a_number_or_says_why_not(sample: str, question: str) -> None:
    observed = RightCensored.of(*SAMPLES[sample])
    found = assert_refused_or(lambda: TESTS[question](observed, ""))
    if found is not None and question != "bootstrap":
        assert found.statistic >= 0
        assert 0 <= found.p <= 1
    elif found is not None:
        assert ((found >= 0) & (found <= 1)).all()


def test_an_empty_group_is_refused() -> None:
    observed = RightCensored.of([1, 2, 3], [1, 0, 1])
    with pytest.raises(RefusedEstimateError, match="nobody"):
        observed.select(np.zeros(3, dtype=bool))
