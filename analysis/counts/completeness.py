"""How complete the follow-up is: three indices with different answers to the same question."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True)
class Completeness:
    """Completeness of follow-up up to a horizon or data cut.

    ``index`` is Clark's C, ``person_time_fraction`` the simplified person-time rate and
    ``complete_fraction`` the share of people whose follow-up ended with the event or the horizon.
    Person-time is in the unit of the times given.
    """

    n: int
    events: int
    complete: int
    observed_person_time: float
    potential_person_time: float
    index: float
    person_time_fraction: float
    complete_fraction: float


def completeness_of_follow_up(
    followed: npt.ArrayLike, had_event: npt.ArrayLike, potential: npt.ArrayLike
) -> Completeness:
    """Measure completeness of follow-up (Clark, Altman, De Stavola, Lancet 2002;359:1309-1310).

    Clark's C is observed over potential person-time, where the potential time of someone who had
    the event ends at the event. The simplified person-time rate (Xue et al., BMC Med Res Methodol
    2017;17:155) counts people with the event as fully followed up to the horizon, in both parts.
    The percentage counts a person lost the day before the cut like one lost on the first day.

    Parameters
    ----------
    followed
        Time from entry to event, loss or horizon of each person; time past the potential one is
        not counted.
    had_event
        True where follow-up ended with an event after which nothing more is owed (death too).
    potential
        Time from entry to the horizon or data cut of each person. Times share one unit.

    Returns
    -------
    Completeness
        Indices in [0, 1]; all NaN when nobody could have been followed (potential time 0).

    Raises
    ------
    ValueError
        For lists of different lengths, missing or negative times.

    Examples
    --------
    >>> measured = completeness_of_follow_up([1, 3, 2], [False, False, True], [3, 3, 3])
    >>> round(measured.index, 4), round(measured.complete_fraction, 4)
    (0.75, 0.6667)
    """
    seen, due = np.asarray(followed, float), np.asarray(potential, float)
    event = np.asarray(had_event, bool)
    if not seen.shape == due.shape == event.shape or seen.ndim != 1:
        raise ValueError(
            f"the three lists differ in shape: {seen.shape}, {event.shape}, {due.shape}"
        )
    for name, times in (("followed", seen), ("potential", due)):
        if not np.all(np.isfinite(times) & (times >= 0)):
            raise ValueError(f"{name} holds a missing or negative time: {times[~(times >= 0)]!r}")
    event = event & (seen <= due)
    seen = np.minimum(seen, due)
    complete = event | (seen >= due)
    owed = np.where(event, seen, due)
    full = np.where(event, due, seen)
    return Completeness(
        n=len(seen),
        events=int(event.sum()),
        complete=int(complete.sum()),
        observed_person_time=float(seen.sum()),
        potential_person_time=float(owed.sum()),
        index=_divide(seen.sum(), owed.sum()),
        person_time_fraction=_divide(full.sum(), due.sum()),
        complete_fraction=_divide(complete.sum(), len(seen)),
    )


def _divide(part: float, whole: float) -> float:
    return float(part / whole) if whole > 0 else float("nan")
