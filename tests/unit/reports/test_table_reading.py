"""Tables of a fellow: read as text, every refusal with its line and column."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from registry.errors import RefusedInputError
from reports.tables.table_reading import read_table


def write(folder: Path, content: str | bytes) -> Path:
    path = folder / "table.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


def test_cells_stay_text_until_asked(tmp_path: Path) -> None:
    table = read_table(write(tmp_path, 'id,time,arm\n007, 1.50 ,"a, b"\n\n8,NA,\n'))
    assert table.headings == ("id", "time", "arm")
    assert table.lines == (2, 4)
    assert table.texts("id") == ("007", "8")
    assert table.texts("arm") == ("a, b", None)
    np.testing.assert_array_equal(table.numbers("time"), [1.5, np.nan])
    assert table.is_numeric("time")
    assert not table.is_numeric("arm")


def test_numbers_as_r_and_pandas_write_them(tmp_path: Path) -> None:
    table = read_table(write(tmp_path, "x,b\n1e3,TRUE\n-.5,False\n+2.,true\n"))
    assert table.numbers("x").tolist() == [1000, -0.5, 2]
    assert table.numbers("b").tolist() == [1, 0, 1]


@pytest.mark.parametrize("cell", ["1;5", "1_000", "0x1F", "inf", "12 months", "1e999", "١٢"])
def test_what_is_not_a_number_is_refused_with_its_place(tmp_path: Path, cell: str) -> None:
    table = read_table(write(tmp_path, f'id,time\n1,2\n"two\nlines",3\n4,{cell}\n'))
    with pytest.raises(RefusedInputError, match="line 5, column 'time'") as caught:
        table.numbers("time")
    assert caught.value.where == {"file": "table.csv", "line": 5, "column": "time"}


def test_a_decimal_comma_is_named(tmp_path: Path) -> None:
    table = read_table(write(tmp_path, 'time\n"1,5"\n'))
    with pytest.raises(RefusedInputError, match="decimal sign is a point"):
        table.numbers("time")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("", "is empty"),
        ("\n\n", "is empty"),
        ("a,b\n1\n", "line 2: 1 cells under 2 headings"),
        ("a,b\n1,2,3\n", "line 2: 3 cells"),
        ("a,a\n1,2\n", "'a' twice"),
        ("a,,b\n1,2,3\n", "column 2 has no heading"),
        ("a;b\n1;2\n", "semicolons"),
        ("a\tb\n1\t2\n", "tabs"),
        ('a\n"1\n', "quotes"),
        (b"a\n\xe4\n", "line 2: not UTF-8"),
        (b"a\x00\n1\n", "not a text file"),
    ],
)
def test_files_that_are_not_such_tables(tmp_path: Path, content: str | bytes, said: str) -> None:
    with pytest.raises(RefusedInputError, match=said):
        read_table(write(tmp_path, content))


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(RefusedInputError, match="no file"):
        read_table(tmp_path / "none.csv")
    with pytest.raises(RefusedInputError, match="cannot be read"):
        read_table(tmp_path)


def test_a_misspelt_column_gets_a_hint(tmp_path: Path) -> None:
    table = read_table(write(tmp_path, "\ufefftime,event\n1,0\n"))
    with pytest.raises(RefusedInputError, match=r"no column 'tme'. Did you mean 'time'\?"):
        table.numbers("tme")


def test_rows_with_missing_values_are_dropped_and_counted(tmp_path: Path) -> None:
    table = read_table(write(tmp_path, "a,b,c\n1,,x\n2,3,\n,NA,y\n4,5,z\n"))
    whole, warnings = table.complete_rows(["a", "b"])
    assert whole.lines == (3, 5)
    assert whole.numbers("b").tolist() == [3, 5]
    assert warnings == (
        "2 of 4 rows left out for a missing value (missing by column: a: 1, b: 2).",
    )
    assert table.complete_rows(["c"])[0].n_rows == 3
    assert whole.complete_rows(["a"]) == (whole, ())


def test_a_heading_without_rows(tmp_path: Path) -> None:
    table = read_table(write(tmp_path, "a,b\n"))
    assert table.n_rows == 0
    assert table.numbers("a").size == 0
