"""Data quality: how many findings each rule has, and where follow-up stands."""

from __future__ import annotations

from analysis.checking.check_rules import CHECK_RULES
from analysis.checking.check_rules_implant import CUSTOM_RULES
from analysis.checking.schedule import count_states
from reports.page.document import Block, Column, Note, Paragraph, Row, Section, Table
from reports.results.quality_results import QualityResults
from reports.words.values import Count, text

_IN_PLACEMENT = {rule.name for rule in CUSTOM_RULES}


def _rule_table(quality: QualityResults) -> Table | Note:
    counted = quality.check.count_rules()
    rows = [
        Row((rule.severity, rule.contradicts, Count(counted[name])))
        for name, rule in CHECK_RULES.items()
        if counted[name] and name not in _IN_PLACEMENT
    ]
    if not rows:
        return Note("No rule has anything to say about the records at this data cut.")
    return Table(
        caption="What contradicts what in the records, by rule.",
        columns=(Column("Severity"), Column("What contradicts what"), Column("Findings", "right")),
        rows=tuple(rows),
        notes=(
            "Error: statements that cannot both be true. Warning: probably wrong, or misleading to"
            " a figure. Notice: for review. The command check lists each with its record, by how"
            " much, and what to do; departures of placement stand in their own table.",
        ),
    )


def section(quality: QualityResults) -> Section:
    """Return the section."""
    counts, due = quality.check.count_severities(), count_states(quality.check.due)
    blocks: tuple[Block, ...] = (
        Paragraph(
            text(
                "{rules} rules were run over every record by the data cut: {errors} errors,"
                " {warnings} warnings and {notices} notices. Nothing was changed or left out"
                " because of them.",
                rules=Count(len(CHECK_RULES)),
                errors=Count(counts["error"]),
                warnings=Count(counts["warning"]),
                notices=Count(counts["notice"]),
            )
        ),
        Paragraph(
            text(
                "At the data cut {due} treated tumours were due within a month, {overdue} overdue"
                " and {lost} lost by the visit schedule; follow-up of {ended} had ended.",
                due=Count(due["due"]),
                overdue=Count(due["overdue"]),
                lost=Count(due["lost"]),
                ended=Count(due["ended"]),
            ),
            lead="Follow-up.",
        ),
        _rule_table(quality),
    )
    return Section("Data quality", blocks)
