"""What ``afterplaque outcome`` answers, as text: tables of groups, causes, tests and variants."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from reports.page.curves import failure_at, incidences_at
from reports.render.text import lay_out_table
from reports.words.values import PValue
from reports.words.wording import say

if TYPE_CHECKING:
    from analysis.outcomes.outcome import Outcome


def lay_out_groups(outcome: Outcome, years: Sequence[float]) -> list[str]:
    """Kaplan–Meier by group, with the units that entered late where there are any."""
    delayed = any(group.delayed_entry for group in outcome.groups)
    headings = ["group", "n", *(["entered late"] * delayed), "events"]
    rows = [
        [group.group, group.n, *([group.delayed_entry] * delayed), group.events]
        + [say(failure_at(group, year, "control")) for year in years]
        for group in outcome.groups
    ]
    return ["Kaplan–Meier\n" + lay_out_table(headings + _at("free at", years), rows)]


def _at(words: str, years: Sequence[float]) -> list[str]:
    return [f"{words} {year:g} y" for year in years]


def lay_out_incidences(outcome: Outcome, years: Sequence[float]) -> list[str]:
    """Cumulative incidence of every cause by group."""
    rows = [
        [group.group, name, *(say(incidences_at(group, year)[place]) for year in years)]
        for group in outcome.groups
        if group.cumulative_incidence is not None
        for place, name in enumerate(outcome.end_point.cause_names)
    ]
    if not rows:
        return []
    return ["Cumulative incidence\n" + lay_out_table(["group", "cause", *_at("at", years)], rows)]


def lay_out_tests(outcome: Outcome) -> list[str]:
    """Tests between groups, each with its cause and clock."""
    said = [
        f"{test.name}: chi-squared {test.statistic:.3f} on {test.df}, {say(PValue(test.p))}"
        for test in outcome.tests
    ]
    for one in outcome.incidence_tests:
        head = f"{one.name} of {one.cause} ({one.clock}): "
        if one.test is None:
            said.append(head + f"not given: {one.reason}")
        else:
            value = f"chi-squared {one.test.statistic:.3f} on {one.test.df}"
            said.append(f"{head}{value}, {say(PValue(one.test.p))}")
    return ["Tests between groups\n" + "\n".join(said)] if said else []


def lay_out_sensitivity(outcome: Outcome, years: Sequence[float]) -> list[str]:
    """Events and Kaplan–Meier under the main definition and each variant."""
    if not outcome.sensitivity:
        return []
    readings = [("main definition", outcome.groups)]
    readings += [(variant.words, variant.groups) for variant in outcome.sensitivity]
    rows = [
        [words, group.group, group.events]
        + [say(failure_at(group, year, "control")) for year in years]
        for words, groups in readings
        for group in groups
    ]
    headings = ["definition", "group", "events", *_at("free at", years)]
    return ["Sensitivity to the definition\n" + lay_out_table(headings, rows)]
