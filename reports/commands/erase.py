"""``afterplaque erase``: a person out of the registry, for good."""

from __future__ import annotations

from typing import Annotated

import typer

from registry.errors import UsageError
from reports.command_frame import JsonFlag, answer, note
from reports.options.option_values import now_utc
from reports.options.record_arguments import (
    RecordedBy,
    name_recorder,
    split_record,
    split_store_and_records,
)


def erase(
    arguments: Annotated[
        list[str],
        typer.Argument(
            metavar="[STORE] patient:KEY",
            help="The registry and the patient. Without STORE: AFTERPLAQUE_STORE.",
        ),
    ],
    why: Annotated[
        str, typer.Option("--why", help="Why, kept for good: it must not name the person.")
    ],
    by: RecordedBy = None,
    as_json: JsonFlag = False,
) -> None:
    """Erase one person: the file is rebuilt without them, in every version.

    Goes: the patient, their tumours, implants, visits, events, and their identifiers in reasons and
    file names. Stays: that someone was erased, when, by whom, why and how many records, with the
    hash of the old chain. STORE.previous is destroyed; backups, data locks, exports and the files
    that were taken in are yours to destroy. It cannot be undone; `withdraw` can.
    """
    from registry.safekeeping.erasure import erase_patient

    store, records = split_store_and_records(arguments)
    named = [split_record(text) for text in records]
    if len(named) != 1 or named[0][0] != "patient":
        raise UsageError("erase takes one patient, as patient:KEY.", option="RECORD")
    done = erase_patient(store, named[0][1], by=name_recorder(by), why=why, at=now_utc())
    payload = {
        "command": "erase",
        "store": str(store),
        "erased_persons": 1,
        "versions": done.versions,
        "records": done.records,
        "previous_hash": done.previous_hash,
        "chain_hash": done.chain_hash,
    }
    counted = ", ".join(f"{count} {table}" for table, count in done.records.items())
    answer(payload, as_json=as_json, text=f"erased: 1 person ({counted})")
    note(
        "The registry holds nothing of this person any more. Destroy the backups, data locks, "
        "exports and source files that still do, and make a new backup. Leave this person out of "
        "every export to come, too: the registry cannot know them again, and would take them in."
    )
