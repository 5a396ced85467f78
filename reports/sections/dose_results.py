"""What was found: ratios over time side by side; the curve at the horizon; the spline."""

from __future__ import annotations

import numpy as np

from analysis.dose_effect.censoring_weights import READING_WORDS
from analysis.dose_effect.dose_horizon import CurveAtHorizon
from analysis.dose_effect.dose_models import Ratio, complete_rows
from analysis.dose_effect.dose_response import DoseResponse, Refused
from analysis.dose_effect.dose_rows import DoseRows
from analysis.dose_effect.observed_risk import ESTIMATORS, ObservedRisk, observed_risks
from reports.figures.specs import DoseGroup, DoseResponseFigure, ForestFigure, ForestRow
from reports.page.document import (
    Block,
    Column,
    Figure,
    Heading,
    Note,
    Paragraph,
    Row,
    Section,
    Table,
)
from reports.sections import dose_bed
from reports.sections.dose_values import (
    MODEL_WORDS,
    dose_quantity,
    dose_title,
    each_once,
    p_of,
    ratio_value,
    say_adjustment,
    tag_counts,
)
from reports.words.values import Content, Count, CurveEstimate, Missing, PValue, Quantity, text
from reports.words.wording import in_years


def section(answer: DoseResponse) -> Section:
    """Return the section of results."""
    return Section(
        "Results",
        (
            Heading("Over time"),
            _models(answer),
            *_forest(answer),
            *_proportional(answer),
            *_rare(answer),
            Heading(f"At {in_years(answer.question.horizon_years)}"),
            *_curve_figures(answer),
            _curve_table(answer),
            Heading("Shape"),
            *_spline(answer),
            *_other_doses(answer),
            *dose_bed.blocks(answer),
        ),
        new_page=True,
    )


def _every(answer: DoseResponse) -> list[Ratio]:
    return [*answer.models, *([answer.imputed] if answer.imputed else [])]


def _name(one: Ratio) -> str:
    return f"{MODEL_WORDS[one.model]}, {say_adjustment(one.adjusted_for)}, {one.rows}"


def _models(answer: DoseResponse) -> Table:
    per, level = answer.rows.field.per_words, answer.question.level
    rows = [
        Row((_name(one), Count(one.n), Count(one.events), ratio_value(one, level), p_of(one)))
        for one in _every(answer)
    ]
    notes = [note for one in _every(answer) for note in one.notes]
    if answer.imputed is None and answer.question.adjust:
        notes.append("No covariate is missing among those with a dose: nothing was imputed.")
    return Table(
        caption=f"Ratio per {per}: complete rows and, where covariates are missing, imputed ones.",
        columns=(
            Column("Model and rows"),
            Column("n", "right"),
            Column("Events", "right"),
            Column(f"Ratio per {per}", "right"),
            Column("p", "right"),
        ),
        rows=tuple(rows),
        notes=tuple(tag_counts(note) for note in each_once(notes)),
    )


def _forest(answer: DoseResponse) -> list[Block]:
    level = answer.question.level
    rows = []
    for one in _every(answer):
        value = ratio_value(one, level)
        if isinstance(value, Quantity):
            label = f"{MODEL_WORDS[one.model]}, {'adjusted' if one.adjusted_for else 'unadjusted'}"
            which = "imputed" if one.rows.startswith("imputed") else one.rows.split()[0]
            counts = text("{k} of {n}", k=Count(one.events), n=Count(one.n))
            rows.append(ForestRow(f"{label} ({which})", counts, value))
    if not rows:
        return []
    per = answer.rows.field.per_words
    spec = ForestFigure(
        f"Ratio per {per}", "Events of n", tuple(rows), lower_means="fewer events",
        higher_means="more events", short_measure="Ratio",
    )  # fmt: skip
    return [Figure(f"Ratio per {per} of {answer.rows.field.words}, side by side.", spec)]


def _proportional(answer: DoseResponse) -> list[Block]:
    tests = {test.term: test for test in answer.main.proportional}
    if not tests:
        return []
    own, every = tests["dose"], tests["GLOBAL"]
    return [
        Paragraph(
            text(
                "Scaled Schoenfeld residuals of the adjusted model against time (Kaplan–Meier"
                f" scale): dose χ² {own.statistic:.2f}, {own.df} df, {{p}}; all terms χ²"
                f" {every.statistic:.2f}, {every.df} df, {{all}}. A small p says that the ratio"
                " changes over time, and that one ratio is an average.",
                p=PValue(own.p, answer.main.events),
                all=PValue(every.p, answer.main.events),
            ),
            lead="Proportional hazards.",
        )
    ]


