"""The rules that one cell must satisfy, made from the declaration of its field.

Each field gives one :class:`CellCheck`: a predicate that a sound cell satisfies, the diagnoses of
a cell that does not, in order, and the typed value. All are SQL over text, so that a chunk of rows
is judged in one query. A pattern is matched before anything is cast, because casts accept too much
(``97.5`` as the integer 98, ``24-05-06`` as the year 24, ``inf`` as a date).
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Literal, get_args

from registry.engine.duckdb_schema import column_type
from registry.entry_rules.line_records import RARE_BLANKS
from registry.records import DECIMAL_PLACES, Field

DateOrder = Literal["dmy", "mdy", "ymd"]

LONGEST_TEXT = 200
"""Characters that a text cell may hold."""

EARLIEST_DATE = date(1900, 1, 1)
"""No clinical date lies before it (plaque treatment is younger): such a year is a slip."""

_DATE = r"\d{4}-\d{2}-\d{2}"
_TIME = r"([01]\d|2[0-3]):[0-5]\d(:[0-5]\d)?"
_UNSEEN = r"[\p{Cc}\p{Cf}\p{Zl}\p{Zp}]"
"""Control, format (zero-width, direction) and line separator characters."""

_REORDER = {
    "dmy": (r"^(\d{1,2})[-/.](\d{1,2})[-/.](\d{4})", r"\3-0\2-0\1"),
    "mdy": (r"^(\d{1,2})[-/.](\d{1,2})[-/.](\d{4})", r"\3-0\1-0\2"),
    "ymd": (r"^(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})", r"\1-0\2-0\3"),
}

_NOT_KNOWN = frozenset({"na", "n/a", "n.a.", "nan", "null", "-", "--", "?", "unknown", "."})

_SHORT_FORMS = {
    "right": ("od", "re", "r"),
    "left": ("os", "le", "l"),
    "female": ("f", "w"),
    "male": ("m",),
    "yes": ("y", "1", "true"),
    "no": ("n", "0", "false"),
    "none": ("nil",),
    "local_failure": ("recurrence", "local recurrence"),
}


def quote_name(name: str) -> str:
    """Quote an SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def quote_text(text: str) -> str:
    """Quote an SQL text constant."""
    return "'" + text.replace("'", "''") + "'"


@dataclass(frozen=True, slots=True)
class CellCheck:
    """How the cells of one field are judged, as SQL over ``@v`` (trimmed text, NULL when blank).

    ``typed`` casts the text (NULL where it cannot be cast); ``sound`` and the conditions of
    ``diagnoses`` may use it as ``@t``. ``otherwise`` names the problem when no diagnosis fits.
    """

    field: Field
    typed: str
    sound: str
    diagnoses: tuple[tuple[str, str], ...]
    otherwise: str

    def problem_sql(self, text: str, typed: str) -> str:
        """SQL for the name of the problem, NULL for a sound cell."""
        cases = [f"WHEN {self.sound} THEN NULL"]
        cases += [f"WHEN {condition} THEN '{name}'" for name, condition in self.diagnoses]
        missing = "'missing'" if self.field.is_required else "NULL"
        sql = f"CASE WHEN @v IS NULL THEN {missing} {' '.join(cases)} ELSE '{self.otherwise}' END"
        return sql.replace("@v", text).replace("@t", typed)

    def typed_sql(self, text: str) -> str:
        """SQL for the value in its own type, NULL where the text cannot be cast."""
        return self.typed.replace("@v", text)


def make_check(field: Field, *, today: date, date_order: DateOrder | None) -> CellCheck:
    """Compile the declaration of one field into the check of its cells.

    Parameters
    ----------
    field
        The declared field.
    today
        No date may lie after it.
    date_order
        Order of day, month and year in dates written with slashes, dots or hyphens; None allows
        ISO dates only. ISO dates are always understood.
    """
    if date_order is not None and date_order not in get_args(DateOrder):
        raise ValueError(f"date_order must be dmy, mdy, ymd or None, not {date_order!r}")
    if field.type in ("date", "timestamp"):
        return _check_of_time(field, today, date_order)
    return {"text": _check_of_text, "code": _check_of_code, "list": _check_of_list}.get(
        field.type, _check_of_number
    )(field)


def _check_of_text(field: Field) -> CellCheck:
    hidden = f"regexp_matches(@v, '{_UNSEEN}')"
    sound = f"length(@v) <= {LONGEST_TEXT} AND NOT {hidden}"
    return CellCheck(field, "@v", sound, (("unseen_character", hidden),), "too_long")


def _check_of_code(field: Field) -> CellCheck:
    codes = ", ".join(quote_text(code) for code in field.codes)
    return CellCheck(field, "@v", f"@v IN ({codes})", (), "unknown_code")


