"""One patient on one time axis: drawn alike each time, described, and never published."""

from __future__ import annotations

import re

import pytest

from reports.audience.suppression import publish
from reports.figures.case_drawing import time_range
from reports.figures.describe import alternative_text, notes
from reports.figures.draw import draw
from reports.figures.specs import AcuityLevel, CaseTimeline, TimedAcuity, TimedEvent, TimedHeight
from reports.page.document import Figure, Note, Provenance, Report, Section, from_json, to_json
from reports.page.numbers_behind import numbers_table
from reports.render.html import render_html
from reports.words.values import SingleRecord

SPEC = CaseTimeline(
    acuity=(
        TimedAcuity(-0.1, AcuityLevel(0.18)),
        TimedAcuity(0.5, AcuityLevel(0.3)),
        TimedAcuity(4.25, AcuityLevel(None, "HM")),
    ),
    height=(TimedHeight(-0.1, 4.4), TimedHeight(1.0, 3.1), TimedHeight(4.25, 5.0)),
    events=(
        TimedEvent(0.0, "plaque"),
        TimedEvent(4.25, "local failure", is_bad=True),
        TimedEvent(4.5, "plaque"),
    ),
    baseline_height_mm=4.4,
)


def report(spec: CaseTimeline) -> Report:
    about = Provenance("invented", "2024-12-31", "2025-01-01T00:00:00+00:00")
    return Report("Case", "", about, (Section("Course", (Figure("Course", spec, number=1),)),))


@pytest.mark.parametrize("narrow", [False, True])
def test_the_drawing_is_the_same_each_time_and_points_at_everything(narrow: bool) -> None:
    drawn = draw(SPEC, "f1", narrow=narrow)
    assert drawn == draw(SPEC, "f1", narrow=narrow)
    labels = [point.label for point in drawn.points]
    assert len(labels) == 9
    assert "local failure, 4.25 years" in labels
    assert "height 3.1 mm, 1.00 years" in labels
    assert "HM, 4.25 years" in labels
    for point in drawn.points:
        assert 0 < point.x < drawn.width
        assert 0 < point.y < drawn.height
    written = re.findall(r"<text[^>]*>([^<]*)<", drawn.svg)
    assert written.count("plaque") == 1  # two plaques share a row
    assert {"CF", "HM", "LP", "NLP"} <= set(written)


def test_better_sight_is_drawn_higher_and_time_runs_to_the_right() -> None:
    points = {point.label: point for point in draw(SPEC, "f1").points}
    before, later = points["acuity 0.18 logMAR, −0.10 years"], points["HM, 4.25 years"]
    assert before.y < later.y  # SVG counts downward
    assert before.x < later.x
    high, low = points["height 5.0 mm, 4.25 years"], points["height 3.1 mm, 1.00 years"]
    assert high.y < low.y


def test_an_empty_case_is_drawn_too() -> None:
    empty = CaseTimeline((), (), ())
    assert draw(empty, "f1").points == ()
    assert time_range(empty) == (0.0, 1.0)
    assert alternative_text(empty).endswith("Events: none.")


def test_words_and_numbers_say_what_is_drawn() -> None:
    said = alternative_text(SPEC)
    assert "3 readings of acuity, 3 heights, from 4.4 to 5.0 mm" in said
    assert "local failure at 4.3 years" in said
    assert "better upward" in notes(SPEC)[0]
    rows = numbers_table(Figure("Course", SPEC, number=1)).rows
    assert len(rows) == 9
    assert all(isinstance(row.cells[2], SingleRecord) for row in rows)


def test_it_survives_the_round_trip_and_is_never_published() -> None:
    assert from_json(to_json(report(SPEC))) == report(SPEC)
    published = publish(report(SPEC))
    (block,) = published.sections[0].blocks
    assert isinstance(block, Note)
    page = render_html(published)
    assert "HM, 4.25" not in page
    assert "local failure" not in page
