"""The SQL of the staging area: its temporary tables, and how they compare with the registry.

``staged_TABLE`` holds the rows of the files, ``lost_TABLE`` keys of rows that cannot be read,
``after_TABLE`` the registry as it would be afterwards, and ``state_TABLE`` whether each staged row
is ``new``, ``changed``, ``unchanged`` or ``withdrawn``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from registry.derived import join_derived
from registry.engine.duckdb_schema import column_type
from registry.entry_rules.record_rules import list_codes
from registry.records import Field, RecordTable


def _staged_type(field: Field) -> str:
    """The store's type, but codes as an ENUM, which takes one byte a row instead of sixteen."""
    if field.type == "code":
        return f"ENUM ({list_codes(field.codes)})"
    return column_type(field)


def _same_key(table: RecordTable, one: str, other: str) -> str:
    return " AND ".join(f"{one}.{field.name} = {other}.{field.name}" for field in table.key)


def is_readable(field: str) -> str:
    """SQL: the row's cell of that field was read (or blank), not refused."""
    return f"coalesce(NOT list_contains(r.unreadable, '{field}'), true)"


def create_staging(table: RecordTable, *, is_held: bool) -> Iterator[str]:
    """Make the temporary tables and the view of one record table.

    ``is_held`` tells whether the registry holds any of its records.
    """
    name = table.name
    typed = ", ".join(f"{field.name} {_staged_type(field)}" for field in table.entered)
    yield (
        f"CREATE TEMP TABLE staged_{name} ({typed}, file_no INTEGER, line BIGINT, "
        "unreadable VARCHAR[])"
    )
    yield f"CREATE TEMP TABLE lost_{name} ({table.key[0].name} VARCHAR)"
    names = ", ".join(field.name for field in table.entered)
    after = f"SELECT {names}, file_no, line FROM staged_{name}"
    if is_held:
        after += (
            f" UNION ALL SELECT {names}, NULL::INTEGER AS file_no, NULL::BIGINT AS line "
            f"FROM {name} r WHERE NOT EXISTS "
            f"(SELECT 1 FROM staged_{name} s WHERE {_same_key(table, 's', 'r')})"
        )
    yield f"CREATE TEMP VIEW after_{name} AS {after}"


def fill_from_registry(table: RecordTable, names: Sequence[str], file_no: int) -> str:
    """Give a file's rows the registry's values of fields that the file has no column for."""
    values = ", ".join(f"{name} = s.{name}" for name in names)
    return (
        f"UPDATE staged_{table.name} SET {values} FROM {table.name} s "
        f"WHERE {_same_key(table, 's', f'staged_{table.name}')} AND file_no = {file_no}"
    )


def mark_states(table: RecordTable, *, is_empty: bool) -> str:
    """Tell new records from known ones; ``is_empty``: the registry never held one."""
    name, key = table.name, table.key[0].name
    if is_empty:
        return (
            f"CREATE TEMP TABLE state_{name} AS SELECT file_no, line, 'new' AS state "
            f"FROM staged_{name}"
        )
    differs = " OR ".join(
        f"s.{field.name} IS DISTINCT FROM r.{field.name}" for field in table.entered
    )
    return (
        f"CREATE TEMP TABLE state_{name} AS SELECT r.file_no, r.line, CASE "
        f"WHEN k.{key} IS NULL THEN 'new' WHEN s.{key} IS NULL THEN 'withdrawn' "
        f"WHEN {differs} THEN 'changed' ELSE 'unchanged' END AS state FROM staged_{name} r "
        f"LEFT JOIN {name}_key k ON {_same_key(table, 'k', 'r')} "
        f"LEFT JOIN {name} s ON {_same_key(table, 's', 'r')}"
    )


def join_held(table: RecordTable) -> str:
    """SQL that joins to each staged row ``r`` the current record ``s`` of the registry."""
    return f"JOIN {table.name} s ON {_same_key(table, 's', 'r')}"


def select_changed(table: RecordTable, field: Field, is_news: str = "false") -> str:
    """Select rows whose field differs.

    ``file_no, line``, new value, held value, held version, key, and ``is_news`` (SQL).
    """
    new, held = f"r.{field.name}", f"s.{field.name}"
    key = " || '|' || ".join(f"CAST(r.{part.name} AS VARCHAR)" for part in table.key)
    return (
        f"SELECT file_no, line, CAST({new} AS VARCHAR), CAST({held} AS VARCHAR), s.version, "
        f"{key}, {is_news} "
        f"FROM staged_{table.name} r JOIN state_{table.name} USING (file_no, line) "
        f"{join_held(table)} WHERE state = 'changed' "
        f"AND {is_readable(field.name)} AND {new} IS DISTINCT FROM {held}"
    )


def select_incomplete(table: RecordTable, field: Field) -> str:
    """Select rows to be recorded that lack a required field without a finding of its own."""
    return (
        f"SELECT file_no, line FROM staged_{table.name} r JOIN state_{table.name} "
        f"USING (file_no, line) WHERE r.{field.name} IS NULL AND {is_readable(field.name)} "
        "AND state <> 'unchanged'"
    )


def select_page(
    table: RecordTable, file_no: int, first: int, last: int, *, are_new: bool = False
) -> str:
    """Select the rows of some lines that make a new version, with their derived fields.

    ``are_new`` tells that every row of the table does.
    """
    derived, joins = join_derived(table, "r")
    values = [f"r.{field.name}" for field in table.entered]
    values += [
        f"CAST({sql} AS {column_type(table.field(name))}) AS {name}"
        for name, sql in derived.items()
    ]
    changes = "" if are_new else "AND t.state <> 'unchanged'"
    if not are_new:
        joins = f"JOIN state_{table.name} t ON t.file_no = r.file_no AND t.line = r.line {joins}"
    return (
        f"SELECT {', '.join(values)} FROM staged_{table.name} r {joins} "
        f"WHERE r.file_no = {file_no} AND r.line BETWEEN {first} AND {last} {changes} "
        "ORDER BY r.line"
    )
