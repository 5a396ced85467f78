"""Visual acuity as written in the notes, read once into logMAR, letters and rank.

Chart values become logMAR = log10(MAR), MAR = denominator / numerator of the Snellen fraction, by
the fraction itself and not by its nominal label (20/30 is 0.1761, not the 0.2 of the line 20/32),
and letters = round(85 - 50 logMAR) (Gregori, Feuer and Rosenfeld 2010, Retina 30:1046, cited from
memory), halves upward. Letters are not floored at 0: 1/60 is -4, so that it stays below 3/60.

Counting fingers (CF), hand movements (HM), light perception (LP) and no light perception (NLP) lie
off the chart. They carry a flag, have no letters, and rank below every chart value. Published
logMAR values for them differ by up to 0.7; the number here is a mapping, a recorded setting, and
levels are compared by rank, never by that number.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType

from registry.errors import RefusedInputError

NOTATIONS = ("snellen_m", "snellen_ft", "decimal", "logmar", "letters", "qualitative")
"""Notations that may be named where the text alone is ambiguous."""

OFF_CHART_LEVELS = ("NLP", "LP", "HM", "CF")
"""Levels off the chart, worst first; the place is the rank."""

DEFAULT_OFF_CHART_LOGMAR: Mapping[str, float] = MappingProxyType(
    {"CF": 1.9, "HM": 2.3, "LP": 2.7, "NLP": 3.0}
)
"""Bach's suggested values, rounded from Schulze-Bonsel 2006 and Lange 2009; LP and NLP imputed."""

LETTER_LOGMAR = 0.02
"""One letter of a five-letter line of 0.1 logMAR: what "-2" takes off is two of these."""

PART_LETTERS = 2
""""part" of a line counts as two letters missed (common practice, no source)."""

BEST_CHART_LOGMAR = -0.30103
"""6/3, 20/10, decimal 2.0: no line is better."""

WORST_CHART_LOGMAR = 1.8
"""1/60 rounded up. Numbers beyond it are stand-ins for an off-chart level: write the level."""

WORST_NEAR_LOGMAR = 2.4
"""Limit of a fraction taken at less than the full distance, as 1/200."""

_RANK_OF_NO_LETTERS = 104
_TEST_DISTANCES_M = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0)
_TEST_DISTANCES_FT = (1.0, 2.0, 3.0, 4.0, 5.0, 8.0, 10.0, 12.0, 13.0, 15.0, 16.0, 20.0)
_TENTHS = tuple(float(tenths) for tenths in (*range(1, 11), 12, 15, 16))
_ALLOWED = (
    "Write 6/9, 6/9-2, 6/9 part, 20/40, 'decimal 0.5', '0.30 logMAR', '70 letters', CF, HM, LP or "
    "NLP, and nothing else (how it was measured has its own field)."
)


@dataclass(frozen=True, slots=True)
class AcuityReading:
    """One acuity as read.

    Attributes
    ----------
    text
        As written.
    logmar
        logMAR; for an off-chart level the mapping's number, which is not a measurement.
    letters
        round(85 - 50 logMAR) of a chart value, halves upward; None off the chart.
    off_chart
        "CF", "HM", "LP" or "NLP"; None on the chart.
    rank
        Order of all readings, higher is better: NLP 0, LP 1, HM 2, CF 3, chart 104 + letters.
    """

    text: str
    logmar: float
    letters: int | None
    off_chart: str | None
    rank: int


def count_letters(logmar: float) -> int:
    """Count letters = 85 - 50 logMAR, rounded to the nearest, halves upward, not floored.

    Examples
    --------
    >>> count_letters(0.0), count_letters(0.31), count_letters(math.log10(2))
    (85, 70, 70)
    """
    if not math.isfinite(logmar):
        raise ValueError(f"logMAR must be finite, not {logmar}")
    return math.floor(round(85 - 50 * logmar, 9) + 0.5)


