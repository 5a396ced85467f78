"""What makes the estimate doubtful: confounding, dose error, power, optimism."""

from __future__ import annotations

import math

from analysis.dose_effect.dose_confounding import Confounding, ThicknessThird
from analysis.dose_effect.dose_error import DoseErrorAnswer
from analysis.dose_effect.dose_power import DetectableEffect
from analysis.dose_effect.dose_response import DoseResponse, HowToAnswer, Refused
from reports.figures.dose_specs import CauseArrow, CauseGraphFigure
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
from reports.sections import dose_calibration
from reports.sections.dose_values import ratio_value, say_term, signed
from reports.words.values import Count, Quantity, Rate, text
from reports.words.wording import decimal

OPEN = ("NOT", "not known", "losses assumed")


def confounding(answer: DoseResponse) -> Section:
    """Return the section on confounding by indication."""
    found = answer.confounding
    blocks: list[Block] = [
        Paragraph(
            "Dose is not given at random: the certificate and the prescription make it depend on"
            " thickness, and thick tumours fare worse whatever the dose. The adjusted ratio is as"
            " good as this list of causes."
        ),
        Figure("The causes that the analysis assumes.", _graph(answer)),
    ]
    if isinstance(found, Refused):
        blocks.append(Note(f"Confounding could not be assessed: {found.reason}", "warning"))
    else:
        blocks += _facts(answer, found)
    blocks.append(_e_value(answer))
    return Section("Confounding by indication", tuple(blocks), new_page=True)


def _graph(answer: DoseResponse) -> CauseGraphFigure:
    arrows = tuple(
        CauseArrow(c.source, c.target, c.dealt_with, not c.dealt_with.startswith(OPEN))
        for c in answer.causes
    )
    return CauseGraphFigure("dose", answer.rows.end_point.title, arrows)


def _facts(answer: DoseResponse, found: Confounding) -> list[Block]:
    unit = answer.rows.field.unit
    curved = (
        f" ({found.r2_thickness_curved:.2f} when it may bend)"
        if math.isfinite(found.r2_thickness_curved)
        else ""
    )
    covariates = (
        f", all covariates {found.r2_covariates:.2f}" if math.isfinite(found.r2_covariates) else ""
    )
    n = sum(one.n for one in found.thirds)
    said = text(
        f"Thickness explains {found.r2_thickness:.2f} of the variance of dose{curved}{covariates}"
        " (R²). {share} of units have a dose that was given in every third of thickness.",
        share=Rate(round(found.overlap * n), n, style="percent"),
    )
    thirds = Table(
        caption="Dose by third of thickness: overlap.",
        columns=(
            Column("Third"), Column("Thickness", "right", "mm"), Column("n", "right"),
            Column("Events", "right"), Column("Dose: median (middle 90 %)", "right", unit),
        ),
        rows=(
            *(
                _third(name, one)
                for name, one in zip(("thin", "middle", "thick"), found.thirds, strict=False)
            ),
            Row(("all", "", Count(n), Count(sum(one.events for one in found.thirds)), "")),
        ),
    )  # fmt: skip
    return [Paragraph(said, lead="Dose and thickness."), thirds, *_propensity(answer, found)]


def _third(name: str, one: ThicknessThird) -> Row:
    ends = {
        "low": Quantity(one.thickness_from_mm, digits=1, n=one.n, is_extreme=True),
        "high": Quantity(one.thickness_to_mm, digits=1, n=one.n, is_extreme=True),
    }
    dose = Quantity(
        one.dose_median, one.dose_low, one.dose_high, digits=0, interval="90 %", n=one.n
    )
    return Row((name, text("{low} to {high}", **ends), Count(one.n), Count(one.events), dose))


def _propensity(answer: DoseResponse, found: Confounding) -> list[Block]:
    propensity = found.propensity
    blocks: list[Block] = []
    if propensity.refused:
        said = f"A generalised propensity is refused: {propensity.refused}."
        for one in propensity.balance:
            said = said.replace(one.term, say_term(one.term))
        blocks.append(Paragraph(said, lead="Propensity."))
    elif propensity.ratio is not None:
        value = ratio_value(propensity.ratio, answer.question.level)
        assert not isinstance(value, str)
        blocks.append(
            Paragraph(
                text(
                    "Weighted by a generalised propensity (effective n"
                    f" {100 * propensity.effective_share:.0f} % of n, largest weight"
                    f" {propensity.largest_weight:.1f}), the odds ratio at the horizon per"
                    f" {answer.rows.field.per_words} is {{ratio}}.",
                    ratio=value,  # type: ignore[arg-type]
                ),
                lead="Propensity.",
            )
        )
    if propensity.balance:
        blocks.append(
            Table(
                caption="Correlation of each covariate with dose, as it is and under the weights.",
                columns=(Column("Covariate"), Column("Before", "right"), Column("After", "right")),
                rows=tuple(
                    Row((say_term(one.term), decimal(one.before, 2), decimal(one.after, 2)))
                    for one in propensity.balance
                ),
            )
        )
    return blocks


