"""How acuity texts are read and refused."""

from __future__ import annotations

import math

import pytest

from registry.acuity import (
    NOTATIONS,
    OFF_CHART_LEVELS,
    AcuityReading,
    at_least,
    better_than,
    count_letters,
    rank_of,
    read_acuity,
)
from registry.errors import RefusedInputError


# Expected values: -log10 of the fraction, and 0.02 logMAR for each letter (five on a 0.1 line).
@pytest.mark.parametrize(
    ("text", "logmar"),
    [
        ("6/9", math.log10(9 / 6)),
        (" 6 / 9 ", math.log10(9 / 6)),
        ("６/９", math.log10(9 / 6)),
        ("6/9.5", math.log10(9.5 / 6)),
        ("20/40", math.log10(2)),
        ("20/40 ft", math.log10(2)),
        ("3/60", math.log10(20)),
        ("1/60", math.log10(60)),
        ("5/60", math.log10(12)),
        ("4/40", 1.0),
        ("5/200", math.log10(40)),
        ("1/200", math.log10(200)),
        ("8/10", -math.log10(0.8)),
        ("20/40-2", math.log10(2) + 0.04),
        ("6/9-2", math.log10(1.5) + 0.04),
        ("6/9 -2", math.log10(1.5) + 0.04),
        ("6/9 (-2)", math.log10(1.5) + 0.04),
        ("6/9−2", math.log10(1.5) + 0.04),
        ("6/9+1", math.log10(1.5) - 0.02),
        ("decimal 0.5", math.log10(2)),
        ("0.5 (decimal)", math.log10(2)),
        ("0.5 dec", math.log10(2)),
        ("0.30 logMAR", 0.30),
        ("logMAR 0.3", 0.30),
        ("LogMAR: -0.1", -0.1),
        ("-0.10 LOGMAR", -0.1),
        ("70 letters", 0.30),
        ("ETDRS 70", 0.30),
        ("letters: 70", 0.30),
        ("70 ETDRS letters", 0.30),
    ],
)
def test_chart_values(text: str, logmar: float) -> None:
    reading = read_acuity(text)
    assert reading.logmar == pytest.approx(logmar, abs=1e-12)
    assert reading.text == text
    assert reading.off_chart is None
    assert reading.letters == math.floor(85 - 50 * round(logmar, 12) + 0.5)


@pytest.mark.parametrize("text", ["6/9 part", "6/9part", "6/9 p", "6/9p", "6/9 pt.", "6/9 partly"])
def test_part_counts_as_two_letters_missed(text: str) -> None:
    # Common practice, no source.
    assert read_acuity(text).letters == read_acuity("6/9-2").letters == 74


@pytest.mark.parametrize(
    ("text", "level"),
    [
        *[(text, "CF") for text in ("CF", "FC", "cf", "C.F.", "counting fingers", "count fingers")],
        *[(text, "CF") for text in ("CF 1 m", "CF1m", "CF at 30 cm", "CF @ 2 ft", "CF 3'")],
        *[(text, "CF") for text in ("CF ½ m", "FC 2 metres", "CF near", "CF at face")],
        *[(text, "HM") for text in ("HM", "hm", "hand movements", "hand motion", "HM 1 m")],
        *[(text, "LP") for text in ("LP", "PL", "light perception", "perception of light")],
        *[(text, "LP") for text in ("PL with projection", "LP without projection")],
        *[(text, "NLP") for text in ("NLP", "NPL", "no PL", "No LP", "no light perception")],
    ],
)
def test_levels_off_the_chart(text: str, level: str) -> None:
    reading = read_acuity(text)
    assert reading.off_chart == level
    assert reading.letters is None
    assert reading.rank == OFF_CHART_LEVELS.index(level)


@pytest.mark.parametrize("notation", NOTATIONS)
def test_off_chart_levels_are_understood_under_any_notation(notation: str) -> None:
    assert read_acuity("HM", notation).off_chart == "HM"


def test_the_distance_of_counting_fingers_does_not_change_the_order() -> None:
    assert read_acuity("CF 3 m").rank == read_acuity("CF at 30 cm").rank


def test_every_off_chart_level_ranks_below_the_worst_chart_value() -> None:
    worst = read_acuity("1/200-5")
    ranks = [read_acuity(level).rank for level in OFF_CHART_LEVELS]
    assert ranks == sorted(ranks)
    assert max(ranks) < worst.rank
    # By number alone the order would be wrong: 1/200 is 2.30 and CF stands at 1.9.
    assert worst.logmar > read_acuity("CF").logmar


