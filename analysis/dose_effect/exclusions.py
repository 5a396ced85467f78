"""Units left out of a dose–response question by the value of a field known at time zero."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.models.design_matrix import Column
from analysis.outcomes.cohort import FlowStep
from analysis.outcomes.grouping import TABLE_ALIASES
from registry.errors import UsageError
from registry.records import TABLES


def exclude_units(
    columns: Mapping[str, Column],
    exclude: Sequence[tuple[str, str]],
    steps: tuple[FlowStep, ...],
    n: int,
) -> tuple[NDArray[np.bool_], tuple[FlowStep, ...], tuple[str, ...]]:
    """Leave units out, one (field, value) after the other.

    Parameters
    ----------
    columns
        Texts of shape (n,), None where unknown, by field.
    exclude
        (field, value).
    steps
        The flow so far.

    Returns
    -------
    kept, steps, said
        Who stays, shape (n,); the flow with a step each; and what must be said: a value that
        nobody has leaves nobody out, which a mistyped plan or option would pass over.

    Raises
    ------
    UsageError
        The field is a number, or the value none of its codes.

    Examples
    --------
    >>> isotope = {"isotope": ["I-125", "Ru-106", "Ru-106"]}
    >>> kept, steps, said = exclude_units(isotope, [("isotope", "I-125")], (), 3)
    >>> kept.tolist(), steps[0].left_out, said
    ([False, True, True], 1, ())
    """
    kept = np.ones(n, dtype=bool)
    said: list[str] = []
    for name, value in exclude:
        column = columns[name]
        if isinstance(column, np.ndarray):
            raise UsageError(
                f"{name} is a number; rows are excluded by the value of a field of codes.",
                option="--exclude",
            )
        has_it = np.array([one == value for one in column], dtype=bool)
        if not has_it.any():
            said.append(_nobody(name, value, column))
        gone = kept & has_it
        kept &= ~gone
        steps = (*steps, FlowStep(f"excluded: {name} is {value}", int(gone.sum()), int(kept.sum())))
    return kept, steps, tuple(said)


def _nobody(name: str, value: str, column: Sequence[str | None]) -> str:
    codes = _codes(name)
    if codes and value not in codes:
        raise UsageError(
            f"--exclude {name}={value}: {name} is one of {', '.join(codes)}.",
            option="--exclude",
            field=name,
        )
    found = ", ".join(sorted({one for one in column if one is not None})) or "nothing"
    return f"Nobody has {name} {value}, so that exclusion leaves nobody out; found are {found}."


def _codes(name: str) -> tuple[str, ...]:
    """Return the codes of a recorded field; none for a derived category or free text."""
    return next(
        (
            field.codes
            for table in TABLE_ALIASES
            for field in TABLES[table].entered
            if field.name == name
        ),
        (),
    )
