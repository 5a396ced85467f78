"""Charts held against a published curve or the department's own standards."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest

from analysis.benchmarking.monitoring import censor_after
from analysis.benchmarking.monitoring_reference import from_published, from_standards
from analysis.benchmarking.published_rates import builtin_rates
from analysis.benchmarking.risk_adjusted_cusum import steiner_cusum
from analysis.benchmarking.unit_comparison import all_reached, share_by
from analysis.counts.funnel import binomial_funnel
from registry.errors import RefusedInputError
from reports.figures.specs import FunnelFigure
from reports.page.document import Figure, Note, Paragraph
from reports.results.monitoring_references import find_reference
from reports.results.monitoring_results import gather_monitoring, gather_short_horizon, spread_of
from reports.results.standards import Reference, Standard, Standards
from reports.sections.time_order import time_order_blocks
from reports.words.wording import say

Make = Callable[..., Any]
CUT = date(2024, 12, 31)
DECIDED = date(2014, 1, 1)


def department(n: int, yearly: float, seed: int = 2) -> tuple[Any, Any]:
    rng = np.random.default_rng(seed)
    event, end = rng.exponential(1 / yearly, n), rng.uniform(0.5, 9, n)
    return np.ceil(np.minimum(event, end) * 365.25), (event <= end).astype(int)


def standards(*targets: tuple[float, float], curve: str = "standard") -> Standards:
    named = tuple(
        Standard("x", "eye_loss", years, share, "us", date(2014, 1, 1)) for years, share in targets
    )
    return Standards(targets=named, references=(Reference("eye_loss", curve, "us", DECIDED),))


def test_expected_events_come_from_the_standard(outcome_of: Make) -> None:
    """90 % free at 5 years, spread evenly: 0.0211 a year of each one's first five years."""
    time, status = department(300, 0.06)
    reference = find_reference(standards((5.0, 0.9)), "eye_loss", (), CUT)
    results = gather_monitoring(outcome_of(time, status), reference=reference)
    assert results.order is not None
    assert not results.is_own
    by_hand = -math.log(0.9) / 5 * np.minimum(time, 5 * 365.25).sum() / 365.25
    assert float(results.order.expected[-1]) == pytest.approx(by_hand, rel=1e-3)
    # an event after the last time of the reference counts no more than the time there
    assert int(results.order.observed[-1]) == int(((status == 1) & (time <= 5 * 365.25)).sum())
    assert results.chart is not None
    assert results.chart.alarms  # three times the standard


def test_a_level_is_seen_against_a_standard_and_not_against_oneself(outcome_of: Make) -> None:
    outcome = outcome_of(*department(600, 0.06))
    own = gather_monitoring(outcome)
    held = gather_monitoring(outcome, reference=from_standards([(5.0, 0.9)]))
    assert own.order is not None
    assert held.order is not None
    assert own.order.excess[-1] == pytest.approx(0, abs=1e-9)
    assert held.order.excess[-1] > 30
    first = time_order_blocks(own)[0]
    assert isinstance(first, Note)
    assert "shows drift only" in say(first.text)
    first = time_order_blocks(held)[0]
    assert isinstance(first, Paragraph)
    assert "90.0 % free at 5 years" in say(first.text)


def test_shapes_before_the_first_time_are_told(outcome_of: Make) -> None:
    outcome = outcome_of(*department(300, 0.02))
    held = gather_monitoring(outcome, reference=from_standards([(5.0, 0.9)]))
    early, even, late = held.shapes
    assert early.expected > even.expected > late.expected
    assert held.order is not None
    assert even.expected == pytest.approx(float(held.order.expected[-1]))
    words = [say(one.text) for one in time_order_blocks(held) if isinstance(one, Paragraph)]
    assert any("how early its events come" in one for one in words)


def test_a_published_curve_is_found_by_its_key() -> None:
    """RuThesis894: local recurrence 8.2 % at 5 and 9.1 % at 10 years."""
    found = from_published(builtin_rates(), "RuThesis894", "local_failure")
    assert found is not None
    assert found.hazard.time == pytest.approx((5 * 365.25, 10 * 365.25))
    assert found.hazard.cumulative == pytest.approx((-math.log(0.918), -math.log(0.909)))
    assert found.share_at(5.0) == pytest.approx(0.082)
    assert found.share_at(1.0) is None
    # from memory, of a stratum, by another estimator, of another end point
    for key, name in (
        ("Verschueren2010", "local_failure"),
        ("COMS19", "local_failure"),
        ("Tarmann2015", "local_failure"),
        ("RuThesis894", "eye_loss"),
    ):
        assert from_published(builtin_rates(), key, name) is None


