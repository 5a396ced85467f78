"""Everything that happens in the department, as arrays, before any of it is written down.

The order of draws: people, first tumours and their treatment, visits and regrowth, lives, drop-out,
second tumours, harm, removals, sight, plaques. Days "of the eye" count from its first implant.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from synthetic_cohort.disease import (
    Lives,
    People,
    TumourRows,
    draw_lives,
    draw_people,
    draw_tumours,
    failure_ratio,
    stack,
    take,
)
from synthetic_cohort.follow_up import (
    DISCHARGED,
    LOST,
    MOVED,
    Failures,
    Grid,
    draw_drop_out,
    draw_failures,
    draw_grid,
)
from synthetic_cohort.hazards import Flags, Ints
from synthetic_cohort.implants import (
    Placement,
    Prescriptions,
    draw_placement,
    draw_prescriptions,
)
from synthetic_cohort.stock import Stock
from synthetic_cohort.theatre import Implants, draw_implants
from synthetic_cohort.toxicity import Harm, Removals, draw_harm, draw_removals, removed_by_either
from synthetic_cohort.truth import Truth
from synthetic_cohort.vision import Sight, draw_sight

EARLIEST_DISCHARGE_DAYS = 1000
SECOND_TUMOUR_AFTER_DAYS = (120, 900)


@dataclass(frozen=True, slots=True)
class Ending:
    """How observation of each patient ends; days from 1970-01-01.

    ``seen_until`` is the last day on which a visit or an event can be recorded (death, leaving or
    the data cut, whichever is first); ``vital_until`` the day to which life and death are known:
    the cut, by linkage, but for those who moved away.
    """

    death_day: Ints
    from_melanoma: Flags
    metastasis_day: Ints
    left_day: Ints
    left_reason: Ints
    seen_until: Ints
    vital_until: Ints


@dataclass(frozen=True, slots=True)
class Treated:
    """Tumours with their treatment, visits and regrowth; one row a tumour in each part."""

    tumours: TumourRows
    given: Prescriptions
    grid: Grid
    failures: Failures


@dataclass(frozen=True, slots=True)
class Happenings:
    """The whole department.

    Eyes 0 to n-1 are the patients' first eyes, then come second eyes; tumour rows up to
    ``n_eyes`` are the first tumours of these eyes, then come second tumours of an eye. ``eye``
    says in which eye each tumour lies; ``harm``, ``removals`` and ``sight`` have a row an eye.
    """

    people: People
    treated: Treated
    eye: Ints
    n_eyes: int
    placement: Placement
    harm: Harm
    removals: Removals
    sight: Sight
    ending: Ending
    implants: Implants
    stock: Stock
    data_cut: int

    def eye_end(self) -> Ints:
        """Last day (from 1970-01-01) on which anything of each eye can be recorded."""
        first = take(self.treated.tumours, np.arange(self.n_eyes))
        return _eye_end(first, self.removals, self.ending)


def _eye_end(first: TumourRows, removals: Removals, ending: Ending) -> Ints:
    removed = first.start_day + removals.day
    return np.asarray(np.minimum(removed, ending.seen_until[first.patient]))


def _under(first: Treated, second: Treated) -> Treated:
    return Treated(
        stack(first.tumours, second.tumours),
        stack(first.given, second.given),
        stack(first.grid, second.grid),
        stack(first.failures, second.failures),
    )


def treat(
    truth: Truth, tumours: TumourRows, treated_day: Ints, grid: Grid, rng: np.random.Generator
) -> Treated:
    """Draw the treatment of tumours and what comes of it; ``treated_day`` in days of the eye."""
    given = draw_prescriptions(truth, tumours, rng)
    ratio = failure_ratio(truth, tumours, given.apex_gy, given.with_iodine)
    return Treated(tumours, given, grid, draw_failures(truth, ratio, treated_day, grid, rng))


def treat_first(
    truth: Truth, people: People, horizon_days: int, rng: np.random.Generator
) -> Treated:
    """Draw and treat the first tumour of every patient."""
    n = len(people.first_day)
    right = rng.random(n) < 0.5
    tumours = draw_tumours(truth, np.arange(n), right, people.first_day, rng)
    return treat(truth, tumours, np.zeros(n, np.int64), draw_grid(truth, n, horizon_days, rng), rng)


def _draw_ending(
    truth: Truth,
    people: People,
    lives: Lives,
    regrowth_day: Ints,
    data_cut: int,
    rng: np.random.Generator,
) -> Ending:
    left, reason = draw_drop_out(truth, regrowth_day, rng)
    reason = np.where((reason == DISCHARGED) & (left < EARLIEST_DISCHARGE_DAYS), LOST, reason)
    death = people.first_day + lives.death_days.astype(np.int64)
    left_day = people.first_day + left
    seen_until = np.minimum(np.minimum(death, left_day), data_cut)
    unlinked = (reason == MOVED) & (left_day <= seen_until)
    return Ending(
        death_day=death,
        from_melanoma=lives.melanoma_death_days < lives.other_death_days,
        metastasis_day=people.first_day + lives.metastasis_days.astype(np.int64),
        left_day=left_day,
        left_reason=reason,
        seen_until=seen_until,
        vital_until=np.where(unlinked, left_day, np.minimum(death, data_cut)),
    )


def _draw_seconds(
    truth: Truth, first: TumourRows, until: Ints, rng: np.random.Generator
) -> tuple[TumourRows, TumourRows]:
    """Draw second eyes, and second tumours of an eye, that are treated before ``until``."""
    lot, who = rng.random(len(until)), truth.patients
    other = np.flatnonzero(lot < who.second_eye_share)
    same = np.flatnonzero(lot > 1 - who.second_tumour_share)
    found = []
    for patient, is_other in ((other, True), (same, False)):
        start = first.start_day[patient] + rng.integers(*SECOND_TUMOUR_AFTER_DAYS, len(patient))
        rows = draw_tumours(truth, patient, first.right[patient] ^ is_other, start, rng)
        found.append(take(rows, start < until[patient]))
    return found[0], found[1]


def _second_grid(truth: Truth, grid: Grid, eye: Ints, rng: np.random.Generator) -> Grid:
    """Visits for a second tumour of an eye: those of the eye, judged for this tumour."""
    attended = grid.attended[eye]
    assessed = rng.random(attended.shape) >= truth.missing.local_status
    return Grid(grid.day[eye], attended, attended & assessed)


def _treat_eyes(
    truth: Truth, first: Treated, other: TumourRows, horizon: int, rng: np.random.Generator
) -> tuple[Treated, Harm, Removals]:
    """Treat second eyes, put them under the first, and draw harm and removal of every eye."""
    n = len(other.patient)
    grid = draw_grid(truth, n, horizon, rng)
    eyes = _under(first, treat(truth, other, np.zeros(n, np.int64), grid, rng))
    harm = draw_harm(truth, eyes.tumours, eyes.given, eyes.grid, rng)
    return eyes, harm, draw_removals(truth, eyes.failures, harm, rng)


def _treat_same_eye(
    truth: Truth, eyes: Treated, same: TumourRows, eye_end: Ints, rng: np.random.Generator
) -> Treated:
    """Treat second tumours of first eyes (eye = patient), dropping those of eyes gone by then."""
    same = take(same, same.start_day < eye_end[same.patient] - 30)
    grid = _second_grid(truth, eyes.grid, same.patient, rng)
    return treat(truth, same, same.start_day - eyes.tumours.start_day[same.patient], grid, rng)


def _only_possible_stages(given: Prescriptions, start_day: Ints, end: Ints) -> Prescriptions:
    return replace(given, staged=given.staged & (start_day + 100 < end))


def draw_happenings(
    truth: Truth,
    n_patients: int,
    rng: np.random.Generator,
    *,
    first_day: int,
    last_day: int,
    data_cut: int,
) -> Happenings:
    """Draw all that happens to ``n_patients``; days count from 1970-01-01."""
    people = draw_people(truth, n_patients, rng, first_day=first_day, last_day=last_day)
    horizon = data_cut - first_day
    first = treat_first(truth, people, horizon, rng)
    lives = draw_lives(truth, people, first.tumours, rng)
    ending = _draw_ending(truth, people, lives, first.failures.onset_day, data_cut, rng)
    until = np.minimum(ending.seen_until - 30, last_day)
    other, same = _draw_seconds(truth, first.tumours, until, rng)
    eyes, harm, removals = _treat_eyes(truth, first, other, horizon, rng)
    end = _eye_end(eyes.tumours, removals, ending)
    second = _treat_same_eye(truth, eyes, same, end, rng)
    second_eye = second.tumours.patient
    removals = removed_by_either(removals, second_eye, second.failures)
    every = _under(eyes, second)
    eye = np.concatenate([np.arange(len(eyes.tumours.patient)), second_eye])
    end = _eye_end(eyes.tumours, removals, ending)[eye]
    given = _only_possible_stages(every.given, every.tumours.start_day, end)
    stock = Stock(truth, rng)
    salvage = (every.failures, eyes.tumours.start_day[eye], end)
    return Happenings(
        people=people,
        treated=replace(every, given=given),
        eye=eye,
        n_eyes=len(eyes.tumours.patient),
        placement=draw_placement(truth, every.tumours, given, rng),
        harm=harm,
        removals=removals,
        sight=draw_sight(truth, eyes.tumours, harm, rng),
        ending=ending,
        implants=draw_implants(truth, stock, every.tumours, given, salvage, rng),
        stock=stock,
        data_cut=data_cut,
    )
