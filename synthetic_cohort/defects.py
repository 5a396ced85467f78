"""Plant the mistakes that clerks make into clean files, and say exactly where.

A checker of intake plants some, reads the files and asks whether each was found on its line and in
its field. Every defect has a line of its own, and lines of one patient may carry several.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from registry.records import DECIMAL_PLACES, TABLES

Files = dict[str, list[str]]


@dataclass(frozen=True, slots=True)
class Planted:
    """One planted defect: ``row`` is the physical line (the heading is line 1).

    ``field`` is "" where the line as a whole is wrong.
    """

    kind: str
    table: str
    row: int
    field: str


@dataclass(frozen=True, slots=True)
class Defect:
    """How one kind of defect is made.

    ``places`` lists tables and fields where it fits. ``spoil`` makes the new cell from the old one
    and the whole row, or returns None where this row will not do.
    """

    places: tuple[tuple[str, str], ...]
    spoil: Callable[[str, dict[str, str], np.random.Generator], str | None]
    raw: bool = False


Cells = dict[str, str]
Rng = np.random.Generator

_SIZES = (("tumour", "thickness_mm"), ("visit", "thickness_mm"), ("implant", "dose_apex_gy"))
_DATES = (("visit", "visit_date"), ("event", "event_date"), ("tumour", "diagnosis_date"))
_CODES = (("tumour", "site"), ("visit", "local_status"), ("event", "kind"), ("patient", "sex"))


def _put(text: str) -> Callable[[str, Cells, Rng], str | None]:
    """Replace any recorded value by a fixed text."""
    return lambda old, row, rng: text if old else None


def _put_acuity(text: str) -> Callable[[str, Cells, Rng], str | None]:
    """Replace an acuity whose notation column is blank."""
    return lambda old, row, rng: text if old and not row["acuity_notation"] else None


def _decimal_comma(old: str, row: Cells, rng: Rng) -> str | None:
    return old.replace(".", ",") if "." in old else None


def _with_unit(old: str, row: Cells, rng: Rng) -> str | None:
    return f"{old} mm" if old else None


def _too_many_decimals(old: str, row: Cells, rng: Rng) -> str | None:
    return old + "1" * (DECIMAL_PLACES + 1 - len(old.split(".")[1])) if "." in old else None


def _day_first(old: str, row: Cells, rng: Rng) -> str | None:
    return "/".join(reversed(old.split("-"))) if old else None


def _two_digit_year(old: str, row: Cells, rng: Rng) -> str | None:
    return old[8:10] + "/" + old[5:7] + "/" + old[2:4] if old else None


def _in_capitals(old: str, row: Cells, rng: Rng) -> str | None:
    return old.upper() if old and old != old.upper() else None


def _mistyped(old: str, row: Cells, rng: Rng) -> str | None:
    if len(old) < 4:
        return None
    place = int(rng.integers(1, len(old) - 1))
    return old[:place] + old[place + 1 :]


def _blank(old: str, row: Cells, rng: Rng) -> str | None:
    return "" if old else None


def _removed_early(old: str, row: Cells, rng: Rng) -> str | None:
    day = date.fromisoformat(row["inserted_at"][:10]) - timedelta(days=int(rng.integers(1, 9)))
    return f"{day.isoformat()} 10:00" if old else None


def _with_control_character(old: str, row: Cells, rng: Rng) -> str | None:
    return old[:3] + "\x0b" + old[3:] if len(old) > 3 else None


def _open_quote(old: str, row: Cells, rng: Rng) -> str | None:
    return f'"{old}' if old else None


_CELL_DEFECTS: Mapping[str, Defect] = {
    "decimal_comma": Defect(_SIZES, _decimal_comma),
    "out_of_range": Defect(_SIZES[:2], _put("88.0")),
    "not_a_number": Defect(_SIZES, _put("about 5")),
    "nan": Defect(_SIZES, _put("nan")),
    "inf": Defect(_SIZES, _put("inf")),
    "hex_number": Defect(_SIZES, _put("0x5")),
    "exponent": Defect(_SIZES, _put("5e0")),
    "with_unit": Defect(_SIZES[:2], _with_unit),
    "too_many_decimals": Defect(_SIZES, _too_many_decimals),
    "not_whole": Defect((("patient", "birth_year"),), _put("1950.5")),
    "impossible_date": Defect(_DATES, _put("2021-02-30")),
    "day_first_date": Defect(_DATES, _day_first),
    "two_digit_year": Defect(_DATES, _two_digit_year),
    "date_in_future": Defect(_DATES[:2], _put("2199-01-01")),
    "date_without_time": Defect((("implant", "inserted_at"),), lambda old, row, rng: old[:10]),
    "unknown_code": Defect(_CODES, _put("perhaps")),
    "capital_code": Defect(_CODES, _in_capitals),
    "mistyped_code": Defect(_CODES, _mistyped),
    "missing_required": Defect(
        (("visit", "visit_date"), ("event", "kind"), ("tumour", "eye"), ("implant", "inserted_at")),
        _blank,
    ),
    "unknown_parent": Defect(
        (("implant", "applicator_id"), ("visit", "patient_id"), ("event", "patient_id")),
        _put("NOBODY"),
    ),
    "unreadable_acuity": Defect((("visit", "acuity"),), _put_acuity("6/0")),
    "bare_acuity": Defect((("visit", "acuity"),), _put_acuity("1.0")),
    "removal_before_insertion": Defect((("implant", "removed_at"),), _removed_early),
    "control_character": Defect((("implant", "operator_code"),), _with_control_character),
    "unclosed_quote": Defect((("event", "kind"), ("visit", "local_status")), _open_quote, raw=True),
}
_ROW_DEFECTS = ("duplicate_key", "duplicate_visit", "too_few_columns", "too_many_columns")

KINDS: tuple[str, ...] = (*_CELL_DEFECTS, *_ROW_DEFECTS)
"""Every kind of defect that can be planted."""


def _split(line: str) -> list[str]:
    return next(csv.reader([line], strict=True))


def _join(cells: Sequence[str]) -> str:
    written = io.StringIO()
    csv.writer(written, lineterminator="").writerow(cells)
    return written.getvalue()


def _join_raw(cells: Sequence[str], place: int) -> str:
    """Join a line, leaving the cell at ``place`` exactly as it is."""
    parts = [_join([cell]) if cell else "" for cell in cells]
    parts[place] = cells[place]
    return ",".join(parts)


class _Planter:
    """Files under way, and which of their lines are spoilt already."""

    def __init__(self, files: Mapping[str, list[str]], rng: Rng) -> None:
        self.files: Files = {name: list(lines) for name, lines in files.items()}
        self.headings = {name: _split(lines[0]) for name, lines in files.items()}
        self._rng = rng
        self._spoilt: set[tuple[str, int]] = set()
        self._last = {name: len(lines) for name, lines in files.items()}

    def _candidates(self, table: str) -> list[int]:
        """Untouched lines (from 0) of the clean file, in random order."""
        order = self._rng.permutation(np.arange(1, self._last[table]))
        return [line for line in order.tolist() if (table, line) not in self._spoilt]

    def plant_cell(self, kind: str) -> Planted:
        """Spoil one cell of a line not spoilt yet."""
        defect = _CELL_DEFECTS[kind]
        for choice in self._rng.permutation(len(defect.places)).tolist():
            table, name = defect.places[choice]
            if table not in self.files or name not in self.headings[table]:
                continue
            place = self.headings[table].index(name)
            for line in self._candidates(table):
                cells = _split(self.files[table][line])
                row = dict(zip(self.headings[table], cells, strict=True))
                new = defect.spoil(cells[place], row, self._rng)
                if new is None:
                    continue
                cells[place] = new
                self.files[table][line] = _join_raw(cells, place) if defect.raw else _join(cells)
                self._spoilt.add((table, line))
                return Planted(kind, table, line + 1, name)
        raise ValueError(f"no line is left for a defect of kind {kind!r}")

    def plant_row(self, kind: str) -> Planted:
        """Spoil a whole line, or add one at the end of its file."""
        if kind in ("too_few_columns", "too_many_columns"):
            return self._miscount(kind)
        table = "visit" if kind == "duplicate_visit" else "event"
        for line in self._candidates(table):
            cells = _split(self.files[table][line])
            row = dict(zip(self.headings[table], cells, strict=True))
            if kind == "duplicate_visit":
                if not row["acuity"]:
                    continue
                row["visit_id"] = f"X{row['visit_id']}"
            self._spoilt.add((table, line))
            self.files[table].append(_join(list(row.values())))
            added = len(self.files[table]) - 1
            self._spoilt.add((table, added))
            field = "visit_date" if kind == "duplicate_visit" else TABLES[table].key[0].name
            return Planted(kind, table, added + 1, field)
        raise ValueError(f"no line is left for a defect of kind {kind!r}")

    def _miscount(self, kind: str) -> Planted:
        table = "visit"
        for line in self._candidates(table)[:1]:
            cells = _split(self.files[table][line])
            changed = cells[:-2] if kind == "too_few_columns" else [*cells, "extra"]
            self.files[table][line] = _join(changed)
            self._spoilt.add((table, line))
            return Planted(kind, table, line + 1, "")
        raise ValueError(f"no line is left for a defect of kind {kind!r}")


def plant(
    files: Mapping[str, list[str]], rng: np.random.Generator, kinds: Sequence[str] = KINDS
) -> tuple[Files, list[Planted]]:
    """Plant one defect of each kind named, each on a line of its own.

    Parameters
    ----------
    files
        Lines of the clean CSV files by table, the heading first, without line ends. Not changed.
    rng
        Chooses lines and places.
    kinds
        Kinds from ``KINDS``; a kind named twice is planted twice.

    Returns
    -------
    The spoilt files, and what was planted, in the order of ``kinds``. Duplicates are added at the
    end of their file and reported there, on the second of the two lines.

    Raises
    ------
    ValueError
        An unknown kind, or no line left that would do.

    Examples
    --------
    >>> clean = {"tumour": ["tumour_id,thickness_mm", "T1,5.2"]}
    >>> spoilt, planted = plant(clean, np.random.default_rng(1), ["decimal_comma"])
    >>> spoilt["tumour"][1], planted[0].row, planted[0].field
    ('T1,"5,2"', 2, 'thickness_mm')
    """
    unknown = [kind for kind in kinds if kind not in KINDS]
    if unknown:
        raise ValueError(f"unknown kinds of defect {unknown}; known are {', '.join(KINDS)}")
    planter = _Planter(files, rng)
    planted = [
        planter.plant_row(kind) if kind in _ROW_DEFECTS else planter.plant_cell(kind)
        for kind in kinds
    ]
    return planter.files, planted
