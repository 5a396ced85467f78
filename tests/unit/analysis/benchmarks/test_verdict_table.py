"""What a reader of a comparison sees first, and that the appendix holds the rest.

What must be said of every comparison is written down in the project's own rules (both intervals,
every refusal with its reason, the margin, the populations); it is recounted here from the results
themselves, not from the documents.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pytest
from benchmark_tables import rate

from analysis.benchmarking.benchmark_results import BenchmarkResults, run_benchmarks
from analysis.benchmarking.margins import Margin
from reports.benchmark_verdicts import in_one_sentence, untold, verdict_table, worse_in_brief
from reports.page.document import BulletList, Note, Paragraph, Section, Table
from reports.render.laid_out import table_plain
from reports.sections.published_comparison import DETAIL_TITLE, detail, section
from reports.words.benchmark_wording import verdict_words
from reports.words.wording import NO_BREAK, say

Make = Callable[..., Any]


RATES = (
    rate(5.0, 0.1, key="Low"),
    rate(5.0, 0.5, key="High"),
    rate(5.0, 0.09, key="Two"),
    rate(10.0, 0.18, key="Two"),
    rate(5.0, 0.2, key="Memory", verified="from memory"),
)


@pytest.fixture
def results(outcome_of: Make) -> BenchmarkResults:
    """800 eyes lost at 4 % a year: 18 % at 5 years."""
    rng = np.random.default_rng(1)
    event, end = rng.exponential(25, 800), rng.uniform(2, 12, 800)
    time = np.ceil(np.minimum(event, end) * 365.25)
    return run_benchmarks(outcome_of(time, (event <= end).astype(int)), RATES, [])


def said_in(part: Section) -> str:
    """All words of a section."""
    words: list[str] = []
    for block in part.blocks:
        if isinstance(block, Paragraph | Note):
            words.append(say(block.text))
        elif isinstance(block, BulletList):
            words += [say(item) for item in block.items]
        elif isinstance(block, Table):
            words += [say(cell) for row in block.rows for cell in row.cells]
            words += [say(note) for note in block.notes]
    return "\n".join(words).replace(NO_BREAK, " ")


def test_every_verdict_is_a_line_of_one_table(results: BenchmarkResults) -> None:
    table = verdict_table([results])
    rows = [[say(cell).replace(NO_BREAK, " ") for cell in row.cells] for row in table.rows]
    assert rows[0] == ["Loss of the eye"]
    verdicts = {cells[0].split(",")[0]: cells[-1] for cells in rows[1:]}
    judged = {one.series.first.key: verdict_words(one) for one in results.comparisons}
    assert judged.pop("Memory") == "cannot tell"
    # three whole series at 5 years are pooled too; the one from memory is in no line
    assert verdicts == {**judged, "3 whole series pooled": "not unusual"}
    assert judged == {"Low": "worse", "High": "less frequent here", "Two": "worse"}


def test_a_line_holds_both_figures_and_the_interval_of_the_verdict(
    results: BenchmarkResults,
) -> None:
    low = next(one for one in results.comparisons if one.series.first.key == "Low")
    [at] = low.at_times
    plain = table_plain(verdict_table([results]))
    line = next(row["cells"] for row in plain["rows"] if row["cells"][0].startswith("Low"))
    here = [100 * x for x in (at.here.value, at.here.lower, at.here.upper)]
    points = [round(100 * x) for x in (at.difference.value, at.difference.lower)]
    assert line[0].replace(NO_BREAK, " ") == "Low, n = 5000, at 5 years"
    shown = [cell.replace(NO_BREAK, " ").replace("\u2060", "") for cell in line]
    assert shown[1] == "10.0 % (9.5–10.5)"
    assert shown[2] == f"{here[0]:.1f} % ({here[1]:.1f}–{here[2]:.1f})"
    assert shown[3].startswith(f"{points[0]} ({points[1]}–")


def test_the_section_says_first_what_it_comes_to(results: BenchmarkResults) -> None:
    part = section([results])
    first, heads, worse = part.blocks[:3]
    assert isinstance(first, Paragraph)
    assert say(first.text) == in_one_sentence([results])
    assert say(first.text).startswith("2 of 3 comparisons")
    assert isinstance(heads, Paragraph)
    assert isinstance(worse, BulletList)
    assert len(worse.items) == 2
    assert worse_in_brief([results]) == "loss of the eye against Low; loss of the eye against Two"
    assert untold([results]) == 1
    said = said_in(part)
    assert f"1 more published figure gives no verdict: the appendix “{DETAIL_TITLE}”" in said
    assert "No margin was decided beforehand" in said
    assert "Not shown to be worse is not the same as shown to be as good" in said


def test_the_appendix_holds_every_time_shape_refusal_and_population(
    results: BenchmarkResults,
) -> None:
    said = said_in(detail([results]))
    for one in results.comparisons:
        assert one.series.first.key in said
        for shape in one.over_expected:
            assert f"shape {shape.expectation.early_shape:g}" in said
    assert "Memory: the published figure is from memory" in said
    assert said.count("published: all") == 3
    assert "Among" not in said_in(section([results]))
    assert "Over 3 whole series at 5 years" in said
    # the verdict of a series with two times stands beside its ratio, not beside both times
    tables = [block for block in detail([results]).blocks if isinstance(block, Table)]
    two = [
        (say(row.cells[1]).replace(NO_BREAK, " "), say(row.cells[-1]))
        for row in tables[0].rows
        if say(row.cells[0]).startswith("Two")
    ]
    assert two == [("5 years", "by the ratio"), ("10 years", "")]


def test_a_margin_is_said_for_its_end_point_only(
    results: BenchmarkResults, outcome_of: Make
) -> None:
    margin = Margin("eye_loss", 1.5, "the board", date(2015, 1, 1))
    decided = replace(results, margin=margin)
    said = said_in(section([decided, results]))
    assert "Margin decided beforehand for loss of the eye: up to 1.5 times" in said
    assert "the board, 2015-01-01" in said
    assert "Of the others nothing can be called good enough." in said


def test_without_a_verdict_the_table_says_so(outcome_of: Make) -> None:
    few = run_benchmarks(outcome_of([800] * 5, [0] * 5), RATES[:1], [])
    none = run_benchmarks(outcome_of([], []), RATES, [])
    rows = [[say(cell) for cell in row.cells] for row in verdict_table([few, none]).rows]
    assert [cells[0] for cells in rows] == [
        "Loss of the eye",
        "no published rate allows a verdict",
        "Loss of the eye",
        "nobody here to compare",
    ]
    assert in_one_sentence([few, none]) == "No published series here allows a verdict."


def test_few_patients_give_no_comfort(outcome_of: Make) -> None:
    """Five eyes without a loss: 0 seen where 0.9 are expected rules nothing out."""
    few = run_benchmarks(outcome_of([3653] * 5, [0] * 5), RATES[2:4], [])
    [two] = few.comparisons
    assert two.verdict == "not shown"
    # 3.00 is the upper one-sided 95 % Poisson limit of 0 seen (-ln 0.05; mid-P: -ln 0.1 = 2.30)
    assert two.over_expected[0].upper > 2.3 / two.over_expected[0].expectation.expected * 0.99
    assert in_one_sentence([few]) == (
        "The one comparison does not show more failures here than there."
        " Twice as many cannot be ruled out."
    )
    many = run_benchmarks(outcome_of([3653] * 500, [0] * 500), RATES[2:4], [])
    assert "ruled out" not in in_one_sentence([many])
    assert "In 2 of them twice as many cannot be ruled out." in in_one_sentence([few, few])