def _e_value(answer: DoseResponse) -> Block:
    value = answer.e_value
    if isinstance(value, Refused):
        return Note(f"No E-value: {value.reason}.")
    return Paragraph(
        f"An unmeasured cause would need a risk ratio of {value.estimate:.2f} with dose (per"
        f" {answer.rows.field.per_words}) and with the outcome, beyond the covariates, to explain"
        f" the adjusted ratio away; {value.limit:.2f} would move its interval to 1"
        " (VanderWeele and Ding 2017).",
        lead="E-value.",
    )


def other(answer: DoseResponse, how: HowToAnswer) -> Section:
    """Return the section on what the data can show and what errors of dose do."""
    blocks: list[Block] = [Heading("What these data could show"), *_power(answer)]
    blocks += [Heading("Errors of dose"), *_error(answer, how)]
    blocks += [Heading("Ranking and calibration"), *dose_calibration.blocks(answer)]
    return Section("Power and dose error", tuple(blocks))


def _power(answer: DoseResponse) -> list[Block]:
    power = answer.power
    if power is None:
        return [Note("Not simulated: --simulations was 0.")]
    if isinstance(power, Refused):
        return [Note(power.reason)]
    return [_power_words(answer, power), _ladder(power)]


def _power_words(answer: DoseResponse, power: DetectableEffect) -> Paragraph:
    low, high = math.exp(-power.coef), math.exp(power.coef)
    per = answer.rows.field.per_words
    return Paragraph(
        f"With these patients an adjusted hazard ratio per {per} of {low:.3f} or {high:.3f} would"
        f" be found with {100 * power.power:g} % power (simulation error of its logarithm"
        f" {power.coef_se:.3f}; by Schoenfeld’s formula {math.exp(power.formula):.3f}). A smaller"
        " effect may exist unseen: “not shown” is not “none”."
    )


def _ladder(power: DetectableEffect) -> Table:
    return Table(
        caption=f"Power by simulation, {power.replicates} drawn cohorts at each effect, as"
        " many events expected as were seen; the first line is the type I error.",
        columns=(Column("Hazard ratio"), Column("Found, %", "right"), Column("± SE", "right")),
        rows=tuple(
            Row((f"{math.exp(one.coef):.3f}", f"{100 * one.power:.1f}", f"{100 * one.se:.1f}"))
            for one in power.ladder
        ),
    )


def _error(answer: DoseResponse, how: HowToAnswer) -> list[Block]:
    error = answer.error
    if error is None:
        return [Note("Not simulated: --simulations was 0.")]
    if isinstance(error, Refused):
        return [Note(error.reason)]
    return [_error_words(error), _error_table(error), _error_meaning(error)]


def _error_words(error: DoseErrorAnswer) -> Paragraph:
    model = error.model
    zero = (
        " A recorded dose of 0 ({k} units) stays 0: a multiplicative error leaves it where it is."
        if error.at_zero
        else ""
    )
    return Paragraph(
        text(
            "Assumed: an error shared by all implants of a plaque of"
            f" {100 * model.shared_sd:.1f} %, and each implant’s own of"
            f" {100 * model.own_sd:.1f} % (log SD), {100 * model.berkson_share:g} % of the"
            " variance Berkson’s, the rest classical."
            f" {error.outer} draws of the {error.plaques} plaques’ errors with {error.inner} of the"
            f" rest within each.{zero}",
            **({"k": Count(error.at_zero)} if error.at_zero else {}),
        )
    )


def _error_meaning(error: DoseErrorAnswer) -> Paragraph:
    """Say which way errors of this size move the estimate, and no more than that."""
    is_toward = error.shift * error.coef < 0
    way = "towards no effect" if is_toward else "away from no effect"
    if abs(error.shift) < 2 * error.shift_se:
        return Paragraph("The shift cannot be told from none by this many draws.")
    return Paragraph(
        f"Errors of this size move an estimate {way}: a hazard ratio of"
        f" {math.exp(error.coef):.3f} from recorded doses would stand for"
        f" {math.exp(error.corrected):.3f}. The errors are assumed, and the intervals above do not"
        " hold them."
    )


def _error_table(error: DoseErrorAnswer) -> Table:
    rows = (
        ("effect put in: Cox’s estimate, log ratio per step", signed(error.coef, 4)),
        ("mean of refits without error of dose", signed(error.without_error, 4)),
        ("mean of refits with it", signed(error.with_error, 4)),
        ("shift (± simulation SE)", f"{signed(error.shift, 4)} ± {error.shift_se:.4f}"),
        ("estimate less the shift", signed(error.corrected, 4)),
        ("hazard ratio less the shift", f"{math.exp(error.corrected):.3f}"),
        ("spread of refits without error", f"{error.sd_without:.4f}"),
        ("spread of refits with it", f"{error.sd_with:.4f}"),
        ("part of that shared by plaque", f"{error.sd_shared:.4f}"),
    )
    return Table(
        caption="What errors of this size do to the estimate.",
        columns=(Column("Figure"), Column("Value", "right")),
        rows=tuple(Row(row) for row in rows),
    )
