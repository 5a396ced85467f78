"""Vision estimates: recovery of the synthetic truth, limits, groups, course, answers."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from analysis.estimators.illness_death import ONE_PIECE, VisitedToDeath, fit_illness_death
from analysis.outcomes import vision_limits
from analysis.outcomes.cohort import DataCut
from analysis.outcomes.end_points import DAYS_PER_YEAR
from analysis.outcomes.outcome import Estimation
from analysis.outcomes.vision import (
    Vision,
    VisionGroup,
    analyse_vision,
    analyse_vision_group,
    to_outcome_table,
)
from analysis.outcomes.vision_course import (
    Readings,
    describe_ranks,
    recover_after_surgery,
)
from analysis.outcomes.vision_definition import READINGS, definition_in_words, end_point_of
from analysis.outcomes.vision_history import Losses, VisionHistories, VisionRules
from analysis.outcomes.vision_knots import choose_vision_knots, halve_long_pieces
from analysis.outcomes.vision_levels import VisionLevel, at_least, better_than, loss_of
from analysis.outcomes.vision_limits import bootstrap_loss
from registry.errors import RefusedEstimateError, UsageError
from registry.store import create_store, open_store
from registry.taking_in.intake import take_in
from reports.answers.vision_answer import describe_vision, write_vision_rows
from reports.audience.suppression import publish
from reports.page.document import Paragraph, Provenance, Report, Section, Table, numbered
from reports.page.vision_curves import EXACT, kept_at, kept_band, loss_at, loss_band, state_figure
from reports.render.html import render_html
from reports.results.vision_results import VisionResults, gather_vision
from reports.sections import vision as section_of_vision
from reports.sections.vision import _median
from reports.words.values import Missing, Quantity
from reports.words.wording import say
from synthetic_cohort import expected, expected_vision
from synthetic_cohort.cohort import draw_department, write_files
from synthetic_cohort.truth import DATA_CUT, TRUTH

AT = datetime(2026, 1, 5)
CUT = DataCut(DATA_CUT)
TIMES = (1.0, 2.0, 3.0, 5.0)
PATIENTS = 1500


@pytest.fixture(scope="module")
def department(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """Yield an open store with a drawn department."""
    folder: Path = tmp_path_factory.mktemp("department")
    write_files(draw_department(TRUTH, PATIENTS, np.random.default_rng(20250401)), folder / "files")
    create_store(folder / "store.registry", centre_id="invented", by="tester", at=AT)
    took = take_in(folder / "store.registry", [folder / "files"], by="tester", why="test", at=AT)
    assert took.taken
    with open_store(folder / "store.registry") as store:
        yield store


def analysed(store: Any, level: VisionLevel, **how: Any) -> Vision:
    return analyse_vision(
        store.connection, level, CUT, how=Estimation(replicates=100), at_years=TIMES, **how
    )


@pytest.fixture(scope="module")
def by_6_60(department: Any) -> Vision:
    return analysed(department, at_least("6/60"), resamples=100)


def at(group: VisionGroup, values: Any, years: float) -> float:
    return float(values[list(group.times_years).index(years)])


# Three standard errors of a share among about 1450 eyes, half as wide again for censoring.
@pytest.mark.parametrize(("years", "tolerance"), [(2.0, 0.03), (3.0, 0.04), (5.0, 0.05)])
def test_the_truth_of_the_department_comes_back(
    by_6_60: Vision, years: float, tolerance: float
) -> None:
    """The loss is what readings confirm, between visits: synthetic_cohort.expected_vision."""
    every = expected_vision.read_figures() | expected.read_figures()
    truth = {
        name: figures[years].value
        for name, figures in every.items()
        if name.startswith("vision_6_60") and years in figures
    }
    group = by_6_60.whole
    assert group.occupation is not None
    assert group.npmle is not None
    incidence = at(group, group.occupation.loss_incidence, years)
    above = at(group, group.occupation.above, years)
    assert incidence == pytest.approx(
        truth["vision_6_60_loss_between_readings_incidence"], abs=tolerance
    )
    assert above == pytest.approx(truth["vision_6_60_alive_without_loss"], abs=tolerance)
    free = group.npmle.at([years])
    net = 1 - float(free.lowest[0] + free.highest[0]) / 2
    assert net == pytest.approx(truth["vision_6_60_loss_between_readings_net"], abs=tolerance)
    # the curve as papers print it tends to its own limit, not to the truth
    survival = group.outcome.kaplan_meier
    assert survival is not None
    kept = float(survival.at([years * DAYS_PER_YEAR]).estimate[0])
    assert kept == pytest.approx(truth["vision_6_60_kept_km_limit"], abs=tolerance)


def test_the_states_add_up_and_stand_in_order(by_6_60: Vision) -> None:
    group = by_6_60.whole
    state = group.occupation
    assert state is not None
    known = np.isfinite(state.above)
    total = state.above + state.loss_incidence + state.death_without_loss
    assert total[known] == pytest.approx(np.ones(known.sum()), abs=1e-12)
    assert np.all(state.loss_if_no_one_died[known] >= state.loss_incidence[known] - 1e-12)
    assert np.all(np.diff(state.loss_incidence[known]) >= 0)
    for band in (loss_band(group), kept_band(group)):
        assert np.all(band.lower[known] <= band.estimate[known] + 1e-9)
        assert np.all(band.estimate[known] <= band.upper[known] + 1e-9)
    for name in ("loss_incidence", "above", "dead"):
        beyond = group.times_years > group.last_reading_years
        assert np.isnan(getattr(state, name)[beyond]).all()


def test_the_bounds_hold_the_confirmed_loss(by_6_60: Vision) -> None:
    losses = {one.name: one.groups[0].outcome.events for one in by_6_60.sensitivity}
    main = by_6_60.whole.outcome.events
    # the main definition leaves out removals too near the cut for other losses to be known
    late = losses["unconfirmed last visit ignored"] - main
    assert 0 <= late < 0.05 * main
    assert losses["unconfirmed last visit counts"] > main
    ignored = next(one for one in by_6_60.sensitivity if one.name.endswith("ignored")).groups[0]
    assert ignored.occupation is not None
    assert by_6_60.whole.occupation is not None
    main_5 = at(by_6_60.whole, by_6_60.whole.occupation.loss_incidence, 5.0)
    assert at(ignored, ignored.occupation.loss_incidence, 5.0) < main_5 - 0.01


def test_levels_nest(department: Any, by_6_60: Vision) -> None:
    better = analysed(department, better_than("6/60"), resamples=0, with_sensitivity=False)
    letters = analysed(department, loss_of("0.3"), resamples=0, with_sensitivity=False)
    assert better.whole.outcome.n < by_6_60.whole.outcome.n
    assert better.level.name != by_6_60.level.name
    reasons = [step.step for step in letters.flow]
    assert "acuity off the chart at baseline: letters lost cannot be counted" in reasons
    assert letters.flow[-1].kept == letters.whole.outcome.n
    assert by_6_60.flow[-1].kept == by_6_60.whole.outcome.n


def test_groups_share_the_eyes_out(department: Any, by_6_60: Vision) -> None:
    grouped = analysed(
        department,
        at_least("6/60"),
        by="fovea_distance_mm",
        cuts=(3.0,),
        resamples=0,
        with_sensitivity=False,
    )
    assert sum(group.outcome.n for group in grouped.groups) == by_6_60.whole.outcome.n
    assert sum(group.outcome.events for group in grouped.groups) == by_6_60.whole.outcome.events
    assert [test.name for test in grouped.tests] == ["log-rank", "interval-censored log-rank"]
    near, far = grouped.groups[0], grouped.groups[1]
    assert near.occupation is not None
    assert far.occupation is not None
    assert at(near, near.occupation.loss_incidence, 5.0) > at(
        far, far.occupation.loss_incidence, 5.0
    )


def test_rows_give_the_figures_back(by_6_60: Vision) -> None:
    """Kaplan–Meier and the flow recounted from the written rows alone."""
    rows = list(csv.DictReader(io.StringIO(write_vision_rows(by_6_60))))
    kept = [row for row in rows if row["baseline_included"] == "yes"]
    assert (len(rows), len(kept)) == (by_6_60.histories.n, by_6_60.whole.outcome.n)
    assert {row["status_name"] for row in rows if row["baseline_included"] == "no"} >= {
        "acuity at baseline not at least 6/60"
    }
    times = np.asarray([int(row["time_days"]) for row in kept])
    lost = np.asarray([row["status"] == "1" for row in kept])
    survival = 1.0
    for day in np.unique(times[lost & (times <= 5 * DAYS_PER_YEAR)]):
        survival *= 1 - (lost & (times == day)).sum() / (times >= day).sum()
    curve = by_6_60.whole.outcome.kaplan_meier
    assert curve is not None
    assert float(curve.at([5 * DAYS_PER_YEAR]).estimate[0]) == pytest.approx(survival, rel=1e-10)
    for row in kept:
        if row["first_known_event_days"]:
            assert int(row["last_known_free_days"]) <= int(row["first_known_event_days"])
            assert row["first_known_event_days"] == row["time_days"]


def test_the_answer_holds_what_vision_adds(by_6_60: Vision) -> None:
    answer = describe_vision(by_6_60, TIMES)
    for place in (answer, answer["groups"][0]):
        assert {"illness_death", "if_no_one_died", "state_occupation"} <= set(place)
        assert [row["time"] for row in place["illness_death"]["at"]] == list(TIMES)
    five = answer["illness_death"]["at"][-1]
    days = by_6_60.whole.outcome.table.time_days
    assert five["at_risk"] == int((days >= 5 * DAYS_PER_YEAR).sum())
    assert five["lower"] < five["estimate"] < five["upper"]
    free = answer["if_no_one_died"]["at"][-1]
    assert free["lower"] <= free["lowest"] <= free["highest"] <= free["upper"]
    assert [one["name"] for one in answer["sensitivity"]] == [
        "first observed loss",
        "unconfirmed last visit counts",
        "unconfirmed last visit ignored",
    ]
    assert [one["bound"] is None for one in answer["sensitivity"]] == [True, False, False]
    for one in answer["sensitivity"]:
        row = one["groups"][0]["illness_death"]["at"][-1]
        assert row["lower"] < row["estimate"] < row["upper"]
    assert answer["definition"] == definition_in_words(at_least("6/60"), VisionRules())


def test_the_section_says_what_was_computed(
    department: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("RESAMPLES", "GROUP_RESAMPLES"):
        monkeypatch.setattr(f"reports.results.vision_results.{name}", 8)
    found = gather_vision(
        department.connection,
        CUT,
        analysed_rules(),
        department.settings(),
        Estimation(replicates=100),
    )
    made = section_of_vision.section(found)
    tables = [block for block in made.blocks if isinstance(block, Table)]
    group = found.by_level[1].whole
    followed = [say(cell) for cell in tables[0].rows[5].cells[1:]]
    assert followed[0] == str(
        int((found.by_level[0].whole.outcome.table.time_days >= 365.25).sum())
    )
    assert say(loss_at(group, 5.0)) in [say(cell) for cell in tables[0].rows[7].cells]
    assert say(kept_at(group, 5.0)) in [say(cell) for cell in tables[0].rows[8].cells]
    words = " ".join(say(one.text) for one in section_of_vision.methods(found))
    assert "at least 28 days later" in words
    assert "last acuity in the 90 days" in words
    shown = render_html(_report(made, *section_of_vision.methods(found)))
    published = render_html(publish(_report(made)))
    assert shown.count("<svg") > published.count("<svg") > 0
    assert "eye a point" in shown
    # a scatter of single eyes becomes counts in bands
    assert "logMAR before" not in published
    assert "at least 15 letters" in published


def analysed_rules() -> Any:
    from analysis.outcomes.cohort import CohortRules

    return CohortRules()


def _report(made: Section, *methods: Paragraph) -> Report:
    provenance = Provenance("invented", "2024-12-31", "2025-01-01T00:00:00+00:00")
    return numbered(Report("Audit", "", provenance, (made, Section("Methods", methods))))


# --- hand-made eyes -------------------------------------------------------------------------------


def table_of(
    above: list[float], below: list[float], vital: list[float], died: list[bool]
) -> VisionGroup:
    """Analyse eyes given by their intervals, in days; infinite for no loss."""
    n = len(above)
    zeros, none = np.zeros(n), np.full(n, np.nan)
    names = [tuple(f"{letter}{k}" for k in range(n)) for letter in "UPTI"]
    histories = VisionHistories(
        unit_id=names[0],
        patient_id=names[1],
        tumour_id=names[2],
        first_implant_id=names[3],
        zero_date=(DATA_CUT,) * n,
        reason=zeros.astype(np.int64),
        baseline_rank=np.full(n, 180.0),
        n_readings=np.ones(n, np.int64),
        last_day=zeros,
        last_but_one_day=zeros,
        confirmed_above=none,
        confirmed_below=none,
        first_above=none,
        first_below=none,
        final_above=none,
        final_below=none,
        final_until=none,
        by_removal=zeros.astype(np.int64),
        removed_days=none,
        death_days=np.where(died, vital, np.nan),
        vital_days=np.asarray(vital, float),
        cut_days=np.full(n, max(vital)),
    )
    first = np.asarray(below, float)
    time = np.where(np.isfinite(first), first, above)
    losses = Losses(np.asarray(above, float), first, time)
    end_point = end_point_of(at_least("6/12"))
    table = to_outcome_table(histories, losses, end_point, READINGS["confirmed"])
    how = Estimation(replicates=100)
    return analyse_vision_group("all", table, how, resamples=100, at_years=(1.0, 2.0))


def test_long_pieces_are_halved_while_halves_keep_enough() -> None:
    """By hand: median of 2..9 is 5.5; halves of four losses cannot be halved again."""
    events = np.arange(2.0, 10.0)
    assert halve_long_pieces((), events, longest=1.5, fewest=4) == (5.5,)
    assert halve_long_pieces((), events, longest=10.0, fewest=4) == ()
    assert halve_long_pieces((3.0,), events, longest=1.5, fewest=5) == (3.0,)
    assert halve_long_pieces((), np.empty(0)) == ()


def test_no_loss_has_an_upper_limit() -> None:
    group = table_of([800.0] * 40, [np.inf] * 40, [1000.0] * 40, [True] * 5 + [False] * 35)
    read = loss_at(group, 2.0)
    assert (read.failure, read.lower) == (0.0, 0.0)
    assert loss_band(group).interval == EXACT
    # Clopper-Pearson for 0 of 40: 1 - 0.025 ** (1 / 40)
    assert read.upper == pytest.approx(1 - 0.025 ** (1 / 40), rel=1e-6)
    assert state_figure_of(group) is not None


def state_figure_of(group: VisionGroup) -> Any:
    from types import SimpleNamespace

    return state_figure(SimpleNamespace(whole=group, level=at_least("6/12")))  # type: ignore[arg-type]


def test_few_losses_have_limits_that_hold_the_estimate() -> None:
    below = [400.0, 500.0, 600.0] + [np.inf] * 27
    above = [300.0, 350.0, 500.0] + [800.0] * 27
    group = table_of(above, below, [1000.0] * 30, [False] * 30)
    read = loss_at(group, 2.0)
    assert read.lower is not None
    assert read.upper is not None
    assert read.failure is not None
    assert 0 < read.lower < read.failure < read.upper < 0.4
    assert any("too few for bootstrap limits" in note for note in group.notes)


def test_few_losses_have_at_least_the_limits_of_their_count() -> None:
    """Ten losses of 60: the count's limits are Garwood's (1936), 4.795 and 18.39 (his table)."""
    above, below = [400.0] * 10 + [1000.0] * 50, [500.0] * 10 + [np.inf] * 50
    group = table_of(above, below, [1200.0] * 60, [False] * 60)
    assert group.seen is not None
    assert group.illness_death is not None
    assert group.limits is not None
    assert any("exact limits of their number" in note for note in group.notes)
    two = int(np.searchsorted(group.times_years, 2.0))
    net = -np.log1p(-group.illness_death.at([2.0]).loss_incidence[0])
    for limit, count in ((group.limits.loss_lower, 4.795), (group.limits.loss_upper, 18.39)):
        exact = 1 - np.exp(-net * count / 10)
        is_wider = limit[two] <= exact + 1e-3 if count < 10 else limit[two] >= exact - 1e-3
        assert is_wider


def test_nobody_followed_says_so() -> None:
    group = table_of([0.0, 0.0], [np.inf, np.inf], [100.0, 50.0], [False, True])
    assert group.occupation is None
    assert loss_at(group, 1.0).failure is None
    assert group.notes == ("Nobody was followed: there is no rate to give.",)


def test_removal_at_day_zero_is_a_loss_at_once() -> None:
    below = [0.0, *[400.0] * 9, *[np.inf] * 20]
    group = table_of([0.0, *[300.0] * 9, *[700.0] * 20], below, [900.0] * 30, [False] * 30)
    assert group.outcome.events == 10
    assert group.npmle is not None
    assert float(group.npmle.at([0.0]).highest[0]) == pytest.approx(29 / 30, rel=1e-6)


def test_both_eyes_are_drawn_together() -> None:
    """Doubling every patient's eye adds no information: the limits keep their width."""
    rng = np.random.default_rng(5)
    lost = rng.exponential(4.0, 120)
    visits = np.arange(0.5, 6.0, 0.5)
    above = np.asarray([max([0.0, *visits[visits < time]]) for time in lost])
    below = np.asarray([min([*visits[visits >= time], np.inf]) for time in lost])
    once = VisitedToDeath.of(above, below, np.full(120, 6.0), np.arange(120) % 9 == 0)
    twice = once.draw(np.repeat(np.arange(120), 2))
    widths = []
    for seen, patient in (
        (once, np.arange(120)),
        (twice, np.repeat(np.arange(120), 2)),
        (twice, np.arange(240)),
    ):
        fit = fit_illness_death(seen, ONE_PIECE)
        limits = bootstrap_loss(seen, fit, patient, [3.0], np.random.default_rng(1), resamples=200)
        widths.append(float(limits.loss_upper[0] - limits.loss_lower[0]))
    assert widths[1] == pytest.approx(widths[0], rel=0.15)
    assert widths[2] < 0.85 * widths[1]


