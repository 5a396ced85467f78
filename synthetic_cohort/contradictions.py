"""Plant contradictions that intake accepts into drawn files, and say exactly where.

The files stay well-formed: intake takes them, with warnings at most. A checker asks whether
``check`` names each planted contradiction on its record, and nothing beside it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from synthetic_cohort.charts import Files
from synthetic_cohort.contradicting_charts import CHART_MAKERS
from synthetic_cohort.contradicting_implants import IMPLANT_MAKERS
from synthetic_cohort.truth import DATA_CUT

MAKERS = {**CHART_MAKERS, **IMPLANT_MAKERS}

CONTRADICTIONS: tuple[str, ...] = tuple(MAKERS)
"""Every kind of contradiction, by the name of the rule that should find it."""


@dataclass(frozen=True, slots=True)
class PlantedContradiction:
    """One contradiction: its kind, the record that shows it, and the patient whose chart it is."""

    kind: str
    record: str
    patient_id: str


def plant_contradictions(
    tables: Mapping[str, pd.DataFrame],
    rng: np.random.Generator,
    *,
    each: int = 1,
    kinds: Sequence[str] = CONTRADICTIONS,
    data_cut: date = DATA_CUT,
) -> tuple[dict[str, pd.DataFrame], list[PlantedContradiction]]:
    """Plant ``each`` contradictions of each kind, every one in a patient of its own.

    Parameters
    ----------
    tables
        Drawn tables of text, as of :func:`synthetic_cohort.cohort.draw_department`. Not changed.
    rng
        Chooses the patients.
    each
        How many of each kind.
    kinds
        From ``CONTRADICTIONS``.
    data_cut
        Nothing is planted after it.

    Returns
    -------
    The changed tables, and what was planted in the order of ``kinds``.

    Raises
    ------
    ValueError
        An unknown kind, or too few patients that suit.

    Examples
    --------
    >>> from synthetic_cohort.cohort import TRUTH, draw_department
    >>> drawn = draw_department(TRUTH, 20, np.random.default_rng(7))
    >>> changed, planted = plant_contradictions(
    ...     drawn, np.random.default_rng(1), kinds=["notch_contradiction"])
    >>> planted[0].kind, planted[0].record.split(":")[0]
    ('notch_contradiction', 'implant')
    """
    unknown = [kind for kind in kinds if kind not in MAKERS]
    if unknown:
        raise ValueError(f"unknown kinds {unknown}; known are {', '.join(MAKERS)}")
    files = Files.of(tables, data_cut)
    charts = files.charts()
    waiting = [charts[place] for place in rng.permutation(len(charts)).tolist()]
    planted = []
    for kind in kinds:
        for _ in range(each):
            for place, chart in enumerate(waiting):
                record = MAKERS[kind](chart, files)
                if record is not None:
                    planted.append(PlantedContradiction(kind, record, chart.patient["patient_id"]))
                    del waiting[place]
                    break
            else:
                raise ValueError(f"no patient is left that suits {kind!r}")
    return files.tables(tables), planted
