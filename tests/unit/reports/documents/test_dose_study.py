"""The report of a dose–response study: what it holds, and what its published form may not tell."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator
from datetime import date
from typing import Any

import numpy as np
import pytest

from analysis.dose_effect.dose_response import (
    DoseResponse,
    HowToAnswer,
    Refused,
    answer_question,
)
from analysis.dose_effect.dose_rows import DoseQuestion
from analysis.outcomes.cohort import DataCut
from reports.audience.suppression import publish
from reports.dose_study import build_study
from reports.page.document import Figure, Report, Section, Table
from reports.render.glyphs import texts
from reports.render.laid_out import lay_out
from reports.studies.question_log import QuestionCount
from reports.studies.reporting_items import GUIDELINES, OTHER_PLACES, items_of, read_items
from reports.words.values import Count, CurveEstimate, KnownOf, PValue, Quantity, Rate
from synthetic_cohort.cohort import TRUTH, draw_department
from synthetic_cohort.in_memory import hold_in_memory

HOW = HowToAnswer(simulations=4, imputations=2, validation_samples=4)
SOURCE = {
    "centre": "Invented", "content_hash": "none", "half_life_source": "ICRP 107",
    "last_recorded_at": "2025-01-01T00:00:00+00:00",
}  # fmt: skip


@pytest.fixture(scope="module")
def answer() -> Iterator[DoseResponse]:
    connection = hold_in_memory(draw_department(TRUTH, 620, np.random.default_rng(7)))
    question = DoseQuestion("local_failure", "apex", adjust=("thickness_mm", "isotope"))
    yield answer_question(
        connection, question, DataCut(date(2024, 12, 31)), against="vision:6/60", how=HOW
    )
    connection.close()


def study(found: DoseResponse) -> Report:
    return build_study(found, HOW, None, QuestionCount(1, 1, 1, "a.csv"), SOURCE)


def true_counts(found: DoseResponse) -> set[int]:
    """Every count of people or eyes that the analysis made."""
    rows = found.rows
    counts = [rows.n, rows.events, int(np.sum(rows.status > 1)), int(np.sum(rows.end_status > 1))]
    counts += [c for step in rows.flow for c in (step.left_out, step.kept)]
    counts += [c for one in found.models for c in (one.n, one.events)]
    for curve in found.curves.values():
        if not isinstance(curve, Refused):
            counts += [curve.fit.n, curve.fit.events, curve.outcome.at_horizon]
    if not isinstance(found.confounding, Refused):
        counts += [c for one in found.confounding.thirds for c in (one.n, one.events)]
    if isinstance(found.against, tuple) and not isinstance(found.against[1], Refused):
        counts += [found.against[0].n, found.against[0].events, found.against[1].fit.events]
    if found.validation is not None and not isinstance(found.validation, Refused):
        counts += [c for one in found.validation.calibration for c in (one.n, one.events)]
    if found.imputed is not None:
        counts += [found.imputed.n, found.imputed.events]
    counts += np.unique(np.array(rows.isotope), return_counts=True)[1].tolist()
    return set(counts)


def whole_numbers(report: Report, *, without: tuple[str, ...] = ()) -> set[int]:
    """Whole numbers that stand by themselves anywhere in a report: text, hover, tables, CSV."""
    kept = tuple(one for one in report.sections if one.title not in without)
    said = texts(lay_out(dataclasses.replace(report, sections=kept), narrow=True))
    plain = [words.replace("\N{NO-BREAK SPACE}", " ") for _, words in said]
    found = re.findall(r"(?<![\d.,:/–−-])\d+(?![\d.,:/–-]*\d)", " \n".join(plain))
    return {int(number) for number in found}


def walk(thing: Any) -> Iterator[Any]:
    yield thing
    if isinstance(thing, tuple):
        for part in thing:
            yield from walk(part)
    elif dataclasses.is_dataclass(thing):
        for field in dataclasses.fields(thing):
            yield from walk(getattr(thing, field.name))


def counts_of(value: Any) -> list[int | None]:
    match value:
        case Count(value=count):
            return [count]
        case KnownOf(known=count, total=total) | Rate(numerator=count, denominator=total):
            return [count, total]
        case CurveEstimate(n=n, events=events, at_risk=at_risk):
            return [n, events, at_risk]
        case Quantity(n=n, events=events):
            return [n, events]
        case PValue(events=events):
            return [events]
    return []


def test_no_true_count_stands_in_the_published_form(answer: DoseResponse) -> None:
    """Every count of the analysis that rounding changes is looked for, number by number."""
    report = study(answer)
    words = ("References", "Reporting guidelines")  # years, pages and item numbers
    secrets = {count for count in true_counts(answer) if count > 7 and count % 5}
    inside = whole_numbers(report, without=words)
    assert len(secrets) > 8
    # most of them are printed in the internal form, so the search would find them
    assert len(secrets & inside) > 0.6 * len(secrets)
    outside = whole_numbers(publish(report), without=words)
    # numbers that the text holds whatever the data: percentiles, methods, simulation sizes
    empty = {1, 5, 10, 24, 25, 50, 90, 95, 99, 106, 107, 125, HOW.seed}
    assert secrets & outside <= empty


def test_every_value_of_the_published_form_is_rounded_or_hidden(answer: DoseResponse) -> None:
    made = publish(study(answer))
    seen = 0
    for thing in walk(made):
        for count in counts_of(thing):
            seen += count is not None
            assert count is None or count == 0 or (count >= 10 and count % 5 == 0)
        if isinstance(thing, Quantity) and thing.events is not None and thing.events < 8:
            assert thing.value is None
    assert seen > 100
    assert publish(made) == made


def test_single_people_are_not_in_the_published_form(answer: DoseResponse) -> None:
    """Rugs are single doses; the ends of a third of thickness are single tumours' heights."""
    made = publish(study(answer))
    drawn = [b.spec for s in made.sections for b in s.blocks if isinstance(b, Figure)]
    assert not any(getattr(spec, "doses_with_event", ()) for spec in drawn)
    assert not any(getattr(spec, "doses_without_event", ()) for spec in drawn)
    said = " ".join(words for _, words in texts(lay_out(made, narrow=True)))
    least, most = np.nanmin(answer.rows.thickness_mm), np.nanmax(answer.rows.thickness_mm)
    assert f"{least:.1f} to" not in said
    assert f"to {most:.1f}" not in said


