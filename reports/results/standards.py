"""The standards file: what a department promised itself before it looked at the data.

A TOML file of the department's own. ``[primary]`` names the one primary end point and its time;
each ``[[standard]]`` is a target for the share free of an end point at a time; each
``[[reference]]`` names the curve that the results of an end point in time order are held against:
``curve`` is the key of a published Kaplan–Meier series, or "standard" for the file's own standards
of that end point.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from analysis.outcomes.end_points import END_POINTS
from registry.errors import RefusedInputError


@dataclass(frozen=True, slots=True)
class Primary:
    """The primary end point of the audit and the time at which it is read."""

    end_point: str = "local_failure"
    years: float = 5.0
    decided: bool = False


@dataclass(frozen=True, slots=True)
class Standard:
    """A target: at least ``at_least`` (a fraction) free of ``end_point`` at ``years``."""

    name: str
    end_point: str
    years: float
    at_least: float
    source: str
    decided_on: date


@dataclass(frozen=True, slots=True)
class Reference:
    """The curve that an end point's time order is held against, decided beforehand."""

    end_point: str
    curve: str
    source: str
    decided_on: date


OWN_STANDARD = "standard"
"""The ``curve`` of a reference that is the file's own standards."""


@dataclass(frozen=True, slots=True)
class Standards:
    """The primary end point and the targets; empty when the department stated none."""

    primary: Primary = Primary()
    targets: tuple[Standard, ...] = ()
    references: tuple[Reference, ...] = ()

    def reference_of(self, end_point: str) -> Reference | None:
        """Return the reference of an end point, or None."""
        return next((one for one in self.references if one.end_point == end_point), None)


def judge(target: Standard, lower: float | None, upper: float | None) -> str:
    """Say whether a target is "met", "not met" or "cannot tell" from the interval of the free side.

    >>> judge(Standard("a", "local_failure", 5, 0.9, "", date(2014, 1, 1)), 0.85, 0.96)
    'cannot tell'
    """
    if lower is None or upper is None:
        return "cannot tell"
    if lower >= target.at_least:
        return "met"
    return "not met" if upper < target.at_least else "cannot tell"


def _refuse(path: Path, place: str, problem: str) -> RefusedInputError:
    return RefusedInputError(f"{path.name}: {place}: {problem}", file=path.name, entry=place)


def _end_point(path: Path, place: str, entry: dict[str, Any]) -> str:
    name = entry.get("end_point", "local_failure")
    if name not in END_POINTS:
        raise _refuse(path, place, f"end_point {name!r} is not one of {', '.join(END_POINTS)}.")
    return str(name)


def _number(path: Path, place: str, entry: dict[str, Any], key: str, high: float) -> float:
    value = entry.get(key)
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if not is_number or not 0 < float(value) <= high:  # type: ignore[arg-type]
        raise _refuse(path, place, f"{key} must be a number above 0 and up to {high:g}.")
    return float(value)  # type: ignore[arg-type]


def read_standards(path: Path) -> Standards:
    """Read a standards file.

    Raises
    ------
    RefusedInputError
        For a file that cannot be read, or an entry that is unknown, missing or out of range.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise RefusedInputError(
            f"{path.name} cannot be read as a standards file (TOML): {type(error).__name__}.",
            file=path.name,
        ) from None
    unknown = set(content) - {"primary", "standard", "reference"}
    if unknown:
        words = "known are [primary], [[standard]] and [[reference]]."
        raise _refuse(path, sorted(unknown)[0], words)
    primary = content.get("primary", {})
    chosen = Primary(
        _end_point(path, "[primary]", primary),
        _number(path, "[primary]", primary, "years", 50) if primary else 5.0,
        decided=bool(primary),
    )
    targets = tuple(
        _read_standard(path, f"[[standard]] {number}", entry)
        for number, entry in enumerate(content.get("standard", []), start=1)
    )
    references = tuple(
        _read_reference(path, f"[[reference]] {number}", entry, targets)
        for number, entry in enumerate(content.get("reference", []), start=1)
    )
    names = [one.end_point for one in references]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice:
        raise _refuse(path, "[[reference]]", f"there are two for {twice}; keep one.")
    return Standards(chosen, targets, references)


def _check_words(path: Path, place: str, entry: dict[str, Any], *keys: str) -> None:
    for key in keys:
        if not str(entry.get(key, "")).strip():
            words = f"{key} is missing; {', '.join(keys)} are needed."
            raise _refuse(path, place, words)


def _read_standard(path: Path, place: str, entry: dict[str, Any]) -> Standard:
    _check_words(path, place, entry, "name", "source", "decided_on")
    return Standard(
        name=str(entry["name"]),
        end_point=_end_point(path, place, entry),
        years=_number(path, place, entry, "years", 50),
        at_least=_number(path, place, entry, "at_least", 1),
        source=str(entry["source"]),
        decided_on=_read_day(path, place, entry),
    )


def _read_reference(
    path: Path, place: str, entry: dict[str, Any], targets: tuple[Standard, ...]
) -> Reference:
    _check_words(path, place, entry, "end_point", "curve", "source", "decided_on")
    end_point, curve = _end_point(path, place, entry), str(entry["curve"]).strip()
    if curve == OWN_STANDARD and all(one.end_point != end_point for one in targets):
        raise _refuse(path, place, f"the file has no [[standard]] of {end_point} to take.")
    decided = _read_day(path, place, entry)
    return Reference(end_point, curve, str(entry["source"]).strip(), decided)


def _read_day(path: Path, place: str, entry: dict[str, Any]) -> date:
    try:
        return date.fromisoformat(str(entry["decided_on"]))
    except ValueError:
        raise _refuse(path, place, "decided_on must be a date such as 2014-01-31.") from None