@pytest.mark.parametrize(
    ("text", "notation", "letters"),
    [
        ("0.5", "decimal", 70),
        ("1.0", "decimal", 85),
        ("1.0", "logmar", 35),
        ("-0.1", "logmar", 90),
        ("0.8p", "decimal", 78),
        ("1.0-2", "decimal", 83),
        ("8/10", "decimal", 80),
        ("70", "letters", 70),
        ("0", "letters", 0),
        ("100", "letters", 100),
        ("6/9", "snellen_m", 76),
        ("20/40", "snellen_ft", 70),
    ],
)
def test_a_named_notation_settles_a_bare_number(text: str, notation: str, letters: int) -> None:
    assert read_acuity(text, notation).letters == letters


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("1.0", "ambiguous"),
        ("0.5", "ambiguous"),
        ("2", "ambiguous"),
        ("-0.1", "ambiguous"),
        ("70", "has no notation"),
        ("70.5", "has no notation"),
        ("0,5", r"decimal comma; write '0\.5'"),
        ("0,3 logMAR", r"decimal comma; write '0\.3 logMAR'"),
        ("6/0", "above 0"),
        ("0/6", "above 0"),
        ("20/-3", "above 0"),
        ("decimal 0", "above 0"),
        ("-0.5 decimal", "above 0"),
        ("nan", "cannot be read"),
        ("inf", "cannot be read"),
        ("1e5", "cannot be read"),
        ("PL/NPL", "cannot be read"),
        ("LP?", "cannot be read"),
        ("6/9 PH", "cannot be read"),
        ("6/9-2+1", "cannot be read"),
        ("0.3 logMAR letters", "cannot be read"),
        ("", "is empty"),
        ("  ", "is empty"),
        ("6/9-", "how many letters.*6/9 part for a minus"),
        ("6/9--", "how many letters"),
        ("6/9-9", "1 to 5 letters"),
        ("6/9+0", "1 to 5 letters"),
        ("9/6", "swapped"),
        ("200/20", "swapped"),
        ("06-Sep", "spreadsheet"),
        ("2024-09-06", "spreadsheet"),
        ("6/9/2024", "spreadsheet"),
        ("200 letters", "from 0 to 100"),
        ("-5 letters", "from 0 to 100"),
        ("70.5 letters", "from 0 to 100"),
        ("6/2", "better than any chart"),
        ("logMAR -0.5", "better than any chart"),
        ("decimal 5", "better than any chart"),
        ("2.3 logMAR", "write CF, HM, LP or NLP"),
        ("decimal 0.01", "write CF, HM, LP or NLP"),
        ("20/2000", "write CF, HM, LP or NLP"),
        ("1/2000", "write CF, HM, LP or NLP"),
    ],
)
def test_refusals_say_why(text: str, reason: str) -> None:
    with pytest.raises(RefusedInputError, match=reason) as refusal:
        read_acuity(text)
    assert refusal.value.where == {"found": text}
    assert repr(text) in refusal.value.message


@pytest.mark.parametrize(
    ("text", "notation", "reason"),
    [
        ("6/9", "snellen_ft", "in feet"),
        ("20/40", "snellen_m", "in metres"),
        ("6/9", "letters", "cannot be read as letters"),
        ("6/9", "qualitative", "cannot be read as qualitative"),
        ("0.3 logMAR", "decimal", "correct one"),
        ("70", "snellen_m", "cannot be read as snellen_m"),
        ("0,5", "decimal", "decimal comma"),
        ("nan", "logmar", "cannot be read as logmar"),
    ],
)
def test_text_against_its_notation(text: str, notation: str, reason: str) -> None:
    with pytest.raises(RefusedInputError, match=reason):
        read_acuity(text, notation)


def test_misuse_is_a_value_error() -> None:
    with pytest.raises(ValueError, match=r"notation must be one of .* not 'feet'"):
        read_acuity("6/9", "feet")
    with pytest.raises(ValueError, match="off-chart mapping"):
        read_acuity("6/9", off_chart_logmar={"CF": 1.9})
    with pytest.raises(ValueError, match="off-chart mapping"):
        read_acuity("6/9", off_chart_logmar={"CF": 2.4, "HM": 2.3, "LP": 2.7, "NLP": 3.0})
    with pytest.raises(ValueError, match="off-chart mapping"):
        read_acuity("6/9", off_chart_logmar=dict.fromkeys(OFF_CHART_LEVELS, math.nan))
    with pytest.raises(ValueError, match="finite, not nan"):
        count_letters(math.nan)


def test_halves_are_rounded_upward() -> None:
    # 85 - 50 * 0.31 = 69.5 and 85 - 50 * 0.33 = 68.5: halves go up, not to the even number.
    assert count_letters(0.31) == 70
    assert count_letters(0.33) == 69
    assert count_letters(1.71) == 0
    assert count_letters(1.73) == -1


def test_letters_are_not_floored_at_0() -> None:
    # 85 - 50 log10(60) = -3.9
    assert read_acuity("1/60").letters == -4


def test_ranks_of_stored_columns_are_those_of_readings() -> None:
    for text in ("6/6", "1/60", "CF", "NLP"):
        reading = read_acuity(text)
        assert rank_of(reading.letters, reading.off_chart) == reading.rank
    with pytest.raises(ValueError, match="give letters or an off-chart level"):
        rank_of(None, None)
    with pytest.raises(ValueError, match="give letters or an off-chart level"):
        rank_of(70, "CF")
    with pytest.raises(ValueError, match="no chart value has -101 letters"):
        rank_of(-101, None)


def test_at_least_and_better_than_differ_at_the_level() -> None:
    exact = read_acuity("6/60")
    assert at_least(exact, "20/200")
    assert not better_than(exact, "20/200")
    assert better_than(read_acuity("HM"), "LP")
    assert not at_least(read_acuity("HM"), "CF")
    level = AcuityReading("x", 1.0, 35, None, 139)
    assert at_least(exact, level)
