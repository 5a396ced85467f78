"""A drawn department held in memory as a registry would answer for it: no store, no intake.

For studies over many cohorts. Everything counts as recorded at one moment; acuity is read by the
registry's own reader. What a department's files need of checking and correcting is not done here.
"""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from registry.acuity import DEFAULT_OFF_CHART_LOGMAR
from registry.derived import join_derived, read_acuities, select_written_acuities
from registry.records import TABLES, RecordTable

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

RECORDED_AT = datetime(2026, 1, 5)
"""When everything counts as recorded (UTC)."""

_SQL_TYPES = {"integer": "INTEGER", "decimal": "DECIMAL(14,6)", "date": "DATE"}
_SQL_TYPES |= {"timestamp": "TIMESTAMP"}


def hold_in_memory(department: dict[str, pd.DataFrame]) -> duckdb.DuckDBPyConnection:
    """Load drawn tables and give each its ``*_as_of`` macro.

    Parameters
    ----------
    department
        What :func:`synthetic_cohort.cohort.draw_department` returns: text, blank is ``""``.

    Returns
    -------
    duckdb.DuckDBPyConnection
        With the views and macros that the end points read. The caller closes it.

    Examples
    --------
    >>> import numpy as np
    >>> from synthetic_cohort.cohort import TRUTH, draw_department
    >>> connection = hold_in_memory(draw_department(TRUTH, 20, np.random.default_rng(7)))
    >>> connection.execute("SELECT count(*) FROM patient_as_of(now()::TIMESTAMP)").fetchall()
    [(20,)]
    """
    import duckdb

    connection = duckdb.connect(config={"threads": 1})
    for table in TABLES.values():
        connection.register("drawn", department[table.name])
        connection.execute(f"CREATE TABLE typed AS {_typed(table)}")
        if any(field.is_derived for field in table.fields):
            _read_acuities(connection)
        values, joins = join_derived(table, "t")
        derived = "".join(f", {value} AS {name}" for name, value in values.items())
        connection.execute(
            f"CREATE TABLE {table.name} AS SELECT t.*{derived},"
            f" TIMESTAMP '{RECORDED_AT}' AS recorded_at FROM typed t {joins}"
        )
        connection.execute(
            f"CREATE MACRO {table.name}_as_of(until) AS TABLE"
            f" SELECT * FROM {table.name} WHERE recorded_at <= until"
        )
        connection.execute("DROP TABLE typed")
        connection.unregister("drawn")
    return connection


def mark_identifiers(department: dict[str, pd.DataFrame], mark: str) -> dict[str, pd.DataFrame]:
    """Return the tables with every identifier preceded by ``mark``.

    Several departments can then be held together: nothing of one refers to another.

    Examples
    --------
    >>> import numpy as np
    >>> from synthetic_cohort.cohort import TRUTH, draw_department
    >>> drawn = draw_department(TRUTH, 20, np.random.default_rng(7))
    >>> mark_identifiers(drawn, "b-")["tumour"]["patient_id"].iloc[0]
    'b-HB0001'
    """
    marked = {}
    for name, rows in department.items():
        named = [
            one.name
            for one in TABLES[name].entered
            if one.type == "text" and (one.is_key or one.references)
        ]
        changed = {column: rows[column].where(rows[column] == "", mark + rows[column])
                   for column in named}  # fmt: skip
        marked[name] = rows.assign(**changed)
    return marked


def _typed(table: RecordTable) -> str:
    columns = [
        f"CAST(nullif({field.name}, '') AS {_SQL_TYPES.get(field.type, 'VARCHAR')}) AS {field.name}"
        for field in table.entered
    ]
    return f"SELECT {', '.join(columns)} FROM drawn"


def _read_acuities(connection: duckdb.DuckDBPyConnection) -> None:
    written = connection.execute(select_written_acuities("typed")).fetchall()
    read = read_acuities(sorted(written), DEFAULT_OFF_CHART_LOGMAR)
    connection.register("acuity_arrow", read)
    connection.execute("CREATE TEMP TABLE acuity_reading AS SELECT * FROM acuity_arrow")
    connection.unregister("acuity_arrow")