def rank_of(letters: int | None, off_chart: str | None) -> int:
    """Rank stored columns as :class:`AcuityReading` does; exactly one of the two is given.

    Examples
    --------
    >>> rank_of(70, None), rank_of(None, "HM")
    (174, 2)
    """
    if (letters is None) == (off_chart is None):
        raise ValueError(f"give letters or an off-chart level, not {letters!r} and {off_chart!r}")
    if off_chart is not None:
        return OFF_CHART_LEVELS.index(off_chart)
    assert letters is not None
    if letters <= len(OFF_CHART_LEVELS) - 1 - _RANK_OF_NO_LETTERS:
        raise ValueError(f"no chart value has {letters} letters")
    return _RANK_OF_NO_LETTERS + letters


# --- the notations --------------------------------------------------------------------------------

_NUMBER = r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)"
_SUFFIX = (
    r"(?:\s*\(?\s*(?P<sign>[-+])\s*(?P<count>\d+)\s*\)?"
    r"|\s*(?P<part>p|pt|part|partial|partially|partly)\.?)?"
)
_FRACTION = re.compile(
    rf"(?P<distance>\d+(?:\.\d+)?)\s*/\s*(?P<size>-?\d+(?:\.\d+)?)(?:\s*(?:ft|feet|m))?{_SUFFIX}"
)
_BARE = re.compile(rf"(?P<number>{_NUMBER})")
_DECIMAL = re.compile(
    rf"(?:dec(?:imal)?\s*:?\s*)?(?P<number>{_NUMBER}){_SUFFIX}(?:\s*\(?dec(?:imal)?\)?)?"
)
_NAMED_DECIMAL = re.compile(r".*\bdec(?:imal)?\b.*")
_LOGMAR = re.compile(rf"(?:logmar\s*[:=]?\s*)?(?P<number>{_NUMBER})(?:\s*logmar)?")
_LETTERS = re.compile(
    rf"(?:(?:etdrs|letters?)\s*:?\s*)?(?P<number>{_NUMBER})(?:\s*(?:etdrs)?\s*(?:letters?|ltrs?))?(?:\s*etdrs)?"
)
_DISTANCE = (
    r"(?:\s*(?:at|@|x)?\s*(?:\d+(?:\.\d+)?|(?:\d )?1/[24])"
    r"\s*(?:m|cm|mm|metres?|meters?|ft|feet|foot|'|in|\")"
    r"|\s*(?:near|close)|\s*(?:at\s*)?face)?"
)
_OFF_CHART = (
    ("NLP", re.compile(r"nlp|npl|no\s*(?:pl|lp|light perception|perception of light)")),
    (
        "LP",
        re.compile(r"(?:lp|pl|light perception|perception of light)(?: with(?:out)? projection)?"),
    ),
    ("HM", re.compile(rf"(?:hm|hand (?:movements?|motions?)){_DISTANCE}")),
    ("CF", re.compile(rf"(?:cf|fc|count(?:ing)? fingers?|fingers? count(?:ing)?){_DISTANCE}")),
)
_DATE_LIKE = re.compile(
    r"\d{4}-\d{1,2}-\d{1,2}.*|\d{1,2}[-. ][a-z]{3,9}\.?(?:[-. ]\d{2,4})?|[a-z]{3}-\d{2}|\d+/\d+/\d+"
)


def _tidy(text: str) -> str:
    """Lower case, one kind of minus, slash and blank; what is written stays in the reading."""
    folded = unicodedata.normalize("NFKC", text).casefold().replace("⁄", "/").replace("’", "'")
    return " ".join(re.sub("[‐‑‒–—−]", "-", folded).split())


def _refuse(text: str, reason: str) -> RefusedInputError:
    return RefusedInputError(f"The acuity {text!r} {reason}", found=text)


