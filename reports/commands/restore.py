"""``afterplaque restore``: a registry from its backup, proved before it is there."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from reports.command_frame import JsonFlag, answer, note
from reports.options.option_values import now_utc


def restore(
    backup: Annotated[Path, typer.Argument(metavar="BACKUP", help="The folder of a backup.")],
    store: Annotated[
        Path, typer.Argument(metavar="STORE", help="The registry file to make; never overwritten.")
    ],
    key_file: Annotated[
        Path | None, typer.Option("--key-file", help="File of the key of a sealed backup.")
    ] = None,
    encrypt: Annotated[
        bool,
        typer.Option(
            "--encrypt",
            help="Let the database engine encrypt the new registry, with the key in STORE.key or "
            "AFTERPLAQUE_KEY_FILE (drawn when there is none); without it the registry is plain.",
        ),
    ] = False,
    as_json: JsonFlag = False,
) -> None:
    """Make a new registry from a backup; say done only when it holds what was backed up.

    Every file is checked against its checksum, an older schema is brought up to date, and content
    hash and chain of the new registry are compared with the backup's. A backup that was cut short
    or changed is refused, naming the file, and leaves nothing.
    """
    from registry.engine.encryption import key_path
    from registry.safekeeping.exchange import restore as restore_backup

    made = restore_backup(backup, store, at=now_utc(), key_file=key_file, encrypt=encrypt)
    payload = {
        "command": "restore",
        "store": str(store),
        "content_hash": made.content_hash,
        "chain_hash": made.chain_hash,
        "batches": made.batches,
        "entries": made.entries,
        "made_at": made.made_at,
        "encrypted": encrypt,
        "rows": made.rows,
    }
    text = f"{store}\ncontent hash {made.content_hash}, as backed up {made.made_at}"
    answer(payload, as_json=as_json, text=text)
    if not as_json:
        note(
            "Content hash and chain are those of the backup. What was recorded after it, "
            f"{made.made_at}, has to be taken in again."
        )
        if encrypt:
            note(f"The registry's key is in {key_path(store)}: keep a copy of it elsewhere.")
        elif key_file is not None:
            note("The backup was sealed, and this registry is not: keep it on an encrypted disk.")
