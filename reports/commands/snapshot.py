"""``afterplaque snapshot``: a data lock, from which every report can start."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from registry.errors import UsageError
from reports.command_frame import JsonFlag, answer, note
from reports.options.option_values import StorePath, now_utc, read_date
from reports.options.record_arguments import RecordedBy, name_recorder


def read_moment(text: str, *, option: str) -> datetime:
    """Read a day or a moment; a day means its end. UTC unless a zone is written.

    Raises
    ------
    UsageError
        Naming the option.

    Examples
    --------
    >>> read_moment("2024-02-29", option="--recorded-until")
    datetime.datetime(2024, 2, 29, 23, 59, 59, 999999)
    """
    try:
        if len(text) == 10:
            return datetime.fromisoformat(f"{text}T23:59:59.999999")
        return datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(
            f"{option} takes a moment written YYYY-MM-DDTHH:MM:SS (UTC) or a day, not {text!r}.",
            option=option,
        ) from None


def snapshot(
    store: StorePath,
    out: Annotated[Path, typer.Argument(metavar="OUT", help="The file to make.")],
    data_cut: Annotated[
        str, typer.Option("--data-cut", help="Last day that counts in its reports, YYYY-MM-DD.")
    ],
    recorded_until: Annotated[
        str | None,
        typer.Option(
            "--recorded-until",
            metavar="TS",
            help="Leave out what was recorded later: YYYY-MM-DDTHH:MM:SS (UTC) or a day.",
        ),
    ] = None,
    by: RecordedBy = None,
    as_json: JsonFlag = False,
) -> None:
    """Lock the data: one read-only file of the records as they stood, with their content hash.

    audit, outcome and the other readers take the lock as STORE; its data cut is then their
    default, and the audit prints its content hash. The same records and data cut give the same
    hash whenever the lock is made, and the same lock gives the same report byte for byte.
    """
    from registry.safekeeping.freeze import freeze

    cut = read_date(data_cut, option="--data-cut")
    until = read_moment(recorded_until, option="--recorded-until") if recorded_until else None
    lock = freeze(
        store, out, data_cut=cut, by=name_recorder(by), at=now_utc(), recorded_until=until
    )
    payload = {
        "command": "snapshot",
        "file": str(out),
        "data_cut": lock.data_cut,
        "recorded_until": lock.recorded_until,
        "content_hash": lock.content_hash,
    }
    answer(payload, as_json=as_json, text=f"{out}\ncontent hash {lock.content_hash}")
    if not as_json:
        note(f"Next: afterplaque audit {out} --year {cut.year}")
