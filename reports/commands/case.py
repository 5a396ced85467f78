"""``afterplaque case``: one patient on one page, for review."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from registry.errors import RefusedInputError
from reports.command_frame import JsonFlag, answer, note
from reports.commands.audit import read_formats, write_report
from reports.options.option_values import Force, now_utc, read_date
from reports.options.record_arguments import split_store_and_key

if TYPE_CHECKING:
    from datetime import date

    from analysis.outcomes.cohort import DataCut
    from reports.page.document import Report

ALPHA_BETA_GY, REPAIR_HALF_TIME_HOURS = 10.0, 1.5
"""The defaults of ``afterplaque dose``; no single citable value exists for uveal melanoma."""

_STAGE_WORDS = {
    "size_category": "size category",
    "t_category": "T category",
    "stage_group": "stage group",
}

_LONGEST_FILE_NAME = 120
"""Bytes of an identifier in the name of its page; file systems take 255 for a whole name."""


def case(
    arguments: Annotated[
        list[str],
        typer.Argument(
            metavar="[STORE] TUMOUR_ID",
            help="The registry and the tumour. Without STORE: AFTERPLAQUE_STORE.",
        ),
    ],
    out: Annotated[
        Path | None, typer.Option(help="Folder for the page; without it nothing is written.")
    ] = None,
    form: Annotated[str, typer.Option("--format", help="html, pdf, docx, or several.")] = (
        "html,pdf"
    ),
    data_cut: Annotated[
        str | None, typer.Option(help="Last day that counts, YYYY-MM-DD; today by default.")
    ] = None,
    force: Force = False,
    as_json: JsonFlag = False,
) -> None:
    """Review one patient on one page: every number with formula, inputs and unit.

    Acuity, height and events on one time axis; what contradicts what; recomputed beside recorded
    dose; placement arithmetic. For internal review only: none of it can be published.
    """
    from reports.writing import refuse_overwriting

    store_path, tumour_id = split_store_and_key(arguments, "tumour")
    formats = read_formats(form)
    cut = read_date(data_cut, option="--data-cut") if data_cut else None
    name = "".join(letter if letter.isalnum() or letter in "-_" else "_" for letter in tumour_id)
    name = name.encode()[:_LONGEST_FILE_NAME].decode(errors="ignore")
    files = {one: out / f"case-{name}.{one}" for one in formats} if out else {}
    refuse_overwriting(files.values(), force=force)
    payload, report = _review(store_path, tumour_id, cut)
    if files:
        write_report(report, files)
    payload["files"] = {one: str(path) for one, path in files.items()}
    answer(payload, as_json=as_json, text=_lay_out(payload))
    if not as_json and not files:
        note("Nothing was written; --out FOLDER writes the page as HTML and PDF.")


def _review(store_path: Path, tumour_id: str, asked: date | None) -> tuple[dict[str, Any], Report]:
    """Gather one case: its machine-readable answer and its page."""
    from analysis.outcomes.cohort import DataCut
    from registry.store import open_store
    from reports.case_review import build_case
    from reports.results.audit_results import last_recorded_at
    from reports.results.data_cuts import settle_cut

    with open_store(store_path) as store:
        cut = DataCut(settle_cut(store, asked, now_utc().date()))
        payload = _describe(store.connection, cut, store.settings(), tumour_id)
        report = build_case(
            payload,
            centre=str(store.settings()["centre_id"]),
            made_at=last_recorded_at(store.connection),
            content_hash=store.state_hash(),
        )
    return payload, report


def _describe(
    connection: Any, cut: DataCut, settings: dict[str, Any], tumour_id: str
) -> dict[str, Any]:
    """Read one case, check its patient, work out its doses and placement."""
    from analysis.checking.checks import check_registry
    from analysis.implants.dosimetry import recompute_doses
    from analysis.implants.placement_check import check_placement
    from analysis.implants.placement_records import read_placements
    from analysis.implants.radiobiology import RepairModel
    from analysis.outcomes.case_record import read_case
    from reports.answers.case_answer import describe_case

    found = read_case(connection, cut, tumour_id)
    if found is None:
        raise RefusedInputError(
            f"The registry holds no tumour {tumour_id!r}. Give a tumour_id as it was entered.",
            table="tumour",
            key=tumour_id,
        )
    check = check_registry(connection, cut, settings, patient_id=found.patient["patient_id"])
    implants = [row["implant_id"] for row in found.implants]
    how = {name: settings[name] for name in ("half_life_source", "course_gap_days")}
    dose = (
        recompute_doses(connection, cut, **how, tumour_of_implant=implants[0]) if implants else None
    )
    placements = [
        check_placement(record)
        for implant in implants
        for record in read_placements(connection, cut, implant_id=implant)
    ]
    model = RepairModel(ALPHA_BETA_GY, REPAIR_HALF_TIME_HOURS)
    return describe_case(found, check, dose, placements, model)


def _in_words(code: str | None) -> str:
    return (code or "").replace("_", " ")


def _name_whose(words: str, row: dict[str, Any]) -> str:
    """Say of a visit or event that it is about another tumour of the eye."""
    return words if row["is_own"] else f"{words} (another tumour)"


def _lay_out_course(timeline: dict[str, Any]) -> str:
    """Lay out visits and events in the order of their days."""
    from reports.render.text import lay_out_table

    rows = [
        (
            visit["visit_date"],
            visit["days"],
            _name_whose("visit", visit),
            visit["acuity"] or "",
            visit["thickness_mm"] if visit["is_own"] else None,
            _in_words(visit["local_status"]) if visit["is_own"] else "",
        )
        for visit in timeline["visits"]
    ]
    rows += [
        (
            event["event_date"],
            event["days"],
            _name_whose(_in_words(event["kind"]), event),
            "",
            None,
            _in_words(event.get("reason")),
        )
        for event in timeline["events"]
    ]
    course = [
        [day, days, what, acuity, "" if mm is None else f"{mm:.1f}", status]
        for day, days, what, acuity, mm, status in sorted(rows, key=lambda row: row[0])
    ]
    headings = ["date", "day", "what", "acuity", "height mm", "status or reason"]
    return lay_out_table(headings, course)


def _lay_out(payload: dict[str, Any]) -> str:
    """Lay the case out for a terminal: the course, the findings, where the page is."""
    from reports.render.text import lay_out_table

    staged = payload["stage"].items()
    stage = ", ".join(f"{_STAGE_WORDS[name]} {found or 'unknown'}" for name, found in staged)
    found = [[one["severity"], one["record"], one["found"]] for one in payload["findings"]]
    listed = lay_out_table(["severity", "record", "found"], found) if found else "none"
    return "\n".join(
        [
            f"Tumour {payload['tumour_id']}, patient {payload['patient_id']}: {stage}",
            f"First insertion {payload['zero_date'] or 'not recorded'}",
            "",
            _lay_out_course(payload["timeline"]),
            "",
            f"Findings\n{listed}",
            *(f"Page: {path}" for path in payload["files"].values()),
            "",
            "Doses and placement with formula and inputs: the page, --json, `afterplaque dose` and"
            " `afterplaque placement`.",
            payload["caution"],
        ]
    )
