"""The store's tables as DuckDB writes them: DDL and content hashes from the field declaration.

Everything that is spelled in DuckDB's own SQL dialect lives here and in
:mod:`registry.engine.duckdb_storage`. Each record table ``t`` becomes an identity table ``t_key``,
an append-only table ``t_version``, a view ``t`` of the current records and a table macro
``t_as_of(recorded_until)``. The tables that are chained together by hash are listed once, in
:func:`chained_tables`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from registry.records import Field, RecordTable

_TYPES = {
    "text": "VARCHAR",
    "code": "VARCHAR",
    "list": "VARCHAR",
    "integer": "INTEGER",
    "decimal": "DECIMAL(14,6)",
    "date": "DATE",
    "timestamp": "TIMESTAMP",
}
_CALENDAR = {
    "date": "BETWEEN DATE '1850-01-01' AND DATE '2199-12-31'",
    "timestamp": "BETWEEN TIMESTAMP '1850-01-01' AND TIMESTAMP '2199-12-31'",
}
_NOT_BLANK = "coalesce(length(trim({0})), 0) > 0"
_LINKS = (("entry_no", "BIGINT"), ("content_hash", "BLOB"), ("chain_hash", "BLOB"))
HASH_BYTES = 32


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its name, type and the rest of its definition."""

    name: str
    type: str
    rest: str = "NOT NULL"

    @property
    def is_required(self) -> bool:
        """Whether it may not be NULL."""
        return self.rest.startswith("NOT NULL")

    def define(self) -> str:
        """Write the column as a line of CREATE TABLE."""
        return f"{self.name} {self.type} {self.rest}".rstrip()


@dataclass(frozen=True, slots=True)
class ChainedTable:
    """A table whose rows are links of the hash chain.

    ``columns`` are what a row says, hashed into ``content_hash``; ``primary_key`` names the
    columns that identify a row; ``foreign_keys`` and ``checks`` are the table's further clauses.
    """

    name: str
    columns: tuple[Column, ...]
    primary_key: tuple[str, ...]
    clauses: tuple[str, ...] = ()


def column_type(field: Field) -> str:
    """Give the column type of a field."""
    return _TYPES[field.type]


def _not_blank(name: str) -> str:
    return "NOT NULL CHECK (" + _NOT_BLANK.format(name) + ")"


def _net(field: Field) -> str:
    """Write the last net below intake's own checks; intake words its refusals for a person."""
    parts = ["NOT NULL"] if field.is_required else []
    if field.is_key and field.type == "text":
        parts.append("CHECK (" + _NOT_BLANK.format(field.name) + ")")
    if field.low is not None and field.high is not None:
        parts.append(f"CHECK ({field.name} BETWEEN {field.low} AND {field.high})")
    if field.type == "code":
        codes = ", ".join(f"'{code}'" for code in field.codes)
        parts.append(f"CHECK ({field.name} IN ({codes}))")
    if field.type in _CALENDAR:
        parts.append(f"CHECK ({field.name} {_CALENDAR[field.type]})")
    return " ".join(parts)


def _stamp_columns() -> tuple[Column, ...]:
    return (
        Column("version", "INTEGER", "NOT NULL CHECK (version BETWEEN 1 AND 1000000)"),
        Column("batch_no", "BIGINT"),
        Column("recorded_at", "TIMESTAMP"),
        Column("recorded_by", "VARCHAR", _not_blank("recorded_by")),
        Column("recorded_why", "VARCHAR"),
    )


_REASON_CLAUSE = f"CHECK (version = 1 OR {_NOT_BLANK.format('recorded_why')})"


def version_table(table: RecordTable) -> ChainedTable:
    """Declare the append-only table of a record table: key, stamp, fields."""
    key = tuple(field.name for field in table.key)
    columns = [Column(field.name, column_type(field), _net(field)) for field in table.key]
    columns += _stamp_columns()
    columns += [
        Column("centre_id", "VARCHAR", _not_blank("centre_id")),
        Column("withdrawn", "BOOLEAN"),
    ]
    taken = {column.name for column in columns}
    for field in table.fields:
        if not field.is_key and field.name != "centre_id":
            if field.name in taken:
                raise ValueError(f"{table.name}.{field.name} is also a column of the store's own")
            columns.append(Column(field.name, column_type(field), _net(field)))
    clauses = [_REASON_CLAUSE, *(_refer(field) for field in table.references if not field.is_key)]
    return ChainedTable(f"{table.name}_version", tuple(columns), (*key, "version"), tuple(clauses))


