"""How long after its last visit should an eye count as watched, where its state over time is asked?

Changes are found at visits, and visits that belong together lie some weeks apart. Occupation of the
states at 5 years in one very large synthetic department, set against the truth, with the last spell
of each eye prolonged by several lengths (``analysis.outcomes.eye_states.watch_between_visits`` uses
half a planned gap).

Usage: python benchmarks/state_watch.py [PATIENTS] [OUT.md]
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.estimators.multistate import STAYS, Spells, occupy_states
from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.eye_states import (
    HALF_GAP_DAYS,
    STATES,
    EyeStates,
    count_at_risk,
    read_eye_states,
)
from synthetic_cohort.cohort import draw_department
from synthetic_cohort.expected import read_figures
from synthetic_cohort.in_memory import hold_in_memory, mark_identifiers
from synthetic_cohort.truth import DATA_CUT, TRUTH

SEED, YEARS, PART = 99, 5.0, 10_000
PROLONGED_DAYS = (0, 21, 45, 61, HALF_GAP_DAYS, 122, 183)
TRUTHS = ("useful_vision", "useful_vision_lost", "failed", "eye_lost", "dead")


def read_large(patients: int) -> EyeStates:
    """Read the states of a large department, drawn in parts."""
    parts = [
        mark_identifiers(
            draw_department(TRUTH, PART, np.random.default_rng([SEED, number])), f"{number}-"
        )
        for number in range(patients // PART)
    ]
    whole = {name: pd.concat([part[name] for part in parts]) for name in parts[0]}
    with hold_in_memory(whole) as connection:
        return read_eye_states(connection, DataCut(DATA_CUT), CohortRules())


def prolong(states: EyeStates, days: int) -> Spells:
    """Prolong the last examination spell of each eye, never past the end of its death clock."""
    examined, vital = states.examined, states.vital
    last, known = np.zeros(states.n), np.zeros(states.n)
    np.maximum.at(last, examined.unit, examined.stop)
    np.maximum.at(known, vital.unit, vital.stop)
    is_open = (examined.to == STAYS) & (examined.stop == last[examined.unit])
    reach = np.maximum(examined.stop, np.minimum(examined.stop + days, known[examined.unit]))
    return replace(examined, stop=np.where(is_open, reach, examined.stop))


def main() -> None:
    """Print the table; write it where asked."""
    patients = int(sys.argv[1]) if len(sys.argv) > 1 else 40_000
    states, figures = read_large(patients), read_figures()
    truth = np.asarray([figures[f"state_{name}"][YEARS].value for name in TRUTHS])
    followed = count_at_risk(states, YEARS * 365.25)
    error = 100 * np.sqrt(truth * (1 - truth) / followed)
    lines = [
        "# How long an eye counts as watched after its last visit",
        "",
        f"State occupation at {YEARS:g} years less the truth, in points, in one synthetic"
        f" department of {patients} patients (seed {SEED}). Beneath stands the standard error of a"
        f" share of the {followed} eyes whose state is known at that time; it is on the large side,"
        " since the others count in part. Visits are up to 21 days off their plan either way.",
        "",
        "| prolonged by (days) | " + " | ".join(STATES) + " |",
        "|---|" + "---|" * len(STATES),
    ]
    for days in PROLONGED_DAYS:
        found = occupy_states((prolong(states, days), states.vital), STATES)
        lean = 100 * (found.at([YEARS * 365.25])[0] - truth)
        lines.append(f"| {days} | " + " | ".join(f"{one:+.2f}" for one in lean) + " |")
    lines += ["| standard error | " + " | ".join(f"{one:.2f}" for one in error) + " |", ""]
    print("\n".join(lines))
    if len(sys.argv) > 2:
        Path(sys.argv[2]).write_text("\n".join(lines), encoding="utf-8")


if __name__ == "__main__":
    main()
