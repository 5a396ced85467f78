"""Cases for review: within the department only; every cell is a single record."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from analysis.outcomes.case_review import FAR_MM, SOON_YEARS, Case
from reports.page.document import Block, Column, Note, Paragraph, Row, Section, Table
from reports.results.outcome_results import OutcomeResults
from reports.words.values import SingleRecord
from reports.words.wording import decimal

TITLE = "Cases for review"


def _with_unit(value: float | None, unit: str, digits: int = 1) -> str:
    return f"{decimal(value, digits)} {unit}" if value is not None else "not recorded"


def _plan(plan: Mapping[str, Any]) -> str:
    size = f"{_with_unit(plan['thickness_mm'], 'mm')} thick"
    base = f"{_with_unit(plan['largest_basal_diameter_mm'], 'mm')} wide"
    fovea = f"{_with_unit(plan['fovea_distance_mm'], 'mm')} from the fovea"
    plaque = f"{plan['isotope'] or 'isotope not recorded'}"
    return f"{size}, {base}, {fovea}; {plaque}, {_with_unit(plan['plaque_diameter_mm'], 'mm', 0)}"


def _placement(plan: Mapping[str, Any]) -> str:
    planned = _with_unit(plan["planned_limbus_distance_mm"], "mm")
    placed = _with_unit(plan["placed_limbus_distance_mm"], "mm")
    covered = plan["margin_covered"] or "not recorded"
    side = (plan["least_margin_side"] or "").replace("unknown", "")
    margin = _with_unit(plan["least_margin_mm"], "mm") + (f" {side}" if side else "")
    said = f"limbus planned {planned}, placed {placed}; margin covered: {covered}; least {margin}"
    incident = plan["incident"]
    return said if incident in (None, "none", "unknown") else f"{said}; incident: {incident}"


def _dose(plan: Mapping[str, Any]) -> str:
    prescribed = _with_unit(plan["prescribed_dose_gy"], "Gy", 0)
    depth = _with_unit(plan["prescribed_depth_mm"], "mm")
    apex = _with_unit(plan["dose_apex_gy"], "Gy", 0)
    sclera = _with_unit(plan["dose_sclera_gy"], "Gy", 0)
    hours = _with_unit(plan["duration_hours"], "h", 0)
    said = f"{prescribed} at {depth}; apex {apex}, sclera {sclera}; {hours}"
    return said if plan["implants"] == 1 else f"{said}; {plan['implants']} implants in one course"


def _records(*words: str) -> Row:
    return Row(tuple(SingleRecord(part.replace("_", " ")) for part in words))


def _plan_row(case: Case) -> Row:
    name = f"{case.tumour_id} ({case.plan['year']})"
    plan, placement, dose = _plan(case.plan), _placement(case.plan), _dose(case.plan)
    return _records(name, "; ".join(case.reasons), plan, placement, dose)


def section(results: OutcomeResults) -> Section:
    """Return the section; its published form holds no case and no count of cases."""
    intro: Block = Paragraph(
        "Every tumour that failed, every eye that was lost, and every unexpected loss of useful"
        f" vision (confirmed below 6/60 within {SOON_YEARS:g} years, tumour at least {FAR_MM:g} mm"
        " from fovea and disc, no failure). To be read with the notes and images: was the margin"
        " covered, was the dose as planned, could it have been found earlier?"
    )
    if not results.cases:
        return Section(TITLE, (intro, Note("There is no such case at this data cut.")))
    headings = ("Tumour (year)", "Why", "Plan", "Placement", "Dose")
    plans = Table(
        caption="Cases: plan and placement of the first implant, dose of the first course.",
        columns=tuple(Column(heading) for heading in headings),
        rows=tuple(_plan_row(case) for case in results.cases),
        notes=(
            "Doses are as the department recorded them, added up where a course had several"
            " implants.",
        ),
    )
    courses = Table(
        caption="The same cases: what happened, in years from treatment.",
        columns=(Column("Tumour"), Column("Course")),
        rows=tuple(_records(case.tumour_id, case.time_line) for case in results.cases),
    )
    return Section(TITLE, (intro, plans, courses), new_page=True)
