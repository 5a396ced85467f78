"""``afterplaque workbook``: the entry workbook, blank or filled."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from registry.errors import UsageError
from registry.records import TABLES
from reports.command_frame import JsonFlag, answer, note
from reports.options.option_values import now_utc

Out = Annotated[Path, typer.Argument(metavar="OUT.xlsx", help="The workbook to write.")]
From = Annotated[
    Path | None, typer.Option("--from", help="Fill it with the current records of this registry.")
]
Force = Annotated[bool, typer.Option("--force", help="Replace a file that is there.")]


def workbook(out: Out, store: From = None, force: Force = False, as_json: JsonFlag = False) -> None:
    """Write the entry workbook: a sheet a table, with lists, limits and notes.

    Filled in, it is taken in by `afterplaque intake`. With --from it holds the registry's current
    records, to be read or corrected; it holds patient data then, and only its owner can read it.
    """
    from registry.store import open_store
    from registry.workbook import read_current, write_workbook
    from reports.writing import refuse_overwriting, write_whole

    if out.suffix.lower() != ".xlsx":
        raise UsageError(f"Name the workbook OUT.xlsx, not {out.name}.", option="OUT.xlsx")
    refuse_overwriting([out], force=force)
    counts = dict.fromkeys(TABLES, 0)
    if store is None:
        content = write_workbook({}, at=now_utc())
    else:
        with open_store(store) as opened:
            records = {name: list(read_current(opened, table)) for name, table in TABLES.items()}
        counts = {name: len(rows) for name, rows in records.items()}
        content = write_workbook(records, written_from=store.name, at=now_utc())
    write_whole(out, content)
    filled = sum(counts.values())
    text = f"{out}: a sheet for each of {len(TABLES)} tables, " + (
        f"{filled} records." if store is not None else "blank."
    )
    payload = {"command": "workbook", "path": out, "rows": counts}
    answer(payload, as_json=as_json, text=text)
    if not as_json:
        note(f"When it is filled: afterplaque intake STORE {out.name} --check-only")
