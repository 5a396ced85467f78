"""Comparison with published rates: like with like, with the published figures' own uncertainty."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from analysis.benchmarking.benchmark_results import BenchmarkResults, Population
from reports.benchmark_blocks import comparison_blocks, population_blocks
from reports.page.document import Block, Note, Paragraph, Section
from reports.words.benchmark_wording import HOW_TO_READ, NOT_AS_GOOD
from reports.words.values import Count, Quantity, Rate, Text, Value, text

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


def section(benchmarks: Sequence[BenchmarkResults], brief: Collection[str] = ()) -> Section:
    """Return the section; the end points named in ``brief`` have their sentences only."""
    blocks: list[Block] = [
        Paragraph(
            "Published figures of other departments, set beside this one where end point and"
            " estimator are the same. A crude proportion is compared with nothing, a figure quoted"
            " from memory gives no verdict, and one published time is judged at that time alone."
        ),
        Note(f"{NOT_AS_GOOD} {HOW_TO_READ}"),
    ]
    if benchmarks:
        blocks.append(Paragraph(population_words(benchmarks[0].population), lead="Here."))
    for results in benchmarks:
        is_brief = results.outcome.end_point.name in brief
        blocks += comparison_blocks(results, is_brief=is_brief)
    blocks += population_blocks(benchmarks)
    return Section("Comparison with published rates", tuple(blocks), new_page=True)


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