def _check_of_list(field: Field) -> CellCheck:
    codes = "|".join(re.escape(code) for code in field.codes)
    known = f"regexp_full_match(@v, '({codes})(\\s*;\\s*({codes}))*')"
    typed = "regexp_replace(@v, '\\s*;\\s*', ';', 'g')"
    repeated = "len(string_split(@t, ';')) <> len(list_distinct(string_split(@t, ';')))"
    alone = "(contains(@t, ';') AND list_contains(string_split(@t, ';'), 'none'))"
    return CellCheck(
        field,
        typed,
        f"({known} AND (NOT contains(@v, ';') OR NOT ({repeated} OR {alone})))",
        (("unknown_code", f"NOT {known}"), ("none_combined", alone)),
        "code_repeated",
    )


_NUMBER_DIAGNOSES = (
    ("decimal_comma", r"regexp_full_match(@v, '-?\d+,\d+')"),
    ("bare_point", r"regexp_full_match(@v, '-?(\d+\.|\.\d+)')"),
    ("thousands", r"regexp_full_match(@v, '-?\d{1,3}(,\d{3})+(\.\d+)?')"),
    ("too_many_decimals", rf"regexp_full_match(@v, '-?\d+\.\d{{{DECIMAL_PLACES + 1},}}')"),
    ("out_of_range", r"regexp_full_match(@v, '-?\d+(\.\d+)?')"),
)
_INTEGER_DIAGNOSES = (
    ("not_whole", r"regexp_full_match(@v, '-?\d+[.,]\d+')"),
    ("out_of_range", r"regexp_full_match(@v, '-?\d+')"),
)


def _check_of_number(field: Field) -> CellCheck:
    is_whole = field.type == "integer"
    pattern = r"-?\d{1,8}" if is_whole else rf"-?\d{{1,8}}(\.\d{{1,{DECIMAL_PLACES}}})?"
    low, high = (field.low, field.high) if field.low is not None else (-99999999, 99999999)
    return CellCheck(
        field,
        f"TRY_CAST(@v AS {column_type(field)})",
        f"(regexp_full_match(@v, '{pattern}') AND @t BETWEEN {low} AND {high})",
        _INTEGER_DIAGNOSES if is_whole else _NUMBER_DIAGNOSES,
        "not_a_number",
    )


def _in_iso_order(date_order: DateOrder | None) -> str:
    """SQL that writes a date in the declared order as ISO; anything else stays as it is."""
    if date_order is None:
        return "@v"
    pattern, order = _REORDER[date_order]
    padded = f"regexp_replace(@v, '{pattern}', '{order}')"
    return rf"regexp_replace({padded}, '-0(\d{{2}})', '-\1', 'g')"


_OTHER_ORDER = (
    r"regexp_full_match(@v, '\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}([ T].*)?') "
    rf"AND NOT regexp_matches(@v, '^{_DATE}')"
)
_WITH_ZONE = rf"regexp_full_match(@v, '{_DATE}[ T]{_TIME}(\.\d+)? ?(Z|[A-Z]{{3,4}}|[-+]\d.*)')"


def _check_of_time(field: Field, today: date, date_order: DateOrder | None) -> CellCheck:
    has_time = field.type == "timestamp"
    text = _in_iso_order(date_order)
    is_iso = f"regexp_full_match({text}, '{_DATE}{f'[ T]{_TIME}' if has_time else ''}')"
    day = "CAST(@t AS DATE)" if has_time else "@t"
    is_day = f"regexp_full_match({text}, '{_DATE}')"
    diagnoses: tuple[tuple[str, str], ...] = (
        ("two_digit_year", r"regexp_matches(@v, '^\d{1,2}[-/.]\d{1,2}[-/.]\d{2}( |T|$)')"),
        ("in_future", f"{day} > DATE '{today}'"),
        ("before_1900", f"{day} < DATE '{EARLIEST_DATE}'"),
        ("no_such_day", is_iso),
        ("day_number", r"regexp_full_match(@v, '\d{5}(\.\d+)?')"),
        *((("no_time", is_day), ("with_zone", _WITH_ZONE)) if has_time else ()),
        ("other_order", _OTHER_ORDER),
    )
    return CellCheck(
        field,
        f"CASE WHEN {is_iso} THEN TRY_CAST({text} AS {column_type(field)}) END",
        f"coalesce({day} BETWEEN DATE '{EARLIEST_DATE}' AND DATE '{today}', false)",
        diagnoses,
        "not_a_time" if has_time else "not_a_date",
    )


