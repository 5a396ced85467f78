"""What sections say where little is recorded or little happened: once, and in words that fit."""

from __future__ import annotations

import re
from types import SimpleNamespace
from typing import Any

import numpy as np

from analysis.outcomes.cohort import CohortRules, DataCut
from analysis.outcomes.end_points import LOCAL_FAILURE
from analysis.outcomes.outcome import Estimation, analyse
from reports.figures.draw import draw
from reports.figures.specs import IncidenceFigure, OutcomeBand
from reports.page.document import Heading, Paragraph, Table
from reports.results.outcome_results import gather_outcomes
from reports.sections import mortality, vision
from reports.words.values import Count, CurveEstimate
from reports.words.wording import say
from synthetic_cohort.cohort import draw_department
from synthetic_cohort.in_memory import hold_in_memory
from synthetic_cohort.truth import DATA_CUT, TRUTH


def test_groups_that_nobody_recorded_are_not_tabled() -> None:
    drawn: dict[str, Any] = draw_department(TRUTH, 60, np.random.default_rng(5))
    drawn["tumour"]["chromosome_3"] = ""
    cut, how = DataCut(DATA_CUT), Estimation(replicates=20)
    with hold_in_memory(drawn) as connection:
        local = analyse(connection, LOCAL_FAILURE, cut, how=how, with_sensitivity=False)
        window = {"baseline_window_days": 90}
        results = gather_outcomes(connection, cut, CohortRules(), window, how, local, None)
    part = mortality.section(results)
    headings = [block.text for block in part.blocks if isinstance(block, Heading)]
    captions = [say(block.caption) for block in part.blocks if isinstance(block, Table)]
    said = [say(block.text) for block in part.blocks if isinstance(block, Paragraph)]
    assert "By chromosome 3" not in headings
    assert not [caption for caption in captions if "chromosome 3" in caption]
    assert "By chromosome 3: not recorded for anybody, so nothing is compared." in said
    assert [caption for caption in captions if "T category" in caption]


def test_a_remark_that_holds_for_both_levels_is_made_once() -> None:
    def level(words: str, *notes: str) -> Any:
        return SimpleNamespace(
            level=SimpleNamespace(loss_words=words), whole=SimpleNamespace(notes=notes)
        )

    results: Any = SimpleNamespace(
        by_level=[
            level("loss of 6/12", "No one died.", "Few."),
            level("loss of 6/60", "No one died."),
        ]
    )
    assert vision._notes_of_fits(results) == [
        "Loss of 6/12 and loss of 6/60: No one died.",
        "Loss of 6/12: Few.",
    ]


def test_labels_of_bands_without_height_stay_above_the_axis() -> None:
    """Without an event all bands have no height; their names were written into the row at risk."""
    names = ("Local failure", "Loss of the eye", "Death")
    none = CurveEstimate(0.0, None, None, 20, 0, 20)
    spec = IncidenceFigure(
        remaining_name="Alive",
        unit="eyes",
        n=Count(20),
        outcomes=tuple(OutcomeBand(name, (0.0, 5.0), (0.0, 0.0), (none, none)) for name in names),
        ticks_years=(0.0, 5.0),
        at_risk=(Count(20), Count(15)),
        stop_years=5.0,
        minimum_at_risk=10,
    )
    places = _heights_of_texts(draw(spec, "f").svg)
    axis = min(places["0"])  # the tick of the upright axis; that of the other stands lower
    assert all(max(places[name]) <= axis for name in names)


def _heights_of_texts(svg: str) -> dict[str, list[float]]:
    """How far below the top of the drawing each text stands."""
    found: dict[str, list[float]] = {}
    for attributes, words in re.findall(r"<text([^>]*)>([^<]+)</text>", svg):
        place = re.search(r"translate\([\d.-]+[ ,]([\d.-]+)\)| y=\"([\d.-]+)\"", attributes)
        assert place is not None, attributes
        found.setdefault(words.strip(), []).append(float(place[1] or place[2]))
    return found
