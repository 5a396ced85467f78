"""Rows on their way into the store: types, last checks and the typed rows, in DuckDB's SQL."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import chain
from typing import Any

import pyarrow as pa

from registry.engine.duckdb_schema import ChainedTable, Filling, column_type
from registry.engine.storage import Stamp
from registry.records import DECIMAL_PLACES, Field, RecordTable

BASED_ON = "based_on_version"
"""Optional column of appended rows: the version that the row was edited from (0 for a new one)."""

_SHOWN_ROWS = 5

_RunQuery = Callable[[str, Sequence[object]], list[tuple[Any, ...]]]


def _is_text(kind: Any) -> bool:
    if pa.types.is_dictionary(kind):
        kind = kind.value_type
    return bool(
        pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind)
    )


def _fits(field: Field, kind: Any) -> bool:
    types = pa.types
    if types.is_null(kind):
        return True
    if field.type == "integer":
        return bool(types.is_integer(kind))
    if field.type == "decimal":
        return bool(types.is_integer(kind) or types.is_floating(kind) or types.is_decimal(kind))
    if field.type == "date":
        return bool(types.is_date(kind))
    if field.type == "timestamp":
        return bool(types.is_timestamp(kind) and kind.tz is None)
    return _is_text(kind)


def check_column_types(table: RecordTable, schema: Any) -> None:
    """Refuse columns that the table has not and columns of another type than their field.

    Raises
    ------
    ValueError
        Naming the column; text is never read as a number or a date here, that is intake's part.
    """
    fields = {field.name: field for field in table.fields}
    for column in schema:
        if column.name == BASED_ON and pa.types.is_integer(column.type):
            continue
        if column.name not in fields:
            raise ValueError(f"{table.name} has no field {column.name!r}")
        field = fields[column.name]
        if not _fits(field, column.type):
            raise ValueError(
                f"{table.name}.{column.name} takes {field.type}, not Arrow's {column.type}"
            )
    missing = [field.name for field in table.key if field.name not in schema.names]
    if missing:
        raise ValueError(f"{table.name} rows lack the key field {missing[0]!r}")


def _name_rows(rows: list[tuple[Any, ...]]) -> str:
    numbers = [str(row[0]) for row in rows]
    more = " and more" if len(numbers) > _SHOWN_ROWS else ""
    return f"row {', '.join(numbers[:_SHOWN_ROWS])}{more}"


def _blank_rows(field: Field) -> str:
    blank = f"{field.name} IS NULL"
    if column_type(field) == "VARCHAR":
        blank += f" OR trim({field.name}) = ''"
    return blank


def _rounded_rows(field: Field) -> str:
    """Values that the column would round; NaN and infinities too."""
    kept = f"try_cast({field.name} AS {column_type(field)})"
    return (
        f"{field.name} IS NOT NULL AND CAST({kept} AS DOUBLE) "
        f"IS DISTINCT FROM CAST({field.name} AS DOUBLE)"
    )


def _would_be_rounded(kind: Any) -> bool:
    is_fine = pa.types.is_decimal(kind) and kind.scale > DECIMAL_PLACES
    return bool(pa.types.is_floating(kind) or is_fine)


def _field_checks(table: RecordTable, schema: Any, *, may_refer: bool) -> Iterator[tuple[str, str]]:
    """Yield (condition on appended_rows, what is wrong) for one field after another."""
    for field in table.fields:
        if field.name not in schema.names:
            continue
        if field.is_required:
            yield _blank_rows(field), f"{field.name} is blank and must not be"
        if _would_be_rounded(schema.field(field.name).type):
            places = f"more than {DECIMAL_PLACES} decimal places, or is no number that fits"
            yield _rounded_rows(field), f"{field.name} has {places}"
        if field.references and not may_refer:
            current = f"SELECT key FROM held_parents WHERE parent = '{field.references}'"
            wanted = f"{field.name} IS NOT NULL AND {field.name} NOT IN ({current})"
            said = f"{field.name} names a {field.references} that the registry does not hold"
            yield wanted, said + " (record that one first)"


def select_parents(table: RecordTable) -> str:
    """Write the query for ``held_parents``: every current record that a table may refer to."""
    parents = sorted({field.references for field in table.references if field.references})
    each = [f"SELECT '{name}' AS parent, {name}_id AS key FROM {name}" for name in parents]
    return " UNION ALL ".join(each or ["SELECT '' AS parent, '' AS key WHERE false"])


def _version_checks(
    table: RecordTable, schema: Any, stamp: Stamp, *, is_known: bool
) -> Iterator[tuple[str, str]]:
    """Yield (condition on appended_rows, what is wrong) for the rows as new versions."""
    keys = ", ".join(field.name for field in table.key)
    repeated = f"SELECT {keys} FROM appended_rows GROUP BY ALL HAVING count(*) > 1"
    yield f"({keys}) IN ({repeated})", "the same key stands in more than one row"
    if is_known and not stamp.why.strip():
        stored = f"SELECT {keys} FROM {table.name}_key"
        yield f"({keys}) IN ({stored})", "a new version of a record needs a reason"
    if BASED_ON in schema.names:
        match = " AND ".join(f"v.{f.name} = appended_rows.{f.name}" for f in table.key)
        latest = f"SELECT max(version) FROM {table.name}_version v WHERE {match}"
        changed = f"coalesce({BASED_ON}, 0) <> coalesce(({latest}), 0)"
        yield changed, "someone else has recorded a newer version; look at it first"


def find_row_faults(
    run: _RunQuery,
    table: RecordTable,
    schema: Any,
    stamp: Stamp,
    *,
    is_known: bool,
    may_refer_to_withdrawn: bool = False,
) -> str:
    """Say what keeps ``appended_rows`` out, naming rows and fields but no values; "" if nothing.

    ``is_known`` tells whether the record of some row is there already, and ``run`` finds what
    :func:`select_parents` selects as ``held_parents``. Checks blanks in required fields, values
    that would be rounded, references to records that are not there or withdrawn, repeated keys, a
    missing reason, and edits of an outdated version.
    """
    lacking = [f.name for f in table.fields if f.is_required and f.name not in schema.names]
    if lacking:
        return f"Table {table.name}: the required field {lacking[0]} is not among the columns."
    faults = []
    checks = chain(
        _field_checks(table, schema, may_refer=may_refer_to_withdrawn),
        _version_checks(table, schema, stamp, is_known=is_known),
    )
    for condition, said in checks:
        rows = run(
            f"SELECT row_no FROM appended_rows WHERE {condition} ORDER BY row_no "
            f"LIMIT {_SHOWN_ROWS + 1}",
            (),
        )
        if rows:
            faults.append(f"Table {table.name}, {_name_rows(rows)}: {said}.")
    return "\n".join(faults)


def leave_blank_columns_out(table: RecordTable, rows: Any) -> Any:
    """Leave out the columns of optional fields that hold nothing: they are NULL either way.

    Most fields of a large table are blank in any one page, and each costs time in every query.
    """
    optional = {field.name for field in table.fields if not field.is_required}
    kept = [
        name
        for name in rows.column_names
        if name not in optional or rows[name].null_count < rows.num_rows
    ]
    return rows.select(kept)


def describe_columns(
    table: RecordTable, rows: Any, chained: ChainedTable, *, all_new: bool
) -> dict[str, Filling]:
    """Say what is known of the typed columns that :func:`select_typed_rows` makes of rows."""
    known: dict[str, Filling] = {}
    fields = {field.name for field in table.fields}
    for column in chained.columns:
        name = column.name
        if name in rows.column_names:
            if not rows[name].null_count:
                known[name] = "filled"
        elif name not in fields and (name != "version" or all_new):
            known[name] = "constant"
        elif name in fields and not column.is_required:
            known[name] = "blank"
    return known


def select_typed_rows(
    table: RecordTable, schema: Any, chained: ChainedTable, *, all_new: bool = False
) -> str:
    """Write the query that turns ``appended_rows`` into typed, versioned rows in order.

    Columns that are NULL in every row are left out. With ``all_new`` no row's record is there yet,
    so no earlier version is looked for and the rows keep their order by themselves.

    Takes the named parameters batch_no, recorded_at, recorded_by, recorded_why, own_centre and
    withdrawn.
    """
    fields = {field.name: field for field in table.fields}
    keys = ", ".join(field.name for field in table.key)
    parts = []
    for column in chained.columns:
        given = column.name in schema.names
        if column.name in fields and not given and not column.is_required:
            continue
        value = f"CAST(${column.name} AS {column.type})"
        if column.name == "version":
            earlier = "0" if all_new else "coalesce(latest.version, 0)"
            value = f"CAST({earlier} + 1 AS INTEGER)"
        elif column.name == "centre_id":
            own = "CAST($own_centre AS VARCHAR)"
            entered = "nullif(trim(r.centre_id), '')" if given else "NULL"
            value = f"coalesce({entered}, {own})"
        elif column.name in fields:
            value = f"CAST(r.{column.name} AS {column.type})"
        parts.append(f"{value} AS {column.name}")
    if all_new:
        return f"SELECT {', '.join(parts)} FROM appended_rows r"
    match = " AND ".join(
        f"latest.{field.name} = CAST(r.{field.name} AS {column_type(field)})" for field in table.key
    )
    return (
        f"SELECT {', '.join(parts)} FROM appended_rows r LEFT JOIN "
        f"(SELECT {keys}, max(version) AS version FROM {chained.name} GROUP BY ALL) latest "
        f"ON {match} ORDER BY r.row_no"
    )
