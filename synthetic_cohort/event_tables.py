"""The event table as text: failures, salvage, removal of the eye, toxic effects and procedures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from synthetic_cohort.department import Happenings
from synthetic_cohort.follow_up import PLAQUE, UNTREATED
from synthetic_cohort.hazards import Ints, draw_codes
from synthetic_cohort.patient_tables import Names
from synthetic_cohort.theatre import AGAIN
from synthetic_cohort.toxicity import FOR_FAILURE
from synthetic_cohort.truth import Truth
from synthetic_cohort.writing import (
    Texts,
    make_table,
    write_codes,
    write_days,
    write_decimals,
    write_numbered,
)

PATTERNS = ("marginal", "central", "diffuse", "extrascleral", "unknown")
EDGES = ("posterior", "anterior", "clockwise", "anticlockwise", "unknown")
SALVAGES = ("", "plaque", "thermotherapy", "proton_beam", "")
REASONS = ("local_failure", "complication", "pain", "patient_wish")


@dataclass(frozen=True, slots=True)
class EventRows:
    """One row an event: its tumour row, day from 1970-01-01, and the texts of other fields."""

    tumour: Ints
    day: Ints
    kind: str
    names_tumour: bool
    extra: dict[str, Texts]


def _failures(truth: Truth, what: Happenings, rng: np.random.Generator) -> list[EventRows]:
    failed, end = what.treated.failures, what.eye_end()[what.eye]
    zero = what.treated.tumours.start_day[what.eye]
    row = np.flatnonzero(zero + failed.detected_day < end)
    pattern = draw_codes(truth.local_failure.pattern_shares, len(row), rng)
    edge = draw_codes((0.4, 0.15, 0.15, 0.15, 0.15), len(row), rng)
    marginal = np.where(pattern == 0, write_codes(EDGES, edge), "").astype(object)
    found = EventRows(
        row,
        (zero + failed.detected_day)[row],
        "local_failure",
        True,
        {"failure_pattern": write_codes(PATTERNS, pattern), "failure_edge": marginal},
    )
    again = what.implants.tumour[what.implants.purpose == AGAIN]
    by_other = (failed.salvage > PLAQUE) & (failed.salvage < UNTREATED)
    by_other &= zero + failed.salvage_day < end
    treated = np.concatenate([again, np.flatnonzero(by_other)])
    n = len(treated)
    retreatment = EventRows(
        treated,
        (zero + failed.salvage_day)[treated],
        "retreatment",
        True,
        {
            "retreatment": write_codes(SALVAGES, failed.salvage[treated]),
            "reason": write_codes(("local_failure",), np.zeros(n, int)),
            "planned": write_codes(("salvage",), np.zeros(n, int)),
        },
    )
    return [found, retreatment]


def _removals(what: Happenings) -> list[EventRows]:
    """Removals on file: known while the patient is followed here and alive."""
    first = what.treated.tumours.start_day[: what.n_eyes]
    patient = what.treated.tumours.patient[: what.n_eyes]
    day = first + what.removals.day
    seen = day < what.ending.seen_until[patient]
    owner = np.arange(what.n_eyes)
    failed = what.treated.failures
    for row in range(what.n_eyes, len(what.eye)):
        eye = int(what.eye[row])
        if what.removals.day[eye] == failed.salvage_day[row]:
            owner[eye] = row
    for_failure = seen & (what.removals.reason == FOR_FAILURE)
    return [
        EventRows(
            owner[which],
            day[which],
            "enucleation",
            named,
            {"reason": write_codes(REASONS, what.removals.reason[which])},
        )
        for which, named in (
            (np.flatnonzero(for_failure), True),
            (np.flatnonzero(seen & ~for_failure), False),
        )
    ]


def _effects(truth: Truth, what: Happenings, rng: np.random.Generator) -> list[EventRows]:
    """Toxic effects found at visits, and the procedures that follow some of them."""
    first, end, harm = what.treated.tumours.start_day[: what.n_eyes], what.eye_end(), what.harm
    rows = []
    for effect in truth.toxicity.effects:
        day = first + harm.found_day[effect.kind]
        eye = np.flatnonzero(day < end)
        grade = 1 + draw_codes(effect.grades, len(eye), rng)
        graded = {"grade": write_decimals(grade.astype(float), 0)}
        rows.append(EventRows(eye, day[eye], effect.kind, False, graded))
    for kind, eye_day in (
        ("cataract_surgery", harm.surgery_day),
        ("anti_vegf", harm.anti_vegf_day),
    ):
        day = first + eye_day
        eye = np.flatnonzero(day < end)
        rows.append(EventRows(eye, day[eye], kind, False, {}))
    return rows


def make_events(
    truth: Truth, what: Happenings, names: Names, rng: np.random.Generator
) -> pd.DataFrame:
    """Write the event table, in order of patient and day."""
    rows = _failures(truth, what, rng) + _removals(what) + _effects(truth, what, rng)
    tumour = np.concatenate([part.tumour for part in rows])
    day = np.concatenate([part.day for part in rows])
    tumours = what.treated.tumours
    order = np.lexsort((day, tumours.patient[tumour]))
    n = len(order)

    def gather(field: str) -> Texts:
        blank = [np.full(len(part.day), "", dtype=object) for part in rows]
        texts = [part.extra.get(field, gap) for part, gap in zip(rows, blank, strict=True)]
        return np.asarray(np.concatenate(texts), dtype=object)[order]

    kind = np.concatenate([np.full(len(part.day), part.kind, dtype=object) for part in rows])
    named = np.concatenate([np.full(len(part.day), part.names_tumour) for part in rows])
    columns: dict[str, Texts] = {
        "event_id": write_numbered("E", n, max(5, len(str(n)))),
        "patient_id": names.patient[tumours.patient[tumour]][order],
        "eye": write_codes(("right", "left"), tumours.right[tumour])[order],
        "tumour_id": np.where(named, names.tumour[tumour], "").astype(object)[order],
        "event_date": write_days(day)[order],
        "kind": kind[order],
    }
    for field in ("failure_pattern", "failure_edge", "retreatment", "reason", "grade", "planned"):
        columns[field] = gather(field)
    return make_table("event", n, columns)
