"""Do the estimates come back to the truth that the synthetic departments were drawn from?

Draws cohorts of 500 patients, computes every end point by the product's own SQL, and sets bias and
coverage of each 5-year estimate beside the truth named for its estimand, and beside the
large-sample value of the same estimator (``synthetic_cohort.large_sample``). Coverage is that of
the interval which the reports print; for incidences the bootstrap's stands beside it. The usual mix
of clocks (the dead at death, the living at their last visit) stands beside the bias that one very
large cohort predicts for it.

Every cohort has generators of its own, so the table is the same for any number of processes; a
block of cohorts shares one query an end point, since no patient's row depends on another's.

Usage: python benchmarks/outcome_recovery.py [COHORTS] [PROCESSES] [OUT.md]
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from analysis.estimators.competing_risks import aalen_johansen, aalen_johansen_own_clocks
from analysis.estimators.multistate import Spells
from analysis.estimators.observations import RightCensored
from analysis.estimators.own_clocks import BOOTSTRAP
from analysis.estimators.survival import kaplan_meier
from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.end_points import (
    DEATH,
    EYE_LOSS,
    LOCAL_FAILURE,
    MELANOMA_DEATH,
    METASTASIS,
)
from analysis.outcomes.eye_states import STATES, EyeStates, occupy, read_eye_states
from analysis.outcomes.outcome import (
    Estimation,
    GroupOutcome,
    OutcomeTable,
    analyse_group,
    own_clock_causes,
    read_outcome_table,
)
from reports.page.state_curves import StatesOverTime
from synthetic_cohort.cohort import draw_department
from synthetic_cohort.expected import read_figures
from synthetic_cohort.in_memory import hold_in_memory, mark_identifiers
from synthetic_cohort.truth import DATA_CUT, TRUTH

SEED = 7
PATIENTS = 500
BLOCK = 25
YEARS = 5.0
DAYS = YEARS * 365.25
AS_PRINTED = Estimation(replicates=2)
"""The printed limits need no bootstrap; its standard errors are not looked at here."""
REPLICATES = 200
STATE_REPLICATES = 300
CUT = DataCut(DATA_CUT)
PREDICTION_PATIENTS = 40_000
LARGEST_BIAS = 0.005
LEAST_COVERAGE = 0.95

CURVES = {
    "local_control_net": (LOCAL_FAILURE, "local_control_km_limit"),
    "eye_retention_net": (EYE_LOSS, "eye_retention_km_limit"),
    "metastasis_free_net": (METASTASIS, None),
    "overall_survival": (DEATH, None),
}
INCIDENCES = {
    "local_failure_incidence": (LOCAL_FAILURE, 1),
    "eye_removed_otherwise_incidence": (LOCAL_FAILURE, 2),
    "death_before_failure_incidence": (LOCAL_FAILURE, 3),
    "eye_loss_incidence": (EYE_LOSS, 1),
    "metastasis_incidence": (METASTASIS, 1),
    "melanoma_death_incidence": (MELANOMA_DEATH, 1),
    "other_or_unknown_death_incidence": (MELANOMA_DEATH, 2),
}
OTHER_TRUTHS = {"other_or_unknown_death_incidence": "other_death_incidence"}
"""Truths of another estimand, shown beside: here the deaths that were truly of another cause."""

STATE_TRUTHS = (
    "state_useful_vision",
    "state_useful_vision_lost",
    "state_failed",
    "state_eye_lost",
    "state_dead",
)
NAIVE = ("death, mixed clocks", "death before failure, mixed clocks")

Reading = tuple[float, float, float, float, float]
"""Estimate, printed limits, bootstrap limits (NaN where none)."""

NO_SECOND = (float("nan"), float("nan"))


def _read_curve(group: GroupOutcome) -> Reading:
    assert group.kaplan_meier is not None
    at = group.kaplan_meier.at([DAYS])
    return float(at.estimate[0]), float(at.lower[0]), float(at.upper[0]), *NO_SECOND


def _read_incidences(group: GroupOutcome, causes: list[int], seed: int) -> list[Reading]:
    """Read the printed limits, and the percentile bootstrap's over patients."""
    table, printed = group.table, group.cumulative_incidence
    assert printed is not None
    drawn = aalen_johansen_own_clocks(
        own_clock_causes(table),
        cluster=np.unique(table.patient_id, return_inverse=True)[1],
        interval=BOOTSTRAP,
        replicates=REPLICATES,
        rng=np.random.default_rng(seed),
    )
    read = []
    for cause in causes:
        at, other = printed.cause(cause).at([DAYS]), drawn.cause(cause).at([DAYS])
        limits = at.lower, at.upper, other.lower, other.upper
        read.append((float(at.estimate[0]), *(float(limit[0]) for limit in limits)))
    return [(one[0], one[1], one[2], one[3], one[4]) for one in read]


