"""Naming one implant of a registry on the command line."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from registry.errors import RefusedInputError
from reports.options.record_arguments import split_store_and_key

if TYPE_CHECKING:
    from analysis.outcomes.cohort import DataCut

StoreAndImplant = Annotated[
    list[str],
    typer.Argument(
        metavar="[STORE] IMPLANT_ID",
        help="The registry and the implant. Without STORE: AFTERPLAQUE_STORE.",
    ),
]
"""Type of the arguments of a command about one implant."""


def split_store_and_implant(arguments: Sequence[str]) -> tuple[Path, str]:
    """Split ``[STORE] IMPLANT_ID``; without STORE, AFTERPLAQUE_STORE names the registry.

    Raises
    ------
    UsageError
        When there is no registry, no implant, or more than both.

    Examples
    --------
    >>> store, implant_id = split_store_and_implant(["ours.registry", "I0001"])
    >>> str(store), implant_id
    ('ours.registry', 'I0001')
    """
    return split_store_and_key(arguments, "implant")


def everything_on_file() -> DataCut:
    """Return the data cut that leaves nothing out."""
    from analysis.outcomes.cohort import DataCut

    return DataCut(date(2199, 12, 31))


def refuse_unknown_implant(implant_id: str) -> RefusedInputError:
    """Make the refusal of an implant that the registry does not hold."""
    return RefusedInputError(
        f"The registry holds no implant {implant_id!r}. Give an implant_id as it was entered.",
        table="implant",
        key=implant_id,
    )
