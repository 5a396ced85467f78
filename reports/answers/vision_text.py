"""``afterplaque vision`` as text: definition, estimates by group, bounds, course, warnings."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence

from analysis.outcomes.vision import Vision, VisionGroup
from analysis.outcomes.vision_course import Course
from analysis.outcomes.vision_definition import definition_in_words
from analysis.outcomes.vision_shares import ClusteredShare, RankQuantile
from reports.answers.vision_course_answer import describe_latest, describe_median
from reports.page.curves import failure_at
from reports.page.vision_curves import followed_at, if_no_one_died_at, kept_at, loss_at
from reports.render.text import lay_out_table
from reports.words.values import CurveEstimate, PValue, Rate
from reports.words.wording import say

WIDTH = 100

Read = Callable[[VisionGroup, float], CurveEstimate]

_FIGURES: tuple[tuple[str, Read], ...] = (
    (
        "Lost, death competing (illness–death model, loss between visits): the main estimate",
        loss_at,
    ),
    ("Alive, eye kept, no confirmed loss so far (the same model)", kept_at),
    (
        "Lost if no one died (nonparametric, loss between visits): not a share of patients",
        if_no_one_died_at,
    ),
    (
        "Lost by Kaplan–Meier (death as censoring, loss dated at the visit): as papers print it",
        lambda group, year: failure_at(group.outcome, year),
    ),
)


def lay_out_vision(vision: Vision, course: Course, years: Sequence[float]) -> str:
    """Lay the answer out as text."""
    title = vision.level.loss_words
    steps = [[step.step, step.left_out, step.kept] for step in vision.flow]
    blocks = [
        f"{title[0].upper()}{title[1:]}, data cut {vision.cut.event_date.isoformat()}",
        textwrap.fill(definition_in_words(vision.level, vision.vision_rules), WIDTH),
        lay_out_table(["step", "left out", "kept"], steps),
        *_estimates(vision, years),
        _bounds(vision, years),
    ]
    blocks += [
        f"{test.name}: chi-squared {test.statistic:.3f} on {test.df}, {say(PValue(test.p))}"
        for test in vision.tests
    ]
    blocks += [_course(course), _latest(course)]
    blocks += [f"Warning: {warning}" for warning in vision.warnings]
    return "\n\n".join(blocks)


def _headings(years: Sequence[float]) -> list[str]:
    return ["group", "n", "losses", *(f"at {year:g} y" for year in years)]


def _estimates(vision: Vision, years: Sequence[float]) -> list[str]:
    followed = [
        [group.group, group.outcome.n, *(followed_at(group, year) for year in years)]
        for group in vision.groups
    ]
    headings = ["group", "n", *(f"at {year:g} y" for year in years)]
    blocks = ["Eyes at risk: followed, without loss so far\n" + lay_out_table(headings, followed)]
    for heading, read in _FIGURES:
        found = [
            [group.group, group.outcome.n, group.outcome.events]
            + [say(read(group, year)) for year in years]
            for group in vision.groups
        ]
        blocks.append(heading + "\n" + lay_out_table(_headings(years), found))
    return blocks


def _bounds(vision: Vision, years: Sequence[float]) -> str:
    rows = [
        [variant.name, group.group, group.outcome.n, group.outcome.events]
        + [say(loss_at(group, year)) for year in years]
        for variant in vision.sensitivity
        for group in variant.groups
    ]
    words = [f"{variant.name}: {variant.words}." for variant in vision.sensitivity]
    return (
        "Lost, death competing, under other readings of unconfirmed visits; counted and ignored are"
        " the two bounds\n"
        + lay_out_table(["reading", *_headings(years)], rows)
        + "\n"
        + "\n".join(textwrap.fill(line, WIDTH, subsequent_indent="  ") for line in words)
    )


def _share(share: ClusteredShare) -> str:
    return say(Rate(share.count, share.n, share.lower, share.upper, style="percent"))


def _median(median: RankQuantile) -> str:
    found = describe_median(median)
    if found["reading"] is None:
        return "not read"
    if found["lower"] is None:
        return str(found["reading"])
    return f"{found['reading']} (95 % CI {found['lower']} to {found['upper']})"


def _course(course: Course) -> str:
    rows = [
        [f"{year.years:g}", year.kept, year.read, _median(year.median)]
        + [_share(part) for part in (year.at_least_6_12, year.at_least_6_60, year.off_chart)]
        for year in course.years
        if year.kept
    ]
    headings = [
        "years",
        "eyes",
        "read",
        "median",
        "at least 6/12",
        "at least 6/60",
        "off the chart",
    ]
    return (
        "Acuity of eyes still in, of patients alive, at each time (all eyes with a baseline;"
        " nearest reading within half a year)\n" + lay_out_table(headings, rows)
    )


def _latest(course: Course) -> str:
    latest, surgery = describe_latest(course), course.recovery
    lines = [
        f"Latest reading against baseline, {latest['eyes']} eyes: {latest['gained']} gained 15"
        f" letters or more, {latest['lost']} lost as much, {latest['similar']} changed less; off"
        f" the chart {latest['off_chart_at_baseline']} at baseline, {latest['off_chart_latest']} at"
        " the latest reading."
    ]
    if surgery.operated:
        lines.append(
            f"After cataract surgery, {surgery.operated} eyes, {surgery.read} read before and"
            f" after: {surgery.gained} gained 15 letters or more, {surgery.lost} lost as much,"
            f" {surgery.similar} changed less (median {_median(surgery.before)} before,"
            f" {_median(surgery.after)} after). A confirmed loss that surgery regains still counts"
            " as lost."
        )
    return "\n".join(textwrap.fill(line, WIDTH) for line in lines)
