"""What cumulative incidences tend to with very many patients, each cause on its own clock.

Failure and loss of the eye are known to the last visit, death to the date of vital status; each
cause's hazard is taken on its own risk set (events over everyone whose clock still runs), and
F₁ = Σ S(u−) dΛ₁(u). Two things keep the limit off the truth: patients who leave are censored at
their last visit, so that each visit's findings are divided by too few at risk; and a death of
unknown cause counts as death from another cause. Plain counting by day; none of the code that
analyses a registry.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synthetic_cohort.department import Happenings
from synthetic_cohort.hazards import Flags, Floats, Ints
from synthetic_cohort.toxicity import FOR_FAILURE
from synthetic_cohort.truth import DAYS_PER_YEAR, Truth

_WHAT = {
    "local_failure_incidence": "detected local failure",
    "eye_removed_otherwise_incidence": "removal of the eye for another reason",
    "death_before_failure_incidence": "death before either",
    "eye_loss_incidence": "removal of the eye",
    "metastasis_incidence": "metastasis",
    "melanoma_death_incidence": "death known to be of melanoma",
    "other_or_unknown_death_incidence": "death of other or unknown cause",
}
INCIDENCE_LIMITS = {
    f"{name}_limit": (
        f"Large-sample value of the cumulative incidence of {words}, every cause on its own clock:"
        " findings to the last visit, death and metastasis to the date of vital status."
    )
    for name, words in _WHAT.items()
}


@dataclass(frozen=True, slots=True)
class ClockCounts:
    """Events of each cause, and everyone who leaves that cause's clock, by day (causes, days)."""

    events: Floats
    leaving: Floats

    def plus(self, other: ClockCounts) -> ClockCounts:
        """Add the counts of more units."""
        return ClockCounts(self.events + other.events, self.leaving + other.leaving)

    def incidence(self, cause: int, years: float) -> tuple[float, float, int]:
        """Incidence of a cause at a time, its standard error (delta method), and the units."""
        until = int(years * DAYS_PER_YEAR) + 1
        at_risk = np.maximum(self.leaving[:, ::-1].cumsum(axis=1)[:, ::-1][:, :until], 1.0)
        hazard = self.events[:, :until] / at_risk
        free = np.cumprod(1.0 - hazard.sum(axis=0))
        before = np.concatenate([[1.0], free[:-1]])
        found = np.cumsum(before * hazard[cause])
        still = found[-1] - found
        weight = np.broadcast_to(-still, hazard.shape).copy()
        weight[cause] += before
        se = float(np.sqrt(np.sum(weight**2 * hazard / at_risk)))
        return float(found[-1]), se, round(float(self.leaving[cause].sum()))


def count_clocks(clocks: list[tuple[Ints, Flags | Floats]], length: int) -> ClockCounts:
    """Count units by the day on which they leave each clock, and the events there.

    Parameters
    ----------
    clocks
        One a cause: day of leaving, and whether (or with what probability) by that cause.

    Examples
    --------
    >>> seen = np.array([1, 2, 2, 3]), np.array([True, False, False, True])
    >>> alive = np.array([1, 2, 3, 3]), np.array([False, True, False, False])
    >>> counts = count_clocks([seen, alive], 4000)
    >>> round(counts.incidence(0, 1.0)[0], 6), round(counts.incidence(1, 1.0)[0], 6)
    (0.75, 0.25)
    """
    held = [np.clip(day, 0, length - 1) for day, _ in clocks]
    return ClockCounts(
        np.stack([
            np.bincount(day, weights=np.asarray(share, dtype=float), minlength=length)
            for day, (_, share) in zip(held, clocks, strict=True)
        ]),
        np.stack([np.bincount(day, minlength=length).astype(float) for day in held]),
    )  # fmt: skip


def _of_examination(
    left: Ints, causes: list[Flags], death: Ints, vital: Ints, length: int
) -> ClockCounts:
    """Causes found at visits on one clock, death as the last cause on its own."""
    found = np.any(causes, axis=0)
    until = np.where(found, left, vital)
    died = ~found & (death <= vital)
    return count_clocks([*((left, cause) for cause in causes), (until, died)], length)


def incidence_counts(
    truth: Truth, what: Happenings, seen: tuple[Ints, Ints], length: int
) -> dict[str, tuple[ClockCounts, int]]:
    """Count each incidence's clocks in one department's files.

    Parameters
    ----------
    seen
        Last day (from treatment) with local status assessed, and last day with a visit; shape (n,).

    Returns
    -------
    Counts and the place of the cause, by the limit's name.
    """
    zero, end, ending = what.people.first_day, what.eye_end(), what.ending
    n = len(zero)
    vital, death = ending.vital_until - zero, ending.death_day - zero
    detected, removed = what.treated.failures.detected_day[:n], what.removals.day[:n]
    failed = detected < end[:n] - zero
    gone = removed < ending.seen_until - zero
    otherwise = gone & ~failed & (what.removals.reason[:n] != FOR_FAILURE)
    left = np.where(failed, detected, np.where(otherwise, removed, seen[0]))
    local = _of_examination(left, [failed, otherwise], death, vital, length)
    eye = _of_examination(np.where(gone, removed, seen[1]), [gone], death, vital, length)
    spread = ending.metastasis_day - zero
    found = (spread < death) & (spread <= vital)
    metastasis = _of_examination(np.where(found, spread, vital), [found], death, vital, length)
    died, known = death <= vital, 1.0 - truth.mortality.cause_unknown_share
    melanoma = np.where(died & ending.from_melanoma, known, 0.0)
    cause = count_clocks([(vital, melanoma), (vital, died - melanoma)], length)
    counted = (local, local, local, eye, metastasis, cause, cause)
    places = (0, 1, 2, 0, 0, 0, 1)
    return dict(zip(INCIDENCE_LIMITS, zip(counted, places, strict=True), strict=True))
