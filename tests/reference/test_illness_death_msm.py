"""The illness-death model against R's msm (values printed by ``r/illness_death.R``).

msm sees the same likelihood another way: as a Markov process seen at visits, with death at an exact
time and the living in state 1 or 2, by matrix exponentials and its own maximiser.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from analysis.estimators.illness_death import (
    ONE_PIECE,
    TRANSITIONS,
    VisitedToDeath,
    fit_illness_death,
)

R = json.loads((Path(__file__).parent / "r" / "illness_death.json").read_text())


@pytest.fixture(scope="module")
def patients() -> VisitedToDeath:
    seen = R["patients"]
    below = [np.inf if time is None else time for time in seen["first_below"]]
    return VisitedToDeath.of(seen["last_above"], below, seen["vital_status_time"], seen["died"])


def test_constant_intensities_are_msms(patients: VisitedToDeath) -> None:
    expected, fit = R["constant"], fit_illness_death(patients, ONE_PIECE)
    assert -2 * fit.log_likelihood == pytest.approx(expected["minus_two_log_likelihood"], abs=1e-8)
    # Both maximisers stop a little below the top: the likelihood agrees to more digits than they.
    found = [fit.intensity[name][0] for name in TRANSITIONS]
    assert found == pytest.approx(expected["intensity"], rel=1e-5)
    read = fit.at([5])
    occupation = [read.above[0], read.lost[0], read.dead[0]]
    assert occupation == pytest.approx(expected["occupation_5"], abs=1e-6)


def test_intensities_that_change_at_a_knot_are_msms(patients: VisitedToDeath) -> None:
    expected = R["change_at_3"]
    fit = fit_illness_death(patients, dict.fromkeys(TRANSITIONS, (3.0,)))
    assert -2 * fit.log_likelihood == pytest.approx(expected["minus_two_log_likelihood"], abs=1e-8)
    for piece, period in enumerate(("before", "after")):
        found = [fit.intensity[name][piece] for name in TRANSITIONS]
        assert found == pytest.approx(expected[period], rel=1e-5)
    read = fit.at([5])
    occupation = [read.above[0], read.lost[0], read.dead[0]]
    assert occupation == pytest.approx(expected["occupation_5"], abs=1e-6)
