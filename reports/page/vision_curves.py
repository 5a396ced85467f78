"""From analysed vision to what a figure, a table or an answer shows of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.outcomes.end_points import DAYS_PER_YEAR
from analysis.outcomes.vision import Vision, VisionGroup
from analysis.outcomes.vision_levels import LOWEST_CHART_RANK, letters_of_rank, word_rank
from reports.figures.specs import (
    AcuityFigure,
    AcuityLevel,
    AcuityPair,
    IncidenceFigure,
    OutcomeBand,
)
from reports.page.curves import BEYOND, MINIMUM_AT_RISK
from reports.words.values import Count, CurveEstimate

Floats = NDArray[np.float64]

DRAWN_EVERY_YEARS = 1 / 24
"""Width of the steps in which the smooth curves of the model are drawn."""

BOOTSTRAP = "bootstrap over patients, percentile"
EXACT = "beta product, loss dated at the visit, as there are few losses"


@dataclass(frozen=True, slots=True)
class Banded:
    """A probability over ``times_years`` with limits; NaN where there is none."""

    estimate: Floats
    lower: Floats
    upper: Floats
    interval: str


def loss_band(group: VisionGroup) -> Banded:
    """Return the incidence of loss over the group's times.

    With too few losses for the bootstrap the limits are the beta product of the incidence on own
    clocks with the loss dated at the visit, moved no further than to hold the estimate.
    """
    empty = np.full(group.times_years.size, math.nan)
    if group.occupation is None or group.illness_death is None:
        return Banded(empty, empty, empty, "")
    estimate = group.occupation.loss_incidence
    known = np.isfinite(estimate)
    if group.limits is not None:
        lower, upper = group.limits.loss_lower, group.limits.loss_upper
        return Banded(
            estimate, np.where(known, lower, math.nan), np.where(known, upper, math.nan), BOOTSTRAP
        )
    if group.exact is None:
        return Banded(estimate, empty, empty, "")
    read = group.exact.cause(1).at(group.times_years * DAYS_PER_YEAR)
    lower, upper = np.minimum(read.lower, estimate), np.maximum(read.upper, estimate)
    return Banded(estimate, lower, upper, EXACT)


def kept_band(group: VisionGroup) -> Banded:
    """Return the share alive, eye kept and no confirmed loss, over the group's times."""
    empty = np.full(group.times_years.size, math.nan)
    if group.occupation is None:
        return Banded(empty, empty, empty, "")
    estimate = group.occupation.above
    if group.limits is None:
        return Banded(estimate, empty, empty, "")
    known = np.isfinite(estimate)
    lower, upper = group.limits.above_lower, group.limits.above_upper
    return Banded(
        estimate, np.where(known, lower, math.nan), np.where(known, upper, math.nan), BOOTSTRAP
    )


def _place(group: VisionGroup, years: float) -> int:
    """Place of a time among the group's times; it is among them when it was asked for."""
    place = int(np.searchsorted(group.times_years, years))
    if place >= group.times_years.size or group.times_years[place] != years:
        raise ValueError(f"{years:g} years was not among the times asked for")
    return place


