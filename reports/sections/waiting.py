"""Waiting times: referral, decision, treatment."""

from __future__ import annotations

from analysis.outcomes.waiting_times import WaitingTimes, WaitSummary, summarise_waits
from reports.page.document import Block, Column, Note, Row, Section, Table
from reports.results.quality_results import QualityResults
from reports.words.values import Content, Count, KnownOf, Missing, Quantity, text


def _middle(summary: WaitSummary) -> Content:
    if not summary.known:
        return Missing("not recorded")
    return Quantity(
        summary.median,
        summary.lower_quartile,
        summary.upper_quartile,
        digits=0,
        interval="quartiles",
        n=summary.known,
    )


def _rows(waits: WaitingTimes, year: int) -> list[Row]:
    rows = []
    pairs = zip(summarise_waits(waits), summarise_waits(waits.in_year(year)), strict=True)
    for whole, own in pairs:
        rows.append(
            Row(
                (
                    whole.wait.label,
                    KnownOf(own.known, own.n),
                    _middle(own),
                    KnownOf(whole.known, whole.n),
                    _middle(whole),
                )
            )
        )
    return rows


def section(quality: QualityResults, year: int) -> Section:
    """Return the section; contradictory dates are counted beneath the table."""
    waits = quality.waits
    if not waits.year.size:
        return Section("Waiting times", (Note("No tumour is in the cohort at this data cut."),))
    backward = sum(one.backward for one in summarise_waits(waits))
    said = "Waits that end before they begin: {n}; left out here, and named by the command check."
    left_out = (text(said, n=Count(backward)),) if backward else ()
    table = Table(
        caption="Days from one step to the next, a tumour a unit.",
        columns=(
            Column("From – to"),
            Column(f"Treated in {year}", "right"),
            Column("Median (quartiles)", "right", "days"),
            Column("All years", "right"),
            Column("Median (quartiles)", "right", "days"),
        ),
        rows=tuple(_rows(waits, year)),
        notes=("Treatment is the day on which the first plaque was inserted.", *left_out),
    )
    blocks: tuple[Block, ...] = (table,)
    return Section("Waiting times", blocks)
