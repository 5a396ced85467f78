"""What an audit says of vision, gathered once from the store."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.outcome import Estimation
from analysis.outcomes.vision import YEARS, Vision, analyse_vision
from analysis.outcomes.vision_course import (
    CataractRecovery,
    YearOfCourse,
    analyse_course,
)
from analysis.outcomes.vision_history import VisionRules
from analysis.outcomes.vision_levels import at_least

LEVELS = ("6/12", "6/60")
GROUPED_LEVEL = "6/60"
GROUPS: tuple[tuple[str, str, tuple[float, ...]], ...] = (
    ("fovea_distance_mm", "Distance of the tumour from the fovea (mm)", (3.0,)),
    ("dose_fovea_gy", "Dose at the fovea as recorded, first course (Gy)", (20.0, 60.0)),
)
"""Fields by which loss is shown, with cut-points fixed beforehand (our choice, no source)."""

FIGURE_YEARS = tuple(float(year) for year in range(41))
RESAMPLES, GROUP_RESAMPLES = 200, 100


@dataclass(frozen=True)
class VisionResults:
    """Loss by level, loss by group (with the group's heading), course, latest, after surgery."""

    by_level: tuple[Vision, ...]
    by_group: tuple[tuple[str, Vision], ...]
    course: tuple[YearOfCourse, ...]
    pairs: tuple[tuple[int, int], ...]
    recovery: CataractRecovery


def gather_vision(
    connection: Any,
    cut: DataCut,
    rules: CohortRules,
    settings: Mapping[str, Any],
    how: Estimation,
    progress: Callable[[str], None] = lambda step: None,
) -> VisionResults:
    """Run every analysis of vision on an open store's connection."""
    vision = VisionRules.of(settings)
    shared: dict[str, Any] = {"rules": rules, "vision": vision, "how": how}
    by_level = []
    for name in LEVELS:
        progress(f"vision: {name}")
        level = at_least(name)
        times = (*YEARS, *FIGURE_YEARS)
        by_level.append(
            analyse_vision(connection, level, cut, resamples=RESAMPLES, at_years=times, **shared)
        )
    progress("vision by distance and dose at the fovea")
    by_group = [
        (
            heading,
            analyse_vision(
                connection,
                at_least(GROUPED_LEVEL),
                cut,
                by=field,
                cuts=cuts,
                resamples=GROUP_RESAMPLES,
                with_sensitivity=False,
                only_main=True,
                **shared,
            ),
        )
        for field, heading, cuts in GROUPS
    ]
    progress("course of vision")
    course = analyse_course(connection, by_level[0].histories, cut, rules, vision)
    return VisionResults(
        by_level=tuple(by_level),
        by_group=tuple(by_group),
        course=course.years,
        pairs=course.pairs,
        recovery=course.recovery,
    )
