"""How tables are laid out: nothing said twice in a cell, no word over its neighbour.

The words and widths are those that the template of the PDF reads; the printed page itself was
looked at.
"""

from __future__ import annotations

from reports.page.document import Column, Row, Table
from reports.render.laid_out import (
    GAP_IN_CHARACTERS,
    LINE_IN_CHARACTERS,
    WORD_JOINER,
    column_widths,
    csv_text,
    table_plain,
)
from reports.words.values import CurveEstimate, Quantity, Rate
from reports.words.wording import NO_BREAK

READ = CurveEstimate(0.25, 0.125, 0.5, 40, 10, 20)
BEYOND = CurveEstimate(None, None, None, 40, 10, 0, reason="beyond the last follow-up")
WITH_IT = Rate(10, 40, 0.127, 0.412)
AGE = Quantity(61, 52, 69, digits=0, interval="quartiles", n=40)


def table(*notes: str, heading: str = "At 5 years") -> Table:
    """A row of every kind of figure that carries an interval."""
    columns = (Column("Group"), *(Column(heading, "right") for _ in range(4)))
    return Table("Figures.", columns, (Row(("All", READ, BEYOND, WITH_IT, AGE)),), notes)


def cells(made: Table) -> list[str]:
    """The cells as printed, with plain blanks."""
    [row] = table_plain(made)["rows"]
    return [cell.replace(NO_BREAK, " ").replace(WORD_JOINER, "") for cell in row["cells"]]


def test_an_interval_that_the_table_names_is_not_named_in_its_cells() -> None:
    bare = cells(table())
    assert bare[1] == "25.0 % (95 % CI 12.5–50.0)"
    assert bare[4] == "61 (quartiles 52–69)"
    noted = cells(table("95 % CI: beta product. Median (quartiles)."))
    assert noted[1] == "25.0 % (12.5–50.0)"
    assert noted[3] == "10 of 40 (25.0 %, 12.7–41.2)"
    assert noted[4] == "61 (52–69)"
    headed = cells(table(heading="At 5 years (95 % CI)"))
    assert (headed[1], headed[4]) == (noted[1], bare[4])


def test_beyond_follow_up_is_short_in_print_and_whole_in_the_file() -> None:
    assert cells(table())[2] == "beyond follow-up"
    assert "not estimable: beyond the last follow-up" in csv_text(table())


def test_no_column_is_narrower_than_its_longest_word() -> None:
    """Seven columns of a table by group: “n” and “Metastases” were printed over each other."""
    heading = ["Group", "n", "Metastases", "Metastasis, 5 years", "Melanoma deaths", "Alive", "x"]
    body = [
        [
            "not recorded",
            "261",
            "29",
            "15.1 % (95 % CI 10.1–21.7)",
            "23",
            "yes no " * 6,
            "no yes " * 6,
        ]
    ]
    widths = column_widths([heading, *body])
    assert widths is not None
    assert sum(widths) <= LINE_IN_CHARACTERS + len(widths)
    longest = [max(map(len, f"{a} {b}".split(" "))) for a, b in zip(heading, *body, strict=True)]
    for width, word in zip(widths, longest, strict=True):
        assert width >= word + GAP_IN_CHARACTERS


def test_a_short_table_is_kept_on_one_page_and_a_long_one_is_not() -> None:
    short = Table("Few.", (Column("a"),), (Row(("x",)),) * 12)
    long = Table("Many.", (Column("a"),), (Row(("x",)),) * 40)
    assert table_plain(short)["is_short"]
    assert not table_plain(long)["is_short"]
