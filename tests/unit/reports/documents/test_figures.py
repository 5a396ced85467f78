"""Figures: counts under the ticks against an outside library, drawings that are always the same."""

from __future__ import annotations

import re
import sys
import xml.etree.ElementTree as ET

import matplotlib as mpl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter
from lifelines.datasets import load_waltons
from sample_figures import series, survival_figure
from sample_report import sample_report

from reports.figures.axis_range import axis_marks, axis_top
from reports.figures.describe import alternative_text, notes
from reports.figures.draw import draw
from reports.figures.incidence_drawing import stacked
from reports.figures.specs import FlowFigure, FlowStep
from reports.figures.survival import survival_series
from reports.page.document import Figure, blocks
from reports.page.numbers_behind import numbers_table
from reports.words.values import Count

SPECS = [block.spec for block in blocks(sample_report()) if isinstance(block, Figure)]
NAMES = [type(spec).__name__ for spec in SPECS]


def test_the_risk_table_agrees_with_another_library():
    # lifelines 0.30, waltons data: its event table gives at risk just before each time
    data = load_waltons()
    exits, events = data["T"].to_numpy(float), data["E"].to_numpy(bool)
    fitted = KaplanMeierFitter().fit(exits, events)
    limits = fitted.confidence_interval_.to_numpy()
    ticks = [0, 10, 30, 50, 70]
    made = survival_series(
        "all",
        time_years=fitted.survival_function_.index.to_numpy(),
        survival=fitted.survival_function_.iloc[:, 0].to_numpy(),
        lower=limits[:, 0],
        upper=limits[:, 1],
        exit_years=exits,
        is_event=events,
        ticks_years=ticks,
    )
    table = fitted.event_table
    for row in made.risk[1:]:
        later, before = table[table.index >= row.time_years], table[table.index < row.time_years]
        assert row.at_risk.value == later["at_risk"].iloc[0]
        assert row.events.value == before["observed"].sum()
        assert row.censored.value == before["censored"].sum()
        assert 1 - row.estimate.failure == pytest.approx(
            fitted.survival_function_at_times(row.time_years).iloc[0], rel=1e-12
        )
    assert made.stop_years == np.sort(exits)[-10]


histories = st.lists(
    st.tuples(st.integers(min_value=1, max_value=4000), st.booleans()), min_size=1, max_size=60
)


@settings(max_examples=60, deadline=None)
@given(histories)
def test_rows_under_the_ticks_add_up_to_the_number_at_the_start(history):
    exits = np.array([days for days, _ in history]) / 365.25
    events = np.array([died for _, died in history])
    made = survival_series(
        "x",
        time_years=[0.0],
        survival=[1.0],
        lower=[1.0],
        upper=[1.0],
        exit_years=exits,
        is_event=events,
        ticks_years=range(12),
    )
    for row in made.risk:
        total = row.at_risk.value + row.censored.value + row.events.value
        assert total == len(history)
    at_stop = np.sum(exits >= made.stop_years)
    assert at_stop >= 10 or made.stop_years == 0
    assert np.sum(exits > made.stop_years) < 10 or made.stop_years == 0


def test_beyond_the_last_follow_up_there_is_no_estimate():
    made = survival_series(
        "x",
        time_years=[0, 1],
        survival=[1, 0.9],
        lower=[1, 0.5],
        upper=[1, 0.99],
        exit_years=[1.0, 2.0],
        is_event=[True, False],
        ticks_years=[0, 3],
    )
    assert made.risk[-1].estimate.failure is None
    assert made.risk[-1].estimate.reason == "beyond the last follow-up"
    assert made.stop_years == 0


def test_arrays_that_do_not_fit_are_refused():
    with pytest.raises(ValueError, match="differ in shape"):
        survival_series(
            "x",
            time_years=[0],
            survival=[1],
            lower=[1],
            upper=[1],
            exit_years=[1, 2],
            is_event=[True],
            ticks_years=[0],
        )


