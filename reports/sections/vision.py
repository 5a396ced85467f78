"""Vision: loss of 6/12 and 6/60 with death competing, bounds, groups, course and recovery."""

from __future__ import annotations

from collections.abc import Callable

from analysis.outcomes.vision import YEARS, Vision, VisionGroup
from analysis.outcomes.vision_course import YearOfCourse
from analysis.outcomes.vision_definition import ESTIMATION_IN_WORDS, definition_in_words
from analysis.outcomes.vision_levels import LOWEST_CHART_RANK, letters_of_rank, word_rank
from analysis.outcomes.vision_shares import ClusteredShare, RankQuantile
from reports.page.curves import MINIMUM_AT_RISK, failure_at
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
from reports.page.vision_curves import (
    acuity_figure,
    followed_at,
    if_no_one_died_at,
    kept_at,
    loss_at,
    state_figure,
)
from reports.results.vision_results import VisionResults
from reports.words.values import Content, Count, CurveEstimate, Missing, Quantity, Rate, text
from reports.words.wording import in_years, joined

TITLE = "Vision"
BOUND_YEARS = 5.0
GROUP_YEARS = (2.0, 5.0)
FEWEST_READINGS = 8

Read = Callable[[VisionGroup, float], CurveEstimate]

REFERENCES = (
    "Joly P, Commenges D, Helmer C, Letenneur L. A penalized likelihood approach for an"
    " illness–death model with interval-censored data. Biostatistics 2002;3:433–443.",
    "Turnbull BW. The empirical distribution function with arbitrarily grouped, censored and"
    " truncated data. J R Stat Soc B 1976;38:290–295.",
)


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]


def _year_columns(times: tuple[float, ...]) -> tuple[Column, ...]:
    return tuple(Column(f"At {in_years(years)}", "right") for years in times)


def _figure(vision: Vision) -> list[Block]:
    spec = state_figure(vision)
    if spec is None:
        return [
            Note(
                f"With fewer than {MINIMUM_AT_RISK} eyes at risk, or less than a year of follow-up,"
                f" no figure of {vision.level.loss_words} is drawn."
            )
        ]
    return [
        Figure(
            caption=f"{_capital(vision.level.loss_words)} and death before it, stacked.",
            spec=spec,
            notes=(
                "By the illness–death model: a loss lies between two visits, and some patients lose"
                " vision unseen before they die. What is left above the bands are eyes still in,"
                " of patients alive, without a confirmed loss so far.",
            ),
        )
    ]


_ESTIMATES: tuple[tuple[str, Read], ...] = (
    ("Lost, death competing", loss_at),
    ("Alive, eye kept, no loss so far", kept_at),
    ("Lost if no one died", if_no_one_died_at),
    ("Lost by Kaplan–Meier, dated at the visit", lambda g, years: failure_at(g.outcome, years)),
)


def _level_row(vision: Vision) -> Row:
    return Row(
        (
            text(
                _capital(vision.level.loss_words) + " – at risk: {n}, lost: {events}",
                n=Count(vision.whole.outcome.n),
                events=Count(vision.whole.outcome.events),
            ),
        ),
        header=True,
    )


def _main_table(results: VisionResults) -> Table:
    rows = []
    for vision in results.by_level:
        rows.append(_level_row(vision))
        for name, read in _ESTIMATES:
            rows.append(Row((name, *(read(vision.whole, years) for years in YEARS))))
        followed = (Count(followed_at(vision.whole, years)) for years in YEARS)
        rows.append(Row(("Eyes followed, no loss so far", *followed)))
    return Table(
        caption="Loss of vision among eyes that had the level at baseline.",
        columns=(Column("Estimate"), *_year_columns(YEARS)),
        rows=tuple(rows),
        notes=(
            "The first row of each level is the figure to give a patient. “If no one died” answers"
            " another question and lies higher. An eye that regains the level after a confirmed"
            " loss counts as lost. 95 % CI: bootstrap over patients; beta"
            " product for Kaplan–Meier, which is shown because papers print it, and where losses"
            " are too few for the bootstrap.",
        ),
    )