def test_draws_of_a_part_show_the_spread_of_draws_of_all(monkeypatch: pytest.MonkeyPatch) -> None:
    """Bickel, Götze & van Zwet 1997, Stat Sinica 7:1-31 (from memory): m draws of n, rescaled."""
    rng = np.random.default_rng(8)
    lost, died = rng.exponential(6.0, 1200), rng.exponential(15.0, 1200)
    vital = np.minimum(died, 7.0)
    visits = np.arange(0.5, 7.0, 0.5)
    above = np.asarray([max([0.0, *visits[visits < t]]) for t in np.minimum(lost, vital)])
    below = np.asarray([min([*visits[visits >= t], np.inf]) for t in lost])
    below[below > vital] = np.inf
    seen = VisitedToDeath.of(above, below, vital, died < 7.0)
    fit = fit_illness_death(seen, choose_vision_knots(seen))
    times, limits = np.array([1.0, 3.0, 5.0]), []
    for many in (10_000, 1_000):
        monkeypatch.setattr(vision_limits, "MANY_PATIENTS", many)
        monkeypatch.setattr(vision_limits, "DRAWN_OF_MANY", 400)
        limits.append(bootstrap_loss(seen, fit, np.arange(1200), times, np.random.default_rng(2)))
    whole, part = limits
    assert part.failed == 0
    for side in ("loss_lower", "loss_upper", "above_lower", "above_upper"):
        name = side.split("_")[0]
        width = getattr(whole, f"{name}_upper") - getattr(whole, f"{name}_lower")
        # 300 draws leave an error of some 5 % of the width in each limit
        assert np.abs(getattr(part, side) - getattr(whole, side)).max() < 0.2 * width.min()


