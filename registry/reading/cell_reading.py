"""How the cells of a column are written: what a column map has to declare, never guessed."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

from registry.entry_rules.rules import DateOrder

DecimalMark = Literal["point", "comma"]
DayNumbers = Literal["1900", "1904"]
Refuse = Callable[[str], Exception]

READING_KEYS = {
    "decimal": str,
    "date_order": str,
    "two_digit_years_from": int,
    "day_numbers": str,
    "month_names": (str, list),
    "time_where_none": str,
    "blank": list,
}
_CHOICES: Mapping[str, Sequence[str]] = {
    "decimal": get_args(DecimalMark),
    "date_order": get_args(DateOrder),
    "day_numbers": get_args(DayNumbers),
}
_CLOCK = re.compile(r"([01]\d|2[0-3]):[0-5]\d")
_MONTHS: tuple[str, ...] = (
    *("january", "february", "march", "april", "may", "june", "july"),
    *("august", "september", "october", "november", "december"),
)
_KINDS = {
    str: "a text in quotes",
    int: "a whole number without quotes",
    bool: "true or false, without quotes",
    list: "a list, as [3, 4]",
    dict: 'pairs in braces, as { OD = "right" }',
}


@dataclass(frozen=True, slots=True)
class Reading:
    """How the cells of a column are written.

    Attributes
    ----------
    decimal
        The decimal mark, ``"point"`` or ``"comma"``.
    date_order
        Order of day, month and year in dates that are not ISO.
    two_digit_years_from
        First year of the hundred that two-digit years lie in; None when there are none.
    day_numbers
        Day count of dates that are bare numbers: ``"1900"`` or ``"1904"``; None when there are
        none.
    month_names
        Twelve names in small letters; a cell may shorten one to three letters or more.
    time_where_none
        Clock time, HH:MM, for a date that has none in a field that takes a date and a time; ``""``
        where such a date is refused.
    blank
        Texts that mean that nothing is known, in small letters.
    """

    decimal: DecimalMark = "point"
    date_order: DateOrder | None = None
    two_digit_years_from: int | None = None
    day_numbers: DayNumbers | None = None
    month_names: tuple[str, ...] = ()
    time_where_none: str = ""
    blank: frozenset[str] = frozenset()


def word_kinds(kinds: Sequence[type]) -> str:
    """Say what may stand in a place of the map, with the quotes or brackets it needs.

    >>> word_kinds([int]), word_kinds([str, list])
    ('a whole number without quotes', 'a text in quotes or a list, as [3, 4]')
    """
    return " or ".join(_KINDS[kind] for kind in kinds)


def choose(value: str, allowed: Sequence[str], key: str, refuse: Refuse) -> str:
    """Return the value if it is allowed."""
    if value not in allowed:
        raise refuse(f"{key} is {value!r}; it must be one of {', '.join(allowed)}.")
    return value


def read_texts(values: Sequence[Any], key: str, refuse: Refuse) -> tuple[str, ...]:
    """Return the texts of a list; whole numbers are taken as text."""
    if not all(isinstance(value, str | int) for value in values):
        raise refuse(f"{key} must be a list of texts.")
    return tuple(str(value) for value in values)


def read_reading(given: Mapping[str, Any], base: Reading, refuse: Refuse) -> Reading:
    """Read what a source or column declares about its cells, beyond what ``base`` does."""
    changes: dict[str, Any] = {
        key: choose(given[key], allowed, key, refuse)
        for key, allowed in _CHOICES.items()
        if key in given
    }
    if "two_digit_years_from" in given:
        year = given["two_digit_years_from"]
        if not 1850 <= year <= 2050:
            raise refuse("two_digit_years_from must be a year from 1850 to 2050.")
        changes["two_digit_years_from"] = year
    if "month_names" in given:
        changes["month_names"] = _read_months(given["month_names"], refuse)
    if "time_where_none" in given:
        if not _CLOCK.fullmatch(given["time_where_none"]):
            raise refuse('time_where_none must be a clock time in quotes, as "12:00".')
        changes["time_where_none"] = given["time_where_none"]
    if "blank" in given:
        words = read_texts(given["blank"], "blank", refuse)
        changes["blank"] = frozenset(word.strip().casefold() for word in words)
    return replace(base, **changes)


def _read_months(given: str | list[Any], refuse: Refuse) -> tuple[str, ...]:
    if given == "english":
        return tuple(_MONTHS)
    names = read_texts(given, "month_names", refuse) if isinstance(given, list) else ()
    if len(names) != 12 or len({name.casefold() for name in names}) != 12:
        raise refuse('month_names must be "english" or a list of twelve names.')
    return tuple(name.casefold() for name in names)
