"""Delivered dose and placement: recorded, recomputed, prescribed; departures from what is usual."""

from __future__ import annotations

from typing import Any

import numpy as np

from analysis.checking.check_rules import CHECK_RULES
from analysis.implants.dose_agreement import DoseAgreement
from reports.page.document import Block, Column, Heading, Note, Row, Section, Table
from reports.results.quality_results import QualityResults, share_within
from reports.words.values import Content, Count, Missing, Quantity, Rate

_POINTS = {"apex": "apex", "inner_sclera": "tumour base", "scleral_surface": "scleral surface"}
_BESIDE = {
    "plaque_retired": "the plaque had been withdrawn from use",
    "plaque_used_longer_than_customary": "the plaque had been in use for over a year",
    "fovea_contradiction": "fovea and distance to it contradict each other",
    "notch_contradiction": "a notch round the nerve, but none in the plaque",
}


def _agreement_row(one: DoseAgreement) -> Row:
    ratio: Content = Missing("not estimable", "fewer than three pairs")
    limits: Content = ""
    if one.ratio is not None:
        found = one.ratio
        ratio = Quantity(found.bias, *found.bias_interval, digits=3, level=found.level, n=found.n)
        limits = Quantity(
            found.bias, found.lower, found.upper, digits=3, interval="limits of agreement",
            n=found.n,
        )  # fmt: skip
    return Row(
        (
            _POINTS[one.point],
            Count(one.n_recorded),
            ratio,
            limits,
            Rate(len(one.beyond), one.n_both + one.n_ambiguous, style="bracket"),
        ),
        level=1,
    )


def _agreement_table(quality: QualityResults) -> Table | Note:
    by_model: dict[str, list[Row]] = {}
    for one in quality.agreements:
        by_model.setdefault(one.dose_model, []).append(_agreement_row(one))
    if not by_model:
        return Note("No dose is recorded by this data cut.")
    rows: list[Row] = []
    for model, own in by_model.items():
        rows += [Row((f"Recorded by: {model.replace('_', ' ')}",), header=True), *own]
    tolerance = f"{100 * quality.agreements[0].tolerance_fraction:g}"
    return Table(
        caption="Recomputed over recorded dose, by the model of the recorded dose.",
        columns=(
            Column("Point"),
            Column("Recorded", "right"),
            Column("Ratio (95 % CI)", "right"),
            Column("Ratio (limits of agreement)", "right"),
            Column(f"Beyond {tolerance} %", "right"),
        ),
        rows=tuple(rows),
        notes=(
            "Recomputed on the central axis in water from certificate, times and depth; doses of"
            " different models, and recorded and recomputed doses, are never put together.",
            "Limits of agreement after Bland and Altman (1986, 1999), as ratios.",
        ),
    )


def _delivered_row(label: str, ratio: Any) -> Row:
    known = ratio[~np.isnan(ratio)]
    middle: Content = Missing("not known")
    if known.size:
        low, half, high = (float(value) for value in np.quantile(known, [0.25, 0.5, 0.75]))
        middle = Quantity(half, low, high, digits=3, interval="quartiles", n=int(known.size))
    shares = [Rate(*share_within(ratio, tolerance), style="bracket") for tolerance in (0.05, 0.10)]
    return Row((label, Count(int(ratio.size)), middle, *shares))


def _delivered_table(quality: QualityResults, year: int) -> Table:
    return Table(
        caption="Delivered (recomputed at the prescription point) over prescribed dose.",
        columns=(
            Column("Implants inserted"),
            Column("n", "right"),
            Column("Median (quartiles)", "right"),
            Column("Within 5 %", "right"),
            Column("Within 10 %", "right"),
        ),
        rows=(
            _delivered_row(f"in {year}", quality.delivered_over_prescribed(year)),
            _delivered_row("in all years", quality.delivered_over_prescribed()),
        ),
        notes=("Shares are of the implants whose delivered dose could be recomputed.",),
    )


def _placement_table(quality: QualityResults, year: int) -> Table | Note:
    whole, own = quality.placements, quality.placements_in_year
    if not whole.n_by_exception:
        return Note("No departure from what is customary is on record.")
    n, n_own = len(whole.checks), len(own.checks)

    def words(code: str) -> str:
        said = CHECK_RULES[code].contradicts if code in CHECK_RULES else _BESIDE[code]
        return said[0].upper() + said[1:]

    rows = [
        Row(
            (
                words(code),
                Rate(own.n_by_exception.get(code, 0), n_own, style="bracket"),
                Rate(count, n, style="bracket"),
            )
        )
        for code, count in sorted(whole.n_by_exception.items(), key=lambda item: -item[1])
    ]
    return Table(
        caption="Placement: implants with each departure from what is customary.",
        columns=(
            Column("Departure"),
            Column(f"Inserted in {year}", "right"),
            Column("All years", "right"),
        ),
        rows=tuple(rows),
        notes=(
            "Common practice, no source. A departure is for review and no error: an only eye or a"
            " tumour at the disc may be treated well outside the usual limits.",
        ),
    )


def section(quality: QualityResults, year: int) -> Section:
    """Return the section, over every implant inserted by the data cut."""
    title = "Delivered dose and placement"
    if not quality.doses.n:
        return Section(title, (Note("No plaque was inserted by this data cut."),))
    blocks: tuple[Block, ...] = (
        _agreement_table(quality),
        _delivered_table(quality, year),
        Heading("Placement"),
        _placement_table(quality, year),
    )
    return Section(title, blocks)
