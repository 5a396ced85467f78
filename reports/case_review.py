"""One patient on one page, for review: what is recorded, worked out, and contradictory.

Every number of dose and placement stands with formula, inputs and unit. Everything in it concerns
one person and is marked so: none of it can be published.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from reports.answers.implant_placement import show_inputs
from reports.audit import versions
from reports.command_frame import CAUTION
from reports.figures.specs import AcuityLevel, CaseTimeline, TimedAcuity, TimedEvent, TimedHeight
from reports.page.document import (
    Block,
    Column,
    Figure,
    Note,
    Paragraph,
    Provenance,
    Report,
    Row,
    Section,
    Table,
    numbered,
)
from reports.words.values import SingleRecord, Text, text
from reports.words.wording import decimal

DAYS_PER_YEAR = 365.25
_BAD = (
    "local_failure",
    "orbital_recurrence",
    "enucleation",
    "exenteration",
    "scleral_necrosis",
    "phthisis",
)
_PATIENT = ("sex", "birth_year", "vital_status_date", "death_date", "death_cause",
            "metastasis_date", "follow_up_ended_reason")  # fmt: skip
_TUMOUR = (
    "eye", "site", "thickness_mm", "largest_basal_diameter_mm", "longitudinal_basal_diameter_mm",
    "fovea_distance_meridian_mm", "disc_distance_mm", "ciliary_body_involved",
    "extraocular_extension", "prior_treatment", "chromosome_3", "outside_usual_limits_reason",
)  # fmt: skip
_UNITS = {"mm": " mm", "gy": " Gy", "hours": " h"}


def _words(name: str) -> str:
    """A field's name in words, its unit set apart.

    >>> _words("largest_basal_diameter_mm"), _words("disc_distance_mm")
    ('Largest basal diameter (mm)', 'Disc distance (mm)')
    """
    stem, _, unit = name.rpartition("_")
    shown = f"{stem} ({_UNITS[unit].strip()})" if unit in _UNITS else name
    words = shown.replace("_", " ").replace("follow up", "follow-up")
    return words[0].upper() + words[1:]


def _said(value: object) -> str:
    if value is None:
        return "not recorded"
    if isinstance(value, float) or type(value).__name__ == "Decimal":
        return f"{float(value):g}"  # type: ignore[arg-type]
    return str(value).replace("_", " ").replace("follow up", "follow-up")


def _one(value: object) -> SingleRecord:
    return SingleRecord(_said(value))


def _number(value: float | None, digits: int = 1) -> SingleRecord:
    return SingleRecord("–" if value is None else decimal(value, digits))


def _facts(payload: Mapping[str, Any]) -> Table:
    """Patient and tumour in four columns."""
    tumour, patient, stage = payload["tumour"], payload["patient"], payload["stage"]
    facts = [(_words(name), tumour[name]) for name in _TUMOUR if name in tumour]
    facts += [(_words(name), stage[name]) for name in stage]
    facts += [(_words(name), patient[name]) for name in _PATIENT if name in patient]
    facts += [("", "")] * (len(facts) % 2)
    half = len(facts) // 2
    rows = [
        Row((left[0], _one(left[1]), right[0], _one(right[1])))
        for left, right in zip(facts[:half], facts[half:], strict=True)
    ]
    return Table(
        "Patient and tumour as recorded; fields left blank are not listed.",
        (Column("Item"), Column("Value"), Column("Item"), Column("Value")),
        tuple(rows),
    )


def make_timeline(payload: Mapping[str, Any]) -> CaseTimeline:
    """Put acuity, height and events of a case on one time axis."""
    acuity, height = [], []
    for visit in payload["timeline"]["visits"]:
        years = visit["days"] / DAYS_PER_YEAR
        if visit["acuity_off_chart"] is not None:
            acuity.append(TimedAcuity(years, AcuityLevel(None, visit["acuity_off_chart"])))
        elif visit["acuity_logmar"] is not None:
            acuity.append(TimedAcuity(years, AcuityLevel(float(visit["acuity_logmar"]))))
        if visit["is_own"] and visit["thickness_mm"] is not None:
            height.append(TimedHeight(years, float(visit["thickness_mm"])))
    baseline = payload["tumour"].get("thickness_mm")
    return CaseTimeline(
        tuple(acuity),
        tuple(height),
        tuple(sorted(_timed_events(payload), key=lambda event: event.time_years)),
        None if baseline is None else float(baseline),
    )


def _timed_events(payload: Mapping[str, Any]) -> list[TimedEvent]:
    zero, patient = payload["zero_date"], payload["patient"]
    found = [
        TimedEvent((one["placement"]["inserted_date"] - zero).days / DAYS_PER_YEAR, "plaque")
        for one in payload["implants"]
    ]
    for event in payload["timeline"]["events"]:
        label = event["kind"].replace("_", " ")
        if not event["is_own"]:
            label += " (another tumour)"
        bad = event["kind"] in _BAD
        found.append(TimedEvent(event["days"] / DAYS_PER_YEAR, label, bad))
    for name in ("metastasis_date", "death_date"):
        if name in patient:
            years = (patient[name] - zero).days / DAYS_PER_YEAR
            found.append(TimedEvent(years, name.removesuffix("_date"), is_bad=True))
    return found


def _course_blocks(payload: Mapping[str, Any]) -> list[Block]:
    """The timeline, where follow-up stands, and the facts."""
    blocks: list[Block] = []
    if payload["zero_date"] is not None:
        day = SingleRecord(payload["zero_date"].isoformat())
        caption = text("Events, height and acuity; first insertion on {day}.", day=day)
        blocks.append(Figure(caption, make_timeline(payload)))
    for due in payload["follow_up"]:
        words = due.reason or f"{due.state}, next visit due {due.due_date}"
        blocks.append(Paragraph(text("{state}.", state=SingleRecord(words)), lead="Follow-up:"))
    return [*blocks, _facts(payload)]


def _finding_blocks(payload: Mapping[str, Any]) -> list[Block]:
    found = payload["findings"]
    if not found:
        return [Note("No rule has anything to say about this patient's records.")]
    rows = [
        Row(
            (
                one["severity"],
                SingleRecord(one["record"]),
                one["contradicts"],
                SingleRecord(one["found"]),
                one["what_to_do"].replace("`", ""),
            )
        )
        for one in found
    ]
    columns = ("Severity", "Record", "What contradicts what", "Found", "To do")
    caption = "Findings on this patient's records, worst first."
    return [Table(caption, tuple(map(Column, columns)), tuple(rows))]


def _dose_table(implant: Mapping[str, Any]) -> Table:
    dose = implant["dose"]
    rows = []
    for one in dose["points"]:
        inputs = one["inputs"]
        span = (
            "–"
            if one["lower_gy"] is None or one["upper_gy"] is None
            else f"{decimal(one['lower_gy'])} to {decimal(one['upper_gy'])}"
        )
        rows.append(
            Row(
                (
                    one["point"].replace("_", " "),
                    _number(inputs["depth_mm"], 2),
                    _number(inputs["certificate_dose_rate_mgy_min"], 2),
                    _number(one["dose_gy"]),
                    SingleRecord(span),
                    _number(one["bed_gy"]),
                    _number(one["recorded_gy"]),
                    _number(one["recomputed_over_recorded"], 3),
                )
            )
        )
    return Table(
        text("Dose of implant {name}.", name=SingleRecord(implant["implant_id"])),
        (
            Column("Point"),
            Column("Depth", "right", "mm"),
            Column("Certified", "right", "mGy/min"),
            Column("Dose", "right", "Gy"),
            Column("Limits", "right", "Gy"),
            Column("BED", "right", "Gy"),
            Column("Recorded", "right", "Gy"),
            Column("Ratio", "right"),
        ),
        tuple(rows),
        _dose_notes(dose),
    )


def _dose_notes(dose: Mapping[str, Any]) -> tuple[str | Text, ...]:
    bed = dose["bed"]
    inputs = SingleRecord(show_inputs({k: v for k, v in dose["inputs"].items() if v is not None}))
    ratio = dose["delivered_over_prescribed"]
    given = "not known" if ratio is None else decimal(ratio, 3)
    missing = [
        f"{one['point'].replace('_', ' ')}: {one['reason_missing']}"
        for one in dose["points"]
        if one["reason_missing"]
    ]
    return (
        f"Dose: {dose['formula']} ({dose['model']}).",
        text("Inputs: {inputs}.", inputs=inputs),
        f"BED: {bed['formula']}; alpha/beta {bed['alpha_beta_gy']:g} Gy, repair half-time"
        f" {bed['repair_half_time_hours']:g} h.",
        text(
            "Delivered over prescribed dose ({gy} Gy): {ratio}.",
            gy=_number(dose["prescribed_dose_gy"]),
            ratio=SingleRecord(given),
        ),
        *(f"Missing: {one}." for one in missing),
        *dose["remarks"],
    )


def _placement_blocks(implant: Mapping[str, Any]) -> list[Block]:
    placement = implant["placement"]
    rows = [
        Row(
            (
                one["label"],
                _number(one["value"]),
                one["unit"],
                one["formula"],
                SingleRecord(show_inputs(one["inputs"])),
            )
        )
        for one in placement["numbers"]
    ]
    table = Table(
        text("Placement of implant {name}.", name=SingleRecord(implant["implant_id"])),
        (Column("Number"), Column("Value", "right"), Column("Unit"), Column("Formula"),
         Column("Inputs")),
        tuple(rows),
        ("The rules are common practice without a source; departures are in the findings above.",),
    )  # fmt: skip
    return [table]


def _section_of_implants(implants: Sequence[Mapping[str, Any]]) -> Section:
    blocks: list[Block] = []
    for implant in implants:
        blocks += [_dose_table(implant), *_placement_blocks(implant)]
    if not implants:
        blocks.append(Note("No plaque is on record for this tumour."))
    return Section("Dose and placement", tuple(blocks))


def build_case(
    payload: Mapping[str, Any], *, centre: str, made_at: str, content_hash: str
) -> Report:
    """Make the review page of one case from its machine-readable answer.

    Parameters
    ----------
    payload
        Of :func:`reports.answers.case_answer.describe_case`.
    centre, made_at, content_hash
        Who keeps the registry, when it was last recorded in, and the head of its chain.
    """
    cut = payload["data_cut"].isoformat()
    report = Report(
        title=f"Case review: tumour {payload['tumour_id']}",
        subtitle=f"{centre}, data cut {cut}",
        provenance=Provenance(centre, cut, made_at, "", content_hash, "", versions()),
        sections=(
            Section("Course", tuple(_course_blocks(payload))),
            Section("Findings", tuple(_finding_blocks(payload))),
            _section_of_implants(payload["implants"]),
        ),
        notices=(CAUTION,),
    )
    return numbered(report)
