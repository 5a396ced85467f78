"""A comparison in one plain sentence that a board can read; no claim beyond its verdict."""

from __future__ import annotations

import math

from analysis.benchmarking.benchmark import AtOneTime, Comparison, OverExpected
from analysis.benchmarking.own_estimates import Estimate
from analysis.benchmarking.published_rates import Stratum
from analysis.benchmarking.standardisation import Standardised
from analysis.outcomes.baseline import CHARACTERISTICS
from analysis.outcomes.end_points import DAYS_PER_YEAR
from analysis.outcomes.outcome import Outcome
from reports.words.values import (
    Count,
    CurveEstimate,
    ObservedExpected,
    Quantity,
    Text,
    Value,
    text,
)
from reports.words.wording import decimal, in_years, percent, say

_OPENING = {
    "worse": "{end_point} was more frequent here than in {who}",
    "within the margin": "{end_point} here was within the margin decided beforehand, up to"
    " {times:g} times {who}",
    "not shown": "{end_point} was not shown to be more frequent here than in {who}",
    "less": "{end_point} was less frequent here than in {who}",
    "cannot tell": "Whether {end_point_lower} was more frequent here than in {who} cannot be told",
}
VERDICT_WORDS = {"not shown": "not shown to be worse", "less": "less frequent here"}
NOT_AS_GOOD = "Not shown to be worse is not the same as shown to be as good."
HOW_TO_READ = (
    "Intervals in the sentences are 90 % ones, whose ends are one-sided 95 % limits, and count the"
    " uncertainty of both figures. A figure at one time says nothing about other times. Less"
    " frequent is no proof of better care: the patients differ."
)


def shape_that_decides(found: Comparison) -> OverExpected:
    """Return the shape of the early hazard on which the verdict turned.

    The one most favourable to the department, unless it is within the margin: then the least.
    """
    choose = max if found.verdict == "within the margin" else min
    return choose(found.over_expected, key=lambda one: one.given.ratio)


def who(found: Comparison) -> str:
    """Name a series with its stratum, if it has one."""
    first = found.series.first
    return first.key if first.stratum is None else f"{first.key} ({stratum_words(first.stratum)})"


def stratum_words(stratum: Stratum) -> str:
    """Word a stratum, as printed: bounds half a rounding step outside are taken back.

    >>> stratum_words(Stratum("thickness_mm", high=6.0)), stratum_words(Stratum("age", 20, 40))
    ('thickness below 6 mm', 'age from 20 to under 40')
    >>> stratum_words(Stratum("thickness_mm", 2.45, 10.05))
    'thickness from 2.5 to 10 mm'
    >>> stratum_words(Stratum("baseline_letters", low=50))
    'acuity at baseline from 50 letters'
    """
    known = next((one for one in CHARACTERISTICS if one.name == stratum.field), None)
    name, unit = (known.label, known.unit) if known else (stratum.field, "")
    name, unit = name.partition(",")[0].lower(), f" {unit}" if unit else ""
    low = f"{stratum.low + 0.05 * _is_half(stratum.low):g}"
    if _is_half(stratum.high):
        up_to, high = "to", f"{stratum.high - 0.05:g}"
    else:
        up_to, high = "to under", f"{stratum.high:g}"
    if math.isinf(stratum.low):
        return f"{name} {'up to' if up_to == 'to' else 'below'} {high}{unit}"
    if math.isinf(stratum.high):
        return f"{name} from {low}{unit}"
    return f"{name} from {low} {up_to} {high}{unit}"


def _is_half(bound: float) -> bool:
    """Whether a bound lies half of a tenth beside a printed one."""
    return math.isfinite(bound) and round(bound * 100) % 10 == 5


def deciding_time(found: Comparison) -> AtOneTime | None:
    """Return the last published time that could be read here, with its difference."""
    read = [one for one in found.at_times if not math.isnan(one.difference.lower)]
    enough = [one for one in read if one.at_risk >= 10]
    return enough[-1] if enough else None


def ratio_value(one: OverExpected) -> ObservedExpected:
    """Observed over expected with the one-sided 95 % limits that the verdict used."""
    seen = one.expectation
    return ObservedExpected(
        seen.observed, seen.expected, one.lower, one.upper, level=0.90, log_sd=one.log_sd
    )


def points_value(difference: Estimate, n: int, events: int) -> Quantity:
    """Difference in percentage points with one-sided 95 % limits (the ends of a 90 % interval).

    In whole points: with a decimal, the published form's rounded estimate could be undone.
    """
    values = (100 * x for x in (difference.value, difference.lower, difference.upper))
    value, low, high = values
    unit = "point" if abs(round(value)) == 1 else "points"
    return Quantity(value, low, high, unit, 0, level=0.90, n=n, events=events)


