"""What the comparisons with published rates come to: a sentence, and one table with a line each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from analysis.benchmarking.benchmark import AtOneTime, Comparison
from analysis.benchmarking.benchmark_results import BenchmarkResults
from analysis.benchmarking.between_series import AmongSeries
from analysis.benchmarking.standardisation import Standardised
from analysis.outcomes.end_points import DAYS_PER_YEAR
from reports.benchmark_blocks import (
    difference_here,
    estimate_among,
    estimate_here,
    judged_of,
    published_words,
)
from reports.page.document import Block, BulletList, Column, Paragraph, Row, Table
from reports.words.benchmark_wording import (
    NOT_AS_GOOD,
    board_sentence,
    deciding_time,
    expected_words,
    first_up,
    is_double_possible,
    points_value,
    ratio_words,
    shapes_apart,
    verdict_words,
    who,
)
from reports.words.values import Content, Count, text
from reports.words.wording import NO_BREAK, in_years, percent_interval

COLUMNS = (
    Column("Published series, and when"),
    Column("There (95 % CI)", "right"),
    Column("Here (95 % CI)", "right"),
    Column(f"Difference or ratio (90{NO_BREAK}%{NO_BREAK}CI)", "right"),
    Column("Verdict"),
)


def in_one_sentence(benchmarks: Sequence[BenchmarkResults]) -> str:
    """Say how many of the comparisons show more failures here, and what chance would do.

    Failure is the end point's event, a loss of vision too. Of those not shown to be worse it says
    how many leave room for twice the published failures, so that few patients give no comfort.
    """
    judged = [one for results in benchmarks for one in judged_of(results)]
    if not judged:
        return "No published series here allows a verdict."
    worse = sum(one.verdict == "worse" for one in judged)
    within = sum(one.verdict == "within the margin" for one in judged)
    margin = f" {within} lie within a margin decided beforehand." if within else ""
    unshown = [one for one in judged if one.verdict == "not shown"]
    open_ones = sum(is_double_possible(one) for one in unshown)
    in_them = f"In {open_ones} of them twice" if len(judged) > 1 else "Twice"
    margin += f" {in_them} as many cannot be ruled out." * (open_ones > 0)
    if len(judged) == 1:
        does = "shows" if worse else "does not show"
        return f"The one comparison {does} more failures here than there.{margin}"
    return (
        f"{worse or 'None'} of {len(judged)} comparisons with published series"
        f" {'show' if worse > 1 else 'shows'} more failures here than there; were all truly alike,"
        f" about one in twenty would by chance.{margin}"
    )


def worse_in_brief(benchmarks: Sequence[BenchmarkResults]) -> str:
    """Name the end points and series with more failures here; empty where there is none."""
    named = [
        f"{results.outcome.end_point.title} against {who(one)}"
        for results in benchmarks
        for one in judged_of(results)
        if one.verdict == "worse"
    ]
    return "; ".join(named)


def told_blocks(benchmarks: Sequence[BenchmarkResults]) -> list[Block]:
    """Return the sentences of the series that were worse, and of those within a margin."""
    said: list[Block] = []
    for verdict, words in (
        ("worse", "More frequent here than in:"),
        ("within the margin", "Within a margin decided beforehand:"),
    ):
        sentences = tuple(
            board_sentence(one, results.outcome)
            for results in benchmarks
            for one in judged_of(results)
            if one.verdict == verdict
        )
        if sentences:
            said += [Paragraph(words), BulletList(sentences)]
    return said


def verdict_table(benchmarks: Sequence[BenchmarkResults]) -> Table:
    """Return every comparison with a verdict, a line each, below its end point."""
    rows: list[Row] = []
    for results in benchmarks:
        rows.append(Row((first_up(results.outcome.end_point.title),), header=True))
        lines = [_line(one, results) for one in judged_of(results)]
        lines += [_standardised_line(one) for one in results.standardised]
        lines += [_among_line(one, results) for one in results.among]
        rows += lines or [Row((_nothing(results), "", "", "", "cannot tell"))]
    return Table(
        caption="Published series and this department: what each comparison comes to.",
        columns=COLUMNS,
        rows=tuple(rows),
        notes=(
            f"{NOT_AS_GOOD} At a time: failures there and here, their difference in percentage"
            " points (above 0 is more here). Over years: expected there at its rate and seen here,"
            " their ratio (above 1 is more here) from the one to the other end of how early the"
            " published failures may have come. Less frequent, by a one-sided 95 % limit, is no"
            " proof of better care: the patients differ. One more: where the estimate of one more"
            " department of this size would be expected; not unusual does not mean good.",
        ),
    )


def untold(benchmarks: Sequence[BenchmarkResults]) -> int:
    """Count the published figures that give no verdict."""
    return sum(len(one.comparisons) - len(judged_of(one)) for one in benchmarks)


def _nothing(results: BenchmarkResults) -> str:
    if not results.outcome.table.n:
        return "nobody here to compare"
    return "no published rate allows a verdict"


def _line(found: Comparison, results: BenchmarkResults) -> Row:
    at = deciding_time(found)
    if found.rule == "observed over expected":
        when, *cells = _ratio_cells(found)
    else:
        assert at is not None  # a verdict at one time was read at one
        when, *cells = _time_cells(found, at)
    name = f"{who(found)}, n{NO_BREAK}={NO_BREAK}{found.series.first.n}, {when}"
    return Row((name, *cells, verdict_words(found)))


def _time_cells(found: Comparison, at: AtOneTime) -> tuple[Content, ...]:
    return (
        _at(at.years),
        published_words(at.there),
        estimate_here(at, found),
        difference_here(at, found),
    )


def _ratio_cells(found: Comparison) -> tuple[Content, ...]:
    least, most = shapes_apart(found)
    return (
        f"over {in_years(least.expectation.window / DAYS_PER_YEAR)}".replace(" ", NO_BREAK),
        f"{expected_words(least, most)} expected",
        text("{seen} seen", seen=Count(least.expectation.observed)),
        ratio_words(least, most),
    )


def _standardised_line(one: Standardised) -> Row:
    return Row(
        (
            f"{one.key}, by the mix of {one.field.removesuffix('_mm')} here, {_at(one.years)}",
            published_words(one.there),
            "",
            replace(points_value(one.difference, one.n, one.events), unit=""),
            verdict_words(one),
        ),
    )


def _among_line(one: AmongSeries, results: BenchmarkResults) -> Row:
    expected = percent_interval(one.expected.lower, one.expected.upper)
    return Row(
        (
            f"{len(one.rates)} whole series pooled, {_at(one.years)}",
            published_words(one.mean),
            estimate_among(one, results),
            f"one more: {expected}{NO_BREAK}%",
            one.place,
        ),
    )


def _at(years: float) -> str:
    return f"at {in_years(years)}".replace(" ", NO_BREAK)
