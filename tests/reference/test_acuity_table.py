"""Acuity against the published equivalences, off-chart values and impairment limits.

The source of every row is named in ``data/README.md`` and in its column ``provenance``.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest

from registry.acuity import (
    DEFAULT_OFF_CHART_LOGMAR,
    at_least,
    band_icd_10,
    band_icd_11,
    better_than,
    count_letters,
    read_acuity,
)

_TABLE = Path(__file__).parent / "data" / "visual_acuity.csv"
ROWS = list(csv.DictReader(_TABLE.read_text(encoding="utf-8").splitlines()))
EQUIVALENCES = [row for row in ROWS if row["kind"] == "equivalence"]
SUGGESTED = [row for row in ROWS if "Bach suggested" in row["snellen_20ft_or_source"]]


def test_the_table_holds_the_twenty_lines_of_the_chart() -> None:
    assert len(EQUIVALENCES) == 20
    assert len(SUGGESTED) == 4


@pytest.mark.parametrize("row", EQUIVALENCES, ids=lambda row: row["snellen_6m_or_level"])
def test_every_line_reads_alike_in_every_notation(row: dict[str, str]) -> None:
    letters = int(row["etdrs_letters_approx"])
    line = float(row["logmar"])
    metric, feet = row["snellen_6m_or_level"], row["snellen_20ft_or_source"]
    readings = [read_acuity(metric), read_acuity(metric, "snellen_m")]
    readings += [read_acuity(feet), read_acuity(feet, "snellen_ft")]
    readings += [read_acuity(row["decimal"], "decimal"), read_acuity(f"decimal {row['decimal']}")]
    readings += [read_acuity(row["logmar"], "logmar"), read_acuity(f"{row['logmar']} logMAR")]
    readings += [read_acuity(str(letters), "letters"), read_acuity(f"{letters} letters")]
    assert {reading.letters for reading in readings} == {letters}
    # Labels are rounded (decimal 0.32 is 0.4949): none is half a letter, 0.01, from its line.
    assert all(abs(reading.logmar - line) < 0.01 for reading in readings)


@pytest.mark.parametrize("row", SUGGESTED, ids=lambda row: row["snellen_6m_or_level"])
def test_off_chart_levels_carry_bachs_suggested_values(row: dict[str, str]) -> None:
    level = row["snellen_6m_or_level"]
    reading = read_acuity(level)
    assert reading.logmar == float(row["logmar"]) == DEFAULT_OFF_CHART_LOGMAR[level]
    assert (reading.off_chart, reading.letters) == (level, None)
    # The rounded logMAR and decimal of one row agree to within the rounding of the decimal.
    assert -math.log10(float(row["decimal"])) == pytest.approx(reading.logmar, abs=0.005)


def test_a_published_mapping_may_be_put_in_its_place() -> None:
    # Lange 2009: CF 1.98, HM 2.28; light perception not quantifiable, so Bach's stay.
    lange = {"CF": 1.98, "HM": 2.28, "LP": 2.7, "NLP": 3.0}
    assert read_acuity("CF 1 m", off_chart_logmar=lange).logmar == 1.98
    assert read_acuity("HM", off_chart_logmar=lange).logmar == 2.28


def test_the_average_of_20_20_and_20_200_is_20_63() -> None:
    # Holladay 2004: averages are taken on logMAR; 20/20 and 20/200 give 0.5.
    mean = (read_acuity("20/20").logmar + read_acuity("20/200").logmar) / 2
    assert mean == pytest.approx(0.5, abs=1e-12)
    assert count_letters(mean) == read_acuity("20/63").letters == 60


def test_three_lines_double_the_angle_and_six_quadruple_it() -> None:
    # The table's formula rows: 3 lines = 15 letters = doubling, 6 lines = 30 letters.
    start = read_acuity("6/12").letters
    assert start is not None
    assert start - 15 == read_acuity("6/24").letters
    assert start - 30 == read_acuity("6/48").letters


def test_a_nominal_label_is_read_by_its_fraction() -> None:
    # 20/30 is a label of the line 20/32; its own fraction is 0.1761 (log10 1.5).
    assert read_acuity("20/30").logmar == pytest.approx(math.log10(1.5), abs=1e-15)
    assert read_acuity("20/30").letters == 76
    assert read_acuity("20/32").letters == 75


@pytest.mark.parametrize(
    ("level", "letters"), [("6/12", 70), ("6/60", 35), ("3/60", 20), ("20/40", 70), ("20/200", 35)]
)
def test_levels_in_letters(level: str, letters: int) -> None:
    # Letters of the levels that vision is reported at: 85 - 50 log10(2), (10), (20).
    at = read_acuity(level)
    assert at.letters == letters
    assert at_least(at, level)
    assert not better_than(at, level)
    assert better_than(read_acuity(f"{letters + 1} letters"), level)
    assert not at_least(read_acuity(f"{letters - 1} letters"), level)


# Limits of the categories as the table words them ("worse than A, B or better").
@pytest.mark.parametrize(
    ("text", "band_11", "band_10"),
    [
        ("6/6", "none", 0),
        ("6/12", "none", 0),
        ("6/12-1", "mild", 0),
        ("6/18", "mild", 0),
        ("6/18-1", "moderate", 1),
        ("6/60", "moderate", 1),
        ("6/60-1", "severe", 2),
        ("3/60", "severe", 2),
        ("3/60-1", "blindness", 3),
        ("1/60", "blindness", 3),
        ("CF", "blindness", 4),
        ("HM", "blindness", 4),
        ("LP", "blindness", 4),
        ("NLP", "blindness", 5),
    ],
)
def test_bands_by_the_limits_of_the_icd(text: str, band_11: str, band_10: int) -> None:
    reading = read_acuity(text)
    assert band_icd_11(reading) == band_11
    assert band_icd_10(reading) == band_10
