"""The closing sections: limitations, methods and definitions, references, about this document."""

from __future__ import annotations

from collections.abc import Mapping

from analysis.outcomes.end_points import END_POINTS, definition_in_words, find_end_point
from reports.page.document import BulletList, Column, Paragraph, Row, Section, Table
from reports.results.audit_results import AuditResults
from reports.sections import published_comparison, states, toxicity, vision
from reports.words.values import Words

REFERENCES: tuple[str, ...] = (
    "Kaplan EL, Meier P. Nonparametric estimation from incomplete observations."
    " J Am Stat Assoc 1958;53:457–481.",
    "Fay MP, Brittain EH, Proschan MA. Pointwise confidence intervals for a survival distribution"
    " with small samples or heavy censoring. Biostatistics 2013;14:723–736.",
    "Aalen OO, Johansen S. An empirical transition matrix for non-homogeneous Markov chains based"
    " on censored observations. Scand J Stat 1978;5:141–150.",
    "Clark TG, Altman DG, De Stavola BL. Quantification of the completeness of follow-up."
    " Lancet 2002;359:1309–1310.",
    "Schemper M, Smith TL. A note on quantifying follow-up in studies of failure time."
    " Control Clin Trials 1996;17:343–346.",
    "Pocock SJ, Clayton TC, Altman DG. Survival plots of time-to-event outcomes in clinical trials:"
    " good practice and pitfalls. Lancet 2002;359:1686–1689.",
    "von Elm E, Altman DG, Egger M, et al. The STROBE statement. Lancet 2007;370:1453–1457.",
    "Amin MB, Edge SB, Greene FL, et al, editors. AJCC Cancer Staging Manual. 8th ed. 2017.",
)


def limitations(results: AuditResults) -> Section:
    """Return what these data cannot say."""
    items: list[Words] = [
        "It describes past patients of one department, chosen for plaque treatment by its own"
        " habits; differences from other departments may be differences between patients.",
        "A failure is dated at the visit that established it, so it began earlier than its date.",
        "Kaplan–Meier assumes that patients whose follow-up ended were like those who stayed."
        " Where loss to follow-up depends on the tumour or on vision, the curve is biased.",
        "Groups were compared without adjustment; a difference is no proof of a cause.",
        "Staging is computed from the recorded sizes, rounded to 0.1 mm; a missing field leaves a"
        " tumour out of a group, never out of the whole.",
    ]
    never = results.local.groups[0].never_assessed if results.local.groups else 0
    if never:
        items.append("Some tumours were never assessed after treatment; their fate is unknown.")
    return Section("Limitations", (BulletList(tuple(items)),))


def _definitions() -> list[Paragraph]:
    """Every end point in the words of its own declaration; a complication stands for all."""
    said = [
        Paragraph(definition_in_words(one), lead=f"{one.title.capitalize()}.")
        for one in END_POINTS.values()
    ]
    example = definition_in_words(find_end_point("cataract"))
    return [*said, Paragraph(example, lead="Complications, by the example of cataract.")]


def methods(results: AuditResults) -> Section:
    """Return the methods text, written from the declarations that were computed."""
    rules, how = results.rules, results.how
    prior = "with" if rules.with_prior_treatment else "without"
    return Section(
        "Methods and definitions",
        (
            Paragraph(
                "All tumours with at least one plaque inserted by"
                f" {results.cut.event_date.isoformat()}, {prior} those treated by other means"
                " before. Time zero is the day of insertion of the first plaque; implants on one"
                f" tumour within {rules.course_gap_days} days are one course.",
                lead="Cohort.",
            ),
            Paragraph(
                "Nothing that happened after the data cut counts, and nobody is left out by it."
                " Times are whole days; years are days divided by 365.25.",
                lead="Data cut.",
            ),
            *_definitions(),
            Paragraph(toxicity.GRADING, lead="Grades of toxicity."),
            Paragraph(
                states.definition(int(results.settings["baseline_window_days"])),
                lead="States over time.",
            ),
            Paragraph(
                "Control is estimated by Kaplan–Meier (1958) with Greenwood’s variance; intervals"
                " are the beta product (Fay, Brittain and Proschan 2013), which equals the exact"
                " binomial interval without censoring and keeps its coverage at few events."
                " Cumulative incidence follows Aalen and Johansen (1978) with each cause’s hazard"
                " on its own risk set; its intervals extend the beta product to several causes, and"
                f" its standard errors come from {how.replicates} bootstrap samples of patients"
                f" (seed {how.seed}). Follow-up is summarised by the reverse"
                " Kaplan–Meier method (Schemper and Smith 1996) and by Clark’s completeness index"
                " (2002). Groups are compared by the log-rank test.",
                lead="Estimation.",
            ),
            *vision.methods(results.vision),
            *published_comparison.methods(),
        ),
    )


def references(results: AuditResults) -> Section:
    """Return the works cited."""
    return Section(
        "References",
        (
            BulletList(
                (*REFERENCES, *vision.REFERENCES, *published_comparison.REFERENCES), ordered=True
            ),
        ),
    )


def _in_words(value: object) -> str:
    if isinstance(value, Mapping):
        said = (f"{name.replace('_', ' ')} {_in_words(member)}" for name, member in value.items())
        return ", ".join(said)
    if isinstance(value, list | tuple):
        return "; ".join(_in_words(member) for member in value)
    return "open" if value is None else str(value)


def about(results: AuditResults) -> Section:
    """Return what the figures depend on; the renderers add data cut, content hash and versions."""
    facts = [("Last entry recorded (UTC)", results.last_recorded_at)]
    facts += [
        (f"Setting: {name.replace('_', ' ')}", _in_words(value))
        for name, value in sorted(results.settings.items())
    ]
    return Section(
        "About this document",
        (
            Paragraph(
                "Computed from the registry named by its content hash on the last page; the same"
                " registry, data cut and versions give the same figures. It describes past patients"
                " and is no treatment advice; doses and staging follow local protocols, regulations"
                " and licensed practice."
            ),
            Table(
                caption="Settings that the definitions depend on.",
                columns=(Column("Item"), Column("Value")),
                rows=tuple(Row(fact) for fact in facts),
            ),
        ),
    )
