"""Comparisons with published rates as parts of a document; the audit and the report share them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from analysis.benchmarking.benchmark import AtOneTime, Comparison, OverExpected
from analysis.benchmarking.benchmark_results import BenchmarkResults
from analysis.benchmarking.between_series import AmongSeries
from analysis.benchmarking.own_estimates import Estimate
from analysis.benchmarking.standardisation import Standardised
from reports.figures.specs import ForestFigure, ForestRow
from reports.page.document import (
    Block,
    BulletList,
    Column,
    Figure,
    Heading,
    Note,
    Paragraph,
    Row,
    Table,
)
from reports.words.benchmark_wording import (
    board_sentence,
    deciding_time,
    first_up,
    points_value,
    ratio_value,
    shape_that_decides,
    verdict_words,
    who,
)
from reports.words.values import (
    Content,
    Count,
    CurveEstimate,
    Missing,
    ObservedExpected,
    Quantity,
    Rate,
    text,
)
from reports.words.wording import NO_BREAK, in_years, percent, percent_interval

BEYOND = Missing("not estimable", "beyond the last follow-up here")


def comparison_blocks(results: BenchmarkResults, *, is_brief: bool = False) -> list[Block]:
    """Return the sentences and tables of one end point in full, most telling first.

    ``is_brief`` keeps the sentences and what has no verdict, without tables.
    """
    name = results.outcome.end_point.title
    if not results.outcome.table.n:
        return [Note(f"No unit is in the cohort for {name}.")]
    judged = judged_of(results)
    blocks: list[Block] = [Heading(first_up(name))]
    if not judged:
        blocks.append(Paragraph(f"No published rate of {name} allows a verdict: cannot tell."))
    else:
        blocks += [_sentences(results, judged), _margin_words(results, judged)]
    if judged and not is_brief:
        blocks += [_at_times(results, judged), *_over_expected(results, judged)]
    blocks += [_standardised(one) for one in results.standardised]
    blocks += [_among(one, results) for one in results.among]
    return [*blocks, *_left_out(results)]


def judged_of(results: BenchmarkResults) -> list[Comparison]:
    """Return the comparisons that have a verdict."""
    return [one for one in results.comparisons if one.verdict != "cannot tell"]


def _sentences(results: BenchmarkResults, judged: list[Comparison]) -> Block:
    return BulletList(tuple(board_sentence(one, results.outcome) for one in judged))


def _margin_words(results: BenchmarkResults, judged: list[Comparison]) -> Block:
    margin = results.margin
    several = (
        f" With {len(judged)} series compared, one in twenty of those truly alike would be"
        " called worse by chance."
        if len(judged) > 1
        else ""
    )
    if margin is None:
        words = "No margin was decided beforehand, so nothing can be called good enough."
    else:
        words = (
            f"Margin decided beforehand: up to {margin.ratio:g} times the published failures"
            f" ({margin.source}, {margin.decided_on.isoformat()})."
        )
    return Paragraph(f"{words}{several}")


def published_words(value: Estimate) -> str:
    """Word a published figure; it is public, so it needs no suppression."""
    if math.isnan(value.lower):
        return percent(value.value)
    return f"{percent(value.value)} ({percent_interval(value.lower, value.upper)})"


def estimate_here(one: AtOneTime, found: Comparison) -> Content:
    if math.isnan(one.here.value):
        return BEYOND
    low, high = (None if math.isnan(x) else x for x in (one.here.lower, one.here.upper))
    return CurveEstimate(one.here.value, low, high, found.n, one.events, one.at_risk)


def difference_here(one: AtOneTime, found: Comparison) -> Content:
    if math.isnan(one.difference.lower):
        return Missing("not estimable")
    return replace(points_value(one.difference, found.n, one.events), unit="")


def _at_times(results: BenchmarkResults, judged: list[Comparison]) -> Table:
    rows = []
    for found in judged:
        first = found.series.first
        for one in found.at_times:
            rows.append(
                Row(
                    (
                        f"{who(found)}, n = {first.n}",
                        in_years(one.years).replace(" ", NO_BREAK),
                        published_words(one.there),
                        estimate_here(one, found),
                        difference_here(one, found),
                        _verdict_at(found, one),
                    )
                )
            )
    return Table(
        caption=f"{first_up(results.outcome.end_point.title)}: published and here, by time.",
        columns=(
            Column("Series"),
            Column("Time"),
            Column("Published (95 % CI)", "right"),
            Column("Here (95 % CI)", "right"),
            Column("Difference, points (90 % CI)", "right"),
            Column("Verdict"),
        ),
        rows=tuple(rows),
        notes=(
            "A Kaplan–Meier figure is set against Kaplan–Meier, a cumulative incidence against"
            " cumulative incidence. The 90 % interval holds two one-sided 95 % limits, with the"
            " uncertainty of both figures (Zou and Donner 2008); above 0 is more failures here.",
        ),
    )


def _verdict_at(found: Comparison, one: AtOneTime) -> str:
    """Word the verdict beside the time that it was read at, once a series."""
    if _is_ratio(found):
        return "by the ratio" if one is found.at_times[0] else ""
    return verdict_words(found) if one == deciding_time(found) else ""


def _is_ratio(found: Comparison) -> bool:
    return found.rule == "observed over expected"


def _over_expected(results: BenchmarkResults, judged: list[Comparison]) -> list[Block]:
    rows = [
        _ratio_row(found, one)
        for found in judged
        if _is_ratio(found)
        for one in found.over_expected
    ]
    if not rows:
        return []
    return [
        Table(
            caption=f"{first_up(results.outcome.end_point.title)}: observed over expected"
            " events on the window common to both.",
            columns=(
                Column("Series, window, shape"),
                Column("Observed", "right"),
                Column("Exact, given the published value", "right"),
                Column("Mid-P, given the published value", "right"),
                Column("With the published uncertainty (90 % CI)", "right"),
                Column("Verdict"),
            ),
            rows=tuple(rows),
            notes=(
                "Shape: before the first published time the cumulative hazard goes with that power"
                " of time (1 spreads it evenly); the verdict needs every shape. A series with one"
                " published time is judged at that time only and is not in this table. Limits given"
                " the published value are 95 % CI.",
            ),
        )
    ]


def _ratio_row(found: Comparison, one: OverExpected) -> Row:
    seen, given = one.expectation, one.given
    exact, middle = (
        ObservedExpected(seen.observed, seen.expected, limits.lower, limits.upper)
        for limits in (given.exact, given.mid_p)
    )
    return Row(
        (
            f"{who(found)}, {in_years(seen.window / 365.25)}, shape {seen.early_shape:g}",
            Count(seen.observed),
            exact,
            middle,
            ratio_value(one),
            verdict_words(found) if one is shape_that_decides(found) else "",
        )
    )


def comparison_figures(results: BenchmarkResults) -> list[Block]:
    """Draw the series at the time that most of them have, where one of them has a verdict."""
    if not judged_of(results):
        return []
    pairs = [
        (found, one)
        for found in results.comparisons
        for one in found.at_times
        if not math.isnan(one.there.lower) and found.series.first.stratum is None
    ]
    times = [one.years for _, one in pairs]
    if not times:
        return []
    years = max(sorted(set(times)), key=times.count)
    shown = [(found, one) for found, one in pairs if one.years == years]
    here = next((one for _, one in shown if not math.isnan(one.here.lower)), None)
    if here is None:
        return []
    name = results.outcome.end_point.title
    return [
        Figure(
            caption=f"{first_up(name)} at {in_years(years)} in published series and here.",
            spec=ForestFigure(
                measure=f"{first_up(name)} at {in_years(years)} (%)",
                counts_heading="n",
                rows=(*(_series_row(*pair) for pair in shown), _own_row(results, here)),
                null_value=100 * here.there.value if len(shown) == 1 else 0.0,
                log_axis=False,
                short_measure="%",
            ),
            notes=(
                "95 % intervals. Series marked “(memory)” were not read in their source and give no"
                " verdict. Patients differ between the series.",
            ),
        )
    ]


def _series_row(found: Comparison, one: AtOneTime) -> ForestRow:
    first = found.series.first
    return ForestRow(f"{first.key}{_mark(found)}", str(first.n), _percentages(one.there))


def _own_row(results: BenchmarkResults, here: AtOneTime) -> ForestRow:
    """The department in whole per cent: its place must not undo the published rounding."""
    n = results.outcome.table.n
    rounded = Estimate(*(round(x, 2) for x in (here.here.value, here.here.lower, here.here.upper)))
    shown = replace(_percentages(rounded, n, here.events), digits=0)
    return ForestRow("This department", Count(n), shown)


def _mark(found: Comparison) -> str:
    return "" if found.series.first.verified == "read" else " (memory)"


def _percentages(value: Estimate, n: int | None = None, events: int | None = None) -> Quantity:
    return Quantity(
        100 * value.value, 100 * value.lower, 100 * value.upper, "", 1, n=n, events=events
    )


def _standardised(one: Standardised) -> Block:
    shares = [Rate(round(weight * one.n), one.n, style="percent") for weight in one.weights]
    weights = " and ".join(f"{{share_{place}}}" for place in range(len(shares)))
    return Paragraph(
        text(
            f"{one.key} gives figures by {one.field.removesuffix('_mm')}. Weighted by the mix here"
            f" ({weights}) they make {published_words(one.there)} at {in_years(one.years)}; the"
            " difference is {points}: " + f"{verdict_words(one)}.",
            points=points_value(one.difference, one.n, one.events),
            **{f"share_{place}": share for place, share in enumerate(shares)},
        ),
        lead="Standardised.",
    )


def _among(one: AmongSeries, results: BenchmarkResults) -> Block:
    keys = ", ".join(rate.key for rate in one.rates)
    return Paragraph(
        text(
            f"Over {len(one.rates)} whole series at {in_years(one.years)} ({keys}) the pooled"
            f" figure is {published_words(one.mean)}. One more department of this size would be"
            f" expected between {percent(one.expected.lower)} and {percent(one.expected.upper)};"
            " here it is {own}: "
            + f"{one.place}. Not unusual does not mean good: the series differ"
            f" widely (I² {percent(one.pooled.i2, 0)}).",
            own=estimate_among(one, results),
        ),
        lead="Among the series.",
    )


def estimate_among(one: AmongSeries, results: BenchmarkResults) -> CurveEstimate:
    table = results.outcome.table
    events = int(((table.status == 1) & (table.time_days <= one.years * 365.25)).sum())
    at_risk = int((table.time_days >= one.years * 365.25).sum())
    value, low, high = (
        None if math.isnan(x) else x for x in (one.here.value, one.here.lower, one.here.upper)
    )
    return CurveEstimate(
        value,
        low,
        high,
        table.n,
        events,
        at_risk,
        reason="" if value is not None else "beyond the last follow-up",
    )


def _left_out(results: BenchmarkResults) -> list[Block]:
    by_reason: dict[str, list[str]] = {}
    for found in results.comparisons:
        if found.verdict == "cannot tell":
            keys = by_reason.setdefault(found.reason, [])
            keys += [who(found)] if who(found) not in keys else []
    if not by_reason:
        return []
    items = tuple(f"{', '.join(keys)}: {reason}." for reason, keys in by_reason.items())
    return [Paragraph("No verdict, and why:"), BulletList(items)]


def population_blocks(benchmarks: Sequence[BenchmarkResults]) -> list[Block]:
    """List, once a series and population, who the published figures with a verdict are about."""
    found: dict[tuple[str, str], tuple[str, list[str]]] = {}
    for results in benchmarks:
        for one in judged_of(results):
            first = one.series.first
            place = found.setdefault((first.key, first.population), (first.citation, []))
            place[1].extend(words for words in one.differences if words not in place[1])
    if not found:
        return []
    items = tuple(
        f"{key}: {'; '.join(words)}. {citation}." for (key, _), (citation, words) in found.items()
    )
    return [
        Heading("Who the published figures are about"),
        Paragraph("And what is known to differ from the patients and definitions here."),
        BulletList(items),
    ]