def _letters_missed(text: str, match: re.Match[str]) -> int:
    """Letters missed of the line (negative: read of the next one), by the suffix."""
    if match["part"]:
        return PART_LETTERS
    if not match["sign"]:
        return 0
    count = int(match["count"])
    if not 1 <= count <= 5:
        raise _refuse(
            text, f"counts {count} letters; a suffix counts 1 to 5 letters, more is another line."
        )
    return count if match["sign"] == "-" else -count


def _chart_logmar(
    text: str, logmar: float, missed: int = 0, worst: float = WORST_CHART_LOGMAR
) -> float:
    if logmar < BEST_CHART_LOGMAR - 1e-5:
        raise _refuse(text, f"is better than any chart's best line (6/3). {_ALLOWED}")
    if logmar > worst:
        raise _refuse(
            text,
            "is worse than a chart shows (1/60 is the usual last value). If the number stands in "
            "for counting fingers, hand movements or light perception, write CF, HM, LP or NLP.",
        )
    return logmar + LETTER_LOGMAR * missed


def _read_fraction(text: str, match: re.Match[str], notation: str | None) -> float:
    distance, size = float(match["distance"]), float(match["size"])
    if distance <= 0 or size <= 0:
        raise _refuse(text, f"is impossible: both parts must be above 0. {_ALLOWED}")
    is_metric = distance in _TEST_DISTANCES_M
    is_in_feet = distance in _TEST_DISTANCES_FT
    is_tenths = size == 10 and distance in _TENTHS
    if notation == "snellen_m" and not is_metric:
        raise _refuse(text, "is no Snellen fraction in metres (6/9, 3/60); name the notation used.")
    if notation == "snellen_ft" and not is_in_feet:
        raise _refuse(
            text, "is no Snellen fraction in feet (20/40, 5/200); name the notation used."
        )
    if not (is_metric or is_in_feet or is_tenths):
        raise _refuse(
            text,
            f"has no usual test distance before the slash ({match['distance']}). Metres up to 6, "
            "feet up to 20, or tenths (8/10) are read; are the two parts swapped?",
        )
    is_near = distance < 6
    worst = WORST_NEAR_LOGMAR if is_near else WORST_CHART_LOGMAR
    missed = _letters_missed(text, match)
    return _chart_logmar(text, math.log10(size / distance), missed, worst)


def _read_decimal(text: str, match: re.Match[str]) -> float:
    value = float(match["number"])
    if value <= 0:
        raise _refuse(text, f"is impossible: a decimal acuity is above 0. {_ALLOWED}")
    return _chart_logmar(text, -math.log10(value), _letters_missed(text, match))


def _read_logmar(text: str, match: re.Match[str]) -> float:
    return _chart_logmar(text, float(match["number"]))


def _read_letters(text: str, match: re.Match[str]) -> float:
    value = float(match["number"])
    if not value.is_integer() or not 0 <= value <= 100:
        raise _refuse(text, "is impossible: letters are whole and from 0 to 100.")
    return (85 - int(value)) / 50


_READERS: Mapping[str, tuple[re.Pattern[str], Callable[[str, re.Match[str]], float]]] = {
    "decimal": (_DECIMAL, _read_decimal),
    "logmar": (_LOGMAR, _read_logmar),
    "letters": (_LETTERS, _read_letters),
}


def _name_notation(tidied: str) -> str | None:
    """Tell the notation that the text itself names."""
    if _NAMED_DECIMAL.fullmatch(tidied):
        return "decimal"
    if "logmar" in tidied:
        return "logmar"
    if "letter" in tidied or "ltr" in tidied or "etdrs" in tidied:
        return "letters"
    return None


def _find_off_chart(tidied: str) -> str | None:
    spaced = tidied.replace(".", "") if re.fullmatch(r"(?:[a-z]\.)+", tidied) else tidied
    for level, pattern in _OFF_CHART:
        if pattern.fullmatch(spaced):
            return level
    return None


