"""``afterplaque submit``: patients' records for another department."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from reports.command_frame import JsonFlag, answer, note
from reports.options.option_values import StorePath, now_utc
from reports.options.record_arguments import RecordedBy, name_recorder


def submit(
    store: StorePath,
    out: Annotated[Path, typer.Argument(metavar="DIR", help="The folder to make.")],
    everyone: Annotated[
        bool,
        typer.Option(
            "--everyone",
            help="Also people without research consent; only where an agreement allows it.",
        ),
    ] = False,
    by: RecordedBy = None,
    as_json: JsonFlag = False,
) -> None:
    """Write the current records, with checksums and a content hash, for `gather` elsewhere.

    Only people who consented to research are in it, unless --everyone is given. It holds patients'
    records under your pseudonyms.
    """
    from dataclasses import asdict

    from registry.safekeeping.submissions import submit as write_submission

    made = write_submission(store, out, by=name_recorder(by), at=now_utc(), everyone=everyone)
    payload = {"command": "submit", "folder": str(out), **asdict(made)}
    count = made.rows["patient"]
    people = f"{count} patient{'s' * (count != 1)}"
    text = f"{out}\n{people} of {made.centre}, content {made.content_hash}"
    answer(payload, as_json=as_json, text=text)
    if not as_json:
        note("Tell the receiver the content hash by another way than the files.")
