"""What each figure shows, as data. Drawing, wording and suppression all start from here.

Times are years since insertion, probabilities are fractions, acuity is logMAR.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

from reports.figures.dose_specs import CauseGraphFigure, TradeOffFigure
from reports.words.values import Content, Count, CurveEstimate, Missing, Quantity, Rate


@dataclass(frozen=True, slots=True)
class RiskRow:
    """What is known at one tick of a curve: counts up to it, and the estimate there.

    ``at_risk`` is just before the tick; ``censored`` and ``events`` (and ``competing``) are all
    those before it, so the counts of a row add up to the series' n. The published form has no
    ``censored``: with it a hidden number of events could be worked out.
    """

    time_years: float
    at_risk: Count
    censored: Count | None
    events: Count
    estimate: CurveEstimate
    competing: Count | None = None


@dataclass(frozen=True, slots=True)
class CurveSeries:
    """One failure curve: a step at each time, flat until the next, drawn up to ``stop_years``."""

    name: str
    n: Count
    time_years: tuple[float, ...]
    failure: tuple[float | None, ...]
    lower: tuple[float | None, ...]
    upper: tuple[float | None, ...]
    stop_years: float
    risk: tuple[RiskRow, ...]

    def __post_init__(self) -> None:
        lengths = {len(self.time_years), len(self.failure), len(self.lower), len(self.upper)}
        if len(lengths) != 1:
            raise ValueError(f"curve {self.name!r}: arrays of different lengths {sorted(lengths)}")


@dataclass(frozen=True, slots=True)
class SurvivalFigure:
    """Failure upward from zero, with the control figure stated at ``stated_at_years``."""

    failure_name: str
    control_name: str
    unit: str
    method: str
    interval: str
    level: float
    minimum_at_risk: int
    series: tuple[CurveSeries, ...]
    stated_at_years: float | None = None
    stepped: bool = False


@dataclass(frozen=True, slots=True)
class OutcomeBand:
    """One cause of a stacked cumulative-incidence figure, with its estimate at every tick."""

    name: str
    time_years: tuple[float, ...]
    incidence: tuple[float | None, ...]
    at_ticks: tuple[CurveEstimate, ...]


@dataclass(frozen=True, slots=True)
class IncidenceFigure:
    """Stacked shares; what is left above them is ``remaining_name``.

    ``measure`` says what the bands are: cumulative incidences, or where everyone is at each time.
    """

    remaining_name: str
    unit: str
    n: Count
    outcomes: tuple[OutcomeBand, ...]
    ticks_years: tuple[float, ...]
    at_risk: tuple[Count, ...]
    stop_years: float
    minimum_at_risk: int
    stepped: bool = False
    measure: str = "cumulative incidence"


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A reason and how many were left out for it."""

    reason: str
    count: Count


@dataclass(frozen=True, slots=True)
class FlowStep:
    """A box of the flow: how many are left here, and who left on the way to it."""

    label: str
    kept: Count
    left_out: tuple[LeftOut, ...] = ()


@dataclass(frozen=True, slots=True)
class FlowFigure:
    """The patient flow, top to bottom (STROBE item 13). ``unit`` is a plural: tumours, eyes."""

    unit: str
    steps: tuple[FlowStep, ...]


@dataclass(frozen=True, slots=True)
class CompletenessFigure:
    """Share known, by item (rows) and period (columns); ``Missing`` where it is not yet due."""

    row_heading: str
    row_names: tuple[str, ...]
    column_heading: str
    column_names: tuple[str, ...]
    cells: tuple[tuple[Rate | Missing, ...], ...]

    def __post_init__(self) -> None:
        shape = {len(row) for row in self.cells}
        if len(self.cells) != len(self.row_names) or shape - {len(self.column_names)}:
            raise ValueError(
                f"completeness: {len(self.cells)} rows of {sorted(shape)} cells do not fit "
                f"{len(self.row_names)} x {len(self.column_names)} names"
            )


@dataclass(frozen=True, slots=True)
class ForestRow:
    """A row of a forest: a heading (no counts), a reference level, or an estimate."""

    label: str
    counts: Content = ""
    estimate: Quantity | None = None
    is_reference: bool = False
    is_heading: bool = False


@dataclass(frozen=True, slots=True)
class ForestFigure:
    """Estimates with intervals on one axis; ``null_value`` is the line of no difference."""

    measure: str
    counts_heading: str
    rows: tuple[ForestRow, ...]
    null_value: float = 1.0
    log_axis: bool = True
    lower_means: str = ""
    higher_means: str = ""
    short_measure: str = "Estimate"


