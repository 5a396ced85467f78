"""The rules of one cell: what is sound, what is found, what to do.

Python's own ``datetime`` and ``Decimal`` are the outside reference for what a date or number is.
"""

from __future__ import annotations

import re
from datetime import date, datetime
from decimal import Decimal
from typing import Any

import duckdb
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.entry_rules.rules import DateOrder, find_remedy, make_check, make_text_query
from registry.records import TABLES

TODAY = date(2026, 1, 31)


def judge(
    table: str, field_name: str, cells: list[str], date_order: DateOrder | None = None
) -> list[tuple[Any, str | None]]:
    """Judge cells of one field; return the value and the problem of each."""
    field = TABLES[table].field(field_name)
    check = make_check(field, today=TODAY, date_order=date_order)
    with duckdb.connect() as connection:
        connection.register("texts", pa.table({"text": pa.array(cells, pa.string())}))
        rows = connection.sql(make_text_query(check, "texts")).to_arrow_table().to_pylist()
    assert all(row["is_blank"] == (not cell.strip()) for row, cell in zip(rows, cells, strict=True))
    return [(row["value"], row["problem"]) for row in rows]


def judge_one(
    table: str, field: str, cell: str, date_order: DateOrder | None = None
) -> tuple[Any, str | None, str | None]:
    """Judge one cell; return its value, problem and remedy."""
    [(value, problem)] = judge(table, field, [cell], date_order)
    remedy = find_remedy(problem, cell, TABLES[table].field(field)) if problem else None
    return value, problem, remedy


@pytest.mark.parametrize(
    ("table", "field", "cell", "value"),
    [
        ("visit", "visit_date", "2024-02-29", date(2024, 2, 29)),
        ("visit", "visit_date", " 2024-02-29\u00a0", date(2024, 2, 29)),
        ("visit", "visit_date", "2026-01-31", date(2026, 1, 31)),
        ("implant", "inserted_at", "2024-02-29 09:05", datetime(2024, 2, 29, 9, 5)),
        ("implant", "inserted_at", "2024-02-29T23:59:58", datetime(2024, 2, 29, 23, 59, 58)),
        ("visit", "thickness_mm", "5.2", Decimal("5.2")),
        ("visit", "thickness_mm", "0.123456", Decimal("0.123456")),
        ("tumour", "fovea_distance_meridian_mm", "-1.5", Decimal("-1.5")),
        ("event", "grade", "4", 4),
        ("tumour", "eye", "left", "left"),
        ("implant", "position_check", "ultrasound; other", "ultrasound;other"),
        ("implant", "position_check", "none", "none"),
        ("patient", "patient_id", "P-07/å", "P-07/å"),
        ("visit", "acuity", "6/9", "6/9"),
        ("patient", "sex", "   ", None),
    ],
)
def test_a_sound_cell_becomes_its_value(table: str, field: str, cell: str, value: Any) -> None:
    assert judge_one(table, field, cell) == (value, None, None)


@pytest.mark.parametrize(
    ("table", "field", "cell", "problem", "remedy"),
    [
        ("visit", "visit_date", "", "missing", "may not be blank"),
        ("visit", "visit_date", "2023-02-29", "no_such_day", "there is no such day"),
        ("visit", "visit_date", "24-05-06", "two_digit_year", "four digits"),
        ("visit", "visit_date", "05/06/24", "two_digit_year", "four digits"),
        ("visit", "visit_date", "05/06/2024", "other_order", "--date-order"),
        ("visit", "visit_date", "2024-1-5", "other_order", "YYYY-MM-DD"),
        ("visit", "visit_date", "2026-02-01", "in_future", "future"),
        ("visit", "visit_date", "0202-02-01", "before_1900", "before 1900"),
        ("visit", "visit_date", "inf", "not_a_date", "YYYY-MM-DD"),
        ("visit", "visit_date", "epoch", "not_a_date", "YYYY-MM-DD"),
        ("visit", "visit_date", "45292", "day_number", "spreadsheet"),
        ("implant", "inserted_at", "45292.5", "day_number", "spreadsheet"),
        ("visit", "visit_date", "٢٠٢٤-٠١-٠١", "not_a_date", "YYYY-MM-DD"),
        ("patient", "death_date", "n/a", "not_a_date", "leave the cell blank"),
        ("implant", "inserted_at", "2024-02-28", "no_time", "inserted_precision"),
        ("implant", "inserted_at", "2024-02-28 24:00", "not_a_time", "HH:MM"),
        ("implant", "inserted_at", "2024-02-28 09:00Z", "with_zone", "without a time zone"),
        ("implant", "inserted_at", "2024-02-28 09:00+01:00", "with_zone", "without a time zone"),
        ("implant", "removed_at", "2023-02-29 09:00", "no_such_day", "no such day"),
        ("visit", "thickness_mm", "5,2", "decimal_comma", "write 5.2, or say --decimal comma"),
        ("visit", "iop_mmhg", "1,000.5", "thousands", "write 1000.5"),
        ("visit", "iop_mmhg", "139", "out_of_range", "139 is above 80"),
        ("visit", "iop_mmhg", "-1", "out_of_range", "-1 is below 0"),
        ("visit", "iop_mmhg", "9" * 30, "out_of_range", "is above 80"),
        ("visit", "thickness_mm", "5.1234567", "too_many_decimals", "at most 6"),
        ("visit", "thickness_mm", ".5", "bare_point", "write 0.5"),
        ("visit", "thickness_mm", "5.", "bare_point", "write 5"),
        ("visit", "thickness_mm", "5.2 mm", "not_a_number", "digits only"),
        ("visit", "thickness_mm", "1e1", "not_a_number", "digits only"),
        ("visit", "thickness_mm", "nan", "not_a_number", "leave the cell blank"),
        ("visit", "thickness_mm", "0x10", "not_a_number", "digits only"),
        ("event", "grade", "2.0", "not_whole", "whole number"),
        ("event", "grade", "2,5", "not_whole", "whole number"),
        ("event", "grade", "1_0", "not_a_number", "digits only"),
        ("event", "grade", "5", "out_of_range", "5 is above 4"),
        ("tumour", "eye", "OD", "unknown_code", 'write "right"'),
        ("tumour", "eye", "Left", "unknown_code", 'write "left"'),
        ("tumour", "site", "choriod", "unknown_code", 'write "choroid"'),
        ("patient", "sex", "n/a", "unknown_code", "leave the cell blank"),
        ("implant", "position_check", "none; other", "none_combined", '"none" alone'),
        ("implant", "position_check", "other;other", "code_repeated", "once"),
        ("implant", "position_check", "other;", "unknown_code", "semicolon"),
        ("implant", "position_check", "other;Ultrasound", "unknown_code", '"ultrasound"'),
        ("patient", "patient_id", "P" * 201, "too_long", "200"),
        ("patient", "patient_id", "P\u200b1", "unseen_character", "cannot be seen"),
        ("patient", "patient_id", "P\n1", "unseen_character", "line break"),
        ("patient", "patient_id", "P\x1b[2J", "unseen_character", "cannot be seen"),
    ],
)
def test_an_unsound_cell_is_named_with_its_remedy(
    table: str, field: str, cell: str, problem: str | None, remedy: str | None
) -> None:
    value, found, said = judge_one(table, field, cell)
    assert value is None
    assert found == problem
    assert (said is None) == (remedy is None)
    assert remedy is None or remedy in str(said)


