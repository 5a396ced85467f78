"""Published rates as data: what is refused, what a figure is worth without an interval."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from analysis.benchmarking import published_rates
from analysis.benchmarking.published_rates import (
    PublishedRate,
    Stratum,
    builtin_rates,
    group_series,
    is_end_point,
    read_rates,
)
from registry.errors import RefusedInputError
from reports.commands.rates import gather_rates

HEADINGS = (
    "key,citation,end_point,definition,free_of_event,compares_with,estimator,n,years,estimate,"
    "lower,upper,verified"
)
ROW = (
    "Own2020,Invented 2020,local_control,no regrowth,yes,local_failure,kaplan-meier,200,5,0.9,"
    "0.85,0.94,read"
)


def read_one(row: str) -> PublishedRate:
    return read_rates(f"{HEADINGS}\n{row}\n", "own.csv")[0]


def test_the_side_of_the_event_is_taken() -> None:
    rate = read_one(ROW)
    assert rate.failure == pytest.approx(0.1)
    assert (rate.lower, rate.upper) == pytest.approx((0.06, 0.15))


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ("Invented 2020", "", "citation"),
        ("no regrowth", "", "definition"),
        ("kaplan-meier", "", "estimator"),
        ("kaplan-meier", "average", "estimator"),
        (",200,", ",,", "n is"),
        (",200,", ",20.5,", "n is"),
        (",5,0.9", ",,0.9", "years"),
        (",0.9,", ",90,", "estimate"),
        (",0.9,", ",0.95,", "estimate"),
        ("0.85,0.94", "0.85,", "lower"),
        (",read", ",heard", "verified"),
        ("local_failure", "local_failur", "compares_with"),
        ("local_failure", "vision_loss_0_4", "compares_with"),
    ],
)
def test_what_cannot_be_compared_is_refused_with_its_line(old: str, new: str, named: str) -> None:
    with pytest.raises(RefusedInputError, match=rf"own\.csv, line 2: {named}"):
        read_one(ROW.replace(old, new, 1))


def test_a_figure_stated_twice_is_refused_with_its_line(tmp_path: Path) -> None:
    """Two figures of one series at one time ended in a fault of the program."""
    own = tmp_path / "own.csv"
    other = ROW.replace(",5,0.9", ",8,0.9")
    own.write_text(f"{HEADINGS}\n{ROW}\n{other}\n", encoding="utf-8")
    assert len(gather_rates(own)) == len(builtin_rates()) + 2
    own.write_text(f"{HEADINGS}\n{ROW}\n{other}\n{ROW}\n", encoding="utf-8")
    with pytest.raises(RefusedInputError, match=r"own\.csv, line 4: Own2020, local_control at 5"):
        gather_rates(own)
    # the built-in list itself, taken as a template and left in
    listed = Path(published_rates.__file__).with_name("published_rates.csv")
    own.write_text(listed.read_text(encoding="utf-8"), encoding="utf-8")
    with pytest.raises(RefusedInputError, match="or the built-in list"):
        gather_rates(own)


def test_a_stratum_by_a_field_that_is_none_is_refused() -> None:
    with pytest.raises(RefusedInputError, match=r"stratum is 'thickness'\. Allowed: age_years"):
        read_rates(f"{HEADINGS},stratum\n{ROW},thickness\n", "own.csv")


def test_unknown_and_missing_columns_are_refused() -> None:
    with pytest.raises(RefusedInputError, match="unknown column 'colour'"):
        read_rates(f"{HEADINGS},colour\n{ROW},red\n", "own.csv")
    with pytest.raises(RefusedInputError, match="lacks the column 'n'"):
        read_rates(HEADINGS.replace(",n,", ",") + "\n", "own.csv")


def test_the_built_in_list_is_whole() -> None:
    rates = builtin_rates()
    assert len(rates) > 80
    for rate in rates:
        assert rate.citation
        assert rate.definition
        assert "as above" not in rate.citation + rate.population
        assert rate.compares_with is not None
        assert is_end_point(rate.compares_with)
        assert rate.lower is None or rate.lower <= rate.failure <= rate.upper  # type: ignore[operator]


def test_a_figure_of_the_coms_trial_is_as_printed() -> None:
    """Jampol et al., Ophthalmology 2002;109:2197 (abstract): 10.3 %, 95 % CI 8.0-13.2 %."""
    rate = next(
        one for one in builtin_rates() if (one.key, one.end_point) == ("COMS19", "local_control")
    )
    assert (rate.failure, rate.lower, rate.upper) == pytest.approx((0.103, 0.08, 0.132))
    assert rate.stratum is not None
    assert not rate.stratum.holds(2.4)
    assert rate.stratum.holds(10.0)


def test_what_means_something_else_says_why() -> None:
    odd = [one for one in builtin_rates() if one.key in ("Marinkovic2018_iris", "Messer2020")]
    assert len(odd) == 6
    lines = [one for one in builtin_rates() if one.end_point == "loss_5_lines"]
    deaths = [one for one in builtin_rates() if "histologically" in one.definition]
    assert (len(lines), len(deaths)) == (2, 3)
    assert all(one.unlike for one in (*odd, *lines, *deaths))


def test_levels_of_vision_keep_their_form() -> None:
    """6/60 kept (at least) and better than 6/60, as each paper's own words have it."""
    named = {
        (one.key, one.compares_with)
        for one in builtin_rates()
        if one.end_point.startswith("vision")
    }
    assert ("COMS16", "vision_better_than_6_60") in named
    assert ("Finger2009", "vision_at_least_6_60") in named
    for one in builtin_rates():
        if one.end_point.startswith("vision"):
            is_strict = "better than" in one.definition or "or worse" in one.definition
            assert ("better_than" in (one.compares_with or "")) == is_strict, one.key
    shields = next(one for one in builtin_rates() if one.key == "Shields2000_vision")
    # 20/100 or better at baseline: logMAR 0.7, so 85 - 35 = 50 letters
    assert shields.stratum == Stratum("baseline_letters", low=50)


