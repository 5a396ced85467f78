"""Tables in plain text."""

from __future__ import annotations

import pytest

from reports.render.text import lay_out_table, make_printable, measure_width


def test_numbers_stand_right_and_words_left() -> None:
    table = lay_out_table(["group", "n", "%"], [["small", 7, "12.5"], ["large", 1200, None]])
    assert table.splitlines() == [
        "group     n     %",
        "-----  ----  ----",
        "small     7  12.5",
        "large  1200",
    ]


def test_a_column_with_one_word_is_set_left() -> None:
    assert lay_out_table(["n"], [[10], ["not reached"]]).splitlines()[2] == "10"


def test_without_rows_only_the_headings_stand() -> None:
    assert lay_out_table(["a", "b"], []) == "a  b\n-  -"


def test_a_row_of_another_length_is_misuse() -> None:
    with pytest.raises(ValueError, match="a row of 1 cells under 2 headings"):
        lay_out_table(["a", "b"], [["x"]])


def test_wide_and_combining_letters_keep_the_columns() -> None:
    lines = lay_out_table(["a", "b"], [["視力", "x"], ["e\u0301", "x"]]).splitlines()
    assert [measure_width(line) for line in lines[2:]] == [7, 7]


@pytest.mark.parametrize(
    ("text", "shown"),
    [("a\nb", "a\\nb"), ("\x1b[31m", "\\x1b[31m"), ("\u202eabc", "\\u202eabc"), ("é≥–", "é≥–")],
)
def test_control_characters_cannot_reach_the_terminal(text: str, shown: str) -> None:
    assert make_printable(text) == shown
    assert lay_out_table(["x"], [[text]]).splitlines()[2] == shown