def test_too_few_losses_are_refused_by_the_bootstrap() -> None:
    seen = VisitedToDeath.of([1, 1], [2, np.inf], [3, 3], [False, False])
    with pytest.raises(RefusedEstimateError, match="Under 5 losses"):
        bootstrap_loss(seen, fit_illness_death(seen), [0, 1], [1.0], np.random.default_rng(0))


def test_recovery_after_cataract_surgery_by_hand() -> None:
    """Eye 0 gains 20 letters, 1 loses sight of the chart, 2 stays, 3 is read too late, 4 too soon.

    Surgery on day 500 in all; eye 5 had none.
    """
    readings = [
        (0, 400, 150), (0, 450, 145), (0, 520, 150), (0, 600, 165), (0, 800, 100),
        (1, 450, 140), (1, 560, 3),
        (2, 450, 2), (2, 560, 1),
        (3, 450, 150), (3, 900, 180),
        (4, 100, 150), (4, 560, 180),
        (5, 450, 150), (5, 560, 180),
    ]  # fmt: skip
    row, day, rank = (np.asarray(part, np.int64) for part in zip(*readings, strict=True))
    found = recover_after_surgery(
        Readings(row, day, rank), np.asarray([500.0, 500, 500, 500, 500, np.nan])
    )
    assert (found.operated, found.read) == (5, 3)
    assert (found.gained, found.lost, found.similar) == (1, 1, 1)
    assert (found.before.value, found.after.value) == (140, 3)


