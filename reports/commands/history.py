"""``afterplaque history``: who changed what in one record, when and why."""

from __future__ import annotations

from datetime import date, datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Annotated, Any

import typer

from registry.errors import UsageError
from reports.command_frame import JsonFlag, answer
from reports.options.record_arguments import split_record, split_store_and_records
from reports.render.text import lay_out_table

if TYPE_CHECKING:
    from registry.engine.journal import VersionRow


def _show(value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, Decimal):
        return f"{value.normalize():f}"
    if isinstance(value, datetime):
        return f"{value:%Y-%m-%d %H:%M}"
    return value.isoformat() if isinstance(value, date) else str(value)


def _list_changes(versions: list[VersionRow]) -> str:
    rows: list[list[str]] = []
    before: dict[str, Any] = {}
    for row in versions:
        is_told = row.kind == "withdrawal" or not row.withdrawn
        what = row.kind if is_told else f"{row.kind}, withdrawn"
        stamp = [str(row.version), _show(row.recorded_at), row.recorded_by, what, row.reason]
        changes = [[name, _show(before.get(name)), _show(row.values[name])] for name in row.changed]
        for change in changes or [["-", "", ""]]:
            rows.append(stamp + change)
            stamp = [""] * len(stamp)
        before = dict(row.values)
    headings = ["version", "recorded (UTC)", "by", "kind", "why", "field", "before", "after"]
    return lay_out_table(headings, rows)


def _describe(row: VersionRow) -> dict[str, object]:
    return {
        "version": row.version,
        "batch": row.batch_no,
        "kind": row.kind,
        "recorded_at": row.recorded_at,
        "recorded_by": row.recorded_by,
        "reason": row.reason,
        "withdrawn": row.withdrawn,
        "changed": list(row.changed),
        "values": row.values,
    }


def history(
    arguments: Annotated[
        list[str],
        typer.Argument(
            metavar="[STORE] TABLE:KEY",
            help="The registry, and the record: patient:P0001, or 'applicator_check:R1|2024-03-01|"
            "output' where several fields are the key. Without STORE: AFTERPLAQUE_STORE.",
        ),
    ],
    as_json: JsonFlag = False,
) -> None:
    """Tell every version of one record: who recorded it, when, why, and which fields changed."""
    from registry.store import open_store

    store, records = split_store_and_records(arguments)
    if len(records) != 1:
        raise UsageError("history takes one record.", option="RECORD")
    table, key = split_record(records[0])
    with open_store(store) as opened:
        versions = opened.history(table, key)
    payload = {
        "command": "history",
        "table": table,
        "key": key,
        "versions": [_describe(row) for row in versions],
    }
    answer(payload, as_json=as_json, text=_list_changes(versions))
