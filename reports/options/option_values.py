"""Options and arguments that several commands share."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Annotated

import typer

from registry.errors import UsageError

StorePath = Annotated[
    Path,
    typer.Argument(
        envvar="AFTERPLAQUE_STORE",
        metavar="STORE",
        help="The registry file (default: the environment variable AFTERPLAQUE_STORE).",
    ),
]
"""Type of the registry argument."""

DataCutDay = Annotated[
    str | None,
    typer.Option(
        "--data-cut",
        help="Last day that counts, YYYY-MM-DD; by default a data lock's own, else today.",
    ),
]
"""Type of the ``--data-cut`` option of the commands that read outcomes."""

WithPriorTreatment = Annotated[
    bool, typer.Option("--with-prior-treatment", help="Keep tumours treated before their plaque.")
]
"""Type of the option that widens the cohort."""

Force = Annotated[bool, typer.Option("--force", help="Overwrite files of the same name.")]
"""Type of the ``--force`` option."""

Level = Annotated[float, typer.Option("--level", help="Confidence level, such as 0.95.")]
"""Type of the ``--level`` option; see :func:`reports.options.estimate_options.check_level`."""

RESAMPLES = ("--resamples", "--replicates")
"""The two names of the option for bootstrap samples: one for every command, either is taken."""

Seed = Annotated[int, typer.Option("--seed", min=0, help="Seed of the bootstrap.")]
"""Type of the ``--seed`` option."""


def now_utc() -> datetime:
    """Return the present moment in UTC, without zone: the clock is read here and nowhere below."""
    return datetime.now(UTC).replace(tzinfo=None)


def read_date(text: str, *, option: str) -> date:
    """Read YYYY-MM-DD; UsageError naming the option otherwise.

    >>> read_date("2024-02-29", option="--data-cut")
    datetime.date(2024, 2, 29)
    """
    try:
        if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
            raise ValueError(text)
        return date.fromisoformat(text)
    except ValueError:
        raise UsageError(
            f"{option} takes a day written YYYY-MM-DD, not {text!r}.", option=option
        ) from None
