"""An attack on the published form: nothing small may be read, nor worked out.

The attacker knows the rule (1 to 7 hidden, others to the nearest 5) and all that is rendered.
"""

from __future__ import annotations

import dataclasses
import itertools
import json
import re
from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from sample_figures import series, survival_figure
from sample_report import sample_report
from scipy.stats import binomtest

from reports.audience.published_numbers import beta_limits, poisson_limits, publish_value
from reports.audience.suppression import publish
from reports.figures.specs import FlowFigure, FlowStep, LeftOut, SurvivalFigure
from reports.page.document import (
    Column,
    Figure,
    Note,
    Paragraph,
    Provenance,
    Report,
    Row,
    Section,
    Table,
    blocks,
    to_json,
)
from reports.render.glyphs import texts
from reports.render.html import render_html
from reports.render.laid_out import lay_out
from reports.words.values import (
    Count,
    CurveEstimate,
    KnownOf,
    Missing,
    ObservedExpected,
    PValue,
    Quantity,
    Rate,
    SingleRecord,
    text,
)
from reports.words.wording import say


def walk(thing):
    yield thing
    if isinstance(thing, tuple):
        for part in thing:
            yield from walk(part)
    elif dataclasses.is_dataclass(thing):
        for field in dataclasses.fields(thing):
            yield from walk(getattr(thing, field.name))


def publish_table(table: Table) -> Table:
    """The published form of one table."""
    report = Report("t", "", Provenance("d", "", ""), (Section("s", (table,)),))
    (made,) = publish(report).sections[0].blocks
    return made


def counts_in(report) -> list[int]:
    """Every count that a report holds, shown or kept for later."""
    found = []
    for thing in walk(report):
        match thing:
            case Count(value=count):
                found.append(count)
            case KnownOf(known=count, total=total) | Rate(numerator=count, denominator=total):
                found += [count, total]
            case CurveEstimate(n=n, events=events, at_risk=at_risk):
                found += [n, events, at_risk]
            case ObservedExpected(observed=count):
                found.append(count)
            case Quantity(n=n, events=events):
                found += [n, events]
            case PValue(events=events):
                found.append(events)
    return [count for count in found if count is not None]


def test_every_count_left_in_the_model_is_zero_or_a_multiple_of_five_from_ten():
    assert any(count % 5 for count in counts_in(sample_report()))
    for count in counts_in(publish(sample_report())):
        assert count == 0 or (count >= 10 and count % 5 == 0)


def test_publishing_twice_changes_nothing():
    once = publish(sample_report())
    assert publish(once) == once


def test_a_report_marked_published_is_suppressed_however_it_is_rendered():
    marked = replace(sample_report(), audience="published")
    assert lay_out(marked, narrow=False) == lay_out(publish(sample_report()), narrow=False)


def test_no_true_time_of_any_event_is_left():
    plain = to_json(publish(sample_report()))
    spec = next(
        b.spec
        for b in blocks(sample_report())
        if getattr(b, "spec", None) and isinstance(b.spec, SurvivalFigure)
    )
    times = [repr(t) for t in spec.series[0].time_years[1:]]
    assert times
    assert not [t for t in times if t in plain]


def test_single_records_are_gone_from_text_table_and_scatter():
    page, true_page = render_html(publish(sample_report())), render_html(sample_report())
    for secret in ("T-0042", "3 May 2024", "12 November 2024", "logMAR before"):
        assert secret in true_page
        assert secret not in page


SECRETS = (1013, 1007, 997, 991)


