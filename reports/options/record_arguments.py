"""Naming a registry, records in it and oneself on the command line."""

from __future__ import annotations

import getpass
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from registry.errors import UsageError
from registry.records import TABLES

STORE_VARIABLE = "AFTERPLAQUE_STORE"

RecordedBy = Annotated[
    str | None,
    typer.Option(
        "--by",
        envvar="AFTERPLAQUE_BY",
        help="Who records this (default: AFTERPLAQUE_BY, else the login name).",
    ),
]
"""Type of the ``--by`` option of every command that records something."""


def name_recorder(by: str | None) -> str:
    """Return who records: as given, else the login name; UsageError when there is neither."""
    if by is None:
        try:
            by = getpass.getuser()
        except (OSError, KeyError, ImportError):
            by = ""
    if not by.strip():
        raise UsageError("Say who records this with --by NAME.", option="--by")
    return by.strip()


def _names_a_record(text: str) -> bool:
    table, colon, _ = text.partition(":")
    return bool(colon) and table in TABLES


def split_store_and_records(arguments: Sequence[str]) -> tuple[Path, list[str]]:
    """Split ``[STORE] TABLE:KEY ...``; without STORE, AFTERPLAQUE_STORE names the registry.

    Raises
    ------
    UsageError
        When there is no registry, or no record.

    Examples
    --------
    >>> store, records = split_store_and_records(["ours.registry", "patient:P1"])
    >>> str(store), records
    ('ours.registry', ['patient:P1'])
    """
    records = list(arguments)
    named = os.environ.get(STORE_VARIABLE)
    is_store_given = not _names_a_record(records[0]) and not (named and len(records) == 1)
    store = records.pop(0) if is_store_given else named
    if store is None:
        raise UsageError(
            f"Name the registry before the record, or set {STORE_VARIABLE}.", option="STORE"
        )
    if not records:
        raise UsageError("Name a record as TABLE:KEY, for example patient:P0001.", option="RECORD")
    return Path(store), records


def split_store_and_key(arguments: Sequence[str], table: str) -> tuple[Path, str]:
    """Split ``[STORE] KEY`` of one table; without STORE, AFTERPLAQUE_STORE names the registry.

    Raises
    ------
    UsageError
        When there is no registry, no key, or more than both.

    Examples
    --------
    >>> store, tumour_id = split_store_and_key(["ours.registry", "T0001"], "tumour")
    >>> str(store), tumour_id
    ('ours.registry', 'T0001')
    """
    named = os.environ.get(STORE_VARIABLE)
    if len(arguments) == 2:
        return Path(arguments[0]), arguments[1]
    if len(arguments) == 1 and named:
        return Path(named), arguments[0]
    if len(arguments) == 1:
        raise UsageError(
            f"Name the registry before the {table}, or set {STORE_VARIABLE}.", option="STORE"
        )
    raise UsageError(f"Name one registry and one {table}.", option=f"{table.upper()}_ID")


def split_record(text: str) -> tuple[str, str]:
    """Split ``TABLE:KEY`` at the first colon; UsageError when there is none.

    Examples
    --------
    >>> split_record("certificate:RU-1|2024-03-01 12:00|2.0")
    ('certificate', 'RU-1|2024-03-01 12:00|2.0')
    """
    table, colon, key = text.partition(":")
    if not colon or not key.strip():
        raise UsageError(
            f"A record is named TABLE:KEY (key parts joined by |), not {text!r}.", option="RECORD"
        )
    return table, key