def _refuse_bare(text: str, number: float) -> RefusedInputError:
    if number <= 2:
        return _refuse(
            text,
            "is ambiguous: 1.0 is 6/6 as a decimal and 6/60 as logMAR. Name the notation "
            "(decimal, logmar or letters), or write 'decimal 0.5' or '0.30 logMAR'.",
        )
    return _refuse(
        text,
        "has no notation: it may be letters, or the lower part of a fraction. Write '70 letters' "
        "or name the notation letters.",
    )


def _refuse_unreadable(text: str, tidied: str, notation: str | None) -> RefusedInputError:
    if not tidied:
        return _refuse(text, f"is empty. Leave the cell out, or: {_ALLOWED}")
    if re.search(r"\d,\d", tidied):
        point = re.sub(r"(?<=\d),(?=\d)", ".", text)
        return _refuse(text, f"has a decimal comma; write {point!r} with a decimal point.")
    if _DATE_LIKE.fullmatch(tidied):
        return _refuse(
            text, "is a date, as a spreadsheet makes of 6/9. Format the column as text; write 6/9."
        )
    if re.fullmatch(r".*\d\s*[-+]+", tidied):
        return _refuse(
            text,
            "does not say how many letters: write 6/9-2 or 6/9+1. Where that is not known, "
            "write 6/9 part for a minus and 6/9 for a plus.",
        )
    named = f" as {notation}" if notation else ""
    return _refuse(text, f"cannot be read{named}. {_ALLOWED}")


def _read_chart(text: str, notation: str | None) -> float:
    tidied = _tidy(text)
    fraction = _FRACTION.fullmatch(tidied)
    is_tenths = fraction is not None and notation == "decimal" and fraction["size"] == "10"
    if fraction and (is_tenths or notation in (None, "snellen_m", "snellen_ft")):
        return _read_fraction(text, fraction, notation)
    named = _name_notation(tidied)
    bare = _BARE.fullmatch(tidied)
    if notation is None and bare:
        raise _refuse_bare(text, float(bare["number"]))
    if named and notation and named != notation:
        raise _refuse(text, f"says {named} but its notation is given as {notation}; correct one.")
    pattern, reader = _READERS.get(notation or named or "", (None, None))
    match = pattern.fullmatch(tidied) if pattern else None
    if match is None or reader is None:
        raise _refuse_unreadable(text, tidied, notation)
    return reader(text, match)


def _check_mapping(mapping: Mapping[str, float]) -> None:
    values = [mapping.get(level, math.nan) for level in OFF_CHART_LEVELS]
    is_ordered = all(worse >= better for worse, better in pairwise(values))
    if set(mapping) != set(OFF_CHART_LEVELS) or not is_ordered or not max(values) <= 3.5:
        raise ValueError(
            "an off-chart mapping gives CF, HM, LP and NLP a logMAR each, none above 3.5 and none "
            f"better than the level above it, not {dict(mapping)}"
        )


