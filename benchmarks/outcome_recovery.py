"""Do the estimates come back to the truth that the synthetic departments were drawn from?

Draws cohorts of 500 patients, computes every end point by the product's own SQL, and sets bias and
coverage of each 5-year estimate beside the truth named for its estimand. Kaplan–Meier is also set
beside its large-sample limit, and the usual mix of clocks (the dead at death, the living at their
last visit) beside the bias that one very large cohort predicts for it.

Every cohort has a generator of its own, so the table is the same for any number of processes.

Usage: python benchmarks/outcome_recovery.py [COHORTS] [PROCESSES] [OUT.md]
"""

from __future__ import annotations

import sys
import time
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.estimators.competing_risks import aalen_johansen
from analysis.estimators.observations import RightCensored
from analysis.estimators.survival import kaplan_meier
from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.end_points import (
    DEATH,
    EYE_LOSS,
    LOCAL_FAILURE,
    MELANOMA_DEATH,
    METASTASIS,
)
from analysis.outcomes.eye_states import DEAD, occupy, read_eye_states
from analysis.outcomes.outcome import Estimation, GroupOutcome, analyse_group, read_outcome_table
from synthetic_cohort.cohort import draw_department
from synthetic_cohort.expected import read_figures
from synthetic_cohort.in_memory import hold_in_memory
from synthetic_cohort.truth import DATA_CUT, TRUTH

SEED = 7
PATIENTS = 500
YEARS = 5.0
DAYS = YEARS * 365.25
HOW = Estimation(replicates=200)
CUT = DataCut(DATA_CUT)
PREDICTION_PATIENTS = 40_000

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
    "other_death_incidence": (MELANOMA_DEATH, 2),
}
NAIVE = ("death, mixed clocks", "death before failure, mixed clocks")
STATE = "dead, by state occupation"

Reading = tuple[float, float, float]


def _read_curve(group: GroupOutcome) -> Reading:
    assert group.kaplan_meier is not None
    at = group.kaplan_meier.at([DAYS])
    return float(at.estimate[0]), float(at.lower[0]), float(at.upper[0])


def _read_incidence(group: GroupOutcome, cause: int) -> Reading:
    assert group.cumulative_incidence is not None
    at = group.cumulative_incidence.cause(cause).at([DAYS])
    return float(at.estimate[0]), float(at.lower[0]), float(at.upper[0])


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
    second = aalen_johansen(RightCensored.of(until, status), causes=[3]).cause(3).at([DAYS])
    return [first, (float(second.estimate[0]), float(second.lower[0]), float(second.upper[0]))]


def estimate_one(number: int) -> list[Reading]:
    """Return estimate and limits of every figure for cohort ``number``."""
    rng = np.random.default_rng([SEED, number])
    connection = hold_in_memory(draw_department(TRUTH, PATIENTS, rng))
    how = Estimation(replicates=HOW.replicates, seed=number)
    groups = {}
    for end_point in (LOCAL_FAILURE, EYE_LOSS, METASTASIS, DEATH, MELANOMA_DEATH):
        table = read_outcome_table(connection, end_point, CUT, CohortRules())
        groups[end_point.name] = analyse_group("all", table, how)
    states = read_eye_states(connection, CUT, CohortRules())
    occupied = occupy(states, (YEARS,), replicates=HOW.replicates, seed=number)
    connection.close()
    low, high = occupied.limits()
    dead = float(occupied.at([DAYS])[0, DEAD]), float(low[0, DEAD]), float(high[0, DEAD])
    curves = [_read_curve(groups[end_point.name]) for end_point, _ in CURVES.values()]
    causes = [_read_incidence(groups[one.name], cause) for one, cause in INCIDENCES.values()]
    return [*curves, *causes, dead, *_mixed_clocks(groups["local_failure"])]


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


def _row(name: str, against: str, truth: float, found: np.ndarray) -> str:
    estimate, lower, upper = found.T
    bias = estimate.mean() - truth
    error = estimate.std(ddof=1) / np.sqrt(len(estimate))
    covered = float(((lower <= truth) & (truth <= upper)).mean())
    return (
        f"| {name} | {against} | {100 * truth:.2f} | {100 * estimate.mean():.2f} |"
        f" {100 * bias:+.2f} ± {100 * error:.2f} | {100 * estimate.std(ddof=1):.2f} |"
        f" {100 * covered:.1f} |"
    )


def write_table(found: np.ndarray, seconds: float, predicted: float) -> str:
    """Write the table; ``found`` has shape (cohorts, figures, 3)."""
    figures = {name: at[YEARS].value for name, at in read_figures().items()}
    rows = []
    for place, (name, (_, limit)) in enumerate(CURVES.items()):
        against = {"truth": name} | ({limit: limit} if limit else {})
        rows += [_row(name, w, figures[key], found[:, place]) for w, key in against.items()]
    for place, name in enumerate(INCIDENCES, start=len(CURVES)):
        rows.append(_row(name, "truth", figures[name], found[:, place]))
    death = 1 - figures["overall_survival"]
    rows.append(_row(STATE, "1 − overall_survival", death, found[:, -3]))
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
            f"{len(found)} cohorts of {PATIENTS} patients, seed {SEED}; {seconds:.0f} s. All in per"
            " cent; bias ± its Monte Carlo standard error; coverage of the 95 % interval (curves:"
            " beta product; incidences and states: bootstrap over patients,"
            f" {HOW.replicates} replicates).",
            "",
            "| figure | set against | truth | mean | bias | SD | covered |",
            "|---|---|---|---|---|---|---|",
            *rows,
            "",
            "The km_limit rows are the large-sample value of the same estimator: who leaves is"
            " censored at the last visit, so each visit's failures are divided by too few at risk.",
            "",
            "Mixed clocks are the usual mistake, kept as a warning: the dead at their death, the"
            " living at their last assessment (or failure). Predicted bias for death, by plain"
            f" arithmetic on the files of {PREDICTION_PATIENTS} patients:"
            f" {100 * predicted:+.2f} ± {100 * naive.std(ddof=1) * shrink:.2f}; found here:"
            f" {100 * (naive.mean() - death):+.2f} ± {100 * error:.2f}.",
            "",
        ]
    )


def main() -> None:
    """Run and print; write the table where asked."""
    cohorts = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    processes = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    started = time.perf_counter()
    if processes == 1:
        found = [estimate_one(number) for number in range(cohorts)]
    else:
        with get_context("spawn").Pool(processes) as pool:
            found = pool.map(estimate_one, range(cohorts), chunksize=5)
    seconds = time.perf_counter() - started
    death = 1 - read_figures()["overall_survival"][YEARS].value
    text = write_table(np.asarray(found), seconds, predict_mixed(death))
    print(text)
    if len(sys.argv) > 3:
        Path(sys.argv[3]).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
