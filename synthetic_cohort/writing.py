"""Values to the text that stands in the files: numbers, dates, codes, acuities, gaps."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from registry.records import TABLES
from synthetic_cohort.hazards import NEVER_DAYS, Flags, Floats, Ints
from synthetic_cohort.vision import (
    DECIMAL,
    DECIMAL_LINES,
    FOOT_LINES,
    LOGMAR,
    METRE_LINES,
    Readings,
)

Texts = NDArray[np.object_]

MINUTES_PER_DAY = 1440
_OFF_CHART_FORMS = (("CF", "CF 1 m"), ("HM", "HM"), ("LP", "PL"), ("NLP", "NPL"))


def write_decimals(values: Floats, places: int) -> Texts:
    """Write numbers with a fixed count of decimals, none of them as minus zero.

    Examples
    --------
    >>> write_decimals(np.array([-0.04, 12.25]), 1).tolist()
    ['0.0', '12.2']
    """
    scaled = np.rint(np.asarray(values, dtype=float) * 10**places).astype(np.int64)
    distinct, place = np.unique(scaled, return_inverse=True)
    texts = [f"{number / 10**places:.{places}f}" for number in distinct.tolist()]
    return np.array(texts, dtype=object)[place]


def write_days(days: Ints) -> Texts:
    """Write days since 1970-01-01 as ISO dates, blank from ``NEVER_DAYS`` on.

    Examples
    --------
    >>> write_days(np.array([16071, NEVER_DAYS])).tolist()
    ['2014-01-01', '']
    """
    distinct, place = np.unique(np.minimum(days, NEVER_DAYS), return_inverse=True)
    iso = np.datetime_as_string(distinct.astype("datetime64[D]")).astype(object)
    iso[distinct >= NEVER_DAYS] = ""
    texts: Texts = iso[place]
    return texts


def write_minutes(minutes: Ints) -> Texts:
    """Write minutes since 1970-01-01 as ``YYYY-MM-DD HH:MM``."""
    day, minute = np.divmod(minutes, MINUTES_PER_DAY)
    clock = np.array(
        [f" {hour:02d}:{rest:02d}" for hour in range(24) for rest in range(60)], dtype=object
    )
    written: Texts = write_days(day) + clock[minute]
    return written


def write_codes(codes: Sequence[str], index: Ints | Flags) -> Texts:
    """Write the code at each index; for flags the first code is for True.

    Examples
    --------
    >>> write_codes(("yes", "no"), np.array([True, False])).tolist()
    ['yes', 'no']
    """
    place = np.where(index, 0, 1) if index.dtype == bool else index
    texts: Texts = np.array(list(codes), dtype=object)[place]
    return texts


def write_numbered(prefix: str, n: int, width: int, first: int = 1) -> Texts:
    """Write ``n`` running identifiers.

    Examples
    --------
    >>> write_numbered("E", 2, 3).tolist()
    ['E001', 'E002']
    """
    return np.array([f"{prefix}{i:0{width}d}" for i in range(first, first + n)], dtype=object)


def lose(texts: Texts, share: float, rng: np.random.Generator, becomes: str = "") -> Texts:
    """Replace a share of the texts, at random."""
    lost: Texts = np.where(rng.random(texts.shape) < share, becomes, texts).astype(object)
    return lost


def only_where(texts: Texts, keep: Flags) -> Texts:
    """Blank every text where ``keep`` is False."""
    kept: Texts = np.where(keep, texts, "").astype(object)
    return kept


def _write_lines(lines: list[str], readings: Readings) -> Texts:
    forms = [[line, f"{line}-1", f"{line}-2"] for line in lines]
    place = np.minimum(readings.line, len(lines) - 1)
    texts: Texts = np.array(forms, dtype=object)[place, readings.missed]
    return texts


def write_acuities(
    readings: Readings, bare: Flags, rng: np.random.Generator
) -> tuple[Texts, Texts]:
    """Write readings (shape (n,)) as acuity text, and the notation where a text needs it.

    ``bare`` says where logMAR and letters are written as a number alone.
    """
    text = _write_lines(METRE_LINES, readings)
    feet = _write_lines(FOOT_LINES, readings)
    finite = np.where(np.isfinite(readings.logmar), readings.logmar, 0.0)
    logmar = write_decimals(finite, 2)
    letters = write_decimals(85.0 - 50.0 * finite, 0)
    by_notation = [
        text,
        feet,
        np.array(DECIMAL_LINES, dtype=object)[np.minimum(readings.line, len(DECIMAL_LINES) - 1)],
        np.where(bare, logmar, logmar + " logMAR"),
        np.where(bare, letters, letters + " letters"),
    ]
    written = np.choose(readings.notation, by_notation).astype(object)
    named = (readings.notation == DECIMAL) | (bare & (readings.notation >= LOGMAR))
    notation = write_codes(("", "", "decimal", "logmar", "letters"), readings.notation)
    off = readings.off_chart
    for level, forms in enumerate(_OFF_CHART_FORMS):
        here = off == level
        written[here] = write_codes(forms, rng.random(int(here.sum())) < 0.7)
    return written, only_where(notation, named)


def make_table(name: str, n: int, columns: dict[str, Texts]) -> pd.DataFrame:
    """Make a table of text with every entered field in declared order; fields not given are blank.

    ``ValueError`` for a field that is not declared.
    """
    declared = [member.name for member in TABLES[name].entered]
    unknown = set(columns) - set(declared)
    if unknown:
        raise ValueError(f"{name} has no entered field {sorted(unknown)}")
    blank = np.full(n, "", dtype=object)
    data: dict[str, Any] = {field: columns.get(field, blank) for field in declared}
    return pd.DataFrame(data, dtype=object)


def write_files(department: dict[str, pd.DataFrame], folder: Path) -> list[Path]:
    """Write each table as ``folder/TABLE.csv`` (UTF-8, line feeds) and return the paths."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for name, table in department.items():
        paths.append(folder / f"{name}.csv")
        table.to_csv(paths[-1], index=False, lineterminator="\n", encoding="utf-8")
    return paths
