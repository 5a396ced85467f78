"""Reading the whole store back: every link of the chain, and whether its parts fit, in DuckDB."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from registry.engine.chain import Link
from registry.engine.duckdb_schema import ChainedTable, content_hash
from registry.engine.storage import Inconsistency
from registry.records import TABLES

_ROWS_AT_A_TIME = 100_000


def read_links(connection: Any, chained: Mapping[str, ChainedTable]) -> Iterator[Link]:
    """Read every link of the chain in order, its content hashed anew from the stored values."""
    parts = []
    for table in chained.values():
        record = ", ".join(f"CAST({name} AS VARCHAR)" for name in table.primary_key)
        parts.append(
            f"SELECT entry_no, '{table.name}' AS table_name, concat_ws('|', {record}) AS record, "
            f"content_hash, {content_hash(table)} AS content_now, chain_hash FROM {table.name}"
        )
    query = " UNION ALL ".join(parts) + " ORDER BY entry_no"
    for batch in connection.sql(query).to_arrow_table().to_batches(_ROWS_AT_A_TIME):
        for row in zip(*(column.to_pylist() for column in batch.columns), strict=True):
            yield Link(*row)


def _each_question() -> Iterator[tuple[str, str, str]]:
    """Yield (table, query for the records at fault, what is wrong)."""
    for table in TABLES.values():
        versions, identity = f"{table.name}_version", f"{table.name}_key"
        keys = ", ".join(field.name for field in table.key)
        shown = ", ".join(f"CAST({field.name} AS VARCHAR)" for field in table.key)
        yield (
            versions,
            f"SELECT concat_ws('|', {shown}) FROM {versions} GROUP BY {keys} "
            "HAVING count(*) <> max(version) OR min(version) <> 1",
            "its versions are not numbered 1, 2, 3, ...",
        )
        yield (
            identity,
            f"SELECT concat_ws('|', {shown}) FROM (SELECT {keys} FROM {identity} EXCEPT "
            f"SELECT {keys} FROM {versions})",
            "the record has no version",
        )
        yield (
            versions,
            f"SELECT concat_ws('|', {shown}) FROM (SELECT {keys} FROM {versions} EXCEPT "
            f"SELECT {keys} FROM {identity})",
            "the record has no identity",
        )
    counted = " UNION ALL ".join(f"SELECT batch_no FROM {name}_version" for name in TABLES)
    yield (
        "batch",
        "SELECT CAST(batch_no AS VARCHAR) FROM "
        f"(SELECT batch_no, count(*) AS n FROM ({counted}) GROUP BY batch_no) found "
        "FULL JOIN batch USING (batch_no) WHERE coalesce(n, 0) IS DISTINCT FROM n_versions",
        "it does not hold the versions that it counted",
    )


def find_inconsistency(connection: Any) -> Inconsistency | None:
    """Find a record, version or batch that does not fit the others; None when all fit."""
    for table, query, what in _each_question():
        found = connection.execute(f"{query} LIMIT 1").fetchall()
        if found:
            return Inconsistency(table, found[0][0], what)
    return None
