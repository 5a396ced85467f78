"""``afterplaque acuity``: how an acuity text is read."""

from __future__ import annotations

from typing import Annotated, Literal

import typer

from registry.acuity import AcuityReading, read_acuity
from registry.errors import RefusedInputError
from reports.command_frame import JsonFlag, answer
from reports.render.text import lay_out_table

_UNREADABLE = 3

Notation = Literal["snellen_m", "snellen_ft", "decimal", "logmar", "letters", "qualitative"]


def _describe(reading: AcuityReading) -> dict[str, object]:
    return {
        "text": reading.text,
        "logmar": reading.logmar,
        "letters": reading.letters,
        "off_chart": reading.off_chart is not None,
        "level": reading.off_chart,
        "rank": reading.rank,
    }


def _read_or_explain(text: str, notation: Notation | None) -> dict[str, object]:
    try:
        return _describe(read_acuity(text, notation))
    except RefusedInputError as refusal:
        return {"text": text, "error": refusal.message}


def _lay_out(readings: list[dict[str, object]]) -> str:
    read = [reading for reading in readings if "error" not in reading]
    rows = [
        [reading["text"], f"{reading['logmar']:.2f}", reading["letters"], reading["level"]]
        for reading in read
    ]
    blocks = [lay_out_table(["text", "logMAR", "letters", "off the chart"], rows)] if read else []
    if any(reading["off_chart"] for reading in read):
        blocks.append("The logMAR of a level off the chart is a convention: compare those by rank.")
    blocks += [str(reading["error"]) for reading in readings if "error" in reading]
    return "\n".join(blocks)


def acuity(
    texts: Annotated[
        list[str],
        typer.Argument(
            metavar="TEXT",
            help="Acuities as written: 6/9, 6/9-2, '6/9 part', 20/40, 'decimal 0.5', "
            "'0.30 logMAR', '70 letters', 'CF 1 m', HM, PL, NPL. Put -- before one that begins "
            "with a minus.",
        ),
    ],
    notation: Annotated[
        Notation | None,
        typer.Option(help="Notation of numbers that do not name their own. Default: none."),
    ] = None,
    as_json: JsonFlag = False,
) -> None:
    """Show how visual acuities are read: logMAR, letters.

    Letters are 85 - 50 logMAR, rounded; counting fingers and below is flagged as off the chart.
    Ambiguous and impossible texts are refused, with exit code 3: a bare 1.0 is 6/6 as a decimal
    and 6/60 as logMAR.
    """
    readings = [_read_or_explain(text, notation) for text in texts]
    payload = {"command": "acuity", "readings": readings}
    answer(payload, as_json=as_json, text=_lay_out(readings))
    if any("error" in reading for reading in readings):
        raise typer.Exit(_UNREADABLE)
