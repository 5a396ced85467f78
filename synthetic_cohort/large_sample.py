"""What Kaplan-Meier and cumulative incidence tend to when there are very many patients.

Files know the status of an eye only at visits. A patient who leaves is censored at the last visit,
while those who stay remain at risk between visits; so each visit's failures are divided by too few
patients at risk, and the estimate lies a little beyond the truth, however many the patients. These
limits hold for the default accrual period and cut: an estimator is compared with its limit, the
limit with the truth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic_cohort.department import Happenings, draw_happenings
from synthetic_cohort.disease import take
from synthetic_cohort.hazards import Flags, Ints
from synthetic_cohort.large_sample_incidence import (
    INCIDENCE_LIMITS,
    ClockCounts,
    incidence_counts,
)
from synthetic_cohort.truth import DAYS_PER_YEAR, Truth
from synthetic_cohort.vision import draw_readings, latent_logmar

LIMITS = {
    "local_control_km_limit": (
        "Large-sample value of Kaplan-Meier for detected local failure, everyone else censored at "
        "the last visit with local status assessed."
    ),
    "eye_retention_km_limit": (
        "Large-sample value of Kaplan-Meier for removal of the eye, others censored at the last "
        "visit."
    ),
    "vision_6_60_kept_km_limit": (
        "Large-sample value of right-censored Kaplan-Meier for keeping 6/60: confirmed loss dated "
        "at the first reading below, or removal, however near the cut; others censored at the last "
        "reading but one."
    ),
    **INCIDENCE_LIMITS,
}


@dataclass(frozen=True, slots=True)
class Tally:
    """Counts of events and of censored units by whole day; shape (days,)."""

    events: Ints
    censored: Ints

    def plus(self, other: Tally) -> Tally:
        """Add the counts of more units."""
        return Tally(self.events + other.events, self.censored + other.censored)

    def survival(self, years: float) -> tuple[float, float, int]:
        """Product-limit estimate at a time, its Greenwood standard error, and the units."""
        leaving = self.events + self.censored
        at_risk = leaving[::-1].cumsum()[::-1]
        until = int(years * DAYS_PER_YEAR) + 1
        died, risk = self.events[:until], np.maximum(at_risk[:until], 1)
        value = float(np.prod(1.0 - died / risk))
        spread = float(np.sum(died / (risk * np.maximum(risk - died, 1))))
        return value, value * float(np.sqrt(spread)), int(leaving.sum())


def tally(day: Ints, is_event: Flags, length: int) -> Tally:
    """Count units by the day on which they leave; an event on a day goes before censoring.

    Examples
    --------
    >>> counts = tally(np.array([1, 2, 2]), np.array([True, True, False]), 400)
    >>> round(counts.survival(1.0)[0], 6)
    0.333333
    """
    day = np.clip(day, 0, length - 1)
    events = np.bincount(day[is_event], minlength=length)
    return Tally(events, np.bincount(day[~is_event], minlength=length))


def _last(day: Ints, counts: Flags) -> Ints:
    """Latest counting day of each row, 0 if there is none."""
    return np.asarray(np.where(counts, day, 0).max(axis=1))


def _vision_kept(
    truth: Truth, what: Happenings, on_file: Flags, rng: np.random.Generator
) -> tuple[Ints, Flags, Flags]:
    """Day, event and at risk for keeping 6/60 by the rule of confirmed loss."""
    grid, n = what.treated.grid, len(on_file)
    rows = np.arange(n)
    sight = take(what.sight, rows)
    day = grid.day[:n].astype(np.int64)
    letters = draw_readings(truth, latent_logmar(truth, sight, grid.day[:n]), rng).letters()
    start = latent_logmar(truth, sight, np.zeros((n, 1), np.int32))
    at_risk = draw_readings(truth, start, rng).letters()[:, 0] >= 35
    read = on_file & (rng.random(day.shape) >= truth.missing.acuity)
    removed = what.removals.day[:n]
    is_removed = removed < what.ending.seen_until[:n] - what.people.first_day
    nth_from_end = read[:, ::-1].cumsum(axis=1)[:, ::-1]
    leave = np.where(is_removed, removed, _last(day, read & (nth_from_end == 2)))
    lost, confirmed = is_removed.copy(), is_removed.copy()
    for column in range(day.shape[1] - 1, -1, -1):
        here, below = read[:, column], letters[:, column] < 35
        now = here & below & confirmed
        leave, lost = np.where(now, day[:, column], leave), lost | now
        confirmed = np.where(here, below, confirmed)
    return leave, lost, at_risk


def _tallies(
    truth: Truth, what: Happenings, length: int, rng: np.random.Generator
) -> tuple[dict[str, Tally], dict[str, tuple[ClockCounts, int]]]:
    n, grid = len(what.people.first_day), what.treated.grid
    day = grid.day[:n].astype(np.int64)
    zero = what.people.first_day
    end = what.eye_end()[:n] - zero
    on_file = grid.attended[:n] & (day < end[:, None])
    detected, removed = what.treated.failures.detected_day[:n], what.removals.day[:n]
    failed = detected < end
    gone = removed < what.ending.seen_until[:n] - zero
    seen = _last(day, on_file & grid.assessed[:n]), _last(day, on_file)
    left, lost, at_risk = _vision_kept(truth, what, on_file, rng)
    curves = {
        "local_control_km_limit": tally(np.where(failed, detected, seen[0]), failed, length),
        "eye_retention_km_limit": tally(np.where(gone, removed, seen[1]), gone, length),
        "vision_6_60_kept_km_limit": tally(left[at_risk], lost[at_risk], length),
    }
    return curves, incidence_counts(truth, what, seen, length)


def find_limits(
    truth: Truth,
    n: int,
    rng: np.random.Generator,
    *,
    days: tuple[int, int, int],
    years: tuple[float, ...],
    chunk: int,
) -> dict[str, dict[float, tuple[float, float, int]]]:
    """Estimate the limits from ``n`` patients' files.

    Parameters
    ----------
    days
        First and last day of first implants, and the data cut, from 1970-01-01.
    years
        Times.

    Returns
    -------
    Value, standard error and units, by limit and years.
    """
    first, last, cut = days
    totals: dict[str, Tally] = {}
    clocks: dict[str, tuple[ClockCounts, int]] = {}
    for start in range(0, n, chunk):
        size = min(chunk, n - start)
        what = draw_happenings(truth, size, rng, first_day=first, last_day=last, data_cut=cut)
        curves, incidences = _tallies(truth, what, cut - first + 400, rng)
        for name, tallied in curves.items():
            totals[name] = totals[name].plus(tallied) if name in totals else tallied
        for name, (counts, cause) in incidences.items():
            clocks[name] = (clocks[name][0].plus(counts) if name in clocks else counts, cause)
    found = {name: {at: counts.survival(at) for at in years} for name, counts in totals.items()}
    found |= {
        name: {at: counts.incidence(cause, at) for at in years}
        for name, (counts, cause) in clocks.items()
    }
    return found
