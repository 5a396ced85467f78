"""Table 1 of any table: how many are known in each column, medians with quartiles, and counts.

No p values: a table 1 describes who is there, and a difference between groups at the start is to be
judged by its size (CONSORT and STROBE both advise against testing it).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analysis.models.design_matrix import Column, is_missing

Kind = Literal["number", "category", "text"]
FEWEST_FOR_QUARTILES = 6
"""A column of whole numbers with fewer distinct values is counted, not ranked."""
MOST_LEVELS = 20
"""A text column with more distinct values is not listed: it names rows, or is free text."""
ALL = "all"


@dataclass(frozen=True, slots=True)
class GroupDescription:
    """One column in one group.

    Attributes
    ----------
    group
        Its name; ``all`` for the whole table.
    n, known
        Rows, and rows with a value.
    median, lower_quartile, upper_quartile, minimum, maximum
        Of the known numbers; NaN where none is known or the column is not a number.
    counts
        Rows at each value of a category, in the order of the values; else empty.
    """

    group: str
    n: int
    known: int
    median: float
    lower_quartile: float
    upper_quartile: float
    minimum: float
    maximum: float
    counts: tuple[tuple[str, int], ...]

    @property
    def not_recorded(self) -> int:
        """Rows without a value."""
        return self.n - self.known


@dataclass(frozen=True, slots=True)
class ColumnDescription:
    """One column of the table: ``text`` columns have only their number of distinct values."""

    column: str
    kind: Kind
    distinct: int
    groups: tuple[GroupDescription, ...]


def describe_columns(
    columns: Mapping[str, Column],
    groups: Sequence[str] | None = None,
    *,
    as_categories: Sequence[str] = (),
) -> tuple[ColumnDescription, ...]:
    """Describe every column, over all rows and in each group.

    Parameters
    ----------
    columns
        Float arrays with NaN, or sequences of text with None, all of one length n.
    groups
        Group of each row, n labels; None: no groups.
    as_categories
        Columns of numbers to count by value. Whole numbers with under six distinct values, such as
        0 and 1, are counted anyway.

    Returns
    -------
    tuple
        A description a column. Quartiles are interpolated linearly between order statistics
        (Hyndman & Fan 1996, type 7: R's and numpy's default).

    Raises
    ------
    ValueError
        Columns or groups differ in length, or a name in ``as_categories`` is none of the columns.

    Examples
    --------
    >>> age = describe_columns({"age": np.array([50.5, 61, np.nan, 70])})[0].groups[0]
    >>> age.known, age.not_recorded, age.median, age.upper_quartile
    (3, 1, 61.0, 65.5)
    >>> describe_columns({"sex": ["f", "m", None, "f"]})[0].groups[0].counts
    (('f', 2), ('m', 1))
    """
    lengths = {len(column) for column in columns.values()}
    if groups is not None:
        lengths.add(len(groups))
    unknown = [name for name in as_categories if name not in columns]
    if len(lengths) > 1 or unknown:
        raise ValueError(f"columns of lengths {sorted(lengths)}; not among them: {unknown}")
    n = lengths.pop() if lengths else 0
    where = [(ALL, np.ones(n, dtype=bool))]
    if groups is not None:
        labels = np.array([str(label) for label in groups], dtype=object)
        where += [(name, labels == name) for name in _in_order(labels.tolist())]
    return tuple(
        _describe(name, column, where, counted=name in as_categories)
        for name, column in columns.items()
    )


def _in_order(labels: Sequence[str]) -> list[str]:
    """Distinct labels, as numbers where all are numbers."""
    distinct = sorted(set(labels))
    try:
        return sorted(distinct, key=float)
    except ValueError:
        return distinct


def _describe(
    name: str, column: Column, where: Sequence[tuple[str, NDArray[np.bool_]]], *, counted: bool
) -> ColumnDescription:
    known = ~is_missing(column)
    values = _as_text(column, known)
    levels = _in_order([values[row] for row in np.flatnonzero(known)])
    kind = _kind(column, known, len(levels), counted=counted)
    described = []
    for group, chosen in where:
        rows = np.flatnonzero(known & chosen)
        five, counts = [np.nan] * 5, Counter[str]()
        if kind == "number" and isinstance(column, np.ndarray) and rows.size:
            five = np.quantile(column[rows], [0.5, 0.25, 0.75, 0, 1]).tolist()
        if kind == "category":
            counts = Counter(values[row] for row in rows)
        listed = tuple((level, counts[level]) for level in levels) if kind == "category" else ()
        middle, low, high, least, most = five
        described.append(
            GroupDescription(
                group, int(chosen.sum()), rows.size, middle, low, high, least, most, listed
            )
        )
    return ColumnDescription(name, kind, len(levels), tuple(described))


def _as_text(column: Column, known: NDArray[np.bool_]) -> list[str]:
    if isinstance(column, np.ndarray):
        pairs = zip(column.tolist(), known.tolist(), strict=True)
        return [f"{value:.15g}" if is_known else "" for value, is_known in pairs]
    return [str(value) for value in column]


def _kind(column: Column, known: NDArray[np.bool_], distinct: int, *, counted: bool) -> Kind:
    if not isinstance(column, np.ndarray):
        return "category" if distinct <= MOST_LEVELS else "text"
    few = distinct < FEWEST_FOR_QUARTILES and bool(np.all(column[known] == np.floor(column[known])))
    return "category" if counted or (few and known.any()) else "number"