def _bounds(results: VisionResults) -> Table:
    years = BOUND_YEARS
    rows = []
    for vision in results.by_level:
        rows.append(Row((_capital(vision.level.loss_words),), header=True))
        readings = [("Main definition: confirmed losses", vision.whole)]
        readings += [(_capital(one.words), one.groups[0]) for one in vision.sensitivity]
        for words, group in readings:
            found = (loss_at(group, years), failure_at(group.outcome, years))
            rows.append(Row((words, Count(group.outcome.events), *found)))
    return Table(
        caption=f"Loss at {years:g} years under other readings of unconfirmed visits.",
        columns=(
            Column("Reading"),
            Column("Losses", "right"),
            Column("Death competing", "right"),
            Column("Kaplan–Meier", "right"),
        ),
        rows=tuple(rows),
        notes=(
            "A loss seen at the last visit alone cannot be confirmed. Counting it and ignoring it,"
            " with everyone followed to the last reading, bound what that reading can change; the"
            " main definition ends follow-up one reading earlier and need not lie between them."
            " These readings count every removal of the eye; the main one counts a removal only"
            " when a loss of vision at that time could have been confirmed by the data cut, since"
            " removals are known sooner than other losses and would raise late figures."
            " 95 % CI: bootstrap over patients; beta product for Kaplan–Meier.",
        ),
    )


def _group_rows(heading: str, vision: Vision) -> list[Row]:
    rows = [Row((heading,), header=True)]
    for group in vision.groups:
        found = tuple(loss_at(group, years) for years in GROUP_YEARS)
        rows.append(
            Row(
                (_capital(group.group), Count(group.outcome.n), Count(group.outcome.events), *found)
            )
        )
    return rows


def _by_group(results: VisionResults) -> list[Block]:
    rows = [row for heading, vision in results.by_group for row in _group_rows(heading, vision)]
    level = results.by_group[0][1].level if results.by_group else None
    if level is None or not rows:
        return []
    return [
        Heading("By distance and dose at the fovea"),
        Table(
            caption=f"{_capital(level.loss_words)}, death competing (95 % CI), by group.",
            columns=(
                Column("Group"),
                Column("Eyes", "right"),
                Column("Losses", "right"),
                *_year_columns(GROUP_YEARS),
            ),
            rows=tuple(rows),
            notes=(
                "Cut-points were fixed beforehand. Groups were compared without adjustment: dose at"
                " the fovea, distance and size of the tumour go together.",
            ),
        ),
    ]


def _median(year: YearOfCourse) -> Content:
    return _word_median(year.median, year.read)


def _word_median(median: RankQuantile, read: int) -> Missing | Quantity:
    """Word a median: letters on the chart, a level off it, nothing from few readings."""
    if median.value is None:
        return Missing("not estimable", "nobody was read")
    if median.value < LOWEST_CHART_RANK:
        return Missing("too few readings" if read < FEWEST_READINGS else word_rank(median.value))
    low, high = median.lower, median.upper
    letters = letters_of_rank(median.value)
    if letters < 0:
        return Quantity((85 - letters) / 50, unit="logMAR", digits=2, n=read)
    has_limits = low is not None and high is not None and low >= LOWEST_CHART_RANK
    return Quantity(
        float(letters),
        float(letters_of_rank(low)) if has_limits and low is not None else None,
        float(letters_of_rank(high)) if has_limits and high is not None else None,
        unit="letters",
        digits=0,
        n=read,
    )


def _share(share: ClusteredShare) -> Rate:
    return Rate(share.count, share.n, share.lower, share.upper, style="percent")


def _time_in_words(years: float) -> str:
    return "Baseline" if years == 0 else in_years(years)


