"""Everything recorded about one treated tumour, its eye and its patient, at a data cut."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from analysis.outcomes.cohort import CohortRules, DataCut, unit_relations
from analysis.outcomes.grouping import DERIVED

if TYPE_CHECKING:
    import duckdb

Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class CaseRecord:
    """One tumour: its own row and its patient's, implants, visits and events of the eye.

    ``stage`` holds the derived size category, T category and stage group; ``visits`` and
    ``events`` are in order of date, each with ``is_own`` (False where another tumour of the eye is
    named) and ``days`` since the first insertion (None when no plaque was inserted).
    """

    patient: Row
    tumour: Row
    stage: Mapping[str, str | None]
    zero_date: date | None
    implants: Sequence[Row]
    visits: Sequence[Row]
    events: Sequence[Row]


_OF_EYE = """
SELECT r.*, coalesce(r.tumour_id, $tumour) = $tumour AS is_own
FROM {relation} r JOIN recorded_tumour t ON t.patient_id = r.patient_id AND t.eye = r.eye
WHERE t.tumour_id = $tumour ORDER BY r.{on_date}, r.{key}"""

_QUERIES = {
    "tumour": "SELECT * FROM recorded_tumour WHERE tumour_id = $tumour",
    "patient": """SELECT p.* FROM cut_patient p JOIN recorded_tumour t USING (patient_id)
WHERE t.tumour_id = $tumour""",
    "implant": """SELECT i.*, a.isotope, a.diameter_mm FROM cut_implant i
LEFT JOIN applicator_as_of($recorded_until) a USING (applicator_id)
WHERE i.tumour_id = $tumour ORDER BY i.inserted_at, i.implant_id""",
    "visit": _OF_EYE.format(relation="cut_visit", on_date="visit_date", key="visit_id"),
    "event": _OF_EYE.format(relation="cut_event", on_date="event_date", key="event_id"),
}


def read_case(
    connection: duckdb.DuckDBPyConnection, cut: DataCut, tumour_id: str
) -> CaseRecord | None:
    """Read one tumour's case; None when the registry holds no such tumour.

    Parameters
    ----------
    connection
        Connection of an open registry.
    cut
        Nothing after it is read.
    tumour_id
        As it was entered.
    """
    common = unit_relations("tumour", CohortRules(with_prior_treatment=True))
    parameters = cut.parameters() | {"tumour": tumour_id}
    found: dict[str, list[dict[str, Any]]] = {}
    for name, sql in _QUERIES.items():
        table = connection.sql(f"WITH {common} {sql}", params=parameters).to_arrow_table()
        found[name] = table.to_pylist()
    if not found["tumour"] or not found["patient"]:
        return None
    tumour, implants = found["tumour"][0], found["implant"]
    zero = implants[0]["inserted_date"] if implants else None
    for name, field in (("visit", "visit_date"), ("event", "event_date")):
        for row in found[name]:
            row["days"] = None if zero is None else (row[field] - zero).days
    named = ("size_category", "t_category", "stage_group")
    stage = {name: DERIVED[name].read(tumour) for name in named}
    return CaseRecord(
        found["patient"][0], tumour, stage, zero, implants, found["visit"], found["event"]
    )
