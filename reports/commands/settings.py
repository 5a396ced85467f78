"""``afterplaque settings``: what definitions depend on, shown and changed."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from registry.errors import UsageError
from registry.settings import SETTINGS
from reports.command_frame import JsonFlag, answer, note
from reports.options.option_values import now_utc
from reports.options.record_arguments import STORE_VARIABLE, RecordedBy, name_recorder
from reports.render.text import lay_out_table

if TYPE_CHECKING:
    from registry.store import SettingVersion


_TEXTS = ("centre_id", "half_life_source")
"""Settings whose value is the text itself, also where it is a number."""


def split_store_and_changes(arguments: list[str]) -> tuple[Path, dict[str, Any]]:
    """Split ``[STORE] [NAME=VALUE]...``; without STORE, AFTERPLAQUE_STORE names the registry.

    Raises
    ------
    UsageError
        When there is no registry, or a change is not ``NAME=VALUE`` of a setting.

    Examples
    --------
    >>> store, changes = split_store_and_changes(["eye.registry", "course_gap_days=120"])
    >>> str(store), changes
    ('eye.registry', {'course_gap_days': 120})
    """
    rest = list(arguments)
    is_store_given = bool(rest) and rest[0].partition("=")[0] not in SETTINGS
    store = rest.pop(0) if is_store_given else os.environ.get(STORE_VARIABLE)
    if store is None:
        raise UsageError(f"Name the registry, or set {STORE_VARIABLE}.", option="STORE")
    changes = {}
    for text in rest:
        name, sign, value = text.partition("=")
        if not sign or name not in SETTINGS:
            raise UsageError(
                f"{text!r} is no change of a setting. Write NAME=VALUE, with one of the names "
                f"{', '.join(SETTINGS)}.",
                option="NAME=VALUE",
            )
        if name in changes:
            raise UsageError(f"{name} is given twice. Give it once.", option=name)
        changes[name] = value.strip() if name in _TEXTS else _read_value(value)
    return Path(store), changes


def _read_value(text: str) -> Any:
    """Read a number or JSON, else take the text itself."""
    try:
        return json.loads(text)
    except ValueError:
        return text.strip()


def _describe(row: SettingVersion) -> dict[str, object]:
    setting = SETTINGS[row.name]
    return {
        "name": row.name,
        "value": row.value,
        "meaning": setting.meaning,
        "allowed": setting.allowed,
        "version": row.version,
        "recorded_at": row.recorded_at,
        "recorded_by": row.recorded_by,
        "reason": row.reason,
    }


def _lay_out(rows: list[SettingVersion]) -> str:
    headings = ["setting", "value", "since (UTC)", "by", "why"]
    cells = [
        [
            row.name,
            row.value if isinstance(row.value, str) else json.dumps(row.value),
            f"{row.recorded_at:%Y-%m-%d %H:%M}",
            row.recorded_by,
            row.reason,
        ]
        for row in rows
    ]
    width = max(len(row.name) for row in rows)
    meanings = (
        f"{row.name:<{width}}  {SETTINGS[row.name].meaning}: {SETTINGS[row.name].allowed}"
        for row in rows
    )
    return lay_out_table(headings, cells) + "\n\n" + "\n".join(meanings)


def settings(
    arguments: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[STORE] [NAME=VALUE]...",
            help="The registry, and the settings to change: course_gap_days=120, or a value in "
            "JSON in quotes. Without STORE: AFTERPLAQUE_STORE.",
        ),
    ] = None,
    why: Annotated[str, typer.Option("--why", help="Why they are changed; kept with them.")] = "",
    by: RecordedBy = None,
    as_json: JsonFlag = False,
) -> None:
    """Show the settings that definitions depend on, or change some of them with a reason.

    All named changes are recorded together or none; the earlier values are kept, and a data lock
    keeps those of its own time. The readings of acuities off the chart cannot be changed once
    acuities were read with them, since two readings would then stand in one registry.
    """
    from registry.store import open_store

    store, changes = split_store_and_changes(arguments or [])
    if changes and not why.strip():
        raise UsageError("A changed setting needs a reason.", option="--why")
    other_centre = 0
    with open_store(store, write=bool(changes)) as opened:
        if changes:
            recorder = name_recorder(by)
            with opened.batch("setting", by=recorder, why=why, at=now_utc()) as batch:
                for name, value in changes.items():
                    batch.change_setting(name, value)
        rows = opened.list_settings()
        if "centre_id" in changes:
            found = opened.connection.execute(
                "SELECT count(*) FROM patient WHERE centre_id <> ?", [changes["centre_id"]]
            ).fetchall()
            other_centre = found[0][0]
    payload = {
        "command": "settings",
        "store": str(store),
        "changed": list(changes),
        "settings": [_describe(row) for row in rows],
    }
    answer(payload, as_json=as_json, text=_lay_out(rows))
    if other_centre and not as_json:
        note(
            f"Patients recorded under another centre: {other_centre}. Their records keep it; a "
            "file patient.csv of patient_id and centre_id, with --correct, gives them the new one."
        )