def secret_report() -> Report:
    """Counts that would be recognised anywhere: all are primes with no multiple of 5 in sight."""
    a, b, c, d = SECRETS
    flow = FlowFigure(
        "eyes",
        (
            FlowStep("start", Count(a)),
            FlowStep("next", Count(b), (LeftOut("gone", Count(6)),)),
        ),
    )
    table = Table(
        text("Of {n}", n=Count(a)),
        (Column("x"), Column("y", "right")),
        (
            Row(("p", Rate(d, a, 0.9, 0.99))),
            Row(("q", KnownOf(c, b))),
        ),
        notes=(text("note {n}", n=Count(c)),),
    )
    curve = survival_figure(series("all", 997, 0.05, 11))
    body = (
        Paragraph(text("{n}", n=Count(d))),
        table,
        Figure(text("{n}", n=Count(a)), flow),
        Figure("curve", curve, notes=(text("{n}", n=Count(b)),)),
    )
    stamp = "2025-04-15T09:30:00+00:00"
    return Report("t", "", Provenance("dept", "2025-01-01", stamp), (Section("s", body),))


def test_no_unrounded_count_is_left_in_any_text_hover_or_csv():
    def shown(report):
        return " ".join(words for _, words in texts(lay_out(report, narrow=True)))

    def seen(words):
        return {n for n in SECRETS if re.search(rf"(?<!\d){n}(?!\d)", words)}

    assert seen(shown(secret_report())) == set(SECRETS)
    assert seen(shown(publish(secret_report()))) == set()
    assert seen(to_json(publish(secret_report()))) == set()


def test_a_share_comes_from_the_rounded_counts_and_so_do_its_limits():
    made = publish_value(Rate(12, 98, 0.06, 0.2))
    assert (made.numerator, made.denominator) == (10, 100)
    # Clopper and Pearson 1934 as scipy's binomtest has it
    exact = binomtest(10, 100).proportion_ci(method="exact")
    assert (made.lower, made.upper) == pytest.approx((exact.low, exact.high), rel=1e-9)


def test_limits_of_a_ratio_are_the_exact_poisson_ones():
    # Garwood's limits for 10 events, as in published tables: 4.795 to 18.39
    assert poisson_limits(10, 0.95) == pytest.approx((4.795, 18.390), abs=5e-4)
    assert poisson_limits(0, 0.95) == pytest.approx((0, 3.689), abs=5e-4)
    made = publish_value(ObservedExpected(12, 8.0, 0.8, 2.6))
    assert made.observed == 10
    assert made.lower == pytest.approx(4.795 / 8, abs=1e-4)


def test_limits_at_the_edges():
    # rule of three, exactly: 1 − 0.025^(1/n)
    assert beta_limits(0, 30, 0.95) == pytest.approx((0, 1 - 0.025 ** (1 / 30)))
    assert beta_limits(30, 30, 0.95) == pytest.approx((0.025 ** (1 / 30), 1))


@pytest.mark.parametrize("count", range(1, 8))
def test_small_counts_take_everything_built_on_them_away(count):
    for value in (
        Count(count),
        Rate(count, 200, 0.01, 0.1),
        Rate(0, count),
        KnownOf(count, 90),
        CurveEstimate(0.03, 0.01, 0.09, 200, count, 80),
        CurveEstimate(0.2, 0.1, 0.3, 200, 40, count),
        ObservedExpected(count, 4.2, 0.3, 2.0),
        Quantity(1.8, 0.9, 3.3, events=count),
        Quantity(31, 20, 44, n=count),
        PValue(0.03, count),
    ):
        made = publish_value(value)
        assert made.hidden
        assert say(made).split(" ")[0] == "*"
        numbers = [v for v in dataclasses.astuple(made) if isinstance(v, float) and v != 0.95]
        assert not [n for n in numbers if n != getattr(value, "expected", None)]


def test_a_test_of_a_group_without_events_and_an_extreme_are_hidden_too():
    assert publish_value(PValue(0.03, 0)).hidden
    assert publish_value(Quantity(2.0, events=0)).hidden
    made = publish_value(Quantity(22.4, unit="mm", n=300, is_extreme=True))
    assert made.hidden
    assert made.value is None


def test_a_warning_with_a_count_in_plain_words_stays_inside():
    notes = (Note("3 x never assessed", "warning"), Note("A unit expired.", "warning"))
    report = Report("t", "", Provenance("a", "b", "c"), (Section("s", notes),))
    first, second = publish(report).sections[0].blocks
    assert "3" not in first.text
    assert second == notes[1]


