"""What ``afterplaque estimate`` computes: a fellow's table in, plain values out.

The command reads the options; this module runs the estimators group by group and returns the answer
ready for JSON. Nothing heavy is imported before it is called.
"""

from __future__ import annotations

from typing import Any

from reports.tables.estimation_comparisons import compare_groups, describe_differences
from reports.tables.estimation_completeness import describe_completeness
from reports.tables.estimation_groups import describe_incidence, describe_survival
from reports.tables.estimation_rows import KAPLAN_MEIER, Question, read_rows
from reports.tables.table_reading import Table


def answer_question(table: Table, question: Question) -> dict[str, Any]:
    """Estimate every group of a table and compare them.

    Returns
    -------
    dict
        ``method``, ``interval``, ``level``, ``groups``, ``tests``, ``differences`` (when asked),
        ``landmark`` (when asked) and ``warnings``.

    Raises
    ------
    RefusedInputError
        For a cell that cannot be used; the line is named.
    RefusedEstimateError
        For a figure that the data cannot support.
    """
    rows, warnings, landmark = read_rows(table, question)
    describe = describe_survival if question.method == KAPLAN_MEIER else describe_incidence
    groups, estimates = [], {}
    for name in rows.groups():
        described, estimate, more = describe(name, rows.of_group(name), question)
        groups.append(described)
        estimates[name] = estimate
        warnings += more
    tests, more = compare_groups(rows, question)
    answer = {
        "method": question.method,
        "interval": question.interval,
        "level": question.level,
        "groups": groups,
        "tests": tests,
    }
    if question.difference:
        answer["differences"] = describe_differences(estimates, question)
    if question.potential:
        answer["completeness"] = describe_completeness(rows, question)
    if question.check_with:
        from reports.tables.second_opinion import judge_curves

        curves = {name: (rows.of_group(name), estimates[name]) for name in rows.groups()}
        log_rank = tests[0] if tests else None
        answer["second_opinion"], said = judge_curves(curves, rows.observed, rows.group, log_rank)
        more = [*more, *said]
    if question.standardise:
        from reports.tables.estimation_standardised import answer_standardised

        part, said = answer_standardised(rows.table, rows.observed, rows.group, question)
        answer["standardised"] = part
        more = [*more, *said]
    if landmark is not None:
        answer["landmark"] = landmark
    return answer | {"warnings": [*warnings, *more]}