def _refer(field: Field) -> str:
    parent = field.references
    return f"FOREIGN KEY ({field.name}) REFERENCES {parent}_key ({parent}_id)"


def _setting_table() -> ChainedTable:
    name = Column("name", "VARCHAR", _not_blank("name"))
    columns = (name, *_stamp_columns(), Column("value", "VARCHAR"))
    return ChainedTable("setting_version", columns, ("name", "version"), (_REASON_CLAUSE,))


def _batch_tables() -> tuple[ChainedTable, ...]:
    kinds = "'creation', 'intake', 'correction', 'withdrawal', 'setting'"
    batch = (
        Column("batch_no", "BIGINT"),
        Column("kind", "VARCHAR", f"NOT NULL CHECK (kind IN ({kinds}))"),
        Column("recorded_at", "TIMESTAMP"),
        Column("recorded_by", "VARCHAR", _not_blank("recorded_by")),
        Column("why", "VARCHAR"),
        Column("n_versions", "BIGINT"),
    )
    batch_file = (
        Column("batch_no", "BIGINT"),
        Column("sha256", "VARCHAR", "NOT NULL CHECK (length(sha256) = 64)"),
        Column("name", "VARCHAR"),
        Column("table_name", "VARCHAR"),
        Column("rows", "BIGINT", "NOT NULL CHECK (rows BETWEEN 0 AND 1000000000)"),
    )
    return (
        ChainedTable("batch", batch, ("batch_no",)),
        ChainedTable("batch_file", batch_file, ("batch_no", "sha256", "table_name")),
    )


def chained_tables(tables: Mapping[str, RecordTable]) -> dict[str, ChainedTable]:
    """List every table whose rows are links of the chain, by name."""
    chained = [version_table(table) for table in tables.values()]
    return {table.name: table for table in (*chained, _setting_table(), *_batch_tables())}


Filling = Literal["blank", "filled", "constant"]
"""What is known of a column's values: all NULL, none NULL, or all the same and not NULL."""


def content_text(table: ChainedTable, known: Mapping[str, Filling] = MappingProxyType({})) -> str:
    """Write the SQL expression of a row's canonical text.

    The table's name, then ``name=bytes:text;`` for every column that is not NULL, columns in the
    order of their names. Each part carries its length, so two different rows never share a text;
    NULLs are left out (``concat`` skips them), so a column that a later version of the schema adds
    leaves the text of the rows before it as it was. Times are microseconds since 1970 (free of any
    time zone), decimals have six places, dates are YYYY-MM-DD.

    Parameters
    ----------
    table
        The table.
    known
        What is known of some columns in the rows at hand, by name: the text is the same, and
        quicker made.

    Examples
    --------
    >>> print(content_text(ChainedTable("t", (Column("a", "VARCHAR"),), ("a",))))
    concat('t;', 'a=', strlen(a), ':', a, ';')
    >>> print(content_text(ChainedTable("t", (Column("b", "VARCHAR", ""),), ("b",))))
    concat('t;', CASE WHEN b IS NOT NULL THEN concat('b=', strlen(b), ':', b, ';') END)
    """
    parts = [f"'{table.name};'"]
    for column in sorted(table.columns, key=lambda column: column.name):
        text = _as_text(column)
        part = f"'{column.name}=', strlen({text}), ':', {text}, ';'"
        filling = known.get(column.name, "filled" if column.is_required else None)
        if filling == "filled":  # one flat concat is twice as fast as nested ones
            parts.append(part)
        elif filling == "constant":  # made once
            parts.append(f"concat({part})")
        elif filling is None:
            parts.append(f"CASE WHEN {column.name} IS NOT NULL THEN concat({part}) END")
    return f"concat({', '.join(parts)})"


def _as_text(column: Column) -> str:
    if column.type == "VARCHAR":
        return column.name
    if column.type == "TIMESTAMP":
        return f"CAST(epoch_us({column.name}) AS VARCHAR)"
    return f"CAST({column.name} AS VARCHAR)"


def content_hash(table: ChainedTable) -> str:
    """Write the SQL expression of a row's content hash: SHA-256 of its canonical text, as bytes."""
    return f"unhex(sha256({content_text(table)}))"