def first_up(words: str) -> str:
    """Begin with a capital letter, leaving the others as they are.

    >>> first_up("loss of 15 letters (0.3 logMAR)")
    'Loss of 15 letters (0.3 logMAR)'
    """
    return words[:1].upper() + words[1:]


def is_less(found: Comparison) -> bool:
    """Whether a comparison that shows no more failures shows fewer, by the same one-sided limit."""
    if found.verdict != "not shown":
        return False
    if found.rule == "observed over expected":
        return round(max(one.upper for one in found.over_expected), 2) < 1  # as shown
    at = deciding_time(found)
    return at is not None and round(100 * at.difference.upper) < 0  # in the whole points shown


def is_double_possible(found: Comparison) -> bool:
    """Whether the limits of a verdict leave room for twice the published failures here.

    By the upper one-sided 95 % limit, over every shape of the early hazard.
    """
    if found.rule == "observed over expected":
        return max(one.upper for one in found.over_expected) >= 2
    at = deciding_time(found)
    return at is not None and at.difference.upper >= at.there.value


def verdict_words(found: Comparison | Standardised) -> str:
    """Word a verdict for a table, in the same terms as the sentence."""
    if isinstance(found, Standardised):
        less = found.verdict == "not shown" and round(100 * found.difference.upper) < 0
    else:
        less = is_less(found)
    verdict = "less" if less else found.verdict
    return VERDICT_WORDS.get(verdict, verdict)


def shapes_apart(found: Comparison) -> tuple[OverExpected, OverExpected]:
    """Return the shapes of the early hazard with the least and the largest ratio."""
    least, most = (
        choose(found.over_expected, key=lambda one: one.given.ratio) for choose in (min, max)
    )
    return least, most


def ratio_words(least: OverExpected, most: OverExpected) -> Text:
    """Word the ratios of two shapes, as one where both read the same."""
    values = ratio_value(least), ratio_value(most)
    if say(values[0]) == say(values[1]):
        return text("{least}", least=values[0])
    return text("{least} to {most}", least=values[0], most=values[1])


def expected_words(least: OverExpected, most: OverExpected) -> str:
    """Word the expected number between the shapes of the least and the largest ratio."""
    fewest, largest = (decimal(one.expectation.expected, 1) for one in (most, least))
    return fewest if fewest == largest else f"{fewest} to {largest}"


def board_sentence(found: Comparison, outcome: Outcome) -> Text:
    """Say the result of one comparison in one sentence."""
    name = outcome.end_point.title
    opening = _OPENING["less" if is_less(found) else found.verdict].format(
        end_point=first_up(name),
        end_point_lower=name,
        who=who(found),
        times=found.margin.ratio if found.margin else 1.0,
    )
    if found.verdict == "cannot tell":
        return text(f"{opening}: {found.reason}.")
    if found.rule == "observed over expected":
        return _ratio_sentence(opening, found)
    at = deciding_time(found)
    assert at is not None
    margin = ""
    if found.margin is not None:
        margin = f" ({percent(min(found.margin.ratio * at.there.value, 1.0))} at the margin)"
    close = found.verdict == "worse" and round(100 * at.difference.lower) <= 0
    above = ", whose lower limit lies above 0" if close else ""
    return text(
        f"{opening}: at {in_years(at.years)} {{here}} here against"
        f" {percent(at.there.value)} there{margin}, a difference of {{points}}{above}.",
        here=CurveEstimate(at.here.value, None, None, found.n, at.events, at.at_risk),
        points=points_value(at.difference, found.n, at.events),
    )


def _ratio_sentence(opening: str, found: Comparison) -> Text:
    """Word observed over expected, by how early the published failures may have come."""
    least, most = shapes_apart(found)
    window = f"{in_years(least.expectation.window / DAYS_PER_YEAR)} at its rate"
    fewest, largest = (decimal(one.expectation.expected, 1) for one in (most, least))
    if found.verdict == "worse":
        words = f"at most {largest} expected over {window}, a ratio of {{least}} or more"
        if round(least.lower, 2) <= 1:
            words += ", whose lower limit lies above 1"
    elif found.verdict == "within the margin":
        words = f"at least {fewest} expected over {window}, a ratio of {{most}} or less"
    elif say(ratio_value(least)) == say(ratio_value(most)):
        words = f"{expected_words(least, most)} expected over {window}, a ratio of {{least}}"
    else:
        words = (
            f"{expected_words(least, most)} expected over {window} (by how early they come there),"
            " a ratio from {least} to {most}"
        )
    values: dict[str, Value] = {"seen": Count(least.expectation.observed)}
    values |= {"least": ratio_value(least), "most": ratio_value(most)}
    used = {name: value for name, value in values.items() if f"{{{name}}}" in f"{{seen}} {words}"}
    return text(f"{opening}: {{seen}} seen and {words}.", **used)
