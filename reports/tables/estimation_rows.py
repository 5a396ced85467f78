"""A fellow's table read for ``afterplaque estimate``: the question, and checked observations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from registry.errors import RefusedEstimateError, RefusedInputError
from reports.tables.event_codes import read_event_codes
from reports.tables.table_reading import Table

if TYPE_CHECKING:
    from analysis.estimators.observations import RightCensored

KAPLAN_MEIER, CUMULATIVE_INCIDENCE = "kaplan-meier", "cumulative-incidence"
ALL = "all"


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of a table; times in the unit of the table."""

    method: str
    time: str
    event: str
    entry: str | None = None
    by: str | None = None
    strata: str | None = None
    weights: str | None = None
    weight_kind: str | None = None
    event_codes: dict[str, int] | None = None
    interval: str = "log-log"
    level: float = 0.95
    at: tuple[float, ...] = ()
    until: float | None = None
    landmark: float | None = None
    difference: bool = False
    trend: bool = False
    standardise: tuple[str, ...] = ()
    seed: int = 1
    replicates: int = 200
    check_with: str | None = None
    potential: str | None = None


@dataclass(frozen=True, slots=True)
class Rows:
    """Checked observations with the labels of their rows."""

    observed: RightCensored
    group: tuple[str, ...]
    strata: tuple[str, ...] | None
    table: Table

    def groups(self) -> list[str]:
        """Return the names of the groups, in order."""
        return sort_labels(self.group)

    def of_group(self, name: str) -> RightCensored:
        """Return the observations of one group."""
        import numpy as np

        return self.observed.select(np.array([label == name for label in self.group]))


def sort_labels(labels: Sequence[str]) -> list[str]:
    """Return the distinct labels, as numbers where all are numbers, else as text.

    Examples
    --------
    >>> sort_labels(["10", "2", "10"]), sort_labels(["b", "a", "1"])
    (['2', '10'], ['1', 'a', 'b'])
    """
    distinct = sorted(set(labels))
    try:
        return sorted(distinct, key=float)
    except ValueError:
        return distinct


def read_rows(table: Table, question: Question) -> tuple[Rows, list[str], dict[str, Any] | None]:
    """Read the columns that a question names: rows, warnings, and who a landmark left out.

    Raises
    ------
    RefusedEstimateError
        When no row is whole.
    """
    optional = (
        *(question.entry, question.by, question.strata, question.weights),
        question.potential,
    )
    named = [question.time, question.event, *(column for column in optional if column)]
    named += question.standardise
    whole, dropped = table.complete_rows(named)
    warnings = list(dropped)
    if not whole.n_rows:
        raise RefusedEstimateError(
            f"{table.name} has no row with a value in every column that is needed "
            f"({', '.join(named)}).",
            file=table.name,
        )
    status, more = read_event_codes(whole, question.event, question.event_codes)
    observed = _observe(whole, question, status)
    group = _labels(whole, question.by) or (ALL,) * whole.n_rows
    rows = Rows(observed, group, _labels(whole, question.strata), whole)
    warnings += more + _warn_about_competing(question, status)
    if question.landmark is None:
        return rows, warnings, None
    return _move_to_landmark(rows, question.landmark, warnings)


def _labels(table: Table, column: str | None) -> tuple[str, ...] | None:
    return None if column is None else tuple(str(text) for text in table.texts(column))


def _observe(table: Table, question: Question, status: list[int]) -> RightCensored:
    from analysis.estimators.observations import RightCensored

    entry = None if question.entry is None else table.numbers(question.entry)
    weight = None if question.weights is None else table.numbers(question.weights)
    try:
        return RightCensored.of(
            table.numbers(question.time), status, entry, weight, question.weight_kind
        )
    except RefusedInputError as refusal:
        raise _name_line(refusal, table, question) from None


def _name_line(refusal: RefusedInputError, table: Table, question: Question) -> RefusedInputError:
    """Say the line of the file where the estimator's door says the row."""
    row, field = refusal.where.get("row"), str(refusal.where.get("field"))
    if not isinstance(row, int):
        return refusal
    columns = {"time": question.time, "entry": question.entry, "weight": question.weights}
    column = columns.get(field) or field
    line = table.lines[row - 1]
    message = refusal.message.replace(f"in row {row}", f"on line {line}", 1)
    if message.startswith(f"{field} "):
        message = f"column {column!r} ({field}) " + message.removeprefix(f"{field} ")
    return RefusedInputError(f"{table.name}: {message}", file=table.name, line=line, column=column)


def _warn_about_competing(question: Question, status: Sequence[int]) -> list[str]:
    competing = sum(code > 1 for code in status)
    if question.method == KAPLAN_MEIER and competing:
        return [
            f"{competing} rows have a competing event and count as censored: 1 − survival is then "
            "not the probability of the event. For that use --method cumulative-incidence."
        ]
    if question.method == CUMULATIVE_INCIDENCE and not competing:
        return ["No competing event (code 2, 3, ...) was found: incidence is 1 − survival."]
    return []


def _move_to_landmark(
    rows: Rows, landmark: float, warnings: list[str]
) -> tuple[Rows, list[str], dict[str, Any]]:
    observed, kept = rows.observed.after_landmark(landmark)

    def keep(labels: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(label for label, is_kept in zip(labels, kept, strict=True) if is_kept)

    left_out = int((~kept).sum())
    said = (
        f"Landmark at {landmark:g}: {left_out} rows without follow-up free of any event beyond it "
        "are left out, and times are counted from the landmark."
    )
    strata = None if rows.strata is None else keep(rows.strata)
    moved = replace(
        rows,
        observed=observed,
        group=keep(rows.group),
        strata=strata,
        table=rows.table.keep(kept),
    )
    described = {"at": landmark, "left_out": left_out, "times_counted_from": "landmark"}
    return moved, [*warnings, said], described
