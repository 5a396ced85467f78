"""Numbers that know where they come from, so that they can be shown in full or made publishable.

A report never holds a worded number. It holds one of these values; :mod:`reports.words.wording`
turns it into text and :mod:`reports.audience.suppression` into its publishable form. A sentence is
a :class:`Text`, a template with named values. What is put into a plain string is taken as not
disclosive (a standard's target, a confidence level, a horizon).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TypeAlias

_SLOT = re.compile(r"\{([a-z_][a-z0-9_]*)\}")


@dataclass(frozen=True, slots=True)
class Count:
    """Patients, eyes, tumours or events counted. ``hidden`` marks a suppressed 1 to 7.

    ``withheld`` marks a larger count left out because a small one could be worked out from it.
    """

    value: int | None
    hidden: bool = False
    withheld: bool = False


@dataclass(frozen=True, slots=True)
class KnownOf:
    """How many of a group have something recorded: "k of n known"."""

    known: int | None
    total: int | None
    hidden: bool = False


@dataclass(frozen=True, slots=True)
class Rate:
    """A share of a count: ``numerator`` of ``denominator``, limits as fractions when given.

    ``style`` is ``"percent"`` ("12.5 %"), ``"fraction"`` ("5 of 40 (12.5 %)") or ``"bracket"``
    ("5 (12.5 %)").
    """

    numerator: int | None
    denominator: int | None
    lower: float | None = None
    upper: float | None = None
    level: float = 0.95
    style: str = "fraction"
    hidden: bool = False


@dataclass(frozen=True, slots=True)
class CurveEstimate:
    """A probability read off a curve at a time: cumulative incidence or 1 − survival.

    ``failure``, ``lower`` and ``upper`` are fractions of failure; ``shown_as`` says which side is
    printed, ``"failure"`` or ``"control"``. ``events`` counts up to the time, ``at_risk`` just
    before it. ``reason`` is given when the estimate does not exist.
    """

    failure: float | None
    lower: float | None
    upper: float | None
    n: int | None
    events: int | None
    at_risk: int | None
    level: float = 0.95
    shown_as: str = "failure"
    reason: str = ""
    hidden: bool = False


@dataclass(frozen=True, slots=True)
class ObservedExpected:
    """Observed events over a number expected from outside, with exact limits of the ratio.

    With ``log_sd`` the limits are mid-P ones with that uncertainty of the log expected number.
    """

    observed: int | None
    expected: float
    lower: float | None
    upper: float | None
    level: float = 0.95
    hidden: bool = False
    log_sd: float | None = None


@dataclass(frozen=True, slots=True)
class Quantity:
    """A model's or a distribution's figure: hazard ratio, median, mean difference.

    ``n`` and ``events`` say what it rests on (the smallest group's, where groups are compared);
    with 1 to 7 people or under 8 events it is suppressed. ``is_extreme`` marks a smallest or
    largest value, which is some single person's and never published. ``unit`` follows the number.
    """

    value: float | None
    lower: float | None = None
    upper: float | None = None
    unit: str = ""
    digits: int = 2
    level: float = 0.95
    interval: str = "CI"
    n: int | None = None
    events: int | None = None
    reason: str = ""
    is_extreme: bool = False
    hidden: bool = False


@dataclass(frozen=True, slots=True)
class PValue:
    """A p value with the number of events in the smallest group: under 8 it is suppressed."""

    value: float | None
    events: int | None = None
    hidden: bool = False


@dataclass(frozen=True, slots=True)
class SingleRecord:
    """A text about one patient, eye or implant (a date, a reading, an identifier)."""

    text: str
    hidden: bool = False


@dataclass(frozen=True, slots=True)
class Missing:
    """No value: ``"not recorded"``, ``"not reached"``, ``"not estimable"``, ``"not yet due"``."""

    what: str
    reason: str = ""


Value: TypeAlias = (
    Count
    | KnownOf
    | Rate
    | CurveEstimate
    | ObservedExpected
    | Quantity
    | PValue
    | SingleRecord
    | Missing
)


@dataclass(frozen=True, slots=True)
class Slot:
    """A named value of a :class:`Text`."""

    name: str
    value: Value


@dataclass(frozen=True, slots=True)
class Text:
    """A sentence with named values: ``template`` holds ``{name}`` where the value goes."""

    template: str
    slots: tuple[Slot, ...] = ()

    def __post_init__(self) -> None:
        asked = set(_SLOT.findall(self.template))
        given = {slot.name for slot in self.slots}
        if asked != given:
            raise ValueError(f"template asks for {sorted(asked)}, values given: {sorted(given)}")


Words: TypeAlias = str | Text
Content: TypeAlias = str | Text | Value


def text(template: str, /, **values: Value) -> Text:
    """Make a sentence with values in it.

    >>> text("Of {n} tumours, {k} failed.", n=Count(130), k=Count(9)).slots[0].name
    'n'
    """
    return Text(template, tuple(Slot(name, value) for name, value in values.items()))


def fill(template: str, worded: dict[str, str]) -> str:
    """Put worded values into a template's places; other braces stay as they are.

    >>> fill("Of {n}, {k}.", {"n": "130", "k": "9"})
    'Of 130, 9.'
    """
    return _SLOT.sub(lambda match: worded[match.group(1)], template)
