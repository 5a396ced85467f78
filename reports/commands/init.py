"""``afterplaque init``: an empty registry, or an older one brought up to date."""

from __future__ import annotations

from typing import Annotated

import typer

from reports.command_frame import JsonFlag, answer, note
from reports.options.option_values import StorePath, now_utc
from reports.options.record_arguments import RecordedBy, name_recorder


def init(
    store: StorePath,
    centre: Annotated[
        str, typer.Option("--centre", help="The centre that keeps it; stands in every record.")
    ] = "unnamed_centre",
    encrypt: Annotated[
        bool,
        typer.Option("--encrypt", help="Encrypt the file with a new key, written to STORE.key."),
    ] = False,
    upgrade: Annotated[
        bool,
        typer.Option("--upgrade", help="Bring an existing registry to this program's schema."),
    ] = False,
    by: RecordedBy = None,
    as_json: JsonFlag = False,
) -> None:
    """Make an empty registry with the default settings.

    Nothing that exists is overwritten. Beside STORE stand STORE.lock (who writes), STORE.head (the
    last commit) and, after the first writing, STORE.previous (a copy from before it): all of them
    hold or guard patients' records and belong in the same protected folder.
    """
    from registry.engine.encryption import key_path
    from registry.engine.migrate import read_migrations
    from registry.errors import UsageError
    from registry.store import create_store, open_store

    if upgrade:
        if encrypt:
            raise UsageError("--upgrade does not go with --encrypt.", option="--encrypt")
        with open_store(store, write=True) as opened:
            settings = opened.settings()
    else:
        create_store(store, centre_id=centre, by=name_recorder(by), at=now_utc(), encrypt=encrypt)
        with open_store(store) as opened:
            settings = opened.settings()
    payload: dict[str, object] = {
        "command": "init",
        "store": str(store),
        "schema": read_migrations()[-1].number,
        "upgraded": upgrade,
        "settings": settings,
    }
    if not upgrade:
        payload["encrypted"] = encrypt
    answer(payload, as_json=as_json, text=str(store))
    if as_json:
        return
    if encrypt:
        note(
            f"The key is in {key_path(store)}. Move it away from the registry, keep a second copy "
            "of it, and name its place in AFTERPLAQUE_KEY_FILE: without the key every record is "
            "lost."
        )
    if not upgrade:
        note(f"Next: afterplaque intake {store} FILE...")
