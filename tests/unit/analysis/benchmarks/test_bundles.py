"""Pooling from counts equals pooling the patients; the suppressed form withstands an attack."""

from __future__ import annotations

import hashlib
import itertools
import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.benchmarking.bundles import (
    GRID_DAYS,
    Bundle,
    coarsen,
    expect_from_bundle,
    make_bundle,
    on_grid,
    pool_bundles,
)
from analysis.benchmarking.expected_events import ReferenceHazard, expect_events
from analysis.estimators.group_tests import log_rank
from analysis.estimators.observations import RightCensored
from analysis.estimators.survival import kaplan_meier
from registry.errors import RefusedInputError
from reports.audience.bundle_files import read_bundle, write_bundle
from reports.audience.bundle_suppression import (
    SuppressedStratum,
    find_ranges,
    is_pinned,
    pool_suppressed,
    range_of,
    show_count,
    suppress,
    true_counts,
)
from reports.page.document import Table
from reports.pool_report import open_blocks

Make = Callable[..., Any]
GRID = np.asarray(GRID_DAYS)
REFERENCE = ReferenceHazard((1826.25, 3652.5), (0.1, 0.18))


class Centres:
    """Five invented centres of different size, rate and follow-up, with strata and late entry."""

    def __init__(self, n: int = 2000, late: bool = True) -> None:
        rng = np.random.default_rng(11)
        self.centre = rng.choice(list("ABCDE"), n, p=[0.35, 0.25, 0.2, 0.15, 0.05])
        self.stratum = rng.choice(["T1", "T2", "T3"], n)
        yearly = 0.03 * np.where(self.stratum == "T3", 2.5, 1) * np.where(self.centre == "B", 2, 1)
        event = rng.exponential(365.25 / yearly)
        end = rng.uniform(50, 6500, n)
        self.time = np.ceil(np.minimum(event, end)).astype(int)
        self.status = np.where(event <= end, 1, np.where(rng.random(n) < 0.2, 2, 0))
        entry = rng.integers(1, 900, n)
        is_late = (rng.random(n) < 0.1) & (entry < self.time - 200) & late
        self.entry = np.where(is_late, entry, 0)

    def bundles(self, table_of: Make) -> list[Bundle]:
        made = []
        for name in "ABCDE":
            rows = self.centre == name
            table = table_of(self.time[rows], self.status[rows], entry_days=self.entry[rows])
            made.append(
                make_bundle(
                    table,
                    self.stratum[rows].tolist(),
                    centre=name,
                    definition="invented",
                    data_cut="2024-12-31",
                    strata_by="size_category",
                )
            )
        return made

    def on_ticks(self) -> RightCensored:
        tick, status, start = coarsen(self.time, self.status, self.entry)
        return RightCensored.of(
            GRID[tick], status, entry=np.where(start >= 0, GRID[np.maximum(start, 0)], -1.0)
        )


def test_pooled_curve_and_test_are_those_of_the_patients(table_of: Make) -> None:
    data = Centres()
    pooled = pool_bundles(data.bundles(table_of))
    rows = data.on_ticks()
    curve = kaplan_meier(rows, interval="beta-product").curve
    for name in ("time", "at_risk", "events", "estimate", "se", "lower", "upper"):
        ours, theirs = getattr(pooled.kaplan_meier.curve, name), getattr(curve, name)
        np.testing.assert_allclose(ours, theirs, rtol=1e-9, err_msg=name)
    test = log_rank(rows, data.centre.tolist(), strata=data.stratum.tolist())
    assert pooled.log_rank is not None
    assert pooled.log_rank.statistic == pytest.approx(test.statistic, rel=1e-9)
    assert pooled.log_rank.df == 4
    assert pooled.n == 2000


def test_observed_over_expected_is_that_of_the_patients(table_of: Make) -> None:
    data = Centres()
    grid = on_grid(REFERENCE)
    for bundle in data.bundles(table_of):
        rows = data.centre == bundle.centre
        seen = expect_events(grid, data.time[rows], data.status[rows], data.entry[rows])
        observed, expected = expect_from_bundle(bundle, grid)
        assert expected == pytest.approx(seen.expected, rel=1e-9)
        assert observed == seen.observed


