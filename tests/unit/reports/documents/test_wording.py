"""House style of numbers; each rule names where it comes from."""

from __future__ import annotations

import datetime as dt
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.words.values import (
    Count,
    CurveEstimate,
    KnownOf,
    Missing,
    PValue,
    Quantity,
    Rate,
    text,
)
from reports.words.wording import (
    date,
    decimal,
    p_value,
    percent,
    percent_with_interval,
    say,
    significant,
)


def spaced(words: str) -> str:
    return words.replace("\u00a0", " ")


@given(st.floats(min_value=0, max_value=1))
def test_a_p_value_is_never_written_as_zero_or_one(p):
    # ICMJE / journal style, from memory: exact p values, "p < 0.001" below that, never "p = 0.000"
    words = p_value(p)
    assert words not in {"p = 0.000", "p = 0.00", "p = 1.00", "p = 1.000"}
    if words == "p < 0.001":
        assert p < 0.001
    if words.startswith("p = "):
        assert abs(float(words[4:]) - p) <= 0.005 + 1e-12


@pytest.mark.parametrize("p", [-0.1, 1.1, math.nan])
def test_what_is_no_p_value_is_refused(p):
    with pytest.raises(ValueError, match="between 0 and 1"):
        p_value(p)


@given(st.floats(min_value=-1e6, max_value=1e6), st.integers(min_value=0, max_value=6))
def test_a_number_is_rounded_to_half_a_step_and_signed_with_the_minus_sign(value, digits):
    words = decimal(value, digits)
    assert "-" not in words
    assert words != "\u2212" + "0" * len(words[1:])
    assert abs(float(words.replace("\u2212", "-")) - value) <= 0.5 * 10**-digits + 1e-9


def test_decimal_halves_go_away_from_zero_as_written_not_as_stored_in_binary():
    # Decimal arithmetic by hand: 2.675 is stored below 2.675, round() gives 2.67
    assert decimal(2.675, 2) == "2.68"
    assert decimal(-0.5, 0) == "\u22121"
    assert decimal(-0.04, 1) == "0.0"


def test_no_number_is_no_text():
    with pytest.raises(ValueError, match="finite"):
        decimal(math.nan)


def test_percent_with_interval_reads_as_in_a_paper():
    assert spaced(percent_with_interval(0.924, 0.881, 0.953)) == "92.4 % (95 % CI 88.1–95.3)"
    assert spaced(percent_with_interval(0.5, None, None)) == "50.0 %"
    assert spaced(percent(0.07 * 3)) == "21.0 %"


def test_an_interval_with_a_negative_limit_uses_to():
    said = say(Quantity(-1.5, -3.0, 0.2, "letters", 1))
    assert spaced(said) == "−1.5 letters (95 % CI −3.0 to 0.2)"


def test_what_is_not_there_is_said_in_words():
    assert say(Quantity(None, 3.0, None, "years")) == "not reached"
    assert spaced(say(Quantity(4.2, 3.0, None, "years", 1))) == (
        "4.2 years (95 % CI 3.0 to not reached)"
    )
    assert say(Missing("not recorded")) == "not recorded"
    assert say(Missing("not estimable", "2 events")) == "not estimable: 2 events"
    assert say(Rate(0, 0)) == "not estimable: nobody to count"
    assert say(PValue(None)) == "not estimable"
    absent = CurveEstimate(None, None, None, 40, 3, 0, reason="beyond the last follow-up")
    assert say(absent) == "not estimable: beyond the last follow-up"


def test_counts_and_shares():
    assert say(KnownOf(214, 220)) == "214 of 220 known"
    assert spaced(say(Rate(5, 40))) == "5 of 40 (12.5 %)"
    assert spaced(say(Rate(5, 40, 0.0419, 0.2680))) == "5 of 40 (12.5 %, 95 % CI 4.2–26.8)"
    assert spaced(say(Rate(5, 40, style="bracket"))) == "5 (12.5 %)"
    assert say(text("{k} of them", k=Count(12_345))) == "12\u202f345 of them"


def test_control_is_one_minus_failure_with_limits_swapped():
    said = say(CurveEstimate(0.076, 0.047, 0.119, 200, 14, 90, shown_as="control"))
    assert spaced(said) == "92.4 % (95 % CI 88.1–95.3)"


def test_a_date_cannot_be_misread():
    assert date(dt.date(2021, 4, 3)) == "3 April 2021"


@given(st.floats(min_value=1e-4, max_value=1e6), st.integers(min_value=1, max_value=4))
def test_figures_are_kept_to_the_number_asked_for(value, figures):
    # an independent way to the same rounding: the e format of Python
    expected = float(f"{value:.{figures - 1}e}")
    step = 10.0 ** (math.floor(math.log10(value)) - figures + 1)
    assert abs(float(significant(value, figures)) - expected) <= step * (1 + 1e-9)


def test_a_sentence_needs_exactly_its_values():
    with pytest.raises(ValueError, match="template asks for"):
        text("{k} failed", n=Count(3))
