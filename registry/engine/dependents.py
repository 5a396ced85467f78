"""Which current records hang on others: a patient's tumours, their implants, visits and events."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from registry.records import TABLES


def find_dependents(
    connection: Any, records: Sequence[tuple[str, str]]
) -> tuple[tuple[str, str], ...]:
    """Find every current record that cannot stand without these, and so on in turn.

    These are the records whose *required* reference leads there. An implant can stand without its
    plaque, and a visit without the tumour that it names: they are corrected, not withdrawn.

    Parameters
    ----------
    connection
        A connection with the registry in use.
    records
        Table and key as text, the parts of a key joined by ``|``.

    Returns
    -------
    tuple of (str, str)
        Table and key as text of each, without ``records`` themselves, nearest first.
    """
    seen = list(dict.fromkeys(records))
    for table, key in seen:  # grows while it is read
        for child in TABLES.values():
            parts = ", ".join(f"CAST({field.name} AS VARCHAR)" for field in child.key)
            for field in child.references:
                if field.references != table or not field.is_required:
                    continue
                found = connection.execute(
                    f"SELECT concat_ws('|', {parts}) FROM {child.name} "
                    f"WHERE {field.name} = ? ORDER BY 1",
                    [key.strip()],
                ).fetchall()
                seen += [(child.name, text) for (text,) in found if (child.name, text) not in seen]
    return tuple(seen[len(dict.fromkeys(records)) :])
