"""One patient's case as a machine-readable answer: records, worked numbers, findings, timeline."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from registry.records import TABLES
from reports.answers.check_answer import describe_finding
from reports.answers.implant_dose import describe_dose
from reports.answers.implant_placement import describe_placement
from reports.command_frame import CAUTION

if TYPE_CHECKING:
    from analysis.checking.checks import RegistryCheck
    from analysis.implants.dosimetry import DoseTable
    from analysis.implants.placement_check import PlacementCheck
    from analysis.implants.radiobiology import RepairModel
    from analysis.outcomes.case_record import CaseRecord

_ABOUT_ONE_IMPLANT = ("command", "caution")
_VISIT_FIELDS = (
    "visit_id",
    "visit_date",
    "days",
    "is_own",
    "acuity",
    "acuity_logmar",
    "acuity_off_chart",
    "thickness_mm",
    "largest_basal_diameter_mm",
    "iop_mmhg",
    "local_status",
    "lens_status",
)


def _recorded(table: str, row: Mapping[str, Any]) -> dict[str, Any]:
    """Give the declared fields of a record that are not blank."""
    return {
        field.name: row[field.name]
        for field in TABLES[table].fields
        if row.get(field.name) is not None
    }


def _describe_implant(
    dose: DoseTable, placement: PlacementCheck, implant_id: str, model: RepairModel
) -> dict[str, Any]:
    row = dose.records.find(implant_id)
    assert row is not None, "the dose table is of this implant's tumour"
    parts = {"dose": describe_dose(dose, row, model), "placement": describe_placement(placement)}
    return {"implant_id": implant_id} | {
        name: {key: value for key, value in part.items() if key not in _ABOUT_ONE_IMPLANT}
        for name, part in parts.items()
    }


def describe_case(
    case: CaseRecord,
    check: RegistryCheck,
    dose: DoseTable | None,
    placements: Sequence[PlacementCheck],
    model: RepairModel,
) -> dict[str, Any]:
    """Give the machine-readable case; the findings are those of the whole patient."""
    implants = []
    if dose is not None:
        implants = [
            _describe_implant(dose, placement, placement.record.implant_id, model)
            for placement in placements
        ]
    tumour_id = case.tumour["tumour_id"]
    return {
        "command": "case",
        "tumour_id": tumour_id,
        "patient_id": case.patient["patient_id"],
        "data_cut": check.cut.event_date,
        "patient": _recorded("patient", case.patient),
        "tumour": _recorded("tumour", case.tumour),
        "stage": dict(case.stage),
        "zero_date": case.zero_date,
        "implants": implants,
        "timeline": {
            "visits": [{name: row[name] for name in _VISIT_FIELDS} for row in case.visits],
            "events": [
                _recorded("event", row) | {"days": row["days"], "is_own": row["is_own"]}
                for row in case.events
            ],
        },
        "follow_up": [one for one in check.due if one.tumour_id == tumour_id],
        "findings": [describe_finding(one) for one in check.findings],
        "caution": CAUTION,
    }