def _read_states(states: EyeStates, seed: int) -> list[Reading]:
    """Read the share in every state with the limits that the audit prints."""
    occupied = occupy(states, (YEARS,), replicates=STATE_REPLICATES, seed=seed)
    over_time = StatesOverTime(states, occupied)
    found = []
    for state in range(len(STATES)):
        at = over_time.at(state, YEARS)
        limits = (at.failure, at.lower, at.upper)
        estimate, low, high = (float("nan") if limit is None else limit for limit in limits)
        found.append((estimate, low, high, *NO_SECOND))
    return found


def _mixed_clocks(group: GroupOutcome) -> list[Reading]:
    """The mistake: the dead at their death, the living at their last visit."""
    table = group.table
    died = ~np.isnan(table.death_days)
    time_days = np.where(died, np.nan_to_num(table.death_days), table.time_days)
    dead = kaplan_meier(RightCensored.of(time_days, died.astype(int)), interval="beta-product")
    at = dead.at([DAYS])
    first = (1 - float(at.estimate[0]), 1 - float(at.upper[0]), 1 - float(at.lower[0]))
    has_event = table.status > 0
    until = np.where(has_event, table.time_days, time_days)
    status = np.where(has_event, table.status, 3 * died)
    mixed = aalen_johansen(RightCensored.of(until, status), causes=[3], interval="beta-product")
    second = mixed.cause(3).at([DAYS])
    return [
        (*first, *NO_SECOND),
        (float(second.estimate[0]), float(second.lower[0]), float(second.upper[0]), *NO_SECOND),
    ]


def estimate_one(tables: dict[str, OutcomeTable], states: EyeStates, seed: int) -> list[Reading]:
    """Return estimate and limits of every figure of one cohort."""
    groups = {name: analyse_group("all", table, AS_PRINTED) for name, table in tables.items()}
    curves = [_read_curve(groups[end_point.name]) for end_point, _ in CURVES.values()]
    causes: list[Reading] = []
    for name in dict.fromkeys(end_point.name for end_point, _ in INCIDENCES.values()):
        wanted = [cause for end_point, cause in INCIDENCES.values() if end_point.name == name]
        causes += _read_incidences(groups[name], wanted, seed)
    seen = _read_states(states, seed)
    return [*curves, *causes, *seen, *_mixed_clocks(groups["local_failure"])]


def _of_cohort(names: tuple[str, ...], mark: str) -> np.ndarray:
    return np.asarray([name.startswith(mark) for name in names], dtype=bool)


def _pick_spells(spells: Spells, chosen: np.ndarray) -> Spells:
    number = np.cumsum(chosen) - 1
    rows = chosen[spells.unit]
    parts = (getattr(spells, name)[rows] for name in ("state", "start", "stop", "to"))
    return Spells(number[spells.unit[rows]], *parts)


def _pick_states(states: EyeStates, mark: str) -> EyeStates:
    chosen = _of_cohort(states.unit_id, mark)
    rows = np.flatnonzero(chosen)
    return replace(
        states,
        unit_id=tuple(states.unit_id[row] for row in rows),
        patient_id=tuple(states.patient_id[row] for row in rows),
        examined=_pick_spells(states.examined, chosen),
        vital=_pick_spells(states.vital, chosen),
    )


def draw_block(first: int, size: int) -> dict[str, pd.DataFrame]:
    """Draw cohorts ``first`` on, the identifiers of each marked with its number."""
    drawn = [
        mark_identifiers(
            draw_department(TRUTH, PATIENTS, np.random.default_rng([SEED, number])),
            f"c{number:05d}-",
        )
        for number in range(first, first + size)
    ]
    return {name: pd.concat([one[name] for one in drawn], ignore_index=True) for name in drawn[0]}


def estimate_block(task: tuple[int, int]) -> list[list[Reading]]:
    """Return the figures of cohorts ``first`` to ``first + size - 1``."""
    first, size = task
    connection = hold_in_memory(draw_block(first, size))
    tables: dict[str, OutcomeTable] = {}
    for end_point in (LOCAL_FAILURE, EYE_LOSS, METASTASIS, DEATH, MELANOMA_DEATH):
        tables[end_point.name] = read_outcome_table(connection, end_point, CUT, CohortRules())
    states = read_eye_states(connection, CUT, CohortRules())
    connection.close()
    found = []
    for number in range(first, first + size):
        mark = f"c{number:05d}-"
        own = {
            name: table.select(_of_cohort(table.patient_id, mark)) for name, table in tables.items()
        }
        found.append(estimate_one(own, _pick_states(states, mark), number))
    return found


