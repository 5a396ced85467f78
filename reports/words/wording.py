"""Every number to text. Rounding happens here and nowhere else.

House style: a space before the percent sign and between a number and its unit (no-break), an en
dash in intervals ("to" when a limit is negative), the true minus sign, no "p = 0.000".
"""

from __future__ import annotations

import datetime as dt
import math
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal

from reports.words.values import (
    Content,
    Count,
    CurveEstimate,
    KnownOf,
    Missing,
    ObservedExpected,
    PValue,
    Quantity,
    Rate,
    SingleRecord,
    Text,
    Value,
    fill,
)

MINUS = "\u2212"
DASH = "\u2013"
NO_BREAK = "\u00a0"
SUPPRESSED = "*"
WITHHELD = "withheld"
_MONTHS = "January February March April May June July August September October November December"


def decimal(value: float, digits: int = 1) -> str:
    """A number with a fixed count of decimals, halves away from zero, U+2212 as minus sign.

    >>> decimal(-0.25), decimal(-0.04), decimal(12.345, 2), decimal(2.675, 2)
    ('−0.3', '0.0', '12.35', '2.68')
    """
    if not math.isfinite(value):
        raise ValueError(f"only a finite number can be worded, found {value}")
    step = Decimal(1).scaleb(-digits)
    rounded = Decimal(repr(float(value))).quantize(step, rounding=ROUND_HALF_UP)
    text = f"{abs(rounded):f}"
    return MINUS + text if rounded < 0 else text


def whole(value: int) -> str:
    """A count; from 10 000 on with a thin no-break space between thousands.

    >>> whole(1234), whole(12345)
    ('1234', '12\u202f345')
    """
    text = f"{abs(value):,}".replace(",", "\u202f") if abs(value) >= 10_000 else str(abs(value))
    return MINUS + text if value < 0 else text


def percent(fraction: float, digits: int = 1) -> str:
    """A fraction as per cent.

    >>> percent(0.924)
    '92.4\\xa0%'
    """
    return decimal(_hundredfold(fraction), digits) + NO_BREAK + "%"


def _hundredfold(fraction: float) -> float:
    return float(Decimal(repr(float(fraction))) * 100)


def _span(lower: str, upper: str) -> str:
    negative = lower.startswith(MINUS) or upper.startswith(MINUS)
    return f"{lower} to {upper}" if negative else f"{lower}{DASH}{upper}"


def level_name(level: float, interval: str = "CI") -> str:
    """The name of an interval: "95 % CI".

    >>> level_name(0.95)
    '95\\xa0%\\xa0CI'
    """
    return f"{_hundredfold(level):g}{NO_BREAK}%{NO_BREAK}{interval}"


def percent_interval(lower: float, upper: float, digits: int = 1) -> str:
    """Two fractions as a span without the sign.

    >>> percent_interval(0.881, 0.953)
    '88.1–95.3'
    """
    return _span(decimal(_hundredfold(lower), digits), decimal(_hundredfold(upper), digits))


def percent_with_interval(
    fraction: float, lower: float | None, upper: float | None, level: float = 0.95
) -> str:
    """A fraction with its interval, where there is one.

    >>> percent_with_interval(0.924, 0.881, 0.953).replace("\\xa0", " ")
    '92.4 % (95 % CI 88.1–95.3)'
    """
    if lower is None or upper is None:
        return percent(fraction)
    return f"{percent(fraction)} ({level_name(level)} {percent_interval(lower, upper)})"


def p_value(value: float) -> str:
    """A p value: two figures from 0.01 to 0.99, three decimals below, never 0 and never 1.

    >>> [p_value(p) for p in (0.5, 0.0456, 0.0099, 0.00004, 0.999)]
    ['p = 0.50', 'p = 0.046', 'p = 0.010', 'p < 0.001', 'p > 0.99']
    """
    if not 0 <= value <= 1:
        raise ValueError(f"a p value lies between 0 and 1, found {value}")
    if value < 0.001:
        return "p < 0.001"
    if value > 0.99:
        return "p > 0.99"
    return "p = " + decimal(value, 3 if value < 0.1 else 2)


def date(day: dt.date) -> str:
    """A day written out: no order of day and month to mistake.

    >>> date(dt.date(2024, 3, 4))
    '4 March 2024'
    """
    return f"{day.day} {_MONTHS.split()[day.month - 1]} {day.year}"


def in_years(years: float) -> str:
    """A span of time in years: one of 1 has no plural.

    >>> in_years(1), in_years(0.5), in_years(10)
    ('1 year', '0.5 years', '10 years')
    """
    return f"{years:g} year{'s' * (years != 1)}"


