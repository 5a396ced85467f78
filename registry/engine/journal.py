"""Who changed what, when and why: the versions of one record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from registry.errors import RefusedInputError
from registry.records import TABLES, RecordTable

_OWN = ("batch_kind", "version", "batch_no", "recorded_at", "recorded_by", "recorded_why")


@dataclass(frozen=True, slots=True)
class VersionRow:
    """One version of one record.

    ``recorded_at`` is UTC. ``values`` holds every declared field; ``changed`` names the fields
    that differ from the version before (all that hold a value in the first version).
    """

    version: int
    batch_no: int
    kind: str
    recorded_at: datetime
    recorded_by: str
    reason: str
    withdrawn: bool
    values: Mapping[str, Any]
    changed: tuple[str, ...]


def find_table(name: str) -> RecordTable:
    """Return the record table of that name.

    Raises
    ------
    RefusedInputError
        When there is none, listing those that there are.
    """
    if name not in TABLES:
        raise RefusedInputError(
            f"There is no table {name!r}. Tables are {', '.join(TABLES)}.", table=name
        )
    return TABLES[name]


def split_key(table: RecordTable, key_text: str) -> tuple[str, ...]:
    """Split a record's key as a person writes it: its parts in order, with ``|`` between.

    Examples
    --------
    >>> split_key(TABLES["applicator_check"], "RU-1|2024-03-01|output")
    ('RU-1', '2024-03-01', 'output')

    Raises
    ------
    RefusedInputError
        When there are fewer parts than the key has, or a blank one.
    """
    names = [field.name for field in table.key]
    parts = tuple(part.strip() for part in key_text.rsplit("|", len(names) - 1))
    if len(names) == 1:
        parts = (key_text.strip(),)
    if len(parts) != len(names) or not all(parts):
        raise RefusedInputError(
            f"A record of {table.name} is named by {'|'.join(names)}; {key_text!r} is not that.",
            table=table.name,
            key=key_text,
        )
    return parts


def tell_history(table: RecordTable, versions: list[dict[str, Any]]) -> list[VersionRow]:
    """Turn stored versions, oldest first, into what changed from one to the next."""
    told = []
    before: Mapping[str, Any] = {}
    for row in versions:
        values = {field.name: row[field.name] for field in table.fields}
        changed = tuple(name for name, value in values.items() if value != before.get(name))
        kind, version, batch_no, at, by, why = (row[name] for name in _OWN)
        told.append(
            VersionRow(
                version=version,
                batch_no=batch_no,
                kind=kind,
                recorded_at=at.replace(tzinfo=UTC),
                recorded_by=by,
                reason=why,
                withdrawn=row["withdrawn"],
                values=values,
                changed=changed,
            )
        )
        before = values
    return told