# --- DDL ------------------------------------------------------------------------------------------


def _create_table(name: str, lines: list[str]) -> str:
    return f"CREATE TABLE {name} (\n  " + ",\n  ".join(lines) + "\n);"


def _create_chained(table: ChainedTable) -> str:
    lines = [column.define() for column in table.columns]
    lines += [f"{name} {kind} NOT NULL{_packing(kind)}" for name, kind in _LINKS]
    lines += [f"CHECK (octet_length({name}) = {HASH_BYTES})" for name, kind in _LINKS[1:]]
    lines += [f"PRIMARY KEY ({', '.join(table.primary_key)})", *table.clauses]
    return _create_table(table.name, lines)


def _packing(kind: str) -> str:
    """Keep hashes as they are: nothing packs them, and trying to took a tenth of an intake."""
    return " USING COMPRESSION uncompressed" if kind == "BLOB" else ""


def _create_key(table: RecordTable) -> str:
    lines = [f"{field.name} {column_type(field)} NOT NULL" for field in table.key]
    lines.append(f"PRIMARY KEY ({', '.join(field.name for field in table.key)})")
    lines += [_refer(field) for field in table.references if field.is_key]
    return _create_table(f"{table.name}_key", lines)


def _create_guard(name: str) -> str:
    refusal = f"{name} is append-only: a correction is a new version of the record"
    return "\n".join(
        f"CREATE TRIGGER {name}_refuses_{action.lower()} BEFORE {action} ON {name} "
        f"FOR EACH STATEMENT INSERT INTO guard SELECT error('{refusal}');"
        for action in ("UPDATE", "DELETE")
    )


def _select_current(source: str, shown: str, key: str, until: str = "") -> str:
    return (
        f"SELECT {shown} FROM (SELECT * FROM {source}{until} "
        f"QUALIFY row_number() OVER (PARTITION BY {key} ORDER BY version DESC) = 1)"
    )


def _create_readers(table: RecordTable) -> str:
    source, key = f"{table.name}_version", ", ".join(field.name for field in table.key)
    shown = ", ".join([*(field.name for field in table.fields), "recorded_at", "version"])
    until = f" WHERE {source}.recorded_at <= recorded_until"
    return (
        f"CREATE VIEW {table.name} AS\n"
        f"  {_select_current(source, shown, key)} WHERE NOT withdrawn;\n"
        f"CREATE MACRO {table.name}_as_of(recorded_until) AS TABLE\n"
        f"  {_select_current(source, shown, key, until)} WHERE NOT withdrawn;"
    )


def _plain_tables() -> Iterator[tuple[str, list[str]]]:
    yield (
        "schema_version",
        [
            "number INTEGER PRIMARY KEY",
            "name VARCHAR NOT NULL",
            "sha256 VARCHAR NOT NULL",
            "applied_at TIMESTAMP NOT NULL",
            "applied_by VARCHAR NOT NULL",
        ],
    )
    yield (
        "chain_anchor",
        [
            "anchor_no INTEGER PRIMARY KEY",
            "recorded_at TIMESTAMP NOT NULL",
            "recorded_by VARCHAR NOT NULL",
            "reason VARCHAR NOT NULL",
            "previous_hash BLOB",
            "start_hash BLOB NOT NULL",
        ],
    )


def write_schema(tables: Mapping[str, RecordTable]) -> str:
    """Write the whole schema for a declaration, parents before children.

    Raises
    ------
    ValueError
        When a declared field has the name of one of the store's own columns.
    """
    chained = chained_tables(tables)
    parts = ["CREATE TABLE guard (refusal VARCHAR);"]
    parts += [_create_table(name, lines) for name, lines in _plain_tables()]
    parts += [_create_key(table) for table in tables.values()]
    parts += [_create_chained(table) for table in chained.values()]
    parts += [_create_readers(table) for table in tables.values()]
    setting = _select_current("setting_version", "name, value, recorded_at, version", "name")
    parts.append(f"CREATE VIEW setting AS\n  {setting};")
    guarded = [name for name, _ in _plain_tables()]
    guarded += [f"{name}_key" for name in tables] + list(chained)
    parts += [_create_guard(name) for name in guarded]
    return "\n\n".join(parts) + "\n"
