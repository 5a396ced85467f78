"""Size and stage of a choroidal or ciliary body melanoma, and its COMS size class.

American Joint Committee on Cancer, Cancer Staging Manual, 8th edition (2017), uveal melanoma. The
size categories come from a grid of thickness by largest basal diameter whose cells are printed to
one decimal (<= 3.0, 3.1 to 6.0, ...). A size is therefore rounded to 0.1 mm before it is compared,
halves upward: 3.04 counts as 3.0 and 3.05 as 3.1. Cells that the manual leaves blank, because a
tumour is hardly ever much thicker than wide, follow the same printed rules. The stage groups and
the node and metastasis categories were partly taken from memory.

Iris melanoma has a table of its own and is refused. Nothing is guessed: where ciliary body
involvement or extraocular extension is unknown the category has no letter, and the stage is given
only if every possible letter leads to the same one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from registry.errors import RefusedInputError

_THICKNESS_LIMITS_MM = (Decimal(3), Decimal(6), Decimal(9), Decimal(12), Decimal(15))
_DIAMETER_LIMITS_MM = (*_THICKNESS_LIMITS_MM, Decimal(18))
_SIZE_GRID = (  # a row a thickness class, a column a class of largest basal diameter
    "1111224",
    "1112234",
    "2222334",
    "3333334",
    "3333344",
    "4444444",
)

_STAGE_GROUPS = {
    "T1a": "I",
    **dict.fromkeys(("T1b", "T1c", "T1d", "T2a"), "IIA"),
    **dict.fromkeys(("T2b", "T3a"), "IIB"),
    **dict.fromkeys(("T2c", "T2d", "T3b", "T3c", "T4a"), "IIIA"),
    **dict.fromkeys(("T3d", "T4b", "T4c"), "IIIB"),
    **dict.fromkeys(("T4d", "T4e"), "IIIC"),
}

_CILIARY_BODY = ("yes", "no", "unknown")
_EXTRAOCULAR = ("none", "up_to_5_mm", "over_5_mm", "unknown")
_NODES = ("n0", "n1a", "n1b", "unknown")
_METASTASIS = ("m0", "m1a", "m1b", "m1c", "unknown")
_SITES = ("choroid", "ciliochoroidal", "ciliary_body", "iridociliary", "iris")
_SITES_WITH_CILIARY_BODY = ("ciliochoroidal", "ciliary_body")


@dataclass(frozen=True, slots=True)
class TumourStage:
    """Size category, category and stage group of one tumour at baseline.

    Attributes
    ----------
    size_category
        "T1" to "T4" by size alone; None when a size is missing.
    category
        Size and letter ("T2a"; "T4e" whatever the size); without a letter, or None, when unknown.
    stage
        "I" to "IV"; None when more than one is possible.
    possible_categories, possible_stages
        What the unknown findings leave open; one member when nothing is.
    coms_early, coms_final
        "small", "medium" or "large" by either set of limits; None outside them all.
    reasons
        Why a letter, category or stage is missing, in sentences.
    """

    size_category: str | None
    category: str | None
    stage: str | None
    possible_categories: tuple[str, ...]
    possible_stages: tuple[str, ...]
    coms_early: str | None
    coms_final: str | None
    reasons: tuple[str, ...]


def round_size_mm(size_mm: float | Decimal) -> Decimal:
    """Round a size as written to 0.1 mm, halves upward.

    Raises
    ------
    ValueError
        For a size that is not a positive number.

    Examples
    --------
    >>> round_size_mm(3.05), round_size_mm(3.04)
    (Decimal('3.1'), Decimal('3.0'))
    """
    if not (math.isfinite(size_mm) and size_mm > 0):
        raise ValueError(f"a size must be above 0 mm, not {size_mm}")
    return Decimal(str(size_mm)).quantize(Decimal("0.1"), rounding=ROUND_HALF_UP)


def _place(size_mm: Decimal, limits_mm: tuple[Decimal, ...]) -> int:
    return sum(size_mm > limit for limit in limits_mm)


def find_size_category(
    thickness_mm: float | Decimal, largest_basal_diameter_mm: float | Decimal
) -> str:
    """Find the AJCC 8 size category, "T1" to "T4".

    Examples
    --------
    >>> find_size_category(3.0, 12.0), find_size_category(3.05, 12.0)
    ('T1', 'T2')
    """
    row = _place(round_size_mm(thickness_mm), _THICKNESS_LIMITS_MM)
    column = _place(round_size_mm(largest_basal_diameter_mm), _DIAMETER_LIMITS_MM)
    return f"T{_SIZE_GRID[row][column]}"


def find_coms_class_early(
    thickness_mm: float | Decimal, largest_basal_diameter_mm: float | Decimal
) -> str | None:
    """Find the COMS size class by the limits the trials began with.

    Small: height 1.0 to 3.0 mm and diameter 5.0 to 16.0 mm. Medium: 3.1 to 8.0 mm and at most
    16.0 mm. Large: over 8.0 mm, or over 16.0 mm wide from a height of 2.0 mm. None outside these.

    Examples
    --------
    >>> [find_coms_class_early(*sizes) for sizes in ((3.0, 10), (3.1, 10), (1.9, 17))]
    ['small', 'medium', None]
    """
    height, diameter = round_size_mm(thickness_mm), round_size_mm(largest_basal_diameter_mm)
    if height > 8 or (diameter > 16 and height >= 2):
        return "large"
    if diameter > 16:
        return None
    if height > 3:
        return "medium"
    return "small" if height >= 1 and diameter >= 5 else None


def find_coms_class_final(
    thickness_mm: float | Decimal, largest_basal_diameter_mm: float | Decimal
) -> str | None:
    """Find the COMS size class by the limits in force after the change (late 1990, from memory).

    Small: height 1.0 to 2.5 mm and diameter over 5 mm. Medium: 2.5 to 10.0 mm and at most 16.0 mm.
    Large: over 10.0 mm or over 16.0 mm wide. The printed classes share 2.5 mm; here it is medium.
    The further rules for tumours beside the disc are not applied. None outside these.

    Examples
    --------
    >>> find_coms_class_final(2.4, 10), find_coms_class_final(2.5, 10), find_coms_class_final(9, 17)
    ('small', 'medium', 'large')
    """
    height, diameter = round_size_mm(thickness_mm), round_size_mm(largest_basal_diameter_mm)
    if height > 10 or diameter > 16:
        return "large"
    if height >= Decimal("2.5"):
        return "medium"
    return "small" if height >= 1 and diameter > 5 else None


def find_letter(ciliary_body: str, extraocular: str) -> str | None:
    """Find the letter of the category; None when a finding it depends on is unknown.

    Parameters
    ----------
    ciliary_body
        "yes", "no" or "unknown".
    extraocular
        "none", "up_to_5_mm", "over_5_mm" or "unknown".

    Examples
    --------
    >>> find_letter("no", "none"), find_letter("yes", "up_to_5_mm"), find_letter("unknown", "none")
    ('a', 'd', None)
    """
    _check_code("ciliary_body", ciliary_body, _CILIARY_BODY)
    _check_code("extraocular", extraocular, _EXTRAOCULAR)
    if extraocular == "over_5_mm":
        return "e"
    if "unknown" in (ciliary_body, extraocular):
        return None
    letters = {("no", "none"): "a", ("yes", "none"): "b", ("no", "up_to_5_mm"): "c"}
    return letters.get((ciliary_body, extraocular), "d")


def find_stage_group(category: str, nodes: str, metastasis: str) -> str | None:
    """Find the stage group of a full category ("T2a"); None when it hangs on an unknown finding.

    Node or distant metastasis is stage IV whatever the other is.

    Examples
    --------
    >>> find_stage_group("T2a", "n0", "m0"), find_stage_group("T1a", "unknown", "m1b")
    ('IIA', 'IV')
    >>> find_stage_group("T1a", "unknown", "m0") is None
    True
    """
    _check_code("nodes", nodes, _NODES)
    _check_code("metastasis", metastasis, _METASTASIS)
    if category not in _STAGE_GROUPS:
        raise ValueError(f"a category is one of {', '.join(_STAGE_GROUPS)}, not {category!r}")
    if nodes in ("n1a", "n1b") or metastasis in ("m1a", "m1b", "m1c"):
        return "IV"
    return None if "unknown" in (nodes, metastasis) else _STAGE_GROUPS[category]


def _check_code(name: str, code: str, codes: tuple[str, ...]) -> None:
    if code not in codes:
        raise ValueError(f"{name} must be one of {', '.join(codes)}, not {code!r}")


def _settle_ciliary_body(site: str | None, ciliary_body: str) -> str:
    """Let the site say that the ciliary body is involved; refuse a contradiction and the iris."""
    if site is None:
        return ciliary_body
    _check_code("site", site, _SITES)
    if site in ("iris", "iridociliary"):
        raise RefusedInputError(
            f"A tumour of site {site} is not staged here: iris melanoma has another table. Where "
            "most of the tumour lies in the ciliary body, give the site as ciliary_body.",
            field="site",
            found=site,
        )
    if site not in _SITES_WITH_CILIARY_BODY:
        return ciliary_body
    if ciliary_body == "no":
        raise RefusedInputError(
            f"Site {site} contradicts ciliary body involvement 'no'; correct one of them.",
            field="ciliary_body_involved",
            found="no",
        )
    return "yes"


def _open_codes(code: str, codes: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(each for each in codes if each != "unknown") if code == "unknown" else (code,)


def _list_possible_categories(
    size_category: str | None, ciliary_body: str, extraocular: str
) -> Iterator[str]:
    sizes = (size_category,) if size_category else ("T1", "T2", "T3", "T4")
    for size in sizes:
        for involved in _open_codes(ciliary_body, _CILIARY_BODY):
            for extension in _open_codes(extraocular, _EXTRAOCULAR):
                letter = find_letter(involved, extension)
                yield "T4e" if letter == "e" else f"{size}{letter}"


def _list_possible_stages(
    categories: tuple[str, ...], nodes: str, metastasis: str
) -> tuple[str, ...]:
    stages = {
        str(find_stage_group(category, node, spread))
        for category in categories
        for node in _open_codes(nodes, _NODES)
        for spread in _open_codes(metastasis, _METASTASIS)
    }
    order = ("I", "IIA", "IIB", "IIIA", "IIIB", "IIIC", "IV")
    return tuple(stage for stage in order if stage in stages)


def _name_category(size_category: str | None, letter: str | None) -> str | None:
    if letter == "e":
        return "T4e"
    if size_category is None:
        return None
    return size_category + (letter or "")


def stage_tumour(
    thickness_mm: float | Decimal | None,
    largest_basal_diameter_mm: float | Decimal | None,
    *,
    site: str | None = None,
    ciliary_body: str = "unknown",
    extraocular: str = "unknown",
    nodes: str = "unknown",
    metastasis: str = "unknown",
) -> TumourStage:
    """Stage one choroidal or ciliary body melanoma by AJCC 8, and class its size as COMS did.

    Parameters
    ----------
    thickness_mm, largest_basal_diameter_mm
        Above 0; None when missing.
    site
        "choroid", "ciliochoroidal" or "ciliary_body" (the last two say that the ciliary body is
        involved); None when unknown.
    ciliary_body
        "yes", "no" or "unknown".
    extraocular
        "none", "up_to_5_mm", "over_5_mm" or "unknown".
    nodes
        "n0", "n1a", "n1b" or "unknown".
    metastasis
        "m0", "m1a", "m1b", "m1c" or "unknown".

    Raises
    ------
    RefusedInputError
        For the iris, and for a site that contradicts ``ciliary_body``.
    ValueError
        For a code or size that cannot be.

    Examples
    --------
    >>> staged = stage_tumour(5.5, 11, ciliary_body="no", extraocular="none", nodes="n0",
    ...                       metastasis="m0")
    >>> staged.category, staged.stage, staged.coms_final
    ('T2a', 'IIA', 'medium')
    >>> stage_tumour(5.5, 11, extraocular="none").reasons[0]
    'Ciliary body involvement is unknown, so the category has no letter.'
    """
    involved = _settle_ciliary_body(site, ciliary_body)
    letter = find_letter(involved, extraocular)
    sizes = (thickness_mm, largest_basal_diameter_mm)
    size_category = coms_early = coms_final = None
    if thickness_mm is not None and largest_basal_diameter_mm is not None:
        size_category = find_size_category(thickness_mm, largest_basal_diameter_mm)
        coms_early = find_coms_class_early(thickness_mm, largest_basal_diameter_mm)
        coms_final = find_coms_class_final(thickness_mm, largest_basal_diameter_mm)
    categories = tuple(sorted(set(_list_possible_categories(size_category, involved, extraocular))))
    stages = _list_possible_stages(categories, nodes, metastasis)
    return TumourStage(
        size_category=size_category,
        category=_name_category(size_category, letter),
        stage=stages[0] if len(stages) == 1 else None,
        possible_categories=categories,
        possible_stages=stages,
        coms_early=coms_early,
        coms_final=coms_final,
        reasons=_give_reasons(sizes, involved, extraocular, nodes, metastasis, stages),
    )


def _give_reasons(
    sizes: tuple[object, object],
    ciliary_body: str,
    extraocular: str,
    nodes: str,
    metastasis: str,
    stages: tuple[str, ...],
) -> tuple[str, ...]:
    """Say what is missing for a size category, a letter and a stage."""
    reasons = []
    if None in sizes:
        missing = " and ".join(
            name
            for name, size in zip(("thickness", "largest basal diameter"), sizes, strict=True)
            if size is None
        )
        reasons.append(f"Without {missing} there is no size category.")
    if extraocular != "over_5_mm":
        findings = {
            "Ciliary body involvement": ciliary_body,
            "Extraocular extension": extraocular,
        }
        reasons += [
            f"{name} is unknown, so the category has no letter."
            for name, code in findings.items()
            if code == "unknown"
        ]
    if len(stages) > 1:
        unknown = [
            name
            for name, code in (("node status", nodes), ("metastasis status", metastasis))
            if code == "unknown"
        ]
        because = f" ({' and '.join(unknown)} unknown)" if unknown else ""
        reasons.append(f"The stage may be {' or '.join(stages)}{because}.")
    return tuple(reasons)