def predict_mixed(truth_death: float) -> float:
    """Bias of the mix of clocks for death, from one very large cohort's files by plain arithmetic.

    None of the product's code: deaths, failures, removals and last visits with local status
    assessed are read from the drawn files, and the product of 1 − deaths/at risk is taken.
    """
    drawn = draw_department(TRUTH, PREDICTION_PATIENTS, np.random.default_rng([SEED, 10**6]))
    implants = drawn["implant"].merge(drawn["tumour"][["tumour_id", "patient_id"]], on="tumour_id")
    zero = pd.to_datetime(implants["inserted_at"]).dt.normalize()
    zero = zero.groupby(implants["patient_id"]).min()
    people = drawn["patient"].set_index("patient_id")
    death = pd.to_datetime(people["death_date"].replace("", None))
    visits = drawn["visit"]
    visits = visits[visits["local_status"].isin(["controlled", "suspected", "failed"])]
    seen = pd.to_datetime(visits["visit_date"]).groupby(visits["patient_id"]).max()
    ending = drawn["event"]
    kinds = ["local_failure", "orbital_recurrence", "enucleation", "exenteration"]
    ending = ending[ending["kind"].isin(kinds)]
    first = pd.to_datetime(ending["event_date"]).groupby(ending["patient_id"]).min()
    end = seen.reindex(death.index)
    end = first.reindex(death.index).fillna(end)
    end = death.where(death.notna(), end)
    days = (end - zero.reindex(death.index)).dt.days.fillna(0).clip(lower=0).to_numpy(int)
    died = death.notna().to_numpy()
    leaving = np.bincount(days, minlength=int(DAYS) + 2)
    at_risk = leaving[::-1].cumsum()[::-1][: int(DAYS) + 1]
    deaths = np.bincount(days[died], minlength=int(DAYS) + 2)[: int(DAYS) + 1]
    return float(1 - np.prod(1 - deaths / at_risk)) - truth_death


def _covered(lower: Any, upper: Any, truth: float) -> float:
    return float(((lower <= truth) & (truth <= upper)).mean())


def _row(name: str, against: str, truth: float, found: np.ndarray) -> str:
    estimate, lower, upper, low, high = found.T
    bias = estimate.mean() - truth
    error = estimate.std(ddof=1) / np.sqrt(len(estimate))
    second = "" if np.isnan(low).all() else f"{100 * _covered(low, high, truth):.1f}"
    return (
        f"| {name} | {against} | {100 * truth:.2f} | {100 * estimate.mean():.2f} |"
        f" {100 * bias:+.2f} ± {100 * error:.2f} | {100 * estimate.std(ddof=1):.2f} |"
        f" {100 * _covered(lower, upper, truth):.1f} | {second} |"
    )


def _keeps(truth: float, found: np.ndarray) -> tuple[bool, bool]:
    """Whether the bias and the coverage are as asked, each with its Monte Carlo error."""
    estimate, lower, upper = found[:, 0], found[:, 1], found[:, 2]
    error = estimate.std(ddof=1) / np.sqrt(len(estimate))
    near = abs(estimate.mean() - truth) <= max(LARGEST_BIAS, 3 * error)
    slack = 3 * np.sqrt(LEAST_COVERAGE * (1 - LEAST_COVERAGE) / len(estimate))
    return bool(near), _covered(lower, upper, truth) >= LEAST_COVERAGE - slack


def list_truths(figures: dict[str, float]) -> list[tuple[str, float, float | None]]:
    """List the figures in the order of the readings: name, truth, large-sample value."""
    listed: list[tuple[str, float, float | None]] = []
    for name, (_, limit) in CURVES.items():
        listed.append((name, figures[name], figures[limit] if limit else None))
    listed += [(name, figures[name], figures[f"{name}_limit"]) for name in INCIDENCES]
    return [*listed, *((name, figures[name], None) for name in STATE_TRUTHS)]