def test_rates_are_those_of_a_model_on_the_patients_split_by_year(table_of: Make) -> None:
    """statsmodels' Poisson regression, a row a person-year, built here from the patients."""
    data = Centres(late=False)
    rows = []
    for time, status, centre, stratum in zip(
        data.time, data.status, data.centre, data.stratum, strict=True
    ):
        for year in range(15):
            low, high = GRID[4 * year], GRID[4 * year + 4]
            spent = min(time, high) - low
            if spent > 0:
                rows.append((centre, stratum, year, int(status == 1 and low < time <= high), spent))
    seen_years = sorted({row[2] for row in rows if row[3]})
    rows = [row for row in rows if row[2] in seen_years]
    columns = [np.ones(len(rows))]
    for axis, levels in ((0, "BCDE"), (1, ["T2", "T3"]), (2, seen_years[1:])):
        columns += [np.array([float(row[axis] == level) for row in rows]) for level in levels]
    model = sm.GLM(
        np.array([row[3] for row in rows]),
        np.column_stack(columns),
        family=sm.families.Poisson(),
        offset=np.log([row[4] / 365.25 for row in rows]),
    ).fit(tol=1e-13)
    ratios = pool_bundles(data.bundles(table_of)).rate_ratios
    assert [one.centre for one in ratios] == ["B", "C", "D", "E"]
    assert {one.over for one in ratios} == {"A"}
    assert [one.ratio for one in ratios] == pytest.approx(np.exp(model.params[1:5]), rel=1e-8)
    assert [one.p for one in ratios] == pytest.approx(model.pvalues[1:5], rel=1e-6)


def test_rates_stand_over_the_first_bundle_that_has_an_event(table_of: Make) -> None:
    """A ratio to another centre is the quotient of both: a property of the model."""
    data = Centres()
    bundles = data.bundles(table_of)
    to_a = {one.centre: one.ratio for one in pool_bundles(bundles).rate_ratios}
    empty = make_bundle(
        table_of([900] * 3, [0] * 3), ["T1"] * 3, centre="0", definition=bundles[0].definition,
        data_cut="", strata_by=bundles[0].strata_by,
    )  # fmt: skip
    pooled = pool_bundles([empty, bundles[2], *bundles[:2], *bundles[3:]])
    assert [one.centre for one in pooled.rate_ratios] == ["A", "B", "D", "E"]
    assert {one.over for one in pooled.rate_ratios} == {"C"}
    assert pooled.rate_ratios[1].ratio == pytest.approx(to_a["B"] / to_a["C"], rel=1e-7)
    assert pooled.rate_ratios[0].ratio == pytest.approx(1 / to_a["C"], rel=1e-7)
    assert "0 has no event, and so no rate ratio." in pooled.refused
    words = say_all(open_blocks(pooled, "local_failure", "Series"))
    assert "Rate over that of C, adjusted" in words


def say_all(blocks: list[Any]) -> str:
    return " ".join(block.caption for block in blocks if isinstance(block, Table))


def test_a_bundle_that_is_not_there_is_said_to_be_so(tmp_path: Path) -> None:
    with pytest.raises(RefusedInputError, match="No such file"):
        read_bundle(tmp_path / "none.json")


def test_time_beyond_the_grid_is_censored_at_its_end(table_of: Make) -> None:
    bundle = make_bundle(
        table_of([6000, 5478], [1, 1]), ["a", "a"], centre="A", definition="", data_cut="",
        strata_by="none",
    )  # fmt: skip
    assert [(cell.tick, cell.status) for cell in bundle.cells] == [(60, 0), (60, 1)]
    assert sum(bundle.person_days["a"]) == pytest.approx(GRID_DAYS[-1] + 5478)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"end_point": "death"}, "end point"),
        ({"definition": "other"}, "definition"),
        ({"strata_by": "none"}, "strata by"),
        ({"centre": "A"}, "two bundles|Two bundles"),
        ({"centre": " a. "}, "Two bundles are of the centre"),
        ({"content_hash": "one"}, "are of one registry"),
    ],
)
def test_unlike_bundles_are_refused(table_of: Make, changes: dict[str, Any], said: str) -> None:
    first, second, *_ = Centres().bundles(table_of)
    first = replace(first, content_hash="one")
    with pytest.raises(RefusedInputError, match=said):
        pool_bundles([first, replace(second, **changes)])
    with pytest.raises(RefusedInputError, match="at least two"):
        pool_bundles([first])


