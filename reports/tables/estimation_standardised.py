"""``estimate --standardise``: curves of groups as if all had the same covariates."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from registry.errors import UsageError
from reports.tables.table_reading import Table

if TYPE_CHECKING:
    from analysis.estimators.observations import RightCensored
    from analysis.models.standardised import Standardised, StandardisedGroup
    from reports.tables.estimation_rows import Question


def answer_standardised(
    table: Table, observed: RightCensored, group: tuple[str, ...], question: Question
) -> tuple[dict[str, Any], list[str]]:
    """Standardise over the covariates named in the question.

    Parameters
    ----------
    table
        The rows of the observations, complete in the covariates.
    observed, group
        Checked observations and the group of each.
    question
        With ``standardise``, ``at``, ``by``, ``seed`` and ``replicates``.

    Returns
    -------
    tuple
        The part of the answer, and warnings.
    """
    import numpy as np

    from analysis.models.design_matrix import to_model_frame
    from analysis.models.standardised import standardise
    from reports.tables.regression import read_column

    frame = to_model_frame({name: read_column(table, name) for name in question.standardise})
    is_incidence = question.method == "cumulative-incidence"
    found = standardise(
        observed,
        frame.matrix,
        group,
        question.at,
        terms=frame.terms,
        is_incidence=is_incidence,
        rng=np.random.default_rng(question.seed),
        replicates=question.replicates,
        interval=question.interval,
        level=question.level,
    )
    events = int((observed.status == 1).sum())
    part = _describe(found, question, is_incidence=is_incidence)
    return part | {"references": dict(frame.references)}, _warn(found, events)


def _warn(found: Standardised, events: int) -> list[str]:
    from analysis.models.coefficients import few_events_warning

    few = few_events_warning(events, len(found.coefficients.terms), advised=None)
    warnings = [] if few is None else [few.split(":")[0] + ": the adjustment is uncertain."]
    if found.fitted < found.replicates:
        warnings.append(
            f"{found.replicates - found.fitted} of {found.replicates} bootstrap samples could not "
            "be fitted and are left out of the standard errors."
        )
    return warnings


def _describe(found: Standardised, question: Question, *, is_incidence: bool) -> dict[str, Any]:
    table = found.coefficients
    return {
        "over": list(question.standardise),
        "quantity": "incidence" if is_incidence else "survival",
        "model": "Cox, stratified by the groups, Efron ties"
        + (", one a cause" if is_incidence else ""),
        "terms": [
            {"term": term, "coef": float(coef), "se": float(se)}
            for term, coef, se in zip(table.terms, table.coef, table.se, strict=True)
        ],
        "replicates": found.replicates,
        "replicates_fitted": found.fitted,
        "seed": question.seed,
        "causes_without_model": list(found.without_model),
        "groups": [_describe_group(one) for one in found.groups],
    }


def _describe_group(one: StandardisedGroup) -> dict[str, Any]:
    names = ("time", "at_risk", "events", "estimate", "se", "lower", "upper")
    columns = (getattr(one, name).tolist() for name in names)
    rows = [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]
    return {"group": one.group, "n": one.n, "at": rows}


def check_standardise(question: Question) -> None:
    """Refuse options that do not go together with ``--standardise``.

    Raises
    ------
    UsageError
        Names the option.
    """
    if not question.standardise:
        return
    asked = f"--standardise {','.join(question.standardise)}"
    if question.by is None:
        raise UsageError(f"{asked} compares groups: add --by.", option="--standardise")
    if not question.at:
        raise UsageError(f"{asked} needs the times to read: add --at.", option="--standardise")
    if question.weights is not None:
        raise UsageError(f"{asked} takes no --weights.", option="--standardise")
    if question.interval.startswith("beta"):
        raise UsageError(
            f"{asked} has limits from a bootstrap standard error: choose --interval log-log, log, "
            "plain or logit.",
            option="--interval",
        )
    taken = {question.time, question.event, question.entry, question.by} & set(question.standardise)
    if taken or len(set(question.standardise)) < len(question.standardise):
        raise UsageError(
            f"{asked} names a column twice, or one of the outcome or groups.",
            option="--standardise",
        )


def lay_out_standardised(part: dict[str, Any]) -> str:
    """The standardised curves for a person, with people as seen beneath each figure's time."""
    from reports.render.text import lay_out_table
    from reports.tables.estimation_text import show_number

    keys = ("time", "estimate", "se", "lower", "upper", "at_risk", "events")
    rows = [
        [one["group"], *(show_number(row[key]) for key in keys)]
        for one in part["groups"]
        for row in one["at"]
    ]
    headings = ["group", *keys[:5], "at risk as seen", "events as seen"]
    return (
        f"Standardised {part['quantity']} over {', '.join(part['over'])} ({part['model']}; "
        f"SE from {part['replicates_fitted']} bootstrap samples, seed {part['seed']})\n"
        + lay_out_table(headings, rows)
    )
