"""What a rule of ``check`` is: declared once, run as SQL or by arithmetic, printed as its own text.

A rule names one subject record (alias ``r``), what contradicts what there, by how much, and what to
do. *Errors* are statements that cannot both be true; *warnings* are probably wrong or will mislead
a figure; *notices* are for review (overdue, outside what is customary) and never forbid anything.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Literal

from analysis.implants.worked import COMMON_PRACTICE
from registry.records import TABLES

Severity = Literal["error", "warning", "notice"]
SEVERITIES: tuple[Severity, ...] = ("error", "warning", "notice")

CONTRADICTION = "the record contradicts itself"
DEFINITION = "the definition of the end point"
OUR_CHOICE = "our choice"

__all__ = [
    "COMMON_PRACTICE",
    "CONTRADICTION",
    "DEFINITION",
    "OUR_CHOICE",
    "SEVERITIES",
    "CheckRule",
    "Severity",
    "Tolerances",
]


@dataclass(frozen=True, slots=True)
class Tolerances:
    """From which difference on a rule speaks; each is our choice unless it says otherwise.

    Parameters
    ----------
    dose_fraction
        Recomputed against recorded dose.
    delivered_fraction, duration_fraction
        Recomputed against prescribed dose; real against planned duration.
    depth_mm
        Prescribed depth against thickness plus sclera.
    thickness_mm
        Thickness at baseline in the tumour record against the last visit before insertion: twice
        the half-millimetre within which ultrasound is commonly taken to repeat (no source).
    certificate_half_lives
        Age of the certificate at insertion, in half-lives.
    plaque_life_days
        A beta plaque is commonly used for about a year (common practice, no source).
    output_fraction
        Output check against certificate, where the certificate states no uncertainty.
    knot_mm, position_mm, limbus_ways_mm
        Beyond which a departure of the placement arithmetic is taken for a slip of the pen.
    match_days
        Within which an event and the implant that it stands for are looked for.
    in_place_days
        After which a plaque that is not recorded as removed is taken for a missing entry.
    """

    dose_fraction: float = 0.05
    delivered_fraction: float = 0.10
    duration_fraction: float = 0.10
    depth_mm: float = 0.5
    thickness_mm: float = 1.0
    certificate_half_lives: float = 2.0
    plaque_life_days: int = 365
    output_fraction: float = 0.10
    knot_mm: float = 2.0
    position_mm: float = 4.0
    limbus_ways_mm: float = 10.0
    match_days: int = 30
    in_place_days: int = 30

    def __post_init__(self) -> None:
        """A tolerance is 0 or more."""
        for field in fields(self):
            value = getattr(self, field.name)
            if not value >= 0:
                raise ValueError(f"{field.name} is 0 or more, found {value!r}")

    def parameters(self) -> dict[str, float]:
        """Return the tolerances by name, for SQL."""
        return {field.name: getattr(self, field.name) for field in fields(self)}


@dataclass(frozen=True, slots=True)
class CheckRule:
    """One rule.

    Parameters
    ----------
    name
        For machines.
    severity
        ``"error"``, ``"warning"`` or ``"notice"``.
    table
        Kind of the subject record.
    contradicts
        What contradicts what, in words.
    remedy
        What to do.
    source
        Where the rule comes from.
    unit
        Of the amount; blank where a rule has no "by how much".
    body
        ``FROM ... WHERE ...`` over the relations of :mod:`analysis.checking.check_relations`, with
        the subject as ``r``; blank for a rule that is worked out elsewhere.
    found
        SQL text: what was found, in words.
    amount
        SQL number: by how much.
    patient
        SQL text: whose record it is.
    """

    name: str
    severity: Severity
    table: str
    contradicts: str
    remedy: str
    source: str = CONTRADICTION
    unit: str = ""
    body: str = ""
    found: str = "NULL"
    amount: str = "NULL"
    patient: str = "r.patient_id"

    def __post_init__(self) -> None:
        """Refuse a rule about a table that does not exist, or of no known severity."""
        if self.severity not in SEVERITIES or self.table not in TABLES:
            raise ValueError(f"{self.name}: severity {self.severity!r}, table {self.table!r}")

    def select(self) -> str:
        """Return the query: rule, record, patient_id, found, amount."""
        key = " || '|' || ".join(f"CAST(r.{one.name} AS VARCHAR)" for one in TABLES[self.table].key)
        return (
            f"SELECT DISTINCT '{self.name}' AS rule, {key} AS record, {self.patient} AS patient_id,"
            f" {self.found} AS found, CAST({self.amount} AS DOUBLE) AS amount {self.body}"
        )
