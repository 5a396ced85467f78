"""``afterplaque rates``: the published rates that results can be compared with."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from registry.errors import RefusedInputError
from reports.command_frame import JsonFlag, answer

if TYPE_CHECKING:
    from analysis.benchmarking.published_rates import PublishedRate


def rates(
    file: Annotated[
        Path | None,
        typer.Option("--rates", help="Your own CSV of rates, added to the built-in ones."),
    ] = None,
    end_point: Annotated[
        str | None, typer.Option(help="Only those that this end point compares with.")
    ] = None,
    as_json: JsonFlag = False,
) -> None:
    """List published rates: citation, definition, estimator, n, time, estimate, verification.

    A file of your own has the same columns (see the JSON answer); a rate without citation,
    definition, estimator or n is refused. "from memory" means that the figure was not seen again.
    What a figure is compared with, or why with nothing, is in the last column.
    """
    from reports.render.text import lay_out_table

    found = gather_rates(file)
    if end_point is not None:
        from analysis.outcomes.end_points import find_end_point
        from analysis.outcomes.vision_levels import level_named

        name = (level_named(end_point) or find_end_point(end_point)).name
        found = tuple(rate for rate in found if rate.compares_with == name)
    headings = [
        "key",
        "end point",
        "estimator",
        "n",
        "years",
        "failure",
        "95 % limits",
        "verified",
        "compared with",
    ]
    payload = {"command": "rates", "rates": [describe_rate(rate) for rate in found]}
    text = lay_out_table(headings, [_row(rate) for rate in found])
    answer(payload, as_json=as_json, text=text)


def gather_rates(file: Path | None) -> tuple[PublishedRate, ...]:
    """Return the built-in rates and those of a file.

    Raises
    ------
    RefusedInputError
        When the file cannot be read, or a rate in it lacks what a comparison needs.
    """
    from analysis.benchmarking.published_rates import builtin_rates, find_repeated, read_rates

    if file is None:
        return builtin_rates()
    try:
        text = file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise RefusedInputError(
            f"{file.name} cannot be read as UTF-8 text: {type(error).__name__}.", file=file.name
        ) from None
    known, own = builtin_rates(), read_rates(text, file.name)
    repeated = find_repeated((*known, *own))
    if repeated is not None:
        line, rate = repeated - len(known) + 2, own[repeated - len(known)]
        raise RefusedInputError(
            f"{file.name}, line {line}: {rate.key}, {rate.end_point} at {rate.years:g} years is"
            " stated already, by a line before or the built-in list (see `afterplaque rates`)."
            " Leave one out, or give it a key of its own.",
            file=file.name,
            row=line,
            field="key",
        )
    return (*known, *own)


def describe_rate(rate: PublishedRate) -> dict[str, Any]:
    """Describe a rate as plain values; failure and limits are on the side of the event."""
    stratum = rate.stratum
    return {
        "key": rate.key,
        "citation": rate.citation,
        "end_point": rate.end_point,
        "definition": rate.definition,
        "compares_with": rate.compares_with,
        "loss_counted": rate.loss_counted or None,
        "unlike": rate.unlike or None,
        "estimator": rate.estimator,
        "n": rate.n,
        "years": rate.years,
        "failure": rate.failure,
        "lower": rate.lower,
        "upper": rate.upper,
        "interval_from": rate.interval_from or None,
        "isotope": rate.isotope,
        "population": rate.population,
        "stratum": None
        if stratum is None
        else {"field": stratum.field, "from": stratum.low, "below": stratum.high},
        "verified": rate.verified,
        "note": rate.note,
    }


def _row(rate: PublishedRate) -> list[object]:
    limits = "" if rate.lower is None else f"{rate.lower:.3f} to {rate.upper:.3f}"
    years = "" if rate.years is None else f"{rate.years:g}"
    failure = f"{rate.failure:.3f}"
    return [
        rate.key,
        rate.end_point,
        rate.estimator,
        rate.n,
        years,
        failure,
        limits,
        rate.verified,
        _compared_with(rate),
    ]


def _compared_with(rate: PublishedRate) -> str:
    if not rate.is_actuarial:
        return "nothing: crude"
    if rate.unlike or rate.compares_with is None:
        return f"nothing: {rate.unlike or 'no end point is named'}"
    return rate.compares_with
