"""Run the rules of :mod:`analysis.checking.check_rules` over a registry and list what they find.

Nothing is dropped, changed or forbidden: a finding says which record contradicts what, by how much,
and what to do about it. The rules in SQL read relations laid out once; dose, placement, growth and
follow-up are worked out by their own modules and come in under the names of the same table.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from analysis.checking.check_declaration import SEVERITIES, CheckRule, Severity, Tolerances
from analysis.checking.check_measures import (
    Found,
    find_delivery_departures,
    find_dose_departures,
    find_growth_without_failure,
    find_late_visits,
    find_old_certificates,
    find_placement_departures,
)
from analysis.checking.check_relations import laid_out, run
from analysis.checking.check_rules import CHECK_RULES
from analysis.checking.schedule import Due, VisitSchedule, read_due
from analysis.checking.tumour_growth import GrowthRule, find_growth
from analysis.implants.dosimetry import recompute_doses
from analysis.implants.placement_check import check_placement
from analysis.implants.placement_records import read_placements
from registry.settings import (
    DEFAULT_GROWTH_RULE,
    DEFAULT_VISIT_SCHEDULE,
    HALF_LIFE_SOURCES,
)

if TYPE_CHECKING:
    import duckdb

    from analysis.outcomes.cohort import DataCut


@dataclass(frozen=True, slots=True)
class CheckFinding:
    """One finding: the rule that speaks, the record, what was found there, and by how much.

    ``record`` is ``TABLE:KEY``, key parts joined by ``|``, as every command names records;
    ``patient_id`` is None for plaques.
    """

    rule: CheckRule
    record: str
    patient_id: str | None
    found: str
    amount: float | None

    @property
    def severity(self) -> Severity:
        """The rule's severity."""
        return self.rule.severity


@dataclass(frozen=True, slots=True)
class RegistryCheck:
    """Every finding, worst first, then by rule and record.

    ``due`` says where every treated tumour stands by the visit schedule.
    """

    cut: DataCut
    findings: tuple[CheckFinding, ...]
    due: tuple[Due, ...]

    def count_rules(self) -> Mapping[str, int]:
        """Count findings by rule, every rule named."""
        counted = Counter(one.rule.name for one in self.findings)
        return MappingProxyType({name: counted[name] for name in CHECK_RULES})

    def count_severities(self) -> Mapping[Severity, int]:
        """Count findings by severity, every severity named."""
        counted = Counter(one.severity for one in self.findings)
        return MappingProxyType({name: counted[name] for name in SEVERITIES})


def check_registry(
    connection: duckdb.DuckDBPyConnection,
    cut: DataCut,
    settings: Mapping[str, Any],
    *,
    tolerances: Tolerances | None = None,
    patient_id: str | None = None,
    progress: Callable[[str], None] = lambda step: None,
) -> RegistryCheck:
    """Run every rule over the records as they stand at the cut.

    Parameters
    ----------
    connection
        Connection of an open registry; temporary tables are made in it and dropped again.
    cut
        Nothing after it is judged; whether a visit is overdue is asked on its day.
    settings
        The registry's settings; those it was created without take their defaults.
    tolerances
        From which differences on rules speak.
    patient_id
        Only this patient's records.
    progress
        Told the name of each step.
    """
    limits = tolerances or Tolerances()
    schedule = VisitSchedule.of(settings.get("visit_schedule", DEFAULT_VISIT_SCHEDULE))
    found: list[CheckFinding] = []
    with laid_out(connection, cut, patient_id=patient_id) as parameters:
        progress("dates, sizes and status")
        gap = {"course_gap_days": settings.get("course_gap_days", 90)}
        found += [
            one
            for one in _run_sql(connection, parameters | limits.parameters() | gap)
            if patient_id is None or one.patient_id in (None, patient_id)
        ]
        progress("growth")
        rule = GrowthRule(**settings.get("growth_rule", DEFAULT_GROWTH_RULE))
        patients = _patients_of(connection)
        computed = list(find_growth_without_failure(find_growth(connection, rule)))
        progress("doses")
        computed += _check_doses(connection, cut, settings, limits, patient_id)
        progress("placement")
        computed += _check_placements(connection, cut, limits, patient_id)
    progress("follow-up")
    due = read_due(connection, cut, schedule, patient_id=patient_id)
    computed += find_late_visits(due)
    found += _name_patients(computed, patients)
    ranks = {name: place for place, name in enumerate(CHECK_RULES)}
    found.sort(key=lambda one: (ranks[one.rule.name], one.record))
    return RegistryCheck(cut, tuple(found), due)


def _run_sql(
    connection: duckdb.DuckDBPyConnection, parameters: Mapping[str, object]
) -> Iterator[CheckFinding]:
    for rule in CHECK_RULES.values():
        if rule.body:
            for _, record, patient_id, words, amount in run(
                connection, rule.select(), parameters
            ).fetchall():
                yield CheckFinding(rule, f"{rule.table}:{record}", patient_id, words, amount)


def _patients_of(connection: duckdb.DuckDBPyConnection) -> dict[str, str]:
    rows = connection.execute("SELECT tumour_id, patient_id FROM checked_tumour").fetchall()
    return {str(tumour): str(patient) for tumour, patient in rows}


def _name_patients(computed: list[Found], patients: Mapping[str, str]) -> Iterator[CheckFinding]:
    """Turn what was worked out into findings; what belongs to no patient asked for is left out."""
    for name, record, tumour, words, amount in computed:
        if tumour is not None and tumour in patients:
            rule = CHECK_RULES[name]
            yield CheckFinding(rule, f"{rule.table}:{record}", patients[tumour], words, amount)


def _implants_of(connection: duckdb.DuckDBPyConnection) -> list[tuple[str, str]]:
    rows = connection.execute(
        "SELECT implant_id, tumour_id FROM checked_implant JOIN checked_tumour USING (tumour_id)"
        " ORDER BY implant_id"
    ).fetchall()
    return [(str(implant), str(tumour)) for implant, tumour in rows]


def _check_doses(
    connection: duckdb.DuckDBPyConnection,
    cut: DataCut,
    settings: Mapping[str, Any],
    limits: Tolerances,
    patient_id: str | None,
) -> list[Found]:
    source = settings.get("half_life_source", HALF_LIFE_SOURCES[0])
    incidents = frozenset(
        name
        for (name,) in connection.execute(
            "SELECT implant_id FROM checked_implant WHERE has_incident"
        ).fetchall()
    )
    first_of_tumour = {tumour: implant for implant, tumour in _implants_of(connection)}
    asked = [None] if patient_id is None else list(first_of_tumour.values())
    computed: list[Found] = []
    for implant in asked:
        table = recompute_doses(connection, cut, half_life_source=source, tumour_of_implant=implant)
        computed += find_dose_departures(table, limits)
        computed += find_delivery_departures(table, incidents, limits)
        computed += find_old_certificates(table, limits)
    return computed


def _check_placements(
    connection: duckdb.DuckDBPyConnection, cut: DataCut, limits: Tolerances, patient_id: str | None
) -> list[Found]:
    asked = [None] if patient_id is None else [implant for implant, _ in _implants_of(connection)]
    records = [
        record
        for implant in asked
        for record in read_placements(connection, cut, implant_id=implant)
    ]
    return list(find_placement_departures(map(check_placement, records), limits))
