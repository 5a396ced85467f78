"""What staging does with unknown findings, contradictions and impossible sizes."""

from __future__ import annotations

from decimal import Decimal

import pytest

from registry.errors import RefusedInputError
from registry.staging import (
    find_letter,
    find_size_category,
    find_stage_group,
    round_size_mm,
    stage_tumour,
)

KNOWN = {"ciliary_body": "no", "extraocular": "none", "nodes": "n0", "metastasis": "m0"}


@pytest.mark.parametrize(
    ("size", "rounded"),
    [(3.04, "3.0"), (3.05, "3.1"), (Decimal("3.05"), "3.1"), (3.049999, "3.0"), (12.05, "12.1")],
)
def test_sizes_are_rounded_as_written_halves_upward(size: float | Decimal, rounded: str) -> None:
    # The binary number nearest to 3.05 lies below it; what was written decides.
    assert round_size_mm(size) == Decimal(rounded)


@pytest.mark.parametrize("size", [0, -1.0, float("nan"), float("inf")])
def test_impossible_sizes_are_misuse(size: float) -> None:
    with pytest.raises(ValueError, match="a size must be above 0 mm"):
        find_size_category(size, 10)


def test_a_full_record() -> None:
    staged = stage_tumour(5.5, 11.0, **KNOWN)
    assert (staged.size_category, staged.category, staged.stage) == ("T2", "T2a", "IIA")
    assert (staged.possible_categories, staged.possible_stages) == (("T2a",), ("IIA",))
    assert (staged.coms_early, staged.coms_final) == ("medium", "medium")
    assert staged.reasons == ()


def test_unknown_ciliary_body_leaves_the_letter_open() -> None:
    staged = stage_tumour(5.5, 11.0, **KNOWN | {"ciliary_body": "unknown"})
    assert (staged.category, staged.stage) == ("T2", None)
    assert staged.possible_categories == ("T2a", "T2b")
    assert staged.possible_stages == ("IIA", "IIB")
    assert staged.reasons == (
        "Ciliary body involvement is unknown, so the category has no letter.",
        "The stage may be IIA or IIB.",
    )


def test_a_stage_that_does_not_hang_on_the_unknown_is_given() -> None:
    # T1b, T1c and T1d are all IIA, so with the ciliary body involved the extension up to 5 mm
    # does not matter; over 5 mm would be T4e.
    staged = stage_tumour(
        2.0, 8.0, **KNOWN | {"extraocular": "up_to_5_mm", "ciliary_body": "unknown"}
    )
    assert staged.category == "T1"
    assert staged.possible_categories == ("T1c", "T1d")
    assert staged.stage == "IIA"


def test_unknown_nodes_leave_the_stage_open_and_metastasis_settles_it() -> None:
    staged = stage_tumour(2.0, 8.0, **KNOWN | {"nodes": "unknown"})
    assert staged.stage is None
    assert staged.possible_stages == ("I", "IV")
    assert staged.reasons == ("The stage may be I or IV (node status unknown).",)
    assert stage_tumour(2.0, 8.0, **KNOWN | {"nodes": "unknown", "metastasis": "m1a"}).stage == "IV"


def test_missing_size_leaves_the_category_open_unless_extension_decides() -> None:
    staged = stage_tumour(None, 8.0, **KNOWN)
    assert (staged.size_category, staged.category, staged.stage) == (None, None, None)
    assert staged.coms_early is None
    assert staged.possible_categories == ("T1a", "T2a", "T3a", "T4a")
    assert staged.reasons[0] == "Without thickness there is no size category."
    extended = stage_tumour(None, None, **KNOWN | {"extraocular": "over_5_mm"})
    assert (extended.category, extended.stage) == ("T4e", "IIIC")


def test_extension_over_5_mm_is_t4e_whatever_the_size() -> None:
    staged = stage_tumour(2.0, 8.0, **KNOWN | {"extraocular": "over_5_mm"})
    assert (staged.size_category, staged.category, staged.stage) == ("T1", "T4e", "IIIC")


@pytest.mark.parametrize("site", ["ciliochoroidal", "ciliary_body"])
def test_the_site_says_that_the_ciliary_body_is_involved(site: str) -> None:
    staged = stage_tumour(5.5, 11.0, site=site, **KNOWN | {"ciliary_body": "unknown"})
    assert staged.category == "T2b"
    with pytest.raises(RefusedInputError, match="contradicts"):
        stage_tumour(5.5, 11.0, site=site, **KNOWN)


def test_the_site_choroid_does_not_say_that_it_is_not() -> None:
    staged = stage_tumour(5.5, 11.0, site="choroid", **KNOWN | {"ciliary_body": "unknown"})
    assert staged.category == "T2"


@pytest.mark.parametrize("site", ["iris", "iridociliary"])
def test_iris_melanoma_is_refused(site: str) -> None:
    with pytest.raises(RefusedInputError, match="iris melanoma has another table") as refusal:
        stage_tumour(2.0, 8.0, site=site, **KNOWN)
    assert refusal.value.where == {"field": "site", "found": site}


def test_unknown_codes_are_misuse() -> None:
    with pytest.raises(ValueError, match="ciliary_body must be one of yes, no, unknown, not 'y'"):
        find_letter("y", "none")
    with pytest.raises(ValueError, match="extraocular must be one of"):
        find_letter("no", "4 mm")
    with pytest.raises(ValueError, match="nodes must be one of"):
        find_stage_group("T1a", "N0", "m0")
    with pytest.raises(ValueError, match="metastasis must be one of"):
        find_stage_group("T1a", "n0", "m2")
    with pytest.raises(ValueError, match=r"a category is one of .*, not 'T1e'"):
        find_stage_group("T1e", "n0", "m0")
    with pytest.raises(ValueError, match="site must be one of"):
        stage_tumour(2.0, 8.0, site="uvea", **KNOWN)
