"""Write the tables that R judges: what ``outcome`` and ``vision`` export with ``--rows``.

Usage: python tests/reference/write_outcome_exports.py   (from the project's root)
"""

from __future__ import annotations

import csv
import io
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from analysis.estimators.multistate import Spells
from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.end_points import find_end_point
from analysis.outcomes.eye_states import (
    EyeStates,
    on_one_clock,
    read_eye_states,
    watch_between_visits,
)
from analysis.outcomes.outcome import Estimation, analyse
from analysis.outcomes.vision import analyse_vision
from analysis.outcomes.vision_levels import at_least
from reports.answers.outcome_answer import write_rows
from reports.answers.vision_answer import write_vision_rows
from synthetic_cohort.cohort import draw_department
from synthetic_cohort.in_memory import hold_in_memory
from synthetic_cohort.truth import DATA_CUT, TRUTH

DATA = Path(__file__).parent / "data"
SEED, PATIENTS = 41, 160
EXPORTS = {
    "outcome_local_failure": ("local_failure", "sex"),
    "outcome_melanoma_death": ("melanoma_death", "chromosome_3"),
    "outcome_metastasis": ("metastasis", "size_category"),
    "outcome_cataract": ("cataract", "sex"),
    "outcome_eye_loss": ("eye_loss", "size_category"),
}


def _department(*, delayed: bool) -> dict[str, object]:
    drawn = draw_department(TRUTH, PATIENTS, np.random.default_rng(SEED))
    if delayed:  # every seventh tumour was treated elsewhere and followed here 400 days later
        first = drawn["implant"].groupby("tumour_id")["inserted_at"].min()
        tumours = drawn["tumour"]
        for row in range(0, len(tumours), 7):
            start = date.fromisoformat(first[tumours.loc[row, "tumour_id"]][:10])
            tumours.loc[row, "care_since_date"] = (start + timedelta(days=400)).isoformat()
    return drawn


def _write_spells(states: EyeStates) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("clock", "unit", "state", "start", "stop", "to"))
    clocks: dict[str, Spells] = {
        "examined": watch_between_visits(states),
        "vital": states.vital,
        "one": on_one_clock(states),
    }
    for clock, spells in clocks.items():
        for row in range(spells.unit.size):
            days = int(spells.start[row]), int(spells.stop[row])
            cells = int(spells.unit[row]), int(spells.state[row]), *days, int(spells.to[row])
            writer.writerow((clock, *cells))
    return text.getvalue()


def make_exports() -> dict[str, str]:
    """Return the text of each export by name."""
    made = {}
    cut, how = DataCut(DATA_CUT), Estimation(replicates=100)
    with hold_in_memory(_department(delayed=False)) as connection:  # type: ignore[arg-type]
        for name, (end_point, by) in EXPORTS.items():
            wanted = find_end_point(end_point)
            found = analyse(connection, wanted, cut, by=by, how=how, with_sensitivity=False)
            made[name] = write_rows(found)
        states = read_eye_states(connection, cut, CohortRules())
        made["outcome_eye_states"] = _write_spells(states)
        seen = analyse_vision(
            connection, at_least("6/60"), cut, how=how, resamples=0, with_sensitivity=False
        )
        made["outcome_vision_6_60"] = write_vision_rows(seen)
    with hold_in_memory(_department(delayed=True)) as connection:  # type: ignore[arg-type]
        wanted = find_end_point("melanoma_death")
        found = analyse(connection, wanted, cut, by="sex", how=how, with_sensitivity=False)
        made["outcome_delayed"] = write_rows(found)
    return made


def main() -> None:
    """Write them."""
    for name, text in make_exports().items():
        (DATA / f"{name}.csv").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
