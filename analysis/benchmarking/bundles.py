"""A centre's outcome as counts on a grid fixed beforehand, and several centres pooled from them.

Every time is moved up to the next tick of ``GRID_DAYS`` (quarters of a year to 15 years); what
happens later is censored at the last tick. The open bundle holds, by stratum, how many units share
entry tick, exit tick and status, and the person-days in each interval. Kaplan–Meier, the stratified
log-rank test, observed over expected and Poisson models from pooled bundles are then exactly those
of the patients' rows on that grid. Counts of one are common in it: it is for exchange under an
agreement, never for publication (:mod:`reports.audience.bundle_suppression` makes a form that is).
"""

from __future__ import annotations

import itertools
import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from analysis.benchmarking.expected_events import ReferenceHazard
from analysis.counts.exact_counts import ObservedExpected, observed_over_expected
from analysis.estimators.group_tests import GroupTest, log_rank
from analysis.estimators.observations import RightCensored
from analysis.estimators.survival import KaplanMeier, kaplan_meier
from analysis.outcomes.end_points import DAYS_PER_YEAR
from analysis.outcomes.outcome_table import OutcomeTable
from registry.errors import RefusedEstimateError, RefusedInputError

Floats = npt.NDArray[np.float64]
TICKS_PER_YEAR = 4
LAST_YEAR = 15
GRID_DAYS: tuple[float, ...] = tuple(
    tick * DAYS_PER_YEAR / TICKS_PER_YEAR for tick in range(LAST_YEAR * TICKS_PER_YEAR + 1)
)
NOT_LATE = -1
"""Entry tick of a unit under observation from time zero."""


@dataclass(frozen=True, slots=True)
class Cell:
    """How many units of a stratum share entry tick, exit tick and status."""

    stratum: str
    entry_tick: int
    tick: int
    status: int
    count: int


@dataclass(frozen=True, slots=True)
class Bundle:
    """One centre's open bundle.

    ``person_days[stratum][k]`` is the time spent between ticks k and k + 1. ``left_out`` counts
    late entries that leave within the interval in which they come. ``content_hash`` is that of the
    registry it was counted from; empty where it is not known.
    """

    centre: str
    end_point: str
    definition: str
    data_cut: str
    strata_by: str
    grid_days: tuple[float, ...]
    cells: tuple[Cell, ...]
    person_days: dict[str, tuple[float, ...]]
    left_out: int
    content_hash: str = field(default="", compare=False)

    @property
    def n(self) -> int:
        """Units in the bundle."""
        return sum(cell.count for cell in self.cells)

    @property
    def events(self) -> int:
        """Events of the end point in the bundle."""
        return sum(cell.count for cell in self.cells if cell.status == 1)


