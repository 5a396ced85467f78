"""Column maps: how a department's own table is read, as a person wrote it down in TOML.

A map holds one ``[[source]]`` for each table that is made from a sheet or file; one sheet may be
the source of several. Every heading must be named: given a field, or left out by ``""``. Whatever
can be read in two ways (order of dates, century, decimal mark, day numbers) is declared here.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

from registry.entry_rules.rules import suggest
from registry.errors import RefusedInputError, UsageError
from registry.reading.cell_reading import (
    READING_KEYS,
    Reading,
    choose,
    read_reading,
    read_texts,
    word_kinds,
)
from registry.reading.lines import DELIMITERS, ENCODINGS
from registry.records import TABLES, Field, RecordTable

UNDECIDED = "?"
"""What a draft writes where a person has to decide."""

MOST_BYTES = 2_000_000
MOST_REPEATS = 200
FILE = "column map"


@dataclass(frozen=True, slots=True)
class Column:
    """What one column holds: its heading, field, translations and way of writing."""

    heading: str
    field: Field
    reading: Reading
    values: Mapping[str, str]
    unit: str
    multiply: Decimal | None
    split: str
    part: str


@dataclass(frozen=True, slots=True)
class SourceMap:
    """One ``[[source]]``: a table made from one sheet or file.

    ``left_out`` are headings with no field; ``repeat`` the texts that stand for ``{n}``;
    ``fixed`` fields with one value for all rows; ``made`` fields put together from others.
    """

    table: RecordTable
    file: str | None
    sheet: str | None
    encoding: str | None
    delimiter: str | None
    heading_rows: tuple[int, int]
    first_row: int | None
    last_row: int | None
    leave_out_rows: frozenset[int]
    leave_out_where: Mapping[str, frozenset[str]]
    repeated_headings: bool
    duplicates_once: bool
    fill_down: tuple[str, ...]
    others_left_out: bool
    repeat: tuple[str, ...]
    reading: Reading
    columns: tuple[Column, ...]
    left_out: frozenset[str]
    fixed: Mapping[Field, str]
    made: Mapping[Field, str]


_KEYS = {
    "table": str,
    "file": str,
    "sheet": str,
    "encoding": str,
    "delimiter": str,
    "heading_rows": (int, list),
    "first_row": int,
    "last_row": int,
    "leave_out_rows": list,
    "leave_out_where": dict,
    "repeated_headings": bool,
    "duplicate_rows": str,
    "fill_down": list,
    "other_columns": str,
    "repeat": list,
    "columns": dict,
    "fixed": dict,
    "made": dict,
}
_COLUMN_KEYS = {
    "field": str,
    "values": dict,
    "unit": str,
    "multiply": (str, int),
    "split": str,
    "part": str,
}


class _Reader:
    """Reads one ``[[source]]``; ``place`` says which for a refusal."""

    def __init__(self, name: str, place: str) -> None:
        self.name = name
        self.place = place

    def refuse(self, message: str) -> UsageError:
        return UsageError(f"{self.name}, {self.place}: {message}", file=self.name)

    def check_keys(self, given: Mapping[str, Any], known: Mapping[str, Any], what: str) -> None:
        for key, value in given.items():
            if key not in known:
                meant = suggest(key, known)
                hint = f" Did you mean {meant}?" if meant else f" It may hold {', '.join(known)}."
                raise self.refuse(f"{what} has an unknown entry {key!r}.{hint}")
            if value == UNDECIDED:
                raise self.refuse(f"{what} leaves {key} undecided; write what it is instead of ?.")
            kinds = known[key] if isinstance(known[key], tuple) else (known[key],)
            if not isinstance(value, kinds) or (isinstance(value, bool) and bool not in kinds):
                raise self.refuse(f"{what} has {key} = {value!r}; it must be {word_kinds(kinds)}.")

    def choose(self, value: str, allowed: Sequence[str], key: str) -> str:
        return choose(value, allowed, key, self.refuse)

    def read_texts(self, values: Sequence[Any], key: str) -> tuple[str, ...]:
        return read_texts(values, key, self.refuse)

    def find_field(self, table: RecordTable, name: str) -> Field:
        for field in table.entered:
            if field.name == name:
                return field
        meant = suggest(name, [field.name for field in table.entered])
        hint = f" Did you mean {meant}?" if meant else " `afterplaque fields` lists them."
        raise self.refuse(f"{table.name} has no entered field {name!r}.{hint}")

    def read_column(
        self, heading: str, given: Any, table: RecordTable, base: Reading
    ) -> Column | None:
        what = f"the column {heading!r}"
        if isinstance(given, str):
            given = {"field": given}
        if not isinstance(given, dict):
            raise self.refuse(f"{what} must name a field, or be an inline table.")
        self.check_keys(given, _COLUMN_KEYS | READING_KEYS, what)
        if not given.get("field"):
            return None
        field = self.find_field(table, given["field"])
        return Column(
            heading=heading,
            field=field,
            reading=read_reading(given, base, self.refuse),
            values=self._read_values(given.get("values", {}), field, what),
            unit=given.get("unit", ""),
            multiply=self._read_factor(given.get("multiply"), what),
            split=given.get("split", ""),
            part=self.choose(given["part"], ("year",), "part") if "part" in given else "",
        )

    def _read_values(self, given: Mapping[str, Any], field: Field, what: str) -> dict[str, str]:
        values: dict[str, str] = {}
        for text, value in given.items():
            if value == UNDECIDED:
                raise self.refuse(f"{what} leaves the value {text!r} undecided.")
            if not isinstance(value, str | int):
                raise self.refuse(f"{what} translates {text!r} into something that is no text.")
            for code in str(value).split(";") if field.codes else ():
                if code and code not in field.codes:
                    meant = suggest(code, field.codes)
                    hint = f" Did you mean {meant}?" if meant else ""
                    raise self.refuse(
                        f"{what} translates {text!r} into {code!r}, which {field.name} does not "
                        f"take.{hint} It takes {field.allowed()}."
                    )
            values[" ".join(text.split())] = str(value)
        return values

    def _read_factor(self, given: str | int | None, what: str) -> Decimal | None:
        if given is None:
            return None
        try:
            factor = Decimal(str(given))
        except InvalidOperation:
            factor = Decimal(0)
        if not factor.is_finite() or factor <= 0:
            raise self.refuse(f'{what} has multiply {given!r}; write a number in quotes, as "10".')
        return factor

    def read_source(self, given: Mapping[str, Any]) -> SourceMap:
        self.check_keys(given, _KEYS | READING_KEYS, "it")
        table = TABLES.get(given.get("table", ""))
        if table is None:
            raise self.refuse(f"table must be one of {', '.join(TABLES)}.")
        reading = read_reading(given, Reading(), self.refuse)
        columns: list[Column] = []
        left_out: set[str] = set()
        for heading, entry in given.get("columns", {}).items():
            name = " ".join(heading.split())
            column = self.read_column(name, entry, table, reading)
            if column is None:
                left_out.add(name)
            else:
                columns.append(column)
        fixed = {
            self.find_field(table, name): str(value)
            for name, value in given.get("fixed", {}).items()
        }
        made = {
            self.find_field(table, name): str(value)
            for name, value in given.get("made", {}).items()
        }
        self._check_fields(columns, fixed, made)
        return self._put_together(given, table, reading, columns, left_out, fixed, made)

    def _check_fields(
        self, columns: Sequence[Column], fixed: Mapping[Field, str], made: Mapping[Field, str]
    ) -> None:
        seen: set[str] = set()
        for field in [*(column.field for column in columns), *fixed, *made]:
            if field.name in seen and field.type not in ("list", "timestamp"):
                raise self.refuse(f"{field.name} is given twice.")
            seen.add(field.name)
        if not seen:
            raise self.refuse("no column is given a field.")

    def _put_together(
        self,
        given: Mapping[str, Any],
        table: RecordTable,
        reading: Reading,
        columns: Sequence[Column],
        left_out: set[str],
        fixed: Mapping[Field, str],
        made: Mapping[Field, str],
    ) -> SourceMap:
        delimiter = given.get("delimiter")
        if delimiter is not None:
            delimiter = DELIMITERS[self.choose(delimiter, tuple(DELIMITERS), "delimiter")]
        if "encoding" in given:
            self.choose(given["encoding"], ENCODINGS, "encoding")
        repeat = self.read_texts(given.get("repeat", []), "repeat")
        if len(repeat) > MOST_REPEATS or len(set(repeat)) < len(repeat):
            raise self.refuse(f"repeat must hold different texts, at most {MOST_REPEATS}.")
        if bool(repeat) != any("{n}" in column.heading for column in columns):
            raise self.refuse('repeat goes with headings that hold "{n}", and they with it.')
        rows = given.get("leave_out_rows", [])
        if not all(type(row) is int for row in rows):
            raise self.refuse("leave_out_rows must be a list of row numbers.")
        where = given.get("leave_out_where", {})
        return SourceMap(
            table=table,
            file=given.get("file"),
            sheet=given.get("sheet"),
            encoding=given.get("encoding"),
            delimiter=delimiter,
            heading_rows=self._read_heading_rows(given.get("heading_rows", 1)),
            first_row=given.get("first_row"),
            last_row=given.get("last_row"),
            leave_out_rows=frozenset(rows),
            leave_out_where={
                " ".join(heading.split()): frozenset(
                    self.read_texts(texts if isinstance(texts, list) else [texts], heading)
                )
                for heading, texts in where.items()
            },
            repeated_headings=given.get("repeated_headings", False),
            duplicates_once=self._choose_flag(given, "duplicate_rows", "once"),
            fill_down=tuple(
                " ".join(h.split())
                for h in self.read_texts(given.get("fill_down", []), "fill_down")
            ),
            others_left_out=self._choose_flag(given, "other_columns", "leave_out"),
            repeat=repeat,
            reading=reading,
            columns=tuple(columns),
            left_out=frozenset(left_out),
            fixed=fixed,
            made=made,
        )

    def _choose_flag(self, given: Mapping[str, Any], key: str, only: str) -> bool:
        return key in given and bool(self.choose(given[key], (only,), key))

    def _read_heading_rows(self, given: int | list[Any]) -> tuple[int, int]:
        rows = given if isinstance(given, list) else [given]
        is_fine = rows and all(type(row) is int and row >= 1 for row in rows)
        if not is_fine or rows != list(range(rows[0], rows[0] + len(rows))) or len(rows) > 5:
            raise self.refuse("heading_rows must be a row number, or up to five that follow.")
        return rows[0], rows[-1]


def read_map(text: str, name: str = FILE) -> tuple[SourceMap, ...]:
    """Read the text of a column map.

    Raises
    ------
    UsageError
        Naming the source and the entry that is unknown, undecided or wrong.

    Examples
    --------
    >>> [one] = read_map('[[source]]\\ntable = "patient"\\ncolumns = {"Pat" = "patient_id"}')
    >>> one.columns[0].heading, one.columns[0].field.name
    ('Pat', 'patient_id')
    """
    try:
        given = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise UsageError(f"{name} is not valid TOML: {error}.", file=name) from None
    sources = given.get("source")
    if set(given) != {"source"} or not isinstance(sources, list) or not sources:
        raise UsageError(f"{name} must hold [[source]] entries and nothing else.", file=name)
    maps = []
    for number, source in enumerate(sources, 1):
        if not isinstance(source, dict):
            raise UsageError(f"{name}: source {number} must be a table.", file=name)
        maps.append(_Reader(name, f"source {number}").read_source(source))
    return tuple(maps)


def read_map_file(path: Path) -> tuple[SourceMap, ...]:
    """Read a column map from its file; see :func:`read_map`.

    Raises
    ------
    RefusedInputError
        When the file cannot be read as UTF-8 text.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise RefusedInputError(f"{path.name} is too large for a column map.", file=path.name)
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError):
        raise RefusedInputError(
            f"The column map {path} cannot be read as UTF-8 text.", file=path.name
        ) from None
    return read_map(text, path.name)
