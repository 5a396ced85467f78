"""What a study of BED says of its stated parameters (α/β, repair, RBE) and of their range."""

from __future__ import annotations

from analysis.dose_effect.bed_sensitivity import SENSITIVITY_RBE, VariedBedRatio
from analysis.dose_effect.dose_response import DoseResponse
from reports.page.document import Block, Column, Heading, Row, Table
from reports.sections.dose_values import ratio_value
from reports.words.values import Content, Missing, Quantity


def say_parameters(answer: DoseResponse) -> str:
    """Return the stated parameters in words; nothing where no BED was asked about."""
    if not answer.rows.field.is_bed:
        return ""
    repair, rbe = answer.question.repair, answer.question.rbe
    stated = ", ".join(f"{value:g} for {name}" for name, value in rbe)
    radiation = (
        f" The relative biological effectiveness is stated as {stated}; it multiplies the linear"
        " term alone (Dale and Jones 1999)."
        if rbe
        else " One radiation only, so no relative biological effectiveness is stated."
    )
    return (
        f" BED follows Dale (1985) with α/β {repair.alpha_beta_gy:g} Gy and a repair half-time of"
        f" {repair.repair_half_time_hours:g} h, stated parameters without a citable value for uveal"
        f" melanoma.{radiation}"
    )


def blocks(answer: DoseResponse) -> list[Block]:
    """Return the sensitivity table; nothing where no BED was asked about."""
    if not answer.bed_sensitivity:
        return []
    per = answer.rows.field.per_words
    low, high = SENSITIVITY_RBE
    notes = [
        "Each parameter is varied alone, the others as stated. A ratio per 10 Gy changes when the"
        " scale of BED does; the ratio between the quartiles of BED can be compared."
    ]
    if answer.question.rbe:
        notes.append(
            f"Each stated RBE is multiplied by {low:g} and {high:g} (our choice, no source)."
        )
    return [
        Heading("What the answer hangs on"),
        Table(
            caption="Adjusted hazard ratio of BED as its stated parameters vary.",
            columns=(
                Column("Parameter"),
                Column("Median BED", "right", "Gy"),
                Column(f"Hazard ratio per {per}", "right"),
                Column("Third against first quartile of BED", "right"),
            ),
            rows=tuple(_row(one, answer.question.level) for one in answer.bed_sensitivity),
            notes=tuple(notes),
        ),
    ]


def _row(one: VariedBedRatio, level: float) -> Row:
    name = f"{one.parameter} {one.value}".strip()
    if one.ratio is None:
        reason: Content = Missing("not estimable", one.refused)
        return Row((name, "", reason, reason))
    ratio = one.ratio
    apart = Quantity(
        one.quartile_ratio, one.quartile_lower, one.quartile_upper,
        digits=3, level=level, n=ratio.n, events=ratio.events,
    )  # fmt: skip
    return Row((name, f"{one.median_bed_gy:.1f}", ratio_value(ratio, level), apart))
