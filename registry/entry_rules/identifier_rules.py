"""Rules that keep people's own names, numbers and dates out of identifiers.

What cannot be a pseudonym is an error: an e-mail address anywhere, and in ``patient_id`` a name or
a full date of birth, since what was recorded is in every version and backup. What may be one is
a warning: long numbers in ``patient_id``, names and old dates in other identifiers (a department
may number its visits by date). The patterns are common practice, no source; they find slips, not
every name.
"""

from __future__ import annotations

from collections.abc import Iterator

from registry.entry_rules.record_rules import RecordRule, rule_within
from registry.records import RecordTable

_WORD = r"\p{L}[\p{L}''’.-]+"
NAME = (
    r"^(\p{Lu}\p{Ll}{2,}([-''’]\p{Lu}\p{Ll}+)*"  # Miller, Miller-Jones
    rf"|{_WORD}(( +|, *){_WORD})+"  # MILLER JOHN, Miller, John
    r"|\p{Lu}\p{Ll}+_\p{Lu}\p{Ll}+)$"  # John_Miller
)
"""SQL text of the pattern of a name; a quote is doubled as SQL asks."""

_YEAR, _MONTH, _DAY = r"(19\d\d|200\d)", r"(0[1-9]|1[0-2])", r"(0[1-9]|[12]\d|3[01])"
BIRTH_DATE = (
    rf"(^|\D)({_YEAR}[-/. ]\d{{1,2}}[-/. ]\d{{1,2}}|\d{{1,2}}[-/. ]\d{{1,2}}[-/. ]{_YEAR}"
    rf"|{_YEAR}{_MONTH}{_DAY}|{_DAY}{_MONTH}{_YEAR}"
    rf"|{_DAY}{_MONTH}\d\d[- +]?\d{{3,5}}|\d\d{_MONTH}{_DAY}[- +]?\d{{4}})(\D|$)"
)
"""A full date of an adult's birth, and national numbers that begin with one."""

OLD_DATE = rf"(^|\D)19[0-7]\d(-\d\d-\d\d|{_MONTH}{_DAY})(\D|$)"
"""A full date before 1980: hardly one of a visit or an implant."""

EMAIL = r"[^@\s]+@[^@\s]+\.\p{L}{2,}"
LONG_NUMBER = r"\d{7,}|(^|\D)\d{3}[ .-]\d{2,3}[ .-]\d{3,4}(\D|$)"
"""Seven digits in a row, or nine or so in three groups, as national numbers are written."""


def _matches(field: str, pattern: str) -> str:
    return f"regexp_matches(r.{field}, '{pattern}')"


def _patient_id_rules() -> Iterator[RecordRule]:
    name, birth = _matches("patient_id", NAME), _matches("patient_id", BIRTH_DATE)
    pseudonym = "a pseudonym"
    remedy = "make one with `afterplaque pseudonym`; {}"
    yield rule_within(
        "patient_id_is_a_name",
        "error",
        "patient",
        "patient_id",
        name,
        pseudonym,
        remedy.format("it looks like a person's name"),
    )
    yield rule_within(
        "patient_id_is_a_birth_date",
        "error",
        "patient",
        "patient_id",
        birth,
        pseudonym,
        remedy.format("it holds what looks like a full date of birth"),
    )
    yield rule_within(
        "patient_id_is_a_number",
        "warning",
        "patient",
        "patient_id",
        f"{_matches('patient_id', LONG_NUMBER)} AND NOT {birth}",
        pseudonym,
        remedy.format("it looks like a hospital number"),
    )


def make_identifier_rules(table: RecordTable) -> Iterator[RecordRule]:
    """Make the rules for the text fields of one table that refer to no other table."""
    for field in table.fields:
        if field.type != "text" or field.references or field.is_derived:
            continue
        yield rule_within(
            f"{table.name}_{field.name}_is_an_email",
            "error",
            table.name,
            field.name,
            f"contains(r.{field.name}, '@') AND {_matches(field.name, EMAIL)}",
            "no e-mail address",
            "take the address out: records are kept under pseudonyms",
        )
        is_identifier = field.is_key or field.name == "operator_code"
        if is_identifier and table.name not in ("patient", "applicator"):
            found = f"{_matches(field.name, NAME)} OR {_matches(field.name, OLD_DATE)}"
            yield rule_within(
                f"{table.name}_{field.name}_names_someone",
                "warning",
                table.name,
                field.name,
                found,
                "a code that names no one",
                "it looks like a name or a date of birth; give it another code if it is",
            )
    if table.name == "patient":
        yield from _patient_id_rules()
