"""Staging never goes down as a tumour grows or more of the eye is involved."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from registry.staging import find_size_category, find_stage_group, stage_tumour

SIZES = st.integers(10, 250).map(lambda tenths: tenths / 10)
STAGES = ("I", "IIA", "IIB", "IIIA", "IIIB", "IIIC", "IV")


@given(SIZES, SIZES, SIZES)
def test_size_category_rises_with_thickness(one: float, other: float, diameter: float) -> None:
    thin, thick = sorted((one, other))
    assert find_size_category(thin, diameter) <= find_size_category(thick, diameter)


@given(SIZES, SIZES, SIZES)
def test_size_category_rises_with_diameter(one: float, other: float, thickness: float) -> None:
    narrow, wide = sorted((one, other))
    assert find_size_category(thickness, narrow) <= find_size_category(thickness, wide)


@given(SIZES, SIZES, st.sampled_from(["a", "b", "c", "d"]))
def test_stage_rises_with_size_for_any_letter(one: float, other: float, letter: str) -> None:
    small, large = sorted((one, other))
    stages = [
        find_stage_group(find_size_category(size, size) + letter, "n0", "m0")
        for size in (small, large)
    ]
    places = [STAGES.index(str(stage)) for stage in stages]
    assert places == sorted(places)


@given(
    SIZES,
    SIZES,
    st.sampled_from(["yes", "no"]),
    st.sampled_from(["none", "up_to_5_mm", "over_5_mm"]),
)
def test_what_is_possible_holds_what_is_true(
    thickness: float, diameter: float, ciliary_body: str, extraocular: str
) -> None:
    known = stage_tumour(
        thickness,
        diameter,
        ciliary_body=ciliary_body,
        extraocular=extraocular,
        nodes="n0",
        metastasis="m0",
    )
    blind = stage_tumour(thickness, diameter)
    assert known.category in blind.possible_categories
    assert known.stage in blind.possible_stages
    assert known.possible_stages == (known.stage,)
