"""What ``afterplaque estimate`` computes: a fellow's table in, plain values out.

The command reads the options; this module reads the columns, runs the estimators group by group and
returns the answer ready for JSON. Nothing heavy is imported before it is called.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from registry.errors import RefusedEstimateError, RefusedInputError, UsageError
from reports.table_reading import Table

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
    standardise: tuple[str, ...] = ()
    seed: int = 1
    replicates: int = 200
    check_with: str | None = None


@dataclass(frozen=True, slots=True)
class _Rows:
    """Checked observations with the labels of their rows."""

    observed: RightCensored
    group: tuple[str, ...]
    strata: tuple[str, ...] | None
    table: Table

    def groups(self) -> list[str]:
        return sort_labels(self.group)

    def of_group(self, name: str) -> RightCensored:
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


def answer_question(table: Table, question: Question) -> dict[str, Any]:
    """Estimate every group of a table and compare them.

    Returns
    -------
    dict
        ``method``, ``interval``, ``level``, ``groups``, ``tests``, ``differences`` (when asked),
        ``landmark`` (when asked) and ``warnings``.

    Raises
    ------
    RefusedInputError
        For a cell that cannot be used; the line is named.
    RefusedEstimateError
        For a figure that the data cannot support.
    """
    rows, warnings, landmark = _read_rows(table, question)
    describe = _describe_survival if question.method == KAPLAN_MEIER else _describe_incidence
    groups, estimates = [], {}
    for name in rows.groups():
        described, estimate, more = describe(name, rows.of_group(name), question)
        groups.append(described)
        estimates[name] = estimate
        warnings += more
    tests, more = _test(rows, question)
    answer = {
        "method": question.method,
        "interval": question.interval,
        "level": question.level,
        "groups": groups,
        "tests": tests,
    }
    if question.difference:
        answer["differences"] = _differences(estimates, question)
    if question.check_with:
        from reports.second_opinion import judge_curves

        curves = {name: (rows.of_group(name), estimates[name]) for name in rows.groups()}
        log_rank = tests[0] if tests else None
        answer["second_opinion"], said = judge_curves(curves, rows.observed, rows.group, log_rank)
        more = [*more, *said]
    if question.standardise:
        from reports.estimation_standardised import answer_standardised

        part, said = answer_standardised(rows.table, rows.observed, rows.group, question)
        answer["standardised"] = part
        more = [*more, *said]
    if landmark is not None:
        answer["landmark"] = landmark
    return answer | {"warnings": [*warnings, *more]}


# --- reading --------------------------------------------------------------------------------------


def _read_rows(table: Table, question: Question) -> tuple[_Rows, list[str], dict[str, Any] | None]:
    optional = (question.entry, question.by, question.strata, question.weights)
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
    rows = _Rows(observed, group, _labels(whole, question.strata), whole)
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


def read_event_codes(
    table: Table, column: str, codes: dict[str, int] | None
) -> tuple[list[int], list[str]]:
    """Return the event codes of a column: 0 censored, 1 the event, 2, 3, ... competing.

    Parameters
    ----------
    codes
        What each value in the file stands for; None: the values are the codes.

    Returns
    -------
    tuple
        A code a row, and warnings.

    Raises
    ------
    RefusedInputError
        When there is no row, a value is not a code, or the codes leave open which of them means
        censored: two codes without 0, or one that is neither 0 nor 1.
    """
    if not table.n_rows:
        raise RefusedInputError(
            f"{table.name} has no row with a value in column {column!r}, so there is nothing to "
            "estimate.",
            file=table.name,
            column=column,
        )
    if codes is not None:
        return _translate_codes(table, column, codes), []
    numbers = table.numbers(column)
    for row, number in enumerate(numbers):
        if number != int(number) or number < 0:
            raise RefusedInputError(
                f"{table.name}, line {table.lines[row]}, column {column!r}: {number:g} is not an "
                "event code. Allowed: 0 censored, 1 the event, 2, 3, ... competing events.",
                file=table.name,
                line=table.lines[row],
                column=column,
            )
    found = sorted({int(number) for number in numbers})
    if 0 not in found and found != [1] and len(found) <= 2:
        raise RefusedInputError(
            f"Column {column!r} of {table.name} holds {_list_codes(found)} and no 0, so which "
            "means censored is left open. Say what they mean, for example "
            f"--event-codes {found[0]}=0,{found[-1] if len(found) > 1 else '...'}=1 "
            "(0 censored, 1 the event, 2, 3, ... competing).",
            file=table.name,
            column=column,
        )
    warnings = []
    if 0 not in found:
        warnings.append(
            f"No row of column {column!r} is censored: it holds {_list_codes(found)} and no 0. If "
            "one of them means censored, say so with --event-codes."
        )
    return [int(number) for number in numbers], warnings


def _list_codes(found: Sequence[int]) -> str:
    words = [str(code) for code in found]
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + f" and {words[-1]}"


def _as_key(text: str) -> str | float:
    try:
        return float(text)
    except ValueError:
        return text


def _translate_codes(table: Table, column: str, codes: dict[str, int]) -> list[int]:
    meaning = {_as_key(text): code for text, code in codes.items()}
    status = []
    for row, text in enumerate(table.texts(column)):
        key = _as_key(str(text))
        if key not in meaning:
            raise RefusedInputError(
                f"{table.name}, line {table.lines[row]}, column {column!r}: {str(text)[:40]!r} is "
                f"not among the --event-codes ({', '.join(codes)}).",
                file=table.name,
                line=table.lines[row],
                column=column,
            )
        status.append(meaning[key])
    return status


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
    rows: _Rows, landmark: float, warnings: list[str]
) -> tuple[_Rows, list[str], dict[str, Any]]:
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


# --- estimating -----------------------------------------------------------------------------------


def _describe_survival(
    name: str, observed: RightCensored, question: Question
) -> tuple[dict[str, Any], Any, list[str]]:
    from analysis.estimators.survival import kaplan_meier

    with_group = _naming_group(name)
    estimate = with_group(
        lambda: kaplan_meier(observed, interval=question.interval, level=question.level)
    )
    restricted = None
    if question.until is not None:
        until = question.until
        restricted = with_group(lambda: estimate.restricted_mean(until))
    follow_up, warnings = _follow_up(name, observed, question)
    described = {
        "group": name,
        "n": estimate.n,
        "events": estimate.events,
        "person_time": estimate.person_time,
        "median": estimate.median(),
        "restricted_mean": restricted,
        "median_follow_up": follow_up,
        "last_time": estimate.last_time,
        "curve": estimate.curve.rows(),
        "at": estimate.at(question.at).rows() if question.at else [],
    }
    if estimate.effective_n is not None:
        described["effective_n"] = estimate.effective_n
    warnings += _warn_beyond(name, estimate.last_time, question)
    return described, estimate, warnings


def _describe_incidence(
    name: str, observed: RightCensored, question: Question
) -> tuple[dict[str, Any], Any, list[str]]:
    from analysis.estimators.competing_risks import aalen_johansen

    estimate = _naming_group(name)(
        lambda: aalen_johansen(observed, interval=question.interval, level=question.level)
    )
    follow_up, warnings = _follow_up(name, observed, question)
    described = {
        "group": name,
        "n": estimate.n,
        "events": estimate.cause(1).events,
        "person_time": estimate.person_time,
        "median_follow_up": follow_up,
        "last_time": estimate.last_time,
        "causes": [
            {
                "cause": cause.cause,
                "events": cause.events,
                "curve": cause.curve.rows(),
                "at": cause.at(question.at).rows() if question.at else [],
            }
            for cause in estimate.causes
        ],
    }
    if estimate.effective_n is not None:
        described["effective_n"] = estimate.effective_n
    return described, estimate, [*warnings, *_warn_beyond(name, estimate.last_time, question)]


def _naming_group(name: str) -> Callable[[Callable[[], Any]], Any]:
    """Run an estimate; where it is refused say in which group."""

    def run(estimate: Callable[[], Any]) -> Any:
        try:
            return estimate()
        except RefusedEstimateError as refusal:
            if name == ALL:
                raise
            raise RefusedEstimateError(
                f"Group {name}: {refusal.message}", **{**refusal.where, "group": name}
            ) from None

    return run


def _follow_up(name: str, observed: RightCensored, question: Question) -> tuple[Any, list[str]]:
    from analysis.estimators.survival import Quantile, reverse_kaplan_meier

    try:
        reverse = reverse_kaplan_meier(observed, interval=question.interval, level=question.level)
    except RefusedEstimateError as refusal:
        nan = float("nan")
        reason = f"Group {name}: no median follow-up. {refusal.message}"
        return Quantile(nan, nan, nan), [reason]
    return reverse.median(), []


def _warn_beyond(name: str, last_time: float, question: Question) -> list[str]:
    beyond = [f"{time:g}" for time in question.at if time > last_time]
    if not beyond:
        return []
    return [
        f"Group {name}: nothing is reported at {', '.join(beyond)}, beyond the last follow-up "
        f"({last_time:g})."
    ]


# --- comparing ------------------------------------------------------------------------------------


def _test(rows: _Rows, question: Question) -> tuple[list[dict[str, Any]], list[str]]:
    from analysis.estimators.group_tests import gray, list_tests, log_rank

    if len(rows.groups()) < 2:
        return [], []
    warnings, tests = [], []
    causes = sorted({1, *(int(code) for code in rows.observed.status if code > 0)})
    for cause in [1] if question.method == KAPLAN_MEIER else causes:
        try:
            if question.method == KAPLAN_MEIER:
                tests.append(log_rank(rows.observed, rows.group, strata=rows.strata))
            else:
                tests.append(gray(rows.observed, rows.group, cause=cause, strata=rows.strata))
        except RefusedEstimateError as refusal:
            if refusal.message not in warnings:
                warnings.append(refusal.message)
    return list_tests(tests), warnings


def _differences(estimates: dict[str, Any], question: Question) -> list[dict[str, Any]]:
    from dataclasses import asdict

    from analysis.estimators.differences import restricted_mean_difference, survival_difference

    if len(estimates) != 2:
        raise UsageError(
            f"--difference compares two groups; --by gives {len(estimates)}.", option="--difference"
        )
    if not question.at and question.until is None:
        raise UsageError("--difference needs --at or --until.", option="--difference")
    first, second = estimates.values()
    found: list[tuple[dict[str, Any], Any]] = []
    for time in question.at:
        if question.method == KAPLAN_MEIER:
            label = {"quantity": "survival", "time": time}
            found.append((label, survival_difference(first, second, time)))
        else:
            found += _incidence_differences(first, second, time)
    if question.until is not None:
        label = {"quantity": "restricted mean", "until": question.until}
        found.append((label, restricted_mean_difference(first, second, question.until)))
    names = list(estimates)
    return [label | {"groups": names} | asdict(difference) for label, difference in found]


def _incidence_differences(
    first: Any, second: Any, time: float
) -> list[tuple[dict[str, Any], Any]]:
    from analysis.estimators.differences import incidence_difference

    shared = {cause.cause for cause in first.causes} & {cause.cause for cause in second.causes}
    return [
        (
            {"quantity": "incidence", "cause": code, "time": time},
            incidence_difference(first.cause(code), second.cause(code), time),
        )
        for code in sorted(shared)
    ]
