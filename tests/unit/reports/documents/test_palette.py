"""The stated criteria of the palette, checked again on the colours in use."""

from __future__ import annotations

import itertools

import pytest

from reports.figures import palette
from reports.figures.palette import SERIES, VISIONS, contrast, difference, grey_lightness

PAIRS = list(itertools.combinations(SERIES, 2))


def test_contrast_agrees_with_a_published_value():
    # #767676 on white is the grey known to just pass 4.5:1 (WCAG technique G18 examples: 4.54:1)
    assert contrast("#767676") == pytest.approx(4.54, abs=0.005)
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)


@pytest.mark.parametrize("colour", [*SERIES, palette.INK, palette.QUIET_INK, palette.WARNING])
def test_text_in_any_colour_can_be_read(colour):
    assert contrast(colour) >= 4.5
    assert contrast(colour, palette.PANEL) >= 4.5 or colour in SERIES


@pytest.mark.parametrize("vision", VISIONS)
@pytest.mark.parametrize(("one", "other"), PAIRS)
def test_two_series_differ_in_every_vision(one, other, vision):
    assert difference(one, other, vision) >= 0.10


@pytest.mark.parametrize(("one", "other"), PAIRS)
def test_two_series_differ_in_grey_print(one, other):
    assert abs(grey_lightness(one) - grey_lightness(other)) >= 6


def test_the_two_colours_of_a_comparison_are_furthest_apart_in_grey():
    assert abs(grey_lightness(SERIES[0]) - grey_lightness(SERIES[1])) >= 15


@pytest.mark.parametrize("vision", VISIONS)
def test_a_simulated_vision_keeps_white_and_black(vision):
    # the rows of the published matrices (Machado 2009, table for severity 1.0) add up to 1
    assert all(sum(row) == pytest.approx(1, abs=2e-6) for row in VISIONS[vision])


def test_a_red_and_a_green_of_like_lightness_are_confused_by_deutans():
    # the textbook confusion: plainly apart in normal vision, near for deutan vision
    assert difference("#b05a2b", "#6f7a1e", "normal") > 2 * difference(
        "#b05a2b", "#6f7a1e", "deutan"
    )


def test_each_series_has_its_own_dash_and_marker():
    assert len({*palette.DASHES}) == len({*palette.MARKERS}) == len(SERIES)
