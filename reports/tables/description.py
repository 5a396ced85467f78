"""What ``afterplaque describe`` answers: a fellow's table in, its table 1 out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from registry.errors import RefusedEstimateError, UsageError
from reports.tables.table_reading import Table

if TYPE_CHECKING:
    from analysis.counts.description import ColumnDescription, GroupDescription

NOT_RECORDED = "not recorded"


def answer_description(
    table: Table, columns: Sequence[str], by: str | None, *, as_categories: Sequence[str] = ()
) -> dict[str, Any]:
    """Describe the columns of a table (all but ``by`` when none is named), ready for JSON.

    Rows without a value in ``by`` form the group "not recorded".

    Raises
    ------
    RefusedEstimateError
        When the table has no rows.
    RefusedInputError
        When it has no such column.
    UsageError
        For a column named in ``as_categories`` that is not described.
    """
    from analysis.counts.description import describe_columns

    if not table.n_rows:
        raise RefusedEstimateError(f"{table.name} has no rows to describe.", file=table.name)
    named = list(dict.fromkeys(columns)) or [name for name in table.headings if name != by]
    stray = [name for name in as_categories if name not in named]
    if stray:
        raise UsageError(
            f"--as-categories names {', '.join(stray)}, which is not described. Columns: "
            f"{', '.join(named)}.",
            option="--as-categories",
        )
    values = {
        name: table.numbers(name) if table.is_numeric(name) else table.texts(name) for name in named
    }
    groups = None
    if by is not None:
        groups = [NOT_RECORDED if label is None else label for label in table.texts(by)]
    found = describe_columns(values, groups, as_categories=as_categories)
    sizes = [{"group": one.group, "n": one.n} for one in found[0].groups] if found else []
    return {
        "command": "describe",
        "n": table.n_rows,
        "by": by,
        "groups": sizes,
        "columns": [_describe_column(one) for one in found],
        "warnings": _warn(found),
    }


def _describe_column(found: ColumnDescription) -> dict[str, Any]:
    return {
        "column": found.column,
        "kind": found.kind,
        "distinct": found.distinct,
        "groups": [_describe_group(one, found.kind) for one in found.groups],
    }


def _describe_group(one: GroupDescription, kind: str) -> dict[str, Any]:
    described: dict[str, Any] = {
        "group": one.group,
        "n": one.n,
        "known": one.known,
        "not_recorded": one.not_recorded,
    }
    if kind == "number":
        figures = ("median", "lower_quartile", "upper_quartile", "minimum", "maximum")
        described |= {name: getattr(one, name) for name in figures}
    if kind == "category":
        described["counts"] = [
            {"value": value, "count": count, "fraction_of_known": count / one.known}
            if one.known
            else {"value": value, "count": count, "fraction_of_known": None}
            for value, count in one.counts
        ]
    return described


def _warn(found: Sequence[ColumnDescription]) -> list[str]:
    texts = [f"{one.column} ({one.distinct})" for one in found if one.kind == "text"]
    said = f"Not listed for their many different values: {', '.join(texts)}."
    return [said] if texts else []


def lay_out_description(payload: Mapping[str, Any]) -> str:
    """The answer for a person: a line a column, and one a value of each category."""
    from reports.render.text import lay_out_table

    sizes = [f"{group['group']} (n = {group['n']})" for group in payload["groups"]]
    rows: list[list[str]] = []
    for column in payload["columns"]:
        rows += _lay_out_column(column)
    parts = [lay_out_table(["column", *sizes], rows)]
    parts.append("Numbers: median (quartiles). Categories: count (% of the known).")
    parts += [f"Note: {warning}" for warning in payload["warnings"]]
    return "\n".join(parts)


def _lay_out_column(column: Mapping[str, Any]) -> list[list[str]]:
    groups = column["groups"]
    known = [f"{one['known']} of {one['n']} known" for one in groups]
    if column["kind"] == "text":
        return [[column["column"], *known]]
    if column["kind"] == "number":
        return [[column["column"], *known], ["", *(_show_median(one) for one in groups)]]
    rows = [[column["column"], *known]]
    for place, first in enumerate(groups[0]["counts"]):
        cells = [_show_count(one["counts"][place]) for one in groups]
        rows.append([f"  {first['value']}", *cells])
    if any(one["not_recorded"] for one in groups):
        rows.append([f"  {NOT_RECORDED}", *(str(one["not_recorded"]) for one in groups)])
    return rows


def _show_median(one: Mapping[str, Any]) -> str:
    if not one["known"]:
        return "–"
    middle, low, high = (one[name] for name in ("median", "lower_quartile", "upper_quartile"))
    return f"{middle:.4g} ({low:.4g} to {high:.4g})"


def _show_count(one: Mapping[str, Any]) -> str:
    share = one["fraction_of_known"]
    return f"{one['count']}" if share is None else f"{one['count']} ({100 * share:.0f} %)"
