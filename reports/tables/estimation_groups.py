"""The groups of ``afterplaque estimate``: a curve each, values at times, and what to warn of."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from registry.errors import RefusedEstimateError
from reports.tables.estimation_rows import ALL, Question

if TYPE_CHECKING:
    from analysis.estimators.observations import RightCensored


def describe_survival(
    name: str, observed: RightCensored, question: Question
) -> tuple[dict[str, Any], Any, list[str]]:
    """Give the Kaplan–Meier part of the answer for one group, the estimate, and warnings."""
    from analysis.estimators.survival import kaplan_meier

    with_group = _naming_group(name)
    estimate = with_group(
        lambda: kaplan_meier(observed, interval=question.interval, level=question.level)
    )
    restricted = None
    if question.until is not None:
        until = question.until
        restricted = with_group(lambda: estimate.restricted_mean(until))
    follow_up, warnings = _follow_up(name, observed, question)
    described = {
        "group": name,
        "n": estimate.n,
        "events": estimate.events,
        "person_time": estimate.person_time,
        "median": estimate.median(),
        "restricted_mean": restricted,
        "median_follow_up": follow_up,
        "last_time": estimate.last_time,
        "curve": estimate.curve.rows(),
        "at": estimate.at(question.at).rows() if question.at else [],
    }
    if estimate.effective_n is not None:
        described["effective_n"] = estimate.effective_n
    warnings += _warn_beyond(name, estimate.last_time, question)
    return described, estimate, warnings


def describe_incidence(
    name: str, observed: RightCensored, question: Question
) -> tuple[dict[str, Any], Any, list[str]]:
    """Give the cumulative incidences of the answer for one group, the estimate, and warnings."""
    from analysis.estimators.competing_risks import aalen_johansen

    estimate = _naming_group(name)(
        lambda: aalen_johansen(observed, interval=question.interval, level=question.level)
    )
    follow_up, warnings = _follow_up(name, observed, question)
    described = {
        "group": name,
        "n": estimate.n,
        "events": estimate.cause(1).events,
        "person_time": estimate.person_time,
        "median_follow_up": follow_up,
        "last_time": estimate.last_time,
        "causes": [
            {
                "cause": cause.cause,
                "events": cause.events,
                "curve": cause.curve.rows(),
                "at": cause.at(question.at).rows() if question.at else [],
            }
            for cause in estimate.causes
        ],
    }
    if estimate.effective_n is not None:
        described["effective_n"] = estimate.effective_n
    return described, estimate, [*warnings, *_warn_beyond(name, estimate.last_time, question)]


def _naming_group(name: str) -> Callable[[Callable[[], Any]], Any]:
    """Run an estimate; where it is refused say in which group."""

    def run(estimate: Callable[[], Any]) -> Any:
        try:
            return estimate()
        except RefusedEstimateError as refusal:
            if name == ALL:
                raise
            raise RefusedEstimateError(
                f"Group {name}: {refusal.message}", **{**refusal.where, "group": name}
            ) from None

    return run


def _follow_up(name: str, observed: RightCensored, question: Question) -> tuple[Any, list[str]]:
    from analysis.estimators.survival import Quantile, reverse_kaplan_meier

    try:
        reverse = reverse_kaplan_meier(observed, interval=question.interval, level=question.level)
    except RefusedEstimateError as refusal:
        nan = float("nan")
        reason = f"Group {name}: no median follow-up. {refusal.message}"
        return Quantile(nan, nan, nan), [reason]
    return reverse.median(), []


def _warn_beyond(name: str, last_time: float, question: Question) -> list[str]:
    beyond = [f"{time:g}" for time in question.at if time > last_time]
    if not beyond:
        return []
    return [
        f"Group {name}: nothing is reported at {', '.join(beyond)}, beyond the last follow-up "
        f"({last_time:g})."
    ]