def test_without_an_interval_n_counts_less_than_binomially() -> None:
    """No printed interval up to 10 years in the list is wider than n/1.6 would make it."""
    bare = read_one(ROW.replace("0.85,0.94", ","))
    low, high = bare.limits()
    binomial = 2 * 1.96 * math.sqrt(0.1 * 0.9 / 200)
    assert high - low > 1.2 * binomial
    printed = [
        one
        for one in builtin_rates()
        if one.lower is not None and one.upper is not None and (one.years or 99) <= 10
    ]
    assert len(printed) >= 9
    for rate in printed:
        p, width = rate.failure, (rate.upper or 1) - (rate.lower or 0)
        assert (width / 3.92) ** 2 / (p * (1 - p) / rate.n) < 1.6


def test_a_limit_of_nothing_leaves_the_other_half() -> None:
    capped = read_one(ROW.replace("0.85,0.94", "0.85,1.0"))
    assert capped.log_hazard_sd() > 0
    nothing = read_one(ROW.replace("0.9,0.85,0.94", "1.0,,"))
    assert math.isnan(nothing.log_hazard_sd())


def test_figures_of_one_series_stand_together_by_time() -> None:
    later = ROW.replace(",5,0.9,0.85,0.94", ",10,0.85,0.8,0.9")
    other = ROW.replace("kaplan-meier", "cumulative incidence")
    rates = read_rates("\n".join([HEADINGS, later, ROW, other]), "own.csv")
    assert [series.years for series in group_series(rates)] == [(5.0, 10.0), (5.0,)]


def test_a_stratum_holds_its_lower_bound_only() -> None:
    stratum = Stratum("thickness_mm", 2.5, 6.0)
    assert [stratum.holds(value) for value in (2.5, 6.0, None)] == [True, False, False]