def significant(value: float, figures: int = 3) -> str:
    """A positive ratio to a number of figures, without exponents.

    >>> significant(0.04567, 2), significant(1234.5, 2), significant(1.05, 2)
    ('0.046', '1200', '1.1')
    """
    if value == 0 or not math.isfinite(value):
        return decimal(value, 1)
    exact = Decimal(repr(float(value)))
    step = Decimal(1).scaleb(exact.adjusted() - figures + 1)
    rounded = exact.quantize(step, rounding=ROUND_HALF_UP)
    text = f"{abs(rounded).quantize(Decimal(1), ROUND_HALF_EVEN) if step >= 1 else abs(rounded):f}"
    return MINUS + text if rounded < 0 else text


def joined(parts: list[str]) -> str:
    """Words in a row: "a", "a and b", "a, b and c".

    >>> joined(["death", "enucleation", "failure"])
    'death, enucleation and failure'
    """
    return parts[0] if len(parts) == 1 else ", ".join(parts[:-1]) + " and " + parts[-1]


def say(content: Content) -> str:
    """Word anything a report holds: a plain string, a sentence with values, or a value.

    >>> from reports.words.values import text
    >>> say(text("{k} failed", k=Count(3))), say(Rate(5, 40))
    ('3 failed', '5 of 40 (12.5\\xa0%)')
    """
    if isinstance(content, str):
        return content
    if isinstance(content, Text):
        return fill(content.template, {slot.name: say(slot.value) for slot in content.slots})
    return _say_value(content)


def _say_value(value: Value) -> str:
    match value:
        case Missing(what, reason):
            return f"{what}: {reason}" if reason else what
        case SingleRecord(words, hidden):
            return WITHHELD if hidden else words
        case Count():
            return WITHHELD if value.withheld else _say_count(value.value, value.hidden)
        case KnownOf():
            return f"{_say_count(value.known, value.hidden)} of {_say_count(value.total)} known"
        case PValue():
            return SUPPRESSED if value.hidden else _say_p(value.value)
        case Rate():
            return _say_rate(value)
        case CurveEstimate():
            return _say_curve_estimate(value)
        case ObservedExpected():
            return _say_observed_expected(value)
        case Quantity():
            return _say_quantity(value)


def _say_count(value: int | None, hidden: bool = False) -> str:
    if hidden:
        return SUPPRESSED
    return "not recorded" if value is None else whole(value)


def _say_p(value: float | None) -> str:
    return "not estimable" if value is None else p_value(value)


def _say_rate(rate: Rate) -> str:
    if rate.hidden or rate.denominator is None:
        return SUPPRESSED
    if rate.numerator is None:
        return "not recorded"
    if rate.denominator == 0:
        return "not estimable: nobody to count"
    share = percent_with_interval(
        rate.numerator / rate.denominator, rate.lower, rate.upper, rate.level
    )
    if rate.style == "percent":
        return share
    if rate.style == "bracket":
        return f"{whole(rate.numerator)} ({percent(rate.numerator / rate.denominator)})"
    inside = share.replace(" (", ", ").removesuffix(")")
    return f"{whole(rate.numerator)} of {whole(rate.denominator)} ({inside})"


def shown_side(value: CurveEstimate) -> tuple[float, float | None, float | None] | None:
    """Estimate and limits on the side that is printed, or None where there is none.

    >>> shown_side(CurveEstimate(0.25, 0.125, 0.5, 10, 2, 5, shown_as="control"))
    (0.75, 0.5, 0.875)
    """
    if value.failure is None or value.hidden:
        return None
    if value.shown_as == "failure":
        return value.failure, value.lower, value.upper
    low = None if value.upper is None else 1 - value.upper
    high = None if value.lower is None else 1 - value.lower
    return 1 - value.failure, low, high


def _say_curve_estimate(value: CurveEstimate) -> str:
    if value.hidden:
        return SUPPRESSED
    side = shown_side(value)
    if side is None:
        return "not estimable: " + value.reason if value.reason else "not estimable"
    return percent_with_interval(*side, value.level)


def _say_observed_expected(value: ObservedExpected) -> str:
    if value.hidden or value.observed is None:
        return SUPPRESSED
    if value.expected <= 0:
        return "not estimable: none expected"
    head = decimal(value.observed / value.expected, 2)
    if value.lower is None or value.upper is None:
        return head
    span = _span(decimal(value.lower, 2), decimal(value.upper, 2))
    return f"{head} ({level_name(value.level)} {span})"


def _say_quantity(value: Quantity) -> str:
    if value.hidden:
        return SUPPRESSED
    if value.value is None:
        return "not estimable: " + value.reason if value.reason else "not reached"
    unit = NO_BREAK + value.unit if value.unit else ""
    head = decimal(value.value, value.digits) + unit
    if value.lower is None and value.upper is None:
        return head
    low, high = (
        "not reached" if limit is None else decimal(limit, value.digits)
        for limit in (value.lower, value.upper)
    )
    spread = level_name(value.level, value.interval) if value.interval == "CI" else value.interval
    joint = _span(low, high) if None not in (value.lower, value.upper) else f"{low} to {high}"
    return f"{head} ({spread} {joint})"