def test_what_is_no_reference_is_refused() -> None:
    late = Standards(references=(Reference("eye_loss", "Rouberol2004", "us", date(2025, 1, 1)),))
    with pytest.raises(RefusedInputError, match="after the data cut"):
        find_reference(late, "eye_loss", builtin_rates(), CUT)
    unknown = standards(curve="Nobody1900")
    with pytest.raises(RefusedInputError, match=r"choose from .*Rouberol2004"):
        find_reference(unknown, "eye_loss", builtin_rates(), CUT)
    with pytest.raises(RefusedInputError, match="cannot rise with time"):
        find_reference(standards((2.0, 0.9), (5.0, 0.95)), "eye_loss", (), CUT)
    with pytest.raises(RefusedInputError, match="shares inside 0 and 1"):
        find_reference(standards((2.0, 1.0)), "eye_loss", (), CUT)
    assert find_reference(standards((5.0, 0.9)), "death", (), CUT) is None


def test_time_after_the_window_is_cut_off(table_of: Make) -> None:
    cut = censor_after(table_of([100, 400, 800], [1, 1, 0]), 365.25)
    assert cut.time_days.tolist() == [100, 365, 365]
    assert cut.status.tolist() == [1, 0, 0]


def yes_or_no(n: int = 120) -> tuple[Any, Any, Any]:
    rng = np.random.default_rng(8)
    had = rng.random(n) < 0.15
    days = np.where(had, rng.integers(20, 360, n), 700)
    return days, had.astype(int), [date(2016, 1, 1) + timedelta(days=20 * k) for k in range(n)]


def test_steiners_chart_takes_the_references_share(outcome_of: Make) -> None:
    days, had, zero = yes_or_no()
    outcome = outcome_of(days, had, zero=zero)
    rng = np.random.default_rng(3)
    held = gather_short_horizon(outcome, rng, reference=from_standards([(1.0, 0.95), (5.0, 0.8)]))
    assert held.risk == pytest.approx(0.05)
    assert "95.0 % free at 1 year," in held.risk_words
    assert held.limit is not None
    assert held.chart is not None
    by_definition = steiner_cusum(had == 1, np.full(days.size, 0.05), held.limit.limit)
    assert held.chart.value == pytest.approx(by_definition.value)
    assert held.chart.alarms  # three times what was promised
    # a curve that begins after the horizon has no share there
    other = gather_short_horizon(outcome, rng, reference=from_standards([(5.0, 0.8)]))
    assert other.risk == pytest.approx(had.mean())
    assert "drift only" in other.risk_words


def test_a_binomial_funnel_is_drawn_where_everyone_is_known(outcome_of: Make) -> None:
    days, had, zero = yes_or_no()
    results = gather_monitoring(
        outcome_of(days, had, zero=zero), reference=from_standards([(1.0, 0.9), (5.0, 0.6)])
    )
    specs = [one.spec for one in time_order_blocks(results) if isinstance(one, Figure)]
    [drawn] = [one for one in specs if isinstance(one, FunnelFigure) and not one.is_ratio]
    assert drawn.benchmark == pytest.approx(0.1)
    counts = {one.name: (one.n.value, one.events.value) for one in drawn.units}
    for year in {day.year for day in zero}:
        own = [k for k, day in enumerate(zero) if day.year == year]
        assert counts[str(year)] == (len(own), int(had[own].sum()))
    widest = binomial_funnel(0.1, np.asarray(drawn.limits[1].size), (0.001, 0.999)).limits
    assert drawn.limits[1].upper == pytest.approx(widest[:, 1])
    lost = np.where(np.arange(120) == 7, 100, days)
    codes = np.where(np.arange(120) == 7, 0, had)
    partly = gather_monitoring(outcome_of(lost, codes, zero=zero))
    specs = [one.spec for one in time_order_blocks(partly) if isinstance(one, Figure)]
    assert all(one.is_ratio for one in specs if isinstance(one, FunnelFigure))


def test_who_died_soon_after_being_seen_without_the_event_is_known(table_of: Make) -> None:
    from dataclasses import replace

    table = table_of([400, 150], [0, 0])
    assert not all_reached(table, 365)
    with pytest.raises(ValueError, match="not everyone"):
        share_by(table, 365, ["a", "b"])
    for death, known in ((200.0, True), (360.0, True), (390.0, False)):
        died = replace(table, death_days=np.asarray([np.nan, death]))
        assert all_reached(died, 365) is known
    assert all_reached(table_of([400, 150], [0, 2]), 365)  # the eye was removed for another reason
    long_unseen = replace(table_of([400, 100], [0, 0]), death_days=np.asarray([np.nan, 364.0]))
    assert not all_reached(long_unseen, 365)  # last seen 264 days before: over 1.25 planned gaps


def test_a_level_is_no_spread(outcome_of: Make) -> None:
    """Twelve years alike, all at a third of the reference: no more spread than chance."""
    from analysis.benchmarking.unit_comparison import UnitOverExpected
    from analysis.counts.exact_counts import observed_over_expected
    from analysis.counts.funnel import overdispersion

    seen = [4, 6, 5, 5, 7, 3, 5, 6, 4, 5, 5, 5]
    units = tuple(
        UnitOverExpected(f"{k}", 40, observed_over_expected(count, 15.0))
        for k, count in enumerate(seen)
    )
    assert overdispersion(seen, [15.0] * 12).is_beyond_chance
    found = spread_of(units)
    assert found is not None
    assert not found.is_beyond_chance
    assert spread_of(units[:9]) is None