def read_acuity(
    text: str,
    notation: str | None = None,
    *,
    off_chart_logmar: Mapping[str, float] = DEFAULT_OFF_CHART_LOGMAR,
) -> AcuityReading:
    """Read one acuity as written.

    Parameters
    ----------
    text
        A Snellen fraction in metres or feet or tenths (6/9, 20/40, 3/60, 8/10), with ``-2`` or
        ``+1`` for letters missed or gained (0.02 logMAR each) or ``part`` (as ``-2``, common
        practice, no source); a decimal, logMAR or letters with its name; CF or FC, HM, LP or PL,
        NLP or NPL. A distance after CF or HM is understood and does not change the level.
    notation
        One of ``NOTATIONS``, for a number that does not name its own. Off-chart levels are
        understood under any notation.
    off_chart_logmar
        The logMAR that stands for each off-chart level (a recorded setting).

    Returns
    -------
    AcuityReading

    Raises
    ------
    RefusedInputError
        When the text is ambiguous, impossible or not understood; says what to write instead.
    ValueError
        For an unknown notation or a mapping that is not ordered.

    Examples
    --------
    >>> read_acuity("6/12-2").letters, read_acuity("20/40").letters
    (68, 70)
    >>> read_acuity("1.0", "decimal").logmar == 0
    True
    >>> read_acuity("CF 1 m")
    AcuityReading(text='CF 1 m', logmar=1.9, letters=None, off_chart='CF', rank=3)
    >>> read_acuity("1.0")
    Traceback (most recent call last):
    ...
    registry.errors.RefusedInputError: The acuity '1.0' is ambiguous: ...
    """
    if notation is not None and notation not in NOTATIONS:
        raise ValueError(f"notation must be one of {', '.join(NOTATIONS)}, not {notation!r}")
    _check_mapping(off_chart_logmar)
    level = _find_off_chart(_tidy(text))
    if level is not None:
        number = float(off_chart_logmar[level])
        return AcuityReading(text, number, None, level, OFF_CHART_LEVELS.index(level))
    logmar = _read_chart(text, notation) + 0.0
    letters = count_letters(logmar)
    return AcuityReading(text, logmar, letters, None, rank_of(letters, None))


# --- comparisons ----------------------------------------------------------------------------------


def at_least(reading: AcuityReading, level: AcuityReading | str) -> bool:
    """Whether a reading is as good as a level or better, in letters or by off-chart rank.

    Examples
    --------
    >>> at_least(read_acuity("6/60"), "6/60"), at_least(read_acuity("CF"), "3/60")
    (True, False)
    """
    return reading.rank >= _as_reading(level).rank


def better_than(reading: AcuityReading, level: AcuityReading | str) -> bool:
    """Whether a reading is better than a level: by one letter at least, or by off-chart rank.

    Not the same end point as :func:`at_least`: an eye at exactly 6/60 is not better than it.

    Examples
    --------
    >>> better_than(read_acuity("6/60"), "6/60"), better_than(read_acuity("6/60+1"), "6/60")
    (False, True)
    """
    return reading.rank > _as_reading(level).rank


def _as_reading(level: AcuityReading | str) -> AcuityReading:
    return read_acuity(level) if isinstance(level, str) else level


def band_icd_11(reading: AcuityReading) -> str:
    """Name the band of one eye by the limits of the ICD-11 vision impairment categories.

    The categories are defined on the presenting acuity of a person, so for one eye it is a band.
    Below 3/60 the band is "blindness"; :func:`band_icd_10` divides it further.

    Examples
    --------
    >>> [band_icd_11(read_acuity(text)) for text in ("6/12", "6/18", "6/60", "3/60", "CF")]
    ['none', 'mild', 'moderate', 'severe', 'blindness']
    """
    limits = (("6/12", "none"), ("6/18", "mild"), ("6/60", "moderate"), ("3/60", "severe"))
    return next((band for level, band in limits if at_least(reading, level)), "blindness")


def band_icd_10(reading: AcuityReading) -> int:
    """Number the band of one eye by the limits of the ICD-10 (2010 revision) categories, 0 to 5.

    Categories 3 (worse than 3/60, 1/60 or better), 4 (worse than 1/60, light perception or
    better) and 5 (no light perception) as published; 0 to 2 from memory. As a person's category is
    defined on presenting acuity, for one eye it is a band. Counting fingers at 1 m is category 3
    in the ICD's wording; here every CF ranks below the chart and falls in band 4.

    Examples
    --------
    >>> [band_icd_10(read_acuity(text)) for text in ("6/18", "6/60", "3/60", "1/60", "LP", "NLP")]
    [0, 1, 2, 3, 4, 5]
    """
    limits = ("6/18", "6/60", "3/60", "1/60", "LP")
    return next((band for band, level in enumerate(limits) if at_least(reading, level)), 5)
