"""Visits, drop-out, and the failures that visits bring to light.

Times are whole days from the first implant of the eye unless said otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synthetic_cohort.hazards import NEVER_DAYS, Flags, Floats, Ints, draw_codes, draw_days
from synthetic_cohort.truth import DAYS_PER_YEAR, FollowUp, Truth

ENUCLEATED, PLAQUE, THERMOTHERAPY, PROTONS, UNTREATED = range(5)
DISCHARGED, MOVED, DECLINED, LOST = range(4)


@dataclass(frozen=True, slots=True)
class Grid:
    """Planned visits of each eye, shape (n, k), days from the eye's first implant.

    ``attended`` says whether the visit takes place if the patient is still followed;
    ``assessed`` whether local status is then judged.
    """

    day: NDArray[np.int32]
    attended: Flags
    assessed: Flags


@dataclass(frozen=True, slots=True)
class Failures:
    """Regrowth of each tumour: when it starts, when and how it is seen, what is done.

    All days are ``NEVER_DAYS`` where it does not happen. ``salvage`` is one of ``ENUCLEATED``,
    ``PLAQUE``, ``THERMOTHERAPY``, ``PROTONS``, ``UNTREATED``.
    """

    onset_day: Ints
    suspected_first: Flags
    detected_day: Ints
    salvage: Ints
    salvage_day: Ints


def planned_days(how: FollowUp, horizon_days: int) -> Ints:
    """List the planned days of visits up to ``horizon_days``, the first visit in any case.

    Examples
    --------
    >>> planned_days(FollowUp(), 800).tolist()
    [122, 244, 365, 487, 609, 730]
    """
    last = how.planned_months[-1]
    later = range(last + how.months_between_later, 12 * 60, how.months_between_later)
    months = np.array([*how.planned_months, *later], dtype=float)
    days = np.rint(months * DAYS_PER_YEAR / 12).astype(np.int64)
    return days[: max(1, int((days <= horizon_days + how.jitter_days).sum()))]


def draw_grid(truth: Truth, n: int, horizon_days: int, rng: np.random.Generator) -> Grid:
    """Draw the visits of ``n`` eyes, jittered round the plan, some of them missed."""
    how = truth.follow_up
    planned = planned_days(how, horizon_days).astype(np.int32)
    shape = (n, len(planned))
    jitter = rng.integers(-how.jitter_days, how.jitter_days + 1, shape, dtype=np.int32)
    attended = rng.random(shape, dtype=np.float32) >= how.missed_share
    assessed = rng.random(shape, dtype=np.float32) >= truth.missing.local_status
    return Grid(planned + jitter, attended, attended & assessed)


def first_seen(onset_day: Ints, day: NDArray[np.int32], seen: Flags, skip: Ints | int = 0) -> Ints:
    """Return the day of the first seen visit after onset, passing over ``skip`` of them.

    Parameters
    ----------
    onset_day
        Shape (n,), days.
    day, seen
        Shape (n, k): days of the visits and whether they count.
    skip
        How many counting visits after onset go by before it is recognised.

    Returns
    -------
    Shape (n,); ``NEVER_DAYS`` where no such visit follows.
    """
    after = seen & (day > onset_day[:, None])
    nth = after.cumsum(axis=1, dtype=np.int16)
    hit = after & (nth == 1 + np.reshape(skip, (-1, 1)))
    found = np.take_along_axis(day, hit.argmax(axis=1)[:, None], axis=1)[:, 0]
    return np.where(hit.any(axis=1), found, NEVER_DAYS).astype(np.int64)


def draw_failures(
    truth: Truth, ratio: Floats, treated_day: Ints, grid: Grid, rng: np.random.Generator
) -> Failures:
    """Draw the regrowth of each tumour and its detection at assessed visits.

    Parameters
    ----------
    ratio
        Hazard ratio of each tumour, shape (n,).
    treated_day
        Day of the tumour's first implant in days of its eye (0 but for a second tumour).
    grid
        Visits, one row a tumour.
    """
    how, n = truth.local_failure, len(ratio)
    onset = np.ceil(draw_days(how.hazard, ratio, rng)).astype(np.int64)
    onset = np.minimum(np.maximum(onset, 30) + treated_day, NEVER_DAYS)
    suspected = rng.random(n) < how.suspected_first_share
    detected = first_seen(onset, grid.day, grid.assessed, suspected.astype(np.int64))
    salvage = draw_codes(how.salvage_shares, n, rng)
    delay = rng.integers(how.salvage_delay_days[0], how.salvage_delay_days[1] + 1, n)
    treated = (salvage != UNTREATED) & (detected < NEVER_DAYS)
    return Failures(
        onset, suspected, detected, salvage, np.where(treated, detected + delay, NEVER_DAYS)
    )


def draw_drop_out(
    truth: Truth, first_regrowth_day: Ints, rng: np.random.Generator
) -> tuple[Ints, Ints]:
    """Draw the day on which each patient leaves follow-up, and the reason.

    With ``informative_dropout`` above 1 the hazard is multiplied from ``first_regrowth_day`` on;
    at 1 (the default) drop-out is independent of everything else.
    """
    how, n = truth.follow_up, len(first_regrowth_day)
    days = draw_days(how.drop_out, np.ones(n), rng)
    if how.informative_dropout > 1:
        onset_years = first_regrowth_day / DAYS_PER_YEAR
        more = np.full(n, how.informative_dropout - 1)
        days = np.minimum(days, draw_days(how.drop_out, more, rng, after_years=onset_years))
    left = np.maximum(np.ceil(days), 30).astype(np.int64)
    return left, draw_codes(how.drop_out_shares, n, rng)
