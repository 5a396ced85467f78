"""``afterplaque fields``: the data dictionary, as text, CSV or JSON."""

from __future__ import annotations

import csv
import io
from typing import Annotated, Literal

import typer

from registry.records import TABLES, Field, RecordTable
from reports.command_frame import JsonFlag, answer

_COLUMNS = ("table", "field", "type", "unit", "low", "high", "entry", "key", "references")


def _describe_field(field: Field) -> dict[str, object]:
    return {
        "table": field.table,
        "field": field.name,
        "type": field.type,
        "unit": field.unit or None,
        "low": field.low,
        "high": field.high,
        "entry": field.entry,
        "key": field.is_key,
        "references": field.references,
        "codes": list(field.codes),
        "allowed": field.allowed(),
        "meaning": field.meaning,
    }


def _write_csv() -> str:
    lines = io.StringIO()
    writer = csv.writer(lines, lineterminator="\n")
    writer.writerow([*_COLUMNS, "codes", "meaning"])
    for table in TABLES.values():
        for field in table.fields:
            described = _describe_field(field) | {"key": "key" if field.is_key else ""}
            cells = [described[column] for column in _COLUMNS]
            writer.writerow([*cells, "|".join(field.codes), field.meaning])
    return lines.getvalue().rstrip("\n")


def _write_table_in_markdown(table: RecordTable) -> str:
    lines = [f"## {table.name}", "", "| field | entry | allowed | meaning |", "|---|---|---|---|"]
    for field in table.fields:
        entry = "key" if field.is_key else field.entry
        belongs = f" (a record of {field.references})" if field.references else ""
        cells = [f"`{field.name}`", entry, field.allowed() + belongs, field.meaning]
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(lines)


def fields(
    form: Annotated[
        Literal["md", "csv", "json"],
        typer.Option("--format", help="md (Markdown), csv (the declaration itself) or json."),
    ] = "md",
    as_json: JsonFlag = False,
) -> None:
    """List every table and field of the registry.

    Type, unit, limits, codes and meaning of each. "derived" fields are worked out at intake and
    never entered; files hold the others as columns.
    """
    tables = [
        {"table": table.name, "fields": [_describe_field(field) for field in table.fields]}
        for table in TABLES.values()
    ]
    text = (
        _write_csv()
        if form == "csv"
        else "\n\n".join(_write_table_in_markdown(table) for table in TABLES.values())
    )
    answer({"command": "fields", "tables": tables}, as_json=as_json or form == "json", text=text)
