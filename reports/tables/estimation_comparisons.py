"""Groups of ``afterplaque estimate`` compared: tests, and differences at fixed times."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from registry.errors import RefusedEstimateError, UsageError
from reports.tables.estimation_rows import KAPLAN_MEIER, Question, Rows

if TYPE_CHECKING:
    from analysis.estimators.group_tests import GroupTest


def compare_groups(rows: Rows, question: Question) -> tuple[list[dict[str, Any]], list[str]]:
    """Test between the groups, and for a trend where asked; give the tests and the refusals."""
    from analysis.estimators.group_tests import gray, list_tests, log_rank

    if len(rows.groups()) < 2:
        return [], []
    warnings, tests = [], []
    causes = sorted({1, *(int(code) for code in rows.observed.status if code > 0)})
    for cause in [1] if question.method == KAPLAN_MEIER else causes:
        try:
            if question.method == KAPLAN_MEIER:
                tests.append(log_rank(rows.observed, rows.group, strata=rows.strata))
                if question.trend:
                    tests.append(_test_trend(rows))
            else:
                tests.append(gray(rows.observed, rows.group, cause=cause, strata=rows.strata))
        except RefusedEstimateError as refusal:
            if refusal.message not in warnings:
                warnings.append(refusal.message)
    return list_tests(tests), warnings


def _test_trend(rows: Rows) -> GroupTest:
    import numpy as np

    from analysis.estimators.group_tests import trend

    try:
        scores = [float(label) for label in rows.group]
    except ValueError:
        raise UsageError(
            f"--trend takes the numbers of --by as scores, and its groups are "
            f"{', '.join(rows.groups())}. Code them as numbers in their order.",
            option="--trend",
        ) from None
    return trend(rows.observed, scores, scores=np.unique(scores).tolist(), strata=rows.strata)


def describe_differences(estimates: dict[str, Any], question: Question) -> list[dict[str, Any]]:
    """Give the differences between two groups at the times asked for, and of restricted means."""
    from dataclasses import asdict

    from analysis.estimators.differences import restricted_mean_difference, survival_difference

    if len(estimates) != 2:
        raise UsageError(
            f"--difference compares two groups; --by gives {len(estimates)}.", option="--difference"
        )
    if not question.at and question.until is None:
        raise UsageError("--difference needs --at or --until.", option="--difference")
    first, second = estimates.values()
    found: list[tuple[dict[str, Any], Any]] = []
    for time in question.at:
        if question.method == KAPLAN_MEIER:
            label = {"quantity": "survival", "time": time}
            found.append((label, survival_difference(first, second, time)))
        else:
            found += _incidence_differences(first, second, time)
    if question.until is not None:
        label = {"quantity": "restricted mean", "until": question.until}
        found.append((label, restricted_mean_difference(first, second, question.until)))
    names = list(estimates)
    return [label | {"groups": names} | asdict(difference) for label, difference in found]


def _incidence_differences(
    first: Any, second: Any, time: float
) -> list[tuple[dict[str, Any], Any]]:
    from analysis.estimators.differences import incidence_difference

    shared = {cause.cause for cause in first.causes} & {cause.cause for cause in second.causes}
    return [
        (
            {"quantity": "incidence", "cause": code, "time": time},
            incidence_difference(first.cause(code), second.cause(code), time),
        )
        for code in sorted(shared)
    ]