def _course(results: VisionResults) -> list[Block]:
    rows = [
        Row(
            (
                _time_in_words(year.years),
                Count(year.kept),
                Count(year.read),
                _median(year),
                _share(year.at_least_6_12),
                _share(year.at_least_6_60),
                _share(year.off_chart),
            )
        )
        for year in results.course
        if year.kept
    ]
    return [
        Heading("Course over time"),
        Table(
            caption="Acuity among eyes in, of patients alive, at each time.",
            columns=(
                Column("Time"),
                Column("Eyes", "right"),
                Column("Read", "right"),
                Column("Median", "right"),
                Column("At least 6/12", "right"),
                Column("At least 6/60", "right"),
                Column("Off the chart", "right"),
            ),
            rows=tuple(rows),
            notes=(
                "Every time describes the eyes still in and the patients still alive then (known to"
                " be so by their vital-status date); nothing is imagined after death or removal."
                " The reading nearest to the time, within half a year, counts. The median ranks"
                " levels off the chart below every letter. Every eye that is read counts once"
                " (estimating equations with working independence); the 95 % CI of the median and"
                " of the shares are exact, widened where both eyes of a patient are counted.",
            ),
        ),
    ]


def _latest(results: VisionResults) -> list[Block]:
    if not results.pairs:
        return []
    return [
        Figure(
            caption="Acuity before treatment and at the latest reading, an eye a point.",
            spec=acuity_figure(list(results.pairs)),
            notes=(
                "The latest reading of an eye since removed, or of a patient since dead, is the"
                " last one before. Levels off the chart are in order and have no number.",
            ),
        )
    ]


def _recovery(results: VisionResults) -> list[Block]:
    found = results.recovery
    if not found.operated:
        return []
    return [
        Paragraph(
            text(
                "{operated} eyes had cataract surgery after treatment; {read} of them were read in"
                " the year before and 28 to 365 days after. By 15 letters or more (or across the"
                " edge of the chart), {gained} gained, {lost} lost and {similar} changed less;"
                " median {before} before and {after} after."
                " A loss of vision by cataract alone may be regained; the confirmed loss above"
                " counts it all the same.",
                operated=Count(found.operated),
                read=Count(found.read),
                gained=Count(found.gained),
                lost=Count(found.lost),
                similar=Count(found.similar),
                before=_word_median(found.before, found.read),
                after=_word_median(found.after, found.read),
            ),
            lead="After cataract surgery.",
        )
    ]


def _notes_of_fits(results: VisionResults) -> list[str]:
    """Gather what the fits of the levels remark: what holds for several is said once."""
    levels: dict[str, list[str]] = {}
    for vision in results.by_level:
        for note in vision.whole.notes:
            levels.setdefault(note, []).append(vision.level.loss_words)
    return [f"{_capital(joined(names))}: {note}" for note, names in levels.items()]


def _remarks(results: VisionResults) -> list[Block]:
    """Say what the data could not say: unread eyes, contradictions, remarks of the fits."""
    found: list[Block] = []
    for vision in results.by_level:
        never = vision.whole.outcome.never_assessed
        if never:
            said = (
                "{n} eyes at risk of "
                + vision.level.loss_words
                + (" have no acuity after treatment; they are kept, with no time at risk.")
            )
            found.append(Note(text(said, n=Count(never))))
    found += [Note(words) for words in _notes_of_fits(results)]
    for one in results.by_level[0].contradictions:
        count, words = one.split(" × ", 1)
        found.append(Note(text("{n} × " + words + ".", n=Count(int(count)))))
    return found


def section(results: VisionResults) -> Section:
    """Return the section."""
    if not any(vision.whole.outcome.n for vision in results.by_level):
        return Section(TITLE, (Note("No eye with an acuity at baseline is in the cohort."),))
    blocks: list[Block] = []
    for vision in results.by_level:
        blocks += _figure(vision)
    blocks.append(_main_table(results))
    blocks.append(_bounds(results))
    blocks += _by_group(results)
    blocks += _course(results)
    blocks += _latest(results)
    blocks += _recovery(results)
    blocks += _remarks(results)
    return Section(TITLE, tuple(blocks))


def methods(results: VisionResults) -> tuple[Paragraph, ...]:
    """Return the methods text, written from the levels that were computed."""
    words = [
        definition_in_words(vision.level, vision.vision_rules) for vision in results.by_level[:1]
    ]
    others = [
        f"{_capital(vision.level.loss_words)} is the same with {vision.level.letters} letters."
        for vision in results.by_level[1:]
    ]
    return (
        Paragraph(" ".join((*words, *others)), lead="Vision."),
        Paragraph(ESTIMATION_IN_WORDS, lead="Estimation of loss of vision."),
    )
