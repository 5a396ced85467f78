"""``afterplaque describe``: table 1 of any table."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from reports.command_frame import JsonFlag, answer


def describe(
    table: Annotated[Path, typer.Argument(metavar="TABLE.csv", help="A CSV file with headings.")],
    columns: Annotated[
        list[str] | None,
        typer.Option(metavar="A,B,...", help="Columns to describe; all of them unless said."),
    ] = None,
    by: Annotated[str | None, typer.Option(help="Column: groups, beside all rows.")] = None,
    as_categories: Annotated[
        list[str] | None,
        typer.Option(metavar="A,B,...", help="Columns of numbers to count value by value."),
    ] = None,
    as_json: JsonFlag = False,
) -> None:
    """Describe a table: how many are known, medians (quartiles), and counts.

    Whole numbers with under six distinct values are counted; text with over twenty is not listed.
    There are no p values: groups are compared by the size of their differences.
    """
    from reports.options.estimate_options import split_list
    from reports.tables.description import answer_description, lay_out_description
    from reports.tables.table_reading import read_table

    payload = answer_description(
        read_table(table), split_list(columns), by, as_categories=split_list(as_categories)
    )
    answer(payload, as_json=as_json, text=lay_out_description(payload))