def _tell_verdict(listed: list[tuple[str, float, float | None]], found: np.ndarray) -> str:
    kept = [_keeps(truth, found[:, place]) for place, (_, truth, _) in enumerate(listed)]
    names = [name for name, _, _ in listed]
    far = [name for name, (near, _) in zip(names, kept, strict=True) if not near]
    short = [name for name, (_, covers) in zip(names, kept, strict=True) if not covers]
    least = 100 * (LEAST_COVERAGE - 3 * np.sqrt(0.95 * 0.05 / len(found)))
    return (
        f"Asked of each figure: bias within {100 * LARGEST_BIAS:g} points or 3 Monte Carlo standard"
        f" errors of the truth ({', '.join(far) or 'every figure'} {'not' if far else 'is'}"
        f"{'' if far else ' so'}); coverage of at least {least:.1f} %, which is 95 % less 3"
        f" standard errors ({', '.join(short) or 'every figure'} {'not' if short else 'is'}"
        f"{'' if short else ' so'})."
    )


def write_table(found: np.ndarray, seconds: tuple[float, float], predicted: float) -> str:
    """Write the table; ``found`` has shape (cohorts, figures, 5)."""
    figures = {name: at[YEARS].value for name, at in read_figures().items()}
    listed, rows = list_truths(figures), []
    for place, (name, truth, limit) in enumerate(listed):
        rows.append(_row(name, "truth", truth, found[:, place]))
        if limit is not None:
            rows.append(_row("", "large-sample value", limit, found[:, place]))
        if name in OTHER_TRUTHS:
            other = OTHER_TRUTHS[name]
            rows.append(_row("", other, figures[other], found[:, place]))
    death = 1 - figures["overall_survival"]
    mixed = [death, figures["death_before_failure_incidence"]]
    rows += [
        _row(name, "truth", truth, found[:, place - 2])
        for place, (name, truth) in enumerate(zip(NAIVE, mixed, strict=True))
    ]
    naive = found[:, -2, 0]
    shrink = np.sqrt(PATIENTS / PREDICTION_PATIENTS)
    error = naive.std(ddof=1) / np.sqrt(len(naive))
    return "\n".join(
        [
            "# Recovery of the synthetic truth at 5 years",
            "",
            f"{len(found)} cohorts of {PATIENTS} patients, seed {SEED}; {seconds[0]:.0f} s,"
            f" {seconds[1] / len(found):.2f} s of processor time a cohort. All in per cent; bias ±"
            " its Monte Carlo standard error. Covered: by the 95 % interval that the reports print"
            " (curves: beta product; incidences: its extension to competing events, each cause on"
            f" its own clock; states: percentile bootstrap over patients,"
            f" {STATE_REPLICATES} replicates). Last column: percentile bootstrap over"
            f" patients, {REPLICATES} replicates.",
            "",
            "| figure | set against | value | mean | bias | SD | covered | bootstrap |",
            "|---|---|---|---|---|---|---|---|",
            *rows,
            "",
            _tell_verdict(listed, found),
            "",
            "What each truth is stands in `synthetic_cohort/expected_figures.json` under the"
            " figure's name. The large-sample value is what the same estimator tends to: who leaves"
            " is censored at the last visit, so each visit's findings are divided by too few at"
            " risk, and a death of unknown cause counts as another death (the main reading; both"
            " extremes are printed). Eyes in a state count as watched for half a planned gap after"
            " their last visit, which takes the first of these leans away.",
            "",
            "Mixed clocks are the usual mistake, kept as a warning: the dead at their death, the"
            " living at their last assessment (or failure). Predicted bias for death, by plain"
            f" arithmetic on the files of {PREDICTION_PATIENTS} patients:"
            f" {100 * predicted:+.2f} ± {100 * naive.std(ddof=1) * shrink:.2f}; found here:"
            f" {100 * (naive.mean() - death):+.2f} ± {100 * error:.2f}.",
            "",
        ]
    )


def list_blocks(cohorts: int) -> list[tuple[int, int]]:
    """Divide the cohorts into blocks: the first number and the size of each."""
    return [(first, min(BLOCK, cohorts - first)) for first in range(0, cohorts, BLOCK)]


def main() -> None:
    """Run and print; write the table where asked."""
    cohorts = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    processes = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    started, used = time.perf_counter(), time.process_time()
    blocks = list_blocks(cohorts)
    if processes == 1:
        found = [estimate_block(block) for block in blocks]
    else:
        with get_context("spawn").Pool(processes) as pool:
            found = pool.map(estimate_block, blocks, chunksize=1)
    seconds = time.perf_counter() - started, time.process_time() - used
    death = 1 - read_figures()["overall_survival"][YEARS].value
    readings = np.asarray([one for block in found for one in block])
    text = write_table(readings, seconds, predict_mixed(death))
    print(text)
    if len(sys.argv) > 3:
        Path(sys.argv[3]).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
