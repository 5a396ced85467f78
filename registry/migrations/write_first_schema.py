"""Write ``duckdb/m001_first_schema.sql`` from the field declaration.

Run once, before the first release: ``python -m registry.migrations.write_first_schema``. From then
on a change to ``records.csv`` is a new numbered migration, and a test holds the migrated schema to
the one that the declaration gives.
"""

from __future__ import annotations

from pathlib import Path

from registry.engine.duckdb_schema import write_schema
from registry.records import TABLES

FIRST_SCHEMA = Path(__file__).with_name("duckdb") / "m001_first_schema.sql"
_HEADING = """\
-- The first schema of the registry. Written by registry/migrations/write_first_schema.py from
-- registry/records.csv; the store keeps this file's SHA-256 and refuses an edited one.

"""


def write_first_schema() -> str:
    """Return the text of the first migration."""
    return _HEADING + write_schema(TABLES)


if __name__ == "__main__":
    FIRST_SCHEMA.write_text(write_first_schema(), encoding="utf-8")