@pytest.mark.parametrize("narrow", [False, True])
@pytest.mark.parametrize("spec", SPECS, ids=NAMES)
def test_a_drawing_is_the_same_each_time_clean_and_real_text(spec, narrow):
    before = dict(mpl.rcParams)
    drawing = draw(spec, "one", narrow=narrow)
    assert draw(spec, "one", narrow=narrow) == drawing
    assert dict(mpl.rcParams) == before
    assert "matplotlib.pyplot" not in sys.modules or not mpl.pyplot.get_fignums()
    root = ET.fromstring(drawing.svg)
    assert not [e for e in root.iter() if "style" in e.attrib or e.tag.endswith("}style")]
    assert "<date" not in drawing.svg
    ids = [e.attrib["id"] for e in root.iter() if "id" in e.attrib]
    assert all(name.startswith("one-") for name in ids)
    assert len(ids) == len(set(ids))
    words = [e for e in root.iter() if e.tag.endswith("}text")]
    assert words
    sizes = [float(e.attrib["font-size"].removesuffix("px")) for e in words]
    assert min(sizes) >= 7


@pytest.mark.parametrize("narrow", [False, True])
@pytest.mark.parametrize("spec", SPECS, ids=NAMES)
def test_no_text_and_no_point_leaves_the_page(spec, narrow):
    drawing = draw(spec, "one", narrow=narrow)
    for point in drawing.points:
        assert 0 <= point.x <= drawing.width
        assert 0 <= point.y <= drawing.height
        assert point.label
    for found in re.finditer(r"<text x=\"([\d.-]+)\" y=\"([\d.-]+)\"", drawing.svg):
        x, y = float(found.group(1)), float(found.group(2))
        assert 0 <= x <= drawing.width
        assert 0 <= y <= drawing.height


@pytest.mark.parametrize("spec", SPECS, ids=NAMES)
def test_a_figure_can_be_read_without_seeing_it(spec):
    assert len(alternative_text(spec)) > 40
    table = numbers_table(Figure("c", spec, number=3))
    assert table.caption == "Numbers behind figure 3"
    assert len(table.rows) > 3


def test_the_axis_says_how_far_it_runs():
    spec = survival_figure(series("all", 220, 0.02, 1))
    top = axis_top(spec)
    assert top < 1
    assert any(f"0 to {top * 100:.0f}" in note for note in notes(spec))
    heights = [h for h in (*spec.series[0].failure, *spec.series[0].upper) if h is not None]
    assert max(heights) <= top


@pytest.mark.parametrize("top", [0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0])
def test_marks_on_the_axis_are_round(top):
    marks = axis_marks(top)
    assert marks[0] == 0
    assert marks[-1] == top
    assert all(round(mark * 100, 6) == int(round(mark * 100, 6)) for mark in marks)


def test_stacked_bands_rise_and_stay_within_the_whole():
    spec = next(s for s in SPECS if type(s).__name__ == "IncidenceFigure")
    times, tops = stacked(spec)
    assert np.all(np.diff(times) > 0)
    assert np.all(np.diff(tops, axis=1) >= -1e-12)
    assert np.all(np.diff(tops, axis=0) >= -1e-12)
    assert tops.max() <= 1


def test_a_forest_of_ratios_near_one_is_not_crowded_at_its_edge():
    from reports.figures.forest_drawing import axis_range
    from reports.figures.specs import ForestFigure, ForestRow
    from reports.words.values import Count, Quantity

    def ends(*estimates: tuple[float, float, float]):
        rows = tuple(ForestRow("a", Count(9), Quantity(*one)) for one in estimates)
        return axis_range(ForestFigure("Ratio", "n", rows))

    low, high, marks = ends((1.036, 1.024, 1.049), (1.032, 1.022, 1.042))
    assert (low, high) == pytest.approx((1.0, 1.06))
    assert len(marks) >= 3
    # all else as before: doublings around the null
    assert ends((0.9, 0.68, 1.2))[2] == [0.5, 1, 2]


def test_one_of_a_flow_is_no_plural():
    flow = FlowFigure("tumours", (FlowStep("On record", Count(2)), FlowStep("Kept", Count(1))))
    svg = draw(flow, "one").svg
    assert "2 tumours" in svg
    assert "1 tumour<" in svg
