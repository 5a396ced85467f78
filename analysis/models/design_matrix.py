"""From columns of a table to the matrix of a regression model: the one door into a model.

A text column becomes indicator terms ``column[level]``, its first level in sorted order being the
reference. A spline column becomes ``x``, ``x'``, ``x''`` ... Rows with a missing value in any
column that the model needs are dropped and counted, by column, with the events lost with them. A
column without variation and a column that repeats others are refused by name.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.models.splines import harrell_knots, restricted_cubic_basis
from registry.errors import RefusedInputError

Array = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
Column = Array | Sequence[str | None]

#: A column whose part outside the others is below this share of its spread repeats them.
SAME_COLUMN = 1e-8
#: Squares of larger values overflow, and of smaller ones than 1 by it vanish.
LARGEST_VALUE = 1e150


@dataclass(frozen=True, slots=True)
class LostRows:
    """Rows dropped because a column is empty there (a row may be counted under several)."""

    column: str
    rows: int
    events: int

    @property
    def said(self) -> str:
        """Say the column and how many rows it costs.

        Examples
        --------
        >>> LostRows("age_years", 1, 0).said, LostRows("age_years", 3, 0).said
        ('age_years in 1 row', 'age_years in 3 rows')
        """
        return f"{self.column} in {self.rows} row{'s' * (self.rows != 1)}"


@dataclass(frozen=True, slots=True)
class ModelFrame:
    """A complete-case design matrix.

    Attributes
    ----------
    terms
        Column names of the matrix.
    columns
        For each term the table column it comes from.
    matrix
        Shape (n kept, p).
    kept
        Shape (rows of the table,): rows without a missing value.
    lost
        Columns that cost rows.
    knots
        Knots of each spline column.
    references
        Reference level of each text column.
    """

    terms: tuple[str, ...]
    columns: tuple[str, ...]
    matrix: Array
    kept: BoolArray
    lost: tuple[LostRows, ...]
    knots: Mapping[str, Array]
    references: Mapping[str, str]

    @property
    def rows_lost(self) -> int:
        """Rows dropped for any missing value."""
        return int(np.sum(~self.kept))

    def terms_of(self, column: str) -> tuple[int, ...]:
        """Positions of the terms that come from a table column."""
        return tuple(i for i, name in enumerate(self.columns) if name == column)


def to_model_frame(
    covariates: Mapping[str, Column],
    *,
    needed: Mapping[str, Column] | None = None,
    event: BoolArray | None = None,
    splines: Mapping[str, int] | None = None,
) -> ModelFrame:
    """Make the design matrix of a model.

    Parameters
    ----------
    covariates
        Table columns in the order of the terms: float arrays with NaN for missing, or sequences of
        text with None (or empty text) for missing; all of one length.
    needed
        Other columns that must be complete (time, event, strata ...).
    event
        Shape (n,), for counting the events lost.
    splines
        Number of knots of each column that enters as a restricted cubic spline.

    Returns
    -------
    ModelFrame

    Raises
    ------
    RefusedInputError
        No row is complete; a column has one value only; a text column is to be a spline.

    Examples
    --------
    >>> frame = to_model_frame({"age": np.array([60., 71., np.nan, 55.]),
    ...                         "shape": ["round", "oval", "oval", "flat"]})
    >>> frame.terms
    ('age', 'shape[oval]', 'shape[round]')
    >>> frame.lost
    (LostRows(column='age', rows=1, events=0),)
    """
    splines = dict(splines or {})
    _check_lengths(covariates, needed or {})
    for name in splines:
        if name not in covariates or not isinstance(covariates[name], np.ndarray):
            raise RefusedInputError(
                f"A spline of {name} is not possible: it must be one of the terms, with numbers.",
                column=name,
            )
    kept, lost = _complete_rows({**covariates, **(needed or {})}, event)
    terms: list[str] = []
    columns: list[str] = []
    blocks: list[Array] = []
    knots: dict[str, Array] = {}
    references: dict[str, str] = {}
    for name, column in covariates.items():
        if not isinstance(column, np.ndarray):
            names, block, references[name] = _indicators(name, column, kept)
        elif name in splines:
            knots[name] = harrell_knots(column[kept], splines[name], column=name)
            block = restricted_cubic_basis(column[kept], knots[name])
            names = [name + "'" * j for j in range(block.shape[1])]
        else:
            names, block = [name], column[kept][:, None]
        terms += names
        columns += [name] * len(names)
        blocks.append(block)
    matrix = np.column_stack(blocks) if blocks else np.empty((int(kept.sum()), 0))
    return ModelFrame(tuple(terms), tuple(columns), matrix, kept, lost, knots, references)


def _check_lengths(*tables: Mapping[str, Column]) -> None:
    lengths = {name: len(column) for table in tables for name, column in table.items()}
    if len(set(lengths.values())) > 1:
        raise ValueError(f"columns differ in length: {lengths}")


def is_missing(column: Column) -> BoolArray:
    """Where a column is empty (NaN, None, empty text): shape (n,)."""
    if isinstance(column, np.ndarray):
        return np.isnan(column)
    return np.array([value is None or value == "" for value in column], dtype=bool)


def _complete_rows(
    columns: Mapping[str, Column], event: BoolArray | None
) -> tuple[BoolArray, tuple[LostRows, ...]]:
    lost = []
    rows = len(next(iter(columns.values()), []))
    missing = np.zeros(rows, dtype=bool)
    for name, column in columns.items():
        gaps = is_missing(column)
        if gaps.any():
            with_event = 0 if event is None else int(np.sum(gaps & event))
            lost.append(LostRows(name, int(gaps.sum()), with_event))
        missing |= gaps
    if missing.all():
        raise RefusedInputError(
            "No row is complete: " + "; ".join(f"{x.column} is empty in {x.rows}" for x in lost)
            if rows
            else "The table has no rows.",
            columns=[x.column for x in lost],
        )
    return ~missing, tuple(lost)


def _indicators(
    name: str, column: Sequence[str | None], kept: BoolArray
) -> tuple[list[str], Array, str]:
    values = np.array([value or "" for value in column], dtype=object)[kept]
    levels = sorted({str(value) for value in values})
    if len(levels) == 1:
        _refuse_constant(name, levels[0])
    block = np.column_stack([(values == level).astype(float) for level in levels[1:]])
    return [f"{name}[{level}]" for level in levels[1:]], block, levels[0]


def _refuse_constant(name: str, value: object) -> None:
    raise RefusedInputError(
        f"{name} has one value only ({value}) in the rows used, so its effect cannot be estimated."
        " Leave it out.",
        column=name,
    )


def check_columns(
    matrix: Array, terms: Sequence[str], *, groups: NDArray[np.int64] | None = None
) -> None:
    """Refuse columns without variation and columns that repeat others.

    Parameters
    ----------
    matrix
        Shape (n, p).
    terms
        p names.
    groups
        Codes from 0, shape (n,): strata, within which a column must vary. Default: one group.

    Raises
    ------
    RefusedInputError
        Names the column, and the columns that it can be computed from.
    """
    if matrix.shape[0] == 0:
        raise RefusedInputError("The table has no complete rows.")
    if not np.all(np.isfinite(matrix)):
        bad = [
            t for t, column in zip(terms, matrix.T, strict=True) if not np.isfinite(column).all()
        ]
        raise ValueError(f"the design matrix has missing or infinite values in {', '.join(bad)}")
    _refuse_far(matrix, terms)
    spread = _within_groups(matrix, groups)
    length = np.linalg.norm(spread, axis=0)
    floor = 1e-12 * np.maximum(np.linalg.norm(matrix, axis=0), np.finfo(float).tiny)
    for name, own, least, column in zip(terms, length, floor, matrix.T, strict=True):
        if own <= least and np.ptp(column) <= 1e-12 * np.max(np.abs(column)):
            _refuse_constant(name, f"{column[0]:g}")
        if own <= least:
            raise RefusedInputError(
                f"{name} does not vary within any stratum, so its effect cannot be told from the"
                " strata. Leave it out, or out of --strata.",
                column=name,
            )
    _refuse_repeats(spread / length, terms)


def _refuse_far(matrix: Array, terms: Sequence[str]) -> None:
    """Refuse columns whose squares are no numbers any more."""
    for name, largest in zip(terms, np.abs(matrix).max(axis=0), strict=True):
        if largest > LARGEST_VALUE or 0 < largest < 1 / LARGEST_VALUE:
            raise RefusedInputError(
                f"{name} holds values of the size of {largest:g}, with which nothing can be"
                " computed. Give it in another unit.",
                column=name,
            )


def _within_groups(matrix: Array, groups: NDArray[np.int64] | None) -> Array:
    if groups is None:
        centred: Array = matrix - matrix.mean(axis=0)
        return centred
    size = np.bincount(groups).astype(float)
    means = np.column_stack([np.bincount(groups, column) / size for column in matrix.T])
    spread: Array = matrix - means[groups]
    return spread


def _refuse_repeats(unit: Array, terms: Sequence[str]) -> None:
    """Gram–Schmidt over unit columns; a column with nothing left repeats earlier ones."""
    basis = np.empty((unit.shape[0], 0))
    for j, name in enumerate(terms):
        rest = unit[:, j] - basis @ (basis.T @ unit[:, j])
        rest -= basis @ (basis.T @ rest)
        left = float(np.linalg.norm(rest))
        if left > SAME_COLUMN:
            basis = np.column_stack([basis, rest / left])
            continue
        shares = np.linalg.lstsq(unit[:, :j], unit[:, j])[0]
        others = [t for t, share in zip(terms[:j], shares, strict=True) if abs(share) > 1e-6]
        raise RefusedInputError(
            f"{name} can be computed from {', '.join(others)}, so their effects cannot be told"
            " apart. Leave one of them out.",
            column=name,
            computed_from=others,
        )
