"""Benchmark, rates, share and pool from the command line, on an invented department."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from registry.store import create_store, open_store
from registry.taking_in.intake import take_in
from reports.app import app
from reports.command_frame import run_in_frame
from synthetic_cohort.cohort import draw_department, write_files
from synthetic_cohort.truth import TRUTH

CUT = "2024-12-31"


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, dict[str, Any]]:
    """Run a command with --json and return its exit code and answer."""
    code = run_in_frame(app, [*(str(one) for one in arguments), "--json"])
    return code, json.loads(capsys.readouterr().out)


@pytest.fixture(scope="module")
def stores(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Two invented departments of 90 patients."""
    from datetime import datetime

    made = []
    for seed, name in ((3, "First (invented)"), (4, "Second (invented)")):
        folder = tmp_path_factory.mktemp("centre")
        write_files(draw_department(TRUTH, 90, np.random.default_rng(seed)), folder / "files")
        path = folder / "centre.registry"
        at = datetime(2025, 1, 31)
        create_store(path, centre_id=name, by="tester", at=at)
        assert take_in(path, [folder / "files"], by="tester", at=at).taken
        made.append(path)
    return made


def test_benchmark_compares_like_with_like_and_writes_its_report(
    stores: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    margins = tmp_path / "margins.toml"
    margins.write_text(
        '[[margin]]\nend_point = "local_failure"\nratio = 2.0\nsource = "invented"\n'
        "decided_on = 2015-01-01\n"
    )
    code, answer = run(
        capsys, "benchmark", stores[0], "--data-cut", CUT, "--end-point", "local_failure",
        "--margin", margins, "--by", "year", "--out", tmp_path / "out",
    )  # fmt: skip
    assert code == 0
    [found] = answer["end_points"]
    for one in found["comparisons"]:
        if one["estimator"] in ("crude", "pooled crude") or one["verified"] == "from memory":
            assert one["verdict"] == "cannot tell"
        assert one["verdict"] in ("within the margin", "not shown", "worse", "cannot tell")
    assert found["margin"]["ratio"] == 2.0
    page = (tmp_path / "out" / "benchmark-internal.html").read_text(encoding="utf-8")
    assert "Comparison with published rates" in page
    assert "as good as" in page
    assert (tmp_path / "out" / "benchmark-internal.pdf").read_bytes().startswith(b"%PDF")


def test_vision_meets_its_own_level_and_charts_their_reference(
    stores: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    standards = tmp_path / "standards.toml"
    standards.write_text(
        '[[standard]]\nname = "x"\nend_point = "local_failure"\nyears = 5\nat_least = 0.9\n'
        'source = "invented"\ndecided_on = "2014-01-01"\n'
        '[[reference]]\nend_point = "local_failure"\ncurve = "standard"\nsource = "invented"\n'
        "decided_on = 2014-01-01\n"
    )
    code, answer = run(
        capsys, "benchmark", stores[0], "--data-cut", CUT, "--standards", standards,
    )  # fmt: skip
    assert code == 0
    found = {one["end_point"]: one for one in answer["end_points"]}
    assert {"local_failure", "death", "melanoma_death"} <= set(found)
    strict = found["vision_better_than_6_60"]["comparisons"]
    assert {one["key"] for one in strict} == {
        "COMS16", "Shields2000_vision", "Jiang2020", "Vicente2021",
    }  # fmt: skip
    coms = next(one for one in strict if one["key"] == "COMS16")
    assert coms["reading"] == "a loss counts when confirmed, there and here"
    _, vision = run(
        capsys, "vision", stores[0], "--better-than", "6/60", "--data-cut", CUT, "--at", "3",
        "--resamples", 100,
    )  # fmt: skip
    # the same share as `vision` prints as its life table at 3 years
    life_table = vision["groups"][0]["kaplan_meier"]["at"][0]["estimate"]
    assert coms["at"][0]["here"]["value"] == pytest.approx(1 - life_table)
    charts = {one["end_point"]: one for one in answer["time_order"]}
    assert not charts["local_failure"]["reference_is_own"]
    assert "90.0 % free at 5 years" in charts["local_failure"]["reference"]
    assert charts["death"]["reference_is_own"]


def test_the_audit_takes_own_rates_margins_and_a_reference(
    stores: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "own.csv").write_text(
        "key,citation,end_point,definition,free_of_event,compares_with,estimator,n,years,estimate,"
        "verified\nOwn2024,Invented,control,no regrowth,yes,local_failure,kaplan-meier,300,3,0.5,"
        "read\n"
    )
    (tmp_path / "margins.toml").write_text(
        '[[margin]]\nend_point = "local_failure"\nratio = 1.5\nsource = "our meeting"\n'
        "decided_on = 2015-01-01\n"
    )
    (tmp_path / "standards.toml").write_text(
        '[[reference]]\nend_point = "local_failure"\ncurve = "RuThesis894"\nsource = "us"\n'
        "decided_on = 2014-01-01\n"
    )
    code, answer = run(
        capsys, "audit", stores[0], "--year", 2024, "--format", "html", "--out", tmp_path / "out",
        "--rates", tmp_path / "own.csv", "--margin", tmp_path / "margins.toml",
        "--standards", tmp_path / "standards.toml",
    )  # fmt: skip
    assert code == 0
    page = Path(answer["files"]["html"]).read_text(encoding="utf-8")
    assert "was within the margin decided beforehand, up to 1.5 times Own2024" in page
    assert "our meeting, 2015-01-01" in page
    assert "Expected from the published curve RuThesis894" in page


def test_expected_events_are_those_recounted_from_the_rows(
    stores: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """RuThesis894: 8.2 % at 5 and 9.1 % at 10 years, spread evenly; from the rows as exported."""
    rows_file = tmp_path / "rows.csv"
    run(
        capsys, "outcome", stores[0], "--end-point", "local_failure", "--data-cut", CUT,
        "--rows", rows_file,
    )  # fmt: skip
    with rows_file.open(encoding="utf-8") as file:
        rows = [(int(r["time_days"]) / 365.25, r["status"] == "1") for r in csv.DictReader(file)]
    first, second = -np.log1p(-0.082), -np.log1p(-0.091)
    expected = sum(
        first * min(t, 5) / 5 + (second - first) * max(min(t, 10) - 5, 0) / 5 for t, _ in rows
    )
    _, answer = run(
        capsys, "benchmark", stores[0], "--data-cut", CUT, "--end-point", "local_failure"
    )
    one = next(
        c for c in answer["end_points"][0]["comparisons"] if c["key"] == "RuThesis894"
    )  # fmt: skip
    even = next(o for o in one["observed_expected"] if o["early_shape"] == 1.0)
    assert even["expected"] == pytest.approx(expected, rel=1e-9)
    assert even["observed"] == sum(event for t, event in rows if t <= 10)


def test_a_margin_after_the_data_cut_is_refused(
    stores: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    margins = tmp_path / "margins.toml"
    margins.write_text(
        '[[margin]]\nend_point = "death"\nratio = 2.0\nsource = "invented"\n'
        "decided_on = 2025-01-01\n"
    )
    code, answer = run(capsys, "benchmark", stores[0], "--data-cut", CUT, "--margin", margins)
    assert code == 1
    assert "no later than the data cut" in answer["error"]["message"]


def test_the_published_report_shows_no_operators_and_no_chart(
    stores: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _ = run(
        capsys, "benchmark", stores[0], "--data-cut", CUT, "--end-point", "local_failure",
        "--by", "operator", "--audience", "published", "--out", tmp_path,
    )  # fmt: skip
    assert code == 0
    page = (tmp_path / "benchmark-published.html").read_text(encoding="utf-8")
    assert "operator" not in page.lower()
    assert "not part of the published form" in page


def test_rates_lists_refuses_and_adds(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, answer = run(capsys, "rates", "--end-point", "local_failure")
    assert code == 0
    assert {one["compares_with"] for one in answer["rates"]} == {"local_failure"}
    own = tmp_path / "own.csv"
    own.write_text(
        "key,citation,end_point,definition,estimator,n,years,estimate,verified,compares_with\n"
        "Own,Invented,local_failure,regrowth,kaplan-meier,90,5,0.1,read,local_failure\n"
    )
    _, more = run(capsys, "rates", "--rates", own, "--end-point", "local_failure")
    assert len(more["rates"]) == len(answer["rates"]) + 1
    own.write_text(own.read_text().replace("Invented", ""))
    code, refused = run(capsys, "rates", "--rates", own)
    assert code == 1
    assert refused["error"]["where"]["row"] == 2


def test_two_centres_pool_to_the_sum_of_their_rows(
    stores: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = [tmp_path / name for name in ("a.json", "b.json")]
    shared = [
        run(capsys, "share", store, file, "--data-cut", CUT)[1]
        for store, file in zip(stores, files, strict=True)
    ]
    code, pooled = run(capsys, "pool", *files, "--against", "RuThesis894")
    assert code == 0
    assert pooled["n"] == sum(one["n"] for one in shared)
    assert pooled["events"] == sum(one["events"] for one in shared)
    assert [one["centre"] for one in pooled["observed_expected"]] == pooled["centres"]
    closed = [tmp_path / name for name in ("c.json", "d.json")]
    for store, file in zip(stores, closed, strict=True):
        assert run(capsys, "share", store, file, "--suppressed", "--data-cut", CUT)[0] == 0
        assert "P0" not in file.read_text()
    code, bounds = run(capsys, "pool", *closed, "--out", tmp_path / "pooled")
    assert code == 0
    assert bounds["loss"] > 0.9
    assert bounds["kaplan_meier_bounds"]["left_out"] == 0
    own = {row["time"]: row["estimate"] for row in pooled["kaplan_meier"]["at"]}
    for year in bounds["kaplan_meier_bounds"]["years"]:
        if own.get(year["year"]) is not None:
            assert year["lowest"] <= own[year["year"]] <= year["highest"]
    page = (tmp_path / "pooled" / "pool.html").read_text(encoding="utf-8")
    assert "most failures possible" in page
    assert bounds["loss_in_words"].split(".")[0] in page
    code, mixed = run(capsys, "pool", files[0], closed[1])
    assert code == 1
    assert "cannot be pooled together" in mixed["error"]["message"]
    code, twice = run(capsys, "pool", files[0], files[0])
    assert code == 1
    assert "one of each" in twice["error"]["message"]


def test_two_centres_gather_into_one_registry(
    stores: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folders = [tmp_path / "a", tmp_path / "b"]
    sent = [
        run(capsys, "submit", store, folder, "--by", "tester")[1]
        for store, folder in zip(stores, folders, strict=True)
    ]
    together = tmp_path / "together.registry"
    code, made = run(capsys, "gather", together, *folders, "--by", "tester")
    assert code == 0
    assert made["rows"]["patient"] == sum(one["rows"]["patient"] for one in sent)
    assert set(made["centres"].values()) == {"first-invented", "second-invented"}
    assert [
        (one["centre"], one["patients"], one["consenting_only"], one["content_hash"])
        for one in made["submissions"]
    ] == [(one["centre"], one["rows"]["patient"], True, one["content_hash"]) for one in sent]
    code, by_centre = run(
        capsys, "outcome", together, "--end-point", "death", "--by", "centre_id",
        "--data-cut", CUT, "--no-sensitivity",
    )  # fmt: skip
    assert code == 0
    assert len(by_centre["groups"]) == 2
    code, refused = run(capsys, "gather", together, *folders, "--by", "tester")
    assert code == 1
    assert "exists" in refused["error"]["message"]


def test_the_stores_stayed_as_they_were(stores: list[Path]) -> None:
    with open_store(stores[0]) as store:
        assert store.connection.execute("SELECT count(*) FROM patient").fetchall() == [(90,)]
