"""Covariates known at time zero, for each unit: numbers with NaN, texts with None for unknown."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.models.design_matrix import Column
from analysis.outcomes.cohort import DataCut
from analysis.outcomes.grouping import (
    BASELINE_JOINS,
    DERIVED,
    TABLE_ALIASES,
    baseline_fields,
)
from registry.errors import UsageError
from registry.records import TABLES

if TYPE_CHECKING:
    import duckdb

AGE = "age_years"
_UNKNOWN = (None, "", "unknown")


def covariate_names() -> tuple[str, ...]:
    """Names that may be adjusted for: recorded baseline fields, derived categories, age."""
    return (AGE, *baseline_fields())


def _locate(name: str) -> tuple[str, bool]:
    """Return the SQL of a recorded field, and whether it is a number."""
    for table, alias in TABLE_ALIASES.items():
        for field in TABLES[table].entered:
            if field.name == name and name in baseline_fields():
                number = field.type in ("decimal", "integer")
                column = f"{alias}.{name}"
                return (f"CAST({column} AS DOUBLE)" if number else column), number
    raise UsageError(
        f"There is no field {name!r} known at time zero to adjust for or exclude by. Known are:"
        f" {', '.join(covariate_names())}.",
        option="--adjust",
        field=name,
    )


def read_covariates(
    connection: duckdb.DuckDBPyConnection,
    cut: DataCut,
    *,
    units: Sequence[str],
    tumours: Sequence[str],
    implants: Sequence[str],
    names: Sequence[str],
) -> dict[str, Column]:
    """Read fields known at time zero.

    Parameters
    ----------
    connection, cut
        An open registry and the data cut.
    units, tumours, implants
        Equally long: each unit, its first treated tumour, that tumour's first implant.
    names
        Of :func:`covariate_names`.

    Returns
    -------
    dict
        One column a name, in the order of ``units``: floats with NaN, or texts with None where the
        field is blank or says "unknown".

    Raises
    ------
    UsageError
        A name is unknown, or known only after time zero.
    """
    parts, is_number = ["u.unit_id AS asked_unit"], {}
    for name in names:
        if name == AGE:
            parts.append("CAST(year(i.inserted_at) - p.birth_year AS DOUBLE) AS age_years")
            is_number[name] = True
        elif name in DERIVED:
            parts += [p for p in DERIVED[name].parts if p not in parts]
            is_number[name] = False
        else:
            column, is_number[name] = _locate(name)
            parts.append(f"{column} AS asked_{name}")
    keys: dict[str, Any] = {
        "units": list(units), "tumours": list(tumours), "implants": list(implants),
        "recorded_until": cut.recorded_until,
    }  # fmt: skip
    sql = f"SELECT {', '.join(parts)} {BASELINE_JOINS}"
    rows = connection.sql(sql, params=keys).to_arrow_table().to_pylist() if units else []
    by_unit = {row["asked_unit"]: row for row in rows}
    ordered = [by_unit[unit] for unit in units]
    return {name: _column(name, ordered, is_number[name]) for name in names}


def _column(name: str, rows: list[dict[str, Any]], is_number: bool) -> Column:
    if name == AGE:
        values = [row[AGE] for row in rows]
    elif name in DERIVED:
        values = [DERIVED[name].read(row) for row in rows]
    else:
        values = [row[f"asked_{name}"] for row in rows]
    if is_number:
        return np.array([np.nan if v is None else float(v) for v in values], dtype=float)
    return [None if value in _UNKNOWN else str(value) for value in values]
