"""A comparison in one plain sentence that a board can read; no claim beyond its verdict."""

from __future__ import annotations

import math

from analysis.benchmarking.benchmark import AtOneTime, Comparison, Estimate, OverExpected
from analysis.benchmarking.published_rates import Stratum
from analysis.outcomes.outcome import Outcome
from reports.values import ObservedExpected, Quantity, Text, Value, text

_OPENING = {
    "worse": "{end_point} was more frequent here than in {who}",
    "within the margin": "{end_point} here was within the margin decided beforehand around {who}",
    "not shown": "{end_point} was not shown to be more frequent here than in {who}",
    "cannot tell": "Whether {end_point_lower} was more frequent here than in {who} cannot be told",
}
NOT_AS_GOOD = "Not shown to be worse is not the same as shown to be as good."


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
    """Word a stratum.

    >>> stratum_words(Stratum("thickness_mm", high=6.0)), stratum_words(Stratum("age", 20, 40))
    ('thickness below 6 mm', 'age 20 to 40')
    """
    name, is_mm, _ = stratum.field.partition("_mm")
    unit = " mm" if is_mm else ""
    if math.isinf(stratum.low):
        return f"{name} below {stratum.high:g}{unit}"
    if math.isinf(stratum.high):
        return f"{name} from {stratum.low:g}{unit}"
    return f"{name} {stratum.low:g} to {stratum.high:g}{unit}"


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
    return Quantity(value, low, high, "points", 0, level=0.90, n=n, events=events)


_RATIO_WORDS = {
    "worse": ": observed over expected was {deciding}, the published uncertainty counted, and more"
    " under any other shape of the early hazard.",
    "within the margin": ": observed over expected was {deciding}, the published uncertainty"
    " counted, and less under any other shape of the early hazard.",
    "not shown": ": observed over expected was from {deciding} to {other}, by the shape of the"
    " early hazard, the published uncertainty counted.",
}


def _ratios(found: Comparison) -> dict[str, Value]:
    values: dict[str, Value] = {"deciding": ratio_value(shape_that_decides(found))}
    if found.verdict == "not shown":
        most = max(found.over_expected, key=lambda one: one.given.ratio)
        values["other"] = ratio_value(most)
    return values


def board_sentence(found: Comparison, outcome: Outcome) -> Text:
    """Say the result of one comparison in one sentence."""
    name = outcome.end_point.title
    opening = _OPENING[found.verdict].format(
        end_point=name.capitalize(), end_point_lower=name, who=who(found)
    )
    if found.verdict == "cannot tell":
        return text(f"{opening}: {found.reason}.")
    if found.rule == "observed over expected":
        return text(opening + _RATIO_WORDS[found.verdict], **_ratios(found))
    at = deciding_time(found)
    assert at is not None
    template = (
        f"{opening}: at {at.years:g} years the difference was "
        "{points}, with the published uncertainty counted; the figure at one time says nothing"
        " about other times."
    )
    return text(template, points=points_value(at.difference, found.n, at.events))
