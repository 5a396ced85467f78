"""Comparison with published rates: like with like, with the published figures' own uncertainty."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from analysis.benchmarking.benchmark_results import BenchmarkResults, Population
from reports.benchmark_blocks import comparison_blocks, comparison_figures, population_blocks
from reports.benchmark_verdicts import in_one_sentence, told_blocks, untold, verdict_table
from reports.page.document import Block, Note, Paragraph, Section
from reports.words.benchmark_wording import HOW_TO_READ, NOT_AS_GOOD
from reports.words.values import Count, Quantity, Rate, Text, Value, text

TITLE = "Comparison with published rates"
DETAIL_TITLE = "Published rates in detail"

REFERENCES: tuple[str, ...] = (
    "Breslow NE. Analysis of survival data under the proportional hazards model."
    " Int Stat Rev 1975;43:45–57.",
    "Zou GY, Donner A. Construction of confidence limits about effect measures: a general approach."
    " Stat Med 2008;27:1693–1702.",
    "Spiegelhalter DJ. Funnel plots for comparing institutional performance."
    " Stat Med 2005;24:1185–1202.",
    "Hartung J, Knapp G. A refined method for the meta-analysis of controlled clinical trials with"
    " binary outcome. Stat Med 2001;20:3875–3889.",
)


def section(
    benchmarks: Sequence[BenchmarkResults],
    brief: Collection[str] = (),
    *,
    is_summarised: bool = False,
) -> Section:
    """Return what the comparisons come to.

    The end points named in ``brief`` have no figure; where the report's own summary has the
    sentence and the series that were worse (``is_summarised``), they are not said again.
    """
    blocks: list[Block] = []
    if not is_summarised:
        blocks += [Paragraph(in_one_sentence(benchmarks), lead="What it says.")]
        blocks += told_blocks(benchmarks)
    if benchmarks:
        blocks += [Paragraph(words) for words in _margins_in_words(benchmarks)]
        blocks.append(Paragraph(population_words(benchmarks[0].population), lead="Here."))
        blocks.append(verdict_table(benchmarks))
    for results in benchmarks:
        if results.outcome.end_point.name not in brief:
            blocks += comparison_figures(results)
    blocks.append(Note(_how_to_read(benchmarks)))
    return Section(TITLE, tuple(blocks))


def detail(benchmarks: Sequence[BenchmarkResults], brief: Collection[str] = ()) -> Section:
    """Return the appendix: every figure, every refusal, and who the published series are about.

    The end points named in ``brief`` have their sentences and refusals only.
    """
    blocks: list[Block] = [
        Paragraph(
            "What the section on comparison with published rates rests on: each series at each of"
            " its times, the expected events under each shape of the early hazard, the published"
            " figures that give no verdict and why, and the patients of each series."
        ),
        Note(f"{NOT_AS_GOOD} {HOW_TO_READ}"),
    ]
    for results in benchmarks:
        is_brief = results.outcome.end_point.name in brief
        blocks += comparison_blocks(results, is_brief=is_brief)
    blocks += population_blocks(benchmarks)
    return Section(DETAIL_TITLE, tuple(blocks), new_page=True)


def _margins_in_words(benchmarks: Sequence[BenchmarkResults]) -> list[str]:
    """Say which margins were decided beforehand, and what goes without one."""
    without = "No margin was decided beforehand, so nothing can be called good enough."
    decided = [
        f"Margin decided beforehand for {one.outcome.end_point.title}: up to"
        f" {one.margin.ratio:g} times the published failures ({one.margin.source},"
        f" {one.margin.decided_on.isoformat()})."
        for one in benchmarks
        if one.margin is not None
    ]
    if not decided:
        return [without]
    others = " Of the others nothing can be called good enough." * (len(decided) < len(benchmarks))
    return [" ".join(decided) + others]


def _how_to_read(benchmarks: Sequence[BenchmarkResults]) -> str:
    left_out = untold(benchmarks)
    further = (
        f" {left_out} more published figure{'s give' if left_out > 1 else ' gives'} no verdict:"
        f" the appendix “{DETAIL_TITLE}” says why, and who the published series are about."
        if left_out
        else f" Who the published series are about is in the appendix “{DETAIL_TITLE}”."
    )
    return (
        "End point and estimator are the same there and here. A crude proportion is compared with"
        " nothing, a figure quoted from memory gives no verdict, and one published time is judged"
        f" at that time alone; it says nothing about other times.{further}"
    )


def population_words(population: Population) -> Text:
    """Word who the department's figures are about, its counts as values."""
    values: dict[str, Value] = {"n": Count(population.n)}
    parts = ["{n} tumours"]
    if population.first_year is not None:
        parts.append(f"treated {population.first_year} to {population.last_year}")
    for name, median in (
        ("thickness", population.thickness_mm),
        ("diameter", population.diameter_mm),
    ):
        if median is not None:
            values[name] = Quantity(median, unit="mm", digits=1, n=population.n)
            parts.append(f"median {name} {{{name}}}")
    for place, (name, count) in enumerate(population.isotopes):
        values[f"isotope_{place}"] = Rate(count, population.isotope_known, style="percent")
        parts.append(f"{name} {{isotope_{place}}}")
    return text(", ".join(parts) + ".", **values)


def methods() -> tuple[Paragraph, ...]:
    """Return how comparison and monitoring were done, for any report that holds them."""
    return (
        Paragraph(
            "Expected events are the published cumulative hazard, summed over each person’s own"
            " time under observation up to the last published time (Breslow 1975); between"
            " published times the hazard is constant, before the first it follows a power of time"
            " of 0.5, 1 or 1.5, and a verdict needs all three. Limits “given the published value”"
            " are exact Poisson and mid-P ones. “With the published uncertainty” the expected"
            " number is multiplied by exp(N(0, τ²)), τ from the published interval on the"
            " log(−log) scale, or from n divided by 1.6 where none was printed, and the mid-P tail"
            " is averaged over it. At one time, the two intervals are combined (Zou and Donner"
            " 2008). Verdicts use one-sided 95 % limits.",
            lead="Comparison.",
        ),
        Paragraph(
            "The CUSUM runs in continuous time on expected events, as the likelihood ratio of a"
            " doubled hazard, and restarts after an alarm. Its limit is found by simulation.",
            lead="Time order.",
        ),
    )
