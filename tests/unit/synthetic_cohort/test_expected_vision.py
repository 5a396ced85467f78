"""What the truth implies for confirmed loss of vision: closed arithmetic and the committed file."""

from __future__ import annotations

import numpy as np
import pytest

from synthetic_cohort import expected, expected_vision
from synthetic_cohort.truth import TRUTH


def test_a_new_draw_agrees_with_the_committed_figures() -> None:
    """Five Monte Carlo standard errors of 6,000 patients, drawn with another seed."""
    drawn = expected_vision.simulate(TRUTH, 6000, np.random.default_rng(11))
    kept = expected_vision.read_figures()
    assert set(kept) == set(drawn) == set(expected_vision.ESTIMANDS)
    for name, by_year in kept.items():
        for years, figure in by_year.items():
            assert abs(drawn[name][years].value - figure.value) < 5 * drawn[name][years].se + 1e-3


@pytest.mark.parametrize("level", sorted(expected.LEVELS))
def test_states_add_up_and_latent_loss_is_no_confirmed_loss(level: str) -> None:
    kept, latent = expected_vision.read_figures(), expected.read_figures()
    for years in expected.YEARS:
        states = [
            kept[f"vision_{level}_{name}"][years].value
            for name in ("loss_between_readings_incidence", "alive_without_loss")
        ]
        states.append(kept[f"vision_{level}_dead_without_loss"][years].value)
        assert sum(states) == pytest.approx(1.0, abs=1e-12)
        # the dead lose nothing more, and eyes that regained the level are only in the latent share
        net = kept[f"vision_{level}_loss_between_readings_net"][years].value
        assert net > states[0]
        assert latent[f"vision_{level}_alive_eye_kept_at_or_above"][years].value > states[1] - 0.002


def test_figures_of_other_parameters_are_refused() -> None:
    from dataclasses import replace

    other = replace(TRUTH, vision=replace(TRUTH.vision, reading_sd=0.5))
    with pytest.raises(ValueError, match="expected_vision --write"):
        expected_vision.read_figures(other)
