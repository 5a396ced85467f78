"""Waiting times, delivered dose and placement, data quality: recounted from the drawn files."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.outcomes.cohort import CohortRules, DataCut
from registry.store import create_store, open_store
from registry.taking_in.intake import take_in
from reports.audience.suppression import publish
from reports.page.document import (
    Heading,
    Note,
    Paragraph,
    Provenance,
    Report,
    Section,
    Table,
    to_json,
)
from reports.render.html import render_html
from reports.results.quality_results import QualityResults, gather_quality
from reports.sections import data_quality, delivered, tumour_height, waiting
from reports.words.values import Count, KnownOf, Quantity, Rate
from reports.words.wording import say
from synthetic_cohort.cohort import draw_department, write_files
from synthetic_cohort.truth import TRUTH

AT = datetime(2026, 1, 5)
YEAR = 2019
CUT = DataCut(date(2024, 12, 31))


@pytest.fixture(scope="module")
def drawn() -> dict[str, pd.DataFrame]:
    return draw_department(TRUTH, 150, np.random.default_rng(23))


def gathered(path: Path) -> QualityResults:
    with open_store(path) as store:
        settings = store.settings()
        return gather_quality(store.connection, CUT, CohortRules(), settings, YEAR)


@pytest.fixture(scope="module")
def quality(
    drawn: dict[str, pd.DataFrame], tmp_path_factory: pytest.TempPathFactory
) -> QualityResults:
    folder = tmp_path_factory.mktemp("department")
    write_files(drawn, folder / "files")
    path = folder / "drawn.registry"
    create_store(path, centre_id="invented", by="tester", at=AT)
    assert take_in(path, [folder / "files"], by="tester", why="test", at=AT).taken
    return gathered(path)


def tables(section: Section) -> list[Table]:
    return [block for block in section.blocks if isinstance(block, Table)]


def test_waits_are_those_of_the_files(
    drawn: dict[str, pd.DataFrame], quality: QualityResults
) -> None:
    tumours = drawn["tumour"]
    primary = tumours[tumours["prior_treatment"].isin(["none", "unknown", ""])]
    first = drawn["implant"].groupby("tumour_id")["inserted_at"].min().str[:10]
    merged = primary.set_index("tumour_id").join(first)
    merged = merged[merged["referral_date"] != ""]
    days = (pd.to_datetime(merged["inserted_at"]) - pd.to_datetime(merged["referral_date"])).dt.days
    (table,) = tables(waiting.section(quality, YEAR))
    cells = table.rows[3].cells
    assert cells[0] == "Referral to treatment"
    assert cells[3] == KnownOf(len(days), len(primary))
    assert isinstance(cells[4], Quantity)
    assert (cells[4].value, cells[4].lower, cells[4].upper) == tuple(
        np.quantile(days, [0.5, 0.25, 0.75])
    )
    own = days[merged["inserted_at"].str[:4] == str(YEAR)]
    assert isinstance(cells[1], KnownOf)
    assert cells[1].known == len(own)
    assert isinstance(cells[2], Quantity)
    assert cells[2].value == np.median(own)


def test_waits_that_end_before_they_begin_are_noted_only_where_there_are_any(
    quality: QualityResults,
) -> None:
    (table,) = tables(waiting.section(quality, YEAR))
    assert len(table.notes) == 1
    days = {name: np.full_like(known, -1.0) for name, known in quality.waits.days.items()}
    waits = replace(quality.waits, days=days)
    (table,) = tables(waiting.section(replace(quality, waits=waits), YEAR))
    n = waits.year.size * len(days)
    assert say(table.notes[1]).startswith(f"Waits that end before they begin: {n};")


def test_delivered_dose_and_placement_are_those_of_the_files(
    drawn: dict[str, pd.DataFrame], quality: QualityResults
) -> None:
    implants = drawn["implant"]
    agreement, delivery, placement = tables(delivered.section(quality, YEAR))
    assert agreement.rows[0].cells == ("Recorded by: homogeneous water",)
    assert [row.cells[1] for row in agreement.rows[1:]] == [Count(len(implants))] * 3
    # the drawn department records what it delivers, so both ways give the same ratio
    ratio = implants["dose_apex_gy"].astype(float) / implants["prescribed_dose_gy"].astype(float)
    within = int((ratio.sub(1).abs() <= 0.10).sum())
    whole = delivery.rows[1].cells
    assert whole[1] == Count(len(implants))
    assert isinstance(whole[4], Rate)
    assert (whole[4].numerator, whole[4].denominator) == (within, len(implants))
    assert isinstance(whole[2], Quantity)
    assert whole[2].value == pytest.approx(float(ratio.median()), abs=0.002)
    by_words = {row.cells[0]: row.cells for row in placement.rows}
    uncovered = by_words["Tumour lay uncovered at the final check"]
    below = implants["least_margin_mm"].str.startswith("-")
    in_year = implants["inserted_at"].str[:4] == str(YEAR)
    assert uncovered[2] == Rate(int(below.sum()), len(implants), style="bracket")
    assert uncovered[1] == Rate(int((below & in_year).sum()), int(in_year.sum()), style="bracket")


def test_findings_are_counted_by_rule(
    drawn: dict[str, pd.DataFrame], quality: QualityResults
) -> None:
    section = data_quality.section(quality)
    (table,) = tables(section)
    by_words = {row.cells[1]: row.cells[2] for row in table.rows}
    blank = int((drawn["tumour"]["largest_basal_diameter_mm"] == "").sum())
    found = by_words.get("a treated tumour has no largest basal diameter at baseline", Count(0))
    assert found == Count(blank)
    severities = [row.cells[0] for row in table.rows]
    assert severities == sorted(severities, key=["error", "warning", "notice"].index)


def test_the_published_form_hides_small_counts(quality: QualityResults) -> None:
    sections = (
        waiting.section(quality, YEAR),
        delivered.section(quality, YEAR),
        data_quality.section(quality),
    )
    about = Provenance("invented", "2024-12-31", "2025-01-01T00:00:00+00:00")
    published = publish(Report("Audit", "", about, sections))
    assert to_json(published)
    assert render_html(published)
    for section in published.sections:
        for table in tables(section):
            for row in table.rows:
                for cell in row.cells:
                    if isinstance(cell, Count | Rate):
                        n = cell.value if isinstance(cell, Count) else cell.numerator
                        assert n is None or n == 0 or n >= 8


def test_an_empty_registry_says_so(tmp_path: Path) -> None:
    path = tmp_path / "empty.registry"
    create_store(path, centre_id="invented", by="tester", at=AT)
    empty: Any = gathered(path)
    blocks = (
        *waiting.section(empty, YEAR).blocks,
        *delivered.section(empty, YEAR).blocks,
        data_quality.section(empty).blocks[-1],
    )
    assert all(isinstance(block, Note) for block in blocks)
    assert not any(isinstance(block, Heading) for block in blocks)
    assert tumour_height.blocks(empty) == []


def test_heights_are_those_of_the_files_and_the_fit_recovers_the_truth(
    drawn: dict[str, pd.DataFrame], quality: QualityResults
) -> None:
    heading, table, words = tumour_height.blocks(quality)
    assert isinstance(heading, Heading)
    assert isinstance(table, Table)
    assert isinstance(words, Paragraph)
    one_year = table.rows[1].cells
    assert one_year[0] == "1"
    assert isinstance(one_year[2], Quantity)
    assert isinstance(one_year[3], Quantity)
    # drawn by the truth: mean plateau 5/9 (beta 5, 4), time constant 0.8 years
    expected = 5 / 9 + 4 / 9 * np.exp(-1 / 0.8)
    assert one_year[3].value == pytest.approx(expected, abs=0.04)
    assert one_year[2].value == pytest.approx(expected, abs=0.08)
    fit = quality.regression
    assert fit is not None
    assert fit.time_constant_years.lower < 0.8 < fit.time_constant_years.upper
    assert fit.plateau.lower < 5 / 9 < fit.plateau.upper
