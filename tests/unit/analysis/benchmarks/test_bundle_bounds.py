"""The pooled curve of suppressed bundles between bounds that always hold the patients' own."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
from benchmark_tables import build_table
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chi2

from analysis.benchmarking.bundles import GRID_DAYS, Bundle, coarsen, make_bundle
from analysis.estimators.observations import RightCensored
from analysis.estimators.survival import kaplan_meier
from reports.audience.bundle_bounds import bound_curve
from reports.audience.bundle_suppression import (
    SuppressedBundle,
    SuppressedPool,
    SuppressedStratum,
    pool_suppressed,
    suppress,
)
from reports.figures.specs import SurvivalFigure
from reports.page.document import Figure, Paragraph, Table
from reports.pool_report import bounded_blocks, build_pool_report, loss_words
from reports.render.html import render_html
from reports.words.wording import say

GRID = np.asarray(GRID_DAYS)
Row = tuple[int, int, str, str]


def bundles_of(rows: list[Row]) -> list[Bundle]:
    made = []
    for centre in sorted({row[2] for row in rows}):
        own = [row for row in rows if row[2] == centre]
        table = build_table([row[0] for row in own], [row[1] for row in own])
        made.append(
            make_bundle(
                table, [row[3] for row in own], centre=centre, definition="", data_cut="",
                strata_by="size_category",
            )
        )  # fmt: skip
    return made


def true_curve(rows: list[Row]) -> Any:
    """Kaplan–Meier of the patients' own rows on the grid."""
    tick, status, _ = coarsen([r[0] for r in rows], [r[1] for r in rows], [0] * len(rows))
    return kaplan_meier(RightCensored.of(GRID[tick], status))


@settings(max_examples=80, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(1, 5400),
            st.sampled_from([0, 0, 0, 1, 2]),
            st.sampled_from(["A", "B"]),
            st.sampled_from(["T1", "T2"]),
        ),
        min_size=1,
        max_size=120,
    )
)
def test_the_patients_own_curve_lies_between(rows: list[Row]) -> None:
    curve = bound_curve([suppress(bundle) for bundle in bundles_of(rows)])
    if curve is None or curve.left_out:
        return
    truth = true_curve(rows)
    for one in curve.years:
        at = truth.at([one.year * 365.25])
        if not np.isnan(at.estimate[0]):
            assert one.lowest - 1e-12 <= at.estimate[0] <= one.highest + 1e-12
        began = truth.at([(one.year - 1) * 365.25 + 0.01])
        if not np.isnan(began.estimate[0]):
            assert one.at_risk[0] <= began.at_risk[0] <= one.at_risk[1]


def test_bounds_are_those_of_trying_everything() -> None:
    """Two years, one stratum: every number at risk and of events that fits is tried."""
    zeros = (0,) * 13
    shown = SuppressedStratum("x", (20, 15, *zeros), ("hidden", "hidden", *zeros), (20, 10, *zeros))
    curve = bound_curve([SuppressedBundle("A", "death", "", "", "none", (shown,))])
    assert curve is not None
    lows: list[list[float]] = [[], []]
    highs: list[list[float]] = [[], []]
    for first, second, third in itertools.product(range(18, 23), range(13, 18), range(23)):
        for d1, d2 in itertools.product(range(1, 8), repeat=2):
            is_chain = second <= first - d1 and third <= second - d2
            is_spent = second - 2.5 <= 20 <= first + 2.5 and third - 2.5 <= 10 <= second + 2.5
            if is_chain and is_spent and third == 0:
                lows[0].append(second / (second + d1))
                highs[0].append((first - d1) / first)
                lows[1].append(lows[0][-1] * third / (third + d2))
                highs[1].append(highs[0][-1] * (second - d2) / second)
    for k, one in enumerate(curve.years):
        assert one.lowest == pytest.approx(min(lows[k]))
        assert one.highest == pytest.approx(max(highs[k]))


