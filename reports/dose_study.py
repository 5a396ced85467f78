"""The report of a dose–response study: question, results, doubts, methods, every number."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from analysis.dose_effect.dose_response import DoseResponse, HowToAnswer
from reports.audit import NOTICE, versions
from reports.page.document import Provenance, Report, numbered
from reports.sections import (
    dose_appendix,
    dose_doubts,
    dose_methods,
    dose_question,
    dose_reporting,
    dose_results,
    dose_trade_off,
)
from reports.studies.dose_plan import PlanState
from reports.studies.question_log import QuestionCount


def describe_source(store: Any, settings: Mapping[str, Any]) -> dict[str, str]:
    """Take from an open store what a report says of its source."""
    from reports.results.audit_results import last_recorded_at

    return {
        "centre": str(settings["centre_id"]),
        "content_hash": store.state_hash(),
        "last_recorded_at": last_recorded_at(store.connection),
        "half_life_source": str(settings["half_life_source"]),
    }


def build_study(
    answer: DoseResponse,
    how: HowToAnswer,
    plan: PlanState | None,
    count: QuestionCount,
    source: Mapping[str, str],
) -> Report:
    """Make the report of an answered question.

    Parameters
    ----------
    answer, how
        What was found, and how.
    plan, count
        What the plan and the log of questions say.
    source
        From :func:`describe_source`.
    """
    cut = answer.cut.event_date.isoformat()
    title = f"{answer.rows.end_point.title.capitalize()} and {answer.rows.field.words}"
    report = Report(
        title=title,
        subtitle=f"Dose–response study, {source['centre']}, data cut {cut}",
        provenance=Provenance(
            centre=source["centre"],
            data_cut=cut,
            made_at=source["last_recorded_at"],
            content_hash=source["content_hash"],
            plan="none" if plan is None else f"{plan.state} {plan.locked_hash}".strip(),
            versions=versions(),
        ),
        sections=(
            dose_question.section(answer, plan, count),
            dose_results.section(answer),
            dose_trade_off.section(answer),
            dose_doubts.confounding(answer),
            dose_doubts.other(answer, how),
            dose_methods.section(answer, how, source),
            dose_methods.references(),
            dose_appendix.section(answer),
            dose_reporting.section(),
        ),
        notices=(
            "An association between dose and outcome in past patients is no proof that dose caused"
            " it, and no dose is advised here.",
            NOTICE,
        ),
    )
    return numbered(report)
