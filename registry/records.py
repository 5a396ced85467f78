"""The data dictionary: one declaration of every table and field.

``records.csv`` beside this module is the only place where a field is declared: its type, unit,
range, codes, meaning, and whether it identifies a record, refers to another table, must be entered
or is derived at intake. The store's columns, intake validation, ``afterplaque fields``, the entry
workbook and the documentation all follow from it.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from importlib import resources
from types import MappingProxyType
from typing import Literal, get_args

FieldType = Literal["text", "code", "integer", "decimal", "date", "timestamp", "list"]
Entry = Literal["required", "optional", "derived"]

DECIMAL_PLACES = 6
"""Most digits after the point that a decimal field keeps; more are refused, never rounded."""


@dataclass(frozen=True, slots=True)
class Field:
    """One field of one table.

    ``low`` and ``high`` are inclusive and in ``unit``. ``codes`` holds the allowed codes of a
    ``code`` or ``list`` field. ``references`` names the table whose key the field holds.
    """

    table: str
    name: str
    type: FieldType
    unit: str
    low: Decimal | None
    high: Decimal | None
    entry: Entry
    is_key: bool
    references: str | None
    codes: tuple[str, ...]
    meaning: str

    @property
    def is_required(self) -> bool:
        """Whether every row must carry a value."""
        return self.entry == "required"

    @property
    def is_derived(self) -> bool:
        """Whether the value is worked out at intake and never entered."""
        return self.entry == "derived"

    def allowed(self) -> str:
        """Say in words what the field takes."""
        if self.codes:
            several = "one or more, semicolon between, of " if self.type == "list" else ""
            return several + ", ".join(self.codes)
        unit = f" ({self.unit})" if self.unit else ""
        kinds = {
            "text": "text",
            "integer": f"a whole number{unit}",
            "decimal": f"a number{unit} with a decimal point",
            "date": "a date written YYYY-MM-DD",
            "timestamp": "a date and time written YYYY-MM-DD HH:MM",
        }
        limits = f" from {self.low} to {self.high}" if self.low is not None else ""
        return kinds[self.type] + limits


@dataclass(frozen=True)
class RecordTable:
    """One table: its fields in the order of declaration."""

    name: str
    fields: tuple[Field, ...]

    @cached_property
    def key(self) -> tuple[Field, ...]:
        """The fields that together identify a record."""
        return tuple(field for field in self.fields if field.is_key)

    @cached_property
    def entered(self) -> tuple[Field, ...]:
        """The fields that a person enters (all but the derived ones)."""
        return tuple(field for field in self.fields if not field.is_derived)

    @cached_property
    def references(self) -> tuple[Field, ...]:
        """The fields that hold the key of another table."""
        return tuple(field for field in self.fields if field.references)

    def field(self, name: str) -> Field:
        """Return the field of that name; ``KeyError`` when the table has none."""
        for field in self.fields:
            if field.name == name:
                return field
        raise KeyError(f"{self.name} has no field {name!r}")


def _limit(text: str) -> Decimal | None:
    return Decimal(text) if text else None


def _read_field(row: dict[str, str]) -> Field:
    if row["type"] not in get_args(FieldType) or row["entry"] not in get_args(Entry):
        raise ValueError(f"records.csv: {row['table']}.{row['field']} has an unknown type or entry")
    return Field(
        table=row["table"],
        name=row["field"],
        type=row["type"],  # type: ignore[arg-type]
        unit=row["unit"],
        low=_limit(row["low"]),
        high=_limit(row["high"]),
        entry=row["entry"],  # type: ignore[arg-type]
        is_key=row["key"] == "key",
        references=row["references"] or None,
        codes=tuple(row["codes"].split("|")) if row["codes"] else (),
        meaning=row["meaning"],
    )


def read_declaration(lines: Iterable[str]) -> dict[str, RecordTable]:
    """Read the declaration from CSV lines into tables, parents before children."""
    fields: dict[str, list[Field]] = {}
    for row in csv.DictReader(lines):
        fields.setdefault(row["table"], []).append(_read_field(row))
    return {name: RecordTable(name, tuple(members)) for name, members in fields.items()}


def _read_packaged() -> dict[str, RecordTable]:
    text = resources.files("registry").joinpath("records.csv").read_text(encoding="utf-8")
    return read_declaration(text.splitlines())


TABLES = MappingProxyType(_read_packaged())
"""Every table by name, parents before children."""
