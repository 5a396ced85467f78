"""``afterplaque backup``: the whole registry in files that any engine can read."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from reports.command_frame import JsonFlag, answer, note
from reports.options.option_values import StorePath, now_utc
from reports.options.record_arguments import RecordedBy, name_recorder


def backup(
    store: StorePath,
    out: Annotated[Path, typer.Argument(metavar="OUT", help="The folder to make.")],
    key_file: Annotated[
        Path | None,
        typer.Option(
            "--key-file",
            help="Seal the files with the key in this file (made, readable by you alone, when "
            "there is none). Needs the library cryptography.",
        ),
    ] = None,
    by: RecordedBy = None,
    as_json: JsonFlag = False,
) -> None:
    """Write every version, batch, setting and anchor into a new folder, with checksums.

    One Parquet file a table, manifest.json with the content hash and the chain hash, and
    SHA256SUMS, which `sha256sum -c` understands. The chain is checked first. Keep backups, and
    their key, in places of their own: whoever has a plain one has the records.
    """
    from registry.safekeeping.exchange import back_up

    is_new_key = key_file is not None and not key_file.exists()
    made = back_up(
        store,
        out,
        by=name_recorder(by),
        at=now_utc(),
        key_file=key_file,
        make_key_file=True,
    )
    payload = {
        "command": "backup",
        "folder": str(out),
        "sealed": key_file is not None,
        "content_hash": made.content_hash,
        "chain_hash": made.chain_hash,
        "batches": made.batches,
        "entries": made.entries,
        "schema": made.schema,
        "rows": made.rows,
    }
    answer(payload, as_json=as_json, text=f"{out}\ncontent hash {made.content_hash}")
    if as_json:
        return
    if is_new_key:
        note(
            f"The key is in {key_file}. Keep a second copy of it away from the backup: without it "
            "the backup cannot be opened."
        )
    note(f"Next: prove it with `afterplaque restore {out} NEW.registry`.")