def make_text_query(check: CellCheck, source: str, *, has_rare_blanks: bool = True) -> str:
    """SQL that judges texts of one field.

    ``source`` has a column ``text``; the answer has, in the same order, the typed ``value`` (NULL
    for a blank or wrong text), the name of the ``problem`` (NULL for a sound one) and ``is_blank``.
    Without ``has_rare_blanks`` only spaces are trimmed, which is much faster.
    """
    blanks = f", {_BLANKS}" if has_rare_blanks else ""
    return (
        "SELECT CASE WHEN problem IS NULL THEN t END AS value, problem, v IS NULL AS is_blank FROM "
        f"(SELECT *, {check.problem_sql('v', 't')} AS problem FROM "
        f"(SELECT *, {check.typed_sql('v')} AS t FROM "
        f"(SELECT nullif(trim(text{blanks}), '') AS v FROM {source})))"
    )


_BLANKS = "' ' || " + " || ".join(f"chr({ord(mark)})" for mark in RARE_BLANKS)


# --- what to do about it --------------------------------------------------------------------------


def suggest(found: str, choices: Iterable[str]) -> str | None:
    """Name the choice that was probably meant, or None.

    Examples
    --------
    >>> suggest("OD", ["right", "left"]), suggest("Choroid ", ["choroid", "iris"])
    ('right', 'choroid')
    """
    plain = re.sub(r"[\s-]+", "_", found.strip().lower())
    known = list(choices)
    for choice in known:
        if plain == choice.lower() or plain.replace("_", " ") in _SHORT_FORMS.get(choice, ()):
            return choice
    near = difflib.get_close_matches(plain, known, n=1, cutoff=0.75)
    return near[0] if near else None


def _remedy_for_code(found: str, field: Field) -> str:
    parts = found.split(";") if field.type == "list" else [found]
    wrong = next((part.strip() for part in parts if part.strip() not in field.codes), found)
    meant = suggest(wrong, field.codes) if wrong else None
    if meant is not None:
        return f'write "{meant}"'
    if not wrong.strip():
        return "take out the semicolon that nothing follows"
    blank = "" if field.is_required else ", or leave the cell blank when it is not known"
    return "write one of the codes" + blank


def _blank_or(found: str, field: Field, otherwise: str) -> str:
    if found.lower() in _NOT_KNOWN and not field.is_required:
        return "leave the cell blank when it is not known"
    return otherwise


_ISO = "write the date as YYYY-MM-DD"


def _describe_range(found: str, field: Field) -> str:
    is_below = field.low is not None and _as_number(found) < field.low
    limit = field.low if is_below else field.high
    side = "below" if is_below else "above"
    return f"{found} is {side} {limit}; check the value and its unit"


def _as_number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return float("inf")


_REMEDIES: dict[str, Callable[[str, Field], str]] = {
    "missing": lambda found, field: f"enter {field.name}; it may not be blank",
    "unseen_character": lambda found, field: (
        "retype the cell: it holds a line break or a character that cannot be seen"
    ),
    "too_long": lambda found, field: f"shorten it to {LONGEST_TEXT} characters",
    "unknown_code": _remedy_for_code,
    "none_combined": lambda found, field: 'write "none" alone, or leave it out',
    "code_repeated": lambda found, field: "name each code once",
    "decimal_comma": lambda found, field: (
        f"uses a decimal comma; write {found.replace(',', '.')}, or say --decimal comma when all "
        "numbers of the files are written so"
    ),
    "bare_point": lambda found, field: f"write {Decimal(found)}",
    "thousands": lambda found, field: f"write {found.replace(',', '')}",
    "too_many_decimals": lambda found, field: (
        f"give at most {DECIMAL_PLACES} digits after the point"
    ),
    "not_whole": lambda found, field: "write a whole number, without a decimal point",
    "not_a_number": lambda found, field: _blank_or(
        found, field, "write digits only, without unit or sign"
    ),
    "out_of_range": _describe_range,
    "two_digit_year": lambda found, field: "write the year with four digits",
    "in_future": lambda found, field: "check the year: the date lies in the future",
    "before_1900": lambda found, field: "check the year: the date lies before 1900",
    "no_such_day": lambda found, field: "there is no such day; check it against the notes",
    "other_order": lambda found, field: (
        f"{_ISO}, or say --date-order dmy, mdy or ymd when all dates are written alike"
    ),
    "day_number": lambda found, field: (
        "a spreadsheet's day number: format the column as YYYY-MM-DD before saving it"
    ),
    "not_a_date": lambda found, field: _blank_or(found, field, _ISO),
    "no_time": lambda found, field: (
        "add the time (HH:MM); where only the day is known write 12:00"
        + (", and day in inserted_precision" if field.table == "implant" else "")
        + ' (for a whole column: time_where_none = "12:00" in a column map)'
    ),
    "with_zone": lambda found, field: "write the local clock time, without a time zone",
    "not_a_time": lambda found, field: _blank_or(found, field, "write it as YYYY-MM-DD HH:MM"),
}


def find_remedy(problem: str, found: str, field: Field) -> str:
    """Say what to do about a cell with that problem."""
    return _REMEDIES[problem](found, field)
