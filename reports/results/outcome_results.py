"""What an audit says of the outcomes beside local control, gathered once from the store."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from analysis.estimators.multistate import Occupation
from analysis.outcomes.case_review import Case, list_cases
from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.end_points import DEATH, EYE_LOSS, MELANOMA_DEATH, METASTASIS
from analysis.outcomes.eye_states import EyeStates, occupy, read_eye_states
from analysis.outcomes.follow_up_bias import FollowUpBias, study_follow_up
from analysis.outcomes.outcome import Estimation, Outcome, analyse
from analysis.outcomes.toxicity import Complication, analyse_toxicity

GROUPINGS: tuple[tuple[str, str], ...] = (
    ("size_category", "T category by size (AJCC 8)"),
    ("stage_group", "stage group (AJCC 8)"),
    ("chromosome_3", "chromosome 3"),
)
TOXICITY_YEARS = (1.0, 2.0, 5.0)
STATE_YEARS = tuple(float(year) for year in range(41))
REPLICATES = 300
"""Bootstrap replicates of the many secondary incidences."""


@dataclass(frozen=True)
class Mortality:
    """Metastasis, melanoma death and death of the whole cohort, and of one grouping each."""

    metastasis: Outcome
    melanoma_death: Outcome
    death: Outcome


@dataclass(frozen=True)
class OutcomeResults:
    """Eye retention, toxicity, mortality by grouping, states over time, follow-up, cases."""

    eye_loss: Outcome
    toxicity: tuple[Complication, ...]
    mortality: Mortality
    mortality_by: tuple[tuple[str, Mortality], ...]
    states: EyeStates
    occupation: Occupation | None
    follow_up: FollowUpBias
    by_period: Outcome
    cases: tuple[Case, ...]


def _mortality(connection: Any, cut: DataCut, by: str | None, shared: Any) -> Mortality:
    sensitivity = by is None
    return Mortality(*(
        analyse(connection, end_point, cut, by=by, with_sensitivity=sensitivity, **shared)
        for end_point in (METASTASIS, MELANOMA_DEATH, DEATH)
    ))  # fmt: skip


def _occupation(states: EyeStates, seed: int) -> Occupation | None:
    """Estimate the states; None where nobody's is known and watched from treatment on."""
    if not ((states.vital.start <= 0).any() and (states.examined.start <= 0).any()):
        return None
    return occupy(states, STATE_YEARS, replicates=REPLICATES, seed=seed)


def gather_outcomes(
    connection: Any,
    cut: DataCut,
    rules: CohortRules,
    settings: Mapping[str, Any],
    how: Estimation,
    local: Outcome,
    standard: tuple[float, float] | None,
    progress: Callable[[str], None] = lambda step: None,
) -> OutcomeResults:
    """Run the analyses on an open store's connection.

    Parameters
    ----------
    local
        Local failure, analysed already.
    standard
        Years and target of the standard on local control, for the tipping point.
    """
    fewer = replace(how, replicates=min(how.replicates, REPLICATES))
    shared: dict[str, Any] = {"rules": rules, "how": fewer}
    window = int(settings["baseline_window_days"])
    progress("eye retention")
    eye_loss = analyse(connection, EYE_LOSS, cut, rules=rules, how=how)
    progress("metastasis and survival")
    whole = _mortality(connection, cut, None, {"rules": rules, "how": how})
    progress("toxicity")
    toxicity = analyse_toxicity(
        connection, cut, rules, years=TOXICITY_YEARS, how=fewer, baseline_window_days=window
    )
    progress("states over time")
    states = read_eye_states(connection, cut, rules, baseline_window_days=window)
    progress("follow-up and cases")
    return OutcomeResults(
        eye_loss=eye_loss,
        toxicity=toxicity,
        mortality=whole,
        mortality_by=tuple(
            (words, _mortality(connection, cut, by, shared)) for by, words in GROUPINGS
        ),
        states=states,
        occupation=_occupation(states, how.seed),
        follow_up=study_follow_up(connection, local.table, cut, rules, standard=standard),
        by_period=analyse(
            connection, local.end_point, cut, by="period", with_sensitivity=False, **shared
        ),
        cases=list_cases(connection, cut, rules),
    )