def _rare(answer: DoseResponse) -> list[Block]:
    years = f"{answer.question.horizon_years:g}"
    if isinstance(answer.rare, Refused):
        return [Note(f"Discrete time to {years} years: not fitted. {answer.rare.reason}")]
    rare, rows = answer.rare, answer.rows
    level = answer.question.level
    n, events = rare.ratio.n, rare.ratio.events
    slots = {
        f"risk{k}": Quantity(100 * risk, digits=1, unit="%", n=n, events=events)
        for k, risk in enumerate(rare.risk)
    }
    risks = "; ".join(
        f"{{risk{k}}} at {dose:.0f} {rows.field.unit}" for k, dose in enumerate(rare.dose)
    )
    return [
        Paragraph(
            text(
                "Firth’s complementary log–log model in discrete time (for few events, a true"
                f" likelihood) gives a hazard ratio per {rows.field.per_words} of {{ratio}} up to"
                f" {years} years; its risks at the quartiles of dose, covariates at their means:"
                f" {risks}.",
                ratio=_value(ratio_value(rare.ratio, level)),
                **slots,
            ),
            lead="Few events.",
        )
    ]


def _value(content: Content) -> Quantity | Missing:
    assert isinstance(content, Quantity | Missing)
    return content


def _groups(rows: DoseRows, curve: CurveAtHorizon) -> tuple[DoseGroup, ...]:
    return tuple(
        DoseGroup(one.dose_from, one.dose_to, one.dose_middle, _estimate(one, curve.level))
        for one in observed_risks(rows, curve)
    )


def _estimate(one: ObservedRisk, level: float) -> CurveEstimate:
    risk, low, high = (None if np.isnan(x) else x for x in (one.risk, one.lower, one.upper))
    return CurveEstimate(risk, low, high, one.n, one.events, one.at_risk, level)


def _curve_figures(answer: DoseResponse) -> list[Block]:
    blocks: list[Block] = []
    for (adjustment, reading), curve in answer.curves.items():
        words = READING_WORDS[reading]
        if isinstance(curve, Refused):
            blocks.append(Note(f"{adjustment.capitalize()}, {reading}: {curve.reason}"))
            continue
        if adjustment == "unadjusted" and ("adjusted", reading) in answer.curves:
            adjusted = answer.curves["adjusted", reading]
            if not isinstance(adjusted, Refused) and reading == "crude":
                continue  # the table has it; one crude figure is enough
        caption = (
            f"{answer.rows.end_point.title.capitalize()} by"
            f" {in_years(answer.question.horizon_years)} by {answer.rows.field.words},"
            f" {say_adjustment(curve.adjusted_for)} ({reading}: {words})."
        )
        note = f"Points: {ESTIMATORS[reading]} at the horizon in quarters of dose (beta product)."
        blocks.append(Figure(caption, curve_figure(answer, curve), (note,)))
    return blocks


def curve_figure(answer: DoseResponse, curve: CurveAtHorizon) -> DoseResponseFigure:
    """Return the curve as a figure's data."""
    rows = answer.rows.select(answer.rows.entry <= 0)
    if curve.adjusted_for:
        rows = complete_rows(rows)
    failed = curve.outcome.failed
    known_free = curve.outcome.known & ~failed
    return DoseResponseFigure(
        outcome=f"{answer.rows.end_point.title.capitalize()} by {in_years(curve.outcome.horizon)}",
        dose_name=dose_title(rows.field.words),
        dose_unit=rows.field.unit,
        adjustment=say_adjustment(curve.adjusted_for),
        dose=tuple(curve.dose.tolist()),
        risk=tuple(curve.risk.tolist()),
        lower=tuple(curve.lower.tolist()),
        upper=tuple(curve.upper.tolist()),
        groups=_groups(rows, curve),
        events=Count(curve.fit.events),
        level=curve.level,
        doses_with_event=tuple(rows.dose[failed].tolist()),
        doses_without_event=tuple(rows.dose[known_free].tolist()),
    )


