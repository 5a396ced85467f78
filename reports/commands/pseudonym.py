"""``afterplaque pseudonym``: pseudonyms for a department's own identifiers."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from registry.errors import RefusedInputError, UsageError
from reports.command_frame import JsonFlag, answer, note


def _read_lines(source: Path | None) -> list[str]:
    if source is None:
        return sys.stdin.read().splitlines()
    try:
        return source.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError):
        raise RefusedInputError(
            f"{source} cannot be read as text in UTF-8.", file=str(source)
        ) from None


def pseudonym(
    key_file: Annotated[
        Path,
        typer.Option(
            "--key-file",
            envvar="AFTERPLAQUE_PSEUDONYM_KEY",
            help="File of the secret key; keep it away from the registry.",
        ),
    ],
    make_key: Annotated[
        bool, typer.Option("--make-key", help="Draw a new key into that file first.")
    ] = False,
    source: Annotated[
        Path | None,
        typer.Option("--from", help="Text file with an identifier a line (default: stdin)."),
    ] = None,
    prefix: Annotated[str, typer.Option("--prefix", help="Letters before the pseudonym.")] = "P",
    as_json: JsonFlag = False,
) -> None:
    """Turn local identifiers, one a line, into pseudonyms, one a line, in the same order.

    The same identifier and key give the same pseudonym for ever; without the key no one can go
    back, so keep the key, and a copy of it, outside the registry. Identifiers are read from
    standard input or a file, never from the command line, where other users and the shell's
    history would see them; they are written nowhere.
    """
    from registry.engine.encryption import make_key as draw_key
    from registry.safekeeping.pseudonyms import make_pseudonyms, name_key
    from registry.safekeeping.sealing import read_or_make_key

    if not prefix.isalnum() or len(prefix) > 8:
        raise UsageError("--prefix takes up to eight letters or digits.", option="--prefix")
    if make_key:
        draw_key(key_file)
        note(f"The key is in {key_file}. Keep a second copy: no other key makes these pseudonyms.")
    key = read_or_make_key(key_file, make=False)
    made = make_pseudonyms(_read_lines(source), key, prefix=prefix)
    payload = {
        "command": "pseudonym",
        "pseudonyms": made.in_order,
        "distinct": made.distinct,
        "key": name_key(key),
    }
    answer(payload, as_json=as_json, text="\n".join(text or "" for text in made.in_order))