def test_a_median_off_the_chart_is_a_level() -> None:
    def worded(ranks: list[int]) -> Any:
        values = np.asarray(ranks, np.int64)
        return _median(describe_ranks(1.0, 20, values, np.arange(len(values))))

    assert worded([2] * 9) == Missing("HM")
    assert worded([2] * 3) == Missing("too few readings")
    assert worded([174] * 9) == Quantity(70.0, 70.0, 70.0, unit="letters", digits=0, n=9)
    # 1/60 has -4 letters: worded in logMAR
    assert worded([100] * 9) == Quantity(1.78, unit="logMAR", digits=2, n=9)


@pytest.mark.parametrize(
    ("choose", "text", "said"),
    [
        (at_least, "6/9", "levels fixed beforehand"),
        (at_least, "1.0", "6/12, 6/60, 3/60"),
        (better_than, "CF", "levels fixed beforehand"),
        (loss_of, "0.4", "0.3, 0.5, 0.6"),
        (loss_of, "three lines", "0.3, 0.5, 0.6"),
    ],
)
def test_levels_not_fixed_beforehand_are_refused(choose: Any, text: str, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        choose(text)


def test_no_eye_at_risk_says_so(department: Any) -> None:
    from datetime import date

    early = analyse_vision(
        department.connection, at_least("6/12"), DataCut(date(2001, 1, 1)), resamples=0
    )
    assert early.warnings == ("no eye is in the cohort at this data cut",)
    assert describe_vision(early, (1.0,))["illness_death"] is None
    empty = VisionResults((early,), (), (), (), recover_after_surgery(_no_readings(), np.empty(0)))
    assert "No eye with an acuity" in say(section_of_vision.section(empty).blocks[0].text)  # type: ignore[union-attr]


def _no_readings() -> Readings:
    nothing = np.empty(0, np.int64)
    return Readings(nothing, nothing, nothing)