def test_the_same_days_of_follow_up_are_the_same_people(table_of: Make) -> None:
    first, second, *_ = Centres().bundles(table_of)
    again = replace(first, centre="Elsewhere", content_hash="two")
    with pytest.raises(RefusedInputError, match="'Elsewhere' are of one registry"):
        pool_bundles([first, second, again])


@pytest.mark.parametrize(
    "change",
    [
        lambda said: said["cells"][0].__setitem__(-1, 1.5),
        lambda said: said["cells"][0].__setitem__(-1, -5),
        lambda said: said["cells"][0].__setitem__(1, -2),
        lambda said: said["cells"][0].__setitem__(3, -1),
        lambda said: said["person_days"].popitem(),
        lambda said: said["person_days"].update({"other": [0.0] * (len(GRID_DAYS) - 1)}),
        lambda said: next(iter(said["person_days"].values())).__setitem__(0, -1.0),
        lambda said: next(iter(said["person_days"].values())).__setitem__(0, math.inf),
        lambda said: said.update(centre="  "),
        lambda said: said.update(centre=7),
        lambda said: said.update(data_cut="yesterday"),
        lambda said: said.update(left_out=0.5),
        lambda said: said.update(kind="other"),
    ],
)
def test_a_bundle_made_by_hand_is_read_strictly(
    table_of: Make, tmp_path: Path, change: Callable[[dict[str, Any]], object]
) -> None:
    """With a checksum of its own, as another program might write it."""
    path = tmp_path / "a.json"
    path.write_text(write_bundle(Centres(late=False).bundles(table_of)[0], "abc"))
    said = json.loads(path.read_text())["bundle"]
    change(said)
    text = json.dumps(said, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    checksum = hashlib.sha256(text.encode()).hexdigest()
    path.write_text(json.dumps({"bundle": said, "sha256": checksum}))
    with pytest.raises(RefusedInputError, match=r"not a whole bundle|of schema 1 and kind 'other'"):
        read_bundle(path)


def test_a_bundle_comes_back_and_a_changed_one_is_refused(table_of: Make, tmp_path: Path) -> None:
    data = Centres(late=False)
    bundle = data.bundles(table_of)[0]
    path = tmp_path / "a.json"
    for made in (bundle, suppress(bundle)):
        path.write_text(write_bundle(made, "abc"), encoding="utf-8")
        read = read_bundle(path)
        assert read == made
        assert getattr(read, "content_hash", "abc") == "abc"
    path.write_text(write_bundle(bundle, "abc"), encoding="utf-8")
    content = json.loads(path.read_text())
    content["bundle"]["cells"][0][-1] += 1
    path.write_text(json.dumps(content))
    with pytest.raises(RefusedInputError, match="checksum differs"):
        read_bundle(path)
    path.write_text("{}")
    with pytest.raises(RefusedInputError, match="cannot be read as a bundle"):
        read_bundle(path)


# --- the attack -----------------------------------------------------------------------------------


def attack(stratum: SuppressedStratum, exact: bool = False) -> list[set[int]]:
    """Every number of events that fits what is shown, year by year, by trying all histories.

    An attacker's own reasoning, apart from the program's: over the years, keep each reachable
    number at risk with the events of one chosen year.
    """
    years = [k for k, shown in enumerate(stratum.at_risk) if shown != 0]

    def allowed(shown: Any, k: int) -> list[int]:
        low, high = (shown, shown) if exact and isinstance(shown, int) else range_of(shown)
        return list(range(int(low), int(min(high, k)) + 1))

    found = []
    for chosen in years:
        reachable = {(risk, -1) for risk in allowed(stratum.at_risk[0], 200)}
        for k in years:
            after = set()
            for risk, note in reachable:
                for events in allowed(stratum.events[k], risk):
                    if k + 1 < len(stratum.at_risk) and k + 1 in years:
                        following = allowed(stratum.at_risk[k + 1], risk - events)
                    else:
                        following = [0]
                    noted = events if k == chosen else note
                    spent = stratum.person_years[k]
                    for left in following:
                        if left - 2.5 <= spent <= risk + 2.5:
                            after.add((left, noted))
            reachable = after
        found.append({note for _, note in reachable})
    return found


def test_the_attack_finds_a_count_where_one_is_to_be_found() -> None:
    """Teeth: with exact numbers at risk, 9 and then 8, the one who left had the event."""
    leaky = SuppressedStratum(
        "x", (9, 8, *(0,) * 13), ("hidden", "hidden", *(0,) * 13), (10, 5, *(0,) * 13)
    )
    assert attack(leaky, exact=True)[0] == {1}
    rounded = replace(leaky, at_risk=(10, 10, *(0,) * 13))
    assert len(attack(rounded)[0]) > 1


def test_no_count_from_1_to_7_of_invented_centres_can_be_worked_out(table_of: Make) -> None:
    for bundle in Centres(n=160, late=False).bundles(table_of):
        for stratum in suppress(bundle).strata:
            _, truth = true_counts(bundle, stratum.stratum)
            years = [k for k, shown in enumerate(stratum.at_risk) if shown != 0]
            for k, values in zip(years, attack(stratum), strict=True):
                if stratum.events[k] in ("hidden", "withheld"):
                    assert truth[k] in values
                    assert truth[k] == 0 or len(values) > 1


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 5400), st.sampled_from([0, 0, 1])), min_size=1, max_size=40)
)
def test_no_hidden_count_of_any_small_stratum_is_pinned(rows: list[tuple[int, int]]) -> None:
    from benchmark_tables import build_table

    table = build_table([r[0] for r in rows], [r[1] for r in rows])
    bundle = make_bundle(
        table, ["all"] * len(rows), centre="A", definition="", data_cut="", strata_by="none"
    )
    for stratum in suppress(bundle).strata:
        at_risk, events = true_counts(bundle, stratum.stratum)
        assert not is_pinned(stratum)
        for side, truth in zip(find_ranges(stratum), (at_risk, events), strict=True):
            assert all(low <= true <= high for (low, high), true in zip(side, truth, strict=True))
        for shown, true in zip(stratum.events, events, strict=True):
            assert shown == "withheld" or shown == show_count(true)
            assert shown not in range(1, 8)


