"""What a rule beyond one cell is, and the rules within one record.

Each rule is a query over ``staged_TABLE`` (the rows of the files), or ``after_TABLE`` (the
registry as it would be afterwards: those rows, and the registry's other records with a NULL
``line``). A rule names the subject ``r`` whose row is shown, and, where two records contradict each
other, the other one ``o``: when the subject is not in the files but the other is, the other is
shown. An unreadable cell is NULL here and satisfies every rule, so that it is reported only once.

An *error* is what cannot be (one record refers to nothing, an end lies before its beginning). A
*warning* is a contradiction between statements each of which could be true: it is named, never
refused, because the registry must be able to hold what the notes say.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from registry.records import TABLES, RecordTable

REMOVES_THE_EYE = ("enucleation", "exenteration")


@dataclass(frozen=True, slots=True)
class RecordRule:
    """One rule beyond a single cell.

    Attributes
    ----------
    name
        For tests and search.
    severity
        ``"error"`` or ``"warning"``.
    table, field
        The subject ``r`` and the field that is shown.
    body
        ``FROM ... WHERE ...`` that selects the rows in breach.
    allowed, remedy
        In words. ``{detail}`` in the remedy stands for the SQL expression ``detail``.
    other_table, other_field
        The other record ``o``, and its field.
    detail
        SQL text.
    """

    name: str
    severity: str
    table: str
    field: str
    body: str
    allowed: str
    remedy: str
    other_table: str | None = None
    other_field: str | None = None
    detail: str = "''"

    def select(self) -> str:
        """The query: ``is_other, file_no, line, found, detail``."""
        found = f"CAST(r.{self.field} AS VARCHAR)"
        if self.other_table is None:
            return (
                f"SELECT false AS is_other, r.file_no, r.line, {found} AS found, "
                f"{self.detail} AS detail {self.body} AND r.line IS NOT NULL"
            )
        return (
            "SELECT DISTINCT r.line IS NULL AS is_other, "
            "CASE WHEN r.line IS NULL THEN o.file_no ELSE r.file_no END AS file_no, "
            f"coalesce(r.line, o.line) AS line, CASE WHEN r.line IS NULL THEN "
            f"CAST(o.{self.other_field} AS VARCHAR) ELSE {found} END AS found, "
            f"CASE WHEN r.line IS NULL THEN '' ELSE {self.detail} END AS detail "
            f"{self.body} AND coalesce(r.line, o.line) IS NOT NULL"
        )


def list_codes(names: Iterable[str]) -> str:
    """Write codes as an SQL list."""
    return ", ".join(f"'{name}'" for name in names)


def rule_within(
    name: str, severity: str, table: str, field: str, breach: str, allowed: str, remedy: str
) -> RecordRule:
    """Make a rule about one record; ``breach`` is an SQL condition on ``r``."""
    body = f"FROM staged_{table} r WHERE ({breach})"
    return RecordRule(name, severity, table, field, body, allowed, remedy)


# --- within one record ----------------------------------------------------------------------------


def _patient_rules() -> Iterator[RecordRule]:
    for field in ("death_date", "metastasis_date", "last_contact_date"):
        yield rule_within(
            f"{field}_before_birth",
            "error",
            "patient",
            field,
            f"year(r.{field}) < r.birth_year",
            "a date not before the year of birth",
            f"correct {field} or birth_year",
        )
    yield from _patient_date_rules()
    yield from _patient_consistency_rules()


def _patient_date_rules() -> Iterator[RecordRule]:
    yield rule_within(
        "contact_after_death",
        "warning",
        "patient",
        "last_contact_date",
        "r.last_contact_date > r.death_date",
        "a date not after death_date",
        "correct last_contact_date or death_date",
    )
    yield rule_within(
        "vital_status_before_death",
        "warning",
        "patient",
        "vital_status_date",
        "r.vital_status_date < r.death_date",
        "a date not before death_date",
        "vital status is known at least until the death: correct one of the two dates",
    )
    yield rule_within(
        "metastasis_after_death",
        "warning",
        "patient",
        "metastasis_date",
        "r.metastasis_date > r.death_date",
        "a date not after death_date",
        "correct metastasis_date or death_date",
    )
    yield rule_within(
        "metastasis_status_before_metastasis",
        "warning",
        "patient",
        "metastasis_status_date",
        "r.metastasis_status_date < r.metastasis_date",
        "a date not before metastasis_date",
        "metastasis status is known at least until metastasis was found: correct one of the dates",
    )


def _patient_consistency_rules() -> Iterator[RecordRule]:
    yield rule_within(
        "cause_without_death",
        "warning",
        "patient",
        "death_cause",
        "r.death_cause IS NOT NULL AND r.death_date IS NULL",
        "blank where death_date is blank",
        "enter death_date, or clear death_cause",
    )
    yield rule_within(
        "died_without_death",
        "warning",
        "patient",
        "follow_up_ended_reason",
        "r.follow_up_ended_reason = 'died' AND r.death_date IS NULL",
        '"died" only with a death_date',
        "enter death_date, or another reason",
    )
    yield rule_within(
        "followed_after_death",
        "warning",
        "patient",
        "follow_up_ended_reason",
        "r.follow_up_ended_reason = 'under_follow_up' AND r.death_date IS NOT NULL",
        "not under_follow_up with a death_date",
        'write "died", or clear death_date',
    )
    yield rule_within(
        "found_by_without_metastasis",
        "warning",
        "patient",
        "metastasis_found_by",
        "r.metastasis_found_by <> 'unknown' AND r.metastasis_date IS NULL",
        "blank where metastasis_date is blank",
        "enter metastasis_date, or clear metastasis_found_by",
    )


def _tumour_rules() -> Iterator[RecordRule]:
    for field in ("thickness_mm", "largest_basal_diameter_mm"):
        yield rule_within(
            f"{field}_missing",
            "warning",
            "tumour",
            field,
            f"r.{field} IS NULL AND coalesce(NOT list_contains(r.unreadable, '{field}'), true)",
            "the size of every treated tumour at baseline",
            "look it up in the ultrasound report; without it the tumour has no size category",
        )
    yield rule_within(
        "longitudinal_above_largest",
        "warning",
        "tumour",
        "longitudinal_basal_diameter_mm",
        "r.longitudinal_basal_diameter_mm > r.largest_basal_diameter_mm",
        "not above largest_basal_diameter_mm",
        "correct one of the two diameters",
    )
    yield rule_within(
        "fovea_distance_against_involvement",
        "warning",
        "tumour",
        "fovea_distance_mm",
        "(r.fovea_involved = 'yes' AND r.fovea_distance_mm > 0) "
        "OR (r.fovea_involved = 'no' AND r.fovea_distance_mm = 0)",
        "0 just where fovea_involved is yes",
        "correct fovea_distance_mm or fovea_involved",
    )


def _applicator_rules() -> Iterator[RecordRule]:
    yield rule_within(
        "active_above_outer_diameter",
        "error",
        "applicator",
        "active_diameter_mm",
        "r.active_diameter_mm > r.diameter_mm",
        "not above diameter_mm",
        "correct one of the two diameters",
    )
    yield rule_within(
        "retired_before_first_use",
        "error",
        "applicator",
        "retired_date",
        "r.retired_date < r.first_used_date",
        "a date not before first_used_date",
        "correct retired_date or first_used_date",
    )


def _implant_rules() -> Iterator[RecordRule]:
    yield rule_within(
        "removal_before_insertion",
        "error",
        "implant",
        "removed_at",
        "r.removed_at <= r.inserted_at",
        "a time after inserted_at",
        "correct removed_at or inserted_at",
    )
    yield rule_within(
        "apex_dose_above_scleral_dose",
        "warning",
        "implant",
        "dose_apex_gy",
        "r.dose_apex_gy > r.dose_sclera_gy",
        "not above dose_sclera_gy",
        "the dose falls with depth: correct one of the two doses",
    )


_WITH_KIND = {
    "failure_pattern": ("local_failure",),
    "failure_edge": ("local_failure",),
    "retreatment": ("retreatment",),
    "planned": ("retreatment",),
    "reason": (*REMOVES_THE_EYE, "retreatment"),
}
"""Event fields that mean something with certain kinds only."""


def _event_rules() -> Iterator[RecordRule]:
    for field, kinds in _WITH_KIND.items():
        yield rule_within(
            f"{field}_with_other_kind",
            "error",
            "event",
            field,
            f"r.{field} IS NOT NULL AND r.kind NOT IN ({list_codes(kinds)})",
            f"only where kind is {' or '.join(kinds)}",
            f"clear {field}, or correct kind",
        )


def _make_rules_within() -> Iterator[RecordRule]:
    yield from _patient_rules()
    yield from _tumour_rules()
    yield from _applicator_rules()
    yield from _implant_rules()
    yield from _event_rules()


RULES_WITHIN_A_RECORD = tuple(_make_rules_within())
"""Rules within one record; those between are in :mod:`registry.entry_rules.linked_rules`."""


def make_declared_rules(
    tables: Iterable[RecordTable] = tuple(TABLES.values()),
) -> Iterator[RecordRule]:
    """Make the rules that the declaration implies.

    Keys are unique, references lead somewhere, identifiers are no one's own.
    """
    from registry.entry_rules.identifier_rules import make_identifier_rules

    for table in tables:
        yield from make_identifier_rules(table)
        yield make_key_rule(table)
        for field in table.references:
            yield make_reference_rule(table, field.name, str(field.references))


def make_key_rule(table: RecordTable) -> RecordRule:
    """No key comes twice within the files."""
    keys = ", ".join(field.name for field in table.key)
    known = " AND ".join(f"{field.name} IS NOT NULL" for field in table.key)
    return RecordRule(
        f"{table.name}_key_twice",
        "error",
        table.name,
        table.key[0].name,
        f"FROM (SELECT *, first_value(line) OVER same AS first_line, "
        f"first_value(file_no) OVER same AS first_file_no FROM staged_{table.name} "
        f"WHERE ({keys}) IN (SELECT ({keys}) FROM staged_{table.name} WHERE {known} "
        f"GROUP BY {keys} HAVING count(*) > 1) "
        f"WINDOW same AS (PARTITION BY {keys} ORDER BY file_no, line)) r "
        "WHERE (r.line, r.file_no) <> (r.first_line, r.first_file_no)",
        f"each {' with '.join(field.name for field in table.key)} once",
        "same key as {detail}; delete the row, or correct its key",
        detail="'@' || r.first_file_no || '@line ' || r.first_line",
    )


def make_reference_rule(table: RecordTable, field: str, parent: str) -> RecordRule:
    """A reference names a record of the registry or of the files."""
    key = TABLES[parent].key[0].name
    return rule_within(
        f"{table.name}_{field}_unknown",
        "error",
        table.name,
        field,
        f"r.{field} IS NOT NULL AND NOT EXISTS (SELECT 1 FROM after_{parent} p "
        f"WHERE p.{key} = r.{field}) AND NOT EXISTS (SELECT 1 FROM lost_{parent} p "
        f"WHERE p.{key} = r.{field})",
        f"a {key} of the registry or of {parent}.csv in the same intake",
        f"correct {field}, or enter the {parent} first",
    )