def test_a_warning_that_names_a_nuclide_and_no_count_stays():
    report = Report(
        "t", "", Provenance("d", "", ""),
        (Section("s", (Note("I-125 and Ru-106 are in one analysis.", "warning"),)),),
    )  # fmt: skip
    assert "Ru-106" in str(publish(report).sections[0].blocks[0])


def test_notes_that_differ_in_a_hidden_digit_only_are_said_once():
    notes = tuple(text("{k} count as censored.", k=Count(count)) for count in (60, 61, 77))
    table = Table("c", (Column("a"),), (Row(("x",)),), notes)
    report = Report("t", "", Provenance("d", "", ""), (Section("s", (table,)),))
    (shown,) = publish(report).sections[0].blocks
    assert isinstance(shown, Table)
    assert [say(note) for note in shown.notes] == ["60 count as censored.", "75 count as censored."]


def test_reasons_do_not_tell_the_count():
    assert publish_value(Missing("not estimable", "2 events")).reason == ""
    assert publish_value(Missing("not estimable", "no events")).reason == "no events"


def feasible(shown, low, high):
    """All ways to fill the parts, each in its range, with a sum from low to high."""
    return [
        p for p in itertools.product(*(range(a, b + 1) for a, b in shown)) if low <= sum(p) <= high
    ]


def reading(count: Count) -> tuple[int, int]:
    """What an attacker concludes from a published count."""
    if count.withheld:
        return 0, 40
    if count.hidden:
        return 1, 7
    return (0, 0) if count.value == 0 else (max(8, count.value - 2), count.value + 2)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.integers(min_value=0, max_value=14), min_size=1, max_size=3),
    st.integers(min_value=8, max_value=30),
)
def test_no_hidden_reason_of_a_flow_can_be_worked_out(left, kept):
    flow = FlowFigure(
        "eyes",
        (
            FlowStep("a", Count(sum(left) + kept)),
            FlowStep(
                "b", Count(kept), tuple(LeftOut(str(k), Count(n)) for k, n in enumerate(left))
            ),
        ),
    )
    report = Report("t", "", Provenance("a", "b", "c"), (Section("s", (Figure("f", flow),)),))
    start, end = publish(report).sections[0].blocks[0].spec.steps
    parts = [reading(x.count) for x in end.left_out] + [reading(end.kept)]
    ways = feasible(parts, *reading(start.kept))
    assert ways
    for place, reason in enumerate(end.left_out):
        if reason.count.hidden or reason.count.withheld:
            assert len({way[place] for way in ways}) > 1


@settings(max_examples=150, deadline=None)
@given(st.lists(st.integers(min_value=0, max_value=20), min_size=2, max_size=4))
def test_no_hidden_level_of_a_table_can_be_worked_out(levels):
    total = sum(levels)
    assume(total >= 8)
    rows = (
        Row(("Levels",), header=True),
        *(Row((str(k), Rate(n, total)), level=1) for k, n in enumerate(levels)),
    )
    table = Table("t", (Column(""), Column("n", "right")), rows)
    report = Report("t", "", Provenance("a", "b", "c"), (Section("s", (table,)),))
    made = publish(report).sections[0].blocks[0]
    cells = [row.cells[1] for row in made.rows[1:]]
    if any(isinstance(cell, Missing) for cell in cells):
        assert all(isinstance(cell, Missing) for cell in cells)
        return
    parts = [reading(Count(cell.numerator, cell.hidden)) for cell in cells]
    whole = reading(Count(5 * int(total / 5 + 0.5)))
    ways = feasible(parts, *whole)
    for place, cell in enumerate(cells):
        if cell.hidden:
            assert len({way[place] for way in ways}) > 1


