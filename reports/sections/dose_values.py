"""From the figures of a dose–response study to the values that a report holds."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from analysis.dose_effect.dose_models import Ratio
from analysis.models.dose_curve import Quantity as DoseQuantity
from reports.words.values import Content, Count, Missing, PValue, Quantity, Value, Words, text
from reports.words.wording import decimal

MODEL_WORDS = {
    "cox": "Cox",
    "firth-cox": "Cox, Firth’s form",
    "fine-gray": "Fine–Gray",
    "firth-discrete-time": "discrete time, Firth’s form",
    "propensity-weighted logistic": "propensity-weighted logistic",
}


def say_adjustment(names: tuple[str, ...]) -> str:
    """Return "unadjusted" or what for; the levels of a category are one name.

    >>> say_adjustment(("thickness_mm", "isotope[I-125]", "isotope[Ru-106]"))
    'adjusted for thickness, isotope'
    """
    if not names:
        return "unadjusted"
    columns = dict.fromkeys(name.partition("[")[0] for name in names)
    return "adjusted for " + ", ".join(
        name.removesuffix("_mm").removesuffix("_years").replace("_", " ") for name in columns
    )


def say_term(term: str) -> str:
    """Return a model's term in words, the level of a category after its name.

    >>> say_term("largest_basal_diameter_mm"), say_term("isotope[I-125]")
    ('largest basal diameter', 'isotope I-125')
    """
    name, _, level = term.removesuffix("]").partition("[")
    words = name.removesuffix("_mm").removesuffix("_years").replace("_", " ")
    return f"{words} {level}" if level else words


def signed(value: float, digits: int) -> str:
    """Return a number with its sign.

    >>> signed(0.108, 3), signed(-0.268, 3), signed(0.0, 2)
    ('+0.108', '−0.268', '0.00')
    """
    said = decimal(value, digits)
    return f"+{said}" if value > 0 and float(said) > 0 else said


def dose_title(words: str) -> str:
    """Return the dose's name as the title of an axis.

    >>> dose_title("dose at the apex"), dose_title("BED at the apex")
    ('Dose at the apex', 'BED at the apex')
    """
    return words[:1].upper() + words[1:]


def ratio_value(one: Ratio, level: float) -> Content:
    """Return the ratio as a value; the reason when there is none."""
    if not one.is_estimable:
        return Missing("not estimable", one.refused)
    return Quantity(
        one.ratio,
        one.lower,
        one.upper if math.isfinite(one.upper) else None,
        digits=3,
        level=level,
        n=one.n,
        events=one.events,
    )


def each_once(notes: Iterable[str]) -> list[str]:
    """Leave out what is said twice, and a note that another one begins with.

    >>> each_once(["3 deaths compete.", "3 deaths compete: so what.", "3 deaths compete."])
    ['3 deaths compete: so what.']
    """
    said = list(dict.fromkeys(notes))
    return [
        one
        for one in said
        if not any(other != one and other.startswith(one.rstrip(".")) for other in said)
    ]


def tag_counts(note: str) -> Words:
    """Return a model's note with its whole numbers as counts, so that suppression reaches them.

    >>> tag_counts("13 competing events count as censored.").slots[0].value.value
    13
    """
    bare = re.sub(r" \([\d.]+ each, under \d+\)", "", note)
    slots: dict[str, Value] = {}

    def tag(found: re.Match[str]) -> str:
        name = f"k{len(slots)}"
        slots[name] = Count(int(found[0]))
        return f"{{{name}}}"

    template = re.sub(
        r"(?<![\d.,])\d+(?![\d.])(?! parameters?\b)", tag, bare.replace("{", "(").replace("}", ")")
    )
    return text(template, **slots)


def p_of(one: Ratio) -> Content:
    """Return the p value, or nothing."""
    return PValue(min(max(one.p, 0.0), 1.0), one.events) if one.is_estimable else ""


def dose_quantity(
    one: DoseQuantity, *, unit: str, level: float, n: int, events: int, digits: int = 1
) -> Content:
    """Return D50, γ50 and the like as a value; the reason when it is not estimable."""
    if not one.is_estimable:
        return Missing("not estimable", str(one.reason))
    return Quantity(
        one.value, one.lower, one.upper, unit=unit, digits=digits, level=level, n=n, events=events
    )