@dataclass(frozen=True, slots=True)
class AcuityLevel:
    """A reading: ``logmar`` on the chart, or the ordered category ``off_chart`` beyond it."""

    logmar: float | None
    off_chart: str | None = None

    def __post_init__(self) -> None:
        if (self.logmar is None) == (self.off_chart is None):
            raise ValueError(
                f"an acuity is on or off the chart: logmar {self.logmar}, {self.off_chart!r}"
            )
        if self.off_chart is not None and self.off_chart not in OFF_CHART:
            raise ValueError(f"off-chart level must be one of {OFF_CHART}, found {self.off_chart}")


OFF_CHART = ("CF", "HM", "LP", "NLP")


@dataclass(frozen=True, slots=True)
class AcuityPair:
    """One eye: its reading before treatment and its latest."""

    baseline: AcuityLevel
    latest: AcuityLevel


@dataclass(frozen=True, slots=True)
class AcuityFigure:
    """Baseline against latest acuity, an eye a point. Never published: counts in bands are."""

    eyes: tuple[AcuityPair, ...]
    latest_name: str = "Latest visit"


@dataclass(frozen=True, slots=True)
class FunnelLimit:
    """One pair of limits around the benchmark, continuous in the group's size."""

    name: str
    size: tuple[float, ...]
    lower: tuple[float, ...]
    upper: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class FunnelUnit:
    """A department or period: its size and its events; ``is_named`` writes its name beside it.

    ``expected`` is the size in a funnel of observed over expected, where people are followed for
    unequal times; without it the size is n.
    """

    name: str
    n: Count
    events: Count
    is_named: bool = False
    expected: float | None = None


@dataclass(frozen=True, slots=True)
class FunnelFigure:
    """Shares against size, with limits around a benchmark from outside, narrowest first.

    With ``is_ratio`` every unit has an expected number and its height is observed over expected.
    """

    measure: str
    size_name: str
    benchmark: float
    benchmark_name: str
    limits: tuple[FunnelLimit, ...]
    units: tuple[FunnelUnit, ...]
    is_ratio: bool = False

    def __post_init__(self) -> None:
        if any((unit.expected is not None) != self.is_ratio for unit in self.units):
            raise ValueError(f"funnel of {self.measure!r}: expected numbers and ratios go together")


@dataclass(frozen=True, slots=True)
class MonitoringFigure:
    """Patients in time order: observed − expected above, risk-adjusted CUSUM below.

    ``time_years`` is the calendar time of each patient's result as a decimal year; the two sums
    are those after that patient. Single patients show in it, so it is never published.
    """

    outcome: str
    time_years: tuple[float, ...]
    observed_minus_expected: tuple[float, ...]
    cusum: tuple[float, ...]
    is_event: tuple[bool, ...]
    limit: float
    limit_means: str

    def __post_init__(self) -> None:
        columns = (self.time_years, self.observed_minus_expected, self.cusum, self.is_event)
        if len({len(column) for column in columns}) != 1:
            raise ValueError(f"monitoring: columns of {[len(c) for c in columns]} patients")


@dataclass(frozen=True, slots=True)
class DoseGroup:
    """Observed risk in one part of the dose range (a quarter of the patients, say).

    ``risk`` is read off a curve of these patients at the figure's horizon.
    """

    dose_from: float
    dose_to: float
    dose_middle: float
    risk: CurveEstimate


@dataclass(frozen=True, slots=True)
class DoseResponseFigure:
    """Risk by dose with its band, observed groups, and a rug of single doses.

    ``dose`` runs from the 1st to the 99th percentile only. ``adjustment`` is "unadjusted" or says
    what for.
    """

    outcome: str
    dose_name: str
    dose_unit: str
    adjustment: str
    dose: tuple[float, ...]
    risk: tuple[float, ...]
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    groups: tuple[DoseGroup, ...]
    events: Count
    level: float = 0.95
    doses_with_event: tuple[float, ...] = ()
    doses_without_event: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class TimedAcuity:
    """One reading of the treated eye."""

    time_years: float
    level: AcuityLevel


@dataclass(frozen=True, slots=True)
class TimedHeight:
    """One height of the tumour."""

    time_years: float
    height_mm: float


@dataclass(frozen=True, slots=True)
class TimedEvent:
    """One event; events of one ``label`` share a row. ``is_bad`` marks failure, loss and death."""

    time_years: float
    label: str
    is_bad: bool = False


@dataclass(frozen=True, slots=True)
class CaseTimeline:
    """One eye's events, tumour height and acuity on one time axis, years since insertion.

    A single patient shows in it, so it is never published.
    """

    acuity: tuple[TimedAcuity, ...]
    height: tuple[TimedHeight, ...]
    events: tuple[TimedEvent, ...]
    baseline_height_mm: float | None = None


FigureSpec: TypeAlias = (
    SurvivalFigure
    | IncidenceFigure
    | FlowFigure
    | CompletenessFigure
    | ForestFigure
    | AcuityFigure
    | FunnelFigure
    | MonitoringFigure
    | DoseResponseFigure
    | TradeOffFigure
    | CauseGraphFigure
    | CaseTimeline
)
