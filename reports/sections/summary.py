"""The summary on one page: what was found and what to do."""

from __future__ import annotations

from analysis.outcomes.baseline import COMPLETENESS_FIELDS
from analysis.outcomes.end_points import EYE_LOSS
from reports.benchmark_verdicts import in_one_sentence, worse_in_brief
from reports.page.curves import failure_at, incidences_at
from reports.page.document import (
    Block,
    BulletList,
    Heading,
    KeyFigure,
    KeyFigures,
    Note,
    Section,
)
from reports.page.vision_curves import loss_at
from reports.results.audit_results import AuditResults
from reports.sections.follow_up import tipping_in_brief
from reports.sections.purpose import free_at, verdict
from reports.words.values import Count, Missing, Quantity, Words, text
from reports.words.wording import in_years, percent

POORLY_RECORDED = 0.9
"""Fields known for less than this share of the tumours are named on the summary page."""


def _cards(results: AuditResults) -> KeyFigures:
    local, primary = results.local, results.standards.primary
    group = local.groups[0]
    outcome = results.by_target.get(primary.end_point, local)
    control = failure_at(outcome.groups[0], primary.years, "control")
    title = f"{outcome.end_point.free_title.capitalize()} at {in_years(primary.years)}"
    matching = [
        verdict(results, target)
        for target in results.standards.targets
        if (target.end_point, target.years) == (primary.end_point, primary.years)
    ]
    median = group.median_follow_up
    has_median = median is not None and median.value is not None and median.value == median.value
    follow_up = (
        Quantity(median.value / 365.25, digits=1, unit="years", n=group.n)  # type: ignore[union-attr]
        if has_median
        else Missing("not reached")
    )
    return KeyFigures(
        (
            KeyFigure(title, control, "Kaplan–Meier", matching[0] if matching else ""),
            KeyFigure(
                "Tumours treated",
                Count(group.n),
                text(f"{{n}} of them in {results.year}", n=Count(results.treated_in_year)),
            ),
            KeyFigure("Local failures", Count(group.events), "to the data cut"),
            KeyFigure("Median follow-up", follow_up, "reverse Kaplan–Meier"),
            KeyFigure(
                "Follow-up completeness",
                Quantity(100 * results.follow_up.index, digits=0, unit="%", n=group.n),
                "Clark’s index",
            ),
        )
    )


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]


def _found(results: AuditResults) -> list[Words]:
    local, years = results.local, results.standards.primary.years
    group = local.groups[0]
    said: list[Words] = [
        text(
            "Of all tumours ({n}), {events} failed locally; in {competing} the eye was removed for"
            " another reason or the patient died first.",
            n=Count(group.n),
            events=Count(group.events),
            competing=Count(group.competing),
        )
    ]
    if group.cumulative_incidence is not None:
        incidence = incidences_at(group, years)[0]
        said.append(
            text(
                f"Local failure within {in_years(years)}, death and loss of the eye otherwise"
                " competing: {incidence}.",
                incidence=incidence,
            )
        )
    for target in results.standards.targets:
        said.append(
            text(
                f"{target.name}: {verdict(results, target)}; the result was {{result}}, at least"
                f" {percent(target.at_least, 0)} asked for.",
                result=free_at(results, target),
            )
        )
    eyes = results.outcomes.eye_loss.groups
    stated = {(target.end_point, target.years) for target in results.standards.targets}
    if eyes and eyes[0].n and (EYE_LOSS.name, years) not in stated:
        said.append(
            text(
                f"The eye was kept at {in_years(years)} in " + "{kept} (Kaplan–Meier).",
                kept=failure_at(eyes[0], years, "control"),
            )
        )
    for vision in results.vision.by_level:
        said.append(
            text(
                f"{_capital(vision.level.loss_words)} within {in_years(years)}, death competing: "
                "{lost}; eyes that had it: {n}.",
                lost=loss_at(vision.whole, years),
                n=Count(vision.whole.outcome.n),
            )
        )
    said += _died(results, years)
    tipping = results.outcomes.follow_up.tipping_point
    said += [] if tipping is None else [tipping_in_brief(tipping)]
    return [*said, *_beside_published(results)]


def _beside_published(results: AuditResults) -> list[Words]:
    """Say what the comparison with published rates comes to; nothing without one."""
    if not results.benchmarks:
        return []
    worse = worse_in_brief(results.benchmarks)
    named = f" More here: {worse}." if worse else ""
    return [f"{in_one_sentence(results.benchmarks)}{named}"]


def _died(results: AuditResults, years: float) -> list[Words]:
    """Say how many died of melanoma, other death competing; nothing without patients."""
    groups = results.outcomes.mortality.melanoma_death.groups
    if not groups or groups[0].cumulative_incidence is None:
        return []
    return [
        text(
            f"Death from uveal melanoma within {in_years(years)}, other death competing: {{died}}.",
            died=incidences_at(groups[0], years)[0],
        )
    ]


def _poorly_recorded(results: AuditResults) -> list[str]:
    total = sum(results.completeness.treated)
    shares = [sum(row) / total for row in results.completeness.known] if total else []
    return [
        label
        for (_, label), share in zip(COMPLETENESS_FIELDS, shares, strict=False)
        if share < POORLY_RECORDED
    ]


def _to_do(results: AuditResults) -> list[Words]:
    group = results.local.groups[0]
    to_do: list[Words] = []
    if group.never_assessed:
        to_do.append(
            text(
                "Find out what became of the tumours never assessed after treatment: {n}.",
                n=Count(group.never_assessed),
            )
        )
    missing = _poorly_recorded(results)
    if missing:
        to_do.append(f"Complete the fields known for fewer than 9 in 10: {', '.join(missing)}.")
    to_do += [f"Correct at the source: {found}." for found in results.local.contradictions]
    if results.follow_up.index < POORLY_RECORDED:
        to_do.append(
            "Bring back, or trace, the patients lost to follow-up (the command check lists them)."
        )
    if not results.standards.targets:
        to_do.append("State a standard before next year’s audit.")
    return to_do or ["Nothing in these records asks for action; review the cases that failed."]


def section(results: AuditResults) -> Section:
    """Return the section."""
    if not results.local.table.n:
        return Section("Summary", (Note("No tumour is in the cohort at this data cut."),))
    blocks: tuple[Block, ...] = (
        _cards(results),
        Heading("What was found"),
        BulletList(tuple(_found(results))),
        Heading("What to do"),
        BulletList(tuple(_to_do(results))),
    )
    return Section("Summary", blocks)
