"""Properties of acuity readings that hold for any text of a kind."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from registry.acuity import at_least, better_than, read_acuity
from registry.errors import RefusedInputError

DENOMINATORS = st.integers(30, 3600).map(lambda tenths: tenths / 10)
LETTERS = st.integers(0, 100)


@given(DENOMINATORS)
def test_the_unit_of_distance_does_not_matter(denominator: float) -> None:
    metric = read_acuity(f"6/{denominator}")
    decimal = read_acuity(f"{6 / denominator:.17f}", "decimal")
    assert math.isclose(metric.logmar, decimal.logmar, abs_tol=1e-9)
    assert metric.letters == decimal.letters


@given(LETTERS)
def test_letters_survive_the_way_through_logmar(letters: int) -> None:
    reading = read_acuity(f"{letters} letters")
    assert reading.letters == letters
    assert math.isclose(reading.logmar, (85 - letters) / 50, abs_tol=1e-12)


@given(DENOMINATORS, DENOMINATORS)
def test_a_larger_denominator_never_ranks_higher(one: float, other: float) -> None:
    low, high = sorted((one, other))
    better, worse = read_acuity(f"6/{low}"), read_acuity(f"6/{high}")
    assert better.rank >= worse.rank
    assert better.logmar <= worse.logmar


@given(DENOMINATORS, st.integers(1, 5))
def test_a_suffix_counts_letters(denominator: float, count: int) -> None:
    line = read_acuity(f"6/{denominator}").letters
    assert line is not None
    assert read_acuity(f"6/{denominator}-{count}").letters == line - count
    assert read_acuity(f"6/{denominator}+{count}").letters == line + count


@given(LETTERS, LETTERS)
def test_better_than_is_the_opposite_of_at_least_the_other_way(one: int, other: int) -> None:
    first, second = read_acuity(f"{one} letters"), read_acuity(f"{other} letters")
    assert better_than(first, second) == (not at_least(second, first))


@given(st.text(max_size=12))
def test_any_text_is_read_or_refused_and_never_fails_otherwise(text: str) -> None:
    try:
        reading = read_acuity(text)
    except RefusedInputError:
        return
    assert math.isfinite(reading.logmar)
    assert (reading.letters is None) == (reading.off_chart is not None)


@given(st.from_regex(r"[-+]?[0-9]{1,4}(\.[0-9]{0,3})?", fullmatch=True))
def test_no_bare_number_is_read_without_a_notation(text: str) -> None:
    try:
        read_acuity(text)
    except RefusedInputError:
        return
    raise AssertionError(f"{text} was read without a notation")
