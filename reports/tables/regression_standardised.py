"""``regress --standardise``: risks of everybody with one column set to a value, and contrasts."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from registry.errors import UsageError

if TYPE_CHECKING:
    from analysis.models.marginal_risks import StandardisedColumn
    from analysis.models.regression import RegressionRows
    from reports.tables.regression import RegressionQuestion

PREDICTED_BY = {
    "logistic": "the model",
    "firth-logistic": "the Firth coefficients with the FLIC intercept",
    "cox": "the model's hazards, each row in its own stratum",
    "firth-cox": "the Firth coefficients with Breslow's baseline hazard",
    "fine-gray": "the model's subdistribution hazard",
}

Asked = tuple[str, tuple[float, ...]]
"""A column and the values to set it to (none: its levels, or its quartiles)."""


def read_standardised(parts: list[str]) -> tuple[Asked, ...]:
    """Read ``COLUMN`` or ``COLUMN=LOW:HIGH``.

    Raises
    ------
    UsageError
        For another form, or a column named twice.

    Examples
    --------
    >>> read_standardised(["arm", "dose=70:100"])
    (('arm', ()), ('dose', (70.0, 100.0)))
    """
    found: list[Asked] = []
    for text in parts:
        column, sign, values = text.partition("=")
        try:
            numbers = tuple(float(value) for value in values.split(":")) if sign else ()
        except ValueError:
            numbers = ()
        good = all(math.isfinite(value) for value in numbers) and len(set(numbers)) == len(numbers)
        if not column or not good or (sign and len(numbers) < 2):
            raise UsageError(
                f"--standardise {text}: write COLUMN, or COLUMN=LOW:HIGH with two numbers or more,"
                " such as dose=70:100.",
                option="--standardise",
            )
        if column in [one for one, _ in found]:
            raise UsageError(f"--standardise names {column!r} twice.", option="--standardise")
        found.append((column, numbers))
    return tuple(found)


def check_standardised(question: RegressionQuestion) -> None:
    """Refuse options that do not go together with ``--standardise``.

    Raises
    ------
    UsageError
        Names the option.
    """
    is_timed = "logistic" not in question.model
    if not question.standardise:
        if question.at:
            raise UsageError("--at needs --standardise: the risks at those times.", option="--at")
        return
    if question.imputations:
        raise UsageError("--standardise does not go with --imputations.", option="--standardise")
    if is_timed and not question.at:
        raise UsageError(
            "--standardise needs the times of the risks: add --at, such as --at 5.", option="--at"
        )
    if not is_timed and question.at:
        raise UsageError(
            f"--at does not go with --model {question.model}, which has no time.", option="--at"
        )
    terms = {*question.terms, *question.splines}
    strange = [column for column, _ in question.standardise if column not in terms]
    if strange:
        raise UsageError(
            f"--standardise {strange[0]}: it is not among the --terms.", option="--standardise"
        )


def standardise(
    rows: RegressionRows, question: RegressionQuestion
) -> tuple[dict[str, Any], list[str]]:
    """Return the part of the answer, and warnings."""
    import numpy as np

    from analysis.models.marginal_risks import marginal_risks

    rng = np.random.default_rng(question.seed)
    found = [
        marginal_risks(
            rows,
            question.model,
            column,
            question.at,
            rng=rng,
            numbers=numbers,
            ties=question.ties,
            replicates=question.replicates,
            level=question.level,
        )
        for column, numbers in question.standardise
    ]
    part = {
        "quantity": _quantity(found[0], question),
        "predicted_by": PREDICTED_BY[question.model],
        "over": found[0].n,
        "interval": "bootstrap, percentile",
        "drawn": "rows" if question.cluster is None else f"clusters of {question.cluster}",
        "replicates": question.replicates,
        "seed": question.seed,
        "columns": [_describe(one) for one in found],
    }
    return part, _warn(found, rows, question)


def _quantity(found: StandardisedColumn, question: RegressionQuestion) -> str:
    if "logistic" in question.model:
        return "risk"
    if found.is_incidence:
        return "cumulative incidence of event 1"
    return "risk by the time (1 − survival)"


def _describe(found: StandardisedColumn) -> dict[str, Any]:
    from dataclasses import asdict

    def timed(row: dict[str, Any]) -> dict[str, Any]:
        return row if math.isfinite(row["time"]) else row | {"time": None}

    return {
        "column": found.column,
        "replicates_fitted": found.fitted,
        "risks": [
            timed({"level": one.level, "time": one.time} | _plain(asdict(one.risk)))
            for one in found.risks
        ],
        "contrasts": [
            timed(
                asdict(one)
                | {"difference": _plain(asdict(one.difference)), "ratio": _plain(asdict(one.ratio))}
            )
            for one in found.contrasts
        ],
    }


def _plain(estimate: dict[str, float]) -> dict[str, float]:
    """An estimate with its value under the name that other answers give it."""
    return {"estimate": estimate.pop("value"), **estimate}


def _warn(
    found: list[StandardisedColumn], rows: RegressionRows, question: RegressionQuestion
) -> list[str]:
    said = []
    for one in found:
        left = one.replicates - one.fitted
        if left:
            lost = (
                ": too many for limits, none are given; a Firth model can be fitted to nearly all"
                if one.fitted < 0.9 * one.replicates
                else ""
            )
            said.append(
                f"{left} of {one.replicates} bootstrap samples of {one.column} could not be fitted"
                f" and are left out{lost}."
            )
    if rows.time is not None:
        late = [f"{time:g}" for time in question.at if time > float(rows.time.max())]
        if late:
            said.append(
                f"No risk is given at {', '.join(late)}, beyond the last follow-up"
                f" ({float(rows.time.max()):g})."
            )
    said.append(
        "A standardised risk is what the model expects with the column set and all else as it is:"
        " an effect only if nothing else that matters differs, and not of a column that comes after"
        " treatment."
    )
    return said


def lay_out_standardised_risks(part: dict[str, Any]) -> str:
    """Lay it out for a person."""
    from reports.render.text import lay_out_table

    def number(value: float | None) -> str:
        return "–" if value is None or not math.isfinite(value) else f"{value:.4g}"

    def with_limits(one: dict[str, Any]) -> str:
        limits = f"{number(one['lower'])} to {number(one['upper'])}"
        return f"{number(one['estimate'])} ({limits})"

    blocks = [
        f"Standardised {part['quantity']} over {part['over']} rows, by"
        f" {part['predicted_by']}; limits: {part['interval']},"
        f" {part['drawn']} drawn {part['replicates']} times, seed {part['seed']}"
    ]
    for column in part["columns"]:
        name = column["column"]
        risks = [
            [f"{name} = {one['level']}", number(one["time"]), with_limits(one)]
            for one in column["risks"]
        ]
        contrasts = [
            [
                f"{one['level']} against {one['reference']}",
                number(one["time"]),
                with_limits(one["difference"]),
                with_limits(one["ratio"]),
            ]
            for one in column["contrasts"]
        ]
        blocks.append(lay_out_table(["with everybody at", "time", "risk (limits)"], risks))
        blocks.append(lay_out_table([name, "time", "difference", "ratio"], contrasts))
    return "\n".join(blocks)
