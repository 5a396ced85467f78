"""What ``afterplaque regress`` computes: a fellow's table in, plain values out.

The command reads the options; this module reads the columns, fits the model and returns the answer
ready for JSON. Nothing heavy is imported before it is called.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from registry.errors import RefusedInputError, UsageError
from reports.tables.event_codes import read_event_codes
from reports.tables.regression_extras import DISCRETE_TIME, add_e_values, check_edges
from reports.tables.regression_standardised import check_standardised, standardise
from reports.tables.regression_validated import check_validation, validate
from reports.tables.table_reading import Table

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from analysis.models.design_matrix import ModelFrame
    from analysis.models.regression import RegressionAnswer, RegressionRows


@dataclass(frozen=True, slots=True)
class RegressionQuestion:
    """What is asked of a table; times in the unit of the table."""

    model: str
    event: str
    terms: tuple[str, ...]
    time: str | None = None
    entry: str | None = None
    strata: tuple[str, ...] = ()
    cluster: str | None = None
    ties: str | None = None
    splines: dict[str, int] = field(default_factory=dict)
    event_codes: dict[str, int] | None = None
    landmark: float | None = None
    level: float = 0.95
    imputations: int = 0
    seed: int = 1
    check_with: str | None = None
    validate: int = 0
    calibrate_at: float | None = None
    standardise: tuple[tuple[str, tuple[float, ...]], ...] = ()
    at: tuple[float, ...] = ()
    replicates: int = 500
    edges: tuple[float, ...] = ()
    e_values: bool = False


def check_question(question: RegressionQuestion) -> None:
    """Refuse options that the model does not have.

    Raises
    ------
    UsageError
        Names the option and the models that take it.
    """
    _check_model_has(question)
    check_edges(question)
    if question.imputations and (question.imputations < 2 or question.splines):
        raise UsageError(
            "--imputations takes 2 or more and does not go with --spline.", option="--imputations"
        )
    if question.check_with and (question.ties == "breslow" or question.imputations):
        raise UsageError(
            "--check-with compares one fit with Efron's ties, the only ones that lifelines has.",
            option="--check-with",
        )
    check_validation(question)
    check_standardised(question)
    if len(set(question.terms)) < len(question.terms):
        raise UsageError("--terms names a column twice.", option="--terms")
    outcome = {question.time, question.event, question.entry} & set(question.terms)
    if outcome:
        raise UsageError(
            f"--terms names {', '.join(sorted(str(c) for c in outcome))}, which is the outcome.",
            option="--terms",
        )


def _check_model_has(question: RegressionQuestion) -> None:
    """Refuse options that the model does not take, and a timed model without a time."""
    timed = ("cox", "firth-cox", "fine-gray", DISCRETE_TIME)
    rules: tuple[tuple[str, bool, tuple[str, ...]], ...] = (
        ("--time", question.time is not None, timed),
        ("--entry", question.entry is not None, ("cox", "firth-cox")),
        ("--strata", bool(question.strata), ("cox", "firth-cox")),
        ("--cluster", question.cluster is not None, ("cox", "logistic")),
        ("--check-with", question.check_with is not None, ("cox",)),
        ("--ties", question.ties is not None, ("cox", "firth-cox")),
        ("--landmark", question.landmark is not None, timed),
        ("--edges", bool(question.edges), (DISCRETE_TIME,)),
    )
    for option, given, models in rules:
        if given and question.model not in models:
            raise UsageError(
                f"{option} does not go with --model {question.model}; it goes with"
                f" {', '.join(models)}.",
                option=option,
            )
    if question.model in timed and question.time is None:
        raise UsageError(
            f"--model {question.model} needs --time: name the column.", option="--time"
        )


def answer_regression(table: Table, question: RegressionQuestion) -> dict[str, Any]:
    """Fit the model asked for.

    Returns
    -------
    dict
        As the page on the command line describes it; infinite limits are infinite here and null in
        JSON. ``lower`` and ``upper`` are the limits of ``ratio``; those of ``coef`` are
        ``coef_lower`` and ``coef_upper``.

    Raises
    ------
    RefusedInputError, RefusedEstimateError
        For a cell, a column or a model that cannot be used.
    """
    from analysis.models.regression import regress

    if question.imputations:
        from reports.tables.regression_imputed import answer_imputed

        return answer_imputed(table, question)
    rows, frame, warnings = read_model_rows(table, question)
    found = regress(
        rows, question.model, ties=question.ties, level=question.level, edges=question.edges
    )
    answer = describe(table, question, found, frame, warnings)
    if question.check_with:
        from reports.tables.second_opinion import judge_cox

        answer["second_opinion"], said = judge_cox(rows)
        answer["warnings"] += said
    if question.e_values:
        add_e_values(answer)
    if question.validate:
        answer["validation"] = validate(rows, question)
    if question.standardise:
        answer["standardised"], said = standardise(rows, question)
        answer["warnings"] += said
    return answer


def describe(
    table: Table,
    question: RegressionQuestion,
    found: RegressionAnswer,
    frame: ModelFrame,
    warnings: list[str],
) -> dict[str, Any]:
    """The answer ready for JSON."""
    return {
        "model": found.model,
        "level": question.level,
        "interval": found.coefficients.interval,
        "ties": found.ties,
        "n": found.n,
        "events": found.events,
        "competing": found.competing,
        "clusters": found.clusters,
        "rows_left_out": table.n_rows - found.n,
        "lost": [{"column": x.column, "rows": x.rows, "events": x.events} for x in frame.lost],
        "log_likelihood": found.log_likelihood,
        "log_likelihood_null": found.log_likelihood_null,
        "log_likelihood_kind": found.log_likelihood_kind,
        "terms": _term_rows(found),
        "references": dict(frame.references),
        "knots": {name: knots.tolist() for name, knots in frame.knots.items()},
        "tests": [
            {"name": t.name, "term": t.term, "statistic": t.statistic, "df": t.df, "p": t.p}
            for t in found.tests
        ],
        "warnings": [*warnings, *found.warnings],
    }


def _term_rows(found: RegressionAnswer) -> list[dict[str, Any]]:
    from analysis.models.coefficients import exp_or_infinite

    table = found.coefficients
    ratio, lower, upper = (exp_or_infinite(x) for x in (table.coef, table.lower, table.upper))
    return [
        {
            "term": term,
            "coef": float(table.coef[i]),
            "se": float(table.se[i]),
            "robust_se": None if table.robust_se is None else float(table.robust_se[i]),
            "ratio": float(ratio[i]),
            "lower": float(lower[i]),
            "upper": float(upper[i]),
            "p": float(table.p[i]),
            "coef_lower": float(table.lower[i]),
            "coef_upper": float(table.upper[i]),
        }
        for i, term in enumerate(table.terms)
    ]


def read_model_rows(
    table: Table, question: RegressionQuestion
) -> tuple[RegressionRows, ModelFrame, list[str]]:
    """Read the rows of a question, the design, and what must be said of rows left out."""
    import numpy as np

    from analysis.models.design_matrix import to_model_frame

    known, dropped = table.complete_rows([question.event])
    codes, more = read_event_codes(known, question.event, question.event_codes)
    status = np.array(codes, dtype=np.int64)
    check_status(table, question, status)
    known, status, moved = after_landmark(known, status, question)
    terms = [*question.terms, *(name for name in question.splines if name not in question.terms)]
    frame = to_model_frame(
        {name: read_column(known, name) for name in terms},
        needed=read_needed(known, question),
        event=status == 1,
        splines=question.splines,
    )
    warnings = [*dropped, *more, *moved, *say_lost(frame)]
    kept = known.keep(frame.kept)
    return read_rows(kept, status[frame.kept], frame, question), frame, warnings


def read_column(table: Table, name: str) -> Any:
    """A column as numbers where every cell is one, else as text."""
    return table.numbers(name) if table.is_numeric(name) else table.texts(name)


def read_needed(table: Table, question: RegressionQuestion) -> dict[str, Any]:
    """Columns that must be complete and are not covariates."""
    numeric = {name: table.numbers(name) for name in (question.time, question.entry) if name}
    labels = {name: table.texts(name) for name in (*question.strata, question.cluster) if name}
    return numeric | labels


def check_status(table: Table, question: RegressionQuestion, status: NDArray[np.int64]) -> None:
    """Refuse codes above 1 where a model has two outcomes only."""
    if "logistic" in question.model and (status > 1).any():
        raise RefusedInputError(
            f"Column {question.event!r} of {table.name} holds codes above 1; a logistic model needs"
            " 0 and 1. Say what the codes mean with --event-codes, such as 2=0.",
            file=table.name,
            column=question.event,
        )


def after_landmark(
    table: Table, status: NDArray[np.int64], question: RegressionQuestion
) -> tuple[Table, NDArray[np.int64], list[str]]:
    """Keep the rows followed beyond the landmark; times are moved when the rows are read."""
    if question.landmark is None or question.time is None:
        return table, status, []
    kept = ~(table.numbers(question.time) <= question.landmark)
    said = (
        f"Landmark at {question.landmark:g}: {int((~kept).sum())} rows without follow-up free of"
        " any event beyond it are left out, and times are counted from the landmark."
    )
    return table.keep(kept), status[kept], [said]


def say_lost(frame: ModelFrame) -> list[str]:
    """Say how many rows, and events with them, each column costs."""
    if not frame.lost:
        return []
    by_column = "; ".join(f"{x.column} in {x.rows} ({x.events} with the event)" for x in frame.lost)
    rows = "1 row" if frame.rows_lost == 1 else f"{frame.rows_lost} rows"
    return [f"{rows} left out for a missing value: {by_column}."]


def read_rows(
    table: Table, status: NDArray[np.int64], frame: ModelFrame, question: RegressionQuestion
) -> RegressionRows:
    """The rows of a model whose covariates are complete."""
    import numpy as np

    from analysis.models.regression import RegressionRows

    time, entry = None, None
    if question.time is not None:
        time, entry = _times(table, status, question)
    strata = None
    if question.strata:
        parts = [table.texts(name) for name in question.strata]
        strata = np.array([" / ".join(str(p) for p in row) for row in zip(*parts, strict=True)])
    cluster = None
    if question.cluster is not None:
        cluster = np.array([str(text) for text in table.texts(question.cluster)])
    return RegressionRows(frame, status, time, entry, strata, cluster)


def _times(
    table: Table, status: NDArray[np.int64], question: RegressionQuestion
) -> tuple[NDArray[np.float64], NDArray[np.float64] | None]:
    """Checked times and entries, counted from the landmark; a refusal names the line."""
    import numpy as np

    from analysis.estimators.observations import RightCensored

    time = table.numbers(str(question.time))
    entry = None if question.entry is None else table.numbers(question.entry)
    try:
        observed = RightCensored.of(time, status, entry)
    except RefusedInputError as refusal:
        raise _name_line(refusal, table, question) from None
    if question.landmark is None:
        return observed.time, observed.entry
    late = None
    if observed.entry is not None:
        late = np.maximum(observed.entry - question.landmark, -1.0)
    return observed.time - question.landmark, late


def _name_line(
    refusal: RefusedInputError, table: Table, question: RegressionQuestion
) -> RefusedInputError:
    row, column = refusal.where.get("row"), str(refusal.where.get("field"))
    if not isinstance(row, int):
        return refusal
    column = {"time": question.time, "entry": question.entry}.get(column) or column
    line = table.lines[row - 1]
    return RefusedInputError(
        f"{table.name}, column {column!r}: "
        + refusal.message.replace(f"row {row}", f"line {line}"),
        file=table.name,
        line=line,
        column=column,
    )
