"""Tumour height after treatment: observed over baseline, and the fall to a plateau."""

from __future__ import annotations

from analysis.checking.tumour_regression import Interval, RatioAt, Regression
from reports.page.document import Block, Column, Heading, Note, Paragraph, Row, Table
from reports.results.quality_results import QualityResults
from reports.words.values import Content, Count, Missing, Quantity, text


def _row(one: RatioAt, fit: Regression | None) -> Row:
    middle: Content = Missing("nobody measured")
    if one.n:
        middle = Quantity(
            one.median, one.lower_quartile, one.upper_quartile, digits=2, interval="quartiles",
            n=one.n,
        )  # fmt: skip
    fitted: Content = ""
    if fit is not None:
        fitted = Quantity(float(fit.ratio_at(one.years)), digits=2, n=fit.n_tumours)
    return Row((f"{one.years:g}", Count(one.n), middle, fitted))


def _limits(interval: Interval, fit: Regression, unit: str = "") -> Quantity:
    lower, upper = (None if x != x else x for x in (interval.lower, interval.upper))
    if lower is None or upper is None:
        lower = upper = None
    return Quantity(interval.value, lower, upper, unit, digits=2, level=fit.level, n=fit.n_tumours)


def _fit_words(fit: Regression) -> Paragraph | Note:
    if fit.at_bound:
        return Note("The heights show no fall to a plateau that the model could describe.")
    words = text(
        "On average {plateau} of the height at baseline stays; the rest falls to 1/e of itself in"
        " {time}. Tumours differ in what stays with a standard deviation of {sd}.",
        plateau=_limits(fit.plateau, fit),
        time=_limits(fit.time_constant_years, fit, "years"),
        sd=Quantity(fit.plateau_sd, digits=2, n=fit.n_tumours),
    )
    return Paragraph(words, lead="Fall to a plateau.")


def blocks(quality: QualityResults) -> list[Block]:
    """Return the blocks; none where no height after treatment is on record."""
    if not any(one.n for one in quality.ratios):
        return []
    fit = quality.regression
    table = Table(
        caption="Tumour height over the height at baseline.",
        columns=(
            Column("Years after insertion"),
            Column("Tumours", "right"),
            Column("Observed, median (quartiles)", "right"),
            Column("Fitted mean", "right"),
        ),
        rows=tuple(_row(one, fit) for one in quality.ratios),
        notes=(
            "Observed: each tumour's reading nearest to the time, within three months. Readings"
            " count up to failure, second treatment or removal of the eye, so that late ones are"
            " of tumours that did well.",
            "Fitted: an exponential fall to a plateau that differs by tumour, by maximum"
            " likelihood, limits by its profile; one error for all ratios is assumed.",
        ),
    )
    said: list[Block] = [Heading("Tumour height after treatment"), table]
    return [*said, _fit_words(fit)] if fit is not None else said