def sections(report: Report) -> dict[str, Section]:
    return {one.title: one for one in report.sections}


def test_items_of_the_guidelines_name_places_that_exist(answer: DoseResponse) -> None:
    titles = {re.sub(r"^\d+\s+", "", title) for title in sections(study(answer))}
    for item in read_items():
        assert item.answer, f"{item.guideline} {item.item} says neither where nor why not"
        assert set(item.places) <= titles | set(OTHER_PLACES), item


@pytest.mark.parametrize(
    ("guideline", "numbers"),
    [
        # STROBE has 22 items (von Elm 2007); RECORD adds 13 (Benchimol 2015); TRIPOD has 22, of
        # which 12 and 17 concern validation in other data only (Collins 2015). From memory.
        ("STROBE", {str(k) for k in range(1, 23)}),
        ("TRIPOD", {str(k) for k in range(1, 23)} - {"12", "17"}),
        ("RECORD", {"1.1", "1.2", "1.3", "6.1", "6.2", "6.3", "7.1", "12.1", "12.2", "12.3",
                    "13.1", "19.1", "22.1"}),
    ],
)  # fmt: skip
def test_no_item_is_left_out(guideline: str, numbers: set[str]) -> None:
    found = {re.sub(r"[a-e]$", "", one.item) for one in items_of(guideline)}
    assert found == numbers


def test_the_report_shows_a_table_for_each_guideline(answer: DoseResponse) -> None:
    (section,) = (s for s in study(answer).sections if s.title.endswith("Reporting guidelines"))
    tables = [block for block in section.blocks if isinstance(block, Table)]
    assert [len(table.rows) for table in tables] == [len(items_of(name)) for name in GUIDELINES]


def test_table_one_adds_up(answer: DoseResponse) -> None:
    (section,) = (s for s in study(answer).sections if s.title.endswith("Question and patients"))
    table = [block for block in section.blocks if isinstance(block, Table)][-1]
    for row in table.rows[:2]:
        every, *thirds = (cell.value for cell in row.cells[1:] if isinstance(cell, Count))
        assert every == sum(count for count in thirds if count is not None)
    medians = [r for r in table.rows if str(r.cells[0]).startswith("dose at the apex")]
    values = [cell.value for cell in medians[0].cells[1:] if isinstance(cell, Quantity)]
    assert values[0] == pytest.approx(float(np.median(answer.rows.dose)))
    low, middle, high = values[1:]
    assert low is not None
    assert middle is not None
    assert high is not None
    assert low < middle < high


def words_of(report: Report, title: str) -> str:
    (part,) = (one for one in report.sections if one.title.endswith(title))
    alone = dataclasses.replace(report, sections=(part,))
    return " ".join(words for _, words in texts(lay_out(alone, narrow=True)))


@pytest.mark.parametrize(
    ("shift", "se", "said"),
    [
        (0.1, 0.02, "an estimate towards no effect: a hazard ratio of 0.765 from recorded doses"),
        (-0.1, 0.02, "an estimate away from no effect"),
        (0.03, 0.02, "The shift cannot be told from none"),
    ],
)
def test_dose_error_says_which_way_it_moves_the_estimate(
    answer: DoseResponse, shift: float, se: float, said: str
) -> None:
    """Below no effect, a shift upwards is towards it: exp(-0.268) = 0.765, exp(-0.368) = 0.692."""
    assert not isinstance(answer.error, Refused)
    assert answer.error is not None
    error = dataclasses.replace(
        answer.error, coef=-0.268, shift=shift, shift_se=se, corrected=-0.268 - shift
    )
    words = words_of(study(dataclasses.replace(answer, error=error)), "Power and dose error")
    assert said in words
    assert ("would stand for 0.692" in words) == (shift == 0.1)
    assert "\u22120.2680" in words
    assert "-0.2680" not in words


def test_immortal_time_of_a_course_is_told(answer: DoseResponse) -> None:
    assert "immortal time" in words_of(study(answer), "Methods")


def test_covariates_are_named_in_words(answer: DoseResponse) -> None:
    words = words_of(study(answer), "Confounding by indication")
    assert "isotope Ru-106" in words
    assert "thickness mm" not in words
    assert "isotope[" not in words
