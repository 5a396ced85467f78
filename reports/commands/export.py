"""``afterplaque export``: the tables for other programs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from reports.command_frame import JsonFlag, answer, note
from reports.options.option_values import StorePath


def export(
    store: StorePath,
    out: Annotated[Path, typer.Argument(metavar="OUT_DIR", help="The folder to make.")],
    research: Annotated[
        bool,
        typer.Option("--research", help="Only people whose research_consent is yes."),
    ] = False,
    as_json: JsonFlag = False,
) -> None:
    """Write the current records into a new folder: each table as CSV and Parquet, with fields.csv.

    In CSV a text that a spreadsheet would take for a formula gets an apostrophe before it; Parquet
    holds values as recorded. Withdrawn records and earlier versions are not in it: that is backup.
    """
    from registry.safekeeping.table_files import export_tables
    from reports.render.text import lay_out_table

    done = export_tables(store, out, research=research)
    payload = {
        "command": "export",
        "folder": str(out),
        "research": research,
        "rows": done.rows,
        "patients_left_out": done.left_out,
    }
    rows = [[table, count] for table, count in done.rows.items()]
    answer(payload, as_json=as_json, text=f"{out}\n" + lay_out_table(["table", "rows"], rows))
    if not as_json:
        if research:
            note(f"{done.left_out} patients without research consent are not in it.")
        note("The files hold patients' records under pseudonyms: keep them where they are safe.")
