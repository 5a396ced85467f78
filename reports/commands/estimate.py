"""``afterplaque estimate``: survival and cumulative incidence of any table."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from registry.errors import UsageError
from reports.command_frame import JsonFlag, answer
from reports.options.option_values import RESAMPLES

if TYPE_CHECKING:
    from reports.tables.estimation_interval_censored import Limiting
    from reports.tables.estimation_rows import Question

Method = Literal["kaplan-meier", "cumulative-incidence", "interval-censored", "illness-death"]
Interval = Literal[
    "log-log", "log", "plain", "logit", "beta-product", "beta-product-mid-p", "bootstrap"
]
WeightKind = Literal["frequency", "probability"]


def estimate(
    table: Annotated[Path, typer.Argument(metavar="TABLE.csv", help="A CSV file with headings.")],
    time: Annotated[
        str | None,
        typer.Option(
            help="Column: end of observation, ≥ 0, in any one unit; illness-death: death or last"
            " known alive."
        ),
    ] = None,
    event: Annotated[
        str | None,
        typer.Option(
            help="Column: 0 censored, 1 event, 2, 3, ... competing events; illness-death: 1 died."
        ),
    ] = None,
    entry: Annotated[
        str | None, typer.Option(help="Column: delayed entry; at risk when entry < t ≤ time.")
    ] = None,
    by: Annotated[str | None, typer.Option(help="Column: groups.")] = None,
    strata: Annotated[str | None, typer.Option(help="Column: strata of the test.")] = None,
    weights: Annotated[str | None, typer.Option(help="Column: positive weights.")] = None,
    weight_kind: Annotated[
        WeightKind | None, typer.Option(help="What the weights are; needed with --weights.")
    ] = None,
    event_codes: Annotated[
        list[str] | None,
        typer.Option(metavar="FOUND=CODE,...", help="What the event column's values stand for."),
    ] = None,
    method: Annotated[Method, typer.Option(help="What is estimated.")] = "kaplan-meier",
    lower: Annotated[
        str | None,
        typer.Option(
            help="Column: last examination without the event (interval-censored, illness-death)."
        ),
    ] = None,
    upper: Annotated[
        str | None, typer.Option(help="Column: first examination with it; empty for none.")
    ] = None,
    interval: Annotated[
        Interval | None,
        typer.Option(
            help="How limits are made: log-log unless said; interval-censored: beta-product unless "
            "said, beta-product-mid-p or bootstrap."
        ),
    ] = None,
    level: Annotated[float, typer.Option(help="Confidence level, such as 0.95.")] = 0.95,
    at: Annotated[
        list[str] | None, typer.Option(metavar="T,...", help="Times to read the curves at.")
    ] = None,
    until: Annotated[
        float | None, typer.Option(help="End of the restricted mean time free of the event.")
    ] = None,
    landmark: Annotated[
        float | None,
        typer.Option(help="Start the clock here, with those free of any event until then."),
    ] = None,
    difference: Annotated[
        bool, typer.Option("--difference", help="Differences between two groups at --at, --until.")
    ] = False,
    trend: Annotated[
        bool,
        typer.Option("--trend", help="Test for a trend too; the numbers of --by are the scores."),
    ] = False,
    standardise: Annotated[
        list[str] | None,
        typer.Option(
            metavar="A,B,...",
            help="Columns: curves of the groups as if all had the same of these, too.",
        ),
    ] = None,
    replicates: Annotated[
        int,
        typer.Option(
            *RESAMPLES, min=20, help="Bootstrap samples of --standardise, bootstrap, illness-death."
        ),
    ] = 200,
    seed: Annotated[int, typer.Option(help="Seed of the bootstrap.")] = 1,
    check_with: Annotated[
        Literal["lifelines"] | None,
        typer.Option(help="Compute the same with another program and say how far it is from ours."),
    ] = None,
    potential: Annotated[
        str | None,
        typer.Option(
            help="Column: how long each could have been followed, for completeness of follow-up."
        ),
    ] = None,
    imputations: Annotated[
        int | None,
        typer.Option(
            hidden=True, help="Refused: a curve has no covariates to impute; see regress."
        ),
    ] = None,
    as_json: JsonFlag = False,
) -> None:
    """Estimate survival or cumulative incidence from a table, with limits and tests.

    Times keep the unit of the table. Rows with a missing value are left out and counted.
    """
    from reports.options.estimate_options import check_level, read_codes, read_times, split_list
    from reports.tables.estimation import answer_question
    from reports.tables.estimation_illness_death import VisitQuestion, answer_illness_death
    from reports.tables.estimation_rows import Question
    from reports.tables.estimation_standardised import check_standardise
    from reports.tables.estimation_text import lay_out_answer
    from reports.tables.table_reading import read_table

    check_level(level)
    _refuse_imputations(imputations)
    times = read_times(at)
    if method in ("interval-censored", "illness-death"):
        _refuse_options(
            {
                "--entry": entry,
                "--strata": strata,
                "--event-codes": event_codes,
                "--until": until,
                "--landmark": landmark,
                "--difference": difference or None,
                "--trend": trend or None,
                "--standardise": standardise,
                "--check-with": check_with,
                "--potential": potential,
            },
            method,
        )
    if method == "illness-death":
        _refuse_options({"--weights": weights, "--interval": interval}, method)
        asked = VisitQuestion(
            lower=_need(lower, "--lower", method),
            upper=_need(upper, "--upper", method),
            time=_need(time, "--time", method),
            event=_need(event, "--event", method),
            by=by,
            at=times,
            level=level,
            replicates=replicates,
            seed=seed,
        )
        payload = answer_illness_death(read_table(table), asked)
    elif method == "interval-censored":
        _refuse_options({"--time": time, "--event": event}, method)
        limiting = _read_limiting(interval, level, replicates, seed, is_weighted=bool(weights))
        payload = _answer_interval_censored(
            table, (lower, upper), by, (weights, weight_kind), times, limiting
        )
    else:
        _refuse_options({"--lower": lower, "--upper": upper}, method)
        question = Question(
            method=method,
            time=_need(time, "--time", method),
            event=_need(event, "--event", method),
            entry=entry,
            by=by,
            strata=strata,
            weights=weights,
            weight_kind=weight_kind,
            event_codes=read_codes(event_codes),
            interval=_right_censored_interval(interval, method),
            level=level,
            at=times,
            until=until,
            landmark=landmark,
            difference=difference,
            trend=trend,
            standardise=tuple(split_list(standardise)),
            seed=seed,
            replicates=replicates,
            check_with=check_with,
            potential=potential,
        )
        _check_together(question)
        check_standardise(question)
        payload = answer_question(read_table(table), question)
    answer(payload, as_json=as_json, text=lay_out_answer(payload))


def _right_censored_interval(interval: str | None, method: str) -> str:
    if interval == "bootstrap":
        raise UsageError(
            f"--interval bootstrap goes with --method interval-censored, not with {method}, whose "
            "limits have a closed form.",
            option="--interval",
        )
    return interval or "log-log"


def _read_limiting(
    interval: str | None, level: float, replicates: int, seed: int, *, is_weighted: bool
) -> Limiting:
    from reports.tables.estimation_interval_censored import (
        BETA_PRODUCT,
        BOOTSTRAP,
        INTERVALS,
        Limiting,
    )

    chosen = interval or BETA_PRODUCT
    if chosen not in INTERVALS:
        raise UsageError(
            f"--interval {chosen} needs a standard error, and the interval-censored estimate has "
            f"none: choose {', '.join(INTERVALS)}.",
            option="--interval",
        )
    if chosen == BOOTSTRAP and is_weighted:
        raise UsageError("--interval bootstrap takes no --weights.", option="--weights")
    return Limiting(chosen, level, replicates, seed)


def _need(column: str | None, option: str, method: str) -> str:
    if column is None:
        raise UsageError(f"--method {method} needs {option}: name the column.", option=option)
    return column


def _refuse_imputations(imputations: int | None) -> None:
    if imputations is not None:
        raise UsageError(
            "--imputations does not go with estimate: a curve is made of times and events, and "
            "those are never imputed; people whose group is not recorded are left out and counted. "
            "To impute covariates use regress --imputations.",
            option="--imputations",
        )


def _refuse_options(options: Mapping[str, object], method: str) -> None:
    for option, value in options.items():
        if value is not None:
            raise UsageError(f"{option} does not go with --method {method}.", option=option)


def _check_together(asked: Question) -> None:
    if asked.strata is not None and asked.by is None:
        raise UsageError(
            "--strata stratifies the test between groups: add --by.", option="--strata"
        )
    if asked.difference and asked.by is None:
        raise UsageError("--difference compares two groups: add --by.", option="--difference")
    if asked.trend and (asked.by is None or asked.method != "kaplan-meier"):
        raise UsageError(
            "--trend tests survival across ordered groups: it goes with --by and --method "
            "kaplan-meier.",
            option="--trend",
        )
    if (asked.weights is None) != (asked.weight_kind is None):
        raise UsageError(
            "--weights and --weight-kind go together: frequency (a row stands for that many "
            "people) or probability (inverse probability of being in the sample).",
            option="--weight-kind" if asked.weight_kind is None else "--weights",
        )
    if asked.until is not None and asked.method != "kaplan-meier":
        raise UsageError("--until goes with --method kaplan-meier.", option="--until")
    if asked.check_with and (asked.method != "kaplan-meier" or asked.weight_kind == "probability"):
        raise UsageError(
            "--check-with goes with --method kaplan-meier without probability weights: lifelines' "
            "Aalen-Johansen moves tied times and swaps its limits.",
            option="--check-with",
        )
    if asked.potential and asked.landmark is not None:
        raise UsageError(
            "--potential counts follow-up from time zero: it does not go with --landmark.",
            option="--potential",
        )
    for option, time in (("--until", asked.until), ("--landmark", asked.landmark)):
        if time is not None and not 0 < time < float("inf"):
            raise UsageError(f"{option} is a time above 0, not {time:g}.", option=option)


def _answer_interval_censored(
    path: Path,
    ends: tuple[str | None, str | None],
    by: str | None,
    weighting: tuple[str | None, str | None],
    times: tuple[float, ...],
    limiting: Limiting,
) -> dict[str, Any]:
    from reports.tables.estimation_interval_censored import (
        BOOTSTRAP,
        METHOD,
        describe_interval_censored,
    )
    from reports.tables.table_reading import read_table

    lower, upper = ends
    weights, kind = weighting
    if lower is None or upper is None:
        missing = "--lower" if lower is None else "--upper"
        raise UsageError(f"--method interval-censored needs {missing}.", option=missing)
    if weights is not None and kind != "frequency":
        raise UsageError(
            "--method interval-censored takes --weights with --weight-kind frequency.",
            option="--weight-kind",
        )
    whole, dropped = read_table(path).complete_rows(
        [lower, *(column for column in (by, weights) if column)]
    )
    described = describe_interval_censored(
        whole.numbers(lower).tolist(),
        whole.numbers(upper).tolist(),
        group=None if by is None else [str(text) for text in whole.texts(by)],
        weight=None if weights is None else whole.numbers(weights).tolist(),
        at=times,
        lines=whole.lines,
        limiting=limiting,
    )
    described["warnings"] = [*dropped, *described["warnings"]]
    head = {"method": METHOD, "interval": limiting.interval, "level": limiting.level}
    if limiting.interval == BOOTSTRAP:
        head |= {"replicates": limiting.replicates, "seed": limiting.seed}
    return head | described
