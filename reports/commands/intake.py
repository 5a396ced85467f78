"""``afterplaque intake``: files into the registry, all of them or nothing."""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from registry.errors import Finding, RefusedInputError, UsageError
from registry.records import TABLES
from reports.command_frame import JsonFlag, answer, note
from reports.options.option_values import now_utc
from reports.options.record_arguments import STORE_VARIABLE, RecordedBy, name_recorder
from reports.render.text import lay_out_table

if TYPE_CHECKING:
    from registry.taking_in.intake import IntakeResult

_FILE_ENDINGS = (
    *(".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".parquet", ".pq"),
    *(".xls", ".xlsb", ".ods", ".numbers"),  # to be told what to do with them
)
_MOST_SHOWN = 50
_LONGEST_ALLOWED = 48


def split_store_and_files(arguments: list[str]) -> tuple[Path, list[str]]:
    """Split ``[STORE] FILE...``; without STORE, AFTERPLAQUE_STORE names the registry."""
    first = arguments[0]
    is_file = (
        Path(first).suffix.lower() in _FILE_ENDINGS
        or first.partition("=")[0] in TABLES
        or Path(first).is_dir()
    )
    store = os.environ.get(STORE_VARIABLE) if is_file else first
    files = arguments if is_file else arguments[1:]
    if store is None:
        raise UsageError(
            f"Name the registry before the files, or set {STORE_VARIABLE}.", option="STORE"
        )
    if not files:
        raise UsageError(
            "Name the files to take in: patient.csv, tumour=OTHER.csv, or a folder.", option="FILE"
        )
    return Path(store), files


def _describe_outcome(result: IntakeResult) -> str:
    if result.already_taken:
        return "These files were taken in before; nothing changed."
    if result.has_errors and not result.set_aside:
        return "Nothing was taken in."
    parts = [f"{name} {count}" for name, count in result.rows.items() if count]
    done = "Would take in" if result.checked_only else "Taken in"
    text = f"{done}: {', '.join(parts) or 'no new rows'}."
    corrected, unchanged = sum(result.corrected.values()), sum(result.unchanged.values())
    if corrected:
        text += f" Of these, new versions of records that were there: {corrected}."
    if unchanged:
        text += f" There already, unchanged: {unchanged}."
    if result.set_aside:
        people = len({row.patient_id for row in result.set_aside} - {""})
        text += f" Set aside: {len(result.set_aside)} rows of {people} patients."
    return text + (" Nothing was written: this was a check." if result.checked_only else "")


def _lay_out(findings: tuple[Finding, ...]) -> str:
    rows = [
        [
            finding.severity,
            finding.file,
            finding.row,
            finding.field,
            finding.found,
            _shorten(finding.allowed),
            finding.remedy,
        ]
        for finding in findings[:_MOST_SHOWN]
    ]
    text = lay_out_table(["severity", "file", "row", "field", "found", "allowed", "remedy"], rows)
    more = len(findings) - _MOST_SHOWN
    if more > 0:
        text += f"\n... and {more} more; --findings OUT.csv writes them all."
    return text


def _shorten(text: str) -> str:
    return text if len(text) <= _LONGEST_ALLOWED else text[: _LONGEST_ALLOWED - 1] + "…"


def _save_lists(result: IntakeResult, asked: Mapping[str, Path | None], *, replace: bool) -> None:
    """Write the files beside the answer; say so when the intake is done and one fails."""
    from registry.taking_in.findings import write_findings
    from registry.taking_in.set_aside import write_aside
    from registry.taking_in.updating import write_changes
    from reports.writing import write_whole

    try:
        if (path := asked["findings"]) is not None:
            write_findings(result.findings, path, replace=replace)
        if (path := asked["set_aside"]) is not None and result.set_aside:
            write_whole(path, write_aside(result.set_aside))
        if (path := asked["changes"]) is not None:
            write_whole(path, write_changes(result.cell_changes))
    except RefusedInputError as refusal:
        kept = " The files were taken in all the same." if result.taken else ""
        raise RefusedInputError(refusal.message + kept, **refusal.where) from None


def _lay_out_changes(result: IntakeResult) -> str:
    """Tell field by field what happens to records that are there; "" when nothing does."""
    headings = ["records that were there", "filled in", "changed", "cleared"]
    is_update = any(row.kept or row.kept_where_blank for row in result.changes)
    if is_update:
        headings += ["kept: file differs", "kept: file blank"]
    rows = []
    for row in result.changes:
        kept = [row.kept, row.kept_where_blank] if is_update else []
        name = f"{row.table} {row.field}"
        rows.append([name, row.filled, row.changed, row.cleared, *kept])
    return lay_out_table(headings, rows) if rows else ""


Arguments = Annotated[
    list[str],
    typer.Argument(
        metavar="[STORE] FILE...",
        help="The registry, then CSV or Parquet files named after their table (patient.csv), "
        "TABLE=FILE, folders of such files, workbooks (XLSX) with a sheet a table, or the files "
        "that --columns describes. Without STORE: AFTERPLAQUE_STORE.",
    ),
]
CheckOnly = Annotated[
    bool, typer.Option("--check-only", help="Do everything but the last step; keep nothing.")
]
Correct = Annotated[
    bool,
    typer.Option(
        "--correct",
        help="Rows of known records become new versions; only the file's columns change, a "
        "blank cell clears. Needs --why.",
    ),
]
Update = Annotated[
    bool,
    typer.Option(
        "--update",
        help="The next export of the same patients: new records, blanks filled and follow-up "
        "moved on are taken; whatever else differs stays as the registry holds it and is named.",
    ),
]
Why = Annotated[str, typer.Option("--why", help="Why; kept with the records.")]
DateOrderOption = Annotated[
    Literal["dmy", "mdy", "ymd"] | None,
    typer.Option("--date-order", help="Order of dates not written YYYY-MM-DD; never guessed."),
]
Encoding = Annotated[
    Literal["utf-8", "cp1252", "utf-16-le", "utf-16-be"],
    typer.Option(
        "--encoding", help="cp1252 for files of older Windows programs. A byte order mark wins."
    ),
]
Delimiter = Annotated[
    Literal["comma", "semicolon", "tab", "bar"] | None,
    typer.Option("--delimiter", help="Mark between cells, where the heading does not tell."),
]
Decimal = Annotated[
    Literal["point", "comma"],
    typer.Option("--decimal", help="Decimal mark of every number in the files."),
]
Columns = Annotated[
    Path | None,
    typer.Option("--columns", metavar="MAP.toml", help="Read the files by this column map."),
]
DraftMap = Annotated[
    Path | None,
    typer.Option(
        "--draft-map",
        metavar="MAP.toml",
        help="Draft a column map of the files, to be corrected by a person; with --check-only.",
    ),
]
SetAside = Annotated[
    Path | None,
    typer.Option(
        "--set-aside",
        metavar="OUT.csv",
        help="Take the patients without any error, whole; write the others' rows and findings "
        "to this CSV file.",
    ),
]
Changes = Annotated[
    Path | None,
    typer.Option(
        "--changes",
        metavar="OUT.csv",
        help="With --correct or --update: write every cell that changes in a record that is "
        "there, before and after, to this CSV file; with --check-only beforehand.",
    ),
]
FindingsPath = Annotated[
    Path | None, typer.Option("--findings", help="Write every finding to this CSV file.")
]
Force = Annotated[
    bool, typer.Option("--force", help="Let the files written replace files that are there.")
]


def intake(
    arguments: Arguments,
    check_only: CheckOnly = False,
    correct: Correct = False,
    update: Update = False,
    why: Why = "",
    date_order: DateOrderOption = None,
    encoding: Encoding = "utf-8",
    delimiter: Delimiter = None,
    decimal: Decimal = "point",
    columns: Columns = None,
    draft_map: DraftMap = None,
    set_aside: SetAside = None,
    findings: FindingsPath = None,
    changes: Changes = None,
    force: Force = False,
    by: RecordedBy = None,
    as_json: JsonFlag = False,
) -> None:
    """Take files into the registry: all of them, or nothing.

    Every cell, record and reference is judged first, and every finding names its file, physical
    line (the heading is line 1) and field. One error keeps everything out (exit code 3); warnings
    name contradictions and keep nothing out. A file that was taken in before changes nothing.
    """
    from registry.reading.column_map import read_map_file
    from registry.taking_in.findings import refuse_overwriting
    from registry.taking_in.intake import take_in

    if draft_map is not None:
        _draft(arguments, draft_map, encoding, check_only, force=force, as_json=as_json)
        return
    store, files = split_store_and_files(arguments)
    if changes is not None and not (correct or update):
        raise UsageError("--changes goes with --correct or --update.", option="--changes")
    for path in (findings, set_aside, changes):
        if path is not None:
            refuse_overwriting(path, replace=force)
    at = now_utc()
    result = take_in(
        store,
        files,
        by=name_recorder(by),
        at=at,
        why=why,
        correct=correct,
        update=update,
        lists_changes=changes is not None,
        check_only=check_only,
        date_order=date_order,
        encoding=encoding,
        delimiter=delimiter,
        decimal=decimal,
        sets_aside=set_aside is not None,
        columns=read_map_file(columns) if columns is not None else (),
        today=max(at.date(), date.today()),
    )
    asked = {"findings": findings, "set_aside": set_aside, "changes": changes}
    _save_lists(result, asked, replace=force)
    _answer_result(result, as_json=as_json)
    if result.has_errors:
        raise typer.Exit(3)


def _draft(
    arguments: list[str],
    out: Path,
    encoding: str,
    is_check: bool,
    *,
    force: bool,
    as_json: bool,
) -> None:
    """Draft a column map; the registry is not needed and not opened."""
    from registry.reading.draft_map import draft_map
    from reports.writing import refuse_overwriting, write_whole

    if not is_check:
        raise UsageError(
            "--draft-map takes nothing in: say --check-only too.", option="--draft-map"
        )
    files = [Path(text) for text in arguments if Path(text).suffix.lower() in _FILE_ENDINGS]
    refuse_overwriting([out], force=force)
    text = draft_map(files, encoding if encoding != "utf-8" else None)
    write_whole(out, text.encode())
    body = "\n".join(line for line in text.splitlines() if not line.startswith("#"))
    undecided = body.count('"?"')
    payload = {
        "command": "intake",
        "taken": False,
        "draft_map": out,
        "sources": body.count("[[source]]"),
        "undecided": undecided,
    }
    said = f"{out}: a draft with {undecided} questions left open. Read and correct every line."
    answer(payload, as_json=as_json, text=said)
    if not as_json:
        note(f"Then: afterplaque intake STORE FILE --columns {out.name} --check-only")


def _answer_result(result: IntakeResult, *, as_json: bool) -> None:
    from registry.taking_in.findings import count_findings

    payload = {
        "command": "intake",
        "taken": result.taken,
        "already_taken": result.already_taken,
        "checked_only": result.checked_only,
        "rows": {name: result.rows.get(name, 0) for name in TABLES},
        "corrected": dict(result.corrected),
        "unchanged": dict(result.unchanged),
        "rows_read": dict(result.rows_read),
        "set_aside": len(result.set_aside),
        "changes": result.changes,
        "findings": result.findings,
    }
    outcome = _describe_outcome(result)
    listed = [_lay_out(result.findings)] if result.findings else []
    text = "\n\n".join([*listed, *filter(None, [_lay_out_changes(result)]), outcome])
    answer(payload, as_json=as_json, text=text)
    if result.findings and not as_json:
        note(count_findings(result.findings))