_FORMS = {"dmy": "%d{0}%m{0}%Y", "mdy": "%m{0}%d{0}%Y", "ymd": "%Y{0}%m{0}%d"}


@settings(max_examples=30, deadline=None)
@given(
    day=st.dates(date(1900, 1, 1), TODAY),
    order=st.sampled_from(["dmy", "mdy", "ymd"]),
    mark=st.sampled_from("/.-"),
    is_padded=st.booleans(),
)
def test_a_declared_order_is_followed_as_strptime_does(
    day: date, order: DateOrder, mark: str, is_padded: bool
) -> None:
    form = _FORMS[order].format(mark)
    text = day.strftime(form)
    if not is_padded:
        text = re.sub(r"(?<!\d)0(?=\d)", "", text)
    assert datetime.strptime(text, form).date() == day
    assert judge_one("visit", "visit_date", text, order) == (day, None, None)
    assert judge_one("visit", "visit_date", day.isoformat(), order)[0] == day
    stamped = judge_one("implant", "inserted_at", text + " 07:08", order)
    assert stamped[0] == datetime(day.year, day.month, day.day, 7, 8)


def test_a_day_that_the_declared_order_forbids_is_refused() -> None:
    assert judge_one("visit", "visit_date", "13/25/2024", "dmy")[1] == "no_such_day"
    assert judge_one("visit", "visit_date", "25/12/2024", "mdy")[1] == "no_such_day"
    assert judge_one("visit", "visit_date", "25/12/2024", "dmy")[0] == date(2024, 12, 25)
    with pytest.raises(ValueError, match="'ydm'"):
        judge_one("visit", "visit_date", "2024-01-01", "ydm")  # type: ignore[arg-type]


@settings(max_examples=25, deadline=None)
@given(st.lists(st.text(st.sampled_from("0123456789.,-+eE _nainfNx"), max_size=7), max_size=40))
def test_no_text_becomes_a_number_that_decimal_reads_otherwise(texts: list[str]) -> None:
    for field in ("iop_mmhg", "thickness_mm"):
        for text, (value, problem) in zip(texts, judge("visit", field, texts), strict=True):
            if value is None:
                assert problem or not text.strip()
            else:
                assert Decimal(text.strip()) == value
                assert problem is None


def test_every_declared_field_takes_its_own_limits_and_codes() -> None:
    for table in TABLES.values():
        for field in table.entered:
            sound = list(field.codes)
            if field.low is not None and field.high is not None:
                sound = [str(field.low), str(field.high)]
            judged = judge(table.name, field.name, sound)
            assert all(problem is None for _, problem in judged), field


@pytest.mark.parametrize("table", list(TABLES))
def test_every_problem_that_a_check_can_name_has_a_remedy(table: str) -> None:
    for field in TABLES[table].entered:
        check = make_check(field, today=TODAY, date_order="dmy")
        for problem in ("missing", check.otherwise, *(name for name, _ in check.diagnoses)):
            assert find_remedy(problem, "1", field)