def invented(n: int = 500) -> list[Row]:
    rng = np.random.default_rng(3)
    event, end = rng.exponential(365.25 / 0.05, n), rng.uniform(100, 4500, n)
    days = np.ceil(np.minimum(event, end)).astype(int)
    centre, stratum = rng.choice(["A", "B", "C"], n), rng.choice(["T1", "T2"], n)
    return [
        (int(d), int(e <= c), str(where), str(size))
        for d, e, c, where, size in zip(days, event, end, centre, stratum, strict=True)
    ]


def test_the_report_draws_the_bounds_and_says_the_loss() -> None:
    rows = invented()
    closed = [suppress(bundle) for bundle in bundles_of(rows)]
    pooled, curve = pool_suppressed(closed), bound_curve(closed)
    assert curve is not None
    blocks = bounded_blocks(pooled, curve, "death")
    figure = next(block for block in blocks if isinstance(block, Figure))
    assert isinstance(figure.spec, SurvivalFigure)
    most, fewest = figure.spec.series
    truth = true_curve(rows)
    for place, year in enumerate(most.time_years):
        failure = 1 - truth.at([year * 365.25]).estimate[0]
        low, high = fewest.failure[place], most.failure[place]
        assert low is not None
        assert high is not None
        assert low <= failure <= high
    said = say(next(block for block in blocks if isinstance(block, Paragraph)).text)
    assert said == loss_words(pooled, curve)
    assert f"{pooled.hidden_cells} of {pooled.event_cells}" in said
    table = next(block for block in blocks if isinstance(block, Table))
    assert len(table.rows) == len(curve.years)
    page = render_html(build_pool_report(closed, blocks, "2025-01-31T00:00:00+00:00"))
    assert "most failures possible" in page


def test_more_people_leave_a_narrower_band() -> None:
    def width(n: int) -> float:
        closed = [suppress(bundle) for bundle in bundles_of(invented(n))]
        curve = bound_curve(closed)
        assert curve is not None
        at = curve.at(3)
        assert at is not None
        return at.highest - at.lowest

    assert width(4000) < width(1000) < width(300)


def test_a_stratum_that_withholds_its_numbers_is_left_out_and_counted() -> None:
    hidden = SuppressedStratum("x", ("withheld",) * 15, ("withheld",) * 15, (0,) * 15)
    zeros = (0,) * 14
    shown = SuppressedStratum("y", (50, *zeros), (0, *zeros), (25, *zeros))
    bundle = SuppressedBundle("A", "death", "", "", "none", (hidden, shown))
    curve = bound_curve([bundle])
    assert curve is not None
    assert curve.left_out == 1
    assert bound_curve([SuppressedBundle("A", "death", "", "", "none", (hidden,))]) is None


def test_with_no_event_the_rate_has_a_limit_all_the_same() -> None:
    """3.689 is the exact two-sided upper limit of 0 events (Garwood 1936), by scipy here."""
    closed = [
        suppress(
            make_bundle(
                build_table([1500] * 50, [0] * 50), ["T1"] * 50, centre=name, definition="",
                data_cut="2024-12-31", strata_by="none",
            )
        )
        for name in ("A", "B")
    ]  # fmt: skip
    pooled = pool_suppressed(closed)
    assert pooled.rates() == (0.0, 0.0)
    low, high = pooled.rate_limits()
    assert low == 0
    assert high == pytest.approx(100 * chi2.ppf(0.975, 2) / 2 / pooled.person_years)
    words = loss_words(pooled, None)
    assert "none was seen is not that none can come" in words
    assert "0 of 0" not in words


def test_limits_of_a_rate_hold_those_of_every_count_that_may_be_hidden() -> None:
    pooled = SuppressedPool(("A", "B"), 500, 3, 12.5, 4, 2)
    low, high = pooled.rate_limits()
    for events in range(3, 14):
        exact_low, exact_high = chi2.ppf(0.025, 2 * events) / 2, chi2.ppf(0.975, 2 * events + 2) / 2
        assert low <= 100 * exact_low / 500 + 1e-12
        assert high >= 100 * exact_high / 500 - 1e-12
