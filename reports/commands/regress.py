"""``afterplaque regress``: Cox, Fine–Gray and logistic models of any table, with Firth forms."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from registry.errors import UsageError
from reports.command_frame import JsonFlag, answer
from reports.options.option_values import RESAMPLES

Model = Literal[
    "cox", "firth-cox", "fine-gray", "firth-discrete-time", "logistic", "firth-logistic"
]
Ties = Literal["efron", "breslow"]


def regress(
    table: Annotated[Path, typer.Argument(metavar="TABLE.csv", help="A CSV file with headings.")],
    event: Annotated[
        str, typer.Option(help="Column: 0 censored, 1 event, 2, 3, ... competing events.")
    ],
    model: Annotated[Model, typer.Option(help="Firth forms are for rare events.")],
    terms: Annotated[
        list[str] | None,
        typer.Option(metavar="A,B,...", help="Columns; text becomes indicators column[level]."),
    ] = None,
    time: Annotated[
        str | None, typer.Option(help="Column: end of observation, ≥ 0, in any one unit.")
    ] = None,
    entry: Annotated[
        str | None, typer.Option(help="Column: delayed entry; at risk when entry < t ≤ time.")
    ] = None,
    strata: Annotated[
        list[str] | None, typer.Option(help="Columns: a baseline hazard for each combination.")
    ] = None,
    cluster: Annotated[
        str | None, typer.Option(help="Column: robust standard errors by cluster (patient).")
    ] = None,
    ties: Annotated[
        Ties | None, typer.Option(help="cox: efron unless said; firth-cox: breslow unless said.")
    ] = None,
    spline: Annotated[
        list[str] | None,
        typer.Option(metavar="COLUMN:K", help="Restricted cubic spline with K knots (3 to 7)."),
    ] = None,
    event_codes: Annotated[
        list[str] | None,
        typer.Option(metavar="FOUND=CODE,...", help="What the event column's values stand for."),
    ] = None,
    landmark: Annotated[
        float | None,
        typer.Option(help="Start the clock here, with those free of any event until then."),
    ] = None,
    imputations: Annotated[
        int,
        typer.Option(min=0, help="Complete tables to draw for missing covariates (0: none)."),
    ] = 0,
    validate: Annotated[
        int,
        typer.Option(
            metavar="SAMPLES",
            min=0,
            help="cox, firth-cox, logistic: bootstrap samples for C and the calibration slope with"
            " the optimism taken off; limits from 39 samples on at 95 %, 200 or more are better"
            " (0: none).",
        ),
    ] = 0,
    calibrate_at: Annotated[
        float | None,
        typer.Option(metavar="T", help="With --validate: predicted against observed risk by T."),
    ] = None,
    edges: Annotated[
        list[str] | None,
        typer.Option(
            metavar="T,...",
            help="firth-discrete-time: ends of its intervals; the last is the horizon.",
        ),
    ] = None,
    e_values: Annotated[
        bool,
        typer.Option("--e-values", help="How strong something unmeasured would have to be."),
    ] = False,
    standardise: Annotated[
        list[str] | None,
        typer.Option(
            metavar="COLUMN[=LOW:HIGH],...",
            help="Columns: everybody's mean risk with the column set to each level, or to the"
            " numbers given (else its two values or quartiles); differences and ratios.",
        ),
    ] = None,
    at: Annotated[
        list[str] | None,
        typer.Option(metavar="T,...", help="Times of the risks of --standardise."),
    ] = None,
    replicates: Annotated[
        int, typer.Option(*RESAMPLES, min=20, help="Bootstrap samples behind --standardise.")
    ] = 500,
    seed: Annotated[int, typer.Option(help="Seed of imputations and bootstrap samples.")] = 1,
    check_with: Annotated[
        Literal["lifelines"] | None,
        typer.Option(help="cox: compute it with another program, too, and say how far it is."),
    ] = None,
    level: Annotated[float, typer.Option(help="Confidence level, such as 0.95.")] = 0.95,
    as_json: JsonFlag = False,
) -> None:
    """Fit a regression model: coefficients, ratios with limits, and tests.

    Limits and p are profile penalised likelihood for the Firth forms, robust with --cluster, Wald
    otherwise. Under 5 events no model is fitted. Rows with a missing value are left out and
    counted.
    """
    from reports.options.estimate_options import check_level, read_codes, read_times, split_list
    from reports.tables.regression import (
        RegressionQuestion,
        answer_regression,
        check_question,
    )
    from reports.tables.regression_standardised import read_standardised
    from reports.tables.regression_text import lay_out_regression
    from reports.tables.table_reading import read_table

    check_level(level)
    question = RegressionQuestion(
        model=model,
        event=event,
        terms=tuple(split_list(terms)),
        time=time,
        entry=entry,
        strata=tuple(split_list(strata)),
        cluster=cluster,
        ties=ties,
        splines=read_splines(spline),
        event_codes=read_codes(event_codes),
        landmark=landmark,
        level=level,
        imputations=imputations,
        seed=seed,
        check_with=check_with,
        validate=validate,
        calibrate_at=calibrate_at,
        standardise=read_standardised(split_list(standardise)),
        at=read_times(at),
        replicates=replicates,
        edges=read_times(edges, option="--edges"),
        e_values=e_values,
    )
    if not question.terms and not question.splines:
        raise UsageError("--terms names the columns of the model.", option="--terms")
    check_question(question)
    payload = answer_regression(read_table(table), question)
    answer({"command": "regress"} | payload, as_json=as_json, text=lay_out_regression(payload))


def read_splines(parts: list[str] | None) -> dict[str, int]:
    """Read ``COLUMN:K``, such as ``dose:4``.

    Raises
    ------
    UsageError
        For a part of another form, a number of knots outside 3 to 7, or a column named twice.
    """
    from reports.options.estimate_options import split_list

    knots: dict[str, int] = {}
    for text in split_list(parts):
        column, sign, count = text.rpartition(":")
        if not sign or not column or not count.isdecimal() or not 3 <= int(count) <= 7:
            raise UsageError(
                f"--spline {text}: write COLUMN:K with K from 3 to 7, such as dose:4.",
                option="--spline",
            )
        if column in knots:
            raise UsageError(f"--spline names {column!r} twice.", option="--spline")
        knots[column] = int(count)
    return knots
