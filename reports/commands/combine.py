"""``afterplaque combine``: pool published or departmental figures of any table."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from registry.errors import UsageError
from reports.command_frame import JsonFlag, answer

Method = Literal["reml", "dl", "common"]
Limits = Literal["hartung-knapp", "normal"]
Scale = Literal["logit", "arcsine", "freeman-tukey"]


def combine(
    table: Annotated[Path, typer.Argument(metavar="TABLE.csv", help="A CSV file, a study a row.")],
    estimate: Annotated[
        str | None, typer.Option(help="Column: estimate on a scale that is nearly normal.")
    ] = None,
    se: Annotated[str | None, typer.Option(help="Column: its standard error.")] = None,
    events: Annotated[
        str | None, typer.Option(help="Column: events, with --n, to pool proportions.")
    ] = None,
    n: Annotated[str | None, typer.Option(help="Column: people, with --events.")] = None,
    scale: Annotated[Scale, typer.Option(help="Scale on which proportions are pooled.")] = "logit",
    method: Annotated[
        Method, typer.Option(help="Variance between studies: REML, DerSimonian-Laird, or none.")
    ] = "reml",
    limits: Annotated[
        Limits | None,
        typer.Option(
            help="Hartung-Knapp on t, or normal [default: hartung-knapp; normal with --method"
            " common]."
        ),
    ] = None,
    level: Annotated[float, typer.Option(help="Confidence level, such as 0.95.")] = 0.95,
    as_json: JsonFlag = False,
) -> None:
    """Pool the figures of several studies: mean, variance between them, prediction interval.

    The prediction interval says where the true figure of a further study may lie. Crude proportions
    are only pooled of people who were all followed to the same time.
    """
    from reports.options.estimate_options import check_level
    from reports.tables.combination import answer_combination, lay_out_combination
    from reports.tables.table_reading import read_table

    check_level(level)
    by_estimate, by_count = (estimate, se), (events, n)
    if all(by_estimate) == all(by_count) or any(by_estimate) == any(by_count):
        raise UsageError(
            "Give either --estimate and --se, or --events and --n.", option="--estimate"
        )
    payload = answer_combination(
        read_table(table),
        columns=(str(estimate), str(se)) if estimate else (str(events), str(n)),
        scale=None if estimate else scale,
        method=method,
        interval=limits or ("normal" if method == "common" else "hartung-knapp"),
        level=level,
    )
    answer({"command": "combine"} | payload, as_json=as_json, text=lay_out_combination(payload))