def coarsen(
    time_days: npt.ArrayLike, status: npt.ArrayLike, entry_days: npt.ArrayLike
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Move times to ticks: exit tick, status and entry tick of each unit, shape (n,) each.

    Examples
    --------
    >>> [column.tolist() for column in coarsen([0, 91, 92, 9999], [0, 1, 1, 1], [0, 0, 50, 0])]
    [[0, 1, 2, 60], [0, 1, 1, 0], [-1, -1, 1, -1]]
    """
    grid, time = np.asarray(GRID_DAYS), np.asarray(time_days, np.float64)
    entry, codes = np.asarray(entry_days, np.float64), np.asarray(status, np.int64)
    tick = np.minimum(np.searchsorted(grid, time, side="left"), grid.size - 1)
    codes = np.where(time > grid[-1], 0, codes)
    start = np.where(entry > 0, np.searchsorted(grid, entry, side="left"), NOT_LATE)
    return tick.astype(np.int64), codes, start.astype(np.int64)


def make_bundle(
    table: OutcomeTable,
    strata: Sequence[str],
    *,
    centre: str,
    definition: str,
    data_cut: str,
    strata_by: str,
) -> Bundle:
    """Count a centre's outcome table on the grid.

    Parameters
    ----------
    strata
        Stratum of each unit, such as its size category.
    """
    tick, status, start = coarsen(table.time_days, table.status, table.entry_days)
    kept = start < tick
    names = np.asarray(strata, dtype=object)
    counted = Counter(
        zip(
            names[kept],
            start[kept].tolist(),
            tick[kept].tolist(),
            status[kept].tolist(),
            strict=True,
        )
    )
    return Bundle(
        centre=centre,
        end_point=table.end_point.name,
        definition=definition,
        data_cut=data_cut,
        strata_by=strata_by,
        grid_days=GRID_DAYS,
        cells=tuple(Cell(*key, count) for key, count in sorted(counted.items())),
        person_days={
            str(name): tuple(_person_days(table, kept & (names == name)).tolist())
            for name in sorted(set(names[kept]))
        },
        left_out=int((~kept).sum()),
    )


def _person_days(table: OutcomeTable, chosen: npt.NDArray[np.bool_]) -> Floats:
    """Days spent by the chosen units between neighbouring ticks, shape (ticks - 1,)."""
    grid = np.asarray(GRID_DAYS)
    time = table.time_days[chosen, None].astype(np.float64)
    entry = np.maximum(table.entry_days[chosen, None], 0).astype(np.float64)
    spent = np.minimum(time, grid[1:]) - np.maximum(entry, grid[:-1])
    days: Floats = np.maximum(spent, 0.0).sum(axis=0)
    return days


def refuse_one_centre_twice(centres: Sequence[str]) -> None:
    """Refuse two centres of one name; case, blanks and punctuation do not tell centres apart.

    Raises
    ------
    RefusedInputError
        When a centre comes twice.
    """
    names = [" ".join(re.findall(r"\w+", centre.casefold())) for centre in centres]
    twice = next((at for at, name in enumerate(names) if name in names[:at]), None)
    if twice is not None:
        raise RefusedInputError(
            f"Two bundles are of the centre {centres[twice]!r}; give one of each."
        )


def check_alike(bundles: Sequence[Bundle]) -> None:
    """Refuse bundles that cannot be pooled.

    Raises
    ------
    RefusedInputError
        When there are fewer than two, a centre or a registry comes twice, or end point,
        definition, strata or grid differ.
    """
    if len(bundles) < 2:
        raise RefusedInputError("Pooling needs the bundles of at least two centres.")
    centres = [bundle.centre for bundle in bundles]
    refuse_one_centre_twice(centres)
    for one, other in itertools.combinations(bundles, 2):
        is_one = one.content_hash == other.content_hash != ""
        if is_one or (one.n > 1 and one.person_days == other.person_days):
            raise RefusedInputError(
                f"The bundles of {one.centre!r} and {other.centre!r} are of one registry: their"
                " content hash or every day of follow-up agrees. Give one of them."
            )
    for what in ("end_point", "definition", "strata_by", "grid_days"):
        for bundle in bundles[1:]:
            if getattr(bundle, what) != getattr(bundles[0], what):
                raise RefusedInputError(
                    f"The bundles of {centres[0]!r} and {bundle.centre!r} differ in their"
                    f" {what.replace('_', ' ')}; they cannot be pooled.",
                    centre=bundle.centre,
                )


@dataclass(frozen=True, slots=True)
class CentreOverExpected:
    """Observed over expected of one centre against a reference."""

    centre: str
    n: int
    against: ObservedExpected


@dataclass(frozen=True, slots=True)
class RateRatio:
    """Event rate of a centre over that of the centre ``over``, from the Poisson model."""

    centre: str
    over: str
    ratio: float
    lower: float
    upper: float
    p: float


@dataclass(frozen=True, slots=True)
class PooledCentres:
    """Several centres together.

    ``log_rank`` compares the centres, stratified; None with its reason in ``refused`` where there
    is no test or no model, and the centres without a rate. ``rate_ratios`` are adjusted for stratum
    and year since treatment.
    """

    centres: tuple[str, ...]
    n: int
    events: int
    kaplan_meier: KaplanMeier
    log_rank: GroupTest | None
    over_expected: tuple[CentreOverExpected, ...]
    rate_ratios: tuple[RateRatio, ...]
    refused: tuple[str, ...]


def expand(bundles: Sequence[Bundle]) -> tuple[RightCensored, list[str], list[str]]:
    """Turn cells into weighted observations, with the centre and the stratum of each row."""
    rows = [(bundle.centre, cell) for bundle in bundles for cell in bundle.cells]
    grid = bundles[0].grid_days
    entry = [grid[c.entry_tick] if c.entry_tick >= 0 else -1.0 for _, c in rows]
    observed = RightCensored.of(
        [grid[cell.tick] for _, cell in rows],
        [cell.status for _, cell in rows],
        entry=entry if any(start >= 0 for start in entry) else None,
        weight=[float(cell.count) for _, cell in rows],
        weight_kind="frequency",
    )
    return observed, [centre for centre, _ in rows], [cell.stratum for _, cell in rows]


def on_grid(reference: ReferenceHazard, early_shape: float = 1.0) -> ReferenceHazard:
    """Return a reference (in days) whose hazard is constant between neighbouring ticks."""
    ticks = tuple(day for day in GRID_DAYS[1:] if day <= reference.window + 1e-9)
    if not ticks:
        raise ValueError(f"the reference ends at {reference.window} days, before the first tick")
    return ReferenceHazard(ticks, tuple(reference.at(ticks, early_shape).tolist()))


def expect_from_bundle(bundle: Bundle, reference: ReferenceHazard) -> tuple[int, float]:
    """Observed and expected events of a bundle against a reference from :func:`on_grid`."""
    steps = np.diff(np.concatenate([[0.0], reference.cumulative]))
    rates = steps / np.diff(np.concatenate([[0.0], reference.time]))
    days = np.sum([np.asarray(spent) for spent in bundle.person_days.values()], axis=0)
    last = len(reference.time)
    events = sum(c.count for c in bundle.cells if c.status == 1 and c.tick <= last)
    return events, float(rates @ days[:last])


def pool_bundles(
    bundles: Sequence[Bundle],
    *,
    reference: ReferenceHazard | None = None,
    interval: str = "beta-product",
    level: float = 0.95,
) -> PooledCentres:
    """Pool open bundles of several centres.

    Parameters
    ----------
    reference
        Cumulative hazard in days for observed over expected; none without it.

    Raises
    ------
    RefusedInputError
        When the bundles are not of one kind; see :func:`check_alike`.
    """
    check_alike(bundles)
    observed, centres, strata = expand(bundles)
    refused: list[str] = []
    test = None
    try:
        test = log_rank(observed, centres, strata=strata)
    except RefusedEstimateError as error:
        refused.append(str(error))
    try:
        ratios = fit_rates(bundles, level)
        refused += [
            f"{bundle.centre} has no event, and so no rate ratio."
            for bundle in bundles
            if not bundle.events
        ]
    except RefusedEstimateError as error:
        ratios = ()
        refused.append(str(error))
    over: tuple[CentreOverExpected, ...] = ()
    if reference is not None:
        grid = on_grid(reference)
        pairs = [(bundle, *expect_from_bundle(bundle, grid)) for bundle in bundles]
        over = tuple(
            CentreOverExpected(bundle.centre, bundle.n, observed_over_expected(seen, due, level))
            for bundle, seen, due in pairs
            if due > 0
        )
    return PooledCentres(
        tuple(bundle.centre for bundle in bundles),
        sum(bundle.n for bundle in bundles),
        sum(bundle.events for bundle in bundles),
        kaplan_meier(observed, interval=interval, level=level),
        test,
        over,
        ratios,
        tuple(refused),
    )


def fit_rates(bundles: Sequence[Bundle], level: float = 0.95) -> tuple[RateRatio, ...]:
    """Fit a Poisson model of the rate: centre, stratum and year since treatment.

    Each rate is set over that of the first bundle with an event. Events in an interval are Poisson
    with person-time as offset, which is the piecewise-constant proportional-hazards model (Holford
    1980, Biometrics 36:299). Strata, years and centres without an event are left out: their rate
    would be 0.

    Raises
    ------
    RefusedEstimateError
        With fewer than two centres that have an event.
    """
    import statsmodels.api as sm

    events, days = _by_year(bundles)
    keys = [key for key in days if days[key] > 0]
    axes = [sorted({key[axis] for key in keys}, key=str) for axis in range(3)]
    axes[0] = [bundle.centre for bundle in bundles]
    for axis in range(3):
        seen = {key[axis] for key in keys if events.get(key, 0) > 0}
        axes[axis] = [name for name in axes[axis] if name in seen]
    if len(axes[0]) < 2:
        raise RefusedEstimateError("Rates of centres need two centres that have an event.")
    keys = [key for key in keys if all(key[axis] in axes[axis] for axis in range(3))]
    columns = [np.ones(len(keys))] + [
        np.asarray([float(key[axis] == name) for key in keys])
        for axis in range(3)
        for name in axes[axis][1:]
    ]
    counts = np.asarray([events.get(key, 0) for key in keys], dtype=np.float64)
    offset = np.log([days[key] / DAYS_PER_YEAR for key in keys])
    model = sm.GLM(counts, np.column_stack(columns), family=sm.families.Poisson(), offset=offset)
    fitted = model.fit(tol=1e-13, maxiter=100)
    limits = fitted.conf_int(alpha=1 - level)
    return tuple(
        RateRatio(
            str(name),
            str(axes[0][0]),
            math.exp(fitted.params[place]),
            math.exp(limits[place][0]),
            math.exp(limits[place][1]),
            float(fitted.pvalues[place]),
        )
        for place, name in enumerate(axes[0][1:], start=1)
    )


_Key = tuple[str, str, int]


def _by_year(bundles: Sequence[Bundle]) -> tuple[dict[_Key, int], dict[_Key, float]]:
    """Events and person-days by centre, stratum and year since treatment."""
    events: dict[_Key, int] = {}
    days: dict[_Key, float] = {}
    for bundle in bundles:
        for cell in bundle.cells:
            if cell.status == 1:
                key = (bundle.centre, cell.stratum, max(cell.tick - 1, 0) // TICKS_PER_YEAR)
                events[key] = events.get(key, 0) + cell.count
        for stratum, spent in bundle.person_days.items():
            for place, value in enumerate(spent):
                key = (bundle.centre, stratum, place // TICKS_PER_YEAR)
                days[key] = days.get(key, 0.0) + value
    return events, days