def test_no_part_beside_or_under_its_total_can_be_worked_out_at_known_traps():
    """73, 28 and 1 of 102: 102 is shown as 100, so 100 + 2 − 73 … leaves the hidden part only 1."""
    columns = (Column("who"), *(Column(name, "right") for name in ("all", "a", "b", "c")))
    row = Row(("events", Count(102), Count(73), Count(28), Count(1)))
    (made,) = publish_table(Table("t", columns, (row,))).rows
    assert made.cells[1] == Count(100)
    assert all(isinstance(cell, Missing) for cell in made.cells[2:])
    column = tuple(Row((str(k), Count(k))) for k in (73, 28, 1, 102))
    under = publish_table(Table("t", columns[:2], column)).rows
    assert [isinstance(one.cells[1], Missing) for one in under] == [True, True, True, False]
    open_row = Row(("events", Count(108), Count(75), Count(30), Count(3)))
    (kept,) = publish_table(Table("t", columns, (open_row,))).rows
    assert [cell.value for cell in kept.cells[1:]] == [110, 75, 30, None]


@settings(max_examples=150, deadline=None)
@given(parts=st.lists(st.integers(0, 40), min_size=2, max_size=3))
def test_no_part_of_a_row_with_its_total_is_pinned(parts):
    """An attacker goes through every set of parts that could have given what is shown."""
    columns = tuple(Column(str(k), "right") for k in range(len(parts) + 2))
    row = Row(("x", Count(sum(parts)), *(Count(part) for part in parts)))
    (made,) = publish_table(Table("t", columns, (row,))).rows
    shown = made.cells[2:]
    if any(isinstance(cell, Missing) for cell in shown):
        assert all(isinstance(cell, Missing) for cell in shown)
        return
    ways = feasible([reading(cell) for cell in shown], *reading(made.cells[1]))
    for place, cell in enumerate(shown):
        if cell.hidden:
            assert len({way[place] for way in ways}) > 1


@pytest.mark.parametrize("seed", range(12))
def test_no_step_of_a_published_curve_tells_how_many_failed(seed):
    spec = survival_figure(series("all", 90 + 13 * seed, 0.04, seed))
    report = Report("t", "", Provenance("a", "b", "c"), (Section("s", (Figure("f", spec),)),))
    made = publish(report).sections[0].blocks[0].spec.series[0]
    assert all(row.censored is None for row in made.risk)
    assert set(made.time_years) <= {row.time_years for row in made.risk}
    truth = spec.series[0].risk
    n = made.n.value
    for shown, true in zip(made.risk, truth, strict=True):
        if 0 < true.estimate.events < 8 or 0 < true.at_risk.value < 8:
            assert shown.estimate.hidden
            assert (
                shown.time_years not in made.time_years
                or made.failure[made.time_years.index(shown.time_years)] is None
            )
        elif shown.estimate.failure is not None:
            people = shown.estimate.failure * n
            assert people == pytest.approx(5 * round(people / 5), abs=1e-9)
    # any two ticks: the failures between them are known to a range of five values or more
    bounds = [reading(row.events) for row in made.risk]
    for (low, high), (next_low, next_high) in itertools.pairwise(bounds):
        least, most = max(0, next_low - high), next_high - low
        assert most - least >= 2 or (low, high, next_low, next_high) == (0, 0, 0, 0)


def test_the_published_json_holds_no_limit_of_the_true_curve():
    truth = sample_report()
    plain = json.loads(to_json(publish(truth)))
    numbers = set(re.findall(r"\d\.\d{6,}", json.dumps(plain)))
    for thing in walk(truth):
        if isinstance(thing, CurveEstimate) and thing.upper not in (None, 1.0):
            assert repr(thing.upper) not in numbers


def test_the_scatter_of_acuities_becomes_rounded_counts():
    made = next(
        b
        for b in blocks(publish(sample_report()))
        if isinstance(b, Table) and b.columns[0].heading == "Change from before treatment"
    )
    values = [row.cells[1] for row in made.rows]
    assert all(v.hidden or v.value % 5 == 0 for v in values)


def test_nothing_single_stays_in_the_model():
    for thing in walk(publish(sample_report())):
        if isinstance(thing, SingleRecord):
            assert thing.text == ""
