"""``afterplaque dose-curve``: D50 and γ50 of a binary outcome, with profile limits."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from registry.errors import UsageError
from reports.command_frame import JsonFlag, answer
from reports.options.option_values import RESAMPLES

if TYPE_CHECKING:
    from analysis.models.dose_curve import DoseCurve, Quantity


def dose_curve(
    table: Annotated[Path, typer.Argument(metavar="TABLE.csv", help="A CSV file with headings.")],
    dose: Annotated[str, typer.Option(help="Column: dose, in any one unit.")],
    event: Annotated[
        str, typer.Option(help="Column: 0 or 1, or the number of events in a grouped row.")
    ],
    n: Annotated[
        str | None, typer.Option("--n", help="Column: patients in each row, when grouped.")
    ] = None,
    scale: Annotated[
        Literal["linear", "log"], typer.Option(help="Dose itself or its natural logarithm.")
    ] = "linear",
    link: Annotated[Literal["logit", "probit"], typer.Option(help="Shape of the curve.")] = "logit",
    time: Annotated[
        str | None,
        typer.Option(
            help="Column: end of observation, for a curve at a --horizon; event codes then"
            " are 0 censored, 1 event, 2, 3, ... competing."
        ),
    ] = None,
    horizon: Annotated[
        float | None, typer.Option(metavar="T", help="With --time: the outcome by then, weighted.")
    ] = None,
    reading: Annotated[
        Literal["net", "crude"],
        typer.Option(help="Competing events before the horizon: a censoring, or not failed."),
    ] = "net",
    adjust: Annotated[
        list[str] | None,
        typer.Option(metavar="A,B,...", help="With --horizon: columns to adjust for."),
    ] = None,
    cluster: Annotated[
        str | None, typer.Option(help="With --horizon: column that groups rows (patient).")
    ] = None,
    event_codes: Annotated[
        list[str] | None,
        typer.Option(metavar="FOUND=CODE,...", help="With --horizon: what the events stand for."),
    ] = None,
    resamples: Annotated[
        int,
        typer.Option(
            *RESAMPLES,
            min=0,
            max=100_000,
            help="With --horizon: bootstrap samples; 0 for sandwich intervals.",
        ),
    ] = 0,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the bootstrap.")] = 1,
    level: Annotated[float, typer.Option(help="Confidence level, such as 0.95.")] = 0.95,
    as_json: JsonFlag = False,
) -> None:
    """Fit a dose-response curve: D50, gamma50, slope and intercept with profile limits.

    D50 is given only where it lies within the 1st to 99th percentile of the doses given and its
    interval is bounded. Under 5 events no curve is fitted. With --time and --horizon the outcome by
    the horizon is fitted from censored follow-up, weighted by the inverse probability of remaining
    uncensored; limits are then Fieller's from the sandwich or the bootstrap.
    """
    from analysis.models.dose_curve import dose_curve as fit_curve
    from reports.answers.dose_horizon_answer import (
        HorizonQuestion,
        answer_at_horizon,
        check_horizon,
        lay_out_horizon,
    )
    from reports.options.estimate_options import check_level, read_codes, split_list
    from reports.tables.table_reading import read_table

    check_level(level)
    own = {
        "--adjust": adjust, "--cluster": cluster, "--event-codes": event_codes,
        "--resamples": resamples, "--reading": reading == "crude",
    }  # fmt: skip
    if check_horizon(time, horizon, own):
        if n or scale != "linear" or link != "logit":
            raise UsageError(
                "A curve at a horizon is logistic in the dose itself, from single rows: leave out"
                " --n, --scale and --link.",
                option="--horizon",
            )
        asked = HorizonQuestion(
            dose, event, str(time), float(horizon or 0), reading, tuple(split_list(adjust)),
            cluster, read_codes(event_codes), resamples, seed, level,
        )  # fmt: skip
        found = answer_at_horizon(read_table(table), asked)
        answer({"command": "dose-curve"} | found, as_json=as_json, text=lay_out_horizon(found))
        return
    whole, dropped = read_table(table).complete_rows([dose, event, *([n] if n else [])])
    curve = fit_curve(
        whole.numbers(dose),
        whole.numbers(event),
        whole.numbers(n) if n else None,
        scale=scale,
        link=link,
        level=level,
    )
    payload = _describe(curve) | {"warnings": [*dropped, *_warnings(curve)]}
    answer({"command": "dose-curve"} | payload, as_json=as_json, text=_lay_out(payload))


def _describe(curve: DoseCurve) -> dict[str, Any]:
    return {
        "scale": curve.scale,
        "link": curve.link,
        "level": curve.level,
        "n": curve.n,
        "events": curve.events,
        "dose_range": {"low": curve.dose_low, "high": curve.dose_high},
        "d50": _describe_quantity(curve.d50),
        "gamma50": _describe_quantity(curve.gamma50),
        "slope": _describe_quantity(curve.slope),
        "intercept": _describe_quantity(curve.intercept),
        "deviance": curve.deviance,
        "log_likelihood": curve.log_likelihood,
        "other_doses": [
            {"probability": probability} | _describe_quantity(quantity)
            for probability, quantity in curve.other_doses
        ],
        "risk_difference_between_quartiles": _describe_quantity(curve.risk_difference),
    }


def _describe_quantity(quantity: Quantity) -> dict[str, Any]:
    described: dict[str, Any] = {
        "value": quantity.value,
        "se": quantity.se,
        "lower": quantity.lower,
        "upper": quantity.upper,
        "estimable": quantity.is_estimable,
    }
    return described if quantity.is_estimable else described | {"reason": quantity.reason}


def _warnings(curve: DoseCurve) -> list[str]:
    if curve.d50.is_estimable:
        return []
    return [
        f"D50 is not estimable: {curve.d50.reason}. Read instead the doses for 90 and 95 % or the"
        " risk difference between the quartiles of dose."
    ]


def _lay_out(payload: dict[str, Any]) -> str:
    from reports.render.text import lay_out_table

    names = (("d50", "D50"), ("gamma50", "gamma50"), ("slope", "slope"), ("intercept", "intercept"))
    quantities = [(name, payload[key]) for key, name in names]
    quantities += [(f"dose for {100 * q['probability']:.0f} %", q) for q in payload["other_doses"]]
    quantities.append(
        ("risk, third less first quartile of dose", payload["risk_difference_between_quartiles"])
    )
    rows = [
        [name, f"{q['value']:.4g}", f"{q['se']:.3g}", f"{q['lower']:.4g}", f"{q['upper']:.4g}"]
        if q["estimable"]
        else [name, "not estimable", "", "", ""]
        for name, q in quantities
    ]
    heading = (
        f"{payload['link']} in {'ln ' if payload['scale'] == 'log' else ''}dose:"
        f" n = {payload['n']}, events = {payload['events']},"
        f" log-likelihood {payload['log_likelihood']:.4f}, deviance {payload['deviance']:.4f}"
    )
    level = f"{100 * payload['level']:g} %"
    table = lay_out_table(["", "value", "SE", f"{level} lower", f"{level} upper"], rows)
    return "\n".join([heading, table, *(f"Note: {w}" for w in payload["warnings"])])
