"""What ``check`` found, as a machine-readable answer, as CSV and as text."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from itertools import groupby
from typing import TYPE_CHECKING, Any

from registry.csv_cells import defuse_row
from reports.render.text import lay_out_table

if TYPE_CHECKING:
    from analysis.checking.check_declaration import CheckRule
    from analysis.checking.checks import CheckFinding, RegistryCheck
    from analysis.checking.plaque_log import PlaqueEntry
    from analysis.checking.schedule import VisitSchedule
    from analysis.outcomes.baseline import Completeness

COLUMNS = (
    "severity",
    "rule",
    "record",
    "patient_id",
    "contradicts",
    "found",
    "by_how_much",
    "unit",
    "what_to_do",
    "source",
)
SHOWN_OF_A_RULE = 10


def describe_finding(finding: CheckFinding) -> dict[str, object]:
    """Give one finding: severity, record, what contradicts what, by how much, what to do."""
    rule = finding.rule
    values = (
        rule.severity,
        rule.name,
        finding.record,
        finding.patient_id,
        rule.contradicts,
        finding.found,
        finding.amount,
        rule.unit or None,
        rule.remedy,
        rule.source,
    )
    return dict(zip(COLUMNS, values, strict=True))


def at_least(check: RegistryCheck, severity: str) -> list[CheckFinding]:
    """List the findings of a severity or worse."""
    from analysis.checking.check_declaration import SEVERITIES

    kept = SEVERITIES[: [*SEVERITIES].index(severity) + 1]  # type: ignore[arg-type]
    return [one for one in check.findings if one.severity in kept]


def describe_check(
    check: RegistryCheck,
    shown: Sequence[CheckFinding],
    schedule: VisitSchedule,
    plaques: Sequence[PlaqueEntry],
    completeness: Completeness,
) -> dict[str, object]:
    """Give the machine-readable result; counts are of all findings, whatever is shown."""
    from analysis.checking.schedule import count_states

    return {
        "command": "check",
        "data_cut": check.cut.event_date,
        "counts": dict(check.count_severities()),
        "rules": {name: n for name, n in check.count_rules().items() if n},
        "findings": [describe_finding(one) for one in shown],
        "follow_up": {
            "schedule": schedule.in_words(),
            "counts": count_states(check.due),
            "due_next_month": [one for one in check.due if one.state == "due"],
            "overdue": [one for one in check.due if one.state == "overdue"],
            "lost": [one for one in check.due if one.state == "lost"],
        },
        "plaques": list(plaques),
        "completeness": {
            "years": completeness.years,
            "treated": completeness.treated,
            "fields": [
                {"field": name, "known": known}
                for name, known in zip(completeness.fields, completeness.known, strict=True)
            ],
        },
    }


def write_findings(findings: Iterable[CheckFinding]) -> str:
    """Write findings as CSV text, a row a finding."""
    stream = io.StringIO()
    writer = csv.DictWriter(stream, COLUMNS, lineterminator="\n")
    writer.writeheader()
    for one in findings:
        described = describe_finding(one)
        writer.writerow(dict(zip(described, defuse_row(described.values()), strict=True)))
    return stream.getvalue()


def _show_amount(finding: CheckFinding) -> str:
    return "" if finding.amount is None else f"{finding.amount:.4g} {finding.rule.unit}".strip()


def _lay_out_rule(rule: CheckRule, findings: Sequence[CheckFinding]) -> str:
    listed = [[one.record, one.found, _show_amount(one)] for one in findings[:SHOWN_OF_A_RULE]]
    more = len(findings) - len(listed)
    lines = [
        f"{rule.severity.upper()} {rule.name} ({len(findings)}): {rule.contradicts}",
        f"  To do: {rule.remedy}.",
        lay_out_table(["record", "found", "by"], listed),
    ]
    return "\n".join(lines + [f"... and {more} more; --out FILE.csv lists all"] * (more > 0))


def lay_out_check(
    check: RegistryCheck, shown: Sequence[CheckFinding], payload: dict[str, Any]
) -> str:
    """Lay the findings out for a terminal, rule by rule, worst first."""
    counts = payload["counts"]
    head = f"Data cut {check.cut.event_date}: " + ", ".join(
        f"{n} {name}{'s' * (n != 1)}" for name, n in counts.items()
    )
    states = payload["follow_up"]["counts"]
    follow_up = (
        f"Follow-up ({payload['follow_up']['schedule']}): {states['due']} due within a month,"
        f" {states['overdue']} overdue, {states['lost']} lost."
    )
    by_rule = groupby(shown, key=lambda one: one.rule)
    blocks = [_lay_out_rule(rule, list(findings)) for rule, findings in by_rule]
    remarks = [
        [one.applicator_id, one.isotope, remark]
        for one in payload["plaques"]
        if one.in_stock
        for remark in one.remarks
    ]
    plaques = "Plaques in stock (common practice, no source)\n" + lay_out_table(
        ["plaque", "isotope", "remark"], remarks
    )
    return "\n\n".join([head, *blocks, follow_up, *([plaques] if remarks else [])])


def describe_rules(rules: Iterable[CheckRule]) -> list[dict[str, object]]:
    """Give every rule: name, severity, table, what contradicts what, what to do, source."""
    return [
        {
            "rule": rule.name,
            "severity": rule.severity,
            "table": rule.table,
            "contradicts": rule.contradicts,
            "what_to_do": rule.remedy,
            "source": rule.source,
            "unit": rule.unit or None,
        }
        for rule in rules
    ]


def lay_out_rules(rules: Iterable[CheckRule]) -> str:
    """Lay the table of rules out for a terminal."""
    rows = [[rule.severity, rule.name, rule.contradicts, rule.source] for rule in rules]
    return lay_out_table(["severity", "rule", "what contradicts what", "source"], rows)
