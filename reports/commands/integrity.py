"""``afterplaque integrity``: whether a registry is what was recorded."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from reports.command_frame import JsonFlag, answer, note
from reports.options.option_values import StorePath

if TYPE_CHECKING:
    from registry.safekeeping.integrity import Integrity

FAULTS_FOUND = 3


def _lay_out(found: Integrity) -> str:
    from reports.render.text import lay_out_table

    if found.is_whole:
        lines = [
            f"whole: {found.batches} batches, {found.entries} entries, every value as recorded",
            f"chain hash {found.chain_hash}",
        ]
        if found.locked_as:
            lines.append(f"data lock, content hash {found.locked_as}")
        elif not found.file_checked:
            lines.append("the file's checksum is not known, since a writer was interrupted")
        return "\n".join(lines)
    rows = [
        [fault.kind, f"{fault.table}:{fault.record}" if fault.table else "-", fault.what]
        for fault in found.faults
    ]
    return lay_out_table(["kind", "record", "what"], rows)


def integrity(
    store: StorePath,
    expect: Annotated[
        str | None,
        typer.Option(
            "--expect",
            metavar="HASH",
            help="A chain hash kept elsewhere (a report, a backup): it must be on the chain.",
        ),
    ] = None,
    as_json: JsonFlag = False,
) -> None:
    """Read every value of a registry or data lock, recompute the chain, and name what is wrong.

    Checks the file's checksum, every record against the chain of hashes, versions and batches for
    gaps, the side file STORE.head, and the views and guards. Names the first record that does not
    fit. Exit 0: whole; 3: something was found. Nothing is changed.
    """
    from registry.safekeeping.integrity import check_integrity

    found = check_integrity(store, expected_hash=expect)
    payload: dict[str, object] = {
        "command": "integrity",
        "store": str(store),
        "whole": found.is_whole,
        "faults": list(found.faults),
        "batches": found.batches,
        "entries": found.entries,
        "chain_hash": found.chain_hash,
        "content_hash": found.locked_as,
        "file_checksum_known": found.file_checked,
    }
    answer(payload, as_json=as_json, text=_lay_out(found))
    if found.is_whole:
        return
    if not as_json:
        note(
            "Do not write to it. Copy all of its files to a safe place, then restore the newest "
            "backup with `afterplaque restore`, and compare."
        )
    raise typer.Exit(FAULTS_FOUND)
