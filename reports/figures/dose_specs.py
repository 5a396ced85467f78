"""Data of the figures of a dose–response study: benefit against harm, and the assumed causes."""

from __future__ import annotations

from dataclasses import dataclass

from reports.words.values import Count


@dataclass(frozen=True, slots=True)
class TradeOffCurve:
    """Share free of one event by dose, from the 1st to the 99th percentile of dose."""

    name: str
    dose: tuple[float, ...]
    free: tuple[float, ...]
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    events: Count

    def __post_init__(self) -> None:
        if len({len(self.dose), len(self.free), len(self.lower), len(self.upper)}) != 1:
            raise ValueError(f"curve {self.name!r}: arrays of different lengths")


@dataclass(frozen=True, slots=True)
class TradeOffFigure:
    """Benefit and harm by dose on one pair of axes, each within its own cohort's doses."""

    measure: str
    dose_name: str
    dose_unit: str
    adjustment: str
    curves: tuple[TradeOffCurve, ...]
    level: float = 0.95


@dataclass(frozen=True, slots=True)
class CauseArrow:
    """One assumed cause: solid where it is dealt with, dashed where it is not."""

    source: str
    target: str
    dealt_with: str
    is_dealt_with: bool


@dataclass(frozen=True, slots=True)
class CauseGraphFigure:
    """The causes that an analysis assumes, as a graph from what drives dose to the outcome."""

    dose: str
    outcome: str
    arrows: tuple[CauseArrow, ...]
