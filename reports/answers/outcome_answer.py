"""What ``afterplaque outcome`` answers: an analysed end point as plain values, times in years."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from typing import Any

from analysis.estimators.curves import AtTimes, StepCurve
from analysis.estimators.survival import Quantile
from analysis.outcomes.end_points import DAYS_PER_YEAR
from analysis.outcomes.outcome import GroupOutcome, Outcome, OutcomeTable
from registry.csv_cells import defuse_row

ROW_HEADINGS = (
    "unit_id",
    "patient_id",
    "group",
    "entry_days",
    "time_days",
    "status",
    "status_name",
    "last_known_free_days",
    "first_known_event_days",
    "death_days",
    "baseline_included",
    "vital_known_days",
)
"""Headings of the analysis table; the last one is the end of the death clock."""


def _in_years(arrays: StepCurve | AtTimes) -> list[dict[str, Any]]:
    return [{**row, "time": row["time"] / DAYS_PER_YEAR} for row in arrays.rows()]


def _quantile_in_years(quantile: Quantile | None) -> dict[str, float] | None:
    if quantile is None:
        return None
    names = ("value", "lower", "upper")
    return {name: getattr(quantile, name) / DAYS_PER_YEAR for name in names}


def _describe_survival(group: GroupOutcome, at_years: Sequence[float]) -> dict[str, Any] | None:
    estimate = group.kaplan_meier
    if estimate is None:
        return None
    days = [years * DAYS_PER_YEAR for years in at_years]
    return {
        "group": group.group,
        "n": estimate.n,
        "events": estimate.events,
        "person_time": estimate.person_time / DAYS_PER_YEAR,
        "interval": estimate.interval,
        "level": estimate.level,
        "median": _quantile_in_years(estimate.median()),
        "restricted_mean": None,
        "median_follow_up": _quantile_in_years(group.median_follow_up),
        "curve": _in_years(estimate.curve),
        "at": _in_years(estimate.at(days)) if days else [],
    }


def _describe_incidence(
    group: GroupOutcome, names: Sequence[str], at_years: Sequence[float]
) -> dict[str, Any] | None:
    estimate = group.cumulative_incidence
    if estimate is None:
        return None
    days = [years * DAYS_PER_YEAR for years in at_years]
    return {
        "interval": estimate.interval,
        "level": estimate.level,
        "causes": [
            {
                "cause": cause.cause,
                "name": name,
                "events": cause.events,
                "curve": _in_years(cause.curve),
                "at": _in_years(cause.at(days)) if days else [],
            }
            for cause, name in zip(estimate.causes, names, strict=True)
        ],
    }


def describe_group(
    group: GroupOutcome, names: Sequence[str], at_years: Sequence[float]
) -> dict[str, Any]:
    """Describe one group: counts, Kaplan–Meier and cumulative incidence."""
    return {
        "group": group.group,
        "n": group.n,
        "events": group.events,
        "competing": group.competing,
        "delayed_entry": group.delayed_entry,
        "never_assessed": group.never_assessed,
        "person_years": group.person_years,
        "kaplan_meier": _describe_survival(group, at_years),
        "cumulative_incidence": _describe_incidence(group, names, at_years),
    }


def _describe_clocked(outcome: Outcome) -> list[dict[str, Any]]:
    """Describe the tests of incidences and competing hazards; a refused one with its reason."""
    from analysis.estimators.group_tests import list_tests

    described = []
    for one in outcome.incidence_tests:
        figures = list_tests([one.test])[0] if one.test else {"refused": one.reason}
        figures.pop("name", None)
        figures.pop("cause", None)
        described.append({"name": one.name, "cause": one.cause, "clock": one.clock} | figures)
    return described


def describe_outcome(outcome: Outcome, at_years: Sequence[float]) -> dict[str, Any]:
    """Describe an analysed end point.

    Parameters
    ----------
    at_years
        Times at which the curves are read.
    """
    from analysis.estimators.group_tests import list_tests
    from analysis.outcomes.end_points import definition_in_words

    names = outcome.end_point.cause_names
    return {
        "command": "outcome",
        "end_point": outcome.end_point.name,
        "unit": outcome.end_point.unit,
        "definition": definition_in_words(outcome.end_point),
        "data_cut": outcome.cut.event_date,
        "by": outcome.grouping.by if outcome.grouping else None,
        "flow": list(outcome.flow),
        "groups": [describe_group(group, names, at_years) for group in outcome.groups],
        "landmark_years": outcome.landmark_years,
        "tests": list_tests(outcome.tests),
        "incidence_tests": _describe_clocked(outcome),
        "sensitivity": [
            {
                "name": variant.name,
                "words": variant.words,
                "groups": [describe_group(group, names, at_years) for group in variant.groups],
            }
            for variant in outcome.sensitivity
        ],
        "warnings": list(outcome.warnings),
    }


def _blank_or_days(value: float) -> str:
    return "" if math.isnan(value) else str(int(value))


def _rows_of_group(group: GroupOutcome) -> list[list[object]]:
    table: OutcomeTable = group.table
    names = ("censored", *table.end_point.cause_names)
    return [
        [
            table.unit_id[row],
            table.patient_id[row],
            group.group,
            int(table.entry_days[row]),
            int(table.time_days[row]),
            int(table.status[row]),
            names[int(table.status[row])],
            int(table.last_known_free_days[row]),
            _blank_or_days(table.first_known_event_days[row]),
            _blank_or_days(table.death_days[row]),
            "yes",
            int(table.vital_known_days[row]),
        ]
        for row in range(table.n)
    ]


def write_rows(outcome: Outcome) -> str:
    """Write the analysis table as CSV, a row a unit: what a fellow takes into another program."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(ROW_HEADINGS)
    for group in outcome.groups:
        writer.writerows(defuse_row(row) for row in _rows_of_group(group))
    return text.getvalue()