def _curve_table(answer: DoseResponse) -> Table:
    unit = answer.rows.field.unit
    rows: list[Row] = []
    for (adjustment, reading), curve in answer.curves.items():
        rows.append(Row((f"{adjustment}, {reading}",), header=True))
        if isinstance(curve, Refused):
            rows.append(Row(("curve", Missing("not estimable", curve.reason)), level=1))
            continue
        n, events, level = curve.fit.n, curve.fit.events, curve.level
        how = {"level": level, "n": n, "events": events}
        rows += [
            Row(("outcome known", Count(n)), level=1),
            Row(("events by the horizon", Count(events)), level=1),
            Row(
                (
                    "weights: effective n (least to largest weight)",
                    text(
                        f"{{n}} ({curve.fit.least_weight:.2f} to {curve.fit.largest_weight:.2f})",
                        n=Count(round(curve.fit.effective_n)),
                    ),
                ),
                level=1,
            ),
            Row(("D50 (dose at which half fail)", dose_quantity(curve.d50, unit=unit, **how)),  # type: ignore[arg-type]
                level=1),
            Row(("γ50", dose_quantity(curve.gamma50, unit="", digits=2, **how)), level=1),  # type: ignore[arg-type]
        ]  # fmt: skip
        rows += [
            Row((f"dose for {100 * share:g} % free of it", dose_quantity(q, unit=unit, **how)),  # type: ignore[arg-type]
                level=1)
            for share, q in curve.doses_for_control
        ]  # fmt: skip
        difference = dose_quantity(curve.risk_difference, unit="", digits=3, **how)  # type: ignore[arg-type]
        rows.append(Row(("risk at the third less the first quartile of dose", difference), level=1))
    return Table(
        caption=f"Curves at {in_years(answer.question.horizon_years)}: weights, D50 and γ50, or"
        " what stands for them.",
        columns=(Column("Curve"), Column("Value", "right")),
        rows=tuple(rows),
        notes=tuple(f"{name}: {words}." for name, words in READING_WORDS.items()),
    )


def _spline(answer: DoseResponse) -> list[Block]:
    spline = answer.spline
    if isinstance(spline, Refused):
        return [Note(f"A spline of dose was not fitted: {spline.reason}")]
    knots = ", ".join(f"{k:.4g}" for k in spline.knots)
    unit = answer.rows.field.unit
    places = [0, 10, 20, 30, 40]
    table = Table(
        caption=f"Hazard ratio by dose against the median dose ({spline.reference:.4g} {unit}),"
        f" restricted cubic spline, {say_adjustment(spline.adjusted_for)}.",
        columns=(Column(f"{answer.rows.field.words} ({unit})"), Column("Hazard ratio", "right")),
        rows=tuple(
            Row(
                (
                    f"{spline.dose[k]:.4g}",
                    Quantity(
                        float(spline.ratio[k]), float(spline.lower[k]), float(spline.upper[k]),
                        level=answer.question.level, n=answer.rows.n, events=answer.rows.events,
                    ),
                )
            )
            for k in places
        ),
        notes=(f"Knots at {knots} {unit} (Harrell’s quantiles).",),
    )  # fmt: skip
    said = text(
        f"Test that the logarithm of the hazard bends with dose: χ² {spline.test.statistic:.2f},"
        f" {spline.test.df} df, {{p}}.",
        p=PValue(spline.test.p, answer.rows.events),
    )
    return [Paragraph(said, lead="Non-linearity."), table]


def _other_doses(answer: DoseResponse) -> list[Block]:
    if not answer.other_doses:
        return []
    main = answer.main
    field = answer.rows.field
    own = f"{field.name}, {answer.rows.source} (asked about)"
    level = answer.question.level
    rows = [Row((own, Count(main.n), Count(main.events), ratio_value(main, level)))]
    for name, one in answer.other_doses:
        words = name.replace(":", ", ").replace("bed", "BED")
        if isinstance(one, Refused):
            rows.append(Row((words, "", "", Missing("not estimable", one.reason))))
        else:
            counts = (Count(one.n), Count(one.events))
            rows.append(Row((words, *counts, ratio_value(one, level))))
    return [
        Heading("Other doses of the same point"),
        Table(
            caption=f"Adjusted hazard ratio by dose, physical and biological, recorded and"
            f" recomputed; each alone, per {field.per_words}.",
            columns=(
                Column("Dose"), Column("n", "right"), Column("Events", "right"),
                Column("Hazard ratio", "right"),
            ),
            rows=tuple(rows),
            notes=(
                "BED: α/β"
                f" {answer.question.repair.alpha_beta_gy:g} Gy, repair half-time"
                f" {answer.question.repair.repair_half_time_hours:g} h, stated parameters without a"
                " citable value for uveal melanoma; a dose rate is per 0.1 Gy/h.",
            ),
        ),
    ]  # fmt: skip
