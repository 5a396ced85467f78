"""What an audit says of waiting, of delivered dose and placement, and of the records themselves."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from analysis.checking.checks import RegistryCheck, check_registry
from analysis.checking.tumour_regression import (
    RatioAt,
    Regression,
    fit_regression,
    read_heights,
    summarise_ratios,
)
from analysis.implants.dose_agreement import DoseAgreement, compare_with_recorded
from analysis.implants.dose_points import APEX, INNER_SCLERA, SCLERAL_SURFACE
from analysis.implants.dosimetry import DoseTable, recompute_doses
from analysis.implants.placement_check import PlacementTable, check_placements, tabulate
from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.waiting_times import WaitingTimes, read_waiting_times
from registry.errors import RefusedEstimateError


@dataclass(frozen=True)
class QualityResults:
    """Waits of the cohort; doses and placement of every implant by the cut; findings.

    ``ratios`` are tumour heights over baseline about some times, ``regression`` the fall fitted to
    them, None where the data are too few for it.
    """

    waits: WaitingTimes
    doses: DoseTable
    agreements: tuple[DoseAgreement, ...]
    placements: PlacementTable
    placements_in_year: PlacementTable
    check: RegistryCheck
    ratios: tuple[RatioAt, ...]
    regression: Regression | None

    def delivered_over_prescribed(self, year: int | None = None) -> Any:
        """Known ratios of delivered to prescribed dose, of one year of insertion if given."""
        ratio = self.doses.delivered_over_prescribed
        if year is not None:
            seconds = self.doses.records.inserted_s.astype("datetime64[s]")
            ratio = ratio[seconds.astype("datetime64[Y]").astype(int) + 1970 == year]
        return ratio


def gather_quality(
    connection: Any,
    cut: DataCut,
    rules: CohortRules,
    settings: Mapping[str, Any],
    year: int,
    progress: Callable[[str], None] = lambda step: None,
) -> QualityResults:
    """Read and work out what the three sections need."""
    progress("waiting times")
    waits = read_waiting_times(connection, cut, rules)
    progress("delivered dose and placement")
    doses = recompute_doses(
        connection,
        cut,
        half_life_source=settings["half_life_source"],
        course_gap_days=int(settings["course_gap_days"]),
    )
    agreements = tuple(
        one
        for point in (APEX, INNER_SCLERA, SCLERAL_SURFACE)
        for one in compare_with_recorded(doses, point)
    )
    placements = check_placements(connection, cut)
    own = [one for one in placements.checks if one.record.inserted_date.year == year]
    progress("contradictions")
    found = check_registry(connection, cut, settings)
    progress("tumour height after treatment")
    heights = read_heights(connection, cut, rules)
    try:
        fit = fit_regression(heights)
    except RefusedEstimateError:
        fit = None
    return QualityResults(
        waits,
        doses,
        agreements,
        placements,
        tabulate(own),
        found,
        summarise_ratios(heights),
        fit,
    )


def share_within(ratio: Any, tolerance: float) -> tuple[int, int]:
    """Count the known ratios within a tolerance of 1, and the known ones.

    >>> share_within(np.array([0.96, 1.2, np.nan]), 0.05)
    (1, 2)
    """
    known = ratio[~np.isnan(ratio)]
    return int((np.abs(known - 1) <= tolerance + 1e-12).sum()), int(known.size)
