"""``afterplaque stage``: size category, stage and COMS class of one tumour."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from typing import Annotated, Literal

import typer

from registry.errors import UsageError
from registry.records import TABLES
from registry.staging import TumourStage, stage_tumour
from reports.command_frame import CAUTION, JsonFlag, answer

Site = Literal["choroid", "ciliochoroidal", "ciliary_body", "iridociliary", "iris"]


def _read_size(text: str, option: str, field_name: str) -> Decimal:
    """Read a size in mm within the limits that the registry sets for the field."""
    field = TABLES["tumour"].field(field_name)
    assert field.low is not None
    assert field.high is not None
    try:
        size_mm = Decimal(text)
    except InvalidOperation:
        size_mm = Decimal("NaN")
    if not (size_mm.is_finite() and field.low <= size_mm <= field.high):
        raise UsageError(
            f"{option} {text!r} cannot be: it is a size in mm from {field.low} to {field.high}.",
            option=option,
            found=text,
        )
    return size_mm


def _describe(staged: TumourStage) -> dict[str, object]:
    return {
        "command": "stage",
        "edition": "AJCC 8",
        "size_category": staged.size_category,
        "category": staged.category,
        "stage": staged.stage,
        "possible_categories": staged.possible_categories,
        "possible_stages": staged.possible_stages,
        "coms": {"early": staged.coms_early, "final": staged.coms_final},
        "reasons": staged.reasons,
        "caution": CAUTION,
    }


def _lay_out(staged: TumourStage) -> str:
    lines = [
        f"Size category (AJCC 8)    {staged.size_category}",
        f"Category                  {staged.category}",
        f"Stage                     {staged.stage or ' or '.join(staged.possible_stages)}",
        f"COMS class, early limits  {staged.coms_early or 'outside all classes'}",
        f"COMS class, final limits  {staged.coms_final or 'outside all classes'}",
    ]
    return "\n".join([*lines, *staged.reasons, "", CAUTION])


def stage(
    thickness: Annotated[
        str, typer.Option(metavar="MM", help="Thickness by ultrasound in mm, 0.3 to 20.")
    ],
    diameter: Annotated[
        str, typer.Option(metavar="MM", help="Largest basal diameter in mm, 1 to 25.")
    ],
    site: Annotated[
        Site | None,
        typer.Option(
            help="Where most of it lies; ciliochoroidal and ciliary_body say that the ciliary "
            "body is involved. The iris is refused: it has another table. Default: not stated."
        ),
    ] = None,
    ciliary_body: Annotated[
        Literal["yes", "no", "unknown"], typer.Option(help="Ciliary body involvement.")
    ] = "unknown",
    extraocular: Annotated[
        Literal["none", "up_to_5_mm", "over_5_mm", "unknown"],
        typer.Option(help="Extraocular extension."),
    ] = "unknown",
    nodes: Annotated[
        Literal["n0", "n1a", "n1b", "unknown"],
        typer.Option(help="Regional nodes; n0 is no evidence.", case_sensitive=False),
    ] = "n0",
    metastasis: Annotated[
        Literal["m0", "m1a", "m1b", "m1c", "unknown"],
        typer.Option(help="Distant metastasis; m0 is no evidence.", case_sensitive=False),
    ] = "m0",
    as_json: JsonFlag = False,
) -> None:
    """Stage one tumour: AJCC 8 and COMS size class.

    For choroidal and ciliary body melanoma; melanoma of the iris has another table. Sizes are
    rounded to 0.1 mm, halves upward, before they are compared. Where ciliary body or extraocular
    extension is unknown the category has no letter, and what is possible is listed.
    """
    staged = stage_tumour(
        _read_size(thickness, "--thickness", "thickness_mm"),
        _read_size(diameter, "--diameter", "largest_basal_diameter_mm"),
        site=site,
        ciliary_body=ciliary_body,
        extraocular=extraocular,
        nodes=nodes,
        metastasis=metastasis,
    )
    answer(_describe(staged), as_json=as_json, text=_lay_out(staged))