def _known(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


def _counts(group: VisionGroup, years: float, with_deaths: bool = False) -> tuple[int, int]:
    """Return the losses seen (and deaths) by a time, and the eyes still followed then."""
    table, days = group.outcome.table, years * DAYS_PER_YEAR
    gone = (table.status == 1) & (table.time_days <= days)
    if with_deaths:
        gone |= table.death_days <= days
    return int(gone.sum()), int((table.time_days >= days).sum())


def followed_at(group: VisionGroup, years: float) -> int:
    """Return how many eyes are followed at a time without a loss so far."""
    return _counts(group, years)[1]


def loss_at(group: VisionGroup, years: float) -> CurveEstimate:
    """Read the incidence of loss with death competing at a time."""
    band, place = loss_band(group), _place(group, years)
    events, at_risk = _counts(group, years)
    share = _known(band.estimate[place])
    return CurveEstimate(
        share,
        _known(band.lower[place]),
        _known(band.upper[place]),
        group.outcome.n,
        events,
        at_risk,
        _level(group),
        reason="" if share is not None else BEYOND,
    )


def kept_at(group: VisionGroup, years: float) -> CurveEstimate:
    """Read the share alive, eye kept and no confirmed loss, at a time (printed as it is)."""
    band, place = kept_band(group), _place(group, years)
    events, at_risk = _counts(group, years, with_deaths=True)
    share, low, high = (_known(part[place]) for part in (band.estimate, band.lower, band.upper))
    return CurveEstimate(
        None if share is None else 1 - share,
        None if high is None else 1 - high,
        None if low is None else 1 - low,
        group.outcome.n,
        events,
        at_risk,
        _level(group),
        "control",
        "" if share is not None else BEYOND,
    )


def if_no_one_died_at(group: VisionGroup, years: float) -> CurveEstimate:
    """Read the nonparametric estimate of loss if no one died; the middle inside an interval."""
    events, at_risk = _counts(group, years)
    share, low, high = None, None, None
    if group.npmle is not None:
        read = group.npmle.at([years])
        share = _known(1 - float(read.lowest[0] + read.highest[0]) / 2)
    if group.npmle_limits is not None and share is not None:
        place = _place(group, years)
        low = _known(1 - float(group.npmle_limits.upper[place]))
        high = _known(1 - float(group.npmle_limits.lower[place]))
    return CurveEstimate(
        share,
        low,
        high,
        group.outcome.n,
        events,
        at_risk,
        _level(group),
        reason="" if share is not None else BEYOND,
    )


def _level(group: VisionGroup) -> float:
    return 0.95 if group.limits is None else group.limits.level


def _stop_years(group: VisionGroup) -> float:
    times = np.sort(group.outcome.table.time_days)[::-1]
    if times.size < MINIMUM_AT_RISK:
        return 0.0
    return float(times[MINIMUM_AT_RISK - 1]) / DAYS_PER_YEAR


def figure_ticks(group: VisionGroup) -> tuple[float, ...]:
    """Whole years at which the stacked figure states its estimates."""
    last = math.floor(_stop_years(group))
    return tuple(float(tick) for tick in range(0, last + 1, 1 if last <= 7 else 2))


def _without_loss_at(group: VisionGroup, years: float) -> CurveEstimate:
    assert group.occupation is not None
    table, days = group.outcome.table, years * DAYS_PER_YEAR
    died = (table.status == 0) & (table.death_days <= days)
    share = _known(group.occupation.death_without_loss[_place(group, years)])
    at_risk = _counts(group, years)[1]
    return CurveEstimate(
        share, None, None, group.outcome.n, int(died.sum()), at_risk, _level(group)
    )


def state_figure(vision: Vision) -> IncidenceFigure | None:
    """Make the stacked figure of loss and of death without it; what is left above is kept."""
    group = vision.whole
    ticks = figure_ticks(group)
    if group.illness_death is None or group.outcome.n < MINIMUM_AT_RISK or len(ticks) < 2:
        return None
    smooth = np.arange(0.0, group.last_reading_years, DRAWN_EVERY_YEARS)
    drawn = group.illness_death.at(smooth)
    times = tuple(smooth.tolist())
    days = group.outcome.table.time_days
    return IncidenceFigure(
        remaining_name="Alive, eye kept, no loss so far",
        unit="eyes at risk",
        n=Count(group.outcome.n),
        outcomes=(
            OutcomeBand(
                _capital(vision.level.loss_words),
                times,
                tuple(drawn.loss_incidence.tolist()),
                tuple(loss_at(group, tick) for tick in ticks),
            ),
            OutcomeBand(
                "Death before any loss",
                times,
                tuple(drawn.death_without_loss.tolist()),
                tuple(_without_loss_at(group, tick) for tick in ticks),
            ),
        ),
        ticks_years=ticks,
        at_risk=tuple(Count(int((days >= tick * DAYS_PER_YEAR).sum())) for tick in ticks),
        stop_years=_stop_years(group),
        minimum_at_risk=MINIMUM_AT_RISK,
    )


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]


def acuity_level(rank: int) -> AcuityLevel:
    """Return a rank as the figure shows it: logMAR on the chart, else the off-chart level.

    Examples
    --------
    >>> acuity_level(174), acuity_level(3)
    (AcuityLevel(logmar=0.3, off_chart=None), AcuityLevel(logmar=None, off_chart='CF'))
    """
    if rank < LOWEST_CHART_RANK:
        return AcuityLevel(None, word_rank(rank))
    return AcuityLevel((85 - letters_of_rank(rank)) / 50)


def acuity_figure(pairs: list[tuple[int, int]]) -> AcuityFigure:
    """Make the scatter of baseline against latest acuity from pairs of ranks."""
    return AcuityFigure(
        tuple(AcuityPair(acuity_level(before), acuity_level(now)) for before, now in pairs),
        latest_name="Latest reading",
    )
