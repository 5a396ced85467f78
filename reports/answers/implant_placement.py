"""One implant's placement check as a machine-readable answer and as text."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from reports.command_frame import CAUTION
from reports.render.text import lay_out_table

if TYPE_CHECKING:
    from analysis.implants.placement_check import PlacementCheck
    from analysis.implants.worked import Worked


def describe_worked(worked: Worked) -> dict[str, object]:
    """Give a worked number with its formula, inputs and unit."""
    return {
        "name": worked.name,
        "label": worked.label,
        "value": worked.value,
        "unit": worked.unit,
        "formula": worked.formula,
        "inputs": dict(worked.inputs),
        "basis": worked.basis,
        "reason_missing": worked.reason or None,
        "remark": worked.remark or None,
    }


def describe_placement(check: PlacementCheck) -> dict[str, Any]:
    """Give the machine-readable result of a placement check."""
    record = check.record
    return {
        "command": "placement",
        "implant_id": record.implant_id,
        "tumour_id": record.tumour_id,
        "applicator_id": record.applicator_id,
        "inserted_date": record.inserted_date,
        "numbers": [describe_worked(one) for one in check.worked],
        "exceptions": [
            {"code": one.code, "text": one.text, "found": dict(one.found)}
            for one in check.exceptions
        ],
        "muscles": [asdict(muscle) for muscle in record.muscles],
        "outside_usual_limits_reason": record.outside_usual_limits_reason,
        "caution": CAUTION,
    }


def show_inputs(inputs: Mapping[str, object]) -> str:
    """Write inputs in a line: ``plaque_diameter_mm = 20, margin_mm = 2``."""

    def show(value: object) -> str:
        if value is None:
            return "-"
        if isinstance(value, list):
            return "/".join(show(one) for one in value)
        return f"{value:.4g}" if isinstance(value, float) else str(value)

    return ", ".join(f"{name} = {show(value)}" for name, value in inputs.items())


def lay_out_placement(payload: Mapping[str, Any]) -> str:
    """Lay the result out for a terminal: numbers, how each came about, departures."""
    numbers = payload["numbers"]
    rows = [
        [one["label"], "-" if one["value"] is None else f"{one['value']:.1f}", one["unit"]]
        for one in numbers
    ]
    workings = []
    for one in numbers:
        workings.append(f"{one['label']}: {one['formula']}")
        workings.append(f"  {show_inputs(one['inputs'])} ({one['basis']})")
        said = [one["reason_missing"] and f"missing: {one['reason_missing']}", one["remark"]]
        workings += [f"  {text}" for text in said if text]
    listed = [f"- {one['text']}" for one in payload["exceptions"]] or ["- none"]
    return "\n".join(
        [
            f"Implant {payload['implant_id']}, tumour {payload['tumour_id']}, plaque "
            f"{payload['applicator_id'] or 'not recorded'}, inserted {payload['inserted_date']}",
            "",
            lay_out_table(["number", "value", "unit"], rows),
            "",
            "Outside what is customary, for review (nothing is forbidden):",
            *listed,
            "",
            "How each number came about:",
            *workings,
            "",
            payload["caution"],
        ]
    )