def test_ranges_are_those_of_trying_everything() -> None:
    """Three years, all values tried: find_ranges gives exactly the ends of what is possible."""
    shown = SuppressedStratum(
        "x", (10, "hidden", "hidden", *(0,) * 12), ("hidden", "hidden", 0, *(0,) * 12),
        (10, 5, 5, *(0,) * 12),
    )  # fmt: skip
    fits = [
        (a, b, c, d, e)
        for a, b, c, d, e in itertools.product(range(8, 13), *(range(1, 8),) * 4)
        if b <= a - d and c <= b - e
        and b - 2.5 <= 10 <= a + 2.5 and c - 2.5 <= 5 <= b + 2.5 and c + 2.5 >= 5
    ]  # fmt: skip
    risk, events = find_ranges(shown)
    for place, found in enumerate((risk[0], risk[1], risk[2], events[0], events[1])):
        values = {one[place] for one in fits}
        assert found == (min(values), max(values))


def test_a_suppressed_pool_holds_the_truth_and_says_its_loss(table_of: Make) -> None:
    bundles = Centres(late=False).bundles(table_of)
    closed = [suppress(bundle) for bundle in bundles]
    pooled = pool_suppressed(closed)
    events = [k for b in bundles for s in b.person_days for k in true_counts(b, s)[1]]
    assert pooled.fewest_events <= sum(events) <= pooled.most_events
    assert all("withheld" not in s.events for one in closed for s in one.strata)
    # the rule, applied here anew: of the counts above 0 those up to 7 are gone
    assert pooled.loss == sum(0 < k < 8 for k in events) / sum(k > 0 for k in events)
    low, high = pooled.rates()
    assert low < high


def test_delayed_entry_is_never_suppressed_silently(table_of: Make) -> None:
    late = next(b for b in Centres().bundles(table_of) if any(c.entry_tick >= 0 for c in b.cells))
    with pytest.raises(RefusedInputError, match="delayed entry"):
        suppress(late)
