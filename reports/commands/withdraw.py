"""``afterplaque withdraw``: records that were entered by mistake."""

from __future__ import annotations

from typing import Annotated

import typer

from reports.command_frame import JsonFlag, answer
from reports.options.option_values import now_utc
from reports.options.record_arguments import (
    RecordedBy,
    name_recorder,
    split_record,
    split_store_and_records,
)


def withdraw(
    arguments: Annotated[
        list[str],
        typer.Argument(
            metavar="[STORE] TABLE:KEY...",
            help="The registry, and one or more records. Without STORE: AFTERPLAQUE_STORE.",
        ),
    ],
    why: Annotated[str, typer.Option("--why", help="Why they are withdrawn; kept with them.")],
    with_dependents: Annotated[
        bool,
        typer.Option(
            "--with-dependents",
            help="Also withdraw every record that cannot stand without these: a patient's tumours, "
            "implants, visits and events; a plaque's checks and certificates.",
        ),
    ] = False,
    by: RecordedBy = None,
    as_json: JsonFlag = False,
) -> None:
    """Withdraw records that were entered by mistake; all their versions are kept.

    A withdrawn record is in no report and no analysis from then on; history still tells it, and a
    data cut from before still holds it. All named records are withdrawn together or none; a record
    to which others still refer is refused, unless --with-dependents withdraws these too. This is
    not erasure: nothing is deleted.
    """
    from registry.engine.dependents import find_dependents
    from registry.store import open_store

    store, records = split_store_and_records(arguments)
    named = list(dict.fromkeys(split_record(text) for text in records))
    recorder = name_recorder(by)
    with open_store(store, write=True) as opened:
        if with_dependents:
            named += find_dependents(opened.connection, named)
        by_table: dict[str, list[str]] = {}
        for table, key in named:
            by_table.setdefault(table, []).append(key)
        with opened.batch("withdrawal", by=recorder, why=why, at=now_utc()) as batch:
            for table, keys in by_table.items():
                batch.withdraw(table, keys)
            batch_no = batch.batch_no
    shown = [f"{table}:{key}" for table, key in named]
    payload = {"command": "withdraw", "withdrawn": shown, "batch": batch_no}
    answer(payload, as_json=as_json, text="\n".join(f"withdrawn: {record}" for record in shown))
